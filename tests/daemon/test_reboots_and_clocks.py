"""Reboots, system clocks that are set or drift, machines that sleep: whole tests in virtual time.

A reboot is not a SIGKILL: ``CLOCK_BOOTTIME`` begins again, so the stored times mean nothing by themselves. They are
told in the new boot's time by the system clock, and only where it was synchronised on both sides.
"""

import asyncio
from typing import Any

import pytest
from lampwarden.daemon.clock import SLICE_S, VirtualClock, boot_id, run_virtual
from lampwarden.daemon.lamp import LampCondition, LampState
from lampwarden.daemon.procedure.checkpoint import Checkpoint, told_in_this_boot
from lampwarden.daemon.procedure.progress import Phase
from support.benches import START, SetClock, progress
from support.judging import assert_average_from_records, assert_durable, assert_holds_truth, assert_never_early
from support.machine_time import EARLIER_BOOT, MachineTime, as_of_an_earlier_boot
from support.virtual_bench import Outcome, VirtualBench, run_bench, small

SPOTS = ["A1", "B1", "C1", "C2", "B2", "A2"]
AGAIN = "burn not followed throughout: warm-up begun again"

slow = pytest.mark.slow


def assert_sound(outcome: Outcome) -> None:
    """No gate opened early, by the records and by what the simulated lamp did; nothing was lost."""
    assert outcome.last_state == "done"
    assert_durable(outcome.records, simulated=True)
    assert_never_early(outcome.spots)
    for spot in outcome.spots:
        if spot["undisturbed"]:
            burn = outcome.bench.lamp.burn_at(spot["window_opened_monotonic_s"])
            assert burn is not None, "the lamp burnt"
            assert spot["window_opened_monotonic_s"] - burn.start_s >= 900.0
            window_s = spot["window_closed_monotonic_s"] - spot["window_opened_monotonic_s"]
            assert window_s == pytest.approx(10.0, abs=0.1)
    assert_average_from_records(outcome.summary, outcome.spots)
    assert_holds_truth(outcome.summary, outcome.spots, outcome.bench, widened=1.5)
    assert [s["spot"] for s in outcome.summary["spots"]] == SPOTS


def read_well(outcome: Outcome) -> list[str]:
    return [s["spot"] for s in outcome.spots if s["undisturbed"] and not s["doubts"]]


async def come_back(bench: VirtualBench, how: str) -> None:
    if how == "booted anew":
        await bench.reboot(20.0)
    else:
        await bench.kill()
        await bench.clock.sleep(20.0)
        bench.start()


IN_EACH_STATE: list[tuple[str, str | None, float]] = [
    # phase, spot, seconds into the phase
    ("prepare", None, 3.0),
    ("await_strike", None, 0.5),
    ("warm_up", None, 400.0),
    ("warm_up", None, 890.0),
    ("tune", None, 0.5),
    ("settle", "B1", 0.0),
    ("window", "B1", 4.0),
    ("await_press", "C1", 1.0),
    ("settle", "C1", 20.0),
    ("window", "C1", 5.0),
    ("settle", "A2", 1.0),
]
IDS = [f"{p}-{s}-{i:g}s" for p, s, i in IN_EACH_STATE]
BURNING = [case for case in IN_EACH_STATE if case[0] not in ("prepare", "await_strike")]
BURNING_IDS = [f"{p}-{s}-{i:g}s" for p, s, i in BURNING]


