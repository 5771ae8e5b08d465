"""The lamp's condition, from the power at the ballast's input.

A table says what each kind of sample means in each condition; :func:`step` applies it and is pure. The warm-up clock
starts at the first sample that shows the arc. Across a gap in the samples a burn is believed only if the gap is shorter
than the lamp's cool-down (a hot lamp cannot have restruck in it) and the power agrees on both sides.
"""

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

from ..protocol.setup import LampSetup, LampType

COOL_DOWN_S: Final[dict[LampType, float]] = {
    # Hot restrike. Metal halide: up to 15 min (BCcampus, Basic Lighting for Electricians, level 2). The others are
    # common practice, no source: sodium with an igniter about a minute, mercury 3–10 min.
    LampType.METAL_HALIDE: 900.0,
    LampType.HIGH_PRESSURE_SODIUM: 60.0,
    LampType.MERCURY: 600.0,
    LampType.FLUORESCENT: 5.0,
    LampType.LED: 5.0,
    LampType.OTHER: 900.0,
}
"""How long a lamp that dropped out needs before it can strike again."""

GAP_S: Final = 5.0
"""Samples further apart than this are a gap: several polls were lost (polls come each second by default)."""

AGREEMENT: Final = 0.05
"""Power on both sides of a gap agrees within this part. A lamp in run-up a minute younger differs by far more
(common practice, no source)."""


class LampState(StrEnum):
    """What the power says of the lamp."""

    UNKNOWN = "unknown"
    DARK = "dark"
    RUN_UP = "run_up"
    STEADY = "steady"
    COOLING = "cooling"


class Sign(StrEnum):
    """What one sample, or the warm-up gate, shows."""

    LIT = "lit"
    UNLIT = "unlit"
    COOLED = "cooled"
    STEADIED = "steadied"
    DOUBTED = "doubted"


class LampEvent(StrEnum):
    """What became of the lamp."""

    STRUCK = "struck"
    LOST = "lost"
    COOLED = "cooled"
    DARK = "dark"
    BURN_DOUBTED = "burn_doubted"


TRANSITIONS: Final[dict[tuple[LampState, Sign], tuple[LampState, LampEvent | None]]] = {
    (LampState.UNKNOWN, Sign.LIT): (LampState.RUN_UP, LampEvent.STRUCK),
    (LampState.UNKNOWN, Sign.UNLIT): (LampState.DARK, LampEvent.DARK),
    (LampState.DARK, Sign.LIT): (LampState.RUN_UP, LampEvent.STRUCK),
    (LampState.DARK, Sign.UNLIT): (LampState.DARK, None),
    (LampState.RUN_UP, Sign.LIT): (LampState.RUN_UP, None),
    (LampState.RUN_UP, Sign.UNLIT): (LampState.COOLING, LampEvent.LOST),
    (LampState.RUN_UP, Sign.STEADIED): (LampState.STEADY, None),
    (LampState.RUN_UP, Sign.DOUBTED): (LampState.RUN_UP, LampEvent.BURN_DOUBTED),
    (LampState.STEADY, Sign.LIT): (LampState.STEADY, None),
    (LampState.STEADY, Sign.UNLIT): (LampState.COOLING, LampEvent.LOST),
    (LampState.STEADY, Sign.STEADIED): (LampState.STEADY, None),
    (LampState.STEADY, Sign.DOUBTED): (LampState.RUN_UP, LampEvent.BURN_DOUBTED),
    (LampState.COOLING, Sign.LIT): (LampState.RUN_UP, LampEvent.STRUCK),
    (LampState.COOLING, Sign.UNLIT): (LampState.COOLING, None),
    (LampState.COOLING, Sign.COOLED): (LampState.DARK, LampEvent.COOLED),
}
"""What a sign does in a state: next state and what is told. A pair that is not here changes nothing."""


