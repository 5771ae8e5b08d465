"""Fourteen days of a bench in a few minutes: does the daemon stay as small as it was?

Run it: ``python tests/studies/soak.py`` (``--days``, ``--tests-a-day``, ``--seed``, ``--keep FOLDER``). The daemon is
the whole one of ``lampwarden run``: stations, conductor, journal on disk with its thread, archives, retention, outbox,
panel, metrics; the broker is a real Mosquitto. Instruments, lamp and operator are simulated in the same process and
spoken to in line, so link threads and ports are not in it; and the process is larger than a daemon by the simulators.
Time is virtual and waits for the broker, the disk and the threads (``support/world_loop.py``).

Each day has its tests, and in between one instrument falls silent for ten minutes and the broker is down for an hour.
At midnight the daemon's own metrics are asked over HTTP. The verdict is a least-squares slope over the days after the
first ones, in which caches fill and retention has nothing to drop yet; ``--leak BYTES`` plants a leak of so many bytes
with each record, to see that the verdict can be otherwise.
"""

import argparse
import asyncio
import contextlib
import logging
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parent.parent))

from lampwarden.daemon.clock import ClockOrigin, ScaledClock
from lampwarden.daemon.config import load_config
from lampwarden.daemon.operations.logs import FILES, set_up
from lampwarden.daemon.service import Daemon, Opener
from lampwarden.daemon.simulated.campaign import PORTS, inline_opener
from lampwarden.daemon.simulated.simulation import (
    BENCH_ID,
    bench_table,
    lamp_setup,
    operator_prompt,
    spectral_file,
    write_bench,
)
from lampwarden.protocol.commands import Begin
from lampwarden.protocol.records import StatusMessage
from lampwarden.simulators.bench import SimulatedBench
from lampwarden.simulators.faults import Fault
from lampwarden.simulators.field import GridPlan
from lampwarden.simulators.operator import SimulatedOperator
from lampwarden.simulators.scenario import Scenario
from support.benches import START
from support.mosquitto import Mosquitto, free_port, mosquitto
from support.world_loop import WorldLoop, run_in_world

DAY_S = 86_400.0
SPEED = 10.0
"""Bench seconds in a second of wire time: live messages each half second of it, time-outs, back-off."""
LOG_BYTES = 100_000
SETTLED_DAYS = 4
"""Days before those that are judged, of a long soak: a spectrum's buffers, caches, and retention's first drop."""
RSS_MB_A_DAY = 0.25
"""A daemon that grows by more would have doubled within the year."""
JOURNAL_SLACK = 1.3
"""Of the journal's limit: its write-ahead log (16 MB at most) and what a day adds before it is dropped."""
LARGEST_MB = 40.0
KEEP_DAYS = 3.0


@dataclass(frozen=True)
class Day:
    """What the daemon said of itself at the end of a day."""

    day: int
    tests: int
    records: int
    unsent: int
    rss_mb: float
    fds: int
    threads: int
    journal_mb: float
    archives_mb: float
    log_kb: float
    connections: int


@dataclass(frozen=True)
class Verdict:
    """What the days come to."""

    slope_mb_a_day: float
    complaints: tuple[str, ...]

    @property
    def held(self) -> bool:
        return not self.complaints


def slope(days: Sequence[float], values: Sequence[float]) -> float:
    """Least squares."""
    middle, level = sum(days) / len(days), sum(values) / len(values)
    spread = sum((d - middle) ** 2 for d in days)
    return sum((d - middle) * (v - level) for d, v in zip(days, values, strict=True)) / spread if spread else 0.0


def judge(days: Sequence[Day], tests_a_day: int, *, rss_mb_a_day: float = RSS_MB_A_DAY) -> Verdict:
    """Whether the daemon stayed as small as it was, and lost and left nothing."""
    judged = days[SETTLED_DAYS:] if len(days) > SETTLED_DAYS + 2 else days
    grows = slope([d.day for d in judged], [d.rss_mb for d in judged])
    wrong = []
    if grows > rss_mb_a_day:
        wrong.append(f"resident memory grows by {grows:.3f} MB a day (bound {rss_mb_a_day:g})")
    for name in ("fds", "threads"):
        values = [getattr(d, name) for d in judged]
        if slope([d.day for d in judged], values) > 0.1 or max(values) - min(values) > 2:
            wrong.append(f"{name} are not steady: {values}")
    highest = max(d.journal_mb for d in days)
    if highest > JOURNAL_SLACK * LARGEST_MB:
        wrong.append(f"the journal took {highest:.1f} MB; it may be {LARGEST_MB:g} MB")
    if max(d.log_kb for d in days) > (FILES + 1) * LOG_BYTES / 1000:
        wrong.append("the logs are larger than their bound")
    wrong += [f"day {d.day}: {d.unsent} records were not sent" for d in days if d.unsent]
    wrong += [f"day {d.day}: {d.tests} tests of {tests_a_day}" for d in days if d.tests != tests_a_day]
    return Verdict(grows, tuple(wrong))


