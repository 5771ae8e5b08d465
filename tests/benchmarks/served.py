"""Simulated instruments in processes of their own, so that what they cost is not ours.

Run by itself (``python served.py WHAT OPTIONS``) it is that process: it prints one line of JSON that says where things
are, and ends when its standard input does.
"""

import asyncio
import contextlib
import json
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from lampwarden.daemon.clock import wire_sleep
from lampwarden.daemon.mqtt.client import BenchClient
from lampwarden.daemon.service import broker_address
from lampwarden.daemon.simulated.simulate import Simulation, served_bench
from lampwarden.daemon.simulated.simulation import lamp_setup, operator_prompts
from lampwarden.protocol.commands import Begin
from lampwarden.protocol.errors import BrokerError
from lampwarden.simulators.camera import SpectrometerPlan
from lampwarden.simulators.field import GridPlan
from lampwarden.simulators.lamp import sodium_plan
from lampwarden.simulators.meters import Supply
from lampwarden.simulators.modbus import ModbusLine, meter_unit
from lampwarden.simulators.operator import SimulatedOperator
from lampwarden.simulators.ports import PtyPort
from lampwarden.simulators.scenario import OperatorPlan, Scenario
from lampwarden.simulators.scpi_spectrometer import SpectrometerCommands
from lampwarden.simulators.usb_ports import VirtualBus
from lampwarden.simulators.usbtmc import UsbSpectrometer

TEST_ID = "benchmark"
HURRIED = {"warm_up_minimum_s": 2.0, "settle_minimum_s": 1.0, "window_s": 1.0, "poll_s": 0.1}
"""Gates as short as SDI-12 at 1200 Bd allows (a reading takes 0.15 s), so that many spots are read in a minute."""


@contextlib.contextmanager
def serving(what: str, **options: object) -> Iterator[dict[str, Any]]:
    """Run this module as a process; yields what it printed."""
    with tempfile.TemporaryDirectory(prefix="lampwarden-bench-") as folder:
        command = [sys.executable, __file__, what, json.dumps({"folder": folder, **options})]
        with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
            assert process.stdin is not None
            assert process.stdout is not None
            try:
                yield json.loads(process.stdout.readline())
            finally:
                process.stdin.close()
                try:
                    process.wait(5)
                except subprocess.TimeoutExpired:
                    process.kill()


class SteadyLight:
    """What a spectrometer sees that always shows the same: no physics in the way of the wire."""

    plan = SpectrometerPlan()
    shown = np.round(np.linspace(1000.0, 60000.0, 2048)) + 0.5

    def duration_s(self, integration_s: float, averages: int) -> float:
        return averages * integration_s

    def counts(self, start_s: float, integration_s: float, averages: int, *, open_: bool) -> np.ndarray:
        return self.shown


class RealTime:
    """The machine's time, perhaps faster."""

    def __init__(self, speed: float = 1.0) -> None:
        self.speed = speed

    def monotonic(self) -> float:
        return time.monotonic() * self.speed


def serve_spectrometer(folder: Path) -> Iterator[dict[str, object]]:
    device = UsbSpectrometer(SpectrometerCommands(SteadyLight()))
    with VirtualBus([device], RealTime(1000.0)) as bus:
        yield {"number": bus.number, "url": bus.url(device)}


def serve_meter(folder: Path) -> Iterator[dict[str, object]]:
    core = ModbusLine({1: meter_unit(lambda _now_s: Supply(230.0, 1.25, 261.5, 0.91, 50.0, 12.0))})
    with PtyPort(core, RealTime(), folder / "meter") as port:
        yield {"url": port.url}


@dataclass(frozen=True)
class Quick:
    """How benches that read spot after spot are set up."""

    broker_port: int
    count: int = 1
    columns: int = 4
    rows: int = 4
    speed: float = 1.0
    begin: bool = True
    procedure: dict[str, float] | None = None


def quick_scenario(columns: int, rows: int) -> Scenario:
    """A lamp that is warm at once, no noise, no drift, a person who is always there: only the daemon takes time."""
    base = Scenario.ideal()
    lamp = replace(
        sodium_plan("QUICK"), light_rise_s=0.3, tail_rel=0.0, power_rise_s=0.2, ignition_s=0.1, drift_per_hour=0.0
    )
    pitch_m = 0.8 / max(columns, rows)
    middle = f"{chr(ord('A') + columns // 2)}{rows // 2 + 1}"
    return replace(
        base,
        lamp=lamp,
        grid=GridPlan(columns=columns, rows=rows, pitch_x_m=pitch_m, pitch_y_m=pitch_m, reference=middle),
        light_field=replace(base.light_field, x_m=0.0, y_m=0.0),
        quantum=replace(base.quantum, lag_s=0.0),
        operator=OperatorPlan(shortest_s=0.02, longest_s=0.05),
    )


def serve_benches(folder: Path, options: Quick) -> Iterator[dict[str, object]]:
    """Benches with an operator each, in one process."""
    with contextlib.ExitStack() as stack:
        simulations = [
            stack.enter_context(
                served_bench(
                    quick_scenario(options.columns, options.rows),
                    seed,
                    folder=folder / f"bench-{seed}",
                    speed=options.speed,
                    extra={
                        "bench": {"id": f"bench-{seed}"},
                        "broker": {"host": "127.0.0.1", "port": options.broker_port},
                        "procedure": dict(options.procedure or {}),
                    },
                )
            )
            for seed in range(1, options.count + 1)
        ]
        operators = threading.Thread(target=lambda: asyncio.run(_operate(simulations, options)), daemon=True)
        operators.start()
        yield {
            "configs": [str(simulation.config_path) for simulation in simulations],
            "origins": [simulation.clock.origin.monotonic_s for simulation in simulations],
            "speed": options.speed,
        }


async def _operate(simulations: list[Simulation], options: Quick) -> None:
    async with asyncio.TaskGroup() as group:
        for simulation in simulations:
            group.create_task(_operate_one(simulation, begin=options.begin))


async def _operate_one(simulation: Simulation, *, begin: bool) -> None:
    client = BenchClient(simulation.config.bench.id, broker_address(simulation.config))
    operator = SimulatedOperator(simulation.bench, simulation.clock)
    begun = not begin
    async with asyncio.TaskGroup() as group:
        async for status in client.statuses():
            if status.online and not begun and status.state == "idle":
                begun = True
                setup = lamp_setup(simulation.bench.scenario)
                group.create_task(_begin(client, Begin(id="benchmark-begin", setup=setup, test_id=TEST_ID)))
            async for prompt in operator_prompts(_one(status)):
                group.create_task(operator.act(prompt))


async def _begin(client: BenchClient, command: Begin) -> None:
    """Until it is answered: a daemon says that it is there a moment before it listens."""
    await wire_sleep(1.0)  # an answer that nobody gives is waited for much longer
    while True:
        try:
            await client.command(command)
        except BrokerError:
            continue
        return


async def _one(item: Any) -> Any:
    yield item


def main() -> None:
    what, text = sys.argv[1:]
    options = json.loads(text)
    folder = Path(options.pop("folder"))
    running = {
        "spectrometer": lambda: serve_spectrometer(folder),
        "meter": lambda: serve_meter(folder),
        "benches": lambda: serve_benches(folder, Quick(**options)),
    }[what]()
    sys.stdout.write(json.dumps(next(running)) + "\n")
    sys.stdout.flush()
    sys.stdin.read()
    running.close()


if __name__ == "__main__":
    main()
