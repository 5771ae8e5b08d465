"""The fault campaign: one command, seeded; its table goes into a file.

    python tests/faults/campaign.py --kills 200 --seed 1 --table tests/faults/RESULTS.md

What must hold after every case is in :meth:`support.fault_bench.FaultBench.judge`: every reading that was announced is on
disk and reached an independent observer, once; ``seq`` has no gap; no gate was cut short, measured against when the
lamp was really struck and the pedal really pressed; accepted spots are not read again; the journal is sound; and the
daemon is back at work by itself, given that something starts it again, as systemd does.

What this does not prove: SIGKILL leaves the page cache of the kernel alone, so it says nothing about fsync. That is the
part of ``tests/durability/test_power_cut.py``.
"""  # noqa: E501

import argparse
import contextlib
import random
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from uuid import uuid4

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parent.parent))

from lampwarden.protocol.commands import Replay
from support import peers
from support.fault_bench import BASE, FaultBench, fault_bench
from support.fault_proxy import Trouble
from support.journals import bodies
from support.mosquitto import listens

PHASES = ("prepare", "await_strike", "warm_up", "tune", "await_press", "settle", "window", "conclude")
JUDGE_EVERY = 25
PAGE = 4096


@dataclass
class Result:
    """One row of the table."""

    case: str
    times: int
    figures: str
    wrong: list[str] = field(default_factory=list)


def wander(bench: FaultBench, longest_s: float = 3.0) -> None:
    """Let the test go on for a random while, or until a random phase and a little into it."""
    if bench.random.random() < 0.5:
        time.sleep(bench.random.uniform(0.0, longest_s))  # noqa: TID251
        return
    phase = bench.random.choice(PHASES)
    until = time.monotonic() + 2 * longest_s
    while bench.state != phase and time.monotonic() < until:
        if bench.state in ("done", "abandoned", "idle"):
            bench.keep_testing()
        time.sleep(0.002)  # noqa: TID251
    time.sleep(bench.random.uniform(0.0, 0.15))  # noqa: TID251


def finish_test(bench: FaultBench) -> None:
    """Let the running test come to its end, or run one; in the reduced form it is enough that work goes on."""
    bench.keep_testing()
    if bench.reduced:
        last = max(bench.heard(), default=0)
        bench.wait(lambda: max(bench.heard(), default=0) > last, "the next record", 120.0)
    else:
        end_test(bench)


def end_test(bench: FaultBench) -> None:
    """Let the running test come to its end, or run one."""
    bench.keep_testing()
    bench.wait(lambda: bench.state in ("done", "abandoned"), "the test to end", 240.0)


def kills(bench: FaultBench, count: int) -> Result:
    phases: Counter[str] = Counter()
    wrong: list[str] = []
    for number in range(1, count + 1):
        bench.keep_testing()
        wander(bench)
        phases[bench.state] += 1
        bench.kill()
        bench.start_and_wait()
        if number % JUDGE_EVERY == 0:
            wrong += bench.judge()
    end_test(bench)
    wrong += bench.judge()
    on_disk = bodies(bench.journal)
    events = Counter(str(b.get("event")) for b in on_disk.values())
    reached = ", ".join(f"{phase} {phases[phase]}" for phase in (*PHASES, "done") if phases[phase])
    figures = (
        f"killed in: {reached}; {len(on_disk)} records, {events['test_resumed']} resumptions told, "
        f"{events['accepted'] + events['confirmed']} readings announced, {events['test_finished']} tests finished; "
        f"slowest start {bench.slowest_start_s:.1f} s"
    )
    return Result("daemon: SIGKILL at random instants of a test", count, figures, wrong)


def replay_all(bench: FaultBench) -> None:
    command = Replay(id=uuid4().hex, from_seq=1)
    bench.reader.client.publish(f"{BASE}/commands/replay", command.model_dump_json(), 1)


def reader_is_back(bench: FaultBench, before: int) -> None:
    bench.wait(lambda: bench.reader.subscriptions > before, "the observer to be back")


def broker_killed(bench: FaultBench, count: int, *, empty: bool = False) -> Result:
    wrong: list[str] = []
    for _ in range(count):
        bench.keep_testing()
        wander(bench)
        bench.broker.kill()
        before = bench.reader.subscriptions
        if empty:
            bench.broker.forget()
        time.sleep(bench.random.uniform(0.0, 2.0))  # noqa: TID251
        bench.broker.start()
        reader_is_back(bench, before)
        bench.wait(lambda: bench.status is not None and bench.status.online, "the daemon to be connected")
        finish_test(bench)
        replay_all(bench)
        wrong += bench.judge()
    name = "broker: SIGKILL and an empty store, then a replay" if empty else "broker: SIGKILL, then a replay"
    return Result(name, count, f"{len(bodies(bench.journal))} records, all with the observer", wrong)