@slow
class TestReboot:
    @pytest.mark.parametrize(("phase", "spot", "into_s"), IN_EACH_STATE, ids=IDS)
    def test_in_each_state_the_test_goes_on_and_no_settled_reading_is_repeated(
        self, phase: str, spot: str | None, into_s: float
    ) -> None:
        """Twenty seconds, a synchronised clock on both sides: within a sodium lamp's cool-down of a minute."""

        async def reboot(bench: VirtualBench) -> None:
            await bench.until_state(phase, spot)
            await bench.clock.sleep(into_s)
            await bench.reboot(20.0)

        outcome = run_bench(small(), script=reboot)
        assert_sound(outcome)
        assert len(outcome.events("test_resumed")) == 1, "one line"
        assert len(read_well(outcome)) == 8, "nothing was read twice that was read well"
        if phase not in ("prepare", "await_strike"):
            assert len(outcome.events("lamp_struck")) == 1, "the gap was short and the power agreed: its age stands"

    @pytest.mark.parametrize(("phase", "spot", "into_s"), BURNING, ids=BURNING_IDS)
    def test_a_burn_is_not_believed_where_nobody_knows_how_long_the_pc_was_away(
        self, phase: str, spot: str | None, into_s: float
    ) -> None:
        async def reboot(bench: VirtualBench) -> None:
            await bench.until_state(phase, spot)
            await bench.clock.sleep(into_s)
            await bench.reboot(20.0, synchronised=False)

        outcome = run_bench(small(), script=reboot)
        assert_sound(outcome)
        assert AGAIN in outcome.summary["flags"]
        assert len(outcome.events("warmed_up")) == (1 if phase == "warm_up" else 2)
        assert len(read_well(outcome)) == 8, "what was read before stays read"

    def test_a_burn_is_not_believed_across_more_than_its_cool_down(self) -> None:
        async def reboot(bench: VirtualBench) -> None:
            await bench.until_state("await_press", "C1")
            await bench.reboot(90.0)

        outcome = run_bench(small(), script=reboot)
        assert_sound(outcome)
        assert AGAIN in outcome.summary["flags"]

    def test_a_system_clock_that_went_back_across_the_boot_is_not_believed(self) -> None:
        async def reboot(bench: VirtualBench) -> None:
            await bench.until_state("await_press", "C1")
            assert bench.machine is not None
            bench.machine.set_by(-3600.0)
            await bench.reboot(20.0)

        outcome = run_bench(small(), script=reboot, on_machine_time=True)
        assert_sound(outcome)
        assert AGAIN in outcome.summary["flags"]

    def test_the_lamp_went_out_with_the_pc_and_was_struck_again(self) -> None:
        """A power cut takes both. The lamp that burns when the PC is back is another burn."""

        async def cut(bench: VirtualBench) -> None:
            await bench.until_state("await_press", "C1")
            now_s = bench.clock.monotonic()
            bench.bench.switch_off(now_s)
            bench.bench.strike(now_s + 1.0)
            await bench.reboot(120.0)

        outcome = run_bench(small(), script=cut)
        assert_sound(outcome)
        assert AGAIN in outcome.summary["flags"]

    @pytest.mark.parametrize("how", ["killed", "booted anew"])
    def test_while_the_lamp_cools_down(self, how: str) -> None:
        async def away(bench: VirtualBench) -> None:
            await bench.until_state("settle", "C1")
            bench.bench.switch_off(bench.clock.monotonic())
            await bench.until_state("cool_down")
            await come_back(bench, how)
            bench.bench.strike(bench.clock.monotonic() + 60.0)

        outcome = run_bench(small(), script=away)
        assert_sound(outcome)
        assert outcome.events("test_resumed")[0]["text"] == "test resumed: the lamp is cooling"
        assert len(outcome.events("lamp_struck")) == 2
        assert len(read_well(outcome)) == 8

    @pytest.mark.parametrize("how", ["killed", "booted anew"])
    def test_while_the_result_is_made(self, how: str) -> None:
        async def away(bench: VirtualBench) -> None:
            await bench.until_state("conclude")
            await come_back(bench, how)

        outcome = run_bench(small(), script=away)
        assert_sound(outcome)
        assert len(outcome.of("summary")) == 1
        assert len(outcome.events("test_finished")) == 1

    @pytest.mark.parametrize(("phase", "spot"), [("warm_up", None), ("await_press", "C1"), ("window", "C1")])
    def test_without_a_power_meter_a_burn_is_never_believed_across_a_boot(self, phase: str, spot: str | None) -> None:
        """Nobody saw the lamp burn, and what took the PC's power may have taken the lamp's: its strike is asked for."""

        async def strike(bench: VirtualBench) -> None:
            await bench.until(lambda s: s.prompt is not None and s.prompt.action.value == "strike")
            await bench.until(lambda _: bench.bench.lamp.switched_on)
            await bench.clock.sleep(5.0)
            bench.press()
            await bench.until_state(phase, spot)
            await bench.clock.sleep(5.0)
            now_s = bench.clock.monotonic()
            bench.bench.switch_off(now_s)
            bench.bench.strike(now_s + 1.0)
            await bench.reboot(30.0)
            status = await bench.until(lambda s: s.state == "cool_down" and s.prompt is not None)
            assert status.prompt is not None
            assert status.prompt.action.value == "strike"
            assert "press" in status.prompt.text
            await bench.clock.sleep(120.0)  # the operator waits until it burns
            bench.press()

        outcome = run_bench(small(), without=("mains",), script=strike)
        assert outcome.last_state == "done"
        assert_durable(outcome.records, simulated=True)
        assert_never_early(outcome.spots)
        for spot_record in outcome.spots:
            burn = outcome.bench.lamp.burn_at(spot_record["window_opened_monotonic_s"])
            if spot_record["undisturbed"]:
                assert burn is not None
                assert spot_record["window_opened_monotonic_s"] - burn.start_s >= 900.0
        assert AGAIN in outcome.summary["flags"]
        assert len(outcome.events("test_resumed")) == 1


