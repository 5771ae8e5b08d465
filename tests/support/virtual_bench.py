"""A whole bench in virtual time, with hooks: the same assembly that a campaign uses, stopped and disturbed at will.

Everything between the instruments' bytes and the journal is the daemon's own; the instruments, the lamp and the
operator are the simulators'. A *script* runs beside the test and may strike, press, bump, break instruments, send
commands, or kill the daemon and start another one on the same journal.
"""

import asyncio
import json
from collections.abc import Callable, Coroutine, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from lampwarden.daemon.clock import VirtualClock, run_virtual
from lampwarden.daemon.config import BenchConfig
from lampwarden.daemon.service import Service, watch_clocks
from lampwarden.daemon.simulated.campaign import PORTS, START, id_factory, inline_opener
from lampwarden.daemon.simulated.simulation import bench_table, lamp_setup, operator_prompt, spectral_file
from lampwarden.daemon.stamp import Stamp
from lampwarden.daemon.store.journal import Journal, JournalFile
from lampwarden.daemon.store.journal_rows import CHECKPOINT
from lampwarden.protocol.commands import AnyCommand, Begin, Reply
from lampwarden.protocol.records import StatusMessage
from lampwarden.simulators.bench import SimulatedBench
from lampwarden.simulators.field import GridPlan
from lampwarden.simulators.operator import SimulatedOperator
from lampwarden.simulators.scenario import Scenario

from .machine_time import MachineTime, as_of_an_earlier_boot

TEST_ID = "virtual-1"
SMALL = GridPlan(columns=3, rows=2, reference="B1")
"""Six spots: enough for a walk, few enough to be quick."""


def small(scenario: Scenario | None = None, **changes: Any) -> Scenario:
    """A scenario on a small grid, so that a whole test takes a third of a second."""
    return replace(scenario or Scenario.demo(), grid=SMALL, sags=(), disturbances=(), **changes)


@dataclass
class VirtualBench:
    """What a script may touch."""

    bench: SimulatedBench
    clock: VirtualClock
    journal: Journal
    config: BenchConfig
    machine: MachineTime | None = None
    """The clocks of the PC, where they are to be moved; then ``clock`` is this too."""
    service: Service | None = None
    operator: SimulatedOperator | None = None
    """None: nobody acts on prompts."""
    statuses: list[tuple[float, StatusMessage]] = field(default_factory=list)
    group: asyncio.TaskGroup | None = None
    _running: asyncio.Task[None] | None = None
    _waiters: list[tuple[Callable[[StatusMessage], bool], asyncio.Future[StatusMessage]]] = field(default_factory=list)
    _new_id: Any = None

    # The daemon.

    def start(self) -> None:
        """Start a daemon on the journal; one that was killed before is not needed any more."""
        assert self.group is not None
        stamp = Stamp(self.config.bench.id, self.clock, simulated=True, new_id=self._new_id)
        service = Service(
            self.config,
            self.clock,
            self.journal,
            inline_opener(self.bench, self.clock),
            stamp,
            live_every_s=5.0,
            suspended=(lambda: 0.0) if self.machine is None else self.machine.suspended,
        )
        service.use_spectral_calibration(spectral_file(self.bench, self.clock.utc()), "simulated calibration")
        service.conductor.on_message = self._follow
        self.service = service
        self._running = self.group.create_task(self._run(service), name="daemon")

    async def _run(self, service: Service) -> None:
        """As :class:`~lampwarden.daemon.service.Daemon` does it: beside the bench its clocks are watched."""
        async with asyncio.TaskGroup() as group:
            group.create_task(service.run())
            if self.machine is not None:
                tell = service.conductor.clock_changed
                group.create_task(watch_clocks(self.machine, tell, suspended=self.machine.suspended))

    async def kill(self) -> None:
        """Stop the daemon where it stands; what is not in the journal is gone."""
        assert self.service is not None
        assert self._running is not None
        self.service.conductor.on_message = lambda _: None
        self._running.cancel()
        await asyncio.wait([self._running])

    async def reboot(self, away_s: float, *, synchronised: bool = True) -> None:
        """The power of the PC goes and comes back: a daemon of another boot wakes up on what the journal has.

        Args:
            away_s: Until the next daemon runs.
            synchronised: Whether the system clock was synchronised before.
        """
        await self.kill()
        stored = await self.journal.checkpoint(CHECKPOINT)
        assert stored is not None
        moved = as_of_an_earlier_boot(stored, synchronised=synchronised)
        await self.journal.append(checkpoint=(CHECKPOINT, moved))
        await self.clock.sleep(away_s)
        self.start()

    async def command(self, command: AnyCommand) -> Reply:
        assert self.service is not None
        return await self.service.conductor.obey(command)

    def press(self, *, long: bool = False) -> None:
        """Step on the pedal, now."""
        self.bench.foot_switch.press(self.clock.monotonic(), long=long)

    # Waiting.

    async def until(self, wanted: Callable[[StatusMessage], bool]) -> StatusMessage:
        """The next status that is as wanted; the present one counts."""
        if self.statuses and wanted(self.statuses[-1][1]):
            return self.statuses[-1][1]
        future: asyncio.Future[StatusMessage] = asyncio.get_running_loop().create_future()
        self._waiters.append((wanted, future))
        return await future

    async def until_state(self, state: str, spot: str | None = None) -> StatusMessage:
        """Until the test is in a phase, and its prompt is about a spot."""

        def wanted(status: StatusMessage) -> bool:
            about = status.prompt.spot if status.prompt is not None else None
            return status.state == state and (spot is None or about == spot)

        return await self.until(wanted)

    def _follow(self, message: object) -> None:
        if not isinstance(message, StatusMessage):
            return
        self.statuses.append((self.clock.monotonic(), message))
        prompt = operator_prompt(message)
        if self.operator is not None and prompt is not None and self.group is not None:
            self.group.create_task(self.operator.act(prompt))
        for wanted, future in list(self._waiters):
            if not future.done() and wanted(message):
                future.set_result(message)
        self._waiters = [(w, f) for w, f in self._waiters if not f.done()]


