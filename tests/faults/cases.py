"""What is done to a bench: each case breaks one thing, lets it be mended, and judges what is left.

Each function takes a running bench and gives a row of the table back. What must hold after every case is in
:meth:`support.fault_bench.FaultBench.judge`.
"""

import contextlib
import sqlite3
import subprocess
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from uuid import uuid4

from faults.instruments import WITHIN_S, Walk, cases_of
from lampwarden.protocol.commands import Replay
from support import peers
from support.fault_bench import BASE, FaultBench
from support.fault_proxy import Trouble
from support.journals import bodies
from support.mosquitto import listens

PHASES = ("prepare", "await_strike", "warm_up", "tune", "await_press", "settle", "window", "conclude")
JUDGE_EVERY = 25
DARK_EVERY = 15
"""Kills after which one falls into a cool-down."""
PAGE = 4096
REFUSED = "disconnected, not authorised"
TOLD = "refused: not authorised"


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
    # Searching and concluding take some hundredths of a second: no longer than that, or they are over.
    time.sleep(bench.random.uniform(0.0, 0.02 if phase in ("tune", "conclude") else 0.15))  # noqa: TID251


def put_out(bench: FaultBench) -> None:
    """Switch a burning lamp off, and let the daemon miss it."""
    if bench.state in ("warm_up", "await_press", "settle", "window"):
        bench.served.bench.switch_off(bench.served.clock.monotonic())
        bench.wait(lambda: bench.state in ("cool_down", "done"), "the arc to be missed", 10.0)


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
        if number % DARK_EVERY == 0:
            put_out(bench)
        phases[bench.state] += 1
        bench.kill()
        bench.start_and_wait()
        if number % JUDGE_EVERY == 0:
            wrong += bench.judge()
    end_test(bench)
    wrong += bench.judge()
    on_disk = bodies(bench.journal)
    events = Counter(str(b.get("event")) for b in on_disk.values())
    reached = ", ".join(f"{phase} {phases[phase]}" for phase in (*PHASES, "cool_down", "done") if phases[phase])
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
        cuts = bench.proxy.cuts
        bench.proxy.set(trouble)
        bench.proxy.break_all()
        time.sleep(bench.random.uniform(4.0, 5.0 if bench.reduced else 8.0))  # noqa: TID251
        if trouble is Trouble.CUT:
            bench.wait(lambda cuts=cuts: bench.proxy.cuts > cuts, "a packet to be cut")
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
        refusals = bench.broker.log().count(REFUSED)
        bench.broker.start()
        # The daemon and the observer are both refused; three refusals are more than the observer's alone.
        bench.wait(lambda before=refusals: bench.broker.log().count(REFUSED) > before + 2, "the broker to refuse")
        # Told once in ten minutes for one reason, so that a broker that is away for a week fills no disk.
        bench.wait(lambda: TOLD in bench.log_file.read_text(), "the daemon to say that it is refused")
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


def small_disk(bench: FaultBench, count: int) -> Result:
    """A file system that is really full: the journal's own."""
    wrong: list[str] = []
    filler = bench.journal.parent / "filler"
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
        f"{damaged} met and recovered by themselves; {lost} records lost, each told, and {unused} reserved numbers "
        "told as perhaps unused; none unaccounted for"
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


def instruments(bench: FaultBench, per_state: int | None) -> Result:
    """Every fault of every instrument in every state, or a few of them in each."""
    cases = cases_of(bench, per_state)
    ledger = Walk(bench, cases).run()
    wrong = list(ledger.wrong)
    end_test(bench)
    wrong += bench.judge()
    slowest = ", ".join(f"{name.replace('_', ' ')} {s:.1f} s" for name, s in sorted(ledger.slowest_s.items()))
    back = max(ledger.slowest_back_s.values(), default=0.0)
    reached = ", ".join(f"{state} {n}" for state, n in ledger.done.items())
    figures = (
        f"begun in: {reached}; told within the driver's time-out and {WITHIN_S:g} s, slowest: {slowest}; "
        f"{ledger.untold} that need no word; well again within {back:.1f} s; {bench.tests_begun} tests"
    )
    return Result("instruments: each fault of each in each state of a test", sum(ledger.done.values()), figures, wrong)
