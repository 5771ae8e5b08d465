"""Control charts of the check lamp: has the bench itself drifted?

Owns the chart of individuals with moving ranges, the exponentially weighted moving average, and the run rules. A
check lamp measured every campaign gives one value at a time, so there are no subgroups: the spread comes from the
ranges between neighbours, which a slow drift hardly touches.

The factor is 1.128, not 2/sqrt(pi) = 1.12838 in full, because the published tables and examples round it so
(NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2; ISO 7870-2, from memory).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import pairwise
from typing import Final

import numpy as np

from ...protocol.errors import MeasurementError

#: Mean and upper limit factor of the range of two (d2 and D4 of the tables; d2 = 2 / sqrt(pi)).
D2: Final = 1.128
D4: Final = 3.267
#: Points in a row on one side of the centre, and rising or falling, that are a signal (ISO 7870-2, Nelson 1984; from
#: memory).
SAME_SIDE: Final = 9
TREND: Final = 6
#: Fewest values from which limits are worth drawing (common practice, no source).
FEWEST: Final = 5


class Signal(Enum):
    """Why a point stands out."""

    BEYOND_LIMITS = "beyond three standard deviations"
    SAME_SIDE = "nine in a row on one side of the centre"
    TREND = "six in a row rising or falling"
    RANGE = "jump from the value before"
    AVERAGE = "moving average beyond its limits"


@dataclass(frozen=True, slots=True)
class Limits:
    """Centre and limits of a chart of individuals, in the values' unit; ``sigma`` is mean moving range over d2."""

    centre: float
    sigma: float
    lower: float
    upper: float
    mean_range: float
    upper_range: float


@dataclass(frozen=True, slots=True)
class Finding:
    """A signal at one point; ``index`` counts from 0 over the values given."""

    index: int
    signal: Signal


@dataclass(frozen=True, slots=True)
class BenchCheck:
    """What the check lamp says of the bench. ``in_control`` is None while there are too few values to say."""

    in_control: bool | None
    reason: str
    limits: Limits | None
    averages: tuple[float, ...]
    average_limits: tuple[float, float] | None
    findings: tuple[Finding, ...]


def individuals_limits(values: Sequence[float]) -> Limits:
    """Limits from single values in their order: mean plus and minus 3 mean moving ranges over d2.

    Raises:
        MeasurementError: fewer than two values.
    """
    if len(values) < 2:
        raise MeasurementError(f"{len(values)} values make no control chart")
    centre = math.fsum(values) / len(values)
    mean_range = math.fsum(abs(b - a) for a, b in pairwise(values)) / (len(values) - 1)
    sigma = mean_range / D2
    return Limits(centre, sigma, centre - 3.0 * sigma, centre + 3.0 * sigma, mean_range, D4 * mean_range)


def run_rules(values: Sequence[float], limits: Limits) -> tuple[Finding, ...]:
    """Every point at which a rule of the chart of individuals is broken, in order."""
    found = []
    for i, value in enumerate(values):
        if not limits.lower <= value <= limits.upper:
            found.append(Finding(i, Signal.BEYOND_LIMITS))
        if i and abs(value - values[i - 1]) > limits.upper_range:
            found.append(Finding(i, Signal.RANGE))
        side = [np.sign(v - limits.centre) for v in values[max(0, i + 1 - SAME_SIDE) : i + 1]]
        if len(side) == SAME_SIDE and abs(sum(side)) == SAME_SIDE:
            found.append(Finding(i, Signal.SAME_SIDE))
        steps = [b - a for a, b in pairwise(values[max(0, i + 1 - TREND) : i + 1])]
        if len(steps) == TREND - 1 and (all(s > 0.0 for s in steps) or all(s < 0.0 for s in steps)):
            found.append(Finding(i, Signal.TREND))
    return tuple(found)


def moving_average(values: Sequence[float], *, target: float, weight: float = 0.3) -> tuple[float, ...]:
    """Exponentially weighted moving average, started at the target (NIST/SEMATECH e-Handbook, 6.3.2.4)."""
    if not 0.0 < weight <= 1.0:
        raise MeasurementError(f"a weight of {weight} makes no moving average")
    averages, last = [], target
    for value in values:
        last = weight * value + (1.0 - weight) * last
        averages.append(last)
    return tuple(averages)


def moving_average_limits(
    target: float, sigma: float, *, weight: float = 0.3, width: float = 3.0
) -> tuple[float, float]:
    """Limits of the moving average after many values: target plus and minus width sigma sqrt(w / (2 - w))."""
    half = width * sigma * math.sqrt(weight / (2.0 - weight))
    return target - half, target + half


def bench_check(baseline: Sequence[float], later: Sequence[float] = (), *, weight: float = 0.3) -> BenchCheck:
    """Whether the check lamp's values show that the bench has drifted.

    Args:
        baseline: values, in order, that set centre and limits.
        later: values since, judged by these limits; if there are none, the baseline judges itself.
        weight: of the newest value in the moving average.

    Returns:
        Findings index over ``baseline`` and ``later`` together; only those of the values judged count.
    """
    if len(baseline) < FEWEST:
        reason = f"cannot say yet: {len(baseline)} values of the check lamp, {FEWEST} are needed"
        return BenchCheck(None, reason, None, (), None, ())
    limits = individuals_limits(baseline)
    values = [*baseline, *later]
    first = len(baseline) if later else 0
    averages = moving_average(values, target=limits.centre, weight=weight)
    low, high = moving_average_limits(limits.centre, limits.sigma, weight=weight)
    findings = [f for f in run_rules(values, limits) if f.index >= first]
    findings += [Finding(i, Signal.AVERAGE) for i in range(first, len(values)) if not low <= averages[i] <= high]
    findings.sort(key=lambda f: f.index)
    if findings:
        last = findings[-1]
        reason = f"the check lamp's value {last.index + 1} of {len(values)}: {last.signal.value}"
    else:
        reason = f"the check lamp repeats within {3.0 * limits.sigma / limits.centre:.2%} over {len(values)} values"
    return BenchCheck(not findings, reason, limits, averages, (low, high), tuple(findings))
