"""Modbus RTU, the server's side, and the power meter and air loggers that speak it.

Written from the Modbus Application Protocol V1.1b3 (functions 04 and 2B/0E, exceptions) and the Serial Line guide V1.02
(frame, CRC; both from memory). Function 03 reads the same registers, since many masters offer nothing else.

A real server finds the end of a frame by 3.5 characters of silence. A device without a clock cannot, and operating
systems tear frames apart anyway; instead the length is known from the function code, and any byte may turn out to be
the beginning of a frame. So a request behind noise or behind a torn one is found, more kindly than by a real server.
"""

import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from .device import Outgoing
from .meters import Supply
from .tent import Air

TURNAROUND_S = 0.004
"""Time a small controller takes before it answers (common practice, no source)."""

CHARACTER_S = 10 / 19200

LONGEST_FRAME = 256
READ_LIMIT = 125

ILLEGAL_FUNCTION = 1
ILLEGAL_ADDRESS = 2
ILLEGAL_VALUE = 3

_TABLE = [0] * 256
for _index in range(256):
    _register = _index
    for _ in range(8):
        _register = (_register >> 1) ^ 0xA001 if _register & 1 else _register >> 1
    _TABLE[_index] = _register


def crc_of(frame: bytes) -> bytes:
    """Return the CRC of a frame, low byte first (polynomial A001h reflected, initial value FFFFh)."""
    register = crc_register(frame, 0xFFFF)
    return bytes((register & 0xFF, register >> 8))


def crc_register(frame: bytes, initial: int) -> int:
    """Return the register of a CRC-16 with polynomial A001h, reflected."""
    register = initial
    for byte in frame:
        register = (register >> 8) ^ _TABLE[(register ^ byte) & 0xFF]
    return register


@dataclass(frozen=True, slots=True)
class Unit:
    """One server on the line: its registers at an instant, as bytes, and its identification objects."""

    registers: Callable[[float], bytes]
    objects: Mapping[int, bytes]


def meter_unit(read: Callable[[float], Supply]) -> Unit:
    """Return the power meter: float32 ABCD at 0 V, 2 A, 4 W, 6 power factor, 8 Hz, 10 kWh."""

    def registers(now_s: float) -> bytes:
        shown = read(now_s)
        return struct.pack(
            ">6f",
            shown.voltage_v,
            shown.current_a,
            shown.power_w,
            shown.power_factor,
            shown.frequency_hz,
            shown.energy_kwh,
        )

    return Unit(registers, _objects(b"MAINS-1"))


def quantum_unit(read_ppfd_umol: Callable[[float], float]) -> Unit:
    """Return a quantum sensor: float32 ABCD at 0, µmol m⁻² s⁻¹."""
    return Unit(lambda now_s: struct.pack(">f", read_ppfd_umol(now_s)), _objects(b"QUANT-M1"))


def air_unit(read: Callable[[float], Air]) -> Unit:
    """Return an air logger: 0 temperature s16 × 0.01 °C, 1 humidity u16 × 0.01 %, 2 pressure u16 × 0.1 hPa."""

    def registers(now_s: float) -> bytes:
        shown = read(now_s)
        return struct.pack(
            ">hHH",
            round(shown.temperature_c * 100),
            round(shown.humidity_percent * 100),
            round(shown.pressure_hpa * 10),
        )

    return Unit(registers, _objects(b"AIR-1"))


def _objects(product: bytes) -> dict[int, bytes]:
    return {0: b"LWSIM", 1: product, 2: b"1.0", 6: b"SIMULATED"}