def broker_stopped(bench: FaultBench, count: int) -> Result:
    """A broker that saves its store loses nothing: no replay is needed."""
    wrong: list[str] = []
    for _ in range(count):
        bench.keep_testing()
        wander(bench)
        bench.broker.stop()
        before = bench.reader.subscriptions
        time.sleep(bench.random.uniform(0.0, 2.0))  # noqa: TID251
        bench.broker.start()
        reader_is_back(bench, before)
        finish_test(bench)
        wrong += bench.judge()
    return Result("broker: stopped and started, without a replay", count, "all records with the observer", wrong)


def broker_paused(bench: FaultBench, count: int) -> Result:
    wrong: list[str] = []
    for _ in range(count):
        bench.keep_testing()
        wander(bench)
        bench.broker.pause()
        # Beyond the 3 s that an acknowledgement may take.
        time.sleep(bench.random.uniform(4.0, 5.0 if bench.reduced else 8.0))  # noqa: TID251
        bench.broker.go_on()
        finish_test(bench)
        wrong += bench.judge()
    return Result(
        "broker: paused (SIGSTOP) for longer than its time-out", count, "all records with the observer", wrong
    )


def way(bench: FaultBench, count: int, trouble: Trouble, name: str) -> Result:
    wrong: list[str] = []
    for _ in range(count):
        bench.keep_testing()
        wander(bench)
        bench.proxy.cut_after = (150, 6_000)
        bench.proxy.set(trouble)
        bench.proxy.break_all()
        time.sleep(bench.random.uniform(4.0, 5.0 if bench.reduced else 8.0))  # noqa: TID251
        bench.proxy.set(Trouble.NONE)
        bench.proxy.break_all()
        bench.wait(lambda: bench.status is not None and bench.status.online, "the daemon to be connected")
        finish_test(bench)
        wrong += bench.judge()
    figures = f"{bench.proxy.cuts} packets cut" if trouble is Trouble.CUT else "all records with the observer"
    return Result(name, count, figures, wrong)


def broker_refuses(bench: FaultBench, count: int) -> Result:
    wrong: list[str] = []
    usual = bench.broker.config
    for _ in range(count):
        bench.keep_testing()
        wander(bench)
        bench.broker.stop()
        passwords = bench.folder / "passwords"
        passwords.write_text("")
        bench.broker.config = usual.replace("allow_anonymous true", f"allow_anonymous false\npassword_file {passwords}")
        bench.broker.start()
        bench.wait(lambda: "refused: not authorised" in bench.log_tail(), "the daemon to say that it is refused")
        bench.broker.stop()
        bench.broker.config = usual
        before = bench.reader.subscriptions
        bench.broker.start()
        assert listens(bench.broker.port)
        reader_is_back(bench, before)
        finish_test(bench)
        wrong += bench.judge()
    return Result("broker: refuses authentication, then lets in again", count, "told in plain words", wrong)


@contextlib.contextmanager
def disk_refuses(bench: FaultBench, error: str) -> Iterator[None]:
    """Have the kernel answer every write of SQLite's with an error (strace, fault injection; pwrite64 is SQLite's)."""
    assert bench.daemon is not None
    strace = peers.need("strace", "strace")
    command = [strace, "-f", "-q", "-o", "/dev/null", "-p", str(bench.daemon.pid), "-e", "trace=pwrite64"]
    with subprocess.Popen([*command, "-e", f"inject=pwrite64:error={error}"], stderr=subprocess.DEVNULL) as tracer:
        try:
            yield
        finally:
            tracer.terminate()
            tracer.wait(10)


def disk(bench: FaultBench, count: int, error: str, name: str) -> Result:
    wrong: list[str] = []
    told = 0
    for _ in range(count):
        bench.keep_testing()
        wander(bench)
        with disk_refuses(bench, error):
            with contextlib.suppress(AssertionError):
                bench.wait(_stop_is_told(bench), "the operator to be told", 15.0)
                told += 1
            seen = len(bench.reader.records())
            last = max((h.body["seq"] for h in bench.reader.records()), default=0)
            time.sleep(1.0)  # noqa: TID251
            fresh = [h.body["seq"] for h in bench.reader.records()[seen:] if h.body["seq"] > last]
            wrong += [f"seq {s} was published while the disk took nothing" for s in fresh]
        finish_test(bench)
        wrong += bench.judge()
    if told < count:
        wrong.append(f"the operator was told only {told} times of {count}")
    return Result(name, count, f"operator told {told} times; went on by itself", wrong)


