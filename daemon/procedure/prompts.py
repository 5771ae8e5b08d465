"""What the operator is asked to do, in one line that needs no context."""

from typing import Final

from ...protocol.records import Prompt, PromptAction
from ..lamp import LampCondition, LampState
from .progress import Leg, Phase, Progress

PEDAL_AWAY: Final = "The foot switch is away: mend it, or press on the panel."
"""Added where a press is asked for: a press that nobody feels looks like a daemon that does not listen."""


def prompt_for(
    progress: Progress | None,
    lamp: LampCondition,
    *,
    held: str | None,
    overdue: bool,
    has_power_meter: bool = True,
    pedal_away: bool = False,
) -> Prompt:
    """The prompt of the moment.

    Args:
        progress: Of the test, or None when there is none.
        lamp: The lamp's condition.
        held: Why a gate holds beyond its minimum time, or None.
        overdue: Whether it holds so long that the operator may read anyway.
        has_power_meter: Whether the strike is seen; else the operator tells it by a press.
        pedal_away: Whether the bench has a foot switch that cannot be felt now.
    """
    prompt = _asked(progress, lamp, held=held, overdue=overdue, has_power_meter=has_power_meter)
    if pedal_away and wants_press(prompt, has_power_meter=has_power_meter):
        return prompt.model_copy(update={"text": f"{prompt.text} {PEDAL_AWAY}"})
    return prompt


def wants_press(prompt: Prompt, *, has_power_meter: bool) -> bool:
    """Whether the operator is to press now."""
    if prompt.action is PromptAction.STRIKE:
        return not has_power_meter
    return prompt.action in (PromptAction.PLACE_AND_PRESS, PromptAction.READ_ANYWAY)


def _asked(
    progress: Progress | None, lamp: LampCondition, *, held: str | None, overdue: bool, has_power_meter: bool
) -> Prompt:
    if progress is None:
        return Prompt(action=PromptAction.BEGIN, text="Begin a test.")
    if overdue and held is not None and progress.phase in (Phase.WARM_UP, Phase.SETTLE):
        return Prompt(
            action=PromptAction.READ_ANYWAY,
            text=f"Held: {held}. Wait, or read anyway (long press).",
            spot=progress.spot,
            attempt=progress.next_attempt(),
        )
    strike = "Strike the lamp" if has_power_meter else "Strike the lamp and press"
    if progress.phase is Phase.COOL_DOWN and not has_power_meter:
        # Without a meter only a computer that was off brings a test here.
        place = f"the reference point {progress.grid.reference}"
        text = f"Put the sensor at {place}. When the lamp burns (let it cool first if it went out), press."
        return Prompt(action=PromptAction.STRIKE, text=text, spot=progress.grid.reference)
    return _by_phase(progress, lamp, strike, f" Held: {held}." if held else "")


def _by_phase(progress: Progress, lamp: LampCondition, strike: str, tail: str) -> Prompt:
    place = f"the reference point {progress.grid.reference}"
    match progress.phase:
        case Phase.PREPARE if lamp.burning:
            return Prompt(action=PromptAction.LAMP_OFF, text="Switch the lamp off.")
        case Phase.PREPARE if lamp.state is LampState.COOLING:
            return Prompt(action=PromptAction.WAIT, text="Wait: the lamp is cooling. Do not touch it.")
        case Phase.PREPARE:
            text = f"Leave the lamp off and put the sensor at {place}."
            return Prompt(action=PromptAction.PLACE_REFERENCE, text=text, spot=progress.grid.reference)
        case Phase.AWAIT_STRIKE:
            text = f"{strike}. The sensor stays at {place}."
            return Prompt(action=PromptAction.STRIKE, text=text, spot=progress.grid.reference)
        case Phase.COOL_DOWN:
            text = f"The arc is out. Put the sensor at {place}; strike the lamp again when it has cooled."
            return Prompt(action=PromptAction.STRIKE, text=text, spot=progress.grid.reference)
        case Phase.WARM_UP:
            return Prompt(action=PromptAction.WAIT, text=f"Wait: the lamp is warming up.{tail}")
        case Phase.TUNE:
            if progress.tuning_trouble is not None:
                text = f"Wait, or mend it: the integration time waits for the spectrometer: {progress.tuning_trouble}."
                return Prompt(action=PromptAction.WAIT, text=text)
            return Prompt(action=PromptAction.WAIT, text="Wait: the integration time is being found.")
        case Phase.AWAIT_PRESS:
            where = place if progress.leg is Leg.CLOSING else progress.spot
            again = " again" if progress.attempts_at(progress.leg, progress.spot) else ""
            return Prompt(
                action=PromptAction.PLACE_AND_PRESS,
                text=f"Put the sensor at {where}{again} and press.",
                spot=progress.spot,
                attempt=progress.next_attempt(),
            )
        case Phase.SETTLE | Phase.WINDOW:
            verb = "Settling" if progress.phase is Phase.SETTLE else "Reading"
            return Prompt(
                action=PromptAction.WAIT,
                text=f"{verb} at {progress.spot}. Keep clear of the light.{tail}",
                spot=progress.spot,
                attempt=progress.next_attempt(),
            )
        case Phase.CONCLUDE:
            return Prompt(action=PromptAction.WAIT, text="Wait: the result is being made.")
        case _:
            return Prompt(action=PromptAction.FINISHED, text="The test is over. Let the lamp cool before you touch it.")
