"""``lampwarden watch``: the state of the bench in a terminal, over SSH as well; on a pipe, the log as lines.

Status, live readings and events come from the broker; the grid comes from the journal's checkpoint, which is as old as
the last step of the test and no older. It sends nothing. Text from the bench is never taken for markup.

A bench that is not there is waited for until interrupted: whoever looks on over a night wants to see it come back. So
that no silence is taken for a quiet bench, what is waited for is on the screen, or, on a pipe, told on standard error.
"""

import asyncio
import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Final

from pydantic import BaseModel, ConfigDict, ValidationError
from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.table import Table
from rich.text import Text

from ...protocol.errors import BrokerError, JournalError
from ...protocol.records import EventRecord, InstrumentRecord, LiveMessage, StatusMessage
from ...protocol.topics import Topics
from ..colours import at as colour_at
from ..colours import ink_on
from ..config import BenchConfig
from ..mqtt.client import BenchClient
from ..procedure.progress import Progress
from ..rounding import figure
from ..service import broker_address
from ..store.journal_file import reading
from ..view import GridView, SpotState, SpotView, grid_view
from .bell import Bell

NO_STATUS: Final = "the broker knows nothing of this bench: its daemon has never run"
OFFLINE: Final = "the daemon is not running"
LOG_LINES: Final = 8
STATUS_BOUND_S: Final = 3.0
"""A retained status comes at once."""
_MARKS: Final = {SpotState.DOUBTFUL: "?", SpotState.CONFIRMED: "+", SpotState.VOID: "x"}


class _Stored(BaseModel):
    """The part of a checkpoint that is looked at."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    progress: Progress


def read_progress(journal: Path) -> Progress | None:
    """Where the test stands, from the journal's checkpoint; None when there is none or it cannot be read now."""
    try:
        with closing(reading(journal)) as db:
            row = db.execute("SELECT body FROM checkpoint WHERE name = 'test'").fetchone()
        return None if row is None else _Stored.model_validate_json(row[0]).progress
    except (JournalError, sqlite3.Error, ValidationError):
        return None