def _stop_is_told(bench: FaultBench) -> Callable[[], bool]:
    def told() -> bool:
        status = bench.status
        return status is not None and status.prompt is not None and status.prompt.text.startswith("Stop: the journal")

    return told


def small_disk(bench: FaultBench, disk_folder: Path, count: int) -> Result:
    """A file system that is really full."""
    wrong: list[str] = []
    filler = disk_folder / "filler"
    told = 0
    for _ in range(count):
        bench.keep_testing()
        wander(bench)
        with contextlib.suppress(OSError), filler.open("wb") as file:
            while True:
                file.write(b"x" * 4096)
                file.flush()
        with contextlib.suppress(AssertionError):
            bench.wait(_stop_is_told(bench), "the operator to be told", 20.0)
            told += 1
        filler.unlink()
        finish_test(bench)
        wrong += bench.judge()
    if told < count:
        wrong.append(f"the operator was told only {told} times of {count}")
    return Result("disk: a file system that is full (tmpfs)", count, f"operator told {told} times", wrong)


def pages(bench: FaultBench, count: int) -> Result:
    """Noise in a random page of the journal while the daemon is down."""
    wrong: list[str] = []
    damaged, lost, unused = 0, 0, 0
    for _ in range(count):
        bench.keep_testing()
        wander(bench)
        bench.kill()
        with contextlib.closing(sqlite3.connect(bench.journal)) as db:
            # Into the file with all of it: a log beside it would mend the page by itself.
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        before = bodies(bench.journal)
        size = bench.journal.stat().st_size
        with bench.journal.open("r+b") as file:
            file.seek(bench.random.randrange(size // PAGE) * PAGE)
            file.write(bench.random.randbytes(PAGE))
        known = set(bodies_or_none(bench.journal))
        bench.start_and_wait()
        after = bodies(bench.journal)
        told = [b for b in after.values() if b.get("event") == "journal_recovered" and b["seq"] not in known]
        if told:
            damaged += 1
            now_lost = {
                s for s, b in after.items() if b["schema"] == "lampwarden.stub/1" and "lost" in str(b["reason"])
            }
            fresh = now_lost - bench.told_lost
            details = told[-1]["details"]
            assert isinstance(details, dict)
            if details["lost_count"] != len(fresh):
                wrong.append(f"{details['lost_count']} lost were told, {len(fresh)} are")
            bench.told_lost |= now_lost
            lost += len(fresh & set(before))
            unused += len(fresh - set(before))
        bench.told_lost |= {s for s in before if after.get(s, {}).get("record_id") != before[s]["record_id"]}
        finish_test(bench)
        wrong += bench.judge()
    figures = (
        f"{damaged} met and recovered by themselves; {lost} records lost, each told, and {unused} reserved numbers told "  # noqa: E501
        "as perhaps unused; none unaccounted for"
    )
    return Result("disk: noise in a random page of the journal", count, figures, wrong)


def bodies_or_none(path: Path) -> dict[int, dict[str, object]]:
    try:
        return bodies(path)
    except Exception:  # noqa: BLE001 - it was just ruined
        return {}


def clock_steps(bench: FaultBench, count: int) -> Result:
    wrong: list[str] = []
    for number in range(count):
        bench.keep_testing()
        wander(bench)
        offset_s = (3600.0, -3600.0, 0.0)[number % 3]
        bench.set_clock(offset_s)
        heard = sum(b.get("event") == "clock_stepped" for b in bodies(bench.journal).values())
        bench.wait(
            lambda heard=heard: sum(b.get("event") == "clock_stepped" for b in bodies(bench.journal).values()) > heard,
            "the step to be recorded",
            30.0,
        )
        finish_test(bench)
        wrong += bench.judge()
    return Result("clock: steps of one and two hours, both ways", count, "each told in a record", wrong)


def kills_after_clock_steps(bench: FaultBench, count: int) -> Result:
    wrong: list[str] = []
    for number in range(count):
        bench.keep_testing()
        wander(bench)
        bench.kill()
        bench.set_clock((3600.0, -3600.0)[number % 2])
        bench.start_and_wait()
    bench.set_clock(0.0)
    finish_test(bench)
    wrong += bench.judge()
    return Result("clock: set by one hour while the daemon is dead", count, "no gate shortened", wrong)


@contextlib.contextmanager
def tmpfs(folder: Path, megabytes: int) -> Iterator[Path | None]:
    """A small file system, or None where this may not be had."""
    folder.mkdir(parents=True, exist_ok=True)
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={megabytes}m", "tmpfs", str(folder)], check=False)
    if done.returncode != 0:
        if peers.required():
            raise AssertionError("a tmpfs cannot be mounted here (root is needed)")
        yield None
        return
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=False)


@dataclass(frozen=True)
class Plan:
    """How often each case."""

    kills: int
    others: int
    reduced: bool = False
    """Whether tests need not come to their end after each case."""


def run_campaign(folder: Path, seed: int, plan: Plan, say: Callable[[str], None] = print) -> list[Result]:
    """Run all cases; each group on a bench of its own, all from one seed."""
    results: list[Result] = []

    def on_bench(number: int, *cases: Callable[[FaultBench], Result]) -> None:
        with fault_bench(folder / f"bench-{number}", seed + number, reduced=plan.reduced) as bench:
            bench.start_and_wait()
            for case in cases:
                add(case(bench))

    def add(result: Result) -> None:
        results.append(result)
        say(f"{'FAILED' if result.wrong else 'held  '}  {result.case} × {result.times}: {result.figures}")
        for line in result.wrong[:10]:
            say(f"        {line}")

    n = plan.others
    on_bench(1, lambda b: kills(b, plan.kills))
    on_bench(
        2,
        lambda b: broker_stopped(b, n),
        lambda b: broker_paused(b, n),
        lambda b: way(b, n, Trouble.REFUSE, "way: the broker cannot be reached"),
        lambda b: way(b, n, Trouble.SWALLOW, "way: everything is swallowed"),
        lambda b: way(b, n, Trouble.CUT, "way: connections cut in mid-packet"),
        lambda b: broker_refuses(b, n),
    )
    on_bench(3, lambda b: broker_killed(b, n), lambda b: broker_killed(b, n, empty=True))
    on_bench(
        4,
        lambda b: disk(b, n, "ENOSPC", "disk: full in mid-write (ENOSPC)"),
        lambda b: disk(b, n, "EROFS", "disk: read-only in mid-write (EROFS)"),
        lambda b: disk(b, n, "EIO", "disk: errors in mid-write (EIO)"),
    )
    on_bench(5, lambda b: clock_steps(b, n), lambda b: kills_after_clock_steps(b, n))
    on_bench(6, lambda b: pages(b, n if plan.reduced else 3 * n))
    with tmpfs(folder / "small-disk", 24) as small:
        if small is not None:
            with fault_bench(
                folder / "bench-7", seed + 7, journal=small / "journal.sqlite", reduced=plan.reduced
            ) as bench:
                bench.start_and_wait()
                add(small_disk(bench, small, n))
    return results


def table(results: list[Result], seed: int) -> str:
    """The table, without dates: the same seed gives the same cases."""
    lines = [
        "# Fault campaign",
        "",
        f"`python tests/faults/campaign.py --seed {seed}` against a real Mosquitto, real sockets and pseudo-terminals,",
        "real files; the daemon is a process of its own that is started again whenever it dies. After each case: every",
        "announced reading is on disk and with an independent observer, once; `seq` has no gap; no gate was cut short;",
        "accepted spots were not read again; the journal is sound; the daemon works again.",
        "",
        "SIGKILL does not prove fsync: the kernel keeps what a killed process wrote. What does is",
        "`tests/durability/test_power_cut.py`, which throws away every write that no sync had confirmed.",
        "",
        "| case | times | held | figures |",
        "| --- | ---: | --- | --- |",
    ]
    lines += [f"| {r.case} | {r.times} | {'**no**' if r.wrong else 'yes'} | {r.figures} |" for r in results]
    return "\n".join(lines) + "\n"


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--others", type=int, default=3, help="how often each other case")
    parser.add_argument("--seed", type=int, default=random.randrange(2**31))  # noqa: S311
    parser.add_argument("--table", type=Path, default=None, help="write the table here")
    parser.add_argument("--keep", type=Path, default=None, help="keep everything in this folder")
    asked = parser.parse_args()
    folder = asked.keep or Path(tempfile.mkdtemp(prefix="lampwarden-faults-"))
    print(f"seed {asked.seed}", flush=True)  # noqa: T201
    try:
        results = run_campaign(folder, asked.seed, Plan(asked.kills, asked.others), lambda s: print(s, flush=True))  # noqa: T201
        if asked.table is not None:
            asked.table.write_text(table(results, asked.seed), encoding="utf-8")
    finally:
        if asked.keep is None:
            shutil.rmtree(folder, ignore_errors=True)
    sys.exit(1 if any(r.wrong for r in results) else 0)


if __name__ == "__main__":
    main()
