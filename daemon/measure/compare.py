"""Which lamp gives more light, and which ones this bench cannot tell apart.

Owns ranking. That two tests may be compared at all (same bench, grid, height, primary instrument) is checked
elsewhere. Lamps are compared by ratio, as what they share on one bench is a factor: the calibration of the primary
instrument. Only that cancels. The height after hanging the lamp anew is a fresh draw in every test; the spectral
mismatch and the error of the cosine response belong to the lamp: they stay the same in its repeats, so repeats do not
average them down, and differ from lamp to lamp, so they do not cancel.

Repeats of a lamp are averaged plainly. What differs from test to test is taken from the budget or, where repeats show
more scatter than the budget explains, from that scatter, pooled over all lamps.

With k lamps there are k (k - 1) / 2 pairs, and one in twenty would be told apart by luck: the p values are corrected
by Holm's step-down procedure (Holm 1979, Scand. J. Statist. 6, 65-70), which holds for any dependence, so that the
shared check of one lamp against all others needs no special treatment. A lamp's place is one more than the number of
lamps that are surely better. "Cannot be told apart" is not transitive; the pairs tell what the places cannot.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from statistics import NormalDist
from typing import Final

from ...protocol.errors import MeasurementError
from .budget import Term
from .estimate import Estimate, standard_deviation, welch_satterthwaite
from .student import t_quantile, t_tail


class Scope(Enum):
    """With what a cause of uncertainty is shared."""

    BENCH = "all tests on this bench"
    LAMP = "all tests of one lamp"
    TEST = "one test"


#: Scope of the common part of each cause; causes not named are the test's own, as is every own part.
SCOPES: Final[Mapping[str, Scope]] = {
    "calibration": Scope.BENCH,
    "spectral mismatch": Scope.LAMP,
    "cosine response": Scope.LAMP,
    # They act through the lamp's spectrum.
    "wavelength scale": Scope.LAMP,
    "bandwidth": Scope.LAMP,
    "stray light": Scope.LAMP,
}


MOST_TESTS: Final = 100
"""Where the search for a number of tests ends: nobody repeats a test more often."""


@dataclass(frozen=True, slots=True)
class ComparedTest:
    """One test's canopy average with its budget (terms in the unit of the value, as in a canopy summary)."""

    test_id: str
    lamp: str
    value: float
    terms: tuple[Term, ...]


@dataclass(frozen=True, slots=True)
class RankedLamp:
    """One lamp's standing.

    Attributes:
        lamp: its id.
        average: mean over its tests; own part: what does not cancel between lamps, common part: what does.
        tests: how many.
        place: one more than the number of lamps surely better.
        last_place: number of lamps less those surely worse: the place it may have at worst.
        not_told_from: lamps that it cannot be told from, in order of value.
    """

    lamp: str
    average: Estimate
    tests: int
    place: int
    last_place: int
    not_told_from: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Pair:
    """Two lamps, the better one first.

    Attributes:
        better: lamp with the higher average.
        other: the other.
        ratio: of their averages, with the uncertainty that does not cancel as its own.
        p_value: chance of so large a difference between equal lamps, corrected for the number of pairs.
        told_apart: whether that is below the level asked.
        tests_needed: tests of each lamp that would tell two such lamps apart in four of five campaigns; None if no
            number would, or more than were looked at.
        repeats_help: False if no number of tests would: what stays the same in a lamp's repeats is too large.
        u_lasting: relative standard uncertainty of the ratio that stays, however often the tests are repeated.
    """

    better: str
    other: str
    ratio: Estimate
    p_value: float
    told_apart: bool
    tests_needed: int | None
    repeats_help: bool
    u_lasting: float


@dataclass(frozen=True, slots=True)
class Ranking:
    """All lamps, best first, and all pairs, in the order of the lamps.

    ``repeat_scatter`` is the relative standard deviation between repeats, None without any; ``explained`` is False if
    it is more than the budgets say.
    """

    lamps: tuple[RankedLamp, ...]
    pairs: tuple[Pair, ...]
    repeat_scatter: float | None
    explained: bool


@dataclass(frozen=True, slots=True)
class _Lamp:
    """All relative: ``u_test`` of the mean of its tests, ``u_single`` of one; ``pooled`` if from all repeats."""

    name: str
    value: float
    tests: int
    u_test: float
    u_single: float
    dof_test: float
    u_lamp: float
    dof_lamp: float
    u_bench: float
    pooled: bool


