"""Campaigns in virtual time: whole tests, procedure and drivers and simulators included, in one process, no threads.

The same code as on a bench; only the clock, the links and the runner differ. Two runs of one seed give the same. Each
test is watched from outside, and what may never happen is counted: readings before their gates, records that were told
and are not in the journal.
"""

import asyncio
import gc
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from random import Random
from typing import Final
from uuid import UUID, uuid4

from ...drivers.instruments import InlinePort
from ...drivers.registry import Registry, user_profile_folder
from ...protocol.clock import Clock
from ...protocol.commands import Begin
from ...protocol.errors import CommandRefusedError, MeasurementError
from ...protocol.records import Record, SpotRecord, StatusMessage, SummaryRecord, schema_name
from ...simulators.bench import SimulatedBench
from ...simulators.lamp import Lamp
from ...simulators.operator import Prompt as OperatorPrompt
from ...simulators.operator import SimulatedOperator
from ...simulators.scenario import Scenario
from ..clock import VirtualClock, run_virtual
from ..config import BenchConfig, InstrumentTable
from ..procedure.progress import Phase
from ..service import Opener, Service
from ..stamp import Stamp
from ..store.journal import Journal, JournalFile
from .campaign_faults import PlannedFault, let_happen, plan_faults
from .simulation import bench_table, lamp_setup, operator_prompt, spectral_file

START: Final = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
"""Bench time at which each virtual test begins: an invented day."""
LONGEST_TEST_S: Final = 6 * 3600.0
"""A test of an hour that takes six is stuck."""
LIVE_EVERY_S: Final = 3600.0
"""Nobody watches in virtual time."""
PATIENCE_S: Final = 60.0
"""A person who pressed and sees nothing happen presses again; longer than settling, window and a held gate's word."""
PAGE: Final = 1000
WARM_UP_S: Final = 900.0
SETTLE_S: Final = 30.0
"""The minima that a bench comes with, said again here: the observer takes no word from what it observes."""


@dataclass(frozen=True, slots=True)
class Losses:
    """What may never happen to records; each must be 0.

    Attributes:
        gaps: Numbers that the journal gave out and does not hold.
        untrue: Records that were told and that the journal holds otherwise, or not at all.
        unread: Windows that opened and left no record of a reading.
    """

    gaps: int
    untrue: int
    unread: int

    @property
    def total(self) -> int:
        """All of them."""
        return self.gaps + self.untrue + self.unread


@dataclass(frozen=True, slots=True, repr=False)
class TestResult:
    """What a virtual test came to, beside the truth.

    No ``repr``: asyncio spells a task's result out when it takes its signal handler down, at a cost that shows.
    """

    __test__ = False  # the name is not pytest's

    summary: SummaryRecord
    spots: tuple[SpotRecord, ...]
    true_average_umol: float
    true_ratio: float
    losses: Losses
    early_readings: int
    faults: tuple[PlannedFault, ...]

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


def inline_opener(bench: SimulatedBench, clock: Clock) -> Opener:
    """Opens instruments straight onto simulated devices; a port is the name of a device of the bench."""

    def port_of(table: InstrumentTable) -> InlinePort:
        return InlinePort(getattr(bench, table.port.removeprefix("inline:")), clock, table.port)

    return Opener(_registry(user_profile_folder()), port_of)


@cache
def _registry(user_folder: Path) -> Registry:
    """Looking for profiles and entry points takes longer than building a bench, and finds the same for every test."""
    return Registry(user_folder=user_folder)


PORTS: Final = {
    "quantum": "inline:quantum",
    "mains": "inline:power_meter",
    "air-in": "inline:air_line",
    "air-out": "inline:air_line",
    "spectrometer": "inline:spectrometer",
    "pedal": "inline:foot_switch",
}


