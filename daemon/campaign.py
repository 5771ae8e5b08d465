"""Campaigns in virtual time: whole tests, procedure and drivers and simulators included, in one process, no threads.

The same code as on a bench; only the clock, the links and the runner differ. Two runs of one seed give the same.
"""

import asyncio
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from random import Random
from typing import Final
from uuid import UUID, uuid4

from ..drivers.instruments import InlinePort
from ..drivers.registry import Registry
from ..protocol.commands import Begin
from ..protocol.errors import CommandRefusedError, MeasurementError
from ..protocol.records import SpotRecord, StatusMessage, SummaryRecord, schema_name
from ..simulators.bench import SimulatedBench
from ..simulators.operator import SimulatedOperator
from ..simulators.scenario import Scenario
from .clock import VirtualClock, run_virtual
from .config import BenchConfig, InstrumentTable
from .journal import Journal, JournalFile
from .procedure.progress import Phase
from .service import Opener, Service
from .simulation import bench_table, lamp_setup, operator_prompt, spectral_file
from .stamp import Stamp

START: Final = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
"""Bench time at which each virtual test begins: an invented day."""
LONGEST_TEST_S: Final = 6 * 3600.0
"""A test of an hour that takes six is stuck."""
LIVE_EVERY_S: Final = 3600.0
"""Nobody watches in virtual time."""


@dataclass(frozen=True, slots=True)
class TestResult:
    """What a virtual test came to, beside the truth."""

    summary: SummaryRecord
    spots: tuple[SpotRecord, ...]
    true_average_umol: float
    true_ratio: float

    @property
    def error_umol(self) -> float | None:
        """Stated minus true canopy average."""
        value = self.summary.canopy_average.value
        return None if value is None else value - self.true_average_umol

    @property
    def holds_truth(self) -> bool | None:
        """Whether the 95 % interval of the canopy average holds the truth."""
        error, expanded = self.error_umol, self.summary.expanded_uncertainty.value
        return None if error is None or expanded is None else abs(error) <= expanded


def inline_opener(bench: SimulatedBench, clock: VirtualClock) -> Opener:
    """Opens instruments straight onto simulated devices; a port is the name of a device of the bench."""

    def port_of(table: InstrumentTable) -> InlinePort:
        return InlinePort(getattr(bench, table.port.removeprefix("inline:")), clock, table.port)

    return Opener(Registry(), port_of)


PORTS: Final = {
    "quantum": "inline:quantum",
    "mains": "inline:power_meter",
    "air-in": "inline:air_line",
    "air-out": "inline:air_line",
    "spectrometer": "inline:spectrometer",
    "pedal": "inline:foot_switch",
}


def run_test(
    scenario: Scenario, seed: int, *, run: int = 0, test_id: str | None = None, every_id: Callable[[], UUID] = uuid4
) -> TestResult:
    """Run one whole test in virtual time.

    Raises:
        MeasurementError: The test did not end within :data:`LONGEST_TEST_S`.
    """
    bench = SimulatedBench(scenario, seed, run)

    async def main(clock: VirtualClock) -> TestResult:
        return await _test(bench, clock, test_id or f"virtual-{seed}-{run}", every_id)

    return run_virtual(main, START)


async def _test(bench: SimulatedBench, clock: VirtualClock, test_id: str, every_id: Callable[[], UUID]) -> TestResult:
    table = bench_table(bench, PORTS, now=clock.utc(), calibration_file=None)
    config = BenchConfig.model_validate(table)
    journal = Journal(JournalFile(None, config.bench.id), in_line=True)
    stamp = Stamp(config.bench.id, clock, simulated=True, new_id=every_id)
    service = Service(config, clock, journal, inline_opener(bench, clock), stamp, live_every_s=LIVE_EVERY_S)
    service.use_spectral_calibration(spectral_file(bench, clock.utc()), "simulated calibration")
    operator = SimulatedOperator(bench, clock)
    over = asyncio.Event()

    async with asyncio.TaskGroup() as group:

        def follow(message: object) -> None:
            if isinstance(message, StatusMessage):
                prompt = operator_prompt(message)
                if prompt is not None:
                    group.create_task(operator.act(prompt))
                if message.state in (Phase.DONE.value, Phase.ABANDONED.value):
                    over.set()

        service.conductor.on_message = follow
        running = group.create_task(service.run())
        await asyncio.sleep(0)  # noqa: TID251 - lets the conductor start; takes no time
        begin = Begin(id=f"begin-{test_id}", setup=lamp_setup(bench.scenario), test_id=test_id)
        reply = await service.conductor.obey(begin)
        if not reply.accepted:
            raise CommandRefusedError(reply.text, where="begin")
        with suppress(TimeoutError):
            async with asyncio.timeout(LONGEST_TEST_S):
                await over.wait()
        service.conductor.on_message = lambda _: None
        running.cancel()
    if not over.is_set():
        raise MeasurementError(f"test {test_id} did not end within {LONGEST_TEST_S / 3600:g} h")
    bodies = await journal.of_test(test_id, schema_name(SummaryRecord))
    spots = tuple(
        SpotRecord.model_validate_json(body) for body in await journal.of_test(test_id, schema_name(SpotRecord))
    )
    await journal.close()
    if not bodies:
        raise MeasurementError(f"test {test_id} ended without a summary")
    summary = SummaryRecord.model_validate_json(bodies[-1])
    return _beside_truth(bench, summary, spots)


def _beside_truth(bench: SimulatedBench, summary: SummaryRecord, spots: tuple[SpotRecord, ...]) -> TestResult:
    """The truth over the time from opening to closing reading."""
    from_s = min(spot.window_opened_monotonic_s for spot in spots)
    to_s = max(spot.window_closed_monotonic_s for spot in spots)
    names = summary.grid.spots()
    return TestResult(
        summary=summary,
        spots=spots,
        true_average_umol=bench.true_canopy_average_umol(names, from_s, to_s),
        true_ratio=bench.true_uniformity_ratio(names),
    )


def id_factory(seed: int) -> Callable[[], UUID]:
    """Ids that are the same for the same seed."""
    random = Random(seed)  # noqa: S311 - ids of simulated records need no secret
    return lambda: UUID(int=random.getrandbits(128), version=4)


def campaign(tests: int, seed: int) -> Iterator[TestResult]:
    """Run tests on random benches, one after another; the same for the same seed."""
    for index in range(tests):
        number = seed * 100_000 + index
        yield run_test(
            Scenario.random(number), number, test_id=f"campaign-{seed}-{index + 1}", every_id=id_factory(number)
        )
