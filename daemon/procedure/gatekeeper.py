"""Judges the gates of the present phase from what the instruments said, with the evidence for the record.

Pure: everything comes in as arguments. Waiting, overruling and telling are the conductor's.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from ...drivers.roles import SupplySample
from ...protocol.records import GateEvidence, GateName
from ..config import ProcedureTable
from ..measure import gates
from ..samples import Readings, Timed
from .progress import Leg, Progress

STRICT = gates.LM_79_STABILISATION
LONGEST_POLL_S = 5.0
"""A light signal older than this is no live signal."""
LEAST_POLLS_OF_A_SPAN = 30
"""A span of the warm-up must hold some samples in each of its tenths, however short the minimum."""

BUMP = 0.02
"""A relative jump of the light from one sample to the next (common practice, no source)."""
LOOK_AROUND_POLLS = 3.0
"""Polls on either side of a jump within which a move of the supply explains it."""
HANDS_LEAVE_S = 12.0
"""After a press the operator's shadow leaves the sensor within this (common practice, no source); later a jump of the
signal says that the sensor was moved."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """What the gates of a phase say now.

    Attributes:
        evidence: One piece for each gate, in the order in which they are told.
        earliest_in_s: Until the minimum time of the phase is over; 0 when it is.
        overdue: Held beyond the longest wait: the operator may read anyway.
        bumped_at_s: The signal jumped then; settling starts anew from there.
        undecided: The signal jumped just now, and whether the supply did it is not known yet.
        overrule_in_s: Until the longest wait is over.
    """

    evidence: tuple[GateEvidence, ...]
    earliest_in_s: float
    overdue: bool = False
    bumped_at_s: float | None = None
    undecided: bool = False
    overrule_in_s: float = 0.0

    @property
    def open(self) -> bool:
        """Whether a reading may be taken, by itself or by the operator's word."""
        return all(e.open or e.read_anyway for e in self.evidence)

    @property
    def holding(self) -> GateEvidence | None:
        """The gate that holds, or None; of several the supply, which is the cause of what the light does."""
        holding = [e for e in self.evidence if not (e.open or e.read_anyway)]
        return max(holding, key=lambda e: e.gate is GateName.SUPPLY, default=None)


@dataclass(frozen=True, slots=True)
class Watched:
    """Which signals this bench has. One that is silent holds a gate; one that nobody has is not waited for."""

    light: bool
    supply: bool


def warm_up_criterion(settings: ProcedureTable) -> gates.Stabilisation:
    """What "warm" means on this bench. A minimum that was asked for holds beside a stricter criterion too."""
    if settings.warm_up_criterion == "strict":
        return replace(STRICT, minimum_s=max(STRICT.minimum_s, settings.warm_up_minimum_s))
    shortest_s = max(settings.warm_up_minimum_s, LEAST_POLLS_OF_A_SPAN * settings.poll_s)
    return gates.Stabilisation(
        "steady",
        settings.warm_up_minimum_s,
        min(settings.warm_up_span_s, shortest_s),
        settings.warm_up_tolerance_percent / 100.0,
    )


def judge_warm_up(
    progress: Progress, readings: Readings, now_s: float, settings: ProcedureTable, watched: Watched
) -> Judgement:
    """The warm-up gate: minimum time since the strike, and power and light steady."""
    strike_s = now_s if progress.strike_s is None else progress.strike_s
    age_s = now_s - strike_s
    criterion = warm_up_criterion(settings)
    from_s = max(strike_s, now_s - criterion.span_s - LONGEST_POLL_S)
    powers = [(t.time_s, t.sample.power_w) for t in readings.supply.between(from_s, now_s)]
    lights = [(t.time_s, t.sample) for t in readings.light.between(from_s, now_s)]
    seen = gates.warm_up(
        age_s,
        now_s,
        power=powers if watched.supply else None,
        light=lights if watched.light else None,
        criterion=criterion,
    )
    numbers = {"strike_age_s": age_s, "span_s": criterion.span_s, "tolerance": criterion.tolerance}
    for name, steadiness in (("power", seen.power), ("light", seen.light)):
        if steadiness is not None:
            numbers[f"{name}_samples"] = float(steadiness.samples)
            if steadiness.movement is not None and steadiness.allowance is not None:
                numbers[f"{name}_movement"] = steadiness.movement
                numbers[f"{name}_noise_allowance"] = steadiness.allowance
    return Judgement(
        evidence=(
            GateEvidence(
                gate=GateName.WARM_UP,
                open=seen.open,
                # Before the minimum time nobody can overrule: the reading would be early.
                read_anyway=not seen.open and seen.remaining_s <= 0 and GateName.WARM_UP in progress.granted,
                waited_s=max(0.0, age_s),
                minimum_s=criterion.minimum_s,
                reason=seen.reason,
                numbers=numbers,
            ),
        ),
        earliest_in_s=seen.remaining_s,
        overdue=not seen.open and age_s > settings.warm_up_longest_s,
        overrule_in_s=max(0.0, settings.warm_up_longest_s - age_s),
    )


