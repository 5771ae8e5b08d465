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
import gc
import logging
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parent.parent))

from lampwarden.daemon.mqtt.outbox import Outbox
from lampwarden.daemon.operations.logs import FILES, set_up
from lampwarden.daemon.simulated.simulation import BENCH_ID
from lampwarden.simulators.faults import Fault
from lampwarden.simulators.field import GridPlan
from lampwarden.simulators.lamp import Burn
from lampwarden.simulators.post import Stand
from lampwarden.simulators.scenario import Scenario
from support.mosquitto import Mosquitto, mosquitto
from support.world_bench import WorldBench
from support.world_loop import WorldLoop, run_in_world

DAY_S = 86_400.0
SPEED = 10.0
"""Bench seconds in a second of wire time: live messages each half second of it, time-outs, back-off."""
LOG_BYTES = 100_000
SETTLED_DAYS = 4
"""Days before those that are judged, of a long soak: a spectrum's buffers, caches, and retention's first drop."""
RSS_MB_A_DAY = 0.25
"""A daemon that grows by more would have doubled within the year."""
OBJECTS_A_DAY = 20.0
"""Whoever keeps one for each test or record keeps more."""
JOURNAL_SLACK = 1.3
"""Of the journal's limit: its write-ahead log (16 MB at most) and what a day adds before it is dropped."""
LARGEST_MB = 40.0
SILENT_S = 600.0
BROKER_AWAY_S = 3600.0
KEEP_DAYS = 3.0


@dataclass(frozen=True)
class Day:
    """What the daemon said of itself at the end of a day."""

    day: int
    tests: int
    records: int
    unsent: int
    rss_mb: float
    objects: int
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
    objects_a_day: float
    complaints: tuple[str, ...]

    @property
    def held(self) -> bool:
        return not self.complaints


def slope(days: Sequence[float], values: Sequence[float]) -> float:
    """Least squares."""
    middle, level = sum(days) / len(days), sum(values) / len(values)
    spread = sum((d - middle) ** 2 for d in days)
    return sum((d - middle) * (v - level) for d, v in zip(days, values, strict=True)) / spread if spread else 0.0


def judge(
    days: Sequence[Day],
    tests_a_day: int,
    *,
    rss_mb_a_day: float = RSS_MB_A_DAY,
    objects_a_day: float = OBJECTS_A_DAY,
) -> Verdict:
    """Whether the daemon stayed as small as it was, and lost and left nothing."""
    judged = days[SETTLED_DAYS:] if len(days) > SETTLED_DAYS + 2 else days
    grows = slope([d.day for d in judged], [d.rss_mb for d in judged])
    more = slope([d.day for d in judged], [d.objects for d in judged])
    wrong = []
    if more > objects_a_day:
        wrong.append(f"{more:.0f} objects more a day (bound {objects_a_day:g})")
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
    return Verdict(grows, more, tuple(wrong))


def objects() -> int:
    """Python's containers and instances; the simulators remember where the sensor stood and when the lamp burnt."""
    gc.collect()
    return sum(not isinstance(each, Stand | Burn) for each in gc.get_objects())


