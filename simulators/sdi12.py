"""SDI-12 version 1.4, the sensor's side, and the quantum and air sensors that speak it.

Written from the tables of commands and responses of the standard (SDI-12 Support Group, v1.4, tables 5–11, section
4.4.12 for the CRC; timing from memory). Commands: ``?!``, ``a!``, ``aI!``, ``aAb!``, ``aM!`` ``aM1!``–``aM9!`` and the
same with ``C`` (concurrent) and a CRC (``aMC!``, ``aCC!``), ``aD0!``–``aD9!``, ``aR0!``–``aR9!``, ``aRC0!``–``aRC9!``,
``aV!``.

Bytes are taken in any split; whatever is not a command for this address is silently dropped, as the standard wants.
Bit 7 is ignored, so the same sensor works at 7E1 and over a pseudo-terminal's 8N1. A break wakes the sensor; because
a pseudo-terminal delivers none, the sensor by default needs no waking.

A service request is handed out together with the answer to ``aM!``, since the device has no clock to send it later. If
the recorder breaks in before it is due, :meth:`Sdi12Sensor.receive` answers as the standard wants, but the
request, already handed out, still arrives.
"""

import string
from collections.abc import Callable, Mapping
from functools import lru_cache

from .device import Outgoing
from .modbus import crc_register
from .tent import Air

ANSWER_AFTER_S = 0.010
"""The reply must start within 15 ms of the command's last stop bit (SDI-12, timing; from memory)."""

CHARACTER_S = 10 / 1200
"""One start bit, seven data bits, parity, one stop bit at 1200 Bd."""

AWAKE_S = 0.1
"""A sensor may sleep after 100 ms of marking without an address it knows (from memory)."""

LONGEST_COMMAND = 32
"""Longest command kept; the standard's longest are far below, the rest is noise."""

MEASURING_S = 1


def crc_of(text: bytes) -> bytes:
    """Return the three CRC characters of a response (SDI-12 v1.4, 4.4.12: CRC-16/ARC in 6-bit pieces)."""
    register = crc_register(text, 0)
    return bytes((0x40 | register >> 12, 0x40 | (register >> 6 & 0x3F), 0x40 | (register & 0x3F)))


def format_value(value: float, decimals: int = 1) -> str:
    """Return a value with its sign, at most seven digits and nine characters (SDI-12, from memory)."""
    text = f"{value:+.{decimals}f}"
    if len(text) > 9:
        text = f"{value:+.0f}"[:8]
    return text


Values = Callable[[float], tuple[float, ...]]
"""What a measurement gives at an instant of bench time."""


