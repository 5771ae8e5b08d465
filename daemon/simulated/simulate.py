"""A simulated bench as a process of its own: real serial and USB paths, a lamp, and an operator if wanted."""

import asyncio
import contextlib
import fcntl
import json
import os
import secrets
import socket
import stat
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path
from typing import Final, TextIO

from ...protocol.errors import ConfigurationError, LampwardenError, reason_of
from ...simulators.bench import SimulatedBench
from ...simulators.operator import SimulatedOperator
from ...simulators.ports import PtyPort
from ...simulators.scenario import Scenario
from ...simulators.usb_ports import VirtualBus
from ..clock import ClockOrigin, ScaledClock
from ..config import BenchConfig
from ..mqtt.broker import HOST
from ..mqtt.client import BenchClient
from ..service import broker_address
from .simulation import BENCH_ID, Toml, bench_table, operator_prompts, spectral_file, write_bench

PORTS: Final = range(12_000, 32_000)
HELP: Final = "strike | off | move SPOT | press | long | bump | quit"


@dataclass(frozen=True, slots=True)
class Simulation:
    """A simulated bench that is being served."""

    bench: SimulatedBench
    clock: ScaledClock
    config_path: Path
    config: BenchConfig


@contextmanager
def served_bench(
    scenario: Scenario,
    seed: int,
    *,
    folder: Path,
    speed: float,
    broker_port: int | None = None,
    extra: Toml | None = None,
) -> Iterator[Simulation]:
    """Serve a bench on pseudo-terminals and a virtual USB bus, and write its ``bench.toml``.

    Args:
        scenario: What is simulated.
        seed: Of all chance.
        folder: Gets ``bench.toml``, the calibration file and the links to the pseudo-terminals.
        speed: Bench seconds in a real second.
        broker_port: Of the embedded broker; None chooses a free one.
        extra: Tables that replace or add to those of the bench.

    Raises:
        LampwardenError: Another simulated bench is served in this folder, or it cannot be made or written.
    """
    clock = ScaledClock(ClockOrigin.now(speed))
    bench = SimulatedBench(scenario, seed)
    folder = folder.resolve()  # the ports in bench.toml must be found from anywhere
    with ExitStack() as stack:
        stack.enter_context(_held(folder))
        ports: dict[str, str] = {}
        for name, device in (
            ("quantum", bench.quantum),
            ("mains", bench.power_meter),
            ("air", bench.air_line),
        ):
            port = stack.enter_context(PtyPort(device, clock, folder / f"tty-{name}", lock=bench.lock))
            ports[name] = port.url
        ports["air-in"] = ports["air-out"] = ports.pop("air")
        bus = stack.enter_context(VirtualBus([bench.spectrometer, bench.foot_switch], clock, lock=bench.lock))
        ports["spectrometer"] = bus.url(bench.spectrometer)
        ports["pedal"] = bus.url(bench.foot_switch)
        origin = clock.origin
        assert origin.utc is not None  # noqa: S101 - ClockOrigin.now sets it
        tables: Toml = {
            "clock": {
                "speed": speed,
                "origin_monotonic_s": origin.monotonic_s,
                "origin_utc": origin.utc.astimezone(UTC),
            },
            "embedded_broker": {"port": broker_port or free_port()},
            "panel": {"port": free_port()},
            **(extra or {}),
        }
        table = bench_table(bench, ports, now=clock.utc(), extra=tables)
        path = write_bench(folder, table, spectral_file(bench, clock.utc()))
        yield Simulation(bench, clock, path, BenchConfig.model_validate(table))


