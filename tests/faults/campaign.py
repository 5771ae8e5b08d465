"""The fault campaign: one command, seeded; it prints its table, and writes it where it is told to.

    python tests/faults/campaign.py --seed 1 --markdown tests/faults/RESULTS.md

What must hold after every case is in :meth:`support.fault_bench.FaultBench.judge`: every reading that was announced is
on disk and reached an independent observer, once; ``seq`` has no gap; no gate was cut short, measured against when the
lamp was really struck and the pedal really pressed; accepted spots are not read again; no integration time was given
up; the journal is sound; and the daemon is back at work by itself, given that something starts it again, as systemd
does.

What this does not prove: SIGKILL leaves the page cache of the kernel alone, so it says nothing about fsync. That is the
part of ``tests/durability/test_power_cut.py``.
"""

import argparse
import contextlib
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parent.parent))

from faults import cases
from faults.cases import Result
from lampwarden import __version__
from support import peers
from support.fault_bench import FaultBench, fault_bench
from support.fault_proxy import Trouble

Case = Callable[[FaultBench], Result]


@dataclass(frozen=True)
class Plan:
    """How often each case, and which groups of them."""

    kills: int
    others: int
    instruments_per_state: int | None = None
    """How many faults of instruments in each state; None: all."""
    reduced: bool = False
    """Whether tests need not come to their end after each case."""
    benches_at_once: int = 2
    """More make a busy machine late, where it is the daemon that is timed."""
    only: tuple[str, ...] = ()
    """Names of groups; empty: all."""


def groups(plan: Plan) -> dict[str, tuple[Case, ...]]:
    """Cases that share a bench, by the group's name; the longest first, so that none is waited for in the end."""
    n = plan.others
    return {
        "instruments": (lambda b: cases.instruments(b, plan.instruments_per_state),),
        "kills": (lambda b: cases.kills(b, plan.kills),),
        "way": (
            lambda b: cases.broker_stopped(b, n),
            lambda b: cases.broker_paused(b, n),
            lambda b: cases.way(b, n, Trouble.REFUSE, "way: the broker cannot be reached"),
        ),
        "far-way": (
            lambda b: cases.way(b, n, Trouble.SWALLOW, "way: everything is swallowed"),
            lambda b: cases.way(b, n, Trouble.CUT, "way: connections cut in mid-packet"),
            lambda b: cases.broker_refuses(b, n),
        ),
        "broker": (lambda b: cases.broker_killed(b, n), lambda b: cases.broker_killed(b, n, empty=True)),
        "disk": (
            lambda b: cases.disk(b, n, "ENOSPC", "disk: full in mid-write (ENOSPC)"),
            lambda b: cases.disk(b, n, "EROFS", "disk: read-only in mid-write (EROFS)"),
            lambda b: cases.disk(b, n, "EIO", "disk: errors in mid-write (EIO)"),
        ),
        "clock": (lambda b: cases.clock_steps(b, n), lambda b: cases.kills_after_clock_steps(b, n)),
        "pages": (lambda b: cases.pages(b, n if plan.reduced else 3 * n),),
        "small-disk": (lambda b: cases.small_disk(b, n),),
    }


def run_campaign(folder: Path, seed: int, plan: Plan, say: Callable[[str], None] = print) -> list[Result]:
    """Run all cases; each group on a bench of its own, all from one seed."""

    def on_bench(number: int, name: str, todo: tuple[Case, ...]) -> list[Result]:
        results: list[Result] = []
        with contextlib.ExitStack() as stack:
            journal = None
            if name == "small-disk":
                small = stack.enter_context(tmpfs(folder / name, 24))
                if small is None:
                    return []
                journal = small / "journal.sqlite"
            made = fault_bench(folder / f"bench-{name}", seed + number, journal=journal, reduced=plan.reduced)
            bench = stack.enter_context(made)
            try:
                bench.start_and_wait()
                for case in todo:
                    results.append(case(bench))
                    _tell(results[-1], say)
            except AssertionError as error:
                # Something was waited for in vain: this bench is lost, and the others go on.
                results.append(Result(f"{name}: after {len(results)} of {len(todo)} cases", 1, "", [str(error)]))
                _tell(results[-1], say)
        return results

    wanted = [item for item in enumerate(groups(plan).items(), 1) if not plan.only or item[1][0] in plan.only]
    with ThreadPoolExecutor(plan.benches_at_once) as pool:
        runs = [pool.submit(on_bench, number, name, todo) for number, (name, todo) in wanted]
        return [result for run in runs for result in run.result()]


def _tell(result: Result, say: Callable[[str], None]) -> None:
    say(f"{'FAILED' if result.wrong else 'held  '}  {result.case} × {result.times}: {result.figures}")
    for line in result.wrong[:20]:
        say(f"        {line}")


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


INTRODUCTION = """# Fault campaign

Printed by `python tests/faults/campaign.py --seed {seed}`, lampwarden {version}, in {minutes:.0f} minutes.

A real Mosquitto behind a proxy, real sockets and pseudo-terminals, real files; the daemon is a process of its own that
is started again whenever it dies; simulated instruments and operator at sixty times the speed. After each case: every
announced reading is on disk and with an independent observer, once (of a corrupted journal: none unaccounted for);
`seq` has no gap; no gate was cut short; accepted spots were not read again; no integration time was given up; the
journal is sound; the daemon works again by itself.

SIGKILL does not prove fsync: the kernel keeps what a killed process wrote. What does is
`tests/durability/test_power_cut.py`, which throws away every write that no sync had confirmed; and only a power cut on
the very machine proves that its disk keeps what fsync promised.
"""
HEADING = ("| case | times | held | figures |", "| --- | ---: | --- | --- |")


def table(results: list[Result], seed: int, took_s: float) -> str:
    """The table, without dates: the same seed gives the same cases."""
    lines = [INTRODUCTION.format(seed=seed, version=__version__, minutes=took_s / 60), *HEADING]
    lines += [f"| {r.case} | {r.times} | {'**no**' if r.wrong else 'yes'} | {r.figures} |" for r in results]
    failed = [f"- {r.case}: {line.splitlines()[0]}" for r in results for line in r.wrong]
    if failed:
        lines += ["", "What did not hold:", "", *failed]
    return "\n".join(lines) + "\n"


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--others", type=int, default=3, help="how often each other case")
    parser.add_argument("--seed", type=int, default=random.randrange(2**31))  # noqa: S311
    parser.add_argument("--only", nargs="+", choices=list(groups(Plan(0, 0))), default=[], help="only these groups")
    parser.add_argument("--at-once", type=int, default=2, help="benches that run beside each other")
    parser.add_argument("--markdown", type=Path, default=None, help="write the table here")
    parser.add_argument("--keep", type=Path, default=None, help="keep everything in this folder")
    asked = parser.parse_args()
    folder = asked.keep or Path(tempfile.mkdtemp(prefix="lampwarden-faults-"))
    print(f"seed {asked.seed}", flush=True)  # noqa: T201
    began_s = time.monotonic()
    plan = Plan(asked.kills, asked.others, benches_at_once=asked.at_once, only=tuple(asked.only))
    try:
        results = run_campaign(folder, asked.seed, plan, lambda s: print(s, flush=True))  # noqa: T201
        text = table(results, asked.seed, time.monotonic() - began_s)
        print(text, flush=True)  # noqa: T201
        if asked.markdown is not None:
            asked.markdown.write_text(text, encoding="utf-8")
    finally:
        if asked.keep is None:
            shutil.rmtree(folder, ignore_errors=True)
    sys.exit(1 if any(r.wrong for r in results) else 0)


if __name__ == "__main__":
    main()
