"""Records on their way out: journal and publisher together, and a backlog drained, beside a bare aiomqtt loop.

The records are those of a whole test of the demo bench (24 spots, virtual time), in their proportions. Each is
stamped anew when its turn comes, so that its way is the daemon's: stamp, JSON, disk, outbox, broker. The bare loop has
its payloads ready and keeps nothing.

Run by itself (``python outgoing.py JOURNAL PORT COUNT``) it is the child that drains a backlog and prints what it cost,
so that its memory is its own.
"""

import asyncio
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from itertools import cycle, islice
from pathlib import Path
from uuid import uuid4

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import psutil
from lampwarden.daemon.clock import ScaledClock, wire_sleep
from lampwarden.daemon.mqtt.address import BrokerAddress
from lampwarden.daemon.mqtt.connection import WINDOW
from lampwarden.daemon.mqtt.publisher import Publisher
from lampwarden.daemon.stamp import Stamp
from lampwarden.daemon.store.journal import Entry, Journal, JournalFile
from lampwarden.protocol.commands import AnyCommand, Reply
from lampwarden.protocol.records import Catalogue, Record, SpectrumRecord, StatusMessage, schema_name
from lampwarden.protocol.topics import Topics
from lampwarden.simulators.scenario import Scenario
from support.samples_of_records import message_stamp
from support.virtual_bench import run_bench
from table import Row, figure, median

BENCH = str(message_stamp()["bench"])
STAMP = Stamp(BENCH, ScaledClock(), simulated=True)
WRITERS = 2 * WINDOW
"""Each waits for the disk before it goes on: one window of records on its way there, and one to the broker."""
SAMPLE_EVERY_S = 0.05
LONGEST_S = 300.0


class StillBench:
    """What the publisher asks of a bench on which nothing happens."""

    def status(self, *, online: bool) -> StatusMessage:
        return StatusMessage(**message_stamp(), online=online, version="0", state="idle")

    async def obey(self, command: AnyCommand) -> Reply:
        raise NotImplementedError


@cache
def whole_test() -> tuple[Record, ...]:
    """What the daemon writes in a test, in order."""
    kinds = {schema_name(kind): kind for kind in Catalogue.DURABLE}
    return tuple(kinds[found["schema"]].model_validate(found) for found in run_bench(Scenario.demo()).records)


def small_records() -> tuple[Record, ...]:
    """All but the spectra, each of which is as long as fifty others together."""
    return tuple(record for record in whole_test() if not isinstance(record, SpectrumRecord))


def fresh(template: Record) -> Record:
    """Another record of the same kind, stamped now."""
    return template.model_copy(update={**STAMP.record(test_id=template.test_id), "seq": 0})


async def all_sent(publisher: Publisher, count: int) -> None:
    async with asyncio.timeout(LONGEST_S):
        while publisher.outbox.sent < count:
            await wire_sleep(0.001)


async def sustained(port: int, folder: Path, kinds: Sequence[Record], count: int) -> float:
    """Seconds from the first record's stamp until all are on disk and acknowledged."""
    journal = Journal(JournalFile(folder / f"{uuid4().hex}.sqlite", BENCH))
    publisher = Publisher(BENCH, BrokerAddress("127.0.0.1", port), journal, StillBench())
    turns = islice(cycle(kinds), count)

    async def write() -> None:
        for kind in turns:
            await journal.append([fresh(kind)])

    async with asyncio.TaskGroup() as group:
        running = group.create_task(publisher.run())
        await publisher.connected.wait()
        began = time.perf_counter()
        async with asyncio.TaskGroup() as writers:
            for _ in range(WRITERS):
                writers.create_task(write())
        await all_sent(publisher, count)
        took = time.perf_counter() - began
        running.cancel()
    await journal.close()
    return took


def messages(kinds: Sequence[Record], count: int) -> list[tuple[str, str]]:
    """The same records as topics and bodies, ready to send."""
    topics = Topics(BENCH)
    return [(topics.of(kind), fresh(kind).model_dump_json(by_alias=True)) for kind in islice(cycle(kinds), count)]


def fill(path: Path, count: int) -> None:
    """A journal with so many unsent records."""
    file = JournalFile(path, BENCH)
    kinds = cycle(small_records())
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
    with tempfile.TemporaryDirectory(prefix="lampwarden-bench-") as name:
        folder = Path(name)
        return [
            beside_bare_loop(
                Row(
                    "publish",
                    "journal + QoS 1 publish, sustained / bare aiomqtt loop, same window, same broker",
                    None,
                    "×",
                    0.8,
                    True,
                    "a test's records but its spectra",
                    repeats,
                    why="a record made to JSON, checked and stored shares one interpreter lock with its publishing",
                ),
                (port, folder, small_records(), count),
            ),
            beside_bare_loop(
                Row(
                    "publish with spectra",
                    "the same with the spectra, 100 kB each",
                    None,
                    "×",
                    0.8,
                    True,
                    "all of a test's records",
                    repeats,
                    bound=0.3,
                    why="ten thousand numbers are made to JSON and 100 kB are written twice (log, then file): "
                    "some 0.6 ms, of which the bare loop does nothing",
                ),
                (port, folder, whole_test(), count // 10),
            ),
            *backlog(port, folder, 10_000 if short else 100_000, 1 if short else 3),
        ]


def beside_bare_loop(row: Row, load: tuple[int, Path, Sequence[Record], int]) -> Row:
    """Measure both in turns, each time over the records of whole tests, and complete the row."""
    port, folder, kinds, at_least = load
    count = len(kinds) * -(-at_least // len(kinds))
    ours, bare, ours_cpu, bare_cpu = [], [], [], []
    for _ in range(row.repeats):
        ready = messages(kinds, count)
        began = time.process_time()
        bare.append(count / asyncio.run(_bare(port, ready)))
        bare_cpu.append((time.process_time() - began) / count)
        began = time.process_time()
        ours.append(count / asyncio.run(sustained(port, folder, kinds, count)))
        ours_cpu.append((time.process_time() - began) / count)
    cpu = f"{figure(1e6 * median(ours_cpu))} and {figure(1e6 * median(bare_cpu))} µs of processor time a record"
    rates = f"{figure(median(ours))} / {figure(median(bare))} records a second"
    return replace(
        row, value=median(ours) / median(bare), seen=f"{row.seen}; {rates}; window {WINDOW}, {WRITERS} writers; {cpu}"
    )


def backlog(port: int, folder: Path, count: int, repeats: int) -> list[Row]:
    rates, grown, bare = [], [], []
    for _ in range(repeats):
        path = folder / f"{uuid4().hex}.sqlite"
        fill(path, count)
        bare.append(count / asyncio.run(_bare(port, messages(small_records(), count))))
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
