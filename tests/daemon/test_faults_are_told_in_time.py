"""Each fault of each instrument in each phase of a test: told in time, and the test is kept and ends well.

Measured in bench time, in virtual tests, from the moment at which the fault begins until the health record is in the
journal. DEVELOPERS.md ("How soon a fault is told") has the figures as a table.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import pytest
from lampwarden.daemon.service import AIR_POLL_S
from lampwarden.drivers.modbus_reader import RESPONSE_S, TRIES
from lampwarden.drivers.scpi_device import QUERY_S
from lampwarden.simulators.faults import Fault
from support.judging import assert_average_from_records, assert_durable, assert_holds_truth, assert_never_early
from support.virtual_bench import Outcome, VirtualBench, run_bench, small

pytestmark = pytest.mark.slow

ON_A_LINE = (
    Fault.SILENT,
    Fault.UNPLUGGED,
    Fault.HANG,
    Fault.BABBLE,
    Fault.LATE,
    Fault.GARBAGE,
    Fault.WRONG,
    Fault.BAD_CRC,
)
ON_USBTMC = (
    Fault.SILENT,
    Fault.UNPLUGGED,
    Fault.HANG,
    Fault.STALL,
    Fault.BABBLE,
    Fault.LATE,
    Fault.GARBAGE,
    Fault.WRONG,
)
ON_HID = (Fault.UNPLUGGED, Fault.HANG)
"""One that sends no reports cannot be told from one that nobody presses."""

POLL_S: Final = 1.0
LOOK_S: Final = 2.0
# Nine tries of a command of four characters and 41 of an answer at 1200 Bd, 80 ms of grace each, and three breaks: see
# drivers/sdi12_sensor.py.
SDI12_S: Final = 3 * (0.025 + 3 * (0.080 + 45 * 10 / 1200 + 0.017))
MODBUS_S: Final = TRIES * (RESPONSE_S + 0.005)
# A question, then the error queue, each with its time-out, and the aborts of both.
SCPI_S: Final = 2 * QUERY_S + 0.2
HID_S: Final = 0.5


@dataclass(frozen=True)
class Claim:
    """How soon a fault of an instrument is told."""

    box: str
    name: str
    faults: tuple[Fault, ...]
    asked_every_s: float
    time_out_s: float
    sharers: int = 1
    """Instruments on its line: each waits for the others' time-outs too."""

    @property
    def bound_s(self) -> float:
        return self.asked_every_s + self.sharers * self.time_out_s


CLAIMS = (
    Claim("quantum", "quantum", ON_A_LINE, POLL_S, SDI12_S),
    Claim("power_meter", "mains", ON_A_LINE, POLL_S, MODBUS_S),
    Claim("air_line", "air-in", ON_A_LINE, AIR_POLL_S, MODBUS_S, sharers=2),
    Claim("spectrometer", "spectrometer", ON_USBTMC, LOOK_S, SCPI_S),
    Claim("foot_switch", "pedal", ON_HID, LOOK_S, HID_S),
)
WALKS: tuple[tuple[tuple[str, str | None], ...], ...] = (
    (("prepare", None), ("warm_up", None), ("tune", None), ("window", "A1"), ("await_press", "C2")),
    (("await_strike", None), ("cool_down", None), ("settle", "C1"), ("conclude", None)),
)
"""All phases, in two tests, so that each fault is over and done with before the next phase begins."""


def _cases() -> Iterator[Any]:
    for claim in CLAIMS:
        for fault in claim.faults:
            for number, walk in enumerate(WALKS):
                yield pytest.param(claim, fault, walk, id=f"{claim.name}-{fault.value.replace(' ', '-')}-{number}")


@pytest.mark.parametrize(("claim", "fault", "walk"), list(_cases()))
def test_fault_in_each_phase_is_told_in_time_and_the_test_ends_well(
    claim: Claim, fault: Fault, walk: tuple[tuple[str, str | None], ...]
) -> None:
    begun_s: list[tuple[str, float]] = []

    async def spoil(bench: VirtualBench) -> None:
        assert bench.service is not None
        station = bench.service.stations[claim.name]
        faults = bench.bench.faults[claim.box]
        for phase, spot in walk:
            if phase == "cool_down":
                await bench.until_state("await_press", "A1")
                bench.bench.switch_off(bench.clock.monotonic())
            await bench.until_state(phase, spot)
            while station.health.state.value != "ok":  # the daemon has just been started, at the first phase
                await bench.clock.sleep(0.1)
            faults.switch_on(fault)
            begun_s.append((phase, bench.clock.monotonic()))
            await bench.clock.sleep(claim.bound_s + 1.0)
            assert station.health.state.value in {"unreachable", "faulty"}, phase
            faults.switch_off()
            if phase == "cool_down":
                bench.bench.strike(bench.clock.monotonic())
            while station.health.state.value != "ok":
                await bench.clock.sleep(0.5)

    outcome = run_bench(small(), script=spoil)
    told = _told(outcome, claim.name)
    for phase, at_s in begun_s:
        after_s = next(told_s for told_s, state in told if told_s >= at_s and state != "ok") - at_s
        assert after_s <= claim.bound_s + 0.05, (phase, after_s)
    assert told[-1][1] == "ok"
    assert len(begun_s) == len(walk)
    _assert_kept(outcome)


def _told(outcome: Outcome, name: str) -> list[tuple[float, str]]:
    """When each health record of an instrument was made, in bench time, and what it says."""
    return [(r["monotonic_s"], r["state"]) for r in outcome.of("instrument") if r["instrument"] == name]


def _assert_kept(outcome: Outcome) -> None:
    """Nothing read is lost, nothing is read too early, and the result holds the truth."""
    assert outcome.last_state == "done"
    assert_durable(outcome.records, simulated=True)
    assert_never_early(outcome.spots)
    assert outcome.summary["missing_spots"] == []
    assert_average_from_records(outcome.summary, outcome.spots)
    assert_holds_truth(outcome.summary, outcome.spots, outcome.bench)
