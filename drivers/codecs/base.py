"""What stream codecs share: the answer "not yet", lines, and the CRC-16 that two wires use.

A stream codec takes bytes with ``feed`` and gives messages with ``next_message`` until that returns NEED_DATA. After a
:class:`~lampwarden.protocol.errors.WireError` its buffer is empty unless its docstring says otherwise, and it goes on
with the next byte; ``reset()`` has the same effect.
"""

import math
import re
from enum import Enum
from typing import Final, Literal


class NeedData(Enum):
    """Nothing complete has arrived yet."""

    NEED_DATA = "need data"


NEED_DATA: Final = NeedData.NEED_DATA
NeedDataType = Literal[NeedData.NEED_DATA]


def _crc_table() -> tuple[int, ...]:
    table = []
    for byte in range(256):
        value = byte
        for _ in range(8):
            value = value >> 1 ^ (0xA001 if value & 1 else 0)
        table.append(value)
    return tuple(table)


_CRC_TABLE: Final = _crc_table()


def crc16(data: bytes, initial: int) -> int:
    """CRC-16 with the polynomial A001h, reflected; the wires differ in what it begins with."""
    value, table = initial, _CRC_TABLE
    for byte in data:
        value = value >> 8 ^ table[(value ^ byte) & 0xFF]
    return value


def printable(text: str) -> str:
    """Return a device's text with everything that does not print replaced, for it will be shown to people."""
    return "".join(each if each.isprintable() else "\ufffd" for each in text)


# What is a number on a line: IEEE 488.2, 7.7.2 (decimal numeric program data), without its white space. float() takes
# far more: 1_0, nan, Infinity, and digits of other scripts.
_NUMBER: Final = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)


def finite_number(text: str) -> float | None:
    """Return the number that a text is, None when it is none, or one beyond what a float can hold."""
    value = float(text) if _NUMBER.fullmatch(text) else math.inf
    return value if math.isfinite(value) else None


class LineBuffer:
    """Splits a stream into lines at LF, dropping a CR before it, holding at most ``max_bytes`` of an unfinished one.

    Shared by the line-wise codecs; it knows no wire. Cost is linear in the bytes fed.
    """

    def __init__(self, max_bytes: int) -> None:
        self._max_bytes = max_bytes
        self._buffer = bytearray()
        self._searched = 0

    @property
    def held(self) -> bytes:
        """What has arrived of the unfinished line."""
        return bytes(self._buffer)

    def feed(self, data: bytes) -> None:
        """Add bytes of the stream."""
        self._buffer += data

    def next_line(self) -> bytes | None:
        """Return the next whole line without its end, None when there is none.

        Raises:
            OverflowError: with the bytes held, when they exceed the bound without an end; they are dropped.
        """
        end = self._buffer.find(b"\n", self._searched)
        if end < 0:
            self._searched = len(self._buffer)
            if self._searched > self._max_bytes:
                held = self.held
                self.reset()
                raise OverflowError(held)
            return None
        line = bytes(self._buffer[:end]).removesuffix(b"\r")
        del self._buffer[: end + 1]
        self._searched = 0
        if len(line) > self._max_bytes:
            raise OverflowError(line)
        return line

    def reset(self) -> None:
        """Forget everything."""
        self._buffer.clear()
        self._searched = 0
