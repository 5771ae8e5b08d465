"""What can go wrong with an instrument or its port, by name.

A device core is wrapped (:class:`FaultySerial`, :class:`FaultyUsb`) and behaves like the core until a fault is switched
on in its :class:`FaultBox`. Faults act between the core and the wire, so the cores stay clean and every wire has the
same names. Ports look into the box too: only a port can go away, chatter by itself, or stop taking bytes.

========== =========================================================================================
silent     takes everything, answers nothing
babble     sends noise by itself; called directly, noise before each answer
late       answers ``late_s`` after it should have
wrong      answers under another address or unit, with a right CRC; USB: with another bTag
garbage    sends as many bytes as it should, but not those
bad crc    one bit wrong, where the wire's CRC covers it; USB has its own CRC and knows no such fault
stall      USB: stalls control requests and the bulk endpoint towards it
hang       takes nothing and answers nothing, not even control requests
           (called directly: ``OSError(ETIMEDOUT)``)
unplugged  the port is gone; a device called directly raises ``OSError(ENODEV)``
========== =========================================================================================
"""

import errno
import threading
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from enum import Enum
from typing import Protocol

import numpy as np

from . import modbus, sdi12
from .device import Outgoing, SerialDevice, TalkingDevice, UsbDevice, clears_halt_of
from .hid import FootSwitch
from .seeds import stream
from .usbtmc import BULK_IN, BULK_OUT

LATE_S = 5.0
"""Later than a driver waits for any answer but that of a long exposure."""


class Fault(Enum):
    """The faults, by their names."""

    SILENT = "silent"
    BABBLE = "babble"
    LATE = "late"
    WRONG = "wrong"
    GARBAGE = "garbage"
    BAD_CRC = "bad crc"
    STALL = "stall"
    HANG = "hang"
    UNPLUGGED = "unplugged"


class FaultBox:
    """Which faults one device has at the moment; may be switched from any thread."""

    def __init__(self, seed: int = 0, *, late_s: float = LATE_S) -> None:
        self.late_s = late_s
        self._noise = stream(seed, "faults")
        self._active: frozenset[Fault] = frozenset()
        self._changed = threading.Condition()
        self._watchers: list[Callable[[], None]] = []

    def __contains__(self, fault: Fault) -> bool:
        return fault in self._active

    def __bool__(self) -> bool:
        return bool(self._active)

    def switch_on(self, *faults: Fault) -> None:
        """Let faults begin."""
        self._set(self._active | set(faults))

    def switch_off(self, *faults: Fault) -> None:
        """Let faults end; without names, all of them."""
        self._set(self._active - set(faults) if faults else frozenset())

    def watch(self, watcher: Callable[[], None]) -> None:
        """Have a port told of every change."""
        self._watchers.append(watcher)

    def wait_while(self, fault: Fault, timeout_s: float) -> bool:
        """Wait in real time until a fault is over; False on time-out."""
        with self._changed:
            return self._changed.wait_for(lambda: fault not in self._active, timeout_s)

    def noise(self, length: int) -> bytes:
        """Return random bytes."""
        return self._noise.integers(0, 256, length, dtype=np.uint8).tobytes()

    def _set(self, active: Iterable[Fault]) -> None:
        with self._changed:
            self._active = frozenset(active)
            self._changed.notify_all()
        for watcher in self._watchers:
            watcher()


class Spoiler(Protocol):
    """How answers of one wire are spoilt so that they stay plausible."""

    def readdressed(self, answer: bytes) -> bytes:
        """Return the answer as another address would have sent it."""
        ...

    def bad_crc(self, answer: bytes) -> bytes:
        """Return the answer with one bit wrong."""
        ...


class ModbusSpoiler:
    """Spoils Modbus RTU answers."""

    def readdressed(self, answer: bytes) -> bytes:
        """Next unit, CRC made right again."""
        body = bytes((answer[0] % 247 + 1,)) + answer[1:-2]
        return body + modbus.crc_of(body)

    def bad_crc(self, answer: bytes) -> bytes:
        """One bit of the last byte before the CRC."""
        return answer[:-3] + bytes((answer[-3] ^ 0x01,)) + answer[-2:]


