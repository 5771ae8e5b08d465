"""What a campaign counts, and that nothing of it happens when instruments fail at random."""

import json
from typing import Any

import pytest
from lampwarden.daemon.cli.campaign_view import run_campaign
from lampwarden.daemon.simulated.campaign import TestResult as Result
from lampwarden.daemon.simulated.campaign import count_losses, is_early, run_test
from lampwarden.daemon.simulated.campaign_faults import KINDS, LONGEST_S, plan_faults
from lampwarden.simulators.bench import SimulatedBench
from lampwarden.simulators.faults import Fault
from lampwarden.simulators.lamp import Lamp
from rich.console import Console
from support.samples_of_records import records
from support.virtual_bench import small


class TestFaults:
    def test_faults_of_a_test_are_drawn_from_its_seed(self) -> None:
        assert plan_faults(3) == plan_faults(3)
        assert plan_faults(3) != plan_faults(4)

    def test_every_instrument_fails_in_every_way_of_its_wire_sooner_or_later(self) -> None:
        drawn = {(each.device, each.fault) for seed in range(300) for each in plan_faults(seed)}
        assert drawn == {(device, fault) for device, kinds in KINDS.items() for fault in kinds}
        assert {fault for _, fault in drawn} == set(Fault)

    def test_faults_are_no_longer_than_a_person_takes_to_find_them(self) -> None:
        assert all(0 < each.lasts_s <= LONGEST_S for seed in range(50) for each in plan_faults(seed))

    def test_kinds_name_devices_that_a_bench_has(self) -> None:
        assert set(KINDS) <= set(SimulatedBench(small(), 1).faults)


class TestLosses:
    told = tuple(record.model_copy(update={"seq": seq}) for seq, record in enumerate(records()[:3], 1))

    def count(self, stored: dict[int, str], **changes: int) -> tuple[int, int, int]:
        found = count_losses(3, stored, self.told, **{"windows": 2, "readings": 2, **changes})
        return (found.gaps, found.untrue, found.unread)

    @property
    def stored(self) -> dict[int, str]:
        return {record.seq: str(record.record_id) for record in self.told}

    def test_what_is_told_and_stored_is_no_loss(self) -> None:
        assert self.count(self.stored) == (0, 0, 0)

    def test_number_that_the_journal_does_not_hold_is_a_gap(self) -> None:
        without = {seq: record_id for seq, record_id in self.stored.items() if seq != 2}
        assert self.count(without) == (1, 1, 0)

    def test_record_stored_under_another_identity_is_untrue(self) -> None:
        assert self.count(self.stored | {3: "other"}) == (0, 1, 0)

    def test_window_without_a_record_is_unread(self) -> None:
        assert self.count(self.stored, windows=3) == (0, 0, 1)


@pytest.fixture(scope="module")
def outcome() -> tuple[Result, Lamp]:
    """A test, and a lamp that was struck when it was."""
    result = run_test(small(), 3)
    bench = SimulatedBench(small(), 3)
    struck_s = result.spots[0].strike_monotonic_s
    assert struck_s is not None
    bench.strike(struck_s - 5.0)
    return result, bench.lamp


@pytest.mark.slow
class TestEarly:
    def test_readings_of_an_ordinary_test_are_not_early(self, outcome: tuple[Result, Lamp]) -> None:
        result, lamp = outcome
        assert result.early_readings == 0
        assert not any(is_early(spot, lamp) for spot in result.spots)

    @pytest.mark.parametrize(
        "changes",
        [{"pressed_monotonic_s": 29.9}, {"strike_monotonic_s": 899.9}, {"strike_monotonic_s": None}],
        ids=["settling", "warm-up", "no strike"],
    )
    def test_reading_before_a_minimum_is_early(self, outcome: tuple[Result, Lamp], changes: dict[str, Any]) -> None:
        result, lamp = outcome
        spot = result.spots[2]
        opened_s = spot.window_opened_monotonic_s
        moved = {key: None if before is None else opened_s - before for key, before in changes.items()}
        assert is_early(spot.model_copy(update=moved), lamp)

    def test_reading_under_an_arc_younger_than_the_record_says_is_early(self, outcome: tuple[Result, Lamp]) -> None:
        result, _ = outcome
        spot = result.spots[2]
        bench = SimulatedBench(small(), 3)
        bench.strike(spot.window_opened_monotonic_s - 890.0)
        assert is_early(spot, bench.lamp)

    def test_gate_that_waited_less_than_it_says_it_must_is_early(self, outcome: tuple[Result, Lamp]) -> None:
        result, lamp = outcome
        spot = result.spots[2]
        gates = [gate.model_copy(update={"waited_s": gate.minimum_s - 0.1}) for gate in spot.gates]
        assert is_early(spot.model_copy(update={"gates": gates}), lamp)


@pytest.mark.slow
def test_random_faults_lose_no_reading_and_break_no_gate() -> None:
    lines: list[str] = []
    quiet = Console(quiet=True)
    assert run_campaign(4, 11, as_json=True, console=quiet, say=lines.append, with_faults=True)
    *tests, found = (json.loads(line) for line in lines)
    assert found["faults"] == sum(len(test["faults"]) for test in tests) > 8
    assert (found["lost_readings"], found["early_readings"], found["stuck"]) == (0, 0, 0)
    assert found["tests"] == 4
