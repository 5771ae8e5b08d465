"""Modbus RTU: requests out, responses in, registers to numbers.

From "MODBUS Application Protocol Specification V1.1b3" (function codes) and "MODBUS over Serial Line Specification and
Implementation Guide V1.02" (RTU frames, CRC). Reads only: the daemon switches nothing.

A response's end is known from its function code and its own length fields, not from the silence of 3.5 characters that
the serial specification asks for: USB adapters hand bytes over in parcels up to 16 ms apart, so that a receiver cannot
see that silence. A request therefore fixes how its answer is framed and what it decodes to.
"""

import struct
from dataclasses import dataclass, field
from enum import Enum
from functools import lru_cache
from typing import Final, Generic, Protocol, TypeVar

from ...protocol.errors import DeviceError, WireError
from .base import NEED_DATA, NeedDataType, crc16, printable

T_co = TypeVar("T_co", covariant=True)
T = TypeVar("T")

MAX_FRAME_BYTES: Final = 256  # serial line V1.02, 2.5.1
MAX_REGISTERS: Final = 125  # application V1.1b3, 6.3 and 6.4
_EXCEPTION_BIT: Final = 0x80

# Application V1.1b3, section 7.
EXCEPTIONS: Final = {
    0x01: "illegal function",
    0x02: "illegal data address",
    0x03: "illegal data value",
    0x04: "server device failure",
    0x05: "acknowledge: still working on it",
    0x06: "server device busy",
    0x08: "memory parity error",
    0x0A: "gateway path unavailable",
    0x0B: "gateway target device failed to respond",
}
BUSY_CODES: Final = frozenset({0x05, 0x06})


class RegisterKind(Enum):
    """Which table a register is read from, by the function code that reads it."""

    HOLDING = 0x03
    INPUT = 0x04


class NumberType(Enum):
    """How registers make a number: the name in profiles, and the layout of its bytes in wire order ABCD."""

    layout: struct.Struct
    words: int
    """Number of 16-bit registers."""

    U16 = "u16", ">H"
    S16 = "s16", ">h"
    U32 = "u32", ">I"
    S32 = "s32", ">i"
    U64 = "u64", ">Q"
    S64 = "s64", ">q"
    F32 = "f32", ">f"
    F64 = "f64", ">d"

    def __new__(cls, name: str, layout: str) -> "NumberType":
        """The name alone is the member's value."""
        member = object.__new__(cls)
        member._value_ = name
        member.layout = struct.Struct(layout)
        member.words = member.layout.size // 2
        return member


class ByteOrder(Enum):
    """Order of a number's bytes on the wire, A the most significant; eight-byte numbers follow the same pattern."""

    ABCD = "ABCD"
    CDAB = "CDAB"
    BADC = "BADC"
    DCBA = "DCBA"


def crc(data: bytes) -> int:
    """CRC-16 of serial line V1.02, 6.2.2: initial value FFFFh, polynomial A001h, reflected."""
    return crc16(data, 0xFFFF)


@lru_cache(maxsize=256)  # a poll sends the same request every time
def encode_frame(unit: int, pdu: bytes) -> bytes:
    """Wrap a PDU for the line: unit, PDU, CRC with its low byte first."""
    if not 0 <= unit <= 247:
        raise ValueError(f"{unit} is no Modbus unit: 1–247, or 0 for all")
    body = bytes((unit,)) + pdu
    if len(body) > MAX_FRAME_BYTES - 2:
        raise ValueError(f"a frame of {len(body) + 2} bytes is longer than {MAX_FRAME_BYTES}")
    return body + crc(body).to_bytes(2, "little")


class Request(Protocol[T_co]):
    """What a request knows: its own bytes, the length of its answer, and how to decode it."""

    def encode_pdu(self) -> bytes:
        """Return the request's PDU."""
        ...

    def response_length(self, pdu: bytes) -> int | None:
        """Return the length of the answer's PDU as far as its first bytes tell, None when more are needed."""
        ...

    def decode_pdu(self, pdu: bytes) -> T_co:
        """Decode an answer's PDU of the right length that is no exception."""
        ...


@dataclass(frozen=True, slots=True)
class ReadRegisters:
    """Read ``count`` registers from ``address`` on (V1.1b3, 6.3 and 6.4); the answer is their bytes, in wire order."""

    kind: RegisterKind
    address: int
    count: int
    _pdu: bytes = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if not 1 <= self.count <= MAX_REGISTERS:
            raise ValueError(f"{self.count} registers in one read: 1–{MAX_REGISTERS}")
        if not 0 <= self.address <= 0x10000 - self.count:
            raise ValueError(f"registers {self.address}–{self.address + self.count - 1} are not within 0–65535")

        object.__setattr__(self, "_pdu", struct.pack(">BHH", self.kind.value, self.address, self.count))

    def encode_pdu(self) -> bytes:
        """Return the request's PDU."""
        return self._pdu

    def response_length(self, pdu: bytes) -> int | None:
        """Known at once: the count fixes it. A device that answers another count is caught in decoding."""
        return None if len(pdu) < 2 else 2 + pdu[1]

    def decode_pdu(self, pdu: bytes) -> bytes:
        """Return the registers' bytes."""
        if pdu[1] != 2 * self.count:
            raise WireError(f"{pdu[1]} bytes came for {self.count} registers", raw=pdu, offset=1)
        return pdu[2:]


@dataclass(frozen=True, slots=True)
class DeviceObjects:
    """Objects of a device identification by their number, and where to go on when they did not all fit."""

    objects: tuple[tuple[int, str], ...]
    next_object: int | None


