"""The whole daemon of ``lampwarden run`` in a :class:`~support.world_loop.WorldLoop`: real broker, disk and threads,
simulated instruments and operator, virtual time.

Instruments are spoken to in line, so link threads and ports are not in it.
"""

import asyncio
import contextlib
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

from lampwarden.daemon.clock import ClockOrigin, ScaledClock
from lampwarden.daemon.config import BenchConfig, load_config
from lampwarden.daemon.mqtt.publisher import Publisher
from lampwarden.daemon.service import Daemon, Opener
from lampwarden.daemon.simulated.campaign import PORTS, inline_opener
from lampwarden.daemon.simulated.simulation import (
    bench_table,
    lamp_setup,
    operator_prompt,
    spectral_file,
    write_bench,
)
from lampwarden.protocol.commands import Begin
from lampwarden.protocol.records import StatusMessage
from lampwarden.simulators.bench import SimulatedBench
from lampwarden.simulators.operator import SimulatedOperator
from lampwarden.simulators.scenario import Scenario

from .benches import START
from .mosquitto import free_port
from .world_loop import WorldLoop


class WorldBench:
    """One daemon and its world."""

    def __init__(
        self, loop: WorldLoop, folder: Path, scenario: Scenario, seed: int, speed: float, **extra: Any
    ) -> None:
        """Prepare.

        Args:
            loop: That this runs in.
            folder: Gets ``bench.toml`` and the journal.
            scenario: What is simulated.
            seed: Of all chance.
            speed: Bench seconds in a second of wire time (live messages, time-outs, back-off).
            extra: Tables of ``bench.toml``.
        """
        self.bench = SimulatedBench(scenario, seed)
        self.clock = ScaledClock(ClockOrigin(0.0, START, speed), machine=loop.time)
        tables: Any = {"metrics": {"port": free_port()}, "panel": {"port": free_port()}, **extra}
        table = bench_table(self.bench, PORTS, now=START, extra=tables)
        self.config: BenchConfig = load_config(write_bench(folder, table, spectral_file(self.bench, START)))
        opener: Opener = inline_opener(self.bench, self.clock)
        self.daemon = Daemon(self.config, opener, self.clock)
        self.state = ""
        self.task: asyncio.Task[None] | None = None
        self._changed = asyncio.Event()
        self._group: asyncio.TaskGroup | None = None
        self._operator = SimulatedOperator(self.bench, self.clock)

    @property
    def publisher(self) -> Publisher:
        assert self.daemon._publisher is not None
        return self.daemon._publisher

    def waits_for_broker(self) -> bool:
        """Whether an answer of the broker is under way."""
        if self.daemon._publisher is None:
            return False
        return any(
            link._client.socket() is not None
            and not link._disconnected.done()
            and (bool(link._acknowledged) or bool(link._pending_subscribes) or not link._connected.done())
            for link in self.publisher._links.values()
        )

    @contextlib.asynccontextmanager
    async def running(self) -> AsyncIterator["WorldBench"]:
        """Run the daemon, and the operator who acts on its prompts."""
        async with asyncio.TaskGroup() as group:
            self._group = group
            self.daemon.on_status = self._take_status
            self.task = group.create_task(self.daemon.run(), name="daemon")
            await self.daemon.ready.wait()
            yield self
            self.task.cancel()

    def _take_status(self, status: StatusMessage) -> None:
        if status.state != self.state:
            self.state = status.state
            self._changed.set()
        prompt = operator_prompt(status)
        if prompt is not None and self._group is not None:
            self._group.create_task(self._operator.act(prompt))

    async def begin(self, test_id: str) -> None:
        begin = Begin(id=f"begin-{test_id}", setup=lamp_setup(self.bench.scenario), test_id=test_id)
        reply = await self.publisher._bench.obey(begin)
        assert reply.accepted, reply.text

    async def until_state(self, *states: str) -> None:
        while self.state not in states:
            self._changed.clear()
            await self._changed.wait()
