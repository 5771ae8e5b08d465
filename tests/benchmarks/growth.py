"""Cost grows as it should: with the spots of the grid, the tests in the journal and the days that the daemon has run.

Each row is a cost of one thing (a spot, a commit, a start, an hour) on a large bench over the same on a small one. The
figures are processor time where the work is ours alone, so that other programs hardly disturb them.
"""

import asyncio
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from itertools import cycle
from pathlib import Path
from uuid import uuid4

from lampwarden.daemon.clock import VirtualClock, run_virtual
from lampwarden.daemon.config import BenchConfig
from lampwarden.daemon.service import Service
from lampwarden.daemon.simulated.campaign import PORTS as INLINE
from lampwarden.daemon.simulated.campaign import START, inline_opener, run_test
from lampwarden.daemon.simulated.simulation import bench_table
from lampwarden.daemon.stamp import Stamp
from lampwarden.daemon.store.journal import Entry, Journal, JournalFile, Sent
from lampwarden.protocol.records import EventRecord, Record, SpotRecord
from lampwarden.simulators.bench import SimulatedBench
from lampwarden.simulators.field import GridPlan
from lampwarden.simulators.scenario import Scenario
from support.samples_of_records import message_stamp
from support.samples_of_records import records as samples
from table import Row, figure, median

GROWS = 1.5
"""What may be called not growing: a hundred times as much of something may cost half as much again."""
RECORDS_A_TEST = 30
BENCH = str(message_stamp()["bench"])


def fresh(template: Record) -> Record:
    """Another record of the same kind."""
    return template.model_copy(update={"record_id": uuid4(), "seq": 0, "test_id": None})


def templates() -> list[Record]:
    """Small records, with one spot to six others: the number of records matters here, not their size."""
    spot = next(record for record in samples() if isinstance(record, SpotRecord))
    others = [record for record in samples() if len(record.model_dump_json()) < 1500][:3]
    return [spot, *others, *others]


def cpu(work: Callable[[], object]) -> float:
    began = time.process_time()
    work()
    return time.process_time() - began


def spots(*, short: bool) -> Row:
    """A whole test over a grid, for each reading."""
    small, large = (6, 4), (10, 10) if short else (20, 20)

    def a_reading(columns: int, rows: int) -> float:
        grid = GridPlan(
            columns=columns,
            rows=rows,
            pitch_x_m=0.8 / columns,
            pitch_y_m=0.8 / columns,
            reference=f"{chr(ord('A') + columns // 2)}{rows // 2}",
        )
        scenario = replace(Scenario.random(1), grid=grid)
        found = []
        took = cpu(lambda: found.append(run_test(scenario, 1, longest_s=200_000.0)))
        return took / len(found[0].spots)

    a_reading(*small)
    few = [a_reading(*small) for _ in range(3)]
    many = a_reading(*large)
    return Row(
        "growth: spots",
        f"a spot of a {large[0]} × {large[1]} grid / of a {small[0]} × {small[1]} grid, whole test in virtual time",
        many / median(few),
        "×",
        GROWS,
        False,
        f"{figure(1000 * many)} / {figure(1000 * median(few))} ms of processor time",
        len(few),
    )


def grown_journal(path: Path, tests: int) -> None:
    """A journal with so many finished tests, all sent."""
    file = JournalFile(path, BENCH)
    kinds = cycle(templates())
    end = next(record for record in samples() if isinstance(record, EventRecord))
    last = 0
    for number in range(tests):
        records = [fresh(next(kinds)).model_copy(update={"test_id": f"t-{number}"}) for _ in range(RECORDS_A_TEST)]
        records.append(fresh(end).model_copy(update={"test_id": f"t-{number}", "event": "test_finished"}))
        file.commit([Entry(tuple(records))])
        last += len(records)
    file.commit([Entry(sent=Sent(last, file.rewinds))])
    file.close()


def journals(*, short: bool) -> list[Row]:
    """Opening, committing and looking a test up, in a journal of many tests and in one of few."""
    few, many = 100, 200 if short else 10_000
    found: dict[int, dict[str, float]] = {}
    with tempfile.TemporaryDirectory(prefix="lampwarden-bench-") as name:
        for count in (few, many):
            path = Path(name) / f"{count}.sqlite"
            grown_journal(path, count)
            found[count] = _journal_costs(path, count)
    size_mb = found[many]["bytes"] / 1e6

    def row(key: str, what: str, cost: str) -> Row:
        return Row(
            f"growth: {key}",
            f"{what}, {many:,} finished tests in the journal ({figure(size_mb)} MB) / {few}",
            found[many][cost] / found[few][cost],
            "×",
            GROWS,
            False,
            f"{figure(1000 * found[many][cost])} / {figure(1000 * found[few][cost])} ms of processor time",
            9,
        )

    return [
        row("commit", "a commit of one record", "commit"),
        row("look-up", "the spots of one test read back", "look-up"),
        Row(
            "growth: start",
            f"opening a journal of {many:,} finished tests ({figure(size_mb)} MB): it is not read whole",
            found[many]["open"],
            "s",
            0.5,
            False,
            f"{figure(1000 * found[many]['open'])} ms; with {few} tests {figure(1000 * found[few]['open'])} ms",
            9,
        ),
    ]


def _journal_costs(path: Path, count: int) -> dict[str, float]:
    opens, commits, looks = [], [], []
    kinds = cycle(templates())
    for turn in range(9):
        files: list[JournalFile] = []
        opens.append(cpu(lambda files=files: files.append(JournalFile(path, BENCH))))
        file = files[0]
        for _ in range(20):
            entry = Entry((fresh(next(kinds)),))
            commits.append(cpu(lambda entry=entry, file=file: file.commit([entry])))
        test_id = f"t-{count * (turn + 1) // 10}"
        schema = templates()[0].schema_
        looks.append(cpu(lambda file=file, test_id=test_id, schema=schema: file.of_test(test_id, schema)))
        file.close()
    sizes = float(path.stat().st_size)
    return {"open": median(opens), "commit": median(commits), "look-up": median(looks), "bytes": sizes}


def days(*, short: bool) -> Row:
    """An idle bench in virtual time: a late hour beside an early one."""
    hours = 4 if short else 72

    async def main(clock: VirtualClock) -> list[float]:
        bench = SimulatedBench(Scenario.random(3), 3)
        config = BenchConfig.model_validate(bench_table(bench, INLINE, now=clock.utc(), calibration_file=None))
        journal = Journal(JournalFile(None, config.bench.id), in_line=True)
        service = Service(
            config, clock, journal, inline_opener(bench, clock), Stamp(config.bench.id, clock, simulated=True)
        )
        costs = []
        async with asyncio.TaskGroup() as group:
            running = group.create_task(service.run())
            for _ in range(hours):
                began = time.process_time()
                await clock.sleep(3600.0)
                costs.append(time.process_time() - began)
            running.cancel()
        await journal.close()
        return costs

    costs = run_virtual(main, START)
    third = max(1, hours // 4)
    early, late = median(costs[:third]), median(costs[-third:])
    return Row(
        "growth: days",
        f"an hour of an idle bench after {hours - third} hours / in the first {third}, virtual time",
        late / early,
        "×",
        GROWS,
        False,
        f"{figure(late)} / {figure(early)} s of processor time",
        third,
    )


def rows(*, short: bool) -> list[Row]:
    return [spots(short=short), *journals(short=short), days(short=short)]
