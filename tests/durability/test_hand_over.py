"""From the journal's writer to the outbox: what has just been written is not read back, and nothing is lost by it.

A *watched* journal counts what the outbox had to read from the disk; the broker is one of scripted answers.
"""

import asyncio
import json
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from lampwarden.daemon.store.hand_over import HandOver
from lampwarden.daemon.store.journal import Entry, Journal, JournalFile, Row, Sent
from lampwarden.protocol.errors import JournalError
from support.journals import BENCH, Notebook, bodies, put
from support.publishing import publishing
from support.scripted_broker import Connected, Published, ScriptedBroker, scripted_broker


def row(seq: int, size: int = 10) -> Row:
    return Row(seq, "t", retain=False, schema="s", body="x" * size, record_id=str(seq))


def rows(first: int, last: int) -> list[Row]:
    return [row(seq) for seq in range(first, last + 1)]


def numbers(taken: Sequence[Row] | None) -> list[int] | None:
    return None if taken is None else [each.seq for each in taken]


class WatchedFile(JournalFile):
    """Counts reads of the outbox."""

    reads = 0

    def unsent(self, after_seq: int, limit: int) -> list[Row]:
        self.reads += 1
        return super().unsent(after_seq, limit)


def test_the_next_rows_come_in_order_a_page_at_a_time() -> None:
    hand_over = HandOver(0)
    hand_over.put(rows(1, 3), 3)
    hand_over.put(rows(4, 5), 5)
    assert [numbers(hand_over.take(after, 2)) for after in (0, 2, 4, 5)] == [[1, 2], [3, 4], [5], []]


def test_an_outbox_that_begins_behind_reads_from_the_disk_until_it_has_caught_up() -> None:
    hand_over = HandOver(7)
    hand_over.put(rows(8, 9), 9)
    assert hand_over.take(0, 10) is None
    assert hand_over.take(6, 10) is None
    assert numbers(hand_over.take(7, 10)) == [8, 9]


def test_too_much_is_dropped_from_the_front_and_read_from_the_disk() -> None:
    hand_over = HandOver(0, most_bytes=30)
    hand_over.put(rows(1, 2), 2)
    hand_over.put(rows(3, 5), 5)
    assert hand_over.take(0, 10) is None
    assert numbers(hand_over.take(2, 10)) == [3, 4, 5]


def test_a_row_larger_than_the_bound_is_read_from_the_disk() -> None:
    hand_over = HandOver(0, most_bytes=30)
    hand_over.put([row(1, 31)], 1)
    assert hand_over.take(0, 10) is None
    assert numbers(hand_over.take(1, 10)) == []


def test_after_a_replay_rows_that_were_taken_come_from_the_disk() -> None:
    hand_over = HandOver(0)
    hand_over.put(rows(1, 5), 5)
    assert numbers(hand_over.take(3, 10)) == [4, 5]
    assert hand_over.take(1, 10) is None


@pytest.mark.parametrize("put_next", [([], 4), ([row(4)], 4)])
def test_a_commit_that_is_not_known_word_for_word_or_leaves_a_gap_clears_what_was_kept(
    put_next: tuple[list[Row], int],
) -> None:
    hand_over = HandOver(0)
    hand_over.put(rows(1, 2), 2)
    hand_over.put(*put_next)
    assert hand_over.take(0, 10) is None
    assert hand_over.take(2, 10) is None


def watched(folder: Path, **options: int) -> tuple[WatchedFile, Journal]:
    file = WatchedFile(folder / "journal.sqlite", BENCH)
    return file, Journal(file, **options)


async def test_what_is_handed_over_is_what_is_on_disk_word_for_word(tmp_path: Path) -> None:
    file, journal = watched(tmp_path)
    book = Notebook()
    await journal.append(book.whole_test("t-1", 5))
    await journal.append(book.notes(3))
    handed = await journal.unsent(0, 100)
    assert file.reads == 0
    assert handed == file.unsent(0, 100)
    await journal.close()


class FailingReportFile(WatchedFile):
    """Takes one commit and reports that it did not."""

    lies = 1

    def commit(self, entries: Sequence[Entry]) -> list[list]:
        numbered = super().commit(entries)
        if self.lies:
            self.lies -= 1
            raise JournalError("the disk does not take it")
        return numbered


