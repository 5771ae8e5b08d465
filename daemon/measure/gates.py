"""Gates: conditions that must hold before a reading counts, evaluated on samples, with the evidence kept.

Owns three pure decisions: is the lamp warm, has the signal settled, is the supply within limits. Each is given
samples and times and returns a frozen record of what it decided, why in plain words, and the numbers it used. Knows
nothing of waiting, overruling or instruments; holds no state; bench time only.

Noise must not hold a gate for ever, nor may it open one: what is compared with a tolerance is a movement (of block
means, of a fitted line), and the movement that noise alone would show is allowed on top. The noise is taken from the
samples themselves (second differences, see samples.py).
"""

import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from .samples import Series, Trend, block_means, trend

#: Mean range of k independent normal values in units of their standard deviation (d2 of control charts; the rows for
#: 2 to 10 as in ISO 7870-2, from memory; checked in the tests against its integral).
_MEAN_RANGE: Final = (0.0, 0.0, 1.128, 1.693, 2.059, 2.326, 2.534, 2.704, 2.847, 2.970, 3.078)
#: Stretches into which the last minutes are cut: fine enough to see a bow, coarse enough to average noise.
_BLOCKS: Final = 10


@dataclass(frozen=True, slots=True)
class Stabilisation:
    """A criterion for "steady".

    Run at least ``minimum_s``; then over the last ``span_s`` the movement of each signal stays within ``tolerance``
    of its smallest value. ``readings`` > 0 compares single readings spread evenly over the span, as the standards
    word it; 0 compares block means over the whole span.
    """

    name: str
    minimum_s: float
    span_s: float
    tolerance: float
    readings: int = 0


#: The bench's default: common practice, no source.
BENCH_STABILISATION: Final = Stabilisation("bench", 900.0, 300.0, 0.01)
#: IES LM-79-08: three or more readings over 30 min, 15 min apart, of light and power, within 0.5 % (from memory).
LM_79_STABILISATION: Final = Stabilisation("LM-79-08", 1800.0, 1800.0, 0.005, readings=3)
#: CIE S 025 / EN 13032-4: run 30 min, then (max - min) / min over the last 15 min below 0.5 % (from memory).
CIE_S025_STABILISATION: Final = Stabilisation("CIE S 025", 1800.0, 900.0, 0.005)


@dataclass(frozen=True, slots=True)
class Steadiness:
    """How much one signal moved: all relative to its smallest block mean.

    ``movement`` is (max - min) / min, ``allowance`` what noise alone would show, ``trend`` the change over the span by
    the fitted line and ``u_trend`` its standard uncertainty. ``steady`` if movement less allowance is within the
    tolerance and the trend is not surely (two standard uncertainties) outside: a line through all samples sees a slow
    rise under noise that block means do not. ``covered`` is False if there are too few samples to say.
    """

    signal: str
    covered: bool
    samples: int
    movement: float | None
    allowance: float | None
    trend: float | None
    u_trend: float | None
    steady: bool
    reason: str


@dataclass(frozen=True, slots=True)
class WarmUpEvidence:
    """Decision of the warm-up gate."""

    open: bool
    reason: str
    criterion: Stabilisation
    strike_age_s: float
    remaining_s: float
    power: Steadiness | None
    light: Steadiness | None


def warm_up(
    strike_age_s: float,
    now_s: float,
    *,
    power: Iterable[tuple[float, float]] | None,
    light: Iterable[tuple[float, float]] | None,
    criterion: Stabilisation = BENCH_STABILISATION,
) -> WarmUpEvidence:
    """Whether the lamp may be read.

    Args:
        strike_age_s: seconds since the arc was first seen (since the press that said so, without a power meter).
        now_s: bench time of the decision.
        power: ``(time_s, watt)`` samples, at least over the criterion's span; None without a power meter.
        light: ``(time_s, value)`` samples of the sensor at the reference point; None if it is not there.
        criterion: what is asked.

    Returns:
        Open only if the minimum time has passed and each signal that exists is steady.
    """
    remaining_s = max(0.0, criterion.minimum_s - strike_age_s)
    start_s = now_s - criterion.span_s
    judged = [
        None if samples is None else steadiness(name, samples, start_s, now_s, criterion)
        for name, samples in (("power", power), ("light", light))
    ]
    reasons = []
    if remaining_s > 0.0:
        reasons.append(f"{_duration(remaining_s)} of {_duration(criterion.minimum_s)} since the strike remain")
    reasons += [s.reason for s in judged if s is not None and not s.steady]
    if reasons:
        reason = "not yet: " + "; ".join(reasons)
    else:
        signals = " and ".join(s.signal for s in judged if s is not None)
        steady = f"{signals} steady over {_duration(criterion.span_s)}" if signals else "nothing measured to judge by"
        reason = f"warm: {_duration(strike_age_s)} since the strike, {steady}"
    return WarmUpEvidence(not reasons, reason, criterion, strike_age_s, remaining_s, judged[0], judged[1])


