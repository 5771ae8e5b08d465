"""Reasons to doubt a reading, in plain words, while the sensor is still near.

Owns the checks that turn a reading and its neighbourhood into doubts, and the rule that ends a doubt: a spot read
again that repeats within its uncertainty is *confirmed*; what was odd about it is real. Throws nothing away and
decides nothing about which attempt counts.

Each check can also find that it cannot judge yet; that is no doubt, and no clearance either.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from statistics import NormalDist, median
from typing import Final

from .estimate import Estimate
from .gates import SupplyEvidence
from .surface import FALSE_ALARM, GridPoint, fit_spots

#: A spot is judged by so many of those nearest to it; on a grid of hundreds the far ones say nothing more, and looking
#: at all of them at each spot would cost the square of their number.
NEIGHBOURS: Final = 48
#: Window noise is odd if it is so many times that of the other spots (common practice, no source), and above a floor.
_NOISE_RATIO: Final = 4.0
_NOISE_FLOOR: Final = 0.003
#: A change of sensor over spectrometer smaller than this is worth no second reading.
_RATIO_FLOOR: Final = 0.02


class DoubtKind(Enum):
    """What a doubt is about."""

    NEIGHBOURS = "neighbours"
    INSTRUMENTS = "instruments"
    NOISE = "noise"
    SUPPLY = "supply"


@dataclass(frozen=True, slots=True)
class Doubt:
    """One reason to doubt: what, in words, how large (relative, where it has a size) and what would have passed."""

    kind: DoubtKind
    reason: str
    size: float | None = None
    limit: float | None = None


@dataclass(frozen=True, slots=True)
class Verdict:
    """What one check says: ``doubt`` if there is one, ``judged`` False with a reason if it cannot say yet."""

    kind: DoubtKind
    judged: bool
    doubt: Doubt | None
    reason: str


def against_neighbours(spot: str, points: Sequence[GridPoint], *, false_alarm: float = FALSE_ALARM) -> Verdict:
    """A spot against the smooth surface through the others read so far.

    Args:
        spot: name of the spot in question, one of ``points``.
        points: all spots read so far, each with the value that counts.
        false_alarm: chance that any spot of a grid without faults is called out.
    """
    kind = DoubtKind.NEIGHBOURS
    near = _nearest(spot, points)
    # The chance of a false alarm is the whole grid's: the part that is looked at has its share of it.
    fit = fit_spots(near, false_alarm=false_alarm * len(near) / len(points))[spot]
    if not fit.judged:
        return Verdict(kind, False, None, f"cannot judge yet: {len(points)} spots foretell too little here")
    if fit.fits:
        return Verdict(kind, True, None, f"fits its neighbours ({fit.departure or 0.0:+.1%})")
    if fit.departure is None:
        reason = "no light"
    else:
        reason = f"{fit.departure:+.0%} from what its neighbours foretell (limit {fit.limit or 0.0:.0%})"
    return Verdict(kind, True, Doubt(kind, reason, fit.departure, fit.limit), reason)


def _nearest(spot: str, points: Sequence[GridPoint]) -> list[GridPoint]:
    """A spot and those around it, in the order in which they were given."""
    here = next(point for point in points if point.spot == spot)
    apart = sorted(math.hypot(point.x_mm - here.x_mm, point.y_mm - here.y_mm) for point in points)
    reach_mm = apart[min(NEIGHBOURS, len(apart) - 1)]
    return [p for p in points if math.hypot(p.x_mm - here.x_mm, p.y_mm - here.y_mm) <= reach_mm]


def sensor_against_spectrometer(sensor: Estimate, spectrometer: Estimate, *, coverage: float = 3.0) -> Verdict:
    """Two instruments that read the same light, beyond their combined uncertainties (they share nothing).

    Args:
        sensor: PPFD of the quantum sensor.
        spectrometer: PPFD of the spectrometer over the same window.
        coverage: how many combined standard uncertainties are let pass.
    """
    kind = DoubtKind.INSTRUMENTS
    if not (sensor.value > 0.0 and spectrometer.value > 0.0):
        reason = "one instrument sees no light"
        return Verdict(kind, True, Doubt(kind, reason), reason)
    size = sensor.value / spectrometer.value - 1.0
    limit = coverage * math.hypot(sensor.u_relative, spectrometer.u_relative)
    if abs(math.log1p(size)) <= limit:
        return Verdict(kind, True, None, f"sensor and spectrometer agree ({size:+.1%}, limit {limit:.1%})")
    reason = f"the sensor reads {size:+.1%} from the spectrometer, more than their uncertainties allow ({limit:.1%})"
    return Verdict(kind, True, Doubt(kind, reason, size, limit), reason)


def ratio_among_spots(
    sensor: Estimate,
    spectrometer: Estimate,
    others: Sequence[float],
    *,
    spots: int = 25,
    false_alarm: float = FALSE_ALARM,
) -> Verdict:
    """Sensor over spectrometer at this spot against the same ratio at the others: calibrations cancel.

    Args:
        sensor: PPFD of the quantum sensor.
        spectrometer: PPFD of the spectrometer over the same window.
        others: the ratios at the other spots; at least three are needed.
        spots: spots of the grid, among which the false alarm rate is shared.
        false_alarm: chance that any spot of a grid without faults is called out.
    """
    kind = DoubtKind.INSTRUMENTS
    if not (sensor.value > 0.0 and spectrometer.value > 0.0):
        reason = "one instrument sees no light"
        return Verdict(kind, True, Doubt(kind, reason), reason)
    if len(others) < 3:
        return Verdict(kind, False, None, f"cannot judge yet: {len(others)} other spots have both instruments")
    usual = median(others)
    size = sensor.value / spectrometer.value / usual - 1.0
    own = math.hypot(sensor.u_own / sensor.value, spectrometer.u_own / spectrometer.value)
    scatter = median(abs(r / usual - 1.0) for r in others) / 0.6745
    z = NormalDist().inv_cdf(1.0 - false_alarm / (2.0 * spots))
    # The median of n costs a factor pi/2 in variance.
    limit = max(_RATIO_FLOOR, z * max(own, scatter) * math.sqrt(1.0 + math.pi / 2.0 / len(others)))
    if abs(size) <= limit:
        return Verdict(kind, True, None, f"sensor over spectrometer as at the other spots ({size:+.1%})")
    reason = f"sensor over spectrometer differs by {size:+.1%} from the other spots (limit {limit:.1%})"
    return Verdict(kind, True, Doubt(kind, reason, size, limit), reason)


def noisy_window(scatter_relative: float, others: Sequence[float]) -> Verdict:
    """Scatter of the samples within the window, against that of the other windows.

    Args:
        scatter_relative: standard deviation of single samples over their mean.
        others: the same of the other spots; at least three are needed.
    """
    kind = DoubtKind.NOISE
    if len(others) < 3:
        return Verdict(kind, False, None, f"cannot judge yet: {len(others)} other windows to compare with")
    limit = max(_NOISE_FLOOR, _NOISE_RATIO * median(others))
    if scatter_relative <= limit:
        return Verdict(kind, True, None, f"noise as in the other windows ({scatter_relative:.2%})")
    reason = f"the signal scattered by {scatter_relative:.2%} within the window (limit {limit:.2%})"
    return Verdict(kind, True, Doubt(kind, reason, scatter_relative, limit), reason)


def supply_moved(evidence: SupplyEvidence) -> Verdict:
    """The supply over the reading window."""
    kind = DoubtKind.SUPPLY
    if evidence.samples == 0:
        return Verdict(kind, False, None, f"cannot judge: {evidence.reason}")
    if evidence.open:
        return Verdict(kind, True, None, evidence.reason)
    return Verdict(kind, True, Doubt(kind, evidence.reason), evidence.reason)


def confirmed(first: Estimate, second: Estimate, *, coverage: float = 2.0) -> bool:
    """Whether two attempts at one spot repeat each other within their own uncertainties.

    What they share does not count, as it is the same in both. Then what was odd about the spot is real.
    """
    return abs(first.value - second.value) <= coverage * math.hypot(first.u_own, second.u_own)