@dataclass(frozen=True, slots=True)
class LampCondition:
    """Where the lamp stands; part of a checkpoint. Made anew at each sample of the power meter.

    Attributes:
        state: What the power says.
        struck_s: Bench time of the first sample that showed the arc.
        lost_s: Bench time of the first sample that showed it no longer.
        seen_s: Bench time of the latest sample.
        power_w: Of the latest sample.
        burn_of: The lamp that the burn is counted for; None: nobody's.
        burn_test: The test in which it is counted.
        counted_from_s: Bench time up to which the burn is in the journal already, or when it began.
        start_counted: Whether the burn's start is in the journal already.
    """

    state: LampState = LampState.UNKNOWN
    struck_s: float | None = None
    lost_s: float | None = None
    seen_s: float | None = None
    power_w: float | None = None
    burn_of: str | None = None
    burn_test: str | None = None
    counted_from_s: float | None = None
    start_counted: bool = False

    @property
    def burning(self) -> bool:
        """Whether the arc burns."""
        return self.state is LampState.RUN_UP or self.state is LampState.STEADY


@dataclass(frozen=True, slots=True)
class LampLimits:
    """What the rules need to know of a lamp."""

    lit_above_w: float
    cool_down_s: float

    @classmethod
    def of(cls, setup: LampSetup, lit_fraction: float, cool_down_s: float | None) -> "LampLimits":
        """Limits for a lamp; a configured cool-down goes before the table."""
        return cls(
            lit_above_w=lit_fraction * setup.rated_power_w,
            cool_down_s=COOL_DOWN_S[setup.lamp_type] if cool_down_s is None else cool_down_s,
        )


def step(
    condition: LampCondition, time_s: float, power_w: float, limits: LampLimits
) -> tuple[LampCondition, tuple[LampEvent, ...]]:
    """Take in one power sample.

    Args:
        condition: Before the sample.
        time_s: Bench time of the sample; not before the previous one.
        power_w: Active power at the ballast's input.
        limits: Of this lamp.

    Returns:
        The condition after the sample, and what became of the lamp, in order.
    """
    lit = power_w > limits.lit_above_w
    signs: list[Sign] = []
    if lit and condition.burning and not _burn_is_believed(condition, time_s, power_w, limits):
        signs.append(Sign.DOUBTED)
    if (
        condition.state is LampState.COOLING
        and condition.lost_s is not None
        and time_s - condition.lost_s >= limits.cool_down_s
    ):
        signs.append(Sign.COOLED)
    signs.append(Sign.LIT if lit else Sign.UNLIT)

    events: list[LampEvent] = []
    state, struck_s, lost_s = condition.state, condition.struck_s, condition.lost_s
    for sign in signs:
        state, event = TRANSITIONS.get((state, sign), (state, None))
        if event is None:
            continue
        if event is LampEvent.STRUCK or event is LampEvent.BURN_DOUBTED:
            struck_s, lost_s = time_s, None
        elif event is LampEvent.LOST:
            lost_s = time_s
        events.append(event)
    after = replace(condition, state=state, struck_s=struck_s, lost_s=lost_s, seen_s=time_s, power_w=power_w)
    return after, tuple(events)


def steadied(condition: LampCondition) -> LampCondition:
    """The warm-up gate has opened for this burn."""
    state, _ = TRANSITIONS.get((condition.state, Sign.STEADIED), (condition.state, None))
    return replace(condition, state=state)


def shifted(condition: LampCondition, by_s: float) -> LampCondition:
    """The same condition told in a monotonic time that differs by ``by_s`` (after the machine was booted again)."""

    def move(time_s: float | None) -> float | None:
        return None if time_s is None else time_s + by_s

    return replace(
        condition,
        struck_s=move(condition.struck_s),
        lost_s=move(condition.lost_s),
        seen_s=move(condition.seen_s),
        counted_from_s=move(condition.counted_from_s),
    )


def _burn_is_believed(condition: LampCondition, time_s: float, power_w: float, limits: LampLimits) -> bool:
    if condition.seen_s is None or condition.power_w is None:
        return True
    gap_s = time_s - condition.seen_s
    if gap_s <= GAP_S:
        return True
    agrees = abs(power_w - condition.power_w) <= AGREEMENT * condition.power_w
    return gap_s < limits.cool_down_s and agrees