def steadiness(
    signal: str, samples: Iterable[tuple[float, float]], start_s: float, end_s: float, criterion: Stabilisation
) -> Steadiness:
    """Judge one signal between two times. See :class:`Stabilisation`."""
    series = Series.of(s for s in samples if start_s - 1e-9 <= s[0] <= end_s + 1e-9)
    n = len(series)
    if criterion.readings:
        return _steady_readings(signal, series, start_s, end_s, criterion)
    # The first and last block must hold samples, and no hole may hide a third of the span.
    span_s = end_s - start_s
    block_s = span_s / _BLOCKS
    covered = (
        n >= 4
        and series.time_s[0] <= start_s + block_s
        and series.time_s[-1] >= end_s - block_s
        and series.longest_gap_s <= span_s / 3.0
    )
    if not covered:
        return Steadiness(
            signal,
            False,
            n,
            None,
            None,
            None,
            None,
            False,
            f"{signal} has not been seen over the last {_duration(span_s)}",
        )
    means, u_mean = block_means(series, start_s, end_s, _BLOCKS)
    return _moved(signal, means, u_mean, n, criterion, trend(series))


def _steady_readings(signal: str, series: Series, start_s: float, end_s: float, criterion: Stabilisation) -> Steadiness:
    """Single readings at even spacing over the span, each the sample nearest to its time."""
    wanted_s = np.linspace(start_s, end_s, criterion.readings)
    apart_s = (end_s - start_s) / max(criterion.readings - 1, 1)
    nearest = [int(np.argmin(np.abs(series.time_s - t))) for t in wanted_s] if len(series) else []
    if not nearest or any(abs(series.time_s[i] - t) > apart_s / 10.0 for i, t in zip(nearest, wanted_s, strict=True)):
        wanted = f"{criterion.readings} readings {_duration(apart_s)} apart"
        return Steadiness(signal, False, len(series), None, None, None, None, False, f"{signal} lacks {wanted}")
    return _moved(signal, [float(series.value[i]) for i in nearest], 0.0, len(series), criterion, None)


def _moved(
    signal: str,
    values: Sequence[float],
    u_value: float,
    samples: int,
    criterion: Stabilisation,
    line: Trend | None,
) -> Steadiness:
    low, high = min(values), max(values)
    if low <= 0.0:
        return Steadiness(signal, True, samples, None, None, None, None, False, f"{signal} is not above zero")
    movement = (high - low) / low
    allowance = _MEAN_RANGE[min(len(values), len(_MEAN_RANGE) - 1)] * u_value / low
    slope = None if line is None else line.slope_per_s * criterion.span_s / low
    u_slope = None if line is None else line.u_slope_per_s * criterion.span_s / low
    rising = slope is not None and u_slope is not None and abs(slope) - 2.0 * u_slope >= criterion.tolerance
    steady = movement - allowance < criterion.tolerance and not rising
    word = "steady within" if steady else "still moves:"
    reason = f"{signal} {word} {movement:.2%} over {_duration(criterion.span_s)} (limit {criterion.tolerance:.2%})"
    return Steadiness(signal, True, samples, movement, allowance, slope, u_slope, steady, reason)


@dataclass(frozen=True, slots=True)
class SettleEvidence:
    """Decision of the settle gate.

    ``drift`` is the relative change over one reading window that the fitted line predicts, ``u_drift`` its standard
    uncertainty. ``bumped_at_s`` is the bench time of a jump: the sensor was moved, settling starts again from there.
    """

    open: bool
    reason: str
    press_age_s: float
    remaining_s: float
    samples: int
    drift: float | None
    u_drift: float | None
    bumped_at_s: float | None

    @property
    def bumped(self) -> bool:
        """Whether the signal jumped."""
        return self.bumped_at_s is not None