class Sdi12Spoiler:
    """Spoils SDI-12 responses."""

    def readdressed(self, answer: bytes) -> bytes:
        """Address 9 (or 8), CRC made right again where there was a right one."""
        text = answer.rstrip(b"\r\n")
        address = b"8" if text[:1] == b"9" else b"9"
        if len(text) > 4 and sdi12.crc_of(text[:-3]) == text[-3:]:
            body = address + text[1:-3]
            return body + sdi12.crc_of(body) + b"\r\n"
        return address + text[1:] + b"\r\n"

    def bad_crc(self, answer: bytes) -> bytes:
        """One bit of the last character before CR LF; nothing of a bare address."""
        text = bytearray(answer.rstrip(b"\r\n"))
        if len(text) > 1:
            text[-1] ^= 0x01
        return bytes(text) + b"\r\n"


@dataclass(frozen=True, slots=True)
class _Unspoilt:
    def readdressed(self, answer: bytes) -> bytes:
        return answer

    def bad_crc(self, answer: bytes) -> bytes:
        return answer


def _gone() -> OSError:
    return OSError(errno.ENODEV, "the simulated device is unplugged")


def _spoilt(outgoing: list[Outgoing], faults: FaultBox, spoiler: Spoiler) -> list[Outgoing]:
    if Fault.SILENT in faults or Fault.HANG in faults:
        return []
    out = []
    for item in outgoing:
        data, due_s = item.data, item.due_s
        if data:
            if Fault.WRONG in faults:
                data = spoiler.readdressed(data)
            if Fault.BAD_CRC in faults:
                data = spoiler.bad_crc(data)
            if Fault.GARBAGE in faults:
                data = faults.noise(len(data))
            if Fault.BABBLE in faults:
                data = faults.noise(5) + data
        if Fault.LATE in faults:
            due_s += faults.late_s
        out.append(item._replace(due_s=due_s, data=data))
    return out


class FaultySerial:
    """A serial device with a fault box before it."""

    def __init__(self, core: SerialDevice, faults: FaultBox, spoiler: Spoiler | None = None) -> None:
        self.core = core
        self.faults = faults
        self._spoiler = spoiler or _Unspoilt()

    def receive(self, data: bytes, now_s: float) -> list[Outgoing]:
        """As the core, unless a fault is on."""
        if not self.faults:
            return self.core.receive(data, now_s)
        if Fault.UNPLUGGED in self.faults:
            raise _gone()
        if Fault.HANG in self.faults:
            return []
        return _spoilt(self.core.receive(data, now_s), self.faults, self._spoiler)

    def line_break(self, now_s: float) -> list[Outgoing]:
        """As the core, unless a fault is on."""
        if not self.faults:
            return self.core.line_break(now_s)
        if Fault.UNPLUGGED in self.faults:
            raise _gone()
        return [] if Fault.HANG in self.faults else self.core.line_break(now_s)


class FaultyTalker(FaultySerial):
    """A device that sends by itself, with a fault box before it."""

    def __init__(self, core: TalkingDevice, faults: FaultBox, spoiler: Spoiler | None = None) -> None:
        super().__init__(core, faults, spoiler)
        self._talker = core

    def next_s(self, now_s: float) -> float:
        """As the core."""
        return self._talker.next_s(now_s)

    def talk(self, until_s: float) -> list[Outgoing]:
        """As the core, unless a fault is on."""
        if Fault.UNPLUGGED in self.faults:
            raise _gone()
        said = self._talker.talk(until_s)
        return _spoilt(said, self.faults, self._spoiler) if self.faults else said