@slow
def test_without_a_power_meter_a_killed_daemon_takes_the_operators_word_that_it_had() -> None:
    """The machine ran on, and so, as far as anybody can know, did the lamp; the flag of the record says who told it."""

    async def kill(bench: VirtualBench) -> None:
        await bench.until(lambda s: s.prompt is not None and s.prompt.action.value == "strike")
        await bench.until(lambda _: bench.bench.lamp.switched_on)
        await bench.clock.sleep(5.0)
        bench.press()
        await bench.until_state("await_press", "C1")
        await come_back(bench, "killed")

    outcome = run_bench(small(), without=("mains",), script=kill)
    assert outcome.last_state == "done"
    assert_never_early(outcome.spots)
    assert len(outcome.events("lamp_struck")) == 1
    assert "strike told by a press, not by a power meter" in outcome.summary["flags"]
    assert AGAIN not in outcome.summary["flags"]


class TestStoredTimes:
    """What a checkpoint of another boot means in this one."""

    def stored(self, clock: SetClock) -> Checkpoint:
        lamp = LampCondition(state=LampState.STEADY, struck_s=100.0, seen_s=1999.0, power_w=250.0)
        clock.now_s = 2000.0
        return Checkpoint.now(progress(Phase.AWAIT_PRESS, strike_s=100.0), lamp, clock)

    def test_in_the_same_boot_they_stand(self) -> None:
        clock = SetClock()
        found = self.stored(clock)
        clock.now_s = 2010.0
        assert told_in_this_boot(found, clock) == (found.progress, found.lamp)

    def test_of_another_boot_they_are_as_long_ago_as_the_system_clock_says(self) -> None:
        clock = SetClock()
        found = self.stored(clock)
        earlier = Checkpoint.model_validate_json(as_of_an_earlier_boot(found.model_dump_json()))
        clock.now_s = 2010.0
        told, lamp = told_in_this_boot(earlier, clock)
        assert told.strike_s == pytest.approx(100.0)
        assert (lamp.struck_s, lamp.seen_s) == (pytest.approx(100.0), pytest.approx(1999.0))

    def test_a_machine_that_cannot_name_its_boot_is_taken_for_booted_anew(self) -> None:
        """Two boots without a name are not one boot."""
        clock = SetClock()
        nameless = self.stored(clock).model_copy(update={"boot": "", "synchronised": False})
        clock.now_s = 2010.0
        _, lamp = told_in_this_boot(nameless, clock, boot="")
        assert lamp.seen_s is not None
        assert clock.now_s - lamp.seen_s > 3600.0

    def test_the_boot_of_this_machine_is_not_the_earlier_one(self) -> None:
        assert boot_id() not in ("", EARLIER_BOOT)


def moved(outcome: Outcome, *names: str) -> list[tuple[str, float]]:
    return [(e["event"], e["details"]["by_s"]) for e in outcome.events(*names)]


CLOCK_EVENTS = ("clock_stepped", "clock_drifted", "resumed_from_suspend")