def settle(
    press_age_s: float,
    now_s: float,
    light: Iterable[tuple[float, float]] | None,
    *,
    minimum_s: float = 30.0,
    window_s: float = 10.0,
    tolerance: float = 0.002,
    bump: float = 0.02,
    bump_blind_s: float = 5.0,
) -> SettleEvidence:
    """Whether the signal has settled since the press.

    Args:
        press_age_s: seconds since the press.
        now_s: bench time of the decision.
        light: ``(time_s, value)`` samples; those before the press are not used. None without a live light signal:
            then time alone decides.
        minimum_s: least time.
        window_s: length of the reading window that follows, over which a drift would be read.
        tolerance: largest relative change over that window.
        bump: relative jump from one sample to the next that says the sensor was moved.
        bump_blind_s: no jump is looked for so soon after the press, while hands and shadows leave.

    Returns:
        Held while the minimum time runs, after a bump, while the drift is surely above the tolerance, and, up to
        three times the minimum time, while noise hides whether it is. Later noise no longer holds the gate: it is in
        the reading's uncertainty.
    """
    remaining_s = max(0.0, minimum_s - press_age_s)
    if light is None:
        reason = "not yet: settle time runs" if remaining_s else "settle time is over (no light signal to judge by)"
        return SettleEvidence(remaining_s == 0.0, reason, press_age_s, remaining_s, 0, None, None, None)
    since = Series.of(light).since(now_s - press_age_s)
    bumped_at_s = _jump(since.since(now_s - press_age_s + bump_blind_s), bump)
    drift, u_drift = _drift(since, now_s, press_age_s, window_s, tolerance)
    reason = ""
    if bumped_at_s is not None:
        age_s = bumped_at_s - (now_s - press_age_s)
        reason = f"the signal jumped {age_s:.0f} s after the press: was the sensor moved?"
    elif remaining_s > 0.0:
        reason = f"not yet: {remaining_s:.0f} s of the settle time remain"
    elif drift is None or u_drift is None:
        reason = "not yet: too few light samples to see whether the signal has settled"
    elif abs(drift) - 2.0 * u_drift > tolerance:
        reason = f"not yet: the signal still drifts by {drift:+.2%} a window (limit {tolerance:.2%})"
    elif u_drift > tolerance and press_age_s < 3.0 * minimum_s:
        reason = f"not yet: noise hides whether the signal drifts ({drift:+.2%} ± {u_drift:.2%} a window)"
    held = reason != ""
    if not held:
        reason = f"settled: the signal drifts by {drift or 0.0:+.2%} a window (limit {tolerance:.2%})"
    return SettleEvidence(not held, reason, press_age_s, remaining_s, len(since), drift, u_drift, bumped_at_s)


def _drift(
    since: Series, now_s: float, press_age_s: float, window_s: float, tolerance: float
) -> tuple[float | None, float | None]:
    """Relative drift over one window by the line through the latest samples, and its standard uncertainty.

    The last window's length is taken, and more where noise hides a drift of the tolerance, up to the second half of
    the time since the press: what the start did is over by then.
    """
    longest_s = max(press_age_s / 2.0, min(window_s, press_age_s))
    span_s = min(window_s, longest_s)
    while True:
        line = trend(since.since(now_s - span_s))
        known = line is not None and line.level > 0.0
        u_drift = line.u_slope_per_s * window_s / line.level if line is not None and known else math.inf
        if span_s >= longest_s or u_drift <= tolerance / 2.0:
            if line is None or not known:
                return None, None
            return line.slope_per_s * window_s / line.level, u_drift
        span_s = min(1.5 * span_s, longest_s)


def _jump(series: Series, relative: float) -> float | None:
    """Time of the last sample before which the signal jumped, i.e. moved at once and stood still before and after."""
    if len(series) < 4:
        return None
    step = np.diff(series.value)
    level = float(np.median(np.abs(series.value)))
    limit = max(relative * level, 8.0 * series.noise)
    large = np.abs(step) > limit
    # A fast but smooth approach moves nearly as much in the step before: only a step out of line counts. Of the first
    # step that cannot be told.
    before = np.concatenate(([np.inf], np.abs(step[:-1])))
    found = np.flatnonzero(large & (before < np.abs(step) / 3.0))
    return float(series.time_s[found[-1] + 1]) if found.size else None