class WatchView:
    """What is on the screen; knows no broker."""

    def __init__(self, console: Console, *, sound: bool) -> None:
        self._console = console
        self._bell = Bell(console) if sound else None
        self._live = Live(console=console, auto_refresh=False, screen=False)
        self.waits_for: str | None = None
        """What is not there and is waited for; None when the bench is."""
        self.status: StatusMessage | None = None
        self.readings: LiveMessage | None = None
        self.test: GridView | None = None
        self.instruments: dict[str, InstrumentRecord] = {}
        self.log: list[EventRecord] = []

    def __enter__(self) -> "WatchView":
        """Begin to show."""
        if self._console.is_terminal:
            self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Leave the last state on the screen."""
        self._live.stop()

    def event(self, event: EventRecord) -> None:
        """Take an event in; on a pipe it is a line of its own."""
        self.log = [*self.log, event][-LOG_LINES:]
        if not self._console.is_terminal:
            self._console.print(f"{event.time:%H:%M:%S}  {event.text}", highlight=False, markup=False)
        elif self._bell is not None:
            self._bell.event(event.event)

    def show(self) -> None:
        """Draw."""
        if self._console.is_terminal:
            self._live.update(self.drawn(), refresh=True)

    def drawn(self) -> Group:
        """The whole screen."""
        parts: list[RenderableType] = []
        status = self.status
        if status is not None and status.simulated:
            parts.append(Text(" SIMULATED: no value is real ", style="bold reverse"))
        parts.append(self._prompt())
        if status is not None:
            passed_s = 0.0 if self.readings is None else max(0.0, self.readings.monotonic_s - status.monotonic_s)
            parts += [Text(line, style="yellow") for line in _waits(status, passed_s)]
        if self.test is not None:
            parts += [_grid(self.test), _so_far(self.test)]
        if self.readings is not None:
            parts.append(_readings(self.readings, status))
        bad = [r for r in self.instruments.values() if r.state.value != "ok"]
        parts += [Text(f"{r.instrument}: {r.state.value}: {r.text}", style="bold red") for r in bad]
        if self.instruments and not bad:
            parts.append(Text(_all_answer(len(self.instruments)), style="dim"))
        parts += [Text(f"{event.time:%H:%M:%S}  {event.text}", style="dim") for event in self.log]
        return Group(*parts)

    def _prompt(self) -> Text:
        if self.waits_for is not None:
            return Text(f"{self.waits_for[0].upper()}{self.waits_for[1:]}. Waiting …", style="bold red")
        if self.status is None:
            return Text("Waiting for the bench …", style="bold")
        if not self.status.online:
            return Text("The daemon is not running.", style="bold red")
        text = "" if self.status.prompt is None else self.status.prompt.text
        return Text(text, style="bold")


def _waits(status: StatusMessage, passed_s: float) -> list[str]:
    """What is waited for; ``passed_s`` is bench time since the status, as the live readings tell it."""
    lines = []
    if status.window_left_s is not None:
        lines.append(f"reading: {_clock(status.window_left_s - passed_s)} left")
    for wait in status.waits:
        name = wait.gate.value.replace("_", "-")
        if wait.earliest_in_s > 0:
            lines.append(f"{name}: at least {_clock(wait.earliest_in_s - passed_s)}")
        else:
            lines.append(f"{name} holds: {wait.reason}")
    return lines


def _clock(seconds: float) -> str:
    whole = max(0, int(seconds))
    return f"{whole // 60}:{whole % 60:02d}"


def _grid(test: GridView) -> Table:
    table = Table(title=f"{test.test_id}: PPFD, µmol m⁻² s⁻¹ (? doubtful, + confirmed, > now)", title_justify="left")
    by_place = {(spot.column, spot.row): spot for spot in test.spots}
    values = [spot.ppfd_umol for spot in test.spots if spot.ppfd_umol is not None]
    low, high = (min(values), max(values)) if values else (0.0, 1.0)
    table.add_column("")
    for column in range(test.grid.columns):
        table.add_column(by_place[column, 0].spot.rstrip("0123456789"), justify="right")
    for row in range(test.grid.rows):
        cells = [_cell(by_place[column, row], test, low, high) for column in range(test.grid.columns)]
        table.add_row(str(row + 1), *cells)
    return table


def _cell(spot: SpotView, test: GridView, low: float, high: float) -> Text:
    here = ">" if spot.spot == test.now and test.leg == "spot" else ""
    mark = _MARKS.get(spot.state, "")
    if spot.ppfd_umol is None:
        return Text(f"{here}–{mark}")
    fill = colour_at((spot.ppfd_umol - low) / (high - low) if high > low else 1.0)
    return Text(f"{here}{spot.ppfd_umol:.1f}{mark}", style=f"{ink_on(fill)} on {fill}")


def _all_answer(count: int) -> str:
    return "The one instrument answers." if count == 1 else f"All {count} instruments answer."


def _so_far(test: GridView) -> Text:
    so_far = test.so_far
    if so_far.average.value is None or so_far.average_expanded is None:
        return Text(so_far.average.reason or "")
    average = f"{so_far.average.value:.1f} ± {so_far.average_expanded:.1f} µmol m⁻² s⁻¹"
    text = f"{so_far.spots} of {so_far.of} spots: average {average}"
    if so_far.uniformity.value is not None:
        text += f", max/min {so_far.uniformity.value:.3f}"
    return Text(text)


def _readings(live: LiveMessage, status: StatusMessage | None) -> Text:
    lamp = "" if status is None else f"lamp {status.lamp.replace('_', ' ')}   "
    figures = [
        figure(quantity, expanded=None)
        for quantity in (live.ppfd, live.voltage, live.power, live.inside_temperature)
        if quantity.value is not None
    ]
    return Text(f"{lamp}{'   '.join(figures)}")


async def watch(config: BenchConfig, console: Console, *, sound: bool, say: Callable[[str], None]) -> None:
    """Show until interrupted; survives a daemon or broker that goes and comes.

    Args:
        config: Of the bench.
        console: To show it on.
        sound: Whether to ring the bell.
        say: Gets what is waited for, once until it changes.

    Raises:
        ConfigurationError: The broker's password file cannot be read.
    """
    topics = Topics(config.bench.id)
    with WatchView(console, sound=sound) as view:
        progress = read_progress(config.journal.path)
        view.test = None if progress is None else grid_view(progress)

        view.show()
        presence = _Presence(view, say)
        client = BenchClient(config.bench.id, broker_address(config))
        async for topic, text in client.follow(keep_trying=True, on_link=presence.link):
            if _take(view, topics, topic, text):
                progress = read_progress(config.journal.path)
                view.test = None if progress is None else grid_view(progress)
            if topic == topics.status and view.status is not None:
                presence.there(online=view.status.online)
            view.show()


class _Presence:
    """Whether the bench is there, told as it changes."""

    def __init__(self, view: WatchView, say: Callable[[str], None]) -> None:
        self._view = view
        self._say = say
        self._silence: asyncio.TimerHandle | None = None

    def link(self, trouble: BrokerError | None) -> None:
        """There is a connection, or there is none."""
        self._heard()
        if trouble is not None:
            self._wait_for(str(trouble))
        else:
            self._silence = asyncio.get_running_loop().call_later(STATUS_BOUND_S, self._wait_for, NO_STATUS)

    def there(self, *, online: bool) -> None:
        """The bench, or its last will, has said how it is."""
        self._heard()
        self._wait_for(None if online else OFFLINE)

    def _heard(self) -> None:
        if self._silence is not None:
            self._silence.cancel()

    def _wait_for(self, what: str | None) -> None:
        if what != self._view.waits_for:
            self._view.waits_for = what
            self._say("the bench is there" if what is None else f"{what}; waiting for it")
        self._view.show()


def _take(view: WatchView, topics: Topics, topic: str, text: str) -> bool:
    """Take a message in; returns whether the grid may have changed."""
    try:
        if topic == topics.status:
            before = view.status
            view.status = StatusMessage.model_validate_json(text)
            return before is None or before.prompt != view.status.prompt or before.state != view.status.state
        if topic == topics.live:
            view.readings = LiveMessage.model_validate_json(text)
        elif topic.startswith(f"{topics.base}/instruments/"):
            record = InstrumentRecord.model_validate_json(text)
            view.instruments[record.instrument] = record
        elif topic.endswith("/events"):
            view.event(EventRecord.model_validate_json(text))
            return True
    except (ValidationError, json.JSONDecodeError):
        return False
    return False
