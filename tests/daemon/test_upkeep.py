"""Upkeep of the journal: a daemon that is told to stop while it archives a test does not archive it twice at once."""

import asyncio
import threading
from pathlib import Path

from lampwarden.daemon.config import JournalTable
from lampwarden.daemon.store.archive import archive_test, read_archive
from lampwarden.daemon.store.journal import Journal, JournalFile
from lampwarden.daemon.store.upkeep import Upkeep
from support.journals import BENCH, Notebook

PATIENCE_S = 30.0


class SlowArchiver:
    """Archives as the daemon does, but waits in the middle until it is let go; counts who is at it at a time."""

    def __init__(self) -> None:
        self.begun = threading.Event()
        self.go_on = threading.Event()
        self.most = 0
        self._now = 0
        self._lock = threading.Lock()

    def __call__(self, journal: Path, folder: Path, test_id: str) -> int:
        with self._lock:
            self._now += 1
            self.most = max(self.most, self._now)
        self.begun.set()
        assert self.go_on.wait(PATIENCE_S)
        try:
            return archive_test(journal, folder, test_id)
        finally:
            with self._lock:
                self._now -= 1


def left_in(folder: Path) -> tuple[list[Path], list[Path]]:
    """Archives of the test, and files that were never finished."""
    return list(folder.rglob("t-1.jsonl")), list(folder.rglob("*.part"))


async def test_a_stop_while_a_test_is_archived_does_not_write_its_archive_twice_at_once(tmp_path: Path) -> None:
    """Two writers of one file would each cut what the other wrote, and one of them would put it in place."""
    path = tmp_path / "journal.sqlite"
    journal, book, archiver = Journal(JournalFile(path, BENCH)), Notebook(), SlowArchiver()
    await journal.append(book.whole_test("t-1", 50))
    upkeep = Upkeep(journal, path, JournalTable(), book.clock, archiver=archiver)
    try:
        async with asyncio.TaskGroup() as group:
            running = group.create_task(upkeep.run())
            assert await asyncio.get_running_loop().run_in_executor(None, archiver.begun.wait, PATIENCE_S)
            running.cancel()
            await asyncio.wait([running])
            archiver.go_on.set()
        for thread in threading.enumerate():
            if thread.name == "archiver":
                await asyncio.get_running_loop().run_in_executor(None, thread.join, PATIENCE_S)
    finally:
        archiver.go_on.set()
        await journal.close()
    assert archiver.most == 1
    archives, unfinished = left_in(tmp_path)
    assert len(read_archive(archives[0]).bodies) == 50
    assert unfinished == []
