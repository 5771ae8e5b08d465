"""``lampwarden collect``: any number of benches into one Parquet data set, each record once, whatever stops it."""

import asyncio
import contextlib
import json
import random
import threading
import time
from pathlib import Path
from typing import Any

import pyarrow.dataset as ds
import pytest
from lampwarden.daemon.mqtt.address import BrokerAddress
from lampwarden.daemon.mqtt.collect import Collector, read_record, table_of, write_file
from lampwarden.daemon.mqtt.collect_store import Batch
from lampwarden.daemon.stamp import Stamp
from lampwarden.protocol.errors import JournalError
from lampwarden.protocol.topics import Topics
from support.benches import SetClock
from support.journals import BENCH, Notebook
from support.mosquitto import Mosquitto
from support.processes import Program
from support.publishing import in_thread, publishing

PATIENCE_S = 60.0


def collected(out: Path) -> list[tuple[str, str, int, str]]:
    """The data set as any reader sees it who is told its folder and nothing else."""
    if not list(out.rglob("part-*.parquet")):
        return []
    found = ds.dataset(str(out), partitioning="hive").to_table().to_pylist()
    return sorted((r["bench"], r["test"], r["seq"], r["record_id"]) for r in found)


def words(out: Path, port: int) -> list[str]:
    return ["collect", "--out", str(out), "--host", "127.0.0.1", "--port", str(port), "--every", "1", "--verbose"]


@pytest.mark.slow
@pytest.mark.timeout(240)
@pytest.mark.parametrize("seed", [1, 2])
async def test_a_collector_stopped_and_killed_anywhere_has_each_record_of_each_bench_once(
    tmp_path: Path, broker: Mosquitto, seed: int
) -> None:
    """SIGTERM and SIGKILL at random moments of two benches' sending; at the end everything is sent a second time."""
    chance, out, log = random.Random(seed), tmp_path / "data", tmp_path / "collect.log"  # noqa: S311
    other = Notebook(seed=99)
    other.stamp = Stamp("south-house", SetClock(), simulated=True, new_id=other.stamp.new_id)
    made: dict[str, set[tuple[str, int, str]]] = {BENCH: set(), "south-house": set()}

    def note(bench: str, records: Any) -> None:
        made[bench] |= {(r.test_id or "none", r.seq, str(r.record_id)) for r in records}

    def start() -> Program:
        before = log.read_text().count("connected") if log.exists() else 0
        program = Program(words(out, broker.port), log)
        program.wait_for(lambda: log.read_text().count("connected") > before, "a connection")
        return program

    async with (
        publishing(tmp_path / "north", broker.port) as north,
        publishing(tmp_path / "south", broker.port, book=other, bench="south-house") as south,
    ):
        program: Program | None = None
        try:
            for turn in range(7):
                if program is None:
                    starting = asyncio.ensure_future(asyncio.to_thread(start))  # noqa: TID251
                    if turn:
                        # While it starts, and finds what an earlier one has left.
                        note(BENCH, await north.journal.append(north.book.whole_test(f"t-{turn}", 40, size=500)))
                    program = await starting
                for number in range(chance.randrange(1, 5)):
                    note(BENCH, await north.journal.append(north.book.whole_test(f"t-{turn}-{number}", 30, size=800)))
                    note("south-house", await south.journal.append(other.notes(20, size=300)))
                    moment_s = chance.uniform(0.0, 0.4)
                    await in_thread(lambda moment_s=moment_s: time.sleep(moment_s))  # noqa: TID251 - some way into it
                if chance.random() < 0.6:
                    await in_thread(program.kill)
                else:
                    assert await asyncio.to_thread(program.stop) == 0, log.read_text()  # noqa: TID251
                program.close()
                program = None
            await north.drained()
            await south.drained()
            await north.journal.replay(1)
            await south.journal.replay(1)
            program = await asyncio.to_thread(start)  # noqa: TID251
            await north.drained()
            await south.drained()
            wanted = sum(len(records) for records in made.values())
            await asyncio.to_thread(program.wait_for, lambda: len(collected_or_none(out)) >= wanted, "all records")  # noqa: TID251
            assert await asyncio.to_thread(program.stop) == 0  # noqa: TID251
        finally:
            if program is not None:
                program.close()
    found = collected(out)
    assert [(bench, *rest) for bench, records in sorted(made.items()) for rest in sorted(records)] == found
    assert not list(out.rglob("*.part")), "nothing half written"
    assert "Traceback" not in log.read_text()


def collected_or_none(out: Path) -> list[tuple[str, str, int, str]]:
    """While files come and go under our eyes."""
    try:
        return collected(out)
    except (OSError, ValueError):
        return []


