"""The lamp's condition, told from power alone."""

import itertools

import pytest
from lampwarden.daemon.lamp import (
    AGREEMENT,
    COOL_DOWN_S,
    GAP_S,
    TRANSITIONS,
    LampCondition,
    LampEvent,
    LampLimits,
    LampState,
    Sign,
    shifted,
    steadied,
    step,
)
from lampwarden.protocol.setup import LampType
from support.samples_of_records import setup

LIMITS = LampLimits(lit_above_w=40.0, cool_down_s=60.0)
FULL_W = 275.0

EXPECTED: dict[tuple[LampState, Sign], tuple[LampState, LampEvent | None]] = {
    # Written from the design, independently of the table in the code: "the warm-up clock starts at the first sample
    # that shows the arc"; "if the arc drops out, a hot-restrike cool-down runs and the warm-up starts again".
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


def seen(*samples: tuple[float, float], limits: LampLimits = LIMITS) -> tuple[LampCondition, list[LampEvent]]:
    """Feed (time, watt) samples to a lamp that nothing is known of."""
    condition, told = LampCondition(), []
    for time_s, power_w in samples:
        condition, events = step(condition, time_s, power_w, limits)
        told += events
    return condition, told


def burning_at(time_s: float, power_w: float = FULL_W, state: LampState = LampState.STEADY) -> LampCondition:
    return LampCondition(state=state, struck_s=10.0, seen_s=time_s, power_w=power_w)


@pytest.mark.parametrize(("state", "sign"), list(itertools.product(LampState, Sign)))
def test_each_sign_means_one_thing_in_each_state(state: LampState, sign: Sign) -> None:
    assert TRANSITIONS.get((state, sign), (state, None)) == EXPECTED.get((state, sign), (state, None))


@pytest.mark.parametrize("state", LampState)
def test_the_warm_up_gate_steadies_a_burning_lamp_only(state: LampState) -> None:
    after = steadied(LampCondition(state=state, seen_s=5.0, power_w=1.0)).state
    assert after is (LampState.STEADY if state in (LampState.RUN_UP, LampState.STEADY) else state)


class TestStrike:
    def test_the_clock_starts_at_the_first_sample_that_shows_the_arc(self) -> None:
        condition, told = seen((0.0, 0.0), (1.0, 6.0), (2.0, 130.0), (3.0, 140.0))
        assert told == [LampEvent.DARK, LampEvent.STRUCK]
        assert condition.struck_s == 2.0
        assert condition.state is LampState.RUN_UP

    def test_a_lamp_that_burns_already_is_as_old_as_its_first_sample(self) -> None:
        condition, told = seen((7.0, FULL_W))
        assert told == [LampEvent.STRUCK]
        assert condition.struck_s == 7.0

    def test_the_stand_by_of_an_igniter_is_no_arc(self) -> None:
        condition, told = seen((0.0, 6.0), (1.0, 39.9), (2.0, 40.0))
        assert condition.state is LampState.DARK
        assert told == [LampEvent.DARK]


class TestDropOut:
    def test_the_arc_is_lost_at_the_first_sample_without_it(self) -> None:
        condition, told = seen((0.0, FULL_W), (1.0, FULL_W), (2.0, 6.0))
        assert told == [LampEvent.STRUCK, LampEvent.LOST]
        assert condition.lost_s == 2.0
        assert condition.state is LampState.COOLING

    def test_it_has_cooled_when_its_cool_down_is_over(self) -> None:
        early, told = seen((0.0, FULL_W), (1.0, 6.0), (60.9, 6.0))
        assert early.state is LampState.COOLING
        late, told = seen((0.0, FULL_W), (1.0, 6.0), (61.0, 6.0))
        assert late.state is LampState.DARK
        assert told[-1] is LampEvent.COOLED

    def test_a_restrike_starts_a_new_burn(self) -> None:
        condition, told = seen((0.0, FULL_W), (1.0, 6.0), (50.0, 120.0))
        assert told == [LampEvent.STRUCK, LampEvent.LOST, LampEvent.STRUCK]
        assert condition.struck_s == 50.0
        assert condition.lost_s is None

    def test_cooled_and_struck_between_two_samples_is_told_in_order(self) -> None:
        _, told = seen((0.0, FULL_W), (1.0, 6.0), (70.0, 120.0))
        assert told == [LampEvent.STRUCK, LampEvent.LOST, LampEvent.COOLED, LampEvent.STRUCK]


class TestGap:
    """Design: "A burn is believed across a gap in the power data only if the gap is shorter than the cool-down and the
    power agrees on both sides."
    """

    @pytest.mark.parametrize("state", [LampState.RUN_UP, LampState.STEADY])
    def test_a_short_gap_with_agreeing_power_is_believed(self, state: LampState) -> None:
        after, told = step(burning_at(1000.0, state=state), 1059.9, FULL_W, LIMITS)
        assert told == ()
        assert after.struck_s == 10.0
        assert after.state is state

    @pytest.mark.parametrize("state", [LampState.RUN_UP, LampState.STEADY])
    def test_a_gap_as_long_as_the_cool_down_is_not(self, state: LampState) -> None:
        after, told = step(burning_at(1000.0, state=state), 1060.0, FULL_W, LIMITS)
        assert told == (LampEvent.BURN_DOUBTED,)
        assert after.struck_s == 1060.0
        assert after.state is LampState.RUN_UP

    @pytest.mark.parametrize("share", [1.0 + AGREEMENT + 0.001, 1.0 - AGREEMENT - 0.001, 0.5])
    def test_power_that_differs_across_a_gap_is_not(self, share: float) -> None:
        after, told = step(burning_at(1000.0), 1000.0 + GAP_S + 1.0, FULL_W * share, LIMITS)
        assert told == (LampEvent.BURN_DOUBTED,)
        assert after.struck_s == 1000.0 + GAP_S + 1.0

    def test_power_just_within_agreement_is_believed(self) -> None:
        _, told = step(burning_at(1000.0), 1030.0, FULL_W * (1.0 + AGREEMENT - 0.001), LIMITS)
        assert told == ()

    def test_ordinary_polls_are_no_gap_whatever_the_power_does(self) -> None:
        """In the first minutes the power doubles from poll to poll, and that is a run-up."""
        _, told = step(burning_at(1000.0, 100.0, LampState.RUN_UP), 1000.0 + GAP_S, 200.0, LIMITS)
        assert told == ()

    def test_a_gap_that_ends_in_the_dark_is_a_lost_arc(self) -> None:
        after, told = step(burning_at(1000.0), 5000.0, 0.0, LIMITS)
        assert told == (LampEvent.LOST,)
        assert after.state is LampState.COOLING

    def test_a_gap_in_the_dark_doubts_nothing(self) -> None:
        dark = LampCondition(state=LampState.DARK, seen_s=0.0, power_w=0.0)
        _, told = step(dark, 5000.0, 0.0, LIMITS)
        assert told == ()

    def test_each_gap_is_judged_by_itself(self) -> None:
        """Two gaps of 40 s are each shorter than the cool-down of 60 s."""
        condition = burning_at(1000.0)
        for time_s in (1040.0, 1080.0, 1120.0):
            condition, told = step(condition, time_s, FULL_W, LIMITS)
            assert told == ()
        assert condition.struck_s == 10.0


class TestLimits:
    def test_lit_is_a_part_of_the_rated_power(self) -> None:
        assert LampLimits.of(setup(), 0.15, None).lit_above_w == pytest.approx(37.5)

    @pytest.mark.parametrize("kind", LampType)
    def test_every_type_of_lamp_has_a_cool_down(self, kind: LampType) -> None:
        lamp = setup().model_copy(update={"lamp_type": kind})
        assert LampLimits.of(lamp, 0.15, None).cool_down_s == COOL_DOWN_S[kind] > 0.0

    def test_metal_halide_cools_for_a_quarter_of_an_hour(self) -> None:
        """Basic Lighting for Electricians, Level 2 (BCcampus): restrike takes up to 15 min."""
        assert COOL_DOWN_S[LampType.METAL_HALIDE] == 900.0

    def test_what_nobody_knows_cools_as_long_as_the_slowest(self) -> None:
        assert COOL_DOWN_S[LampType.OTHER] == max(COOL_DOWN_S.values())

    def test_a_configured_cool_down_goes_first(self) -> None:
        assert LampLimits.of(setup(), 0.15, 333.0).cool_down_s == 333.0


def test_the_same_condition_told_in_another_monotonic_time() -> None:
    condition = LampCondition(state=LampState.COOLING, struck_s=1.0, lost_s=2.0, seen_s=3.0, power_w=5.0)
    moved = shifted(condition, 100.0)
    assert (moved.struck_s, moved.lost_s, moved.seen_s) == (101.0, 102.0, 103.0)
    assert (moved.state, moved.power_w) == (condition.state, condition.power_w)
    assert shifted(LampCondition(), 100.0) == LampCondition()
