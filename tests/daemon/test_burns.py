"""The lamp register's burns: each is counted once, and for the lamp that burnt."""

import io
from collections.abc import Callable
from pathlib import Path

import pytest
from lampwarden.daemon.results.register import burn_words, read_register, show_register
from lampwarden.daemon.simulated.simulation import lamp_setup
from lampwarden.daemon.store.journal import Journal, JournalFile
from lampwarden.protocol.commands import Abandon, Begin
from lampwarden.protocol.records import EventRecord
from lampwarden.simulators.scenario import Scenario
from pydantic import JsonValue
from rich.console import Console
from support.journals import BENCH, Notebook, put
from support.virtual_bench import Outcome, VirtualBench, run_bench, small

BURNS = ("burn_ended", "burn_counted")


def burns(outcome: Outcome) -> list[tuple[str, float, bool]]:
    return [(e["details"]["lamp"], e["details"]["burnt_s"], e["details"]["start"]) for e in outcome.events(*BURNS)]


def journal_at(path: Path) -> Callable[[str], Journal]:
    return lambda bench_id: Journal(JournalFile(path, bench_id), in_line=True)


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
    told = outcome.events(*BURNS)
    # Only where the arc went out has a burn ended; the rest is a part that was counted while it burnt on.
    assert [e["event"] for e in told] == ["burn_counted", "burn_counted", "burn_ended", "burn_counted"]
    assert told[0]["text"].endswith("min so far, and burns on")
    assert told[1]["text"].endswith("min so far; what it burns from here on is counted for OTHER")
    tests = [e["test_id"] for e in told]
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

    outcome = run_bench(scenario, script=script, until=lambda s: s.state == "abandoned", journal=journal_at(path))
    assert {e["test_id"] for e in outcome.events(*BURNS)} == {"virtual-1"}
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


def test_a_burn_that_is_doubted_after_a_gap_is_counted_without_the_gap_and_with_one_start() -> None:
    """Two minutes out of sight are more than the cool-down of a sodium lamp: it may have been out meanwhile."""
    scenario = small(Scenario.demo())

    async def script(bench: VirtualBench) -> None:
        await bench.until_state("warm_up")
        await bench.clock.sleep(600.0)
        await bench.kill()
        await bench.clock.sleep(120.0)
        bench.start()
        await bench.clock.sleep(200.0)
        await bench.command(Abandon(id="a-1", reason="enough"))

    outcome = run_bench(scenario, script=script, until=lambda s: s.state == "abandoned")
    seen = burns(outcome)
    lamp = lamp_setup(scenario).lamp
    assert [(name, start) for name, _, start in seen] == [(lamp, True), (lamp, False)]
    # What the first daemon saw after its last stored state, half a minute at most, died with it.
    assert 565.0 < seen[0][1] < 603.0
    assert seen[1][1] == pytest.approx(200.0, abs=5.0), "from the first sample after the gap"
    assert len(outcome.events("lamp_struck")) == 2, "the warm-up began again"


def test_a_restart_after_the_end_of_a_test_loses_nothing_of_a_lamp_that_burns_on(tmp_path: Path) -> None:
    scenario = small(Scenario.demo())
    path = tmp_path / "journal.sqlite"

    async def script(bench: VirtualBench) -> None:
        await bench.until_state("warm_up")
        await bench.clock.sleep(600.0)
        await bench.command(Abandon(id="a-1", reason="enough"))
        await bench.clock.sleep(300.0)
        await bench.kill()
        await bench.clock.sleep(10.0)
        bench.start()
        await bench.clock.sleep(100.0)
        bench.bench.lamp.switch_off(bench.clock.monotonic())
        await bench.clock.sleep(10.0)

    outcome = run_bench(scenario, script=script, until=lambda s: s.state == "abandoned", journal=journal_at(path))
    assert [e["event"] for e in outcome.events(*BURNS)] == ["burn_counted", "burn_ended"]
    assert [start for _, _, start in burns(outcome)] == [True, False]
    setup = lamp_setup(scenario)
    entry = read_register(path)[setup.lamp]
    assert (entry.starts, entry.running) == (1, None)
    assert entry.hours - setup.burning_hours == pytest.approx(1010.0 / 3600.0, abs=0.002)


