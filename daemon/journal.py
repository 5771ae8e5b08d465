"""The journal: every durable record, on disk before anybody hears of it.

:class:`JournalFile` is plain blocking SQLite (write-ahead log, ``synchronous=FULL``): it gives out the gapless ``seq``
and holds, beside the records, the checkpoint of the running test, things kept for it, and the answers to commands.
:class:`Journal` is its asynchronous face: one thread of its own in a running daemon, in line in virtual time. Writers
that come while a commit is under way share the next one.

What SIGKILL cannot undo: a record that :meth:`Journal.append` has returned. What a power cut cannot undo either rests
on ``synchronous=FULL`` (fsync at each commit) and on a disk that tells the truth about it.
"""

import asyncio
import fcntl
import os
import sqlite3
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Final, TypeVar

from ..protocol.errors import JournalError
from ..protocol.records import Record
from ..protocol.topics import Topics, is_retained
from .clock import wire_sleep

T = TypeVar("T")

SCHEMA_VERSION: Final = 1

_TABLES: Final = """
CREATE TABLE IF NOT EXISTS meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS record (
    seq INTEGER PRIMARY KEY,
    record_id TEXT NOT NULL UNIQUE,
    schema TEXT NOT NULL,
    test_id TEXT,
    topic TEXT NOT NULL,
    retain INTEGER NOT NULL,
    sent INTEGER NOT NULL DEFAULT 0,
    body TEXT NOT NULL
);
CREATE INDEX IF NOT EXISTS record_by_test ON record (test_id, schema);
CREATE INDEX IF NOT EXISTS record_unsent ON record (seq) WHERE sent = 0;
CREATE TABLE IF NOT EXISTS checkpoint (name TEXT PRIMARY KEY, body TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS kept (
    test_id TEXT NOT NULL, name TEXT NOT NULL, body TEXT NOT NULL, PRIMARY KEY (test_id, name)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS answered (command_id TEXT PRIMARY KEY, reply TEXT NOT NULL) WITHOUT ROWID;
"""

_BUSY_S: Final = 5.0
"""A reader never blocks the writer under WAL; only a checkpoint or a backup may, for moments."""

_RETRY_S: Final = 1.0
"""How long to wait before a refused write is tried again: a full disk is mended by people."""


@dataclass(frozen=True, slots=True)
class Row:
    """A record as it is published."""

    seq: int
    topic: str
    retain: bool
    schema: str
    body: str


@dataclass(frozen=True, slots=True)
class Entry:
    """What belongs together in one transaction: all of it is on disk, or none."""

    records: tuple[Record, ...] = ()
    checkpoint: tuple[str, str | None] | None = None
    answered: tuple[str, str] | None = None
    kept: tuple[str, str, str] | None = None