@slow
class TestSystemClock:
    def opened_s(self, outcome: Outcome) -> list[float]:
        return [s["window_opened_monotonic_s"] for s in outcome.spots]

    def test_steps_change_no_gate_and_the_records_say_so(self) -> None:
        async def step(bench: VirtualBench) -> None:
            assert bench.machine is not None
            await bench.until_state("warm_up")
            await bench.clock.sleep(100.0)
            bench.machine.set_by(-3600.0)
            await bench.until_state("settle", "C1")
            bench.machine.set_by(7200.0)
            await bench.until_state("window", "C2")
            bench.machine.set_by(0.5)

        stepped = run_bench(small(), script=step, on_machine_time=True)
        plain = run_bench(small(), on_machine_time=True)
        assert_sound(stepped)
        assert self.opened_s(stepped) == self.opened_s(plain)
        assert moved(stepped, *CLOCK_EVENTS) == [
            ("clock_stepped", pytest.approx(-3600.0, abs=0.01)),
            ("clock_stepped", pytest.approx(7200.0, abs=0.01)),
            ("clock_stepped", pytest.approx(0.5, abs=0.01)),
        ]
        assert moved(plain, *CLOCK_EVENTS) == []
        assert "gates are not affected" in stepped.events("clock_stepped")[0]["text"]

    def test_a_slow_drift_changes_no_gate_and_the_records_say_so(self) -> None:
        """Two seconds in a thousand: far more than a crystal is off, and 10 ms between two looks."""

        async def drift(bench: VirtualBench) -> None:
            assert bench.machine is not None
            bench.machine.run_fast(2e-3)

        drifting = run_bench(small(), script=drift, on_machine_time=True)
        plain = run_bench(small(), on_machine_time=True)
        assert_sound(drifting)
        assert self.opened_s(drifting) == self.opened_s(plain)
        told = moved(drifting, *CLOCK_EVENTS)
        assert told[0] == ("clock_drifted", pytest.approx(1.0, abs=0.02))
        assert {name for name, _ in told} == {"clock_drifted"}

    def test_records_say_whether_the_clock_was_synchronised(self) -> None:
        async def lose(bench: VirtualBench) -> None:
            assert bench.machine is not None
            await bench.until_state("await_press", "C1")
            bench.machine.is_synchronised = False

        outcome = run_bench(small(), script=lose, on_machine_time=True)
        by_spot: dict[str, Any] = {s["spot"]: s["clock_synchronised"] for s in outcome.spots if s["leg"] == "spot"}
        assert (by_spot["A1"], by_spot["A2"]) == (True, False)


@slow
class TestSuspend:
    @pytest.mark.parametrize(("phase", "spot", "into_s"), IN_EACH_STATE, ids=IDS)
    @pytest.mark.parametrize("asleep_s", [20.0, 1800.0])
    def test_in_each_state_no_gate_is_cut_short_and_the_records_say_so(
        self, phase: str, spot: str | None, into_s: float, asleep_s: float
    ) -> None:
        """Below and above a sodium lamp's cool-down of a minute; the timers stand still, the lamp burns on."""

        async def suspend(bench: VirtualBench) -> None:
            assert bench.machine is not None
            await bench.until_state(phase, spot)
            await bench.clock.sleep(into_s)
            bench.machine.suspend(asleep_s)

        outcome = run_bench(small(), script=suspend, on_machine_time=True)
        assert_sound(outcome)
        assert moved(outcome, *CLOCK_EVENTS) == [("resumed_from_suspend", pytest.approx(asleep_s))]
        burning = phase not in ("prepare", "await_strike")
        assert (AGAIN in outcome.summary["flags"]) is (burning and asleep_s > 60.0)
        assert len(outcome.events("test_resumed")) == 1

    def test_a_lamp_that_was_struck_again_in_a_suspend_is_not_taken_for_the_old_burn(self) -> None:
        async def suspend(bench: VirtualBench) -> None:
            assert bench.machine is not None
            await bench.until_state("settle", "C1")
            now_s = bench.clock.monotonic()
            bench.bench.switch_off(now_s + 1.0)
            bench.bench.strike(now_s + 2.0)
            bench.machine.suspend(300.0)

        outcome = run_bench(small(), script=suspend, on_machine_time=True)
        assert_sound(outcome)
        assert AGAIN in outcome.summary["flags"]

    def test_a_suspend_without_a_test_is_told_too(self) -> None:
        async def suspend(bench: VirtualBench) -> None:
            assert bench.machine is not None
            await bench.until_state("done")
            bench.machine.suspend(3600.0)
            await bench.clock.sleep(30.0)

        outcome = run_bench(small(), script=suspend, on_machine_time=True)
        assert moved(outcome, *CLOCK_EVENTS) == [("resumed_from_suspend", pytest.approx(3600.0))]
        assert outcome.records[-1]["test_id"] is None


def test_what_is_stored_names_boot_and_clock() -> None:
    """The rule for another boot needs all three."""
    clock = SetClock(5.0)
    found = Checkpoint.now(progress(), LampCondition(), clock)
    assert (found.boot, found.monotonic_s, found.utc, found.synchronised) == (boot_id(), 5.0, clock.utc(), True)
    assert clock.utc() > START


def test_a_sleeper_wakes_soon_after_the_machine_does() -> None:
    """The timers of asyncio stand still in a suspend: one long timer would then be late by all of it."""

    async def main(virtual: VirtualClock) -> float:
        loop = asyncio.get_running_loop()
        clock = MachineTime(loop, START)
        sleeper = asyncio.ensure_future(clock.sleep(600.0))
        await virtual.sleep(10.0)
        clock.suspend(595.0)
        woke_s = loop.time()
        await sleeper
        assert clock.monotonic() >= 600.0
        return loop.time() - woke_s

    assert run_virtual(main, START) <= SLICE_S
