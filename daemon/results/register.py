"""The lamp register: what the journal knows of each lamp, its hours and starts counted from the power meter.

The hours that an operator states at ``begin`` are where a count starts; what the power meter saw burn since is added.
A burn that goes on is in no record yet: what it has come to stands in the state that the daemon stores beside its
records (once an interval of conditions), and is read from there, so that a running daemon is not asked.
"""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from pydantic import BaseModel, ConfigDict, JsonValue, ValidationError
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from ...protocol.records import EventRecord, SummaryRecord, schema_name
from ..lamp import LampCondition
from ..store.journal import read_bodies, read_bodies_and_checkpoint

COUNTS_A_BURN: Final = ("burn_ended", "burn_counted")
"""Both hold what was burnt since the part that was counted last. Before ``burn_counted`` was a name of its own, a part
that was counted while the lamp burnt on was a ``burn_ended`` too."""

SEASONED_H = 100.0
"""ANSI/IES LM-54 (definition; the number from memory)."""


@dataclass(frozen=True, slots=True)
class RunningBurn:
    """What a lamp burnt that no record counts yet.

    Attributes:
        hours: Since it struck, or since the part that was counted last.
        start: Whether its start is not counted yet either.
        seen: When this was stored.
    """

    hours: float
    start: bool
    seen: datetime


class _Stored(BaseModel):
    """The part of the daemon's stored state that is about the lamp."""

    model_config = ConfigDict(frozen=True)

    utc: datetime
    lamp: LampCondition


@dataclass(slots=True)
class LampEntry:
    """One lamp."""

    lamp: str
    lamp_type: str = "other"
    rated_power_w: float = 0.0
    stated_hours: float = 0.0
    burnt_hours: float = 0.0
    counted_starts: int = 0
    tests: int = 0
    last_seen: datetime | None = None
    running: RunningBurn | None = None

    @property
    def hours(self) -> float:
        """Stated at the last begin, and burnt since, with what is not counted yet."""
        return self.stated_hours + self.burnt_hours + (0.0 if self.running is None else self.running.hours)

    @property
    def starts(self) -> int:
        """With the one that is not counted yet."""
        return self.counted_starts + (self.running is not None and self.running.start)

    @property
    def seasoned(self) -> bool:
        """Whether it has burnt its first hours."""
        return self.hours >= SEASONED_H


def read_register(path: Path) -> dict[str, LampEntry]:
    """Read all lamps from a journal, by id.

    Raises:
        JournalError: The journal cannot be read.
    """
    lamps: dict[str, LampEntry] = {}
    events, stored = read_bodies_and_checkpoint(path, schema_name(EventRecord))
    for body in events:
        event = EventRecord.model_validate_json(body)
        lamp = event.details.get("lamp")
        if not isinstance(lamp, str):
            continue
        entry = lamps.setdefault(lamp, LampEntry(lamp))
        entry.last_seen = event.time
        if event.event == "test_begun":
            entry.lamp_type = str(event.details.get("lamp_type", "other"))
            entry.rated_power_w = _number(event.details.get("rated_power_w"))
            entry.stated_hours, entry.burnt_hours = _number(event.details.get("burning_hours")), 0.0
        elif event.event in COUNTS_A_BURN:
            entry.burnt_hours += _number(event.details.get("burnt_s")) / 3600.0
            entry.counted_starts += event.details.get("start") is not False
    if stored is not None:
        _add_running(lamps, stored)
    for body in read_bodies(path, schema_name(SummaryRecord)):
        summary = SummaryRecord.model_validate_json(body)
        if summary.setup.lamp in lamps:
            lamps[summary.setup.lamp].tests += 1
    return lamps


def _add_running(lamps: dict[str, LampEntry], stored: str) -> None:
    try:
        state = _Stored.model_validate_json(stored)
    except ValidationError:
        return  # of another version: the daemon cannot go on from it either, and says so
    burn = state.lamp
    if not burn.burning or burn.burn_of is None or burn.counted_from_s is None or burn.seen_s is None:
        return
    entry = lamps.setdefault(burn.burn_of, LampEntry(burn.burn_of))
    burnt_s = max(0.0, burn.seen_s - burn.counted_from_s)
    entry.running = RunningBurn(burnt_s / 3600.0, start=not burn.start_counted, seen=state.utc)
    entry.last_seen = state.utc if entry.last_seen is None else max(entry.last_seen, state.utc)


def _number(value: JsonValue | None) -> float:
    return float(value) if isinstance(value, int | float) else 0.0


def burn_words(burn: RunningBurn, *, watched: bool) -> str:
    """What a burn that is not counted yet comes to.

    Args:
        burn: The burn.
        watched: Whether a daemon runs that still sees it.
    """
    what = f"{burn.hours:.2f} h{' and the start' if burn.start else ''} not counted yet"
    if watched:
        return f"still burning: {what}"
    return f"was burning when the daemon ended, {burn.seen:%Y-%m-%d %H:%M}: {what}"


def show_register(lamps: dict[str, LampEntry], console: Console, *, watched: bool) -> None:
    """Print the register.

    Args:
        lamps: By id.
        console: Where.
        watched: Whether a daemon runs on this journal.
    """
    table = Table(
        title="Lamps, hours and starts as the power meter saw them",
        title_justify="left",
        box=SIMPLE_HEAD,
        pad_edge=False,
    )
    table.add_column("lamp", overflow="fold")
    table.add_column("type")
    for column in ("rated W", "hours", "starts", "tests"):
        table.add_column(column, justify="right", no_wrap=True)
    table.add_column("last seen (UTC)", no_wrap=True)
    entries = sorted(lamps.values(), key=lambda e: e.lamp)
    for entry in entries:
        table.add_row(
            escape(entry.lamp),
            entry.lamp_type.replace("_", " "),
            f"{entry.rated_power_w:g}",
            f"{entry.hours:.2f}",
            str(entry.starts),
            str(entry.tests),
            f"{entry.last_seen:%Y-%m-%d %H:%M}" if entry.last_seen else "",
        )
    console.print(table)
    # Sentences stand below the table: in a column of it they would be a word wide on 80 columns.
    for entry in entries:
        for flag in _flags(entry, watched=watched):
            console.print(f"{entry.lamp}: {flag}", highlight=False, markup=False)


def _flags(entry: LampEntry, *, watched: bool) -> list[str]:
    flags = [] if entry.running is None else [burn_words(entry.running, watched=watched)]
    return flags if entry.seasoned else [*flags, f"not seasoned: below {SEASONED_H:g} h"]
