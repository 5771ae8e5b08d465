"""What a test concludes: canopy average, uniformity, spread, drift, photons per joule, each with its uncertainty.

Owns the figures over a whole grid. Gets plain values of one instrument, the *primary* one, and knows nothing of
attempts, doubts or instruments. A figure that cannot be had is None with a reason; in particular a missing spot takes
the average with it, as it would no longer be the average of this grid.

The figures are those of the lamp half-way between opening and closing reading. The drift between the two is either
corrected, spot by spot and linearly in time, and then only the uncertainty of the correction is kept; or it is left
in and kept as uncertainty: of the average rectangular, from half the drift below to half above, of ratios between
spots as much as it moves spots apart that were read at different times. Never both.

Ratios over the grid, such as maximum over minimum, are propagated by Monte Carlo (uniformity.py).
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from typing import TYPE_CHECKING

import numpy as np

from ...protocol.errors import MeasurementError
from . import budget
from .arrays import FloatArray
from .budget import Term
from .estimate import Estimate, ratio, weighted_mean
from .student import coverage_factor
from .uniformity import Grid, GridFigure, max_over_min, over_grid, variation

if TYPE_CHECKING:
    from numpy.random import Generator  # 3.5 MB that a daemon at rest does without


@dataclass(frozen=True, slots=True)
class SpotValue:
    """The counting reading of one spot.

    ``terms`` is its budget by cause, if known: it must combine to the estimate's uncertainty. Without it the budget
    of the average has one line for what is not broken down.
    """

    spot: str
    estimate: Estimate
    time_s: float
    terms: tuple[Term, ...] = ()


@dataclass(frozen=True, slots=True)
class Figure:
    """A result, or why there is none.

    Attributes:
        estimate: None if there is none.
        interval: 95 % coverage interval, low and high; always holds the figure itself.
        coverage_factor: what the combined uncertainty is multiplied by for the interval; None by Monte Carlo.
        reason: empty, or why there is no estimate.
    """

    estimate: Estimate | None
    interval: tuple[float, float] | None = None
    coverage_factor: float | None = None
    reason: str = ""


class DriftTreatment(Enum):
    """What is done about a drift."""

    CORRECT = "correct"
    CARRY = "carry"


@dataclass(frozen=True, slots=True)
class Drift:
    """Change of the reference point from opening to closing reading, relative, and what was done about it."""

    figure: Figure
    treatment: DriftTreatment | None
    note: str


@dataclass(frozen=True, slots=True)
class CanopySummary:
    """Conclusions over one grid. Flux densities in the unit of the readings, ratios plain."""

    average: Figure
    minimum: Figure
    maximum: Figure
    uniformity_ratio: Figure
    uniformity_bias: float | None
    min_over_average: Figure
    coefficient_of_variation: Figure
    drift: Drift
    budget: tuple[Term, ...]
    missing: tuple[str, ...]


#: Monte Carlo trials: the share of draws beyond an end of a 95 % interval then stands to a tenth of itself (binomial),
#: which moves the end by less than a twentieth of the standard uncertainty. JCGM 101, 7.2.2, would ask for 1e6; more
#: digits of a uniformity ratio's uncertainty are worth no second of waiting.
TRIALS = 5000


def conclude(
    spots: Sequence[SpotValue],
    expected: Sequence[str],
    *,
    opening: SpotValue | None,
    closing: SpotValue | None,
    treatment: DriftTreatment,
    rng: "Generator",
    weights: Mapping[str, float] | None = None,
    trials: int = TRIALS,
) -> CanopySummary:
    """Conclude over a grid.

    Args:
        spots: one value for each spot that was read, in any order.
        expected: all spots of the grid.
        opening: reference point before the grid, None if it was not read.
        closing: reference point after the grid.
        treatment: what to do about drift.
        rng: seeded by the caller, so that the same test gives the same digits.
        weights: area that each spot stands for, relative; equal if None.
        trials: Monte Carlo trials.

    Raises:
        MeasurementError: a spot twice, one that is not in the grid, or weights that do not fit.
    """
    by_name = {s.spot: s for s in spots}
    if len(by_name) != len(spots) or not set(by_name) <= set(expected) or not expected:
        raise MeasurementError("spots must be of the grid, each once", where="summary")
    shares = [1.0 if weights is None else weights.get(name, -1.0) for name in expected]
    if min(shares) < 0.0 or not math.fsum(shares) > 0.0:
        raise MeasurementError("every spot needs a weight that is not negative", where="summary")
    missing = tuple(name for name in expected if name not in by_name)
    drift, relative, u_relative = _drift(opening, closing, treatment)
    if missing:
        verb = "is" if len(missing) == 1 else "are"
        reason = f"{len(missing)} of {len(expected)} spots {verb} missing: {', '.join(missing[:8])}"
        none = Figure(None, reason=reason)
        return CanopySummary(none, none, none, none, None, none, none, drift, (), missing)

    values = [by_name[name] for name in expected]
    if drift.treatment is not None and opening is not None and closing is not None:
        span_s = closing.time_s - opening.time_s
        place = [(v.time_s - opening.time_s) / span_s - 0.5 for v in values]
    else:
        place = [0.0] * len(values)
    corrected = drift.treatment is DriftTreatment.CORRECT
    carried = math.hypot(relative, u_relative) / math.sqrt(12.0) if drift.treatment is DriftTreatment.CARRY else 0.0
    if corrected:
        values = [_scaled(v, 1.0 / (1.0 + relative * p)) for v, p in zip(values, place, strict=True)]
    total = math.fsum(shares)
    shares = [s / total for s in shares]
    plain = weighted_mean([v.estimate for v in values], shares)
    of_mean = (
        carried if not corrected else u_relative * abs(math.fsum(s * p for s, p in zip(shares, place, strict=True)))
    )
    average = plain.widened(common=of_mean * abs(plain.value))
    lines = budget.averaged([v.terms or _unbroken(v.estimate) for v in values], shares)
    if drift.treatment is not None:
        lines = (*lines, Term("drift", u_common=of_mean * abs(plain.value)))
    low = min(values, key=lambda v: v.estimate.value)
    high = max(values, key=lambda v: v.estimate.value)

    noise = _noise(values, rng, trials)
    factor = _shared(values, rng, trials)
    if corrected:
        # The correction's own error moves early and late spots apart.
        factor = factor * (1.0 - u_relative * np.outer(place, rng.standard_normal(trials)))
    elif carried:
        # Left in, it moves early and late spots apart by as much as it is.
        factor = factor * (1.0 + math.sqrt(12.0) * carried * np.outer(place, rng.standard_normal(trials)))
    grid = Grid(np.array([v.estimate.value for v in values]), np.array(shares), noise, factor)
    uniformity, bias = _stated_over(over_grid(grid, max_over_min, floor=1.0))
    by_average, _ = _stated_over(over_grid(grid, lambda x: x.min(axis=0) / (grid.shares @ x), ceiling=1.0, falls=True))
    spread, _ = _stated_over(over_grid(grid, variation, floor=0.0))
    return CanopySummary(
        average=stated(average),
        minimum=stated(low.estimate.widened(common=carried * abs(low.estimate.value))),
        maximum=stated(high.estimate.widened(common=carried * abs(high.estimate.value))),
        uniformity_ratio=uniformity,
        uniformity_bias=bias,
        min_over_average=by_average,
        coefficient_of_variation=spread,
        drift=drift,
        budget=lines,
        missing=(),
    )


def stated(estimate: Estimate, share: float = 0.95) -> Figure:
    """A figure with its coverage interval: k from the effective degrees of freedom (JCGM 100, G.4)."""
    k = coverage_factor(estimate.dof, share)
    return Figure(estimate, (estimate.value - k * estimate.u, estimate.value + k * estimate.u), k)


def photons_per_joule(average: Figure, area_m2: float, power: Estimate | None) -> Figure:
    """Photons that reach the canopy plane for each joule drawn, µmol/J: average times area over power.

    Not the lamp's photon efficacy: what misses the grid is not counted.

    Args:
        average: canopy average, µmol m⁻² s⁻¹.
        area_m2: area that the grid stands for.
        power: mean active power over the test, W; None without a power meter.
    """
    if average.estimate is None:
        return Figure(None, reason=average.reason)
    if power is None:
        return Figure(None, reason="no power meter")
    if not (power.value > 0.0 and area_m2 > 0.0):
        return Figure(None, reason="power and area must be above zero")
    light = average.estimate.scaled(area_m2)
    # Sensor and power meter share nothing with each other; each shares its calibration with the other tests.
    value = light.value / power.value
    own = math.hypot(light.u_own / light.value, power.u_own / power.value) if light.value else 0.0
    common = math.hypot(light.u_common / light.value, power.u_common / power.value) if light.value else 0.0
    return stated(Estimate(value, abs(value) * own, abs(value) * common, light.dof_own, light.dof_common))


def _drift(
    opening: SpotValue | None, closing: SpotValue | None, treatment: DriftTreatment
) -> tuple[Drift, float, float]:
    if opening is None or closing is None:
        which = "opening" if opening is None else "closing"
        reason = f"no {which} reading at the reference point"
        return Drift(Figure(None, reason=reason), None, f"drift is not known: {reason}"), 0.0, 0.0
    if not closing.time_s > opening.time_s:
        raise MeasurementError("the closing reading follows the opening reading", where="drift")
    if not opening.estimate.value > 0.0:
        reason = "the opening reading shows no light"
        return Drift(Figure(None, reason=reason), None, f"drift is not known: {reason}"), 0.0, 0.0
    change = ratio(closing.estimate, opening.estimate)
    relative = replace(change, value=change.value - 1.0)
    how = "corrected, linear in time" if treatment is DriftTreatment.CORRECT else "carried as uncertainty"
    return (
        Drift(stated(relative), treatment, f"{relative.value:+.2%} from opening to closing reading, {how}"),
        relative.value,
        relative.u,
    )


def _scaled(value: SpotValue, factor: float) -> SpotValue:
    size = abs(factor)
    return replace(
        value,
        estimate=value.estimate.scaled(factor),
        terms=tuple(replace(t, u_own=t.u_own * size, u_common=t.u_common * size) for t in value.terms),
    )


def _unbroken(estimate: Estimate) -> tuple[Term, ...]:
    return (
        Term("of each spot (not broken down)", u_own=estimate.u_own, dof=estimate.dof_own),
        Term("shared by all spots (not broken down)", u_common=estimate.u_common, dof=estimate.dof_common),
    )


def _stated_over(found: GridFigure | str) -> tuple[Figure, float | None]:
    if isinstance(found, str):
        return Figure(None, reason=found), None
    return Figure(Estimate(found.value, u_own=found.u), (found.low, found.high)), found.bias


def _noise(values: Sequence[SpotValue], rng: "Generator", trials: int) -> FloatArray:
    """Draws of every spot's own error, shape ``(n, trials)``.

    A scaled and shifted t where the degrees of freedom are few (JCGM 101, 6.4.9).
    """
    rows = []
    for value in values:
        estimate = value.estimate
        few = estimate.dof_own < 100.0
        error = rng.standard_t(estimate.dof_own, trials) if few else rng.standard_normal(trials)
        rows.append(estimate.u_own * error)
    return np.stack(rows)


def _shared(values: Sequence[SpotValue], rng: "Generator", trials: int) -> FloatArray:
    """Draws of what is shared and yet differs over the grid, as factors, shape ``(n, trials)`` or ``(1, 1)``.

    A calibration is the same share of every spot and leaves every ratio alone. Height and cosine response move the
    rim of a grid otherwise than its middle.
    """
    causes = dict.fromkeys(t.cause for v in values for t in v.terms)
    moves = [[math.fsum(t.u_common for t in v.terms if t.cause == cause) for v in values] for cause in causes]
    moves.append([0.0 if v.terms else v.estimate.u_common for v in values])
    relative = np.array(moves) / np.array([abs(v.estimate.value) or 1.0 for v in values])
    uneven = relative[np.ptp(relative, axis=1) > 1e-9]
    if not uneven.size:
        return np.ones((1, 1))
    return np.asarray(1.0 + uneven.T @ rng.standard_normal((uneven.shape[0], trials)))
