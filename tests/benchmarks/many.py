"""Many benches on one broker and this machine: each a daemon of its own that reads spots at a normal pace."""

import re
import sqlite3
import time
from pathlib import Path
from typing import Any

import psutil
from pace import Listener, daemons
from served import serving
from table import Row, figure

NORMAL = {"warm_up_minimum_s": 60.0}
"""Settling 30 s, window 10 s, polls each second, as delivered; only the lamp is warm sooner."""
BRISK = {"warm_up_minimum_s": 2.0, "settle_minimum_s": 1.5, "window_s": 1.5, "poll_s": 0.15}
"""For the short form: everything sooner."""


def rows(port: int, *, short: bool) -> list[Row]:
    """So many tests at once; every record that any journal holds must have come."""
    count = 3 if short else 50
    listener = Listener(port)
    settings = {"columns": 1, "rows": 1} if short else {"columns": 2, "rows": 2}
    began_s = time.monotonic()
    try:
        with (
            serving(
                "benches", broker_port=port, count=count, procedure=BRISK if short else NORMAL, **settings
            ) as served,
            daemons(served["configs"]) as running,
        ):
            done = _wait_until_finished(listener, count, 90.0 if short else 1200.0)
            took_s = time.monotonic() - began_s
            times = [psutil.Process(process.pid).cpu_times() for process in running if process.poll() is None]
            alive = len(times)
            cpu_s = sum(each.user + each.system for each in times)
            time.sleep(3.0)  # noqa: TID251 - for what is still under way
            written = {config: _written(Path(config)) for config in served["configs"]}
    finally:
        listener.close()
    lost = _lost(listener.messages, written)
    never = ""
    if lost:
        never = f"{lost} records lost"
    elif done < count or alive < count:
        never = f"only {done} tests of {count} ended, {alive} daemons lived"
    return [
        Row(
            "many",
            "benches at a normal pace on one Mosquitto, all on this machine, each a daemon of its own",
            float(done),
            "benches",
            float(count),
            True,
            f"{sum(written.values())} records, {lost} lost; {figure(cpu_s / took_s)} cores for {count} daemons "
            f"over {figure(took_s)} s, their start included",
            1,
            never=never,
        )
    ]


def _wait_until_finished(listener: Listener, count: int, longest_s: float) -> int:
    done: set[str] = set()

    def all_done(topic: str, body: dict[str, Any]) -> bool:
        if topic.endswith("/summary"):
            done.add(body["bench"])
        return len(done) >= count

    listener.wait_for(all_done, longest_s)
    return len(done)


def _written(config: Path) -> int:
    """Highest number in a bench's journal."""
    with sqlite3.connect(f"file:{config.parent / 'journal.sqlite'}?mode=ro", uri=True) as db:
        (highest,) = db.execute("SELECT MAX(seq) FROM record").fetchone()
    return int(highest)


def _lost(messages: list[tuple[float, str, dict[str, Any]]], written: dict[str, int]) -> int:
    """Numbers up to each journal's highest that never came."""
    came: dict[str, set[int]] = {}
    for _, _, body in messages:
        if "record_id" in body:
            came.setdefault(body["bench"], set()).add(body["seq"])
    lost = 0
    for config, highest in written.items():
        found = re.search(r"bench-\d+", config.rsplit("/", 2)[1])
        assert found is not None
        lost += len(set(range(1, highest + 1)) - came.get(found[0], set()))
    return lost
