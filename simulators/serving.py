"""Serves a whole simulated bench on real ports: three pseudo-terminals and a virtual USB bus.

What a demonstration, or a simulator in a process of its own, opens and closes as one thing.
"""

import contextlib
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType

from .bench import SimulatedBench
from .ports import Port, PtyPort, SocketPort, TimeSource
from .usb_ports import VirtualBus


class ServedBench:
    """A bench on ports, while it is entered as a context.

    Args:
        bench: The bench.
        time: Bench time, and how fast it runs.
        folder: Where the symbolic links to the pseudo-terminals go; None serves the lines on TCP sockets instead, for
            systems without pseudo-terminals.
        usb_number: TCP port of the virtual bus; 0 takes a free one.
    """

    def __init__(self, bench: SimulatedBench, time: TimeSource, folder: Path | None, *, usb_number: int = 0) -> None:
        self._bench = bench
        lines = {
            "quantum": bench.quantum,
            "power_meter": bench.power_meter,
            "air_line": bench.air_line,
        }
        self._ports: dict[str, Port] = {
            name: PtyPort(device, time, folder / name.replace("_", "-"), lock=bench.lock)
            if folder is not None
            else SocketPort(device, time, lock=bench.lock)
            for name, device in lines.items()
        }
        self._bus = VirtualBus([bench.spectrometer, bench.foot_switch], time, usb_number, lock=bench.lock)
        self._open = contextlib.ExitStack()

    def __enter__(self) -> "ServedBench":
        with contextlib.ExitStack() as opening:
            for port in self._ports.values():
                opening.enter_context(port)
            opening.enter_context(self._bus)
            self._open = opening.pop_all()
        return self

    def __exit__(self, *exception: object) -> None:
        self._open.close()

    @property
    def urls(self) -> Mapping[str, str]:
        """How each instrument is opened, by its name on the bench; both air loggers are on ``air_line``."""
        found = {name: port.url for name, port in self._ports.items()}
        found["spectrometer"] = self._bus.url(self._bench.spectrometer)
        found["foot_switch"] = self._bus.url(self._bench.foot_switch)
        return MappingProxyType(found)