def run_test(
    scenario: Scenario,
    seed: int,
    *,
    run: int = 0,
    test_id: str | None = None,
    every_id: Callable[[], UUID] = uuid4,
    faults: tuple[PlannedFault, ...] = (),
    longest_s: float = LONGEST_TEST_S,
) -> TestResult:
    """Run one whole test in virtual time.

    Raises:
        MeasurementError: The test did not end within ``longest_s`` bench seconds, or not with a summary.
    """
    bench = SimulatedBench(scenario, seed, run)

    async def main(clock: VirtualClock) -> TestResult:
        test = _VirtualTest(bench, clock, test_id or f"virtual-{seed}-{run}", every_id, faults)
        return await test.run(longest_s)

    return run_virtual(main, START)


class _VirtualTest:
    """One test: the daemon's assembly, the operator, and an observer."""

    def __init__(
        self,
        bench: SimulatedBench,
        clock: VirtualClock,
        test_id: str,
        every_id: Callable[[], UUID],
        faults: tuple[PlannedFault, ...],
    ) -> None:
        self._bench, self._clock, self._test_id, self._faults = bench, clock, test_id, faults
        config = BenchConfig.model_validate(bench_table(bench, PORTS, now=clock.utc(), calibration_file=None))
        self._journal = Journal(JournalFile(None, config.bench.id), in_line=True)
        self._journal.on_appended = self._take_records
        stamp = Stamp(config.bench.id, clock, simulated=True, new_id=every_id)
        opener = inline_opener(bench, clock)
        self._service = Service(config, clock, self._journal, opener, stamp, live_every_s=LIVE_EVERY_S)
        self._service.use_spectral_calibration(spectral_file(bench, clock.utc()), "simulated calibration")
        self._operator = SimulatedOperator(bench, clock)
        self._group: asyncio.TaskGroup | None = None
        self._up, self._over = asyncio.Event(), asyncio.Event()
        self._state = ""
        self._prompt: OperatorPrompt | None = None
        self._prompted_s = 0.0
        self._told: list[Record] = []
        self._windows = 0

    async def run(self, longest_s: float) -> TestResult:
        conductor = self._service.conductor
        async with asyncio.TaskGroup() as group:
            self._group = group
            conductor.on_message = self._take_message
            beside = [
                group.create_task(self._service.run()),
                group.create_task(let_happen(self._faults, self._bench, self._clock)),
                group.create_task(self._repeat_what_had_no_effect()),
            ]
            await self._up.wait()
            setup = lamp_setup(self._bench.scenario)
            reply = await conductor.obey(Begin(id=f"begin-{self._test_id}", setup=setup, test_id=self._test_id))
            if not reply.accepted:
                raise CommandRefusedError(reply.text, where="begin")
            with suppress(TimeoutError):
                async with asyncio.timeout(longest_s):
                    await self._over.wait()
            conductor.on_message = lambda _: None
            for task in beside:
                task.cancel()
        if not self._over.is_set():
            raise MeasurementError(f"test {self._test_id} did not end within {longest_s / 3600:g} h")
        result = await self._result()
        await self._journal.close()
        return result

    def _take_records(self, records: list[Record]) -> None:
        self._told.extend(records)

    def _take_message(self, message: object) -> None:
        if not isinstance(message, StatusMessage):
            return
        self._up.set()
        if message.state != self._state:
            self._state = message.state
            self._windows += message.state == Phase.WINDOW
        prompt = operator_prompt(message)
        if prompt is not None and prompt != self._prompt:
            self._prompt, self._prompted_s = prompt, self._clock.monotonic()
            self._act(prompt)
        if message.state in (Phase.DONE.value, Phase.ABANDONED.value):
            self._over.set()

    def _act(self, prompt: OperatorPrompt) -> None:
        if self._group is not None:
            self._group.create_task(self._operator.act(prompt))

    async def _repeat_what_had_no_effect(self) -> None:
        """A press that a broken foot switch swallowed is made again."""
        again = 0
        while True:
            await self._clock.sleep(PATIENCE_S)
            if self._prompt is not None and self._clock.monotonic() - self._prompted_s >= PATIENCE_S:
                again += 1
                self._act(replace(self._prompt, number=-again))

    async def _result(self) -> TestResult:
        journal = self._journal
        bodies = await journal.of_test(self._test_id, schema_name(SummaryRecord))
        if not bodies:
            raise MeasurementError(f"test {self._test_id} ended without a summary")
        summary = SummaryRecord.model_validate_json(bodies[-1])
        spots = tuple(
            SpotRecord.model_validate_json(body)
            for body in await journal.of_test(self._test_id, schema_name(SpotRecord))
        )
        # The truth over the time from opening to closing reading.
        from_s = min(spot.window_opened_monotonic_s for spot in spots)
        to_s = max(spot.window_closed_monotonic_s for spot in spots)
        names = summary.grid.spots()
        return TestResult(
            summary=summary,
            spots=spots,
            true_average_umol=self._bench.true_canopy_average_umol(names, from_s, to_s),
            true_ratio=self._bench.true_uniformity_ratio(names),
            losses=count_losses(
                journal.last_seq, await self._stored(), self._told, windows=self._windows, readings=len(spots)
            ),
            early_readings=sum(is_early(spot, self._bench.lamp) for spot in spots if spot.undisturbed),
            faults=self._faults,
        )

    async def _stored(self) -> dict[int, str]:
        """Identity of each record in the journal, by its number; damaged ones are not there."""
        stored: dict[int, str] = {}
        from_seq = 1
        while rows := await self._journal.since(from_seq, PAGE):
            stored |= {row.seq: row.record_id for row in rows if not row.damaged}
            from_seq = rows[-1].seq + 1
        return stored


