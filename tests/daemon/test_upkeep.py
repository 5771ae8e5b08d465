"""Upkeep of the journal: finished tests are archived whole and once, and only what is safe elsewhere is dropped."""

import asyncio
import os
import threading
from pathlib import Path

import pytest
from lampwarden.daemon.config import JournalTable
from lampwarden.daemon.store.archive import archive_test, read_archive
from lampwarden.daemon.store.examination import examine
from lampwarden.daemon.store.journal import Journal, JournalFile
from lampwarden.daemon.store.upkeep import Upkeep
from support.journals import BENCH, Notebook, bodies

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


# Retention: what may leave the journal, and what may not, however old or large it is.


class Kept:
    """A journal with its upkeep, driven by hand."""

    def __init__(self, path: Path, **table: float) -> None:
        self.path = path
        self.file = JournalFile(path, BENCH)
        self.journal = Journal(self.file, in_line=True)
        self.book = Notebook()
        self.upkeep = Upkeep(self.journal, path, JournalTable.model_validate(table), self.book.clock)

    async def tend(self) -> None:
        await self.upkeep.archive()
        await self.upkeep.drop()

    async def send_all(self) -> None:
        await self.journal.mark_sent(self.journal.last_seq, self.journal.rewinds)

    def there(self) -> list[int]:
        return list(bodies(self.path))


DAY_S = 86_400.0


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.sqlite"


async def test_what_is_old_sent_and_archived_leaves_and_the_archive_has_it(path: Path) -> None:
    kept = Kept(path, keep_days=3.0)
    await kept.journal.append(kept.book.whole_test("t-1", 20))
    await kept.journal.append(kept.book.notes(5))
    kept.book.clock.now_s += 4 * DAY_S
    await kept.journal.append(kept.book.notes(3))
    await kept.send_all()
    await kept.tend()
    assert kept.there() == [26, 27, 28]
    assert list(read_archive(path.with_name("archive") / "t-1.jsonl").bodies) == list(range(1, 21))
    (next_one,) = await kept.journal.append(kept.book.notes(1))
    assert next_one.seq == 29
    await kept.journal.close()
    assert examine(path).sound


@pytest.mark.parametrize("step_days", [-20_000.0, 20_000.0])
async def test_a_clock_that_was_wrong_for_a_while_has_nothing_dropped_before_its_time(
    path: Path, step_days: float
) -> None:
    """One that begins at its epoch after each power cut, until the network sets it; or one that was set far ahead."""
    kept = Kept(path, keep_days=3.0)
    await kept.journal.append(kept.book.notes(5))
    kept.book.clock.now_s += 4 * DAY_S
    await kept.journal.append(kept.book.whole_test("t-1", 20))
    kept.book.clock.now_s += step_days * DAY_S
    await kept.journal.append(kept.book.notes(30))
    kept.book.clock.now_s -= step_days * DAY_S
    await kept.send_all()
    await kept.tend()
    assert kept.there() == list(range(6, 56)), "what is four days old has gone, what is not has stayed"
    await kept.journal.close()


async def test_what_was_not_sent_stays_however_old_and_large(path: Path) -> None:
    """The limit is 1 MB, the broker has been away for ten years, and there are 3 MB."""
    kept = Kept(path, keep_days=1.0, largest_mb=1.0)
    await kept.journal.append(kept.book.notes(10))
    await kept.send_all()
    await kept.journal.append(kept.book.whole_test("t-1", 30, size=100_000))
    kept.book.clock.now_s += 3650 * DAY_S
    await kept.tend()
    assert kept.there() == list(range(11, 41))
    await kept.send_all()
    await kept.tend()
    assert kept.there() == []
    await kept.journal.close()
    again = Kept(path, keep_days=1.0, largest_mb=1.0)
    (next_one,) = await again.journal.append(again.book.notes(1))
    assert next_one.seq == 41, "an empty journal gives no number twice"
    await again.journal.close()


@pytest.mark.parametrize("why", ["it runs", "its archive cannot be written"])
async def test_a_test_that_runs_or_is_not_archived_stays_and_holds_what_is_younger(path: Path, why: str) -> None:
    kept = Kept(path, keep_days=1.0, largest_mb=1.0)
    await kept.journal.append(kept.book.notes(4))
    if why == "it runs":
        await kept.journal.append(kept.book.notes(30, test_id="t-1", size=50_000))
    else:
        await kept.journal.append(kept.book.whole_test("t-1", 30, size=50_000))
        path.with_name("archive").write_text("a file where the folder should be")
    await kept.journal.append(kept.book.notes(4))
    await kept.send_all()
    kept.book.clock.now_s += 10 * DAY_S
    await kept.tend()
    assert kept.there() == list(range(5, 39))
    await kept.journal.close()


async def test_the_journal_stays_within_its_bytes_for_as_long_as_it_is_sent(path: Path) -> None:
    """Forty tests of half a megabyte each, a limit of 2 MB: on disk never more than that, its log and one test."""
    kept = Kept(path, largest_mb=2.0)
    largest = 0
    for number in range(40):
        await kept.journal.append(kept.book.whole_test(f"t-{number}", 10, size=50_000))
        await kept.send_all()
        await kept.tend()
        assert kept.file.size_bytes() <= 2_000_000
        largest = max(largest, size_on_disk(path))
    assert largest <= 2_000_000 + 2 * 600_000
    assert len(list(path.with_name("archive").glob("*.jsonl"))) == 40
    await kept.journal.close()


def size_on_disk(path: Path) -> int:
    return path.stat().st_size


async def test_archives_failing_are_told_once_and_written_when_they_can_be(
    path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    kept = Kept(path)
    folder = path.with_name("archive")
    folder.write_text("in the way")
    await kept.journal.append(kept.book.whole_test("t-1", 5))
    for _ in range(3):
        await kept.upkeep.archive()
    folder.unlink()
    await kept.upkeep.archive()
    await kept.journal.close()
    assert [r.message.split(":")[0] for r in caplog.records if r.levelname == "ERROR"] == ["archive of test t-1"]
    assert len(read_archive(folder / "t-1.jsonl").bodies) == 5


async def test_an_archive_is_synced_before_it_gets_its_name_and_the_folder_after(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In another order a power cut may leave a name without contents (fsync(2), rename(2))."""
    kept, calls = Kept(path), []
    await kept.journal.append(kept.book.whole_test("t-1", 5))
    sync, rename = os.fsync, Path.replace

    def noted_sync(handle: int) -> None:
        calls.append(("fsync", Path(f"/proc/self/fd/{handle}").readlink().name))
        sync(handle)

    def noted_rename(made: Path, target: Path) -> Path:
        calls.append(("rename", target.name))
        return rename(made, target)

    monkeypatch.setattr(os, "fsync", noted_sync)
    monkeypatch.setattr(Path, "replace", noted_rename)
    archive_test(path, path.with_name("archive"), "t-1")
    monkeypatch.undo()
    await kept.journal.close()
    assert calls == [("fsync", ".t-1.jsonl.part"), ("rename", "t-1.jsonl"), ("fsync", "archive")]
