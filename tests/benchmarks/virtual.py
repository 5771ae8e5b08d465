"""Whole tests in virtual time: procedure, drivers, simulators and journal, in one thread."""

import time
from typing import Final

from lampwarden.daemon.simulated.campaign import campaign
from table import Row, figure, median
from yardstick import bare_loop_s

TEST_PER_BARE_LOOP: Final = 7.0
"""What a test costs beside the yardstick: 6.8 to 7.2 in three runs of twelve tests each."""


def rows(*, short: bool) -> list[Row]:
    """Tests for each second of processor time: one thread, so of one core."""
    repeats = 5 if short else 15
    took, bare = [], []
    next(campaign(1, 900))  # imports and tables are made once
    for seed in range(repeats):
        bare.append(bare_loop_s())
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
            f"{figure(median(took))} s of processor time a test, longest {figure(max(took))} s; "
            f"a bare loop with as many waits and messages {figure(median(bare))} s",
            repeats,
            bound=1.0 / (TEST_PER_BARE_LOOP * median(bare)),
            why="some 5,000 polls and 2,000 looks at idle instruments a test, each through driver, wire and simulated "
            "device, make up half of it; the rest is spread thin, no function but the loop takes 3 %",
        )
    ]