class Soak:
    """One daemon, its broker, and what happens to them."""

    def __init__(
        self,
        folder: Path,
        broker: Mosquitto,
        *,
        days: int,
        tests_a_day: int,
        seed: int,
        leak_bytes: int,
        grid: GridPlan,
    ) -> None:
        self._folder, self._broker = folder, broker
        self._days, self._tests_a_day, self._leak_bytes = days, tests_a_day, leak_bytes
        self._leaked: list[bytes] = []
        self._scraping = False
        scenario = replace(Scenario.demo(), grid=grid, sags=(), disturbances=())
        self.bench = SimulatedBench(scenario, seed)
        self._state = ""
        self._changed = asyncio.Event()
        self.found: list[Day] = []

    async def run(self, loop: WorldLoop, say: Callable[[str], None]) -> list[Day]:
        """Live through all days."""
        clock = self._clock = ScaledClock(ClockOrigin(0.0, START, SPEED), machine=loop.time)
        extra: Any = {
            "journal": {"keep_days": KEEP_DAYS, "largest_mb": LARGEST_MB},
            "metrics": {"port": free_port()},
            "panel": {"port": free_port()},
            "broker": {"host": "127.0.0.1", "port": self._broker.port},
        }
        table = bench_table(self.bench, PORTS, now=START, extra=extra)
        config = load_config(write_bench(self._folder, table, spectral_file(self.bench, START)))
        assert config.metrics is not None
        self._metrics_port, self._journal = config.metrics.port, config.journal.path
        opener: Opener = inline_opener(self.bench, clock)  # type: ignore[arg-type]
        daemon = self._daemon = Daemon(config, opener, clock)
        loop.under_way.append(self._real_work)
        async with asyncio.TaskGroup() as group:
            self._group = group
            self._operator = SimulatedOperator(self.bench, clock)
            daemon.on_status = self._take_status
            running = group.create_task(daemon.run(), name="daemon")
            await daemon.ready.wait()
            if self._leak_bytes:
                self._plant_leak()
            for day in range(1, self._days + 1):
                done = await self._live_a_day(day)
                self.found.append(await self._look(day, done))
                say(line(self.found[-1]))
            running.cancel()
        return self.found

    def _real_work(self) -> bool:
        """Whether the broker, or who asks for metrics, is being waited for."""
        publisher = self._daemon._publisher
        if self._scraping or publisher is None:
            return self._scraping
        return any(
            link._client.socket() is not None
            and not link._disconnected.done()
            and (bool(link._acknowledged) or bool(link._pending_subscribes) or not link._connected.done())
            for link in publisher._links.values()
        )

    def _take_status(self, status: StatusMessage) -> None:
        if status.state != self._state:
            self._state = status.state
            self._changed.set()
        prompt = operator_prompt(status)
        if prompt is not None:
            self._group.create_task(self._operator.act(prompt))

    def _plant_leak(self) -> None:
        publisher = self._daemon._publisher
        assert publisher is not None
        taken = publisher.outbox._taken

        def take(seq: int) -> None:
            self._leaked.append(bytes(self._leak_bytes))
            taken(seq)

        publisher.outbox._taken = take  # type: ignore[method-assign]

    async def _live_a_day(self, day: int) -> int:
        """Tests through the day, an instrument that falls silent, a broker that is down for an hour."""
        begins_s = (day - 1) * DAY_S
        done = 0
        for number in range(self._tests_a_day):
            await self._until(begins_s + (number + 0.25) * DAY_S / self._tests_a_day)
            done += await self._test(f"day-{day}-{number + 1}")
            if number == 0:
                box = self.bench.faults[("quantum", "power_meter", "spectrometer", "air_line", "foot_switch")[day % 5]]
                box.switch_on(Fault.SILENT)
                await self._clock.sleep(600.0)
                box.switch_off()
                self._broker.kill() if day % 2 else self._broker.stop()
                await self._clock.sleep(3600.0)
                self._broker.start()
        await self._until(day * DAY_S)
        return done

    async def _until(self, bench_s: float) -> None:
        await self._clock.sleep(max(0.0, bench_s - self._clock.monotonic()))

    async def _test(self, test_id: str) -> int:
        publisher = self._daemon._publisher
        assert publisher is not None
        begin = Begin(id=f"begin-{test_id}", setup=lamp_setup(self.bench.scenario), test_id=test_id)
        reply = await publisher._bench.obey(begin)
        assert reply.accepted, reply.text
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(3 * 3600.0 / SPEED):
                while self._state not in ("done", "abandoned"):
                    self._changed.clear()
                    await self._changed.wait()
        self.bench.switch_off(self._clock.monotonic())
        return int(self._state == "done")

    async def _look(self, day: int, done: int) -> Day:
        said = await self._metrics()
        archive = self._journal.with_name("archive")
        logs = self._folder.glob("daemon.log*")
        return Day(
            day=day,
            tests=done,
            records=int(said["lampwarden_journal_last_seq"]),
            unsent=int(said["lampwarden_journal_unsent"]),
            rss_mb=said["process_resident_memory_bytes"] / 1e6,
            fds=int(said["process_open_fds"]),
            threads=int(said["process_threads"]),
            journal_mb=said["lampwarden_journal_size_bytes"] / 1e6,
            archives_mb=sum(path.stat().st_size for path in archive.glob("*.jsonl")) / 1e6,
            log_kb=sum(path.stat().st_size for path in logs) / 1e3,
            connections=int(said["lampwarden_broker_connections_total"]),
        )

    async def _metrics(self) -> dict[str, float]:
        self._scraping = True
        try:
            reader, writer = await asyncio.open_connection("127.0.0.1", self._metrics_port)
            writer.write(b"GET /metrics HTTP/1.1\r\nHost: localhost\r\n\r\n")
            answer = (await reader.read()).decode()
            writer.close()
            await writer.wait_closed()
        finally:
            self._scraping = False
        samples = [row.rsplit(" ", 1) for row in answer.splitlines() if row.startswith(("lampwarden_", "process_"))]
        return {name: float(value) for name, value in samples if "{" not in name}


