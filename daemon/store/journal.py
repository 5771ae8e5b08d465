"""The journal as the daemon uses it: every durable record, on disk before anybody hears of it.

:class:`Journal` is the asynchronous face of :class:`~.journal_file.JournalFile`: one thread of its own in a running
daemon, in line in virtual time. Writers that come while a commit is under way share the next one, so a burst costs two
syncs of the disk, not one for each record. What was written is handed on to the outbox word for word.

A write that the disk refuses (full, read only, gone) is tried again until it is taken: nothing that was read is thrown
away, nothing is announced meanwhile, and :attr:`Journal.trouble` says why. Damage is not tried again: it ends the
daemon, whose next start recovers.
"""

import asyncio
import logging
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Final, TypeVar

from ...protocol.counts import counted
from ...protocol.errors import JournalError
from ...protocol.records import Record
from ..clock import wire_sleep
from ..threads import wait_out
from .archive import archived_bodies
from .hand_over import HAND_OVER_BYTES, HandOver
from .journal_file import JournalDamagedError, JournalFile, reading
from .journal_files import JournalPaths
from .journal_rows import CHECKPOINT, Answered, Entry, Row, Sent, TestSpan, rows_of
from .journal_schema import checksum

__all__ = [
    "Answered",
    "Entry",
    "Journal",
    "JournalDamagedError",
    "JournalFile",
    "Row",
    "Sent",
    "TestSpan",
    "read_since",
]

log = logging.getLogger("lampwarden.journal")

T = TypeVar("T")

LOOK_AT_ALL: Final = "look at all of it: lampwarden journal check"

RETRY_S: Final = 1.0
"""How long to wait before a refused write is tried again: a full disk is mended by people."""


@dataclass(slots=True, eq=False)
class _Waiting:
    """An entry on its way to disk; ``numbered`` once it is there."""

    entry: Entry
    numbered: list[Record] | None = None