class Sdi12Sensor:
    """A sensor on an SDI-12 line.

    Args:
        measured: What ``aM!`` (0), ``aM1!`` and so on give; the same with C.
        continuous: What ``aR0!`` and so on give.
        address: Its address character.
        needs_break: Whether it sleeps until a break wakes it, as on a real line.
    """

    identification = ""

    def __init__(
        self,
        measured: Mapping[int, Values],
        continuous: Mapping[int, Values],
        address: str = "0",
        *,
        needs_break: bool = False,
    ) -> None:
        self._measured = measured
        self._continuous = continuous
        self.address = address
        self.needs_break = needs_break
        self._buffer = bytearray()
        self._awake_until_s = float("-inf")
        self._ready_s = float("-inf")
        self._values: tuple[str, ...] = ()
        self._with_crc = False
        self._announced = False

    def line_break(self, now_s: float) -> list[Outgoing]:
        """Wake up, forget a half-received command, and give up a measurement that is not finished."""
        self._buffer.clear()
        self._awake_until_s = now_s + AWAKE_S
        self._give_up(now_s)
        return []

    def receive(self, data: bytes, now_s: float) -> list[Outgoing]:
        """Take bytes of the recorder and return the responses."""
        out: list[Outgoing] = []
        for byte in data:
            character = byte & 0x7F
            if character != 0x21:  # "!"
                if 0x21 < character < 0x7F:
                    self._buffer.append(character)
                else:
                    self._buffer.clear()  # a command holds no blanks or control characters
                if len(self._buffer) > LONGEST_COMMAND:
                    del self._buffer[0]
                continue
            command = self._buffer.decode("ascii")
            self._buffer.clear()
            if self.needs_break and now_s > self._awake_until_s:
                continue
            for delay_s, text in self._answer(command, now_s):
                due_s = now_s + delay_s + ANSWER_AFTER_S + CHARACTER_S * len(text)
                out.append(Outgoing(due_s, text))
                self._awake_until_s = due_s + AWAKE_S
        return out

    def _give_up(self, now_s: float) -> None:
        if self._announced and now_s < self._ready_s:
            self._values = ()
            self._announced = False

    def _answer(self, command: str, now_s: float) -> list[tuple[float, bytes]]:
        if command == "?":
            return [(0.0, self._line(""))]
        if not command or command[0] != self.address:
            return []
        rest = command[1:]
        self._give_up(now_s)
        if rest == "":
            return [(0.0, self._line(""))]
        if rest == "I":
            return [(0.0, self._line(self.identification))]
        if len(rest) == 2 and rest[0] == "A":
            if rest[1] in string.ascii_letters + string.digits:
                self.address = rest[1]
            return [(0.0, self._line(""))]
        if len(rest) == 2 and rest[0] == "D" and rest[1] in string.digits:
            return [(0.0, self._data(int(rest[1]), now_s))]
        kind, with_crc, which = _split(rest)
        if kind in {"M", "C", "V"}:
            return self._start(kind, which, now_s, with_crc=with_crc)
        if kind == "R":
            found = self._continuous[which](now_s) if which in self._continuous else ()
            return [(0.0, self._line("".join(map(format_value, found)), with_crc=with_crc))]
        return []

    def _start(self, kind: str, which: int, now_s: float, *, with_crc: bool) -> list[tuple[float, bytes]]:
        self._with_crc = with_crc
        self._announced = kind == "M"
        self._ready_s = now_s + MEASURING_S
        if kind != "V" and which not in self._measured:
            self._values = ()
            self._ready_s = now_s
            return [(0.0, self._line("0000" if kind == "M" else "00000"))]
        if kind == "V":
            self._values = ("+0",)  # no fault found
            self._ready_s = now_s
            return [(0.0, self._line("0001"))]
        self._values = tuple(map(format_value, self._measured[which](self._ready_s)))
        count = len(self._values)
        if kind == "C":
            return [(0.0, self._line(f"{MEASURING_S:03d}{count:02d}"))]
        return [(0.0, self._line(f"{MEASURING_S:03d}{count}")), (float(MEASURING_S), self._line(""))]

    def _data(self, which: int, now_s: float) -> bytes:
        self._announced = False
        values = "".join(self._values) if which == 0 and now_s >= self._ready_s - ANSWER_AFTER_S else ""
        return self._line(values, with_crc=self._with_crc)

    def _line(self, text: str, *, with_crc: bool = False) -> bytes:
        body = (self.address + text).encode("ascii")
        return body + (crc_of(body) if with_crc else b"") + b"\r\n"


@lru_cache(maxsize=256)
class QuantumSensor(Sdi12Sensor):
    """A quantum sensor: PPFD by ``aM!`` and ``aR0!``.

    Args:
        read_ppfd_umol: What the sensor shows at an instant of bench time.
        address: Its address character.
        needs_break: Whether it sleeps until a break wakes it, as on a real line.
    """

    identification = "14LWSIM   QUANT1100SIMULATED"

    def __init__(
        self, read_ppfd_umol: Callable[[float], float], address: str = "0", *, needs_break: bool = False
    ) -> None:
        def values(at_s: float) -> tuple[float, ...]:
            return (read_ppfd_umol(at_s),)

        super().__init__({0: values}, {0: values}, address, needs_break=needs_break)


class AirSensor(Sdi12Sensor):
    """An air sensor: temperature and humidity by ``aM!``, pressure by ``aM1!``, nothing continuously."""

    identification = "14LWSIM   AIR-S1100SIMULATED"

    def __init__(self, read: Callable[[float], Air], address: str = "0", *, needs_break: bool = False) -> None:
        def air(at_s: float) -> tuple[float, ...]:
            shown = read(at_s)
            return (shown.temperature_c, shown.humidity_percent)

        super().__init__({0: air, 1: lambda at_s: (read(at_s).pressure_hpa,)}, {}, address, needs_break=needs_break)


def _split(rest: str) -> tuple[str, bool, int]:
    """Take ``MC1`` apart into M, with CRC, 1; an unknown command gives an empty kind."""
    kind, tail = rest[0], rest[1:]
    with_crc = tail.startswith("C")
    tail = tail[1:] if with_crc else tail
    needs_digit = kind == "R"
    if kind not in {"M", "C", "R", "V"} or (kind == "V" and rest != "V"):
        return ("", False, 0)
    if tail == "":
        return ("", False, 0) if needs_digit else (kind, with_crc, 0)
    if len(tail) == 1 and tail in string.digits and (needs_digit or tail != "0"):
        return (kind, with_crc, int(tail))
    return ("", False, 0)
