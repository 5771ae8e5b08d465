"""The journal's promises in small: numbers without gaps, all or nothing, one daemon, one bench, readable meanwhile."""

import asyncio
import json
from pathlib import Path

import pytest
from lampwarden.daemon.store.journal import Entry, Journal, JournalFile, Sent, read_since
from lampwarden.protocol.errors import JournalError
from lampwarden.protocol.records import EventRecord
from support.benches import SetClock, ids, stamp

NEW_ID = ids(11)


def event(text: str, test_id: str | None = "t-1") -> EventRecord:
    return EventRecord(**stamp(SetClock()).record(test_id=test_id, record_id=NEW_ID()), event="e", text=text)


@pytest.fixture
def file(tmp_path: Path) -> JournalFile:
    opened = JournalFile(tmp_path / "journal.sqlite", "north-house")
    yield opened
    opened.close()


def texts(bodies: list[str]) -> list[tuple[int, str]]:
    return [(json.loads(body)["seq"], json.loads(body)["text"]) for body in bodies]


def test_numbers_begin_at_one_and_have_no_gaps(file: JournalFile) -> None:
    first = file.commit([Entry(records=(event("a"), event("b"))), Entry(), Entry(records=(event("c"),))])
    second = file.commit([Entry(records=(event("d"),))])
    assert [[r.seq for r in records] for records in (*first, *second)] == [[1, 2], [], [3], [4]]
    assert file.last_seq == 4


def test_what_is_written_is_what_is_sent(file: JournalFile) -> None:
    """The number is in the record's own words, not only beside them."""
    ((record,),) = file.commit([Entry(records=(event("a"),))])
    (row,) = file.unsent(0, 10)
    assert EventRecord.model_validate_json(row.body) == record
    assert row.topic == "lampwarden/1/north-house/tests/t-1/events"


def test_numbers_go_on_after_the_journal_was_closed(tmp_path: Path) -> None:
    for expected in (1, 2, 3):
        file = JournalFile(tmp_path / "journal.sqlite", "north-house")
        ((record,),) = file.commit([Entry(records=(event(str(expected)),))])
        assert record.seq == expected
        file.close()


def test_a_transaction_is_on_disk_whole_or_not_at_all(file: JournalFile) -> None:
    """The second record cannot be written: nothing of the batch may be there, and no number is used up."""
    file.commit([Entry(records=(event("before"),), checkpoint=("test", "old"))])
    good = event("good")
    broken = event("no bench has such a test").model_copy(update={"test_id": "\ud800"})  # no UTF-8 for half a pair
    with pytest.raises((JournalError, UnicodeError, ValueError)):
        file.commit([Entry(records=(good, broken), checkpoint=("test", "new"))])
    assert texts([row.body for row in file.since(1, 10)]) == [(1, "before")]
    assert file.checkpoint("test") == "old"
    ((record,),) = file.commit([Entry(records=(event("after"),))])
    assert record.seq == 2


def test_a_checkpoint_belongs_to_its_records(file: JournalFile) -> None:
    file.commit([Entry(records=(event("a"),), checkpoint=("test", "at a"))])
    assert file.checkpoint("test") == "at a"
    file.commit([Entry(checkpoint=("test", None))])
    assert file.checkpoint("test") is None


def test_a_second_daemon_is_refused_with_one_clear_line(tmp_path: Path, file: JournalFile) -> None:
    with pytest.raises(JournalError, match=r"another daemon \(process \d+\) works on this journal") as caught:
        JournalFile(tmp_path / "journal.sqlite", "north-house")
    assert "\n" not in str(caught.value)
    assert "stop it first" in str(caught.value)
    file.commit([Entry(records=(event("goes on"),))])


def test_a_closed_journal_can_be_opened_by_the_next_daemon(tmp_path: Path) -> None:
    JournalFile(tmp_path / "journal.sqlite", "north-house").close()
    JournalFile(tmp_path / "journal.sqlite", "north-house").close()


def test_the_journal_of_another_bench_is_refused(tmp_path: Path) -> None:
    JournalFile(tmp_path / "journal.sqlite", "north-house").close()
    with pytest.raises(JournalError, match="belongs to bench 'north-house', not 'south-house'"):
        JournalFile(tmp_path / "journal.sqlite", "south-house")
    JournalFile(tmp_path / "journal.sqlite", "north-house").close()


def test_a_refused_journal_is_let_go(tmp_path: Path) -> None:
    JournalFile(tmp_path / "journal.sqlite", "north-house").close()
    with pytest.raises(JournalError):
        JournalFile(tmp_path / "journal.sqlite", "south-house")
    JournalFile(tmp_path / "journal.sqlite", "north-house").close()


def test_it_is_readable_while_a_daemon_works(tmp_path: Path, file: JournalFile) -> None:
    path = tmp_path / "journal.sqlite"
    file.commit([Entry(records=(event("a"), event("b")))])
    assert texts(list(read_since(path, 1))) == [(1, "a"), (2, "b")]
    file.commit([Entry(records=(event("c"),))])
    assert texts(list(read_since(path, 2))) == [(2, "b"), (3, "c")]
    assert list(read_since(path, 4)) == []


def test_a_journal_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(JournalError, match="there is no such journal"):
        list(read_since(tmp_path / "nowhere.sqlite", 1))
    assert list(tmp_path.iterdir()) == [], "looking makes nothing"


def test_unsent_records_come_in_the_order_of_their_numbers(file: JournalFile) -> None:
    file.commit([Entry(records=tuple(event(str(n)) for n in range(1, 8)))])
    assert [row.seq for row in file.unsent(0, 3)] == [1, 2, 3]
    file.commit([Entry(sent=Sent(3, file.rewinds))])
    assert [row.seq for row in file.unsent(3, 10)] == [4, 5, 6, 7]


def test_what_was_sent_stays_sent_after_a_restart_and_a_replay_sends_again(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    file = JournalFile(path, "north-house")
    file.commit([Entry(records=tuple(event(str(n)) for n in range(1, 8)))])
    file.commit([Entry(sent=Sent(5, file.rewinds))])
    file.close()
    file = JournalFile(path, "north-house")
    assert file.sent_through == 5
    file.rewind(3)
    assert [row.seq for row in file.unsent(file.sent_through, 10)] == [3, 4, 5, 6, 7]
    file.close()


async def test_many_writers_get_numbers_in_the_order_in_which_they_came(tmp_path: Path) -> None:
    journal = Journal(JournalFile(tmp_path / "journal.sqlite", "north-house"))
    try:
        async with asyncio.TaskGroup() as group:
            tasks = [group.create_task(journal.append([event(str(n)), event(f"{n}b")])) for n in range(50)]
        numbered = [[record.seq for record in task.result()] for task in tasks]
        assert numbered == [[2 * n + 1, 2 * n + 2] for n in range(50)]
    finally:
        await journal.close()


async def test_nobody_hears_of_a_record_before_it_is_on_disk(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    journal = Journal(JournalFile(path, "north-house"))
    heard: list[int] = []
    journal.on_appended = lambda fresh: heard.append(len(list(read_since(path, 1))) - len(fresh))
    try:
        for n in range(5):
            await journal.append([event(str(n))])
    finally:
        await journal.close()
    assert heard == [0, 1, 2, 3, 4], "at each call the journal had the new record already"