class ModbusLine:
    """One or more Modbus servers sharing a serial line."""

    def __init__(self, units: Mapping[int, Unit]) -> None:
        self._units = dict(units)
        self._buffer = bytearray()

    def line_break(self, now_s: float) -> list[Outgoing]:
        """Nothing: Modbus knows no break."""
        del now_s
        return []

    def receive(self, data: bytes, now_s: float) -> list[Outgoing]:
        """Take bytes of the client and return the answers."""
        self._buffer += data
        out: list[Outgoing] = []
        while (frame := self._next_frame()) is not None:
            answer = self._answer(frame, now_s)
            if answer:
                answer += crc_of(answer)
                out.append(Outgoing(now_s + TURNAROUND_S + CHARACTER_S * len(answer), answer))
        return out

    def _next_frame(self) -> bytes | None:
        """Take the next frame with a right CRC out of the buffer; None when more bytes are needed."""
        buffer = self._buffer
        while len(buffer) >= 4:
            length = _request_length(buffer)
            if length is None:
                return None
            if length <= LONGEST_FRAME:
                if len(buffer) < length:
                    # the beginning may be noise with a whole frame behind it
                    if (found := self._frame_within(length)) is None:
                        return None
                    return found
                frame = bytes(buffer[: length - 2])
                if crc_of(frame) == buffer[length - 2 : length]:
                    del buffer[:length]
                    return frame
            del buffer[0]
        return None

    def _frame_within(self, length: int) -> bytes | None:
        buffer = self._buffer
        for begin in range(1, min(length, len(buffer) - 3)):
            inner = _request_length(buffer[begin:])
            if inner is None or begin + inner > len(buffer):
                continue
            body = bytes(buffer[begin : begin + inner - 2])
            if body[0] in self._units and crc_of(body) == buffer[begin + inner - 2 : begin + inner]:
                del buffer[: begin + inner]
                return body
        return None

    def _answer(self, frame: bytes, now_s: float) -> bytes:
        unit = self._units.get(frame[0])
        if unit is None:
            return b""  # somebody else, or a broadcast, which nobody answers
        function, body = frame[1], frame[2:]
        if function in {3, 4}:
            start, count = struct.unpack(">HH", body)
            if not 1 <= count <= READ_LIMIT:
                return _exception(frame, ILLEGAL_VALUE)
            registers = unit.registers(now_s)
            if (start + count) * 2 > len(registers):
                return _exception(frame, ILLEGAL_ADDRESS)
            part = registers[start * 2 : (start + count) * 2]
            return frame[:2] + bytes((len(part),)) + part
        if function == 0x2B and body[0] == 0x0E:
            return self._identify(frame, unit)
        return _exception(frame, ILLEGAL_FUNCTION)

    @staticmethod
    def _identify(frame: bytes, unit: Unit) -> bytes:
        """Read Device Identification, function 2Bh with MEI type 0Eh (Application Protocol, 6.21)."""
        code, first = frame[3], frame[4]
        if code == 4:
            if first not in unit.objects:
                return _exception(frame, ILLEGAL_ADDRESS)
            wanted = [first]
        elif code in {1, 2, 3}:
            offered = [number for number in sorted(unit.objects) if number <= (2 if code == 1 else 0x7F)]
            wanted = [number for number in offered if number >= first] if first in offered else offered
        else:
            return _exception(frame, ILLEGAL_VALUE)
        listed = b"".join(bytes((number, len(unit.objects[number]))) + unit.objects[number] for number in wanted)
        conformity = 0x82  # regular identification, stream and individual access
        return frame[:2] + bytes((0x0E, code, conformity, 0, 0, len(wanted))) + listed


def _request_length(buffer: bytes | bytearray) -> int | None:
    """Length of the request that begins here, CRC included; None when its count byte has not come yet."""
    function = buffer[1]
    if 1 <= function <= 6:
        return 8
    if function in {0x0F, 0x10}:
        return 9 + buffer[6] if len(buffer) > 6 else None
    if function == 0x2B:
        return 7
    if function in {7, 0x0B, 0x0C, 0x11}:
        return 4
    if function == 8:
        return 8
    return LONGEST_FRAME + 1


def _exception(frame: bytes, code: int) -> bytes:
    return bytes((frame[0], frame[1] | 0x80, code))