class NmeaSpoiler:
    """Spoils sentences."""

    def readdressed(self, answer: bytes) -> bytes:
        """Nothing: sentences are addressed to nobody."""
        return answer

    def bad_crc(self, answer: bytes) -> bytes:
        """One bit of the first value's first digit, in each sentence."""
        spoilt = [each[:8] + bytes((each[8] ^ 0x01,)) + each[9:] if each else each for each in answer.split(b"$")]
        return b"$".join(spoilt)


class UsbtmcSpoiler:
    """Spoils bulk-IN transfers of USBTMC."""

    def readdressed(self, answer: bytes) -> bytes:
        """Next bTag, complement made right again."""
        if len(answer) < 12:
            return answer
        tag = answer[1] % 255 + 1
        return answer[:1] + bytes((tag, tag ^ 0xFF)) + answer[3:]

    def bad_crc(self, answer: bytes) -> bytes:
        """Nothing: the bus checks its own."""
        return answer


class FaultyUsb:
    """A USB device with a fault box before it."""

    def __init__(self, core: UsbDevice, faults: FaultBox, spoiler: Spoiler | None = None) -> None:
        self.core = core
        self.faults = faults
        self._spoiler = spoiler or _Unspoilt()
        self.vid, self.pid = core.vid, core.pid
        self.manufacturer, self.product, self.serial = core.manufacturer, core.product, core.serial
        self.interface_class, self.endpoints = core.interface_class, core.endpoints
        self.class_descriptors = core.class_descriptors
        self.on_unprompted: Callable[[list[Outgoing]], None] | None = None
        core.on_unprompted = self._unprompted

    @property
    def epoch(self) -> int:
        """The core's."""
        return self.core.epoch

    @property
    def halted(self) -> set[int]:
        """The core's, with what a stall adds."""
        if Fault.STALL in self.faults and BULK_OUT in self.endpoints:
            return self.core.halted | {BULK_OUT}
        return self.core.halted

    def attached(self) -> None:
        """As the core."""
        self.core.attached()

    def control(self, setup: bytes, data: bytes, now_s: float) -> bytes | None:
        """As the core, unless a fault is on."""
        if Fault.UNPLUGGED in self.faults:
            raise _gone()
        if Fault.HANG in self.faults:
            raise OSError(errno.ETIMEDOUT, "the simulated device hangs")
        if Fault.STALL in self.faults and clears_halt_of(setup) is None:
            return None
        return self.core.control(setup, data, now_s)

    def receive(self, endpoint: int, data: bytes, now_s: float) -> list[Outgoing]:
        """As the core, unless a fault is on."""
        if not self.faults:
            return self.core.receive(endpoint, data, now_s)
        if Fault.UNPLUGGED in self.faults:
            raise _gone()
        if Fault.HANG in self.faults or Fault.STALL in self.faults:
            return []
        return self._spoilt(self.core.receive(endpoint, data, now_s))

    def _spoilt(self, outgoing: list[Outgoing]) -> list[Outgoing]:
        return [
            each
            for item in outgoing
            for each in (_spoilt([item], self.faults, self._spoiler) if item.endpoint == BULK_IN else [item])
        ]

    def _unprompted(self, outgoing: list[Outgoing]) -> None:
        if self.on_unprompted is None or Fault.UNPLUGGED in self.faults or Fault.HANG in self.faults:
            return
        if Fault.SILENT in self.faults:
            return
        self.on_unprompted(outgoing)


class FaultyPedal(FaultyUsb):
    """The foot switch with a fault box before it."""

    def __init__(self, core: FootSwitch, faults: FaultBox) -> None:
        super().__init__(core, faults)
        self._pedal = core

    def press(self, now_s: float, *, long: bool = False, speed: float = 1.0) -> list[Outgoing]:
        """As the core."""
        return self._pedal.press(now_s, long=long, speed=speed)


def faults_of(device: SerialDevice | UsbDevice) -> FaultBox:
    """Return a device's fault box, or an empty one for a bare core."""
    return device.faults if isinstance(device, FaultySerial | FaultyUsb) else FaultBox()