def count_losses(
    last_seq: int, stored: Mapping[int, str], told: Sequence[Record], *, windows: int, readings: int
) -> Losses:
    """Compare what was told with what is stored.

    Args:
        last_seq: Highest number given out.
        stored: Identity of each record in the journal, by its number.
        told: Records that anybody heard of.
        windows: How many windows opened.
        readings: How many left a record.
    """
    return Losses(
        gaps=len(set(range(1, last_seq + 1)) - stored.keys()),
        untrue=sum(stored.get(record.seq) != str(record.record_id) for record in told),
        unread=windows - readings,
    )


def is_early(spot: SpotRecord, lamp: Lamp) -> bool:
    """Whether a reading began before its gates allowed: by their own evidence, by the record's times, by the truth.

    Args:
        spot: The reading.
        lamp: The simulated lamp, which knows the true age of its arc; the daemon never sees it.
    """
    opened_s = spot.window_opened_monotonic_s
    burn = lamp.burn_at(opened_s)
    since_s = [(spot.strike_monotonic_s, WARM_UP_S), (None if burn is None else burn.start_s, WARM_UP_S)]
    if spot.pressed_monotonic_s is not None:
        since_s.append((spot.pressed_monotonic_s, SETTLE_S))
    by_times = any(begin_s is None or opened_s - begin_s < least_s - 1e-9 for begin_s, least_s in since_s)
    return by_times or any(gate.waited_s < gate.minimum_s - 1e-9 for gate in spot.gates)


def id_factory(seed: int) -> Callable[[], UUID]:
    """Ids that are the same for the same seed."""
    random = Random(seed)  # noqa: S311 - ids of simulated records need no secret
    return lambda: UUID(int=random.getrandbits(128), version=4)


def campaign(tests: int, seed: int, *, with_faults: bool = False) -> Iterator[TestResult | MeasurementError]:
    """Run tests on random benches, one after another; the same for the same seed.

    Yields:
        What each came to; an error in the place of a test that did not come to its end.
    """
    gc.freeze()  # what has been imported stays: the collector need not walk through it again in every test
    try:
        for index in range(tests):
            number = seed * 100_000 + index
            try:
                yield run_test(
                    Scenario.random(number),
                    number,
                    test_id=f"campaign-{seed}-{index + 1}",
                    every_id=id_factory(number),
                    faults=plan_faults(number) if with_faults else (),
                )
            except MeasurementError as error:
                yield error
    finally:
        gc.unfreeze()