def judge_settling(
    progress: Progress,
    readings: Readings,
    now_s: float,
    settings: ProcedureTable,
    watched: Watched,
    *,
    asked_s: float | None = None,
) -> Judgement:
    """Settle and supply gates.

    At the opening reading nobody has pressed: the sensor has stood there since the strike, and the last stretch of the
    warm-up is looked at instead.

    Args:
        progress: Of the test.
        readings: Of the instruments.
        now_s: Bench time of the decision.
        settings: From the configuration.
        watched: Which signals there are.
        asked_s: Where nobody has pressed: since when these gates are waited for. The longest wait counts from here, or
            from the operator's press, however often the signal has jumped since.
    """
    look_back_s = settings.settle_minimum_s + settings.window_s
    opening = progress.leg is Leg.OPENING or progress.pressed_s is None
    since_s = now_s - look_back_s if progress.pressed_s is None else progress.pressed_s
    age_s = now_s - since_s
    live = readings.light.latest()
    lights = [(t.time_s, t.sample) for t in readings.light.between(since_s, now_s)] if watched.light else None
    # Who reads anyway has seen that the signal jumps; settling again at each jump would never end.
    bump = math.inf if GateName.SETTLE in progress.granted else BUMP
    seen = _settle(age_s, now_s, lights, settings, bump=bump)
    bumped_at_s = None if opening else seen.bumped_at_s
    undecided = False
    if seen.bumped_at_s is not None:
        span_s = LOOK_AROUND_POLLS * settings.poll_s
        around = readings.supply.between(seen.bumped_at_s - span_s, seen.bumped_at_s + span_s)
        if now_s < seen.bumped_at_s + span_s:
            bumped_at_s, undecided = None, True
        elif around and not supply_evidence(progress, around, around[0].time_s, around[-1].time_s, settings).open:
            # The light followed the supply: that is the supply gate's affair, and nobody touched the sensor.
            seen, bumped_at_s = _settle(age_s, now_s, lights, settings, bump=math.inf), None
    numbers = {"press_age_s": age_s, "light_samples": float(seen.samples)}
    if seen.drift is not None and seen.u_drift is not None:
        numbers |= {"drift_per_window": seen.drift, "u_drift_per_window": seen.u_drift}
    is_open, reason = seen.open, seen.reason
    if is_open and live is not None and now_s - live.time_s > max(LONGEST_POLL_S, 3 * settings.poll_s):
        is_open, reason = False, f"no reading from the quantum sensor for {now_s - live.time_s:.0f} s"
    settle = GateEvidence(
        gate=GateName.SETTLE,
        open=is_open,
        read_anyway=not is_open and seen.remaining_s <= 0 and GateName.SETTLE in progress.granted,
        waited_s=max(0.0, age_s),
        minimum_s=settings.settle_minimum_s,
        reason=reason,
        numbers=numbers,
    )
    evidence: tuple[GateEvidence, ...] = (settle,)
    supply = judge_supply(progress, readings.supply.between(now_s - look_back_s, now_s), now_s, settings)
    longest_s = settings.settle_longest_s
    if watched.supply:
        evidence = (settle, supply)
        longest_s = longest_s if supply.open else max(longest_s, settings.supply_longest_s)
    held = any(not e.open for e in evidence)
    begun_s = asked_s if progress.asked_s is None or progress.pressed_s is None else progress.asked_s
    waited_s = age_s if begun_s is None else now_s - begun_s
    return Judgement(
        evidence=evidence,
        earliest_in_s=seen.remaining_s,
        overdue=held and waited_s > longest_s,
        bumped_at_s=bumped_at_s,
        undecided=undecided,
        overrule_in_s=max(0.0, longest_s - waited_s),
    )


def _settle(
    age_s: float,
    now_s: float,
    lights: list[tuple[float, float]] | None,
    settings: ProcedureTable,
    *,
    bump: float,
) -> gates.SettleEvidence:
    return gates.settle(
        age_s,
        now_s,
        lights,
        minimum_s=settings.settle_minimum_s,
        window_s=settings.window_s,
        tolerance=settings.settle_tolerance_percent / 100.0,
        bump=bump,
        bump_blind_s=min(HANDS_LEAVE_S, settings.settle_minimum_s),
    )


def supply_evidence(
    progress: Progress, samples: Sequence[Timed[SupplySample]], from_s: float, to_s: float, settings: ProcedureTable
) -> gates.SupplyEvidence:
    """The supply over a span, against nominal and against what this lamp drew when it was steady."""
    limits = gates.SupplyLimits(
        nominal_v=settings.nominal_voltage_v,
        tolerance_v_relative=settings.voltage_tolerance_percent / 100.0,
        nominal_hz=settings.nominal_frequency_hz,
        tolerance_hz_relative=settings.frequency_tolerance_percent / 100.0,
        tolerance_w_relative=settings.power_tolerance_percent / 100.0,
    )
    looks = [gates.SupplySample(t.time_s, t.sample.voltage_v, t.sample.frequency_hz, t.sample.power_w) for t in samples]
    return gates.supply(looks, from_s, to_s, limits=limits, steady_w=progress.steady_w)


def judge_supply(
    progress: Progress, samples: Sequence[Timed[SupplySample]], now_s: float, settings: ProcedureTable
) -> GateEvidence:
    """The supply gate, over as long as a window takes: what was amiss then would have spoilt a reading."""
    from_s = now_s - settings.window_s
    seen = supply_evidence(progress, samples, from_s, now_s, settings)
    numbers = {
        name: value
        for name, value in (
            ("lowest_v", seen.lowest_v),
            ("highest_v", seen.highest_v),
            ("lowest_hz", seen.lowest_hz),
            ("highest_hz", seen.highest_hz),
            ("mean_w", seen.mean_w),
            ("steady_w", seen.steady_w),
            ("blind_s", seen.blind_s if math.isfinite(seen.blind_s) else None),
        )
        if value is not None
    }
    return GateEvidence(
        gate=GateName.SUPPLY,
        open=seen.open,
        read_anyway=not seen.open and GateName.SUPPLY in progress.granted,
        waited_s=settings.window_s,
        minimum_s=settings.window_s,
        reason=seen.reason,
        numbers=numbers,
    )