class SlowWriter:
    """Writes as the collector does, but waits in the middle until it is let go; counts who is at it at a time."""

    def __init__(self) -> None:
        self.begun, self.go_on = threading.Event(), threading.Event()
        self.most = self._now = 0
        self._lock = threading.Lock()

    def __call__(self, out: Path, batch: Batch, bodies: list[str]) -> None:
        with self._lock:
            self._now += 1
            self.most = max(self.most, self._now)
        self.begun.set()
        assert self.go_on.wait(PATIENCE_S)
        write_file(out, batch, bodies)
        with self._lock:
            self._now -= 1


async def test_a_stop_while_a_file_is_written_does_not_write_it_twice_at_once(
    tmp_path: Path, broker: Mosquitto
) -> None:
    """Two writers of one file would each cut what the other wrote, and one of them would put it in place."""
    writer, out = SlowWriter(), tmp_path / "data"
    collector = Collector(BrokerAddress("127.0.0.1", broker.port), out, "slow", file_every_s=0.05, write=writer)
    async with publishing(tmp_path / "north", broker.port) as north:
        running = asyncio.get_running_loop().create_task(collector.run())
        while not writer.begun.is_set():
            await north.journal.append(north.book.notes(1))
            await asyncio.sleep(0.05)  # noqa: TID251 - until some of it is being written
        threading.Timer(0.3, writer.go_on.set).start()
        running.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await running
    for thread in threading.enumerate():
        if thread.name == "parquet":
            await in_thread(lambda thread=thread: thread.join(PATIENCE_S))
    assert writer.most == 1
    assert len(collected(out)) == collector.new


async def test_two_collectors_in_one_folder_are_refused(tmp_path: Path, broker: Mosquitto) -> None:
    address, out = BrokerAddress("127.0.0.1", broker.port), tmp_path / "data"
    one = asyncio.get_running_loop().create_task(Collector(address, out, "one").run())
    while not (out / "_collect.sqlite-wal").exists():  # noqa: ASYNC110 - a file is what there is to see
        await asyncio.sleep(0.01)  # noqa: TID251 - until it has the folder
    with pytest.raises(JournalError, match="stop the other collector"):
        await Collector(address, out, "two").run()
    one.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await one


def record_and_topic() -> tuple[dict[str, Any], str]:
    record = Notebook().note("noted").model_copy(update={"seq": 1})
    return json.loads(record.model_dump_json(by_alias=True)), Topics(BENCH).of(record)


@pytest.mark.parametrize(
    "change",
    [
        {"time": "yesterday"},
        {"time": "2026-03-02T08:00:00"},
        {"time": None},
        {"schema": None},
        {"simulated": "perhaps"},
        {"test_id": "x" * 5000},
        {"test_id": "../elsewhere"},
        {"bench": "elsewhere"},
        {"seq": 2**63},
        {"seq": True},
        {"record_id": "1"},
    ],
)
def test_what_could_not_be_filed_is_not_taken(change: dict[str, Any]) -> None:
    """Whoever may publish must not be able to put something into the store at which each later start falls over."""
    body, topic = record_and_topic()
    assert read_record(topic, json.dumps(body).encode()) is not None
    assert read_record(topic, json.dumps(body | change).encode()) is None


@pytest.mark.parametrize(
    "change",
    [
        {"spot": 5},
        {"attempt": "first"},
        {"attempt": 2**40},
        {"monotonic_s": "late"},
        {"monotonic_s": 10**400},
        {"clock_synchronised": "perhaps"},
        {"text": ["a", "b"]},
        {"schema": "lampwarden.spot/1", "light": {"value": "much", "unit": 3}},
        {"schema": "lampwarden.spot/9", "light": "bright"},
    ],
)
def test_a_field_of_another_kind_is_left_empty_and_stays_in_the_body(change: dict[str, Any]) -> None:
    """A record of a later version, or of somebody else: the whole of it is in ``body`` all the same."""
    body, topic = record_and_topic()
    text = json.dumps(body | change)
    assert read_record(topic, text.encode()) is not None
    (row,) = table_of([text]).to_pylist()
    assert row["body"] == text
    assert all(row[key] is None for key in change if key not in ("schema", "light"))
    assert row["value"] is None


def test_status_live_and_replies_are_not_collected() -> None:
    _, topic = record_and_topic()
    for payload in (b"", b"{}", b"[1]", b"\xff", b'{"schema": "lampwarden.live/1", "bench": "north-house"}'):
        assert read_record(topic, payload) is None
    assert read_record("elsewhere/1/north-house/events", b'{"seq": 1}') is None