class Journal:
    """The journal as the daemon uses it."""

    def __init__(self, file: JournalFile, *, in_line: bool = False, hand_over_bytes: int = HAND_OVER_BYTES) -> None:
        """Wrap a store.

        Args:
            file: Owned from now on: :meth:`close` closes it.
            in_line: Without a thread, for virtual time.
            hand_over_bytes: Bodies kept in memory for an outbox that is not far behind.
        """
        self._file = file
        self._pool = None if in_line else ThreadPoolExecutor(1, thread_name_prefix="journal")
        self._at_disk: object | None = None
        self._committing = False
        self._commit_over = asyncio.Event()
        self._waiting: list[_Waiting] = []
        self._hand_over = HandOver(file.last_seq, hand_over_bytes)
        self._grown = asyncio.Event()
        self._ended = asyncio.Event()
        self.trouble: str | None = None
        """Why the last write was refused, while it is being tried again; None when all is well."""
        self.on_trouble: Callable[[], None] = lambda: None
        """Called when :attr:`trouble` begins, changes or ends."""
        self.on_appended: Callable[[list[Record]], None] = lambda _: None
        """Gets the records of each commit, in order, once they are on disk; must return at once."""
        self.commits = 0
        """Transactions so far, for the metrics."""

    @property
    def path(self) -> Path | None:
        """Of the file; None in memory."""
        return self._file.path

    @property
    def last_seq(self) -> int:
        """The highest sequence number on disk."""
        return self._file.last_seq

    @property
    def sent_through(self) -> int:
        """All records up to this one have been taken by the broker."""
        return self._file.sent_through

    @property
    def rewinds(self) -> int:
        """How often sending again was asked for: whoever reads ahead must begin again when it changes."""
        return self._file.rewinds

    async def append(
        self,
        records: Sequence[Record] = (),
        *,
        checkpoint: tuple[str, str | None] | None = None,
        answered: Answered | None = None,
        kept: tuple[str, str, str] | None = None,
        sent: Sent | None = None,
    ) -> list[Record]:
        """Put records, and what belongs with them, on disk; returns them numbered once they are there.

        A caller that is cancelled while the commit is under way still waits for it; one that is cancelled before it
        cannot know whether a later writer took its entry along.

        Raises:
            JournalDamagedError: The file is not what was written.
        """
        mine = _Waiting(Entry(tuple(records), checkpoint, answered, kept, sent))
        self._waiting.append(mine)
        while mine.numbered is None:
            if self._committing:
                await self._commit_over.wait()
                continue
            self._committing = True
            try:
                await self._commit_waiting()
            finally:
                # All who wait look again: theirs is on disk, or one of them commits what is there by now.
                self._committing = False
                self._commit_over.set()
                self._commit_over.clear()
        return mine.numbered

    async def _commit_waiting(self) -> None:
        """Commit what waits, however long the disk refuses it; whoever is cancelled meanwhile takes nothing away."""
        while True:
            try:
                await self._call(self._commit_all, lambda done: self._committed(*done))
            except JournalDamagedError:
                raise
            except JournalError as error:
                self._tell_trouble(str(error))
                await wire_sleep(RETRY_S)
                await self._reopen()
                continue
            return

    def _commit_all(self) -> "tuple[list[_Waiting], list[list[Record]], list[Row]]":
        """On the journal's thread. What has come until it begins shares the commit; none is taken away meanwhile."""
        batch = list(self._waiting)
        return batch, self._file.commit([each.entry for each in batch]), self._file.fresh_rows

    def _committed(self, batch: "list[_Waiting]", numbered: list[list[Record]], rows: list[Row]) -> None:
        del self._waiting[: len(batch)]
        for each, records in zip(batch, numbered, strict=True):
            each.numbered = records
        self._tell_trouble(None)
        self.commits += 1
        fresh = [record for records in numbered for record in records]
        if fresh:
            self._hand_over.put(rows, self._file.last_seq)
            self._grown.set()
            self._ended.set()
            self.on_appended(fresh)

    async def _write(self, work: Callable[[JournalFile], T]) -> T:
        """Have something else written, for as long as it takes; see :meth:`_patiently`."""
        result = await self._patiently(work)
        self._tell_trouble(None)
        return result

    async def _patiently(self, work: Callable[[JournalFile], T]) -> T:
        """Have something done; while the disk refuses, the trouble is told and it is tried again.

        Raises:
            JournalDamagedError: The file is not what was written.
        """
        while True:
            try:
                return await self._call(lambda: work(self._file))
            except JournalDamagedError:
                raise
            except JournalError as error:
                self._tell_trouble(str(error))
                await wire_sleep(RETRY_S)
                await self._reopen()

    async def _reopen(self) -> None:
        try:
            await self._call(self._file.reopen)
        except JournalDamagedError:
            raise
        except JournalError as error:
            self._tell_trouble(str(error))

    def _tell_trouble(self, trouble: str | None) -> None:
        if trouble == self.trouble:
            return
        if trouble is not None:
            log.error("journal: takes no records: %s", trouble)
        else:
            log.warning("journal: takes records again")
        self.trouble = trouble
        self.on_trouble()

    async def _call(self, work: Callable[[], T], then: Callable[[T], None] = lambda _: None) -> T:
        """Have the store do something; ``then`` gets what came of it, even if the caller is cancelled meanwhile."""
        if self._pool is None:
            result = work()
            then(result)
            return result
        future = asyncio.get_running_loop().run_in_executor(self._pool, lambda: self._noted(work))
        cancelled = await wait_out(future)
        if future.exception() is None:
            then(future.result())
        if cancelled is not None:
            raise cancelled
        return future.result()

    def _noted(self, work: Callable[[], T]) -> T:
        """On the journal's thread: what is under way there can be seen from others."""
        self._at_disk = object()
        try:
            return work()
        finally:
            self._at_disk = None

    def at_disk(self) -> object | None:
        """What is under way on the journal's thread, another object for each call. May be asked from any thread."""
        return self._at_disk

    def not_on_disk(self) -> str:
        """What waits to be written, or is being written, in words. May be asked from any thread."""
        kinds = [record.schema_ for each in list(self._waiting) for record in each.entry.records]
        return f"{counted(len(kinds), 'record')} ({', '.join(kinds)})" if kinds else "no records"

    async def grown(self) -> None:
        """Wait until records were appended, or sending again was asked for, since the last call. For the outbox."""
        await self._grown.wait()
        self._grown.clear()

    def nudge(self) -> None:
        """Let whoever waits in :meth:`grown` look again."""
        self._grown.set()

    async def changed(self) -> None:
        """As :meth:`grown`, for the upkeep: each has a bell of its own."""
        await self._ended.wait()
        self._ended.clear()

    async def unsent(self, after_seq: int, limit: int) -> list[Row]:
        """See :meth:`JournalFile.unsent`; what has just been written is not read back."""
        fresh = self._hand_over.take(after_seq, limit)
        if fresh is not None:
            return fresh
        return await self._patiently(lambda file: file.unsent(after_seq, limit))

    async def since(self, seq: int, limit: int) -> list[Row]:
        """See :meth:`JournalFile.since`."""
        return await self._patiently(lambda file: file.since(seq, limit))

    async def retained(self, summaries: int) -> list[Row]:
        """See :meth:`JournalFile.retained`."""
        return await self._patiently(lambda file: file.retained(summaries))

    async def of_test(self, test_id: str, schema: str) -> list[str]:
        """See :meth:`JournalFile.of_test`."""
        return await self._patiently(lambda file: file.of_test(test_id, schema))

    async def tests(self) -> list[TestSpan]:
        """See :meth:`JournalFile.tests`."""
        return await self._patiently(lambda file: file.tests())

    async def unarchived(self) -> list[TestSpan]:
        """See :meth:`JournalFile.unarchived`."""
        return await self._patiently(lambda file: file.unarchived())

    async def mark_sent(self, through_seq: int, rewinds: int) -> None:
        """The broker has all records up to this one; void if ``rewinds`` has changed when it comes to be written."""
        await self.append(sent=Sent(through_seq, rewinds))

    async def mark_archived(self, test_id: str, through_seq: int) -> None:
        """See :meth:`JournalFile.mark_archived`."""
        await self._call(lambda: self._file.mark_archived(test_id, through_seq))

    async def work_on_file(self, work: Callable[[JournalFile], T]) -> T:
        """Have a short piece of upkeep done on the store, between commits."""
        return await self._call(lambda: work(self._file))

    async def replay(self, from_seq: int) -> int:
        """Publish again from a number on; returns how many records that are."""
        count = await self._write(lambda file: file.rewind(from_seq))
        self._grown.set()
        return count

    async def checkpoint(self, name: str) -> str | None:
        """See :meth:`JournalFile.checkpoint`."""
        return await self._patiently(lambda file: file.checkpoint(name))

    async def answer_to(self, command_id: str) -> Answered | None:
        """See :meth:`JournalFile.answered`."""
        return await self._patiently(lambda file: file.answered(command_id))

    async def kept(self, test_id: str, name: str) -> str | None:
        """See :meth:`JournalFile.kept`."""
        return await self._patiently(lambda file: file.kept(test_id, name))

    def tell_suspect(self, what: str) -> None:
        """See :meth:`JournalFile.tell_suspect`."""
        self._file.tell_suspect(what)

    async def close(self) -> None:
        """Wait for the writer and close the file; what a disk in trouble has not taken is told."""
        if self.trouble is not None and self._waiting:
            log.error("journal: closed without %s: %s; nothing of it was announced", self.not_on_disk(), self.trouble)
        await self._call(self._file.close)
        if self._pool is not None:
            self._pool.shutdown()
            self._pool = None