HEAD = (
    f"{'day':>4} {'tests':>5} {'records':>8} {'unsent':>6} {'RSS MB':>8} {'fds':>4} {'threads':>7} "
    f"{'journal MB':>10} {'archives MB':>11} {'logs kB':>8} {'connections':>11}"
)


def line(day: Day) -> str:
    return (
        f"{day.day:4d} {day.tests:5d} {day.records:8d} {day.unsent:6d} {day.rss_mb:8.2f} {day.fds:4d} {day.threads:7d} "
        f"{day.journal_mb:10.2f} {day.archives_mb:11.2f} {day.log_kb:8.1f} {day.connections:11d}"
    )


def soak(
    folder: Path,
    *,
    days: int,
    tests_a_day: int,
    seed: int = 1,
    leak_bytes: int = 0,
    grid: GridPlan | None = None,
    say: Callable[[str], None] = lambda _: None,
) -> list[Day]:
    """Run it."""
    folder.mkdir(parents=True, exist_ok=True)
    with mosquitto(folder / "broker", more="set_tcp_nodelay true") as broker:

        async def main(loop: WorldLoop) -> list[Day]:
            made = Soak(
                folder / "bench",
                broker,
                days=days,
                tests_a_day=tests_a_day,
                seed=seed,
                leak_bytes=leak_bytes,
                grid=grid or Scenario.demo().grid,
            )
            return await made.run(loop, say)

        return run_in_world(main)


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("--days", type=int, default=14)
    parser.add_argument("--tests-a-day", type=int, default=4)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--leak", type=int, default=0, metavar="BYTES", help="plant a leak of so much with each record")
    parser.add_argument("--keep", type=Path, default=None, help="keep everything in this folder")
    asked = parser.parse_args()
    folder = asked.keep or Path(tempfile.mkdtemp(prefix="lampwarden-soak-"))

    def say(text: str) -> None:
        sys.stdout.write(text + "\n")
        sys.stdout.flush()

    began_s, began_cpu_s = time.monotonic(), time.process_time()
    try:
        (folder / "bench").mkdir(parents=True, exist_ok=True)
        set_up(level=logging.INFO, as_json=True, file=folder / "bench" / "daemon.log", file_bytes=LOG_BYTES)
        say(HEAD)
        days = soak(
            folder,
            days=asked.days,
            tests_a_day=asked.tests_a_day,
            seed=asked.seed,
            leak_bytes=asked.leak,
            say=say,
        )
    finally:
        if asked.keep is None:
            shutil.rmtree(folder, ignore_errors=True)
    verdict = judge(days, asked.tests_a_day)
    took = f"{time.monotonic() - began_s:.0f} s, {time.process_time() - began_cpu_s:.0f} s of processor time"
    bound = f"resident memory {verdict.slope_mb_a_day:+.3f} MB a day (bound {RSS_MB_A_DAY:g})"
    say(f"bench {BENCH_ID}: {'held' if verdict.held else 'FAILED'}: {bound}; {took}")
    for complaint in verdict.complaints:
        say(f"    {complaint}")
    sys.exit(0 if verdict.held else 1)


if __name__ == "__main__":
    main()