@dataclass(frozen=True, slots=True)
class ReadDeviceIdentification:
    """Read identification objects (V1.1b3, 6.21, function 2Bh/0Eh).

    ``code`` 1 is basic (00 vendor, 01 product, 02 revision), 2 regular (up to 06 user application name).
    """

    code: int = 2
    object_id: int = 0

    def encode_pdu(self) -> bytes:
        """Return the request's PDU."""
        return bytes((0x2B, 0x0E, self.code, self.object_id))

    def response_length(self, pdu: bytes) -> int | None:
        """Walk the objects: each has a length of its own."""
        if len(pdu) < 7:
            return None
        position = 7
        for _ in range(pdu[6]):
            if len(pdu) < position + 2:
                return None
            position += 2 + pdu[position + 1]
        return position

    def decode_pdu(self, pdu: bytes) -> DeviceObjects:
        """Return the objects; what is not printable ASCII is replaced."""
        if pdu[1] != 0x0E:
            raise WireError("not an answer of device identification", raw=pdu, offset=1)
        objects = []
        position = 7
        for _ in range(pdu[6]):
            end = position + 2 + pdu[position + 1]
            objects.append((pdu[position], printable(pdu[position + 2 : end].decode("ascii", errors="replace"))))
            position = end
        if objects and objects[0][0] != self.object_id:
            raise WireError(
                f"object {objects[0][0]} comes first where {self.object_id} was asked for", raw=pdu, offset=7
            )
        return DeviceObjects(tuple(objects), pdu[5] if pdu[4] == 0xFF else None)


class RtuReceiver(Generic[T]):
    """Bytes of the line in, the decoded answer to one request out.

    Bytes before the answer that cannot be its beginning (line noise, a late answer of another unit) are not skipped:
    they raise WireError, the buffer is dropped, and the session asks again after silence. A wrong value that a
    resynchronisation could assemble would be worse than another try.
    """

    def __init__(self, unit: int, request: Request[T]) -> None:
        self._unit = unit
        self._request = request
        self._function = request.encode_pdu()[0]
        self._buffer = bytearray()

    def feed(self, data: bytes) -> None:
        """Add bytes of the line; beyond the longest frame they are dropped, and the CRC will tell."""
        self._buffer += data[: MAX_FRAME_BYTES + 1 - len(self._buffer)]

    def next_message(self) -> T | NeedDataType:
        """Return the decoded answer, or NEED_DATA.

        Raises:
            WireError: Another unit or function answers, the CRC does not fit, or the answer does not fit the request.
            DeviceError: The device answered with an exception; ``code`` is its number.
        """
        head = bytes(self._buffer)
        if head and head[0] != self._unit:
            raise self._broken(f"unit {head[0]} answers for unit {self._unit}", 0)
        if len(head) < 2:
            return NEED_DATA
        pdu = head[1:]
        if pdu[0] == self._function | _EXCEPTION_BIT:
            length: int | None = 2
        elif pdu[0] == self._function:
            length = self._request.response_length(pdu)
        else:
            raise self._broken(f"function {pdu[0]:02X}h answers function {self._function:02X}h", 1)
        if length is not None and length + 3 > MAX_FRAME_BYTES:
            raise self._broken(f"an answer of {length + 3} bytes is longer than {MAX_FRAME_BYTES}", 2)
        if length is None or len(head) < length + 3:
            if len(head) > MAX_FRAME_BYTES:
                raise self._broken("the answer does not end", MAX_FRAME_BYTES)
            return NEED_DATA
        end = length + 1
        if crc(head[:end]) != int.from_bytes(head[end : end + 2], "little"):
            raise self._broken("Modbus CRC does not fit", end)
        if len(head) > end + 2:
            raise self._broken("bytes follow the answer", end + 2)
        self.reset()
        if pdu[0] & _EXCEPTION_BIT:
            text = EXCEPTIONS.get(pdu[1], "unknown exception")
            raise DeviceError(f"Modbus exception {pdu[1]:02X}h, {text}", code=pdu[1])
        return self._request.decode_pdu(pdu[:length])

    def reset(self) -> None:
        """Forget an unfinished answer."""
        self._buffer.clear()

    def _broken(self, what: str, offset: int) -> WireError:
        error = WireError(what, raw=bytes(self._buffer), offset=offset)
        self.reset()
        return error


def decode_number(data: bytes, number: NumberType, order: ByteOrder = ByteOrder.ABCD) -> float | int:
    """Turn the bytes of ``number.words`` registers into a number; integers stay exact.

    Raises:
        ValueError: The wrong number of bytes.
    """
    if len(data) != 2 * number.words:
        raise ValueError(f"{number.value} needs {2 * number.words} bytes, not {len(data)}")
    if order is not ByteOrder.ABCD:
        data = _in_abcd_order(data, order)
    value: float | int = number.layout.unpack(data)[0]
    return value


def _in_abcd_order(data: bytes, order: ByteOrder) -> bytes:
    if order in {ByteOrder.BADC, ByteOrder.DCBA}:
        data = b"".join(data[i : i + 2][::-1] for i in range(0, len(data), 2))
    if order in {ByteOrder.CDAB, ByteOrder.DCBA}:
        data = b"".join(data[i : i + 2] for i in range(len(data) - 2, -1, -2))
    return data


def take_bits(value: int, first: int, count: int) -> int:
    """Return ``count`` bits of an unsigned number from bit ``first`` (0 is the least significant) on."""
    return value >> first & (1 << count) - 1