Script = Callable[[VirtualBench], Coroutine[object, object, None]]


@dataclass(frozen=True)
class Outcome:
    """What a run left behind."""

    records: list[dict[str, Any]]
    """All records, in the order of ``seq``, as JSON objects."""
    statuses: list[tuple[float, StatusMessage]]
    bench: SimulatedBench
    ended_s: float

    def of(self, schema: str) -> list[dict[str, Any]]:
        return [r for r in self.records if r["schema"] == f"lampwarden.{schema}/1"]

    @property
    def spots(self) -> list[dict[str, Any]]:
        return self.of("spot")

    @property
    def summary(self) -> dict[str, Any]:
        (summary,) = self.of("summary")
        return summary

    def events(self, *names: str) -> list[dict[str, Any]]:
        return [r for r in self.of("event") if not names or r["event"] in names]

    def health(self, instrument: str) -> list[str]:
        return [r["state"] for r in self.of("instrument") if r["instrument"] == instrument]

    @property
    def last_state(self) -> str:
        return self.statuses[-1][1].state


def run_bench(
    scenario: Scenario,
    seed: int = 1,
    *,
    without: Sequence[str] = (),
    procedure: Mapping[str, Any] | None = None,
    instruments: Mapping[str, Any] | None = None,
    script: Script | None = None,
    with_operator: bool = True,
    longest_s: float = 4 * 3600.0,
    journal: Callable[[str], Journal] | None = None,
    on_machine_time: bool = False,
    until: Callable[[StatusMessage], bool] = lambda status: status.state in ("done", "abandoned"),
) -> Outcome:
    """Run one test from the begin command until it is over.

    Args:
        scenario: What is simulated.
        seed: Of all chance.
        without: Instruments that this bench does not have, by name.
        procedure: Keys of ``[procedure]``.
        instruments: Tables of instruments, in place of the simulated bench's own of that name.
        script: Runs beside the test, from the moment the daemon has started; it may end early.
        with_operator: Whether the simulated operator acts on prompts.
        longest_s: A test that takes longer is stuck: ``TimeoutError``.
        journal: Makes the journal for a bench id; None: in memory.
        on_machine_time: Whether bench time comes from a PC whose clocks the script may move.
        until: Ends the run.
    """

    async def main(virtual_clock: VirtualClock) -> Outcome:
        machine = MachineTime(asyncio.get_running_loop(), START) if on_machine_time else None
        clock: Any = machine or virtual_clock
        bench = SimulatedBench(scenario, seed)
        table = bench_table(
            bench,
            PORTS,
            now=clock.utc(),
            calibration_file=None,
            extra={"procedure": dict(procedure or {})},
        )
        present = table["instruments"]
        assert isinstance(present, dict)
        present |= instruments or {}
        for name in without:
            del present[name]
        config = BenchConfig.model_validate(table)
        make = journal or (lambda bench_id: Journal(JournalFile(None, bench_id), in_line=True))
        virtual = VirtualBench(bench, clock, make(config.bench.id), config)
        virtual.machine = machine
        virtual._new_id = id_factory(seed)
        virtual.operator = SimulatedOperator(bench, clock) if with_operator else None
        try:
            async with asyncio.timeout(longest_s), asyncio.TaskGroup() as group:
                virtual.group = group
                virtual.start()
                scripted = group.create_task(script(virtual)) if script is not None else None
                await virtual.until(lambda status: status.online)
                reply = await virtual.command(Begin(id="begin-1", setup=lamp_setup(scenario), test_id=TEST_ID))
                assert reply.accepted, reply.text
                await virtual.until(until)
                if scripted is not None:
                    await scripted
                await virtual.kill()
            rows = await virtual.journal.since(1, 1_000_000)
        finally:
            await virtual.journal.close()
        return Outcome([json.loads(row.body) for row in rows], virtual.statuses, bench, clock.monotonic())

    return run_virtual(main, START)
