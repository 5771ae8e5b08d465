"""``lampwarden status``: how the bench is, from what is on disk and from what its broker has of it.

It works with half of them gone: a broker that cannot be reached, a daemon that does not run, a journal that is not
there yet; what cannot be known is said.
"""

import asyncio
import json
from contextlib import closing
from dataclasses import dataclass, field
from typing import Final

from pydantic import ValidationError
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from ...protocol.errors import JournalError, LampwardenError
from ...protocol.records import HealthState, InstrumentRecord, StatusMessage, schema_name
from ..config import BenchConfig
from ..mqtt.client import BenchClient
from ..service import broker_address
from ..store.archive import archives
from ..store.journal_file import reading, rows_of
from ..store.journal_files import JournalPaths, is_held

ASK_BOUND_S: Final = 3.0
"""A retained status comes at once."""


@dataclass(slots=True)
class BenchStatus:
    """What could be found out."""

    bench: str
    running: bool = False
    state: str | None = None
    test_id: str | None = None
    prompt: str | None = None
    broker: str = "not asked"
    last_seq: int | None = None
    unsent: int | None = None
    journal_bytes: int | None = None
    archived_tests: int = 0
    instruments: dict[str, str] = field(default_factory=dict)
    complaints: list[str] = field(default_factory=list)

    @property
    def well(self) -> bool:
        """Whether nothing needs a person."""
        return self.running and not self.complaints


async def bench_status(config: BenchConfig) -> BenchStatus:
    """Find out."""
    found = BenchStatus(config.bench.id, running=is_held(config.journal.path))
    if not found.running:
        found.complaints.append("the daemon does not run")
    _look_at_journal(config, found)
    await _ask_broker(config, found)
    return found


def _look_at_journal(config: BenchConfig, found: BenchStatus) -> None:
    paths = JournalPaths(config.journal.path)
    found.archived_tests = sum(1 for _ in archives(paths.archive))
    found.journal_bytes = sum(part.stat().st_size for part in paths.parts())
    if paths.suspect.exists():
        found.complaints.append("damage was seen in the journal: the next start of the daemon recovers")
    try:
        with closing(reading(paths.journal)) as db:
            (last,) = db.execute("SELECT COALESCE(MAX(seq), 0) FROM record").fetchone()
            (sent,) = db.execute("SELECT COALESCE(MAX(value), 0) FROM meta WHERE key = 'sent_through'").fetchone()
            found.last_seq, found.unsent = int(last), max(0, int(last) - int(sent))
            newest = "WHERE seq IN (SELECT MAX(seq) FROM record WHERE retain = 1 AND schema = ? GROUP BY topic)"
            for row in rows_of(db, newest, (schema_name(InstrumentRecord),)):
                record = InstrumentRecord.model_validate_json(row.body)
                if record.instrument in config.instruments:
                    found.instruments[record.instrument] = f"{record.state.value}: {record.text}"
                    if found.running and record.state is not HealthState.OK:
                        found.complaints.append(f"{record.instrument} is {record.state.value}: {record.text}")
    except (JournalError, ValidationError) as error:
        found.complaints.append(f"the journal cannot be read: {error}")


async def _ask_broker(config: BenchConfig, found: BenchStatus) -> None:
    try:
        client = BenchClient(config.bench.id, broker_address(config))
        async with asyncio.timeout(ASK_BOUND_S):
            async for topic, text in client.follow(keep_trying=False):
                if topic.endswith(f"/{config.bench.id}/status"):
                    _take(StatusMessage.model_validate_json(text), found)
                    return
    except TimeoutError:
        found.broker = "reached; it has no status of this bench"
    except (LampwardenError, ValidationError) as error:
        found.broker = f"not reached: {error}"
    if found.running:
        found.complaints.append(f"broker: {found.broker}")


def _take(status: StatusMessage, found: BenchStatus) -> None:
    found.broker = "has the bench's status" if status.online else "says that the bench is offline"
    if status.online:
        found.state, found.test_id = status.state, status.test_id
        found.prompt = None if status.prompt is None else status.prompt.text
    elif found.running:
        found.complaints.append(f"broker: {found.broker}")


def as_json(found: BenchStatus) -> str:
    """On one line."""
    names = ("bench", "running", "state", "test_id", "prompt", "broker", "last_seq", "unsent", "journal_bytes")
    rest = ("archived_tests", "instruments", "complaints")
    return json.dumps({name: getattr(found, name) for name in (*names, *rest)}, ensure_ascii=False)


def show(found: BenchStatus, console: Console) -> None:
    """For a person."""
    table = Table(show_header=False, title=f"Bench {found.bench}")
    size = "" if found.journal_bytes is None else f", {found.journal_bytes / 1e6:.1f} MB"
    rows = [
        ("Daemon", "runs" if found.running else "does not run"),
        ("State", "" if found.state is None else found.state + (f", test {found.test_id}" if found.test_id else "")),
        ("Asks", found.prompt or ""),
        ("Broker", found.broker),
        ("Journal", "none" if found.last_seq is None else f"seq {found.last_seq}, {found.unsent} not sent yet{size}"),
        ("Archived tests", str(found.archived_tests)),
        *found.instruments.items(),
    ]
    for name, text in rows:
        table.add_row(escape(name), escape(text))
    console.print(table)
    for complaint in found.complaints:
        console.print(f"[bold red]![/bold red] {escape(complaint)}")
