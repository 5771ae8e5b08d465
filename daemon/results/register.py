"""The lamp register: what the journal knows of each lamp, its hours and starts counted from the power meter.

The hours that an operator states at ``begin`` are where a count starts; what the power meter saw burn since is added.
"""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from pydantic import JsonValue
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from ...protocol.records import EventRecord, SummaryRecord, schema_name
from ..store.journal import read_bodies

SEASONED_H = 100.0
"""ANSI/IES LM-54 (definition; the number from memory)."""


@dataclass(slots=True)
class LampEntry:
    """One lamp."""

    lamp: str
    lamp_type: str = "other"
    rated_power_w: float = 0.0
    stated_hours: float = 0.0
    burnt_hours: float = 0.0
    starts: int = 0
    tests: int = 0
    last_seen: datetime | None = None

    @property
    def hours(self) -> float:
        """Stated at the last begin, and burnt since."""
        return self.stated_hours + self.burnt_hours

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
    for body in read_bodies(path, schema_name(EventRecord)):
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
        elif event.event == "burn_ended":
            entry.burnt_hours += _number(event.details.get("burnt_s")) / 3600.0
            entry.starts += event.details.get("start") is not False
    for body in read_bodies(path, schema_name(SummaryRecord)):
        summary = SummaryRecord.model_validate_json(body)
        if summary.setup.lamp in lamps:
            lamps[summary.setup.lamp].tests += 1
    return lamps


def _number(value: JsonValue | None) -> float:
    return float(value) if isinstance(value, int | float) else 0.0


def show_register(lamps: dict[str, LampEntry], console: Console) -> None:
    """Print the register."""
    table = Table(title="Lamps, hours and starts as the power meter saw them")
    for column in ("lamp", "type", "rated W", "hours", "starts", "tests", "last seen", "flag"):
        table.add_column(column, justify="right" if column in ("rated W", "hours", "starts", "tests") else "left")
    for entry in sorted(lamps.values(), key=lambda e: e.lamp):
        table.add_row(
            escape(entry.lamp),
            entry.lamp_type.replace("_", " "),
            f"{entry.rated_power_w:g}",
            f"{entry.hours:.2f}",
            str(entry.starts),
            str(entry.tests),
            f"{entry.last_seen:%Y-%m-%d %H:%M}" if entry.last_seen else "",
            "" if entry.seasoned else f"not seasoned: below {SEASONED_H:g} h",
        )
    console.print(table)