def rank(
    tests: Sequence[ComparedTest],
    *,
    alpha: float = 0.05,
    scopes: Mapping[str, Scope] = SCOPES,
    most_tests: int = MOST_TESTS,
) -> Ranking:
    """Rank the lamps of a campaign.

    Args:
        tests: at least one; several of the same lamp are repeats. Values above zero.
        alpha: chance that any two equal lamps are told apart.
        scopes: scope of the common part of each cause.
        most_tests: where to stop looking for the number of tests needed.

    Raises:
        MeasurementError: no tests, the same test twice, or a value that is not above zero.
    """
    if not tests or len({t.test_id for t in tests}) != len(tests):
        raise MeasurementError("a ranking needs tests, each once", where="comparison")
    if any(not t.value > 0.0 for t in tests):
        raise MeasurementError("only averages above zero can be compared", where="comparison")
    by_lamp: dict[str, list[ComparedTest]] = {}
    for test in tests:
        by_lamp.setdefault(test.lamp, []).append(test)
    scatter, scatter_dof, explained = _repeat_scatter(by_lamp, scopes)
    lamps = sorted(
        (_combine(name, of_lamp, scopes, scatter, scatter_dof, explained) for name, of_lamp in by_lamp.items()),
        key=lambda lamp: (-lamp.value, lamp.name),
    )
    couples = [(a, b) for i, a in enumerate(lamps) for b in lamps[i + 1 :]]
    raw = [_p_value(a, b) for a, b in couples]
    corrected = holm(raw)
    pairs = tuple(
        Pair(
            better=a.name,
            other=b.name,
            ratio=_ratio(a, b),
            p_value=p,
            told_apart=p < alpha,
            tests_needed=_tests_needed(a, b, alpha / len(couples), most_tests),
            repeats_help=_is_enough(a, b, alpha / len(couples), math.inf),
            u_lasting=math.hypot(a.u_lamp, b.u_lamp),
        )
        for (a, b), p in zip(couples, corrected, strict=True)
    )
    ranked = tuple(_ranked(lamp, pairs, len(lamps)) for lamp in lamps)
    return Ranking(ranked, pairs, scatter, explained)


def holm(p_values: Sequence[float]) -> list[float]:
    """P values corrected for their number by Holm's step-down procedure, in the order given."""
    order = sorted(range(len(p_values)), key=lambda i: p_values[i])
    corrected = [0.0] * len(p_values)
    largest = 0.0
    for step, i in enumerate(order):
        largest = max(largest, min(1.0, (len(p_values) - step) * p_values[i]))
        corrected[i] = largest
    return corrected


def repeatability_limit(s_r: float) -> float:
    """What two single results under repeatability conditions differ by at most in 95 % of cases (ISO 5725-6)."""
    return NormalDist().inv_cdf(0.975) * math.sqrt(2.0) * s_r


def critical_difference(s_r: float, first: int, second: int) -> float:
    """What two means of so many results in one laboratory differ by at most in 95 % of cases (ISO 5725-6)."""
    return repeatability_limit(s_r) * math.sqrt(1.0 / (2.0 * first) + 1.0 / (2.0 * second))


def _split(test: ComparedTest, scopes: Mapping[str, Scope]) -> dict[Scope, tuple[float, float]]:
    """Relative standard uncertainty and degrees of freedom of one test, by scope."""
    parts: dict[Scope, list[tuple[float, float]]] = {scope: [] for scope in Scope}
    for term in test.terms:
        parts[Scope.TEST].append((term.u_own / test.value, term.dof))
        parts[scopes.get(term.cause, Scope.TEST)].append((term.u_common / test.value, term.dof))
    return {
        scope: (math.sqrt(math.fsum(u * u for u, _ in found)), welch_satterthwaite(found))
        for scope, found in parts.items()
    }


def _repeat_scatter(
    by_lamp: Mapping[str, Sequence[ComparedTest]], scopes: Mapping[str, Scope]
) -> tuple[float | None, int, bool]:
    """Pooled relative standard deviation of repeats, its degrees of freedom, and whether the budgets explain it.

    They do unless its ratio to what they say is so large that one in twenty would be larger (chi-squared, by the
    cube-root approximation of Wilson and Hilferty 1931, Proc. Natl. Acad. Sci. 17, 684-688).
    """
    dof, squares, budget = 0, 0.0, 0.0
    for tests in by_lamp.values():
        if len(tests) < 2:
            continue
        logs = [math.log(t.value) for t in tests]
        dof += len(tests) - 1
        squares += (len(tests) - 1) * standard_deviation(logs) ** 2
        mean_square = math.fsum(_split(t, scopes)[Scope.TEST][0] ** 2 for t in tests) / len(tests)
        budget += (len(tests) - 1) * mean_square
    if not dof:
        return None, 0, True
    z = NormalDist().inv_cdf(0.95)
    limit = dof * (1.0 - 2.0 / (9.0 * dof) + z * math.sqrt(2.0 / (9.0 * dof))) ** 3
    return math.sqrt(squares / dof), dof, squares <= limit * budget / dof


