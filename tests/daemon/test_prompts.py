"""Prompts: one line that needs no context, for each phase."""

import pytest
from lampwarden.daemon.lamp import LampCondition, LampState
from lampwarden.daemon.procedure.progress import Leg, Phase, Progress
from lampwarden.daemon.procedure.prompts import PEDAL_AWAY, prompt_for
from lampwarden.daemon.procedure.telling import parting_words
from lampwarden.protocol.records import Prompt, PromptAction
from support.benches import note, progress

BURNING = LampCondition(state=LampState.STEADY, struck_s=100.0, seen_s=2000.0, power_w=275.0)
DARK = LampCondition(state=LampState.DARK)
COOLING = LampCondition(state=LampState.COOLING, lost_s=1.0)


def prompt(
    where: Progress | None,
    lamp: LampCondition = BURNING,
    *,
    held: str | None = None,
    overdue: bool = False,
    has_power_meter: bool = True,
    pedal_away: bool = False,
) -> Prompt:
    return prompt_for(where, lamp, held=held, overdue=overdue, has_power_meter=has_power_meter, pedal_away=pedal_away)


@pytest.mark.parametrize("phase", Phase)
@pytest.mark.parametrize("lamp", [BURNING, DARK, COOLING], ids=["burning", "dark", "cooling"])
def test_every_phase_has_a_prompt_that_is_a_sentence(phase: Phase, lamp: LampCondition) -> None:
    text = prompt(progress(phase), lamp).text
    assert text.endswith((".", ")."))
    assert text[0].isupper()
    assert "\n" not in text


def test_without_a_test_there_is_one_thing_to_do() -> None:
    assert prompt(None).action is PromptAction.BEGIN


def test_a_burning_lamp_is_switched_off_first() -> None:
    assert prompt(progress(Phase.PREPARE), BURNING).action is PromptAction.LAMP_OFF


def test_a_hot_lamp_is_left_alone() -> None:
    found = prompt(progress(Phase.PREPARE), COOLING)
    assert found.action is PromptAction.WAIT
    assert "Do not touch it" in found.text


def test_with_the_lamp_off_the_sensor_goes_to_the_reference_point() -> None:
    found = prompt(progress(Phase.PREPARE), DARK)
    assert (found.action, found.spot) == (PromptAction.PLACE_REFERENCE, "B1")


def test_with_a_power_meter_the_strike_needs_no_press() -> None:
    assert prompt(progress(Phase.AWAIT_STRIKE), DARK).text == (
        "Strike the lamp. The sensor stays at the reference point B1."
    )


def test_without_a_power_meter_the_operator_tells_the_strike_by_a_press() -> None:
    assert prompt(progress(Phase.AWAIT_STRIKE), DARK, has_power_meter=False).text.startswith(
        "Strike the lamp and press."
    )


def test_a_spot_is_named() -> None:
    found = prompt(progress(spot="C2"))
    assert (found.action, found.spot, found.attempt) == (PromptAction.PLACE_AND_PRESS, "C2", 1)
    assert found.text == "Put the sensor at C2 and press."


def test_a_spot_that_is_read_again_is_told_from_a_new_one() -> None:
    found = prompt(progress(spot="A1", attempts=(note("A1"),)))
    assert found.attempt == 2
    assert found.text == "Put the sensor at A1 again and press."


def test_the_closing_reading_is_at_the_reference_point() -> None:
    found = prompt(progress(leg=Leg.CLOSING, spot="B1"))
    assert found.text == "Put the sensor at the reference point B1 and press."


@pytest.mark.parametrize("phase", Phase)
def test_a_foot_switch_that_is_away_is_told_where_a_press_is_asked_for_and_nowhere_else(phase: Phase) -> None:
    for overdue in (False, True):
        there = prompt(progress(phase), held="it drifts", overdue=overdue)
        away = prompt(progress(phase), held="it drifts", overdue=overdue, pedal_away=True)
        asked = there.action in (PromptAction.PLACE_AND_PRESS, PromptAction.READ_ANYWAY)
        assert away.text == (f"{there.text} {PEDAL_AWAY}" if asked else there.text)
        assert away.action is there.action


def test_a_strike_that_is_told_by_a_press_needs_the_foot_switch() -> None:
    found = prompt(progress(Phase.AWAIT_STRIKE), DARK, has_power_meter=False, pedal_away=True)
    assert found.text.endswith(PEDAL_AWAY)


@pytest.mark.parametrize("phase", [Phase.WARM_UP, Phase.SETTLE])
def test_a_gate_that_holds_is_told_with_its_reason(phase: Phase) -> None:
    found = prompt(progress(phase), held="the signal still drifts by +1.2% a window")
    assert found.action is PromptAction.WAIT
    assert "Held: the signal still drifts by +1.2% a window." in found.text


@pytest.mark.parametrize("phase", [Phase.WARM_UP, Phase.SETTLE])
def test_a_gate_that_is_overdue_may_be_overruled(phase: Phase) -> None:
    found = prompt(progress(phase), held="supply out of limits", overdue=True)
    assert found.action is PromptAction.READ_ANYWAY
    assert "read anyway (long press)" in found.text


@pytest.mark.parametrize("phase", [p for p in Phase if p not in (Phase.WARM_UP, Phase.SETTLE)])
def test_nothing_else_may_be_overruled(phase: Phase) -> None:
    assert prompt(progress(phase), held="why", overdue=True).action is not PromptAction.READ_ANYWAY


@pytest.mark.parametrize("phase", [Phase.DONE, Phase.ABANDONED])
def test_in_the_end_the_lamp_cools(phase: Phase) -> None:
    found = prompt(progress(phase))
    assert found.action is PromptAction.FINISHED
    assert "cool" in found.text


@pytest.mark.parametrize("phase", Phase)
def test_a_stop_tells_what_was_going_on_and_whether_it_goes_on(phase: Phase) -> None:
    where = progress(phase)
    text = parting_words(where)
    assert "\n" not in text
    assert (where.test_id in text) is not where.over
    assert ("goes on" in text) is not where.over


@pytest.mark.parametrize(
    ("leg", "place"), [(Leg.OPENING, "the reference point"), (Leg.SPOT, "C2"), (Leg.CLOSING, "the reference point")]
)
def test_a_stop_in_a_window_names_the_place_that_was_being_read(leg: Leg, place: str) -> None:
    where = progress(Phase.WINDOW).model_copy(update={"leg": leg, "spot": "C2"})
    assert f"{place} was being read;" in parting_words(where)


def test_a_stop_of_an_idle_bench_says_that_no_test_was_running() -> None:
    assert parting_words(None) == "stopped: no test was running"
