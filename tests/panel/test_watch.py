"""The bench in a terminal: what is shown, what is rung, and that nothing from outside is taken for markup."""

import io
from pathlib import Path
from typing import TypeVar

from lampwarden.daemon.cli.bell import OF_EVENTS, STROKES, Bell
from lampwarden.daemon.cli.watch_view import WatchView, read_progress
from lampwarden.daemon.procedure.events import Tone
from lampwarden.daemon.view import grid_view
from lampwarden.protocol.records import EventRecord, GateName, GateWait, HealthState, InstrumentRecord, LiveMessage
from lampwarden.protocol.records import StatusMessage as Status
from rich.console import Console
from support.benches import note, progress
from support.recorded import TEST_ID, recorded_test
from support.samples_of_records import live, records
from support.virtual_bench import small

M = TypeVar("M")


def sample(model: type[M]) -> M:
    return next(record for record in (*records(), *live()) if isinstance(record, model))


def terminal(*, is_terminal: bool = True) -> Console:
    return Console(file=io.StringIO(), force_terminal=is_terminal, width=100, color_system=None)


def shown(view: WatchView) -> str:
    console = terminal(is_terminal=False)
    console.print(view.drawn())
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue()


def test_screen_has_prompt_countdown_grid_result_so_far_and_readings() -> None:
    view = WatchView(terminal(), sound=False)
    view.status = sample(Status)
    view.readings = sample(LiveMessage)
    doubtful = note("B1", 1, 300.0, doubts=("-15 % from what its neighbours foretell",))
    view.test = grid_view(progress(attempts=(note("A1", 1, 412.3), doubtful)))
    text = shown(view)
    assert "Settling at C2." in text
    assert "settle: at least 0:12" in text
    assert "412.3" in text
    assert "300.0?" in text
    assert "2 of 6 spots: average 356.1 ±" in text
    assert "410" in text
    assert "lamp steady" in text


def test_gate_that_holds_says_why() -> None:
    view = WatchView(terminal(), sound=False)
    wait = GateWait(gate=GateName.SUPPLY, earliest_in_s=0.0, held=True, reason="216.8 V is -5.7 % from 230 V")
    view.status = sample(Status).model_copy(update={"waits": [wait]})
    assert "supply holds: 216.8 V is -5.7 % from 230 V" in shown(view)


def test_daemon_that_is_gone_and_an_instrument_that_does_not_answer_are_told() -> None:
    view = WatchView(terminal(), sound=False)
    view.status = sample(Status).model_copy(update={"online": False})
    health = sample(InstrumentRecord).model_copy(update={"state": HealthState.UNREACHABLE, "text": "no such device"})
    view.instruments = {"quantum": health}
    text = shown(view)
    assert "The daemon is not running." in text
    assert "quantum: unreachable: no such device" in text


def test_simulated_bench_says_so_on_the_screen() -> None:
    view = WatchView(terminal(), sound=False)
    view.status = sample(Status).model_copy(update={"simulated": True})
    assert "SIMULATED: no value is real" in shown(view)


def test_words_from_outside_are_no_markup() -> None:
    console = terminal(is_terminal=False)
    view = WatchView(console, sound=False)
    event = sample(EventRecord).model_copy(update={"text": "[bold red]lamp [/] struck"})
    view.event(event)
    assert isinstance(console.file, io.StringIO)
    assert "[bold red]lamp [/] struck" in console.file.getvalue()
    assert "[bold red]lamp [/] struck" in shown(view)


def test_on_a_pipe_each_event_is_one_line_and_no_bell_rings() -> None:
    console = terminal(is_terminal=False)
    with WatchView(console, sound=True) as view:
        view.event(sample(EventRecord))
        view.show()
    assert isinstance(console.file, io.StringIO)
    assert console.file.getvalue() == "08:15:30  C2: 410.0\n"


def test_every_tone_has_strokes_of_its_own_kind_and_a_muted_watch_rings_none() -> None:
    assert set(STROKES) == set(Tone)
    console = terminal()
    for tone in Tone:
        Bell(console).tone(tone)
    assert isinstance(console.file, io.StringIO)
    assert console.file.getvalue().count("\a") == sum(STROKES.values())
    quiet = terminal()
    with WatchView(quiet, sound=False) as view:
        view.event(sample(EventRecord))
    assert isinstance(quiet.file, io.StringIO)
    assert "\a" not in quiet.file.getvalue()


def test_every_event_that_a_real_test_sounds_has_its_stroke(tmp_path: Path) -> None:
    outcome = recorded_test(tmp_path / "j.sqlite")
    heard = {event["event"] for event in outcome.events()} & set(OF_EVENTS)
    assert {"accepted", "doubtful", "gate_held", "test_finished"} <= heard


def test_grid_of_a_late_watcher_comes_from_the_journal(tmp_path: Path) -> None:
    assert read_progress(tmp_path / "none.sqlite") is None
    outcome = recorded_test(tmp_path / "j.sqlite", scenario=small())
    stored = read_progress(tmp_path / "j.sqlite")
    assert stored is not None
    assert stored.test_id == TEST_ID
    average = grid_view(stored).so_far.average.value
    assert average is not None
    assert abs(average / outcome.summary["canopy_average"]["value"] - 1.0) < 1e-9