def _combine(
    name: str,
    tests: Sequence[ComparedTest],
    scopes: Mapping[str, Scope],
    scatter: float | None,
    scatter_dof: int,
    explained: bool,
) -> _Lamp:
    n = len(tests)
    split = [_split(t, scopes) for t in tests]
    single = math.sqrt(math.fsum(s[Scope.TEST][0] ** 2 for s in split) / n)
    dof = welch_satterthwaite(s[Scope.TEST] for s in split)
    if scatter is not None and not explained:
        single, dof = scatter, scatter_dof
    lamp_u = max(s[Scope.LAMP][0] for s in split)
    return _Lamp(
        name=name,
        value=math.fsum(t.value for t in tests) / n,
        tests=n,
        u_test=single / math.sqrt(n),
        u_single=single,
        dof_test=dof,
        u_lamp=lamp_u,
        dof_lamp=min(s[Scope.LAMP][1] for s in split),
        u_bench=math.fsum(s[Scope.BENCH][0] for s in split) / n,
        pooled=not explained,
    )


def _spread(a: _Lamp, b: _Lamp, u_a: float, u_b: float) -> tuple[float, float]:
    """Standard uncertainty of ln(a / b) and its degrees of freedom, given those of the two means of tests.

    A scatter pooled over all repeats is one estimate used twice: its degrees of freedom do not add up.
    """
    one_estimate = a.pooled and b.pooled
    parts = [(math.hypot(u_a, u_b), a.dof_test)] if one_estimate else [(u_a, a.dof_test), (u_b, b.dof_test)]
    parts += [(a.u_lamp, a.dof_lamp), (b.u_lamp, b.dof_lamp)]
    return math.sqrt(math.fsum(u * u for u, _ in parts)), welch_satterthwaite(parts)


def _p_value(a: _Lamp, b: _Lamp) -> float:
    u, dof = _spread(a, b, a.u_test, b.u_test)
    apart = abs(math.log(a.value / b.value))
    if u == 0.0:
        return 0.0 if apart > 0.0 else 1.0
    return t_tail(apart / u, dof)


def _ratio(a: _Lamp, b: _Lamp) -> Estimate:
    u, dof = _spread(a, b, a.u_test, b.u_test)
    value = a.value / b.value
    return Estimate(value, u_own=value * u, dof_own=dof)


def _tests_needed(a: _Lamp, b: _Lamp, level: float, most: int) -> int | None:
    """Tests of each lamp that separate a difference as large as the one seen."""
    return next((n for n in range(1, most + 1) if _is_enough(a, b, level, n)), None)


def _is_enough(a: _Lamp, b: _Lamp, level: float, tests: float) -> bool:
    """Whether so many tests of each lamp, also infinitely many, separate the difference seen, with power 0.8."""
    apart = abs(math.log(a.value / b.value))
    u, dof = _spread(a, b, a.u_single / math.sqrt(tests), b.u_single / math.sqrt(tests))
    if u == 0.0:
        return apart > 0.0
    return apart >= (t_quantile(1.0 - level, dof) + NormalDist().inv_cdf(0.8)) * u


def _ranked(lamp: _Lamp, pairs: Sequence[Pair], lamps: int) -> RankedLamp:
    above = sum(p.told_apart and p.other == lamp.name for p in pairs)
    below = sum(p.told_apart and p.better == lamp.name for p in pairs)
    alike = tuple(
        p.other if p.better == lamp.name else p.better
        for p in pairs
        if not p.told_apart and lamp.name in (p.better, p.other)
    )
    own = lamp.value * math.hypot(lamp.u_test, lamp.u_lamp)
    average = Estimate(
        lamp.value,
        u_own=own,
        u_common=lamp.value * lamp.u_bench,
        dof_own=welch_satterthwaite(((lamp.u_test, lamp.dof_test), (lamp.u_lamp, lamp.dof_lamp))),
    )
    return RankedLamp(lamp.name, average, lamp.tests, above + 1, lamps - below, alike)
