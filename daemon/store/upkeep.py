"""Upkeep of the journal while the daemon runs: finished tests are archived, what is old or too much is dropped.

Dropped is only what the broker has, and of a test only what its archive has; a record that was never sent stays,
however old or large the journal is. Archives are never deleted. Everything here may fail without harm to a running
test: it is said once, and tried again.
"""

import asyncio
import logging
import threading
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

from pydantic import JsonValue, TypeAdapter, ValidationError

from ...protocol.clock import Clock
from ...protocol.errors import JournalError
from ..config import JournalTable
from ..threads import on_own_thread
from .archive import archive_test
from .journal import Journal, JournalDamagedError, JournalFile, TestSpan
from .journal_files import JournalPaths

log = logging.getLogger("lampwarden.journal")

EVERY_S: Final = 60.0
"""Between looks when nothing happens; also how soon a failed archive is tried again."""
LAST_ARCHIVE_S: Final = 0.5
"""A stop must be over within two seconds."""
DROP_AT_ONCE: Final = 200
"""Records dropped in one transaction: tens of milliseconds, so that a reading never waits long for its commit."""
LOOK_AT_ONCE: Final = 20
"""Records in memory while their age is looked at: 2 MB if all of them are spectra."""
MEGABYTE: Final = 1_000_000
_OBJECT: Final = TypeAdapter(dict[str, JsonValue])


class Upkeep:
    """Runs until cancelled."""

    def __init__(
        self,
        journal: Journal,
        path: Path,
        table: JournalTable,
        clock: Clock,
        *,
        archiver: Callable[[Path, Path, str], int] = archive_test,
    ) -> None:
        """Prepare.

        Args:
            journal: Of the running daemon.
            path: Of its file.
            table: What the bench keeps.
            clock: Bench time.
            archiver: Writes the archive of a test, as :func:`~.archive.archive_test` does.
        """
        self._archiver = archiver
        self._writing = threading.Lock()
        """Of whoever writes an archive: a stop abandons a writer, which goes on, and begins the archive once more."""
        self._journal = journal
        self._paths = JournalPaths(path)
        self._table = table
        self._clock = clock
        self._failures: dict[str, str] = {}

    async def run(self) -> None:
        """Archive when a test has ended; drop now and then.

        Raises:
            JournalDamagedError: A record is not what was written: the daemon must start anew and recover.
        """
        try:
            while True:
                await self.archive()
                await self.drop()
                with suppress(TimeoutError):
                    async with asyncio.timeout(EVERY_S):
                        await self._until_work()
        except asyncio.CancelledError:
            # A test that ended just before the daemon was told to stop; what takes longer is done at the next start.
            with suppress(TimeoutError, JournalError):
                async with asyncio.timeout(LAST_ARCHIVE_S):
                    await self.archive()
            raise

    async def _until_work(self) -> None:
        while not [span for span in await self._journal.unarchived() if span.test_id not in self._failures]:
            await self._journal.changed()

    async def archive(self) -> None:
        """Write the archives that are due."""
        for span in await self._journal.unarchived():
            await self._archive(span)

    async def _archive(self, span: TestSpan) -> None:
        paths, test_id = self._paths, span.test_id
        try:
            through = await on_own_thread(lambda: self._write(test_id), "archiver")
            await self._journal.mark_archived(test_id, through)
        except JournalDamagedError as error:
            self._journal.tell_suspect(str(error))
            raise
        except (OSError, JournalError) as error:
            reason = str(error) if isinstance(error, JournalError) else f"cannot be written: {error.strerror}"
            if self._failures.get(test_id) != reason:
                self._failures[test_id] = reason
                log.error("archive of test %s: %s; it is tried again", test_id, reason)  # noqa: TRY400 - one line
        else:
            self._failures.pop(test_id, None)
            log.info("test %s is archived: %s", test_id, paths.archive / f"{test_id}.jsonl")

    def _write(self, test_id: str) -> int:
        """On the archiver's thread."""
        with self._writing:
            return self._archiver(self._paths.journal, self._paths.archive, test_id)

    async def drop(self) -> None:
        """Drop what is older than the bench keeps, or what makes the journal larger than it may be."""
        while True:
            try:
                dropped = await self._journal.work_on_file(self._drop_some)
            except JournalDamagedError:
                raise
            except JournalError as error:
                log.warning("journal: nothing can be dropped: %s", error)
                return
            if not dropped:
                return
            await asyncio.sleep(0)  # noqa: TID251 - lets readings be written between two rounds; takes no time

    def _drop_some(self, file: JournalFile) -> int:
        first, may = file.first_seq(), file.droppable_through()
        if first > may:
            return 0
        if file.size_bytes() > self._table.largest_mb * MEGABYTE:
            return file.drop(may, DROP_AT_ONCE)
        oldest_kept = self._clock.utc() - timedelta(days=self._table.keep_days)
        old = _last_of_the_old(file, first, min(may, first + DROP_AT_ONCE - 1), oldest_kept)
        return file.drop(old, DROP_AT_ONCE) if old >= first else 0


def _last_of_the_old(file: JournalFile, first: int, last: int, than: datetime) -> int:
    """The last of the records that are older, from the first on; one below ``first`` where it is not.

    Each is looked at: one with a time of long ago, of a machine that began with its clock at the epoch, may follow one
    of yesterday. What its own time does not show to be old stays, and holds what comes after it.
    """
    seq = first
    while seq <= last:
        for row in file.since(seq, min(LOOK_AT_ONCE, last - seq + 1)):
            if not _older(row.body, than):
                return row.seq - 1
        seq += LOOK_AT_ONCE
    return last


def _older(body: str, than: datetime) -> bool:
    try:
        moment = datetime.fromisoformat(str(_OBJECT.validate_json(body).get("time")))
    except (ValidationError, ValueError):
        return False
    return moment < than
