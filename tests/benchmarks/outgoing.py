"""Records on their way out: journal and publisher together, and a backlog drained, beside a bare aiomqtt loop.

Run by itself (``python outgoing.py JOURNAL PORT COUNT``) it is the child that drains a backlog and prints what it cost,
so that its memory is its own.
"""

import asyncio
import json
import subprocess
import sys
import tempfile
import time
from itertools import cycle, islice
from pathlib import Path
from uuid import uuid4

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import psutil
from lampwarden.daemon.clock import wire_sleep
from lampwarden.daemon.mqtt.address import BrokerAddress
from lampwarden.daemon.mqtt.connection import WINDOW
from lampwarden.daemon.mqtt.publisher import Publisher
from lampwarden.daemon.store.journal import Entry, Journal, JournalFile
from lampwarden.protocol.commands import AnyCommand, Reply
from lampwarden.protocol.records import Record, SpotRecord, StatusMessage
from support.samples_of_records import message_stamp, records
from table import Row, figure, median

BENCH = str(message_stamp()["bench"])
SAMPLE_EVERY_S = 0.05
LONGEST_S = 300.0


class StillBench:
    """What the publisher asks of a bench on which nothing happens."""

    def status(self, *, online: bool) -> StatusMessage:
        return StatusMessage(**message_stamp(), online=online, version="0", state="idle")  # type: ignore[arg-type]

    async def obey(self, command: AnyCommand) -> Reply:
        raise NotImplementedError


def fresh(template: Record) -> Record:
    """Another record of the same kind."""
    return template.model_copy(update={"record_id": uuid4(), "seq": 0, "test_id": None})


def templates() -> list[Record]:
    """What a test writes: one spot to some six small records (conditions, events)."""
    spot = next(record for record in records() if isinstance(record, SpotRecord))
    small = [record for record in records() if len(record.model_dump_json()) < 1500][:3]
    return [spot, *small, *small]


async def all_sent(publisher: Publisher, count: int) -> None:
    async with asyncio.timeout(LONGEST_S):
        while publisher.outbox.sent < count:
            await wire_sleep(0.001)


async def sustained(port: int, folder: Path, count: int) -> float:
    """Seconds from the first record's birth until all are on disk and acknowledged; as many writers as the window."""
    journal = Journal(JournalFile(folder / f"{uuid4().hex}.sqlite", BENCH))
    publisher = Publisher(BENCH, BrokerAddress("127.0.0.1", port), journal, StillBench())
    made = iter([fresh(kind) for kind in islice(cycle(templates()), count)])

    async def write() -> None:
        for record in made:
            await journal.append([record])

    async with asyncio.TaskGroup() as group:
        running = group.create_task(publisher.run())
        await publisher.connected.wait()
        began = time.perf_counter()
        async with asyncio.TaskGroup() as writers:
            for _ in range(WINDOW):
                writers.create_task(write())
        await all_sent(publisher, count)
        took = time.perf_counter() - began
        running.cancel()
    await journal.close()
    return took


def messages(count: int) -> list[tuple[str, str]]:
    """The same records as topics and bodies, ready to send."""
    return [
        (f"lampwarden/1/{BENCH}/bare", fresh(kind).model_dump_json(by_alias=True))
        for kind in islice(cycle(templates()), count)
    ]


def fill(path: Path, count: int) -> None:
    """A journal with so many unsent records."""
    file = JournalFile(path, BENCH)
    kinds = cycle(templates())
    for begin in range(0, count, 1000):
        batch = tuple(fresh(next(kinds)) for _ in range(min(1000, count - begin)))
        file.commit([Entry(batch)])
    file.close()


async def drain(path: Path, port: int, count: int) -> dict[str, float]:
    """Publish a backlog; what it took, and by how much memory grew meanwhile."""
    process = psutil.Process()
    journal = Journal(JournalFile(path, BENCH))
    publisher = Publisher(BENCH, BrokerAddress("127.0.0.1", port), journal, StillBench())
    before = peak = process.memory_info().rss
    async with asyncio.TaskGroup() as group:
        began = time.perf_counter()
        running = group.create_task(publisher.run())
        async with asyncio.timeout(LONGEST_S):
            while publisher.outbox.sent < count:
                await wire_sleep(SAMPLE_EVERY_S)
                peak = max(peak, process.memory_info().rss)
        took = time.perf_counter() - began
        running.cancel()
    await journal.close()
    return {"seconds": took, "grown_bytes": peak - before}


def rows(port: int, *, short: bool) -> list[Row]:
    """Sustained, and the backlog."""
    count, repeats = (3_000, 3) if short else (20_000, 7)
    ours, bare, ours_cpu, bare_cpu = [], [], [], []
    with tempfile.TemporaryDirectory(prefix="lampwarden-bench-") as name:
        folder = Path(name)
        for _ in range(repeats):
            ready = messages(count)
            began = time.process_time()
            bare.append(count / asyncio.run(_bare(port, ready)))
            bare_cpu.append((time.process_time() - began) / count)
            began = time.process_time()
            ours.append(count / asyncio.run(sustained(port, folder, count)))
            ours_cpu.append((time.process_time() - began) / count)
        cpu = f"{figure(1e6 * median(ours_cpu))} and {figure(1e6 * median(bare_cpu))} µs of processor time a record"
        sustained_row = Row(
            "publish",
            "journal + QoS 1 publish, sustained / bare aiomqtt loop, same window, same broker",
            median(ours) / median(bare),
            "×",
            0.8,
            True,
            f"{figure(median(ours))} / {figure(median(bare))} records a second; window {WINDOW}; {cpu}",
            repeats,
            bound=0.6,
            why="a record made to JSON, checked, stored and read back shares one interpreter lock with its publishing",
        )
        return [sustained_row, *backlog(port, folder, 10_000 if short else 100_000, 1 if short else 3)]


def backlog(port: int, folder: Path, count: int, repeats: int) -> list[Row]:
    rates, grown, bare = [], [], []
    for _ in range(repeats):
        path = folder / f"{uuid4().hex}.sqlite"
        fill(path, count)
        bare.append(count / asyncio.run(_bare(port, messages(count))))
        command = [sys.executable, __file__, str(path), str(port), str(count)]
        found = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
        rates.append(count / found["seconds"])
        grown.append(found["grown_bytes"] / 1e6)
        path.unlink()
    return [
        Row(
            "backlog",
            f"backlog of {count:,} records: drain rate / the same bare loop",
            median(rates) / median(bare),
            "×",
            0.8,
            True,
            f"{figure(median(rates))} / {figure(median(bare))} records a second",
            repeats,
        ),
        Row(
            "backlog memory",
            f"backlog of {count:,} records: memory growth while it drains",
            median(grown),
            "MB",
            20.0,
            False,
            f"highest {figure(max(grown))} MB",
            repeats,
        ),
    ]


async def _bare(port: int, what: list[tuple[str, str]]) -> float:
    from broker import bare_loop

    return await bare_loop(port, what)


if __name__ == "__main__":
    journal_path, broker_port, record_count = sys.argv[1:]
    sys.stdout.write(json.dumps(asyncio.run(drain(Path(journal_path), int(broker_port), int(record_count)))))