async def test_after_a_commit_that_was_reported_as_failed_nothing_is_lost_doubled_or_guessed(tmp_path: Path) -> None:
    """What came while the first was tried again is written with it, and the outbox has all from the disk."""
    file = FailingReportFile(tmp_path / "journal.sqlite", BENCH)
    journal, book = Journal(file), Notebook()
    refused = asyncio.Event()
    journal.on_trouble = refused.set
    async with asyncio.TaskGroup() as group:
        first = group.create_task(journal.append(book.notes(2), checkpoint=("test", "newer")))
        await refused.wait()
        second = group.create_task(journal.append(book.notes(3)))
        third = group.create_task(journal.append(checkpoint=("other", "mine")))
    assert [each.seq for each in (*first.result(), *second.result())] == [1, 2, 3, 4, 5]
    assert third.result() == []
    assert (await journal.checkpoint("test"), await journal.checkpoint("other")) == ("newer", "mine")
    assert numbers(await journal.unsent(0, 10)) == [1, 2, 3, 4, 5]
    assert file.reads == 1
    await journal.close()


def test_a_mark_from_before_a_replay_is_void(tmp_path: Path) -> None:
    with closing(JournalFile(tmp_path / "journal.sqlite", BENCH)) as file:
        put(file, Notebook().notes(9))
        before = file.rewinds
        file.commit([Entry(sent=Sent(9, before))])
        file.rewind(4)
        file.commit([Entry(sent=Sent(9, before))])
        assert file.sent_through == 3
        file.commit([Entry(sent=Sent(7, file.rewinds)), Entry(sent=Sent(5, file.rewinds))])
        assert file.sent_through == 7


def test_a_mark_is_on_disk_with_the_records_of_its_commit(tmp_path: Path) -> None:
    with closing(JournalFile(tmp_path / "journal.sqlite", BENCH)) as file:
        put(file, Notebook().notes(5))
        file.commit([Entry(tuple(Notebook(2).notes(1))), Entry(sent=Sent(4, file.rewinds))])
    with closing(JournalFile(tmp_path / "journal.sqlite", BENCH)) as file:
        assert (file.last_seq, file.sent_through) == (6, 4)


def sent(broker: ScriptedBroker) -> list[int]:
    return [json.loads(message.payload)["seq"] for message in broker.records()]


async def test_an_outbox_that_keeps_up_reads_nothing_from_the_disk(tmp_path: Path) -> None:
    async with scripted_broker() as broker, publishing(tmp_path, broker.port, file=WatchedFile) as running:
        await running.publisher.connected.wait()
        for _ in range(20):
            await running.journal.append(running.book.notes(10))
        await running.drained()
        assert running.file.reads == 0
    assert sent(broker) == list(range(1, 201))
    stored = bodies(tmp_path / "journal.sqlite")
    assert [json.loads(message.payload) for message in broker.records()] == list(stored.values())


async def test_records_keep_their_order_while_a_backlog_larger_than_the_hand_over_drains(tmp_path: Path) -> None:
    """A start with old records, and writers that go on: first the disk, then, caught up, the memory."""
    with closing(JournalFile(tmp_path / "journal.sqlite", BENCH)) as file:
        put(file, Notebook(7).notes(150))
    async with (
        scripted_broker() as broker,
        publishing(tmp_path, broker.port, file=WatchedFile, hand_over_bytes=20_000) as running,
    ):
        for _ in range(30):
            await running.journal.append(running.book.notes(10))
        await running.drained()
        assert running.file.reads > 0
        caught_up = running.file.reads
        await running.journal.append(running.book.notes(10))
        await running.drained()
        assert running.file.reads == caught_up
    assert sent(broker) == list(range(1, 461))


async def test_a_replay_while_records_are_written_sends_all_from_its_number_again_in_order(tmp_path: Path) -> None:
    async with scripted_broker() as broker, publishing(tmp_path, broker.port) as running:
        await running.journal.append(running.book.notes(100))
        await running.drained()

        async def write() -> None:
            for _ in range(20):
                await running.journal.append(running.book.notes(5))

        async with asyncio.TaskGroup() as group:
            writing = group.create_task(write())
            await running.until(lambda: running.journal.last_seq > 120)
            asked_at = len(broker.records())
            await running.journal.replay(50)
            await writing
        await running.drained()
    numbers_sent = sent(broker)
    again = numbers_sent[numbers_sent.index(50, asked_at) :]
    assert again == list(range(50, 201))


async def test_a_record_too_large_for_the_broker_is_a_stub_in_its_place_among_those_handed_over(tmp_path: Path) -> None:
    def connack(connect: Connected, _: int) -> bytes:  # 3.2.2.3.6: Maximum Packet Size (27h) of 5000 bytes
        return bytes.fromhex("2008000005") + b"\x27" + (5000).to_bytes(4, "big")

    async with (
        scripted_broker(connack=connack) as broker,
        publishing(tmp_path, broker.port, file=WatchedFile) as running,
    ):
        await running.publisher.connected.wait()
        book = running.book
        await running.journal.append([*book.notes(3), book.note(size=6000), *book.notes(3)])
        await running.drained()
        assert running.file.reads == 0
    assert sent(broker) == [1, 2, 3, 4, 5, 6, 7]
    assert [message.topic.rsplit("/", 1)[1] for message in broker.records()].index("stubs") == 3


