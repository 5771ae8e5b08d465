"""The gates of each phase: nothing opens early, and what holds says why."""

from collections.abc import Callable

import pytest
from lampwarden.daemon.config import ProcedureTable
from lampwarden.daemon.procedure.gatekeeper import (
    HANDS_LEAVE_S,
    Judgement,
    Watched,
    judge_settling,
    judge_warm_up,
    warm_up_criterion,
)
from lampwarden.daemon.procedure.progress import Leg, Phase, Progress
from lampwarden.daemon.samples import Readings, Timed
from lampwarden.drivers.roles import SupplySample
from lampwarden.protocol.records import GateEvidence, GateName
from support.benches import progress

BOTH = Watched(light=True, supply=True)
NO_METER = Watched(light=True, supply=False)
NO_SENSOR = Watched(light=False, supply=True)
NEITHER = Watched(light=False, supply=False)
SETTINGS = ProcedureTable()
STRUCK_S = 100.0
FULL_W = 275.0


def supply(voltage_v: float = 230.0, power_w: float = FULL_W, frequency_hz: float = 50.0) -> SupplySample:
    return SupplySample(voltage_v, power_w / voltage_v, power_w, 0.91, frequency_hz)


def readings(
    from_s: float,
    to_s: float,
    *,
    light: Callable[[float], float] | None = lambda _: 400.0,
    power: Callable[[float], SupplySample] | None = lambda _: supply(),
) -> Readings:
    """One sample of each a second."""
    made = Readings()
    for n in range(int(to_s - from_s) + 1):
        time_s = from_s + n
        # a hair of noise, as every instrument has: without it "steady" would be judged against nothing
        if light is not None:
            made.light.add(Timed.over(time_s, time_s, light(time_s) * (1.0 + 1e-4 * (-1) ** n)))
        if power is not None:
            made.supply.add(Timed.over(time_s, time_s, power(time_s)))
    return made


def warming(**changes: object) -> Progress:
    return progress(Phase.WARM_UP, strike_s=STRUCK_S, **changes)


def settling(pressed_s: float | None, **changes: object) -> Progress:
    return progress(Phase.SETTLE, strike_s=STRUCK_S, pressed_s=pressed_s, steady_w=FULL_W, **changes)


def gate(judgement: Judgement, name: GateName) -> GateEvidence:
    (found,) = (e for e in judgement.evidence if e.gate is name)
    return found


