"""Many writers at one journal: they share commits, and nobody's record depends on somebody else's fate."""

import asyncio
from collections.abc import Sequence
from pathlib import Path
from uuid import uuid4

import pytest
from lampwarden.daemon.clock import VirtualClock, run_virtual
from lampwarden.daemon.store.journal import Entry, Journal, JournalFile
from lampwarden.protocol.errors import JournalError
from lampwarden.protocol.records import Record
from support.benches import START
from support.samples_of_records import records, stamp

BENCH = str(stamp()["bench"])


def record() -> Record:
    return records()[0].model_copy(update={"record_id": uuid4(), "seq": 0})


async def test_writers_that_come_during_a_commit_share_the_next(tmp_path: Path) -> None:
    journal = Journal(JournalFile(tmp_path / "journal.sqlite", BENCH))
    rounds, writers = 10, 20

    async def write() -> list[int]:
        return [(await journal.append([record()]))[0].seq for _ in range(rounds)]

    async with asyncio.TaskGroup() as group:
        tasks = [group.create_task(write()) for _ in range(writers)]
    await journal.close()
    numbers = sorted(number for task in tasks for number in task.result())
    assert numbers == list(range(1, rounds * writers + 1))
    assert journal.commits <= 2 * rounds


class RefusingFile(JournalFile):
    """A disk that does not take the first commits."""

    refusals = 2

    def commit(self, entries: Sequence[Entry]) -> list[list[Record]]:
        if self.refusals:
            self.refusals -= 1
            raise JournalError("the disk is full")
        return super().commit(entries)


def test_cancelled_writer_takes_nobody_elses_record_away() -> None:
    async def main(clock: VirtualClock) -> tuple[list[Record], int]:
        journal = Journal(RefusingFile(None, BENCH), in_line=True)
        async with asyncio.TaskGroup() as group:
            first, second, third = (group.create_task(journal.append([record()])) for _ in range(3))
            await clock.sleep(0.5)
            first.cancel()
            await clock.sleep(0.5)
            second.cancel()
        stored = len(await journal.since(1, 10))
        await journal.close()
        return third.result(), stored

    taken, stored = run_virtual(main, START)
    assert [each.seq for each in taken] == [3]
    assert stored == 3


async def test_writer_cancelled_during_its_commit_still_has_it_told(tmp_path: Path) -> None:
    journal = Journal(JournalFile(tmp_path / "journal.sqlite", BENCH))
    told: list[Record] = []
    journal.on_appended = told.extend
    writer = asyncio.ensure_future(journal.append([record()]))
    await asyncio.sleep(0)  # noqa: TID251 - lets the writer hand its entry to the disk
    writer.cancel()
    await asyncio.wait([writer])
    await journal.close()
    assert writer.cancelled()
    assert [each.seq for each in told] == [1]


class FullFile(RefusingFile):
    """A disk that takes nothing."""

    refusals = 10**6


def test_a_stop_on_a_full_disk_says_what_is_not_on_it(caplog: pytest.LogCaptureFixture) -> None:
    async def main(clock: VirtualClock) -> list[Record]:
        journal = Journal(FullFile(None, BENCH), in_line=True)
        told: list[Record] = []
        journal.on_appended = told.extend
        writers = [asyncio.ensure_future(journal.append([record()])) for _ in range(2)]
        await clock.sleep(3.0)
        for writer in writers:
            writer.cancel()
        await asyncio.wait(writers)
        await journal.close()
        return told

    assert run_virtual(main, START) == []
    (last,) = (line.getMessage() for line in caplog.records if "closed" in line.getMessage())
    kind = record().schema_
    assert last == f"journal: closed without 2 records ({kind}, {kind}): the disk is full; nothing of it was announced"