class Soak:
    """One daemon, its broker, and what happens to them."""

    def __init__(
        self, world: WorldBench, broker: Mosquitto, *, day_s: float, tests_a_day: int, leak_bytes: int
    ) -> None:
        self._world, self._broker, self._clock = world, broker, world.clock
        self._day_s, self._tests_a_day, self._leak_bytes = day_s, tests_a_day, leak_bytes
        self._leaked: list[bytes] = []
        self.scraping = False

    async def run(self, days: int, say: Callable[[str], None]) -> list[Day]:
        """Live through all days."""
        found: list[Day] = []
        async with self._world.running():
            if self._leak_bytes:
                self._plant_leak()
            for day in range(1, days + 1):
                done = await self._live_a_day(day)
                found.append(await self._look(day, done))
                say(line(found[-1]))
        return found

    def _plant_leak(self) -> None:
        outbox: Outbox = self._world.publisher.outbox
        taken = outbox._taken

        def take(seq: int) -> None:
            self._leaked.append(b"x" * self._leak_bytes)  # zeroes would take no memory
            taken(seq)

        outbox._taken = take  # type: ignore[method-assign]  # wrapped, so that it leaks

    async def _live_a_day(self, day: int) -> int:
        """Tests through the day, an instrument that falls silent, a broker that is down for an hour."""
        begins_s, bench = (day - 1) * self._day_s, self._world.bench
        done = 0
        for number in range(self._tests_a_day):
            await self._until(begins_s + (number + 0.25) * self._day_s / self._tests_a_day)
            done += await self._test(f"day-{day}-{number + 1}")
            if number == 0:
                box = bench.faults[("quantum", "power_meter", "spectrometer", "air_line", "foot_switch")[day % 5]]
                box.switch_on(Fault.SILENT)
                await self._clock.sleep(SILENT_S)
                box.switch_off()
                self._broker.kill() if day % 2 else self._broker.stop()
                await self._clock.sleep(BROKER_AWAY_S)
                self._broker.start()
        await self._until(day * self._day_s)
        return done

    async def _until(self, bench_s: float) -> None:
        await self._clock.sleep(max(0.0, bench_s - self._clock.monotonic()))

    async def _test(self, test_id: str) -> int:
        world = self._world
        await world.begin(test_id)
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(3 * 3600.0 / SPEED):
                await world.until_state("prepare")
                await world.until_state("done", "abandoned")
        world.bench.switch_off(self._clock.monotonic())
        return int(world.state == "done")

    async def _look(self, day: int, done: int) -> Day:
        said = await self._metrics()
        folder = self._world.config.journal.path.parent
        logs = folder.glob("daemon.log*")
        return Day(
            day=day,
            tests=done,
            records=int(said["lampwarden_journal_last_seq"]),
            unsent=int(said["lampwarden_journal_unsent"]),
            objects=objects(),
            rss_mb=said["process_resident_memory_bytes"] / 1e6,
            fds=int(said["process_open_fds"]),
            threads=int(said["process_threads"]),
            journal_mb=said["lampwarden_journal_size_bytes"] / 1e6,
            archives_mb=sum(path.stat().st_size for path in (folder / "archive").glob("*.jsonl")) / 1e6,
            log_kb=sum(path.stat().st_size for path in logs) / 1e3,
            connections=int(said["lampwarden_broker_connections_total"]),
        )

    async def _metrics(self) -> dict[str, float]:
        metrics = self._world.config.metrics
        assert metrics is not None
        self.scraping = True
        try:
            reader, writer = await asyncio.open_connection(metrics.host, metrics.port)
            writer.write(b"GET /metrics HTTP/1.1\r\nHost: localhost\r\n\r\n")
            answer = (await reader.read()).decode()
            writer.close()
            await writer.wait_closed()
        finally:
            self.scraping = False
        samples = [row.rsplit(" ", 1) for row in answer.splitlines() if row.startswith(("lampwarden_", "process_"))]
        return {name: float(value) for name, value in samples if "{" not in name}


COLUMNS = (
    # field, heading, width, digits
    ("day", "day", 4, 0),
    ("tests", "tests", 5, 0),
    ("records", "records", 8, 0),
    ("unsent", "unsent", 6, 0),
    ("rss_mb", "RSS MB", 8, 2),
    ("objects", "objects", 8, 0),
    ("fds", "fds", 4, 0),
    ("threads", "threads", 7, 0),
    ("journal_mb", "journal MB", 10, 2),
    ("archives_mb", "archives MB", 11, 2),
    ("log_kb", "logs kB", 8, 1),
    ("connections", "connections", 11, 0),
)
HEAD = " ".join(f"{heading:>{width}}" for _, heading, width, _ in COLUMNS)


def line(day: Day) -> str:
    return " ".join(f"{getattr(day, field):{width}.{digits}f}" for field, _, width, digits in COLUMNS)


def soak(
    folder: Path,
    *,
    days: int,
    tests_a_day: int,
    seed: int = 1,
    day_s: float = DAY_S,
    leak_bytes: int = 0,
    grid: GridPlan | None = None,
    procedure: dict[str, float] | None = None,
    say: Callable[[str], None] = lambda _: None,
) -> list[Day]:
    """Run it."""
    folder.mkdir(parents=True, exist_ok=True)
    with mosquitto(folder / "broker", more="set_tcp_nodelay true") as broker:

        async def main(loop: WorldLoop) -> list[Day]:
            scenario = replace(Scenario.demo(), sags=(), disturbances=(), **({} if grid is None else {"grid": grid}))
            tables = {
                "journal": {"keep_days": KEEP_DAYS, "largest_mb": LARGEST_MB},
                "broker": {"host": "127.0.0.1", "port": broker.port},
                "procedure": procedure or {},
            }
            world = WorldBench(loop, folder / "bench", scenario, seed, SPEED, **tables)
            made = Soak(world, broker, day_s=day_s, tests_a_day=tests_a_day, leak_bytes=leak_bytes)
            loop.under_way += [world.waits_for_broker, lambda: made.scraping]
            return await made.run(days, say)

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
    bound = f"resident memory {verdict.slope_mb_a_day:+.3f} MB a day (bound {RSS_MB_A_DAY:g}), "
    bound += f"objects {verdict.objects_a_day:+.1f} a day (bound {OBJECTS_A_DAY:g})"
    say(f"bench {BENCH_ID}: {'held' if verdict.held else 'FAILED'}: {bound}; {took}")
    for complaint in verdict.complaints:
        say(f"    {complaint}")
    sys.exit(0 if verdict.held else 1)


if __name__ == "__main__":
    main()
