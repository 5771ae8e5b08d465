"""SCPI and IEEE 488.2: messages, numbers, error queue entries, blocks of bytes.

From IEEE 488.2-1992 (8.7.9 definite and 8.7.10 indefinite length arbitrary block response data) and SCPI-99 (volume 1,
7.2.1 numbers; 21.8 error queue). Knows no wire: over a byte stream the :class:`ResponseReceiver` finds the end of a
response; over USBTMC the transfer's end is the response's end and :func:`decode_block` is enough.
"""

import math
import re
from dataclasses import dataclass
from enum import Enum, auto
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ...protocol.errors import WireError
from .base import NEED_DATA, NeedDataType

# A line of 64 KiB holds 2,048 numbers of 24 characters with room to spare; a block of 64 MiB holds any array
# spectrometer's frame a hundred times over. Beyond, something else is being read.
MAX_LINE_BYTES: Final = 64 * 1024
MAX_BLOCK_BYTES: Final = 64 * 1024 * 1024
_MAX_HEADER_BYTES: Final = 11  # "#9" and nine digits

# SCPI-99 volume 1, 7.2.1.4 and 7.2.1.5: these stand for infinity and not a number.
_INFINITY: Final = 9.9e37
_NOT_A_NUMBER: Final = 9.91e37
_NUMBER: Final = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:\s?[eE]\s?[+-]?\d+)?", re.ASCII)
_ERROR_ENTRY: Final = re.compile(r'\s*([+-]?\d+)\s*,\s*"((?:[^"]|"")*)"\s*', re.ASCII)
_INTEGER: Final = re.compile(r"[+-]?\d+", re.ASCII)


@dataclass(frozen=True, slots=True)
class ErrorEntry:
    """One entry of a device's error queue; code 0 means that the queue is empty (SCPI-99 volume 2, 21.8.2)."""

    code: int
    text: str


class RealFormat(Enum):
    """Binary formats of numbers in a block, as numpy names them (SCPI-99 FORMat:DATA and FORMat:BORDer)."""

    REAL32_NORMAL = ">f4"
    REAL32_SWAPPED = "<f4"
    REAL64_NORMAL = ">f8"
    REAL64_SWAPPED = "<f8"
    UINT16_NORMAL = ">u2"
    UINT16_SWAPPED = "<u2"
    UINT32_NORMAL = ">u4"
    UINT32_SWAPPED = "<u4"


def encode_message(*units: str) -> bytes:
    """Join program message units into one message ended by NL; each unit but the first starts at the tree's root.

    Raises:
        ValueError: A unit has a line end or a character that is not ASCII.
    """
    for unit in units:
        if not unit or not unit.isascii() or "\n" in unit or "\r" in unit:
            raise ValueError(f"{unit!r} is no SCPI message unit")
    rooted = [units[0], *(unit if unit[0] in "*:" else f":{unit}" for unit in units[1:])]
    return ";".join(rooted).encode("ascii") + b"\n"


def format_number(value: float) -> str:
    """Write a number so that a device reads the same double back."""
    if not math.isfinite(value):
        raise ValueError("only finite numbers go to a device")
    return repr(float(value))


def decode_text(data: bytes) -> str:
    """Return a response as text without its end; what is not printable ASCII is an error (IEEE 488.2, 8.5)."""
    text = data.strip().decode("ascii", errors="replace")
    if not text.isprintable() or not text.isascii():
        raise WireError("a SCPI response is not printable ASCII", raw=data)
    return text


def decode_number(text: str) -> float:
    """Decode an NR1, NR2 or NR3 number; SCPI's stand-ins become infinity and NaN."""
    if not _NUMBER.fullmatch(text.strip()):
        raise WireError(f"not a SCPI number: {text[:40]!r}", raw=text.encode("ascii", "replace"))
    value = float(re.sub(r"\s", "", text))
    if abs(value) == _INFINITY:
        return math.copysign(math.inf, value)
    return math.nan if value == _NOT_A_NUMBER else value


def decode_numbers(text: str) -> tuple[float, ...]:
    """Decode numbers separated by commas."""
    return tuple(decode_number(part) for part in text.split(","))


def decode_integer(text: str) -> int:
    """Decode an NR1 number."""
    if not _INTEGER.fullmatch(text.strip()):
        raise WireError(f"not an integer: {text[:40]!r}", raw=text.encode("ascii", "replace"))
    return int(text)


def decode_error_entry(text: str) -> ErrorEntry:
    """Decode ``-113,"Undefined header"``; a doubled quote stands for one."""
    match = _ERROR_ENTRY.fullmatch(text)
    if match is None:
        raise WireError(f"not an entry of an error queue: {text[:40]!r}", raw=text.encode("ascii", "replace"))
    return ErrorEntry(int(match.group(1)), match.group(2).replace('""', '"'))


