"""How fast this machine runs Python: a bare loop that waits, and writes and reads a small message, some thousand times.

Most rows are ratios beside a peer and hold on any machine. A few goals are figures of one machine, and others are half
as fast: these rows are judged by what can be had here.
"""

import asyncio
import json
import time
from typing import Final

TASKS: Final = 7
WAITS: Final = 7000
"""About as many as a test in virtual time has polls and looks."""
MESSAGE: Final = {"kind": "bare", "values": [0.1 * n for n in range(12)], "text": "ok", "at": {"s": 12.5}}
REFERENCE_S: Final = 0.065
"""What it takes on the machine of the README's table; reckoned from its row of virtual time, not measured there."""


async def _bare_loop() -> None:
    async def waits() -> None:
        loop = asyncio.get_running_loop()
        for _ in range(WAITS // TASKS):
            woken = loop.create_future()
            loop.call_later(0.0, woken.set_result, None)
            await woken
            json.loads(json.dumps(MESSAGE))

    async with asyncio.TaskGroup() as group:
        for _ in range(TASKS):
            group.create_task(waits())


def bare_loop_s() -> float:
    """Processor time of one run, the least of three: the first one of a process is slower."""
    took = []
    for _ in range(3):
        began = time.process_time()
        asyncio.run(_bare_loop())
        took.append(time.process_time() - began)
    return min(took)


def attainable(goal: float, bare_s: float) -> float | None:
    """What can be had here of a goal that is the most a figure should be; None where it is the goal itself."""
    slowness = bare_s / REFERENCE_S
    return goal * slowness if slowness > 1.0 else None