class TestWarmUp:
    def test_a_steady_lamp_opens_it_after_its_minimum_and_not_before(self) -> None:
        for age_s, is_open in ((600.0, False), (899.9, False), (900.0, True), (1200.0, True)):
            now_s = STRUCK_S + age_s
            seen = judge_warm_up(warming(), readings(STRUCK_S, now_s), now_s, SETTINGS, BOTH)
            assert seen.open is is_open, age_s
            assert seen.earliest_in_s == pytest.approx(max(0.0, 900.0 - age_s))

    def test_the_evidence_tells_how_old_the_burn_was(self) -> None:
        now_s = STRUCK_S + 901.0
        evidence = gate(judge_warm_up(warming(), readings(STRUCK_S, now_s), now_s, SETTINGS, BOTH), GateName.WARM_UP)
        assert evidence.waited_s == 901.0
        assert evidence.minimum_s == 900.0
        assert evidence.numbers["strike_age_s"] == 901.0
        assert {"power_movement", "light_movement", "power_samples", "light_samples"} <= evidence.numbers.keys()

    @pytest.mark.parametrize("which", ["light", "power"])
    def test_a_signal_that_still_moves_holds_it(self, which: str) -> None:
        now_s = STRUCK_S + 1000.0
        rise = {"light": lambda t: 400.0 * (1.0 + 1e-4 * (t - STRUCK_S))}
        if which == "power":
            rise = {"power": lambda t: supply(power_w=FULL_W * (1.0 + 1e-4 * (t - STRUCK_S)))}
        seen = judge_warm_up(warming(), readings(STRUCK_S, now_s, **rise), now_s, SETTINGS, BOTH)
        assert not seen.open
        assert which in seen.evidence[0].reason

    @pytest.mark.parametrize("silent", ["light", "power"])
    def test_an_instrument_that_was_never_heard_holds_it(self, silent: str) -> None:
        """A daemon that has just come back has heard nothing yet, and knows nothing of the lamp."""
        now_s = STRUCK_S + 1000.0
        seen = judge_warm_up(warming(), readings(STRUCK_S, now_s, **{silent: None}), now_s, SETTINGS, BOTH)
        assert not seen.open
        assert f"{silent} has not been seen" in seen.evidence[0].reason

    def test_a_daemon_that_has_just_come_back_opens_nothing(self) -> None:
        now_s = STRUCK_S + 5000.0
        assert not judge_warm_up(warming(), Readings(), now_s, SETTINGS, BOTH).open
        back_s = now_s - 200.0
        assert not judge_warm_up(warming(), readings(back_s, now_s), now_s, SETTINGS, BOTH).open
        back_s = now_s - 301.0
        assert judge_warm_up(warming(), readings(back_s, now_s), now_s, SETTINGS, BOTH).open

    @pytest.mark.parametrize("silent", ["light", "power"])
    def test_an_instrument_that_fell_silent_holds_it(self, silent: str) -> None:
        now_s = STRUCK_S + 1000.0
        made = readings(STRUCK_S, now_s)
        short = readings(STRUCK_S, now_s - 120.0)
        if silent == "light":
            made.light = short.light
        else:
            made.supply = short.supply
        assert not judge_warm_up(warming(), made, now_s, SETTINGS, BOTH).open

    def test_what_a_bench_does_not_have_is_not_waited_for(self) -> None:
        now_s = STRUCK_S + 1000.0
        assert judge_warm_up(warming(), readings(STRUCK_S, now_s, power=None), now_s, SETTINGS, NO_METER).open
        assert judge_warm_up(warming(), readings(STRUCK_S, now_s, light=None), now_s, SETTINGS, NO_SENSOR).open
        bare = judge_warm_up(warming(), Readings(), now_s, SETTINGS, NEITHER)
        assert bare.open
        assert "nothing measured to judge by" in bare.evidence[0].reason

    def test_light_before_the_strike_is_no_light_of_this_burn(self) -> None:
        """A restrike within the span: what was seen before it does not count."""
        short = ProcedureTable(warm_up_minimum_s=100.0)
        now_s = STRUCK_S + 110.0
        dark_before = readings(STRUCK_S - 200.0, now_s, light=lambda t: 0.5 if t < STRUCK_S else 400.0)
        assert judge_warm_up(warming(), dark_before, now_s, short, NO_METER).open

    def test_before_its_minimum_nobody_overrules_it(self) -> None:
        now_s = STRUCK_S + 899.0
        granted = warming(granted=(GateName.WARM_UP,))
        assert not judge_warm_up(granted, Readings(), now_s, SETTINGS, BOTH).open

    def test_what_the_operator_opened_is_told_from_what_opened_by_itself(self) -> None:
        now_s = STRUCK_S + 4000.0
        granted = warming(granted=(GateName.WARM_UP,))
        seen = judge_warm_up(granted, Readings(), now_s, SETTINGS, BOTH)
        assert seen.open
        assert not seen.evidence[0].open
        assert seen.evidence[0].read_anyway
        by_itself = judge_warm_up(granted, readings(STRUCK_S, now_s), now_s, SETTINGS, BOTH)
        assert by_itself.evidence[0].open
        assert not by_itself.evidence[0].read_anyway

    @pytest.mark.parametrize(("age_s", "overdue"), [(3600.0, False), (3600.5, True)])
    def test_it_is_overdue_after_its_longest_wait(self, age_s: float, overdue: bool) -> None:
        seen = judge_warm_up(warming(), Readings(), STRUCK_S + age_s, SETTINGS, BOTH)
        assert seen.overdue is overdue
        assert seen.overrule_in_s == 0.0

    def test_the_strict_criterion_asks_for_half_an_hour(self) -> None:
        """IES LM-79-08: three readings over 30 min, 15 min apart, within 0.5 % (from memory)."""
        strict = ProcedureTable(warm_up_criterion="strict")
        assert warm_up_criterion(strict).minimum_s == 1800.0
        for age_s, is_open in ((1000.0, False), (1799.0, False), (1801.0, True)):
            now_s = STRUCK_S + age_s
            seen = judge_warm_up(warming(), readings(STRUCK_S, now_s), now_s, strict, BOTH)
            assert seen.open is is_open, age_s

    def test_a_longer_minimum_holds_beside_the_strict_criterion(self) -> None:
        strict = ProcedureTable(warm_up_criterion="strict", warm_up_minimum_s=2700.0)
        assert warm_up_criterion(strict).minimum_s == 2700.0

    def test_a_lamp_that_needs_no_warm_up_is_still_looked_at(self) -> None:
        """Light-emitting diodes: no minimum, but the light must stand still for some polls."""
        none = ProcedureTable(warm_up_minimum_s=0.0)
        assert not judge_warm_up(warming(), readings(STRUCK_S, STRUCK_S + 5.0), STRUCK_S + 5.0, none, BOTH).open
        assert judge_warm_up(warming(), readings(STRUCK_S, STRUCK_S + 60.0), STRUCK_S + 60.0, none, BOTH).open