def encode_block(data: bytes) -> bytes:
    """Write a definite length block; needs at most nine digits of length."""
    digits = str(len(data))
    return f"#{len(digits)}{digits}".encode("ascii") + data


def _header(data: bytes) -> tuple[int, int | None] | None:
    """Return where a block's bytes start and how many there are (None: indefinite); None when more is needed."""
    if not data:
        return None
    if data[:1] != b"#":
        raise WireError("a block must begin with '#'", raw=data[:_MAX_HEADER_BYTES])
    if len(data) < 2:
        return None
    digits = data[1] - 0x30
    if not 0 <= digits <= 9:
        raise WireError("a block's length has no count of digits", raw=data[:_MAX_HEADER_BYTES], offset=1)
    if digits == 0:
        return 2, None
    field = data[2 : 2 + digits]
    if not all(0x30 <= byte <= 0x39 for byte in field):
        raise WireError("a block's length is not a number", raw=data[:_MAX_HEADER_BYTES], offset=2)
    if len(field) < digits:
        return None
    length = int(field)
    if length > MAX_BLOCK_BYTES:
        raise WireError(f"a block of {length} bytes is refused", raw=data[:_MAX_HEADER_BYTES], offset=2)
    return 2 + digits, length


def decode_block(message: bytes) -> bytes:
    """Take the bytes out of a whole response that is one block, definite or indefinite, ended by NL or not."""
    header = _header(message)
    if header is None:
        raise WireError("the block is cut off within its header", raw=message)
    start, length = header
    if length is None:
        return message[start:].removesuffix(b"\n")
    rest = message[start + length :]
    if len(message) < start + length:
        raise WireError(
            f"{len(message) - start} of {length} bytes of the block came", raw=message[:64], offset=len(message)
        )
    if rest not in {b"", b"\n", b"\r\n"}:
        raise WireError("bytes follow the block", raw=rest[:64], offset=start + length)
    return message[start : start + length]


def decode_array(block: bytes, form: RealFormat) -> NDArray[np.float64]:
    """Turn a block into numbers, shape ``(n,)``."""
    dtype = np.dtype(form.value)
    if len(block) % dtype.itemsize:
        raise WireError(f"{len(block)} bytes are no whole number of {form.name} values", raw=block[:64])
    return np.frombuffer(block, dtype=dtype).astype(np.float64)


class Kind(Enum):
    """What a response is expected to be: its end is found differently."""

    LINE = auto()
    BLOCK = auto()


class ResponseReceiver:
    """Bytes of a stream in, whole responses out, for wires without message ends of their own (serial, sockets).

    A LINE ends with NL and is returned without it. A BLOCK is returned whole, header included, for
    :func:`decode_block`; NL may occur inside it, so its length field ends it. An indefinite block has no end on such
    a wire and is refused.
    """

    def __init__(self) -> None:
        self._buffer = bytearray()
        self._searched = 0

    def feed(self, data: bytes) -> None:
        """Add bytes of the stream."""
        self._buffer += data

    @property
    def unread(self) -> bytes:
        """What has come and belongs to no response that was returned."""
        return bytes(self._buffer)

    def next_message(self, kind: Kind) -> bytes | NeedDataType:
        """Return the next response of that kind, or NEED_DATA; after a WireError the buffer is empty."""
        try:
            return self._line() if kind is Kind.LINE else self._block()
        except WireError:
            self.reset()
            raise

    def reset(self) -> None:
        """Forget everything."""
        self._buffer.clear()
        self._searched = 0

    def _line(self) -> bytes | NeedDataType:
        end = self._buffer.find(b"\n", self._searched)
        if end > MAX_LINE_BYTES or (end < 0 and len(self._buffer) > MAX_LINE_BYTES):
            raise WireError(f"a response longer than {MAX_LINE_BYTES} bytes", raw=bytes(self._buffer[:64]))
        if end < 0:
            self._searched = len(self._buffer)
            return NEED_DATA
        return self._take(end + 1)[:-1].removesuffix(b"\r")

    def _block(self) -> bytes | NeedDataType:
        header = _header(bytes(self._buffer[:_MAX_HEADER_BYTES]))
        if header is None:
            return NEED_DATA
        start, length = header
        if length is None:
            raise WireError("an indefinite block has no end on this wire", raw=bytes(self._buffer[:64]))
        end = start + length
        if len(self._buffer) <= end:
            return NEED_DATA
        if self._buffer[end : end + 1] == b"\r" and len(self._buffer) <= end + 1:
            return NEED_DATA
        ending = 2 if self._buffer[end : end + 1] == b"\r" else 1
        if self._buffer[end + ending - 1 : end + ending] != b"\n":
            raise WireError("bytes follow the block", raw=bytes(self._buffer[end : end + 64]), offset=end)
        return self._take(end + ending)[:end]

    def _take(self, count: int) -> bytes:
        taken = bytes(self._buffer[:count])
        del self._buffer[:count]
        self._searched = 0
        return taken
