"""The demonstration: a simulated bench in a process of its own, the daemon in this one, one whole test."""

import asyncio
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from ...drivers.registry import Registry
from ...protocol.commands import Begin
from ...protocol.errors import BrokerError, LampwardenError
from ...protocol.records import StatusMessage, SummaryRecord, schema_name
from ...simulators.scenario import Scenario
from ..config import load_config
from ..mqtt.client import BenchClient
from ..service import Daemon, Opener, broker_address
from .simulation import lamp_setup

START_BOUND_S: Final = 20.0
"""Longest wait for the simulated bench and for the broker."""
TEST_BOUND_S: Final = 2 * 3600.0
"""Bench time within which the demonstration's test must be over; it takes about three quarters of an hour."""


@contextmanager
def simulated_process(folder: Path, speed: float, seed: int) -> Iterator[Path]:
    """Run ``lampwarden simulate`` beside us; it ends when its standard input does, so it cannot outlive us.

    Yields:
        The path of its ``bench.toml``.

    Raises:
        LampwardenError: It did not start.
    """
    command = [sys.executable, "-m", "lampwarden.daemon.cli", "simulate", "--out", str(folder)]
    command += ["--speed", str(speed), "--seed", str(seed)]
    with subprocess.Popen(  # noqa: S603 - our own program
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        try:
            assert process.stdout is not None  # noqa: S101 - asked for above
            first = process.stdout.readline().strip()
            if not first:
                _, errors = process.communicate(timeout=START_BOUND_S)
                raise LampwardenError(f"the simulated bench did not start: {errors.strip()}", where="simulate")
            yield Path(first)
        finally:
            if process.stdin is not None:
                process.stdin.close()
            try:
                process.wait(timeout=5)
            except subprocess.TimeoutExpired:
                process.kill()


async def run_demo(
    folder: Path,
    *,
    speed: float,
    seed: int,
    on_status: Callable[[StatusMessage], None],
    on_event: Callable[[str], None],
    on_panel: Callable[[str], None] = lambda _: None,
) -> SummaryRecord:
    """Run the demonstration.

    Args:
        folder: Gets the configuration and the journal.
        speed: Bench seconds in a real second.
        seed: Of all chance.
        on_status: Gets each status.
        on_event: Gets each line that a technician would write in a notebook.
        on_panel: Gets the address of the panel once the bench takes commands.

    Raises:
        LampwardenError: It could not start, or did not come to an end.
    """
    with simulated_process(folder, speed, seed) as path:
        config = load_config(path)
        daemon = Daemon(config, Opener(Registry()))
        daemon.on_status = on_status
        client = BenchClient(config.bench.id, broker_address(config))
        summaries: list[SummaryRecord] = []
        hears = asyncio.Event()
        async with asyncio.TaskGroup() as group:
            running = group.create_task(daemon.run(), name="daemon")
            listening = group.create_task(_listen(client, summaries, on_event, hears), name="listener")
            await _ready(daemon, running, hears)
            if config.panel.enabled:
                on_panel(f"http://{config.panel.host}:{config.panel.port}/")
            await client.command(Begin(id="demo-begin", setup=lamp_setup(Scenario.demo())))
            try:
                async with asyncio.timeout(TEST_BOUND_S / speed + START_BOUND_S):
                    await listening
            except TimeoutError:
                raise LampwardenError("the test did not come to an end", where="demo") from None
            running.cancel()
        return summaries[0]


async def _ready(daemon: Daemon, running: asyncio.Task[None], hears: asyncio.Event) -> None:
    """Wait until the daemon takes commands and is listened to, or until it has failed: then its task says why.

    A listener that found no broker yet tries again a little later; of a test begun before it would miss the beginning.
    """
    try:
        async with asyncio.timeout(START_BOUND_S):
            await daemon.ready.wait()
            await daemon.connected()
            await hears.wait()
    except TimeoutError:
        if not running.done():
            raise BrokerError("the daemon did not reach its broker", where="demo") from None


async def _listen(
    client: BenchClient, summaries: list[SummaryRecord], on_event: Callable[[str], None], hears: asyncio.Event
) -> None:
    """Follow the test over MQTT as anybody could, until its summary comes."""
    async for topic, text in client.follow(keep_trying=True):
        hears.set()  # the bench's status is retained, so something comes at once
        if f'"schema":"{schema_name(SummaryRecord)}"' in text:
            summaries.append(SummaryRecord.model_validate_json(text))
            return
        if topic.endswith("/events"):
            on_event(text)


@contextmanager
def folder_or_temporary(out: Path | None) -> Iterator[Path]:
    """The folder that was asked for, which the simulated bench makes, or one that goes away afterwards."""
    if out is not None:
        yield out
        return
    with tempfile.TemporaryDirectory(prefix="lampwarden-demo-") as name:
        yield Path(name)
