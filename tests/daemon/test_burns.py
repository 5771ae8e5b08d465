"""The lamp register's burns: each is counted once, and for the lamp that burnt."""

from pathlib import Path

import pytest
from lampwarden.daemon.results.register import read_register
from lampwarden.daemon.simulated.simulation import lamp_setup
from lampwarden.daemon.store.journal import Journal, JournalFile
from lampwarden.protocol.commands import Abandon, Begin
from lampwarden.simulators.scenario import Scenario
from support.virtual_bench import Outcome, VirtualBench, run_bench, small


def burns(outcome: Outcome) -> list[tuple[str, float, bool]]:
    return [
        (e["details"]["lamp"], e["details"]["burnt_s"], e["details"]["start"]) for e in outcome.events("burn_ended")
    ]


def test_a_burn_that_outlasts_its_test_is_its_lamps_and_another_lamp_gets_only_its_own_part() -> None:
    scenario = small(Scenario.demo())

    async def script(bench: VirtualBench) -> None:
        await bench.until_state("warm_up")
        await bench.clock.sleep(600.0)
        await bench.command(Abandon(id="a-1", reason="enough"))
        await bench.clock.sleep(300.0)
        other = lamp_setup(scenario).model_copy(update={"lamp": "OTHER"})
        assert (await bench.command(Begin(id="b-2", setup=other, test_id="second"))).accepted
        await bench.clock.sleep(120.0)
        await bench.command(Abandon(id="a-2", reason="enough"))

    outcome = run_bench(scenario, script=script, until=lambda s: s.state == "abandoned")
    lamp = lamp_setup(scenario).lamp
    seen = burns(outcome)
    # The operator puts the burning lamp out for the lamp-off readings, and strikes it again.
    expected = [(lamp, True), (lamp, False), ("OTHER", False), ("OTHER", True)]
    assert [(name, start) for name, _, start in seen] == expected
    assert [burnt for _, burnt, _ in seen[:2]] == pytest.approx([600.0, 300.0], abs=3.0)
    assert sum(burnt for name, burnt, _ in seen if name == "OTHER") < 120.0
    tests = [e["test_id"] for e in outcome.events("burn_ended")]
    assert tests == ["virtual-1", "virtual-1", "second", "second"]


def test_a_lamp_that_goes_out_after_its_test_is_counted_once_in_the_register(tmp_path: Path) -> None:
    scenario = small(Scenario.demo())
    path = tmp_path / "journal.sqlite"

    async def script(bench: VirtualBench) -> None:
        await bench.until_state("warm_up")
        await bench.clock.sleep(600.0)
        await bench.command(Abandon(id="a-1", reason="enough"))
        await bench.clock.sleep(300.0)
        bench.bench.lamp.switch_off(bench.clock.monotonic())
        await bench.clock.sleep(10.0)

    outcome = run_bench(
        scenario,
        script=script,
        until=lambda s: s.state == "abandoned",
        journal=lambda bench_id: Journal(JournalFile(path, bench_id), in_line=True),
    )
    assert {e["test_id"] for e in outcome.events("burn_ended")} == {"virtual-1"}
    setup = lamp_setup(scenario)
    entry = read_register(path)[setup.lamp]
    assert entry.starts == 1
    assert entry.hours - setup.burning_hours == pytest.approx(900.0 / 3600.0, abs=0.002)


def test_a_burn_is_counted_through_a_restart_of_the_daemon() -> None:
    scenario = small(Scenario.demo())

    async def script(bench: VirtualBench) -> None:
        await bench.until_state("warm_up")
        await bench.clock.sleep(600.0)
        await bench.kill()
        await bench.clock.sleep(120.0)
        bench.start()
        await bench.clock.sleep(120.0)
        await bench.command(Abandon(id="a-1", reason="enough"))

    outcome = run_bench(scenario, script=script, until=lambda s: s.state == "abandoned")
    seen = burns(outcome)
    assert sum(start for _, _, start in seen) == 1
    assert 660.0 < sum(burnt for _, burnt, _ in seen) < 850.0