def read_rows(path: Path, seq: int) -> Iterator[Row]:
    """Records from ``seq`` on, read one by one beside a running daemon: all of one moment.

    Raises:
        JournalError: See :func:`reading`.
    """
    with closing(reading(path)) as db:
        try:
            yield from rows_of(db, "WHERE seq >= ? ORDER BY seq", (seq,))
        except sqlite3.Error as error:
            raise JournalError(f"cannot be read: {error}", where=str(path)) from error


def read_since(path: Path, seq: int) -> Iterator[str]:
    """Bodies (JSON) of all records from ``seq`` on.

    Raises:
        JournalError: See :func:`reading`; or a record is not what was written.
    """
    for row in read_rows(path, seq):
        yield _sound_body(row, path)


def read_bodies(path: Path, schema: str, test_id: str | None = None) -> list[str]:
    """Bodies (JSON) of all records of one schema, in order, perhaps of one test only.

    Tests that retention has dropped from the journal are read from their archives.

    Raises:
        JournalError: See :func:`reading`; or a record is not what was written.
    """
    return _read_of_schema(path, schema, test_id)[0]


def read_bodies_and_checkpoint(path: Path, schema: str) -> tuple[list[str], str | None]:
    """As :func:`read_bodies`, with the stored state of the test as it was at the same moment; None: there is none.

    Raises:
        JournalError: As there; or the stored state is not what was written.
    """
    bodies, stored = _read_of_schema(path, schema, None)
    if stored is None:
        return bodies, None
    body, crc = stored
    if checksum(CHECKPOINT, body) != crc:
        raise JournalError("the stored state of the test is damaged", where=str(path), mend=LOOK_AT_ALL)
    return bodies, body


def _read_of_schema(path: Path, schema: str, test_id: str | None) -> tuple[list[str], tuple[str, int] | None]:
    condition, parameters = "WHERE schema = ? ORDER BY seq", [schema]
    if test_id is not None:
        condition, parameters = "WHERE test_id = ? AND schema = ? ORDER BY seq", [test_id, schema]
    with closing(reading(path)) as db:
        try:
            db.execute("BEGIN")  # one snapshot for all that is read; under WAL no writer waits for it
            rows = list(rows_of(db, condition, tuple(parameters)))
            (oldest,) = db.execute("SELECT COALESCE(MIN(seq), 1) FROM record").fetchone()
            stored = db.execute("SELECT body, crc FROM checkpoint WHERE name = ?", (CHECKPOINT,)).fetchone()
        except sqlite3.Error as error:
            raise JournalError(f"cannot be read: {error}", where=str(path)) from error
    bodies = {row.seq: _sound_body(row, path) for row in rows}
    if oldest > 1:
        for seq, body in archived_bodies(JournalPaths(path).archive, schema, test_id):
            bodies.setdefault(seq, body)
    return [bodies[seq] for seq in sorted(bodies)], stored


def _sound_body(row: Row, path: Path) -> str:
    if row.damaged:
        raise JournalError(f"record {row.seq} is damaged", where=str(path), mend=LOOK_AT_ALL)
    return row.body