@contextmanager
def _held(folder: Path) -> Iterator[None]:
    """Make a folder and keep it to one simulated bench; the system lets go when the process dies, however it dies."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        lock = os.open(folder / "simulated-bench.lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError as error:
        raise LampwardenError(
            f"cannot be written: {reason_of(error)}", where=str(folder), mend="name another folder with --out"
        ) from None
    try:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            holder = os.pread(lock, 32, 0).decode("ascii", "replace").strip() or "unknown"
            raise LampwardenError(
                f"another simulated bench serves here (process {holder})",
                where=str(folder),
                mend="stop it first, or name another folder with --out",
            ) from None
        os.ftruncate(lock, 0)
        os.pwrite(lock, str(os.getpid()).encode(), 0)
        yield
        os.ftruncate(lock, 0)
    finally:
        os.close(lock)


def free_port() -> int:
    """A TCP port of the loopback that nobody uses now, below those that systems give to outgoing connections.

    Among those a client that tries a broker that is away may be given the very port, and then connects to itself.
    """
    while True:
        port = secrets.choice(PORTS)
        with contextlib.suppress(OSError), socket.socket() as probe:
            probe.bind((HOST, port))
            return port


def truth(simulation: Simulation) -> str:
    """What the lamp really does over the grid, as JSON: PPFD of each spot now, and what follows from it."""
    bench, now_s = simulation.bench, simulation.clock.monotonic()
    spots = bench.scenario.grid.spots()
    with bench.lock:
        levels = {spot: bench.true_ppfd_umol(spot, now_s, now_s) for spot in spots}
    return json.dumps(
        {
            "simulated": True,
            "monotonic_s": now_s,
            "ppfd_umol": levels,
            "canopy_average_umol": sum(levels.values()) / len(levels),
            "uniformity_ratio": bench.true_uniformity_ratio(spots),
        }
    )


async def attend(
    simulation: Simulation, *, with_operator: bool, commands: TextIO | None, say: Callable[[str], None]
) -> None:
    """Keep the bench going until the input ends or says ``quit``; without one, until it is cancelled.

    Args:
        simulation: The bench.
        with_operator: Whether the simulated operator follows the daemon's prompts.
        commands: Lines such as ``strike``; None: only the operator acts.
        say: Gets lines for a person.
    """
    async with asyncio.TaskGroup() as group:
        following = None
        if with_operator:
            following = group.create_task(follow_bench(simulation), name="operator")
        await _obey_lines(simulation, commands, say)
        if following is not None:
            following.cancel()


async def follow_bench(simulation: Simulation) -> None:
    """Let the simulated operator follow the prompts that the bench publishes; runs until cancelled."""
    client = BenchClient(BENCH_ID, broker_address(simulation.config))
    operator = SimulatedOperator(simulation.bench, simulation.clock)
    async with asyncio.TaskGroup() as group:
        async for prompt in operator_prompts(client.statuses()):
            group.create_task(operator.act(prompt))


async def _obey_lines(simulation: Simulation, commands: TextIO | None, say: Callable[[str], None]) -> None:
    if commands is None:
        await asyncio.Event().wait()
        return
    reader = asyncio.StreamReader()
    loop = asyncio.get_running_loop()

    def protocol() -> asyncio.StreamReaderProtocol:
        return asyncio.StreamReaderProtocol(reader)

    transport, _ = await loop.connect_read_pipe(protocol, commands)
    with contextlib.closing(transport):
        while line := await reader.readline():
            words = line.decode("utf-8", "replace").split()
            if words == ["quit"]:
                return
            if words:
                say(_act(simulation, words))


def _act(simulation: Simulation, words: list[str]) -> str:
    bench, now_s = simulation.bench, simulation.clock.monotonic()
    match words:
        case ["strike"]:
            bench.strike(now_s)
        case ["off"]:
            bench.switch_off(now_s)
        case ["move", where]:
            try:
                bench.place_sensor(where, now_s)
            except ValueError as error:
                return str(error)
        case ["press"]:
            bench.foot_switch.press(now_s)
        case ["long"]:
            bench.foot_switch.press(now_s, long=True)
        case ["bump"]:
            bench.bump(now_s)
        case ["truth"]:
            return truth(simulation)
        case _:
            return f"what? one of: {HELP}"
    return "done"


def scenario_by_name(name: str, seed: int) -> Scenario:
    """The scenario that an option names.

    Raises:
        ConfigurationError: There is none of this name.
    """
    known: dict[str, Callable[[], Scenario]] = {
        "demo": Scenario.demo,
        "ideal": Scenario.ideal,
        "random": lambda: Scenario.random(seed),
    }
    if name not in known:
        raise ConfigurationError(f"no scenario {name!r}", where="--scenario", mend=f"one of: {', '.join(known)}")
    return known[name]()


def stdin_or_none() -> TextIO | None:
    """Standard input where its end can be waited on: a terminal, a pipe or a socket; not a file and not /dev/null."""
    try:
        number = sys.stdin.fileno()
        mode = os.fstat(number).st_mode
        can_wait = os.isatty(number) or stat.S_ISFIFO(mode) or stat.S_ISSOCK(mode)
    except (OSError, ValueError, AttributeError):
        return None
    return sys.stdin if can_wait else None