PRESSED_S = 2000.0


class TestSettle:
    def test_it_opens_after_its_minimum_and_not_before(self) -> None:
        for age_s, is_open in ((10.0, False), (29.9, False), (30.0, True)):
            now_s = PRESSED_S + age_s
            seen = judge_settling(settling(PRESSED_S), readings(PRESSED_S - 60.0, now_s), now_s, SETTINGS, BOTH)
            assert seen.open is is_open, age_s
            assert seen.earliest_in_s == pytest.approx(max(0.0, 30.0 - age_s))

    def test_light_before_the_press_is_that_of_another_spot(self) -> None:
        now_s = PRESSED_S + 31.0
        other = readings(PRESSED_S - 60.0, now_s, light=lambda t: 700.0 if t < PRESSED_S else 400.0)
        assert judge_settling(settling(PRESSED_S), other, now_s, SETTINGS, BOTH).open

    def test_a_drifting_signal_holds_it(self) -> None:
        now_s = PRESSED_S + 31.0
        drifting = readings(PRESSED_S, now_s, light=lambda t: 400.0 * (1.0 + 0.002 * (t - PRESSED_S)))
        seen = judge_settling(settling(PRESSED_S), drifting, now_s, SETTINGS, BOTH)
        assert not seen.open
        assert "drifts" in gate(seen, GateName.SETTLE).reason
        assert gate(seen, GateName.SETTLE).numbers["drift_per_window"] == pytest.approx(0.02, rel=0.1)

    def test_a_sensor_that_is_not_heard_holds_it(self) -> None:
        now_s = PRESSED_S + 40.0
        for made in (readings(PRESSED_S, now_s, light=None), readings(PRESSED_S - 60.0, PRESSED_S - 1.0)):
            made.supply = readings(PRESSED_S, now_s).supply
            assert not judge_settling(settling(PRESSED_S), made, now_s, SETTINGS, BOTH).open

    def test_a_sensor_that_fell_silent_holds_it_and_is_named(self) -> None:
        now_s = PRESSED_S + 40.0
        made = readings(PRESSED_S, now_s)
        made.light = readings(PRESSED_S, now_s - 8.0).light
        seen = judge_settling(settling(PRESSED_S), made, now_s, SETTINGS, BOTH)
        assert not seen.open
        assert gate(seen, GateName.SETTLE).reason == "no reading from the quantum sensor for 8 s"

    def test_without_a_sensor_time_alone_decides(self) -> None:
        made = readings(PRESSED_S - 60.0, PRESSED_S + 31.0, light=None)
        assert not judge_settling(settling(PRESSED_S), made, PRESSED_S + 29.0, SETTINGS, NO_SENSOR).open
        assert judge_settling(settling(PRESSED_S), made, PRESSED_S + 30.0, SETTINGS, NO_SENSOR).open

    def test_before_its_minimum_nobody_overrules_it(self) -> None:
        now_s = PRESSED_S + 29.0
        granted = settling(PRESSED_S, granted=(GateName.SETTLE, GateName.SUPPLY))
        assert not judge_settling(granted, readings(PRESSED_S, now_s), now_s, SETTINGS, BOTH).open

    @pytest.mark.parametrize(("age_s", "overdue"), [(180.0, False), (181.0, True)])
    def test_it_is_overdue_after_its_longest_wait(self, age_s: float, overdue: bool) -> None:
        now_s = PRESSED_S + age_s
        seen = judge_settling(settling(PRESSED_S), Readings(), now_s, SETTINGS, BOTH)
        assert seen.overdue is overdue

    def test_a_gate_that_is_open_is_not_overdue(self) -> None:
        now_s = PRESSED_S + 500.0
        assert not judge_settling(settling(PRESSED_S), readings(PRESSED_S, now_s), now_s, SETTINGS, BOTH).overdue

    def test_without_a_meter_its_longest_wait_is_its_own(self) -> None:
        longer = ProcedureTable(supply_longest_s=1000.0)
        now_s = PRESSED_S + 181.0
        assert judge_settling(settling(PRESSED_S), Readings(), now_s, longer, NO_METER).overdue


