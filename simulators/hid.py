"""A foot switch that the host sees as a USB keyboard.

HID 1.11 boot keyboard: interface 03/01/01, eight-byte reports (modifiers, reserved, six usages), report descriptor
after appendix B.1 (both from memory; the bytes of a press of ``b`` are a check value). The contact closes for 80 ms,
or for 1.2 s when the foot stays down; the host tells short from long by when the release arrives.
"""

import struct
from collections.abc import Callable
from dataclasses import dataclass

from .device import Outgoing, clears_halt_of

REPORT_ENDPOINT = 0x81
SHORT_PRESS_S = 0.080
LONG_PRESS_S = 1.2
USAGE_B = 0x05

REPORT_DESCRIPTOR = bytes.fromhex(
    "0501 0906 a101"  # usage page generic desktop, usage keyboard, collection application
    "0507 19e0 29e7 1500 2501 7501 9508 8102"  # eight modifier bits
    "9501 7508 8101"  # one reserved byte
    "9505 7501 0508 1901 2905 9102 9501 7503 9101"  # five LEDs and three bits of padding, output
    "9506 7508 1500 2565 0507 1900 2965 8100"  # six usages
    "c0"
)
HID_DESCRIPTOR = struct.pack("<BBHBBBH", 9, 0x21, 0x0111, 0, 1, 0x22, len(REPORT_DESCRIPTOR))
RELEASED = bytes(8)
PRESSED = bytes((0, 0, USAGE_B, 0, 0, 0, 0, 0))

GET_DESCRIPTOR = 0x06
GET_REPORT = 0x01
GET_IDLE = 0x02
GET_PROTOCOL = 0x03
SET_REPORT = 0x09
SET_IDLE = 0x0A
SET_PROTOCOL = 0x0B


@dataclass(frozen=True, slots=True)
class Reports:
    """How a foot switch presents itself: its interface, its report descriptor, and what it reports."""

    interface_class: tuple[int, int, int]
    descriptor: bytes
    pressed: bytes
    released: bytes

    @property
    def hid_descriptor(self) -> bytes:
        """HID 1.11, 6.2.1."""
        return struct.pack("<BBHBBBH", 9, 0x21, 0x0111, 0, 1, 0x22, len(self.descriptor))


KEYBOARD = Reports((0x03, 0x01, 0x01), REPORT_DESCRIPTOR, PRESSED, RELEASED)
PLAIN = Reports(
    (0x03, 0x00, 0x00),
    # Vendor page FF00h, usage 1: one byte, whose lowest bit is the contact (HID 1.11, 6.2.2; from memory).
    bytes.fromhex("0600ff 0901 a101 0901 1500 2501 7501 9501 8102 9507 8101 c0"),
    b"\x01",
    b"\x00",
)
"""A foot switch that is no keyboard."""


class FootSwitch:
    """The pedal; presses are fed in by whoever plays the operator."""

    vid = 0x1209
    pid = 0x0002
    manufacturer = "LWSIM"
    product = "PEDAL-1 SIMULATED"
    serial = "SIM0002"
    endpoints: tuple[int, ...] = (REPORT_ENDPOINT,)

    def __init__(self, reports: Reports = KEYBOARD) -> None:
        self._reports = reports
        self.interface_class = reports.interface_class
        self.class_descriptors = reports.hid_descriptor
        self.epoch = 0
        self.halted: set[int] = set()
        self.on_unprompted: Callable[[list[Outgoing]], None] | None = None
        self.presses = 0
        self._idle = 0
        self._protocol = 1
        self._down_until_s = float("-inf")

    def press(self, now_s: float, *, long: bool = False, speed: float = 1.0) -> list[Outgoing]:
        """Step on the pedal; the reports go to ``on_unprompted`` and are returned.

        Args:
            now_s: Bench time.
            long: Whether the foot stays down.
            speed: Of bench time. The host tells long from short in real time, so a long press must not shrink.
        """
        self.presses += 1
        self._down_until_s = now_s + (LONG_PRESS_S * max(1.0, speed) if long else SHORT_PRESS_S)
        reports = [
            Outgoing(now_s, self._reports.pressed, REPORT_ENDPOINT),
            Outgoing(self._down_until_s, self._reports.released, REPORT_ENDPOINT),
        ]
        if self.on_unprompted is not None:
            self.on_unprompted(reports)
        return reports

    def attached(self) -> None:
        """Keep from a new host the release of a press that it has not seen."""
        self.epoch += 1

    def receive(self, endpoint: int, data: bytes, now_s: float) -> list[Outgoing]:
        """Nothing: there is no OUT endpoint."""
        del endpoint, data, now_s
        return []

    def control(self, setup: bytes, data: bytes, now_s: float) -> bytes | None:
        """Answer the class requests of HID 1.11, 7.1 and 7.2."""
        del data
        kind, request, value, _index, _length = struct.unpack("<BBHHH", setup)
        if (endpoint := clears_halt_of(setup)) is not None:
            self.halted.discard(endpoint)
            return b""
        if kind == 0x81 and request == GET_DESCRIPTOR:
            return {0x21: self._reports.hid_descriptor, 0x22: self._reports.descriptor}.get(value >> 8)
        if kind == 0xA1 and request == GET_REPORT:
            return self._reports.pressed if now_s < self._down_until_s else self._reports.released
        if kind == 0xA1 and request == GET_IDLE:
            return bytes((self._idle,))
        if kind == 0xA1 and request == GET_PROTOCOL:
            return bytes((self._protocol,))
        if kind == 0x21 and request == SET_IDLE:
            self._idle = value >> 8
            return b""
        if kind == 0x21 and request == SET_PROTOCOL:
            self._protocol = value & 1
            return b""
        if kind == 0x21 and request == SET_REPORT:
            return b""  # LEDs that nobody sees
        return None
