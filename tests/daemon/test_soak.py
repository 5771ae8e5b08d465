"""The soak in its reduced form: one simulated day in four parts, and that a leak would be found."""

from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import pytest
from studies.soak import RSS_MB_A_DAY, Day, judge, soak
from support.virtual_bench import SMALL

QUARTER_S = 6 * 3600.0
SLOW = {"poll_s": 2.0, "conditions_every_s": 60.0}
"""Half as many polls and few conditions, so that a day takes seconds."""
STEADY = [Day(n, 4, 1000 * n, 0, 80.0 + 0.01 * n, 150_000, 20, 4, 45.0, 10.0 * n, 100.0, n) for n in range(1, 15)]


def soak_alone(folder: Path, **what: Any) -> list[Day]:
    """In a process of its own: one that has run other tests grows and shrinks for reasons of its own."""
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        return pool.submit(soak, folder, **what).result()


@pytest.mark.slow
@pytest.mark.timeout(240)
def test_a_day_of_tests_leaves_the_daemon_as_small_as_it_was(tmp_path: Path) -> None:
    """The bounds are looser than over fourteen days: caches are filling."""
    days = soak_alone(tmp_path, days=4, tests_a_day=1, day_s=QUARTER_S, grid=SMALL, procedure=SLOW)
    assert judge(days[1:], 1, rss_mb_a_day=4.0, objects_a_day=200.0).complaints == ()
    assert days[-1].records > 400
    assert days[-1].connections == 5, "the broker was away four times"


@pytest.mark.slow
@pytest.mark.timeout(240)
def test_a_leak_with_each_record_is_found(tmp_path: Path) -> None:
    """400 kB each: some forty megabytes a test, beside which all that fills at a start is little."""
    days = soak_alone(
        tmp_path, days=2, tests_a_day=1, day_s=QUARTER_S / 2, grid=SMALL, procedure=SLOW, leak_bytes=400_000
    )
    complaints = judge(days, 1, rss_mb_a_day=20.0, objects_a_day=1e6).complaints
    assert [c.split(" by ")[0] for c in complaints] == ["resident memory grows"]


def test_fourteen_steady_days_hold() -> None:
    assert judge(STEADY, 4).held


@pytest.mark.parametrize(
    ("field", "grows"),
    [("rss_mb", 2 * RSS_MB_A_DAY), ("objects", 30), ("fds", 1), ("threads", 1)],
)
def test_what_grows_by_a_little_each_day_is_found(field: str, grows: float) -> None:
    days = [replace(day, **{field: getattr(day, field) + grows * day.day}) for day in STEADY]
    (complaint,) = judge(days, 4).complaints
    assert {"rss_mb": "resident memory"}.get(field, field) in complaint


@pytest.mark.parametrize(
    ("bad", "word"),
    [
        (replace(STEADY[-1], unsent=3), "not sent"),
        (replace(STEADY[-1], tests=3), "3 tests of 4"),
        (replace(STEADY[-1], journal_mb=60.0), "journal"),
        (replace(STEADY[-1], log_kb=700.0), "logs"),
    ],
)
def test_one_bad_day_is_found(bad: Day, word: str) -> None:
    (complaint,) = judge([*STEADY[:-1], bad], 4).complaints
    assert word in complaint