def test_the_same_lamp_begun_again_while_it_burns_has_its_burn_counted_once(tmp_path: Path) -> None:
    """Begun as the command line does it where no hours are named: with those of the register."""
    scenario = small(Scenario.demo())
    path = tmp_path / "journal.sqlite"
    setup = lamp_setup(scenario)

    async def script(bench: VirtualBench) -> None:
        await bench.until_state("warm_up")
        await bench.clock.sleep(600.0)
        await bench.command(Abandon(id="a-1", reason="enough"))
        await bench.clock.sleep(300.0)
        hours = read_register(path)[setup.lamp].hours
        again = setup.model_copy(update={"burning_hours": hours})
        assert (await bench.command(Begin(id="b-2", setup=again, test_id="second"))).accepted
        await bench.until_state("warm_up")
        await bench.clock.sleep(200.0)
        await bench.command(Abandon(id="a-2", reason="enough"))

    outcome = run_bench(scenario, script=script, until=lambda s: s.state == "abandoned", journal=journal_at(path))
    seen = burns(outcome)
    # Up to the end of the first test, up to the second begin, until it is put out for the lamp-off readings, and anew.
    assert [start for _, _, start in seen] == [True, False, False, True]
    burnt_h = sum(burnt for _, burnt, _ in seen) / 3600.0
    assert burnt_h > 1100.0 / 3600.0
    entry = read_register(path)[setup.lamp]
    assert entry.starts == 2
    # The register is as old as the last stored state, at most an interval of conditions.
    assert entry.hours - setup.burning_hours == pytest.approx(burnt_h, abs=35.0 / 3600.0)


def test_a_burn_that_goes_on_stands_in_the_register_as_not_counted_yet(tmp_path: Path) -> None:
    scenario = small(Scenario.demo())
    path = tmp_path / "journal.sqlite"
    setup = lamp_setup(scenario)
    shown: list[str] = []

    def look(*, watched: bool) -> None:
        console = Console(file=io.StringIO(), width=200)
        show_register(read_register(path), console, watched=watched)
        assert isinstance(console.file, io.StringIO)
        shown.append(console.file.getvalue())

    async def script(bench: VirtualBench) -> None:
        await bench.until_state("warm_up")
        await bench.clock.sleep(600.0)
        entry = read_register(path)[setup.lamp]
        assert entry.running is not None
        assert entry.running.start
        assert entry.starts == 1
        assert entry.running.hours == pytest.approx(585.0 / 3600.0, abs=18.0 / 3600.0)
        assert entry.hours == setup.burning_hours + entry.running.hours
        assert burn_words(entry.running, watched=True) == "still burning: 0.16 h and the start not counted yet"
        look(watched=True)
        await bench.command(Abandon(id="a-1", reason="enough"))
        await bench.clock.sleep(300.0)
        entry = read_register(path)[setup.lamp]
        assert entry.running is not None
        assert not entry.running.start, "it was counted at the end of the test"
        assert entry.starts == 1
        assert entry.hours - setup.burning_hours == pytest.approx(885.0 / 3600.0, abs=18.0 / 3600.0)
        look(watched=False)

    run_bench(scenario, script=script, until=lambda s: s.state == "abandoned", journal=journal_at(path))
    assert "still burning: 0.1" in shown[0]
    assert "was burning when the daemon ended, 20" in shown[1]
    assert "h not counted yet" in shown[1]


@pytest.mark.parametrize("name", BURNS)
def test_a_part_counted_at_the_end_of_a_test_is_read_by_either_name_it_has_had(tmp_path: Path, name: str) -> None:
    """Journals from before ``burn_counted`` hold it as ``burn_ended``."""
    path, notebook = tmp_path / "journal.sqlite", Notebook()

    def burn(event: str, burnt_s: float, *, start: bool) -> EventRecord:
        details: dict[str, JsonValue] = {"lamp": "HPS-07", "burnt_s": burnt_s, "start": start}
        return EventRecord(**notebook.stamp.record(test_id="t-1"), event=event, text=event, details=details)

    file = JournalFile(path, BENCH)
    put(file, [burn(name, 3600.0, start=True), burn("burn_ended", 1800.0, start=False)])
    file.close()
    entry = read_register(path)["HPS-07"]
    assert (entry.hours, entry.starts) == (1.5, 1)


def test_no_state_is_stored_between_the_loss_of_an_arc_and_the_count_of_its_burn() -> None:
    """A daemon that died in between would come back to a lamp that is out, and to a burn that nobody counted."""
    scenario = small(Scenario.demo())
    stored: list[bool] = []

    async def script(bench: VirtualBench) -> None:
        await bench.until_state("warm_up")
        await bench.clock.sleep(60.0)
        assert bench.service is not None
        conductor = bench.service.conductor
        stored.append(conductor.checkpoint_between_events() is not None)
        conductor.power_seen(bench.clock.monotonic(), 0.0)
        assert not conductor.lamp.burning
        stored.append(conductor.checkpoint_between_events() is not None)
        await bench.until_state("cool_down")
        await bench.clock.sleep(0.5)
        stored.append(conductor.checkpoint_between_events() is not None)
        await bench.command(Abandon(id="a-1", reason="enough"))

    outcome = run_bench(scenario, script=script, until=lambda s: s.state == "abandoned")
    assert stored == [True, False, True]
    assert [e["event"] for e in outcome.events(*BURNS)][:1] == ["burn_ended"]