class TestOpeningReading:
    """Nobody presses: the sensor has stood at the reference point since the strike."""

    def opening(self) -> Progress:
        return settling(None, leg=Leg.OPENING, spot="B1")

    def test_it_looks_back_over_the_end_of_the_warm_up(self) -> None:
        now_s = 2000.0
        assert judge_settling(self.opening(), readings(now_s - 300.0, now_s), now_s, SETTINGS, BOTH).open
        moving = readings(now_s - 300.0, now_s, light=lambda t: 400.0 * (1.0 + 0.002 * (t - now_s)))
        assert not judge_settling(self.opening(), moving, now_s, SETTINGS, BOTH).open

    def test_it_can_be_overruled_in_the_end_like_any_other(self) -> None:
        """A supply that is out of limits all day would otherwise hold it for ever."""
        now_s = 3000.0
        low = readings(now_s - 300.0, now_s, power=lambda _: supply(216.0))
        early = judge_settling(self.opening(), low, now_s, SETTINGS, BOTH, asked_s=now_s - 100.0)
        assert not early.open
        assert not early.overdue
        assert early.overrule_in_s == pytest.approx(80.0)
        late = judge_settling(self.opening(), low, now_s, SETTINGS, BOTH, asked_s=now_s - 181.0)
        assert late.overdue

    def test_a_jump_is_waited_out_and_is_no_bump(self) -> None:
        """No press to go back to; the stretch that is looked at must be free of the jump."""
        now_s = 2000.0
        jumped = readings(now_s - 300.0, now_s, light=lambda t: 400.0 if t < now_s - 10.0 else 360.0)
        seen = judge_settling(self.opening(), jumped, now_s, SETTINGS, BOTH)
        assert not seen.open
        assert seen.bumped_at_s is None
        later = readings(now_s - 300.0, now_s, light=lambda t: 400.0 if t < now_s - 50.0 else 360.0)
        assert judge_settling(self.opening(), later, now_s, SETTINGS, BOTH).open


class TestSupply:
    def test_a_supply_out_of_limits_holds_it_and_is_told_first(self) -> None:
        """Of two gates that hold the supply is the cause of what the light does."""
        now_s = PRESSED_S + 40.0
        made = readings(
            PRESSED_S, now_s, power=lambda _: supply(216.6), light=lambda t: 400.0 * (1.0 + 0.002 * (t - PRESSED_S))
        )
        seen = judge_settling(settling(PRESSED_S), made, now_s, SETTINGS, BOTH)
        assert seen.holding is not None
        assert seen.holding.gate is GateName.SUPPLY
        assert "216.6 V is -5.8% from 230 V" in seen.holding.reason

    def test_a_frequency_out_of_limits_holds_it(self) -> None:
        now_s = PRESSED_S + 40.0
        made = readings(PRESSED_S, now_s, power=lambda _: supply(frequency_hz=49.0))
        assert "49 Hz" in gate(judge_settling(settling(PRESSED_S), made, now_s, SETTINGS, BOTH), GateName.SUPPLY).reason

    def test_a_lamp_that_draws_other_power_than_when_it_was_steady_holds_it(self) -> None:
        now_s = PRESSED_S + 40.0
        made = readings(PRESSED_S, now_s, power=lambda _: supply(power_w=FULL_W * 0.9))
        reason = gate(judge_settling(settling(PRESSED_S), made, now_s, SETTINGS, BOTH), GateName.SUPPLY).reason
        assert "-10.0% from when it was steady" in reason

    def test_what_was_amiss_a_window_ago_is_over(self) -> None:
        now_s = PRESSED_S + 40.0
        made = readings(PRESSED_S, now_s, power=lambda t: supply(216.6 if t < now_s - 11.0 else 230.0))
        assert judge_settling(settling(PRESSED_S), made, now_s, SETTINGS, BOTH).open

    def test_a_meter_that_is_not_heard_holds_it(self) -> None:
        now_s = PRESSED_S + 40.0
        seen = judge_settling(settling(PRESSED_S), readings(PRESSED_S, now_s, power=None), now_s, SETTINGS, BOTH)
        assert not seen.open
        assert "the power meter gave no sample" in gate(seen, GateName.SUPPLY).reason

    def test_what_the_poll_rate_cannot_see_is_said(self) -> None:
        now_s = PRESSED_S + 40.0
        reason = gate(
            judge_settling(settling(PRESSED_S), readings(PRESSED_S, now_s), now_s, SETTINGS, BOTH), GateName.SUPPLY
        ).reason
        assert "a sag shorter than 1 s would not be seen" in reason

    def test_a_bench_without_meter_has_no_supply_gate(self) -> None:
        now_s = PRESSED_S + 40.0
        seen = judge_settling(settling(PRESSED_S), readings(PRESSED_S, now_s, power=None), now_s, SETTINGS, NO_METER)
        assert seen.open
        assert [e.gate for e in seen.evidence] == [GateName.SETTLE]


