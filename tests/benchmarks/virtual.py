"""Whole tests in virtual time: procedure, drivers, simulators and journal, in one thread."""

import time

from lampwarden.daemon.simulated.campaign import campaign
from table import Row, figure, median


def rows(*, short: bool) -> list[Row]:
    """Tests for each second of processor time: one thread, so of one core."""
    repeats = 3 if short else 15
    took = []
    next(campaign(1, 900))  # imports and tables are made once
    for seed in range(repeats):
        began = time.process_time()
        next(campaign(1, seed))
        took.append(time.process_time() - began)
    return [
        Row(
            "virtual",
            "virtual time: whole 24-spot tests in a second of one core",
            1.0 / median(took),
            "a second",
            3.0,
            True,
            f"{figure(median(took))} s of processor time a test, longest {figure(max(took))} s",
            repeats,
            bound=2.2,
            why="some 5,000 polls and 2,000 looks at idle instruments a test, each through driver, wire and simulated "
            "device, make up half of it; the rest is spread thin, no function but the loop takes 3 %",
        )
    ]
