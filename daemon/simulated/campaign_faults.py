"""Random faults for virtual tests: what goes wrong with which instrument, when and for how long, drawn from a seed.

Owns the plan of a test's faults and switches them on and off in bench time. Every instrument of the bench can fail in
every way that its wire knows and virtual time allows: a hung device answers nothing, since no call can be made to hang
without a thread; a plug is pulled and put back. Faults of several instruments may meet.
"""

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass
from random import Random
from typing import Final

from ...protocol.clock import Clock
from ...simulators.bench import SimulatedBench
from ...simulators.faults import Fault

_ON_A_LINE: Final = (
    Fault.SILENT,
    Fault.BABBLE,
    Fault.LATE,
    Fault.WRONG,
    Fault.GARBAGE,
    Fault.BAD_CRC,
    Fault.HANG,
    Fault.UNPLUGGED,
)
KINDS: Final[Mapping[str, tuple[Fault, ...]]] = {
    "quantum": _ON_A_LINE,
    "power_meter": _ON_A_LINE,
    "air_line": _ON_A_LINE,
    "spectrometer": (
        Fault.SILENT,
        Fault.BABBLE,
        Fault.LATE,
        Fault.WRONG,
        Fault.GARBAGE,
        Fault.STALL,
        Fault.HANG,
        Fault.UNPLUGGED,
    ),
    "foot_switch": (Fault.SILENT, Fault.HANG, Fault.UNPLUGGED),
}
"""What can happen to each device of a simulated bench, by its attribute."""
FEWEST: Final = 3
MOST: Final = 10
LATEST_S: Final = 3000.0
"""A test takes some 45 min; later faults would seldom meet it."""
SHORTEST_S: Final = 1.0
LONGEST_S: Final = 90.0
"""From a loose contact to somebody who looks for the other cable."""


@dataclass(frozen=True, slots=True)
class PlannedFault:
    """One fault of one device; times are bench seconds."""

    device: str
    fault: Fault
    begins_s: float
    lasts_s: float


def plan_faults(seed: int) -> tuple[PlannedFault, ...]:
    """Draw the faults of one test, in the order of their beginning."""
    chance = Random(f"faults {seed}")  # noqa: S311 - simulated chance needs no secret
    found = []
    for _ in range(chance.randint(FEWEST, MOST)):
        device = chance.choice(tuple(KINDS))
        fault = chance.choice(KINDS[device])
        found.append(PlannedFault(device, fault, chance.uniform(0.0, LATEST_S), chance.uniform(SHORTEST_S, LONGEST_S)))
    return tuple(sorted(found, key=lambda each: each.begins_s))


async def let_happen(plan: tuple[PlannedFault, ...], bench: SimulatedBench, clock: Clock) -> None:
    """Switch the planned faults on and off; returns when the last one is over."""

    async def happen(each: PlannedFault) -> None:
        box = bench.faults[each.device]
        await clock.sleep(each.begins_s - clock.monotonic())
        box.switch_on(each.fault)
        await clock.sleep(each.lasts_s)
        box.switch_off(each.fault)

    async with asyncio.TaskGroup() as group:
        for each in plan:
            group.create_task(happen(each))