class TestBumps:
    JUMPED_S = PRESSED_S + 20.0

    def jump(self, now_s: float, *, sag: bool) -> Readings:
        return readings(
            PRESSED_S,
            now_s,
            light=lambda t: 400.0 if t < self.JUMPED_S else 372.0,
            power=lambda t: supply(230.0 if not sag or t < self.JUMPED_S else 217.0),
        )

    def test_a_jump_of_the_light_alone_says_that_the_sensor_was_moved(self) -> None:
        now_s = self.JUMPED_S + 5.0
        seen = judge_settling(settling(PRESSED_S), self.jump(now_s, sag=False), now_s, SETTINGS, BOTH)
        assert seen.bumped_at_s == pytest.approx(self.JUMPED_S, abs=1.0)
        assert not seen.undecided

    def test_a_jump_with_the_supply_moving_is_not_a_bump(self) -> None:
        for now_s in (self.JUMPED_S + 5.0, self.JUMPED_S + 30.0):
            seen = judge_settling(settling(PRESSED_S), self.jump(now_s, sag=True), now_s, SETTINGS, BOTH)
            assert seen.bumped_at_s is None
            assert not seen.undecided
            assert not seen.open
            assert seen.holding is not None
            assert seen.holding.gate is GateName.SUPPLY

    def test_right_after_a_jump_nothing_is_decided(self) -> None:
        """The meter may see the sag a poll later than the sensor."""
        now_s = self.JUMPED_S + 1.0
        seen = judge_settling(settling(PRESSED_S), self.jump(now_s, sag=False), now_s, SETTINGS, BOTH)
        assert seen.undecided
        assert seen.bumped_at_s is None
        assert not seen.open

    def test_without_a_meter_a_jump_is_a_bump(self) -> None:
        now_s = self.JUMPED_S + 5.0
        made = self.jump(now_s, sag=False)
        made.supply.clear()
        assert judge_settling(settling(PRESSED_S), made, now_s, SETTINGS, NO_METER).bumped_at_s is not None

    def test_a_signal_that_jumps_again_and_again_is_overdue_from_the_press_on(self) -> None:
        """A lamp that flickers: each jump starts the settling again, and none may put off the longest wait."""
        now_s = PRESSED_S + 200.0
        bumped_s = now_s - 15.0
        where = settling(bumped_s, asked_s=PRESSED_S)
        seen = judge_settling(where, readings(PRESSED_S, now_s), now_s, SETTINGS, BOTH)
        assert not seen.open
        assert seen.overdue

    def test_who_reads_anyway_is_not_sent_back_by_the_next_jump(self) -> None:
        now_s = self.JUMPED_S + 15.0
        granted = settling(PRESSED_S, granted=(GateName.SETTLE, GateName.SUPPLY))
        seen = judge_settling(granted, self.jump(now_s, sag=False), now_s, SETTINGS, BOTH)
        assert seen.bumped_at_s is None
        assert seen.open

    def test_hands_that_leave_are_no_bump(self) -> None:
        shadow_gone_s = PRESSED_S + HANDS_LEAVE_S - 2.0
        now_s = PRESSED_S + 31.0
        made = readings(PRESSED_S, now_s, light=lambda t: 280.0 if t < shadow_gone_s else 400.0)
        assert judge_settling(settling(PRESSED_S), made, now_s, SETTINGS, BOTH).bumped_at_s is None


def test_nothing_opens_while_it_is_undecided_or_early_whatever_was_granted() -> None:
    """Walk a whole settling second by second, with everything granted: the minimum holds for all of it."""
    granted = settling(PRESSED_S, granted=(GateName.SETTLE, GateName.SUPPLY))
    for tenth in range(300):
        now_s = PRESSED_S + tenth / 10.0
        made = readings(PRESSED_S - 60.0, now_s)
        assert not judge_settling(granted, made, now_s, SETTINGS, BOTH).open, now_s