@dataclass(frozen=True, slots=True)
class SupplySample:
    """What the power meter saw at one bench time; None where it does not say."""

    time_s: float
    voltage_v: float | None
    frequency_hz: float | None
    power_w: float | None


@dataclass(frozen=True, slots=True)
class SupplyLimits:
    """What the supply may be. None leaves a quantity unjudged.

    The default of 2 % suits a bench on a wall socket behind a regulator (common practice, no source); IES LM-79-08
    asks for 0.2 %, CIE S 025 for 0.4 %, frequency of IEC lamp standards 0.5 % (all from memory).
    """

    nominal_v: float | None = 230.0
    tolerance_v_relative: float = 0.02
    nominal_hz: float | None = 50.0
    tolerance_hz_relative: float = 0.01
    tolerance_w_relative: float = 0.02


@dataclass(frozen=True, slots=True)
class SupplyEvidence:
    """Decision of the supply gate over one window, with the extremes seen.

    ``blind_s`` is the longest time between polls: a sag shorter than that may have passed unseen.
    """

    open: bool
    reason: str
    samples: int
    lowest_v: float | None
    highest_v: float | None
    lowest_hz: float | None
    highest_hz: float | None
    mean_w: float | None
    steady_w: float | None
    blind_s: float


def supply(
    samples: Iterable[SupplySample],
    start_s: float,
    end_s: float,
    *,
    limits: SupplyLimits,
    steady_w: float | None = None,
) -> SupplyEvidence:
    """Whether the supply was within its limits over a window.

    Args:
        samples: of the power meter; those up to one window before and after the window help to bound what was unseen,
            only those within count.
        start_s: bench time at which the window began.
        end_s: bench time at which it ended; may equal ``start_s`` for a look at the latest sample.
        limits: see :class:`SupplyLimits`.
        steady_w: what the lamp drew when it was steady; the mean over the window is compared with it.

    Returns:
        Held if any sample is outside, or if no sample falls within the window.
    """
    every = sorted(samples, key=lambda s: s.time_s)
    inside = [s for s in every if start_s <= s.time_s <= end_s]
    if not inside:
        reason = "the power meter gave no sample within the window"
        return SupplyEvidence(False, reason, 0, None, None, None, None, None, steady_w, math.inf)
    before = [s.time_s for s in every if s.time_s < start_s][-1:]
    after = [s.time_s for s in every if s.time_s > end_s][:1]
    times = before + [s.time_s for s in inside] + after
    blind_s = max((b - a for a, b in itertools.pairwise(times)), default=math.inf)
    volts = [s.voltage_v for s in inside if s.voltage_v is not None]
    hertz = [s.frequency_hz for s in inside if s.frequency_hz is not None]
    watts = [s.power_w for s in inside if s.power_w is not None]
    mean_w = math.fsum(watts) / len(watts) if watts else None
    wrong = []
    for values, nominal, tolerance, unit in (
        (volts, limits.nominal_v, limits.tolerance_v_relative, "V"),
        (hertz, limits.nominal_hz, limits.tolerance_hz_relative, "Hz"),
    ):
        if nominal is None or not values:
            continue
        worst = max(values, key=lambda v: abs(v - nominal))
        if abs(worst - nominal) > tolerance * nominal:
            wrong.append(f"{worst:.4g} {unit} is {worst / nominal - 1.0:+.1%} from {nominal:g} {unit}")
    if mean_w is not None and steady_w and abs(mean_w - steady_w) > limits.tolerance_w_relative * steady_w:
        wrong.append(f"the lamp draws {mean_w:.4g} W, {mean_w / steady_w - 1.0:+.1%} from when it was steady")
    unseen = f"a sag shorter than {blind_s:.2g} s would not be seen" if math.isfinite(blind_s) else "one sample only"
    reason = ("supply out of limits: " + "; ".join(wrong)) if wrong else f"supply within limits ({unseen})"
    return SupplyEvidence(
        open=not wrong,
        reason=reason,
        samples=len(inside),
        lowest_v=min(volts, default=None),
        highest_v=max(volts, default=None),
        lowest_hz=min(hertz, default=None),
        highest_hz=max(hertz, default=None),
        mean_w=mean_w,
        steady_w=steady_w,
        blind_s=blind_s,
    )


def _duration(seconds: float) -> str:
    return f"{seconds / 60.0:.3g} min" if seconds >= 120.0 else f"{seconds:.0f} s"
