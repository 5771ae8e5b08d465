"""``lampwarden status``: how the bench is, from what is on disk and from what its broker has of it.

It works with half of them gone: a broker that cannot be reached, a daemon that does not run, a journal that is not
there yet; what cannot be known is said.
"""

import asyncio
import json
from contextlib import closing
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

from pydantic import ValidationError
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from ...protocol.errors import JournalError, LampwardenError
from ...protocol.quantity import format_utc
from ...protocol.records import HealthState, InstrumentRecord, StatusMessage, schema_name
from ...protocol.topics import Topics
from ..config import BenchConfig
from ..mqtt.client import BenchClient
from ..service import broker_address
from ..store.archive import archives
from ..store.journal_file import reading
from ..store.journal_files import JournalPaths, is_held, left_by
from ..store.journal_rows import rows_of

ASK_BOUND_S: Final = 3.0
"""A retained status comes at once."""


@dataclass(slots=True)
class BenchStatus:
    """What could be found out."""

    bench: str
    running: bool = False
    daemon: str = "was stopped"
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
    _look_at_daemon(config, found)
    _look_at_journal(config, found)
    await _ask_broker(config, found)
    return found


def _look_at_daemon(config: BenchConfig, found: BenchStatus) -> None:
    if found.running:
        found.daemon = "runs"
        return
    killed = left_by(config.journal.path)
    if not config.journal.path.exists():
        found.daemon = "has never run"
    elif killed is not None:
        found.daemon = "ended without a word"
        found.complaints.append(f"the daemon (process {killed}) was killed, or the power was cut; start it again")
        return
    found.complaints.append("the daemon does not run")


def instrument_words(state: HealthState, text: str, time: datetime, *, running: bool) -> str:
    """An instrument's health as it was told last; while no daemon asks, nobody knows how it is now."""
    told = f"{state.value}: {text}"
    return told if running else f"not known: the daemon does not run; last told {format_utc(time)}: {told}"


def _look_at_journal(config: BenchConfig, found: BenchStatus) -> None:
    paths = JournalPaths(config.journal.path)
    found.archived_tests = sum(1 for _ in archives(paths.archive))
    found.journal_bytes = sum(part.stat().st_size for part in paths.parts())
    if paths.suspect.exists():
        found.complaints.append("damage was seen in the journal: the next start of the daemon recovers")
    if found.daemon == "has never run":
        return
    try:
        with closing(reading(paths.journal)) as db:
            (last,) = db.execute("SELECT COALESCE(MAX(seq), 0) FROM record").fetchone()
            (sent,) = db.execute("SELECT COALESCE(MAX(value), 0) FROM meta WHERE key = 'sent_through'").fetchone()
            found.last_seq, found.unsent = int(last), max(0, int(last) - int(sent))
            newest = "WHERE seq IN (SELECT MAX(seq) FROM record WHERE retain = 1 AND schema = ? GROUP BY topic)"
            for row in rows_of(db, newest, (schema_name(InstrumentRecord),)):
                record = InstrumentRecord.model_validate_json(row.body)
                if record.instrument in config.instruments:
                    words = instrument_words(record.state, record.text, record.time, running=found.running)
                    found.instruments[record.instrument] = words
                    if found.running and record.state is not HealthState.OK:
                        found.complaints.append(f"{record.instrument} is {record.state.value}")
    except (JournalError, ValidationError) as error:
        found.complaints.append(f"the journal cannot be read: {error}")


async def _ask_broker(config: BenchConfig, found: BenchStatus) -> None:
    topics = Topics(config.bench.id)
    status: StatusMessage | None = None
    alive = reached = False
    try:
        client = BenchClient(config.bench.id, broker_address(config))
        async with asyncio.timeout(ASK_BOUND_S):
            async for topic, text in client.follow(keep_trying=False):
                reached = True
                if topic == topics.status:
                    status = StatusMessage.model_validate_json(text)
                # What is retained comes at once; a daemon that lives tells its readings twice a second.
                alive = alive or topic == topics.live
                if status is not None and (alive or not (status.online and found.running)):
                    break
    except TimeoutError:
        reached = True
    except (LampwardenError, ValidationError) as error:
        found.broker = f"not reached: {error}"
    if reached:
        _take(status, found, alive=alive)
    elif found.running:
        found.complaints.append(f"broker: {found.broker}")


def _take(status: StatusMessage | None, found: BenchStatus, *, alive: bool) -> None:
    """What the broker has, beside what is known of the daemon: the broker may tell of one that is no more."""
    if status is None:
        found.broker = "reached; it has no status of this bench"
    elif not status.online:
        found.broker = "says that the bench is offline"
    elif not found.running:
        found.broker = f"still has a status of {format_utc(status.time)}"
        found.complaints.append("the broker says that the bench is online: that is stale, the daemon does not run")
        return
    else:
        found.broker = "has the bench's status"
        found.state, found.test_id = status.state, status.test_id
        found.prompt = None if status.prompt is None else status.prompt.text
        if not alive:
            found.daemon = "gives no sign of life"
            text = f"the daemon gives no sign of life; its last status is of {format_utc(status.time)}: restart it"
            found.complaints.append(text)
        return
    if found.running:
        found.complaints.append(f"broker: {found.broker}")


def as_json(found: BenchStatus) -> str:
    """On one line."""
    names = ("bench", "running", "daemon", "state", "test_id", "prompt", "broker", "last_seq", "unsent")
    rest = ("journal_bytes", "archived_tests", "instruments", "complaints")
    return json.dumps({name: getattr(found, name) for name in (*names, *rest)}, ensure_ascii=False)


def show(found: BenchStatus, console: Console) -> None:
    """For a person."""
    table = Table(show_header=False, title=f"Bench {found.bench}")
    size = "" if found.journal_bytes is None else f", {found.journal_bytes / 1e6:.1f} MB"
    rows = [
        ("Daemon", found.daemon),
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