class JournalFile:
    """The blocking store. All methods raise :class:`~lampwarden.protocol.errors.JournalError`."""

    def __init__(self, path: Path | None, bench: str) -> None:
        """Open or make a journal; None keeps it in memory.

        Raises:
            JournalError: Held by another daemon, of another bench, damaged, or of a newer version.
        """
        self._where = str(path) if path is not None else "journal in memory"
        self._topics = Topics(bench)
        self._lock_file: int | None = None
        if path is not None:
            self._lock(path)
        try:
            self._db = sqlite3.connect(
                path if path is not None else ":memory:",
                isolation_level=None,
                check_same_thread=False,  # one thread at a time; which one is the caller's affair
                timeout=_BUSY_S,
            )
            self._db.execute("PRAGMA journal_mode=WAL")
            self._db.execute("PRAGMA synchronous=FULL")
            self._check()
            self._db.executescript(_TABLES)
            self._adopt(bench)
            self._last_seq = self._highest()
        except sqlite3.Error as error:
            self.close()
            raise self._error(error) from error
        except JournalError:
            self.close()
            raise

    def _lock(self, path: Path) -> None:
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._lock_file = os.open(path.with_name(path.name + ".lock"), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except OSError as error:
            raise JournalError(f"cannot be opened: {error.strerror}", where=self._where) from error
        try:
            fcntl.flock(self._lock_file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            holder = os.pread(self._lock_file, 32, 0).decode("ascii", "replace").strip() or "unknown"
            os.close(self._lock_file)
            self._lock_file = None
            raise JournalError(
                f"another daemon (process {holder}) works on this journal",
                where=self._where,
                mend="stop it first, or give this bench a journal of its own",
            ) from None
        os.ftruncate(self._lock_file, 0)
        os.pwrite(self._lock_file, str(os.getpid()).encode(), 0)

    def _check(self) -> None:
        """SQLite's quick check reads every page but not every index entry: seconds for years of records."""
        (verdict,) = self._db.execute("PRAGMA quick_check(1)").fetchone()
        if verdict != "ok":
            raise JournalError(f"damaged: {verdict}", where=self._where, mend="keep a copy and restore a backup")

    def _adopt(self, bench: str) -> None:
        for key, value in (("schema_version", str(SCHEMA_VERSION)), ("bench", bench)):
            self._db.execute("INSERT OR IGNORE INTO meta VALUES (?, ?)", (key, value))
        found: dict[str, str] = dict(self._db.execute("SELECT key, value FROM meta").fetchall())
        if found["bench"] != bench:
            raise JournalError(
                f"belongs to bench {found['bench']!r}, not {bench!r}",
                where=self._where,
                mend="each bench needs a journal of its own ([journal] path)",
            )
        if int(found["schema_version"]) > SCHEMA_VERSION:
            raise JournalError(
                f"was written by a newer version (schema {found['schema_version']}, known {SCHEMA_VERSION})",
                where=self._where,
                mend="update lampwarden",
            )

    def _highest(self) -> int:
        (highest,) = self._db.execute("SELECT COALESCE(MAX(seq), 0) FROM record").fetchone()
        return int(highest)

    @property
    def last_seq(self) -> int:
        """The highest sequence number given out."""
        return self._last_seq

    def commit(self, entries: Sequence[Entry]) -> list[list[Record]]:
        """Write entries in one transaction and give their records their numbers.

        Returns:
            For each entry its records, numbered.
        """
        seq = self._last_seq
        numbered: list[list[Record]] = []
        try:
            self._db.execute("BEGIN IMMEDIATE")
            for entry in entries:
                mine: list[Record] = []
                for draft in entry.records:
                    seq += 1
                    record = draft.model_copy(update={"seq": seq})
                    mine.append(record)
                    self._insert(record)
                numbered.append(mine)
                self._put(entry)
            self._db.execute("COMMIT")
        except sqlite3.Error as error:
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")
            raise self._error(error) from error
        self._last_seq = seq
        return numbered

    def _insert(self, record: Record) -> None:
        self._db.execute(
            "INSERT INTO record (seq, record_id, schema, test_id, topic, retain, body) VALUES (?, ?, ?, ?, ?, ?, ?)",
            (
                record.seq,
                str(record.record_id),
                record.schema_,
                record.test_id,
                self._topics.of(record),
                is_retained(record),
                record.model_dump_json(by_alias=True),
            ),
        )

    def _put(self, entry: Entry) -> None:
        if entry.checkpoint is not None:
            name, body = entry.checkpoint
            if body is None:
                self._db.execute("DELETE FROM checkpoint WHERE name = ?", (name,))
            else:
                self._db.execute("INSERT OR REPLACE INTO checkpoint VALUES (?, ?)", (name, body))
        if entry.answered is not None:
            self._db.execute("INSERT OR REPLACE INTO answered VALUES (?, ?)", entry.answered)
        if entry.kept is not None:
            self._db.execute("INSERT OR REPLACE INTO kept VALUES (?, ?, ?)", entry.kept)

    def unsent(self, limit: int) -> list[Row]:
        """The oldest records that were not yet marked as sent, in order."""
        return self._rows("WHERE sent = 0 ORDER BY seq LIMIT ?", (limit,))

    def since(self, seq: int, limit: int) -> list[Row]:
        """Records from ``seq`` on, in order."""
        return self._rows("WHERE seq >= ? ORDER BY seq LIMIT ?", (seq, limit))

    def of_test(self, test_id: str, schema: str) -> list[str]:
        """Bodies (JSON) of a test's records of one schema, in order."""
        rows = self._rows("WHERE test_id = ? AND schema = ? ORDER BY seq", (test_id, schema))
        return [row.body for row in rows]

    def _rows(self, where: str, parameters: tuple[int | str, ...]) -> list[Row]:
        try:
            found = self._db.execute(
                f"SELECT seq, topic, retain, schema, body FROM record {where}",  # noqa: S608 - a constant of ours
                parameters,
            ).fetchall()
        except sqlite3.Error as error:
            raise self._error(error) from error
        return [Row(seq, topic, bool(retain), schema, body) for seq, topic, retain, schema, body in found]

    def mark_sent(self, seqs: Iterable[int]) -> None:
        """The broker has these."""
        try:
            self._db.execute("BEGIN IMMEDIATE")
            self._db.executemany("UPDATE record SET sent = 1 WHERE seq = ?", [(seq,) for seq in seqs])
            self._db.execute("COMMIT")
        except sqlite3.Error as error:
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")
            raise self._error(error) from error

    def mark_unsent(self, from_seq: int) -> int:
        """Publish again from a number on; returns how many that are."""
        try:
            return self._db.execute("UPDATE record SET sent = 0 WHERE seq >= ?", (from_seq,)).rowcount
        except sqlite3.Error as error:
            raise self._error(error) from error

    def one(self, table: str, *keys: str) -> str | None:
        """A body from ``checkpoint`` (name), ``answered`` (command id) or ``kept`` (test id, name), or None."""
        statement = {
            "checkpoint": "SELECT body FROM checkpoint WHERE name = ?",
            "answered": "SELECT reply FROM answered WHERE command_id = ?",
            "kept": "SELECT body FROM kept WHERE test_id = ? AND name = ?",
        }[table]
        try:
            row = self._db.execute(statement, keys).fetchone()
        except sqlite3.Error as error:
            raise self._error(error) from error
        return None if row is None else str(row[0])

    def close(self) -> None:
        """Close the file and let another daemon have it; idempotent."""
        if hasattr(self, "_db"):
            self._db.close()
        if self._lock_file is not None:
            os.close(self._lock_file)
            self._lock_file = None

    def _error(self, error: sqlite3.Error) -> JournalError:
        return JournalError(f"{error}", where=self._where, mend="check the disk: space, permission, health")


class Journal:
    """The journal as the daemon uses it."""

    def __init__(self, file: JournalFile, *, in_line: bool = False) -> None:
        """Wrap a store.

        Args:
            file: Owned from now on: :meth:`close` closes it.
            in_line: Without a thread, for virtual time.
        """
        self._file = file
        self._pool = None if in_line else ThreadPoolExecutor(1, thread_name_prefix="journal")
        self._turn = asyncio.Lock()
        self._waiting: list[tuple[Entry, list[Record]]] = []
        self._grown = asyncio.Event()
        self.on_appended: Callable[[Sequence[Record]], None] = lambda _: None
        """Told at once of records that are on disk, numbered; must return at once."""
        self.trouble: str | None = None
        """Why the last write was refused, while it is being tried again; None when all is well."""

    @property
    def last_seq(self) -> int:
        """The highest sequence number on disk."""
        return self._file.last_seq

    async def append(
        self,
        records: Sequence[Record] = (),
        *,
        checkpoint: tuple[str, str | None] | None = None,
        answered: tuple[str, str] | None = None,
        kept: tuple[str, str, str] | None = None,
    ) -> list[Record]:
        """Put records, and what belongs with them, on disk; returns them numbered once they are there.

        A write that the disk refuses is tried again until it is taken: nothing that was read is thrown away. A caller
        that is cancelled still waits for the commit under way.
        """
        result: list[Record] = []
        self._waiting.append((Entry(tuple(records), checkpoint, answered, kept), result))
        async with self._turn:
            batch, self._waiting = self._waiting, []
            if batch:
                await self._commit(batch)
        return result

    async def _commit(self, batch: list[tuple[Entry, list[Record]]]) -> None:
        while True:
            try:
                numbered = await self._call(lambda: self._file.commit([entry for entry, _ in batch]))
            except JournalError as error:
                self.trouble = str(error)
                await wire_sleep(_RETRY_S)
                continue
            self.trouble = None
            for (_, result), mine in zip(batch, numbered, strict=True):
                result.extend(mine)
            self._grown.set()
            for mine in numbered:
                if mine:
                    self.on_appended(mine)
            return

    async def _call(self, work: Callable[[], T]) -> T:
        if self._pool is None:
            return work()
        future = asyncio.get_running_loop().run_in_executor(self._pool, work)
        cancelled: asyncio.CancelledError | None = None
        while not future.done():
            try:
                await asyncio.wait([future])
            except asyncio.CancelledError as error:  # durable work is waited for, then the cancel goes on
                cancelled = error
        if cancelled is not None:
            raise cancelled
        return future.result()

    async def grown(self) -> None:
        """Wait until records were appended, or sending again was asked for, since the last call."""
        await self._grown.wait()
        self._grown.clear()

    async def unsent(self, limit: int) -> list[Row]:
        """See :meth:`JournalFile.unsent`."""
        return await self._call(lambda: self._file.unsent(limit))

    async def since(self, seq: int, limit: int) -> list[Row]:
        """See :meth:`JournalFile.since`."""
        return await self._call(lambda: self._file.since(seq, limit))

    async def of_test(self, test_id: str, schema: str) -> list[str]:
        """See :meth:`JournalFile.of_test`."""
        return await self._call(lambda: self._file.of_test(test_id, schema))

    async def mark_sent(self, seqs: Sequence[int]) -> None:
        """See :meth:`JournalFile.mark_sent`."""
        await self._call(lambda: self._file.mark_sent(seqs))

    async def replay(self, from_seq: int) -> int:
        """Publish again from a number on; returns how many records that are."""
        count = await self._call(lambda: self._file.mark_unsent(from_seq))
        self._grown.set()
        return count

    async def checkpoint(self, name: str) -> str | None:
        """What was stored under a name, or None."""
        return await self._call(lambda: self._file.one("checkpoint", name))

    async def answer_to(self, command_id: str) -> str | None:
        """The reply that a command got, or None."""
        return await self._call(lambda: self._file.one("answered", command_id))

    async def kept(self, test_id: str, name: str) -> str | None:
        """What was kept for a test, or None."""
        return await self._call(lambda: self._file.one("kept", test_id, name))

    async def close(self) -> None:
        """Wait for the writer and close the file."""
        if self._pool is not None:
            self._pool.shutdown(wait=True)
        self._file.close()


def read_since(path: Path, seq: int) -> list[str]:
    """Bodies (JSON) of all records from ``seq`` on, read beside a running daemon.

    Raises:
        JournalError: There is no such journal, or it cannot be read.
    """
    return _read(path, "SELECT body FROM record WHERE seq >= ? ORDER BY seq", (seq,))


def read_bodies(path: Path, schema: str, test_id: str | None = None) -> list[str]:
    """Bodies (JSON) of all records of one schema, of one test or of all, read beside a running daemon.

    Raises:
        JournalError: There is no such journal, or it cannot be read.
    """
    if test_id is None:
        return _read(path, "SELECT body FROM record WHERE schema = ? ORDER BY seq", (schema,))
    return _read(path, "SELECT body FROM record WHERE test_id = ? AND schema = ? ORDER BY seq", (test_id, schema))


def _read(path: Path, statement: str, parameters: tuple[int | str, ...]) -> list[str]:
    if not path.is_file():
        raise JournalError("there is no such journal", where=str(path), mend="name the bench.toml of the bench")
    try:
        with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True, timeout=_BUSY_S)) as db:
            rows = db.execute(statement, parameters).fetchall()
    except sqlite3.Error as error:
        raise JournalError(f"cannot be read: {error}", where=str(path)) from error
    return [str(body) for (body,) in rows]
