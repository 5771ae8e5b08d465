"""Instruments that send lines by themselves: a weather logger with NMEA 0183 ``XDR`` sentences, loggers of text rows.

A device has no clock; whoever holds it asks what it has sent up to a time (:class:`~.device.TalkingDevice`). What the
host sends is ignored. Sentences are after the public description of NMEA 0183 at www.catb.org/gpsd/NMEA.html;
their code is this module's own.
"""

import math
from collections.abc import Callable
from functools import reduce

from .device import Outgoing
from .tent import Air

KEPT_S = 60.0
"""No port keeps more than this of what nobody reads."""


def sentence(body: str) -> str:
    """Return a sentence with its checksum, the exclusive or of what stands between ``$`` and ``*``."""
    total = reduce(lambda so_far, character: so_far ^ ord(character), body, 0)
    return f"${body}*{total:02X}"


class Talker:
    """A device that sends a line at each whole multiple of its interval.

    Args:
        line: What it sends at a bench time, without line end.
        interval_s: Time between two lines.
    """

    def __init__(self, line: Callable[[float], str], interval_s: float = 1.0) -> None:
        self._line = line
        self._interval_s = interval_s
        self._sent = -math.inf

    def receive(self, data: bytes, now_s: float) -> list[Outgoing]:
        """Nothing: it does not listen."""
        del data, now_s
        return []

    def line_break(self, now_s: float) -> list[Outgoing]:
        """Nothing."""
        del now_s
        return []

    def next_s(self, now_s: float) -> float:
        """When it will send next."""
        return max(self._sent + 1, math.ceil(now_s / self._interval_s)) * self._interval_s

    def talk(self, until_s: float) -> list[Outgoing]:
        """What it has sent since the last call, up to that time."""
        last = math.floor(until_s / self._interval_s)
        first = max(self._sent + 1, last - math.floor(KEPT_S / self._interval_s))
        self._sent = max(self._sent, last)
        out = []
        for number in range(int(first), last + 1):
            due_s = number * self._interval_s
            out.append(Outgoing(due_s, self._line(due_s).encode("utf-8") + b"\r\n"))
        return out


def nmea_logger(read: Callable[[float], Air], interval_s: float = 1.0) -> Talker:
    """Return a weather logger; its pressure comes in a sentence of its own, as an older one's would."""

    def line(now_s: float) -> str:
        air = read(now_s)
        warm = f"WIXDR,C,{air.temperature_c:.2f},C,AIR,H,{air.humidity_percent:.2f},P,AIR"
        return f"{sentence(warm)}\r\n{sentence(f'WIXDR,P,{air.pressure_hpa / 1000.0:.5f},B,BARO')}"

    return Talker(line, interval_s)


def row_logger(read: Callable[[float], Air], interval_s: float = 1.0, *, with_time: bool = False) -> Talker:
    """Return a logger of rows: values between commas, or time and values between semicolons with decimal commas."""

    def line(now_s: float) -> str:
        air = read(now_s)
        if not with_time:
            return f"{air.temperature_c:.2f},{air.humidity_percent:.2f},{air.pressure_hpa:.1f}"
        numbers = f"{air.temperature_c:.2f};{air.humidity_percent:.2f};{air.pressure_hpa:.1f}".replace(".", ",")
        return f"{now_s:010.1f}s;{numbers}"

    return Talker(line, interval_s)


def number_logger(read: Callable[[float], float], interval_s: float = 1.0) -> Talker:
    """Return a sensor that sends one number a line."""
    return Talker(lambda now_s: f"{read(now_s):.1f}", interval_s)