class UnmarkedFile(WatchedFile):
    """A disk that is slow with marks: it gets none."""

    def commit(self, entries: Sequence[Entry]) -> list[list]:
        return super().commit([replace(entry, sent=None) for entry in entries])


def seq_of(message: Published) -> int:
    return json.loads(message.payload)["seq"] if message.topic.endswith("/events") else 0


async def test_acknowledged_records_are_not_sent_again_when_the_connection_breaks_before_their_mark(
    tmp_path: Path,
) -> None:
    """The broker has no session any more; what it acknowledged it has, marked on disk or not."""
    last_taken = 5

    def puback(message: Published) -> int | None:
        return 0 if seq_of(message) <= last_taken else None

    async with (
        scripted_broker(puback=puback) as broker,
        publishing(tmp_path, broker.port, file=UnmarkedFile) as running,
    ):
        await running.publisher.connected.wait()
        await running.journal.append(running.book.notes(8))
        await running.until(lambda: running.publisher.outbox.sent == 5)
        last_taken = 8
        broker.writers[-1].transport.abort()
        await running.until(lambda: running.publisher.outbox.sent == 8)
        assert running.journal.sent_through == 0
    assert sent(broker) == [1, 2, 3, 4, 5, 6, 7, 8, 6, 7, 8]


async def test_late_acknowledgements_from_before_a_replay_mark_nothing(tmp_path: Path) -> None:
    def puback(message: Published) -> int | None:
        return 0 if len(broker.records()) <= 5 or not seq_of(message) else None

    async with scripted_broker(puback=puback) as broker, publishing(tmp_path, broker.port) as running:
        await running.publisher.connected.wait()
        await running.journal.append(running.book.notes(8))
        await running.until(lambda: running.journal.sent_through == 5)
        await running.journal.replay(1)
        await running.until(lambda: len(broker.records()) == 16)
        for message in broker.records()[5:8]:
            broker.acknowledge(message, 0)
        await running.until(lambda: running.publisher.outbox.under_way == 8)
        # A stop marks what is left to be marked.
        running.task.cancel()
        await asyncio.wait([running.task])
        assert running.journal.sent_through == 0


async def test_large_records_that_the_socket_takes_in_parts_arrive_whole(tmp_path: Path) -> None:
    async with scripted_broker() as broker, publishing(tmp_path, broker.port) as running:
        await running.publisher.connected.wait()
        await running.journal.append([running.book.note(size=1_000_000 if n % 2 else 0) for n in range(60)])
        await running.drained()
    stored = bodies(tmp_path / "journal.sqlite")
    assert [json.loads(message.payload) for message in broker.records()] == list(stored.values())


def in_one_piece(packets: list[bytes]) -> list[bytes]:
    return [b"".join(packets)]


def in_threes(packets: list[bytes]) -> list[bytes]:
    joined = b"".join(packets)
    return [joined[at : at + 3] for at in range(0, len(joined), 3)]


def byte_by_byte(packets: list[bytes]) -> list[bytes]:
    return [bytes([byte]) for byte in b"".join(packets)]


@pytest.mark.parametrize("cut", [in_one_piece, in_threes, byte_by_byte])
async def test_acknowledgements_count_however_the_network_cuts_them(
    tmp_path: Path, cut: Callable[[list[bytes]], list[bytes]]
) -> None:
    """Twelve in one segment, or a few bytes in each, and a DISCONNECT (3.14) right behind them."""

    def puback(message: Published) -> int | None:
        return None if message.topic.endswith("/events") and len(broker.connects) == 1 else 0

    async with scripted_broker(puback=puback) as broker, publishing(tmp_path, broker.port) as running:
        await running.publisher.connected.wait()
        await running.journal.append(running.book.notes(12))
        await running.until(lambda: len(broker.records()) == 12)
        acknowledgements = [b"\x40\x02" + message.packet_id.to_bytes(2, "big") for message in broker.records()]
        for piece in cut([*acknowledgements, b"\xe0\x02\x8b\x00"]):  # 8Bh: server shutting down
            broker.writers[-1].write(piece)
            await asyncio.sleep(0)  # noqa: TID251 - lets each piece go out by itself
        await running.drained()
        await running.until(lambda: running.publisher.state.connections == 2)
    assert sent(broker) == list(range(1, 13))
