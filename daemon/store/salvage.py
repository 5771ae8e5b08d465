"""Reads records out of a damaged SQLite file, page by page, without SQLite.

A damaged root or inner page hides every leaf below it from SQLite; the leaves are still there. This module looks at
each page by itself: a leaf of a table whose cells decode to a row of our table ``record`` with the right checksum is a
record, whatever the tree around it says. Nothing else is taken for one, since the checksum covers all columns.

After "Database File Format" of the SQLite project (sections 1.3 header, 1.6 B-tree pages, 2.1 record format, 4 the
write-ahead log; from memory). Rows of a rolled back transaction never reach the file or a committed frame of the log,
so what is found was once committed.
"""

import mmap
import struct
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Final

from .journal_rows import Row

HEADER_BYTES: Final = 100
LEAF_OF_TABLE: Final = 0x0D
DEFAULT_PAGE_BYTES: Final = 4096
LARGEST_ROW_BYTES: Final = 64 * 2**20
"""A length above this is not a length of ours but damage."""
_INTEGER_BYTES: Final = {1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8}
_WAL_HEADER_BYTES: Final = 32
_WAL_FRAME_HEADER_BYTES: Final = 24

Value = int | float | str | bytes | None


class _Broken(Exception):  # noqa: N818 - control flow inside this module
    """These bytes are not what they seem."""


class Pages:
    """The pages of a database file, with those of its write-ahead log laid over them."""

    def __init__(self, data: bytes | mmap.mmap, log: bytes) -> None:
        self._data = data
        size = struct.unpack(">H", data[16:18])[0] if len(data) >= HEADER_BYTES else 0
        size = 65536 if size == 1 else size
        self.size = size if size >= 512 and size & (size - 1) == 0 else DEFAULT_PAGE_BYTES
        reserved = data[20] if len(data) >= HEADER_BYTES else 0
        self.usable = self.size - reserved if self.size - reserved >= 480 else self.size
        self._over = dict(self._frames(log))
        self.count = max(len(data) // self.size, max(self._over, default=0))

    def _frames(self, log: bytes) -> Iterator[tuple[int, bytes]]:
        """Pages of the log up to its last commit: later frames belong to a transaction that never was."""
        pending: list[tuple[int, bytes]] = []
        step = _WAL_FRAME_HEADER_BYTES + self.size
        for at in range(_WAL_HEADER_BYTES, len(log) - step + 1, step):
            number, commit = struct.unpack(">II", log[at : at + 8])
            if log[at + 8 : at + 16] != log[16:24]:
                return  # other salts: left from before the log was begun anew
            pending.append((number, log[at + _WAL_FRAME_HEADER_BYTES : at + step]))
            if commit:
                yield from pending
                pending = []

    def page(self, number: int) -> bytes:
        """A page, counted from 1.

        Raises:
            _Broken: There is none of this number.
        """
        if number in self._over:
            return self._over[number]
        if not 1 <= number <= self.count:
            raise _Broken
        return bytes(self._data[(number - 1) * self.size : number * self.size])


def salvage(path: Path) -> Iterator[Row]:
    """All records that can still be read, in no order; one may come more than once.

    Raises:
        OSError: The file cannot be read.
    """
    log_path = path.with_name(path.name + "-wal")
    log = log_path.read_bytes() if log_path.exists() else b""
    if path.stat().st_size == 0:
        yield from _rows(Pages(b"", log))
        return
    with path.open("rb") as file, closing(mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)) as data:
        yield from _rows(Pages(data, log))


def _rows(pages: Pages) -> Iterator[Row]:
    for number in range(1, pages.count + 1):
        page = pages.page(number)
        start = HEADER_BYTES if number == 1 else 0
        if len(page) < start + 8 or page[start] != LEAF_OF_TABLE:
            continue
        (cells,) = struct.unpack(">H", page[start + 3 : start + 5])
        for index in range(min(cells, pages.usable // 4)):
            try:
                row = _row(pages, page, start + 8 + 2 * index)
            except (_Broken, IndexError, struct.error, UnicodeDecodeError):
                continue
            if row is not None:
                yield row


def _row(pages: Pages, page: bytes, pointer: int) -> Row | None:
    (at,) = struct.unpack(">H", page[pointer : pointer + 2])
    length, at = _varint(page, at)
    rowid, at = _varint(page, at)
    if length > LARGEST_ROW_BYTES:
        raise _Broken
    values = _values(_payload(pages, page, at, length))
    match values:
        case [None, str(record_id), str(schema), str() | None as test_id, str(topic), int(retain), str(body), int(crc)]:
            row = Row(rowid, topic, bool(retain), schema, body, record_id, test_id)
            return row if row.crc == crc else None
        case _:
            return None


def _payload(pages: Pages, page: bytes, at: int, length: int) -> bytes:
    """A cell's payload: what is in the leaf, and the chain of overflow pages."""
    usable = pages.usable
    most = usable - 35
    local = length
    if length > most:
        least = (usable - 12) * 32 // 255 - 23
        local = least + (length - least) % (usable - 4)
        local = local if local <= most else least
    pieces = [page[at : at + local]]
    left = length - local
    if left:
        (following,) = struct.unpack(">I", page[at + local : at + local + 4])
        while left > 0:
            overflow = pages.page(following)
            (following,) = struct.unpack(">I", overflow[:4])
            piece = overflow[4 : min(usable, 4 + left)]
            if not piece:
                raise _Broken
            pieces.append(piece)
            left -= len(piece)
    return b"".join(pieces)


def _values(payload: bytes) -> list[Value]:
    header_bytes, at = _varint(payload, 0)
    types: list[int] = []
    while at < header_bytes:
        kind, at = _varint(payload, at)
        types.append(kind)
    values: list[Value] = []
    at = header_bytes
    for kind in types:
        value, size = _value(payload, at, kind)
        values.append(value)
        at += size
    if at != len(payload):
        raise _Broken
    return values


def _value(payload: bytes, at: int, kind: int) -> tuple[Value, int]:
    if kind == 0:
        return None, 0
    if kind in _INTEGER_BYTES:
        size = _INTEGER_BYTES[kind]
        return int.from_bytes(payload[at : at + size], "big", signed=True), size
    if kind == 7:
        return float(struct.unpack(">d", payload[at : at + 8])[0]), 8
    if kind in (8, 9):
        return kind - 8, 0
    if kind < 12:
        raise _Broken
    size = (kind - 12) // 2
    piece = payload[at : at + size]
    return (piece.decode("utf-8") if kind % 2 else piece), size


def _varint(data: bytes, at: int) -> tuple[int, int]:
    """A variable length integer and the place after it; nine bytes at most, the ninth with eight bits."""
    value = 0
    for index in range(8):
        byte = data[at + index]
        value = (value << 7) | (byte & 0x7F)
        if byte < 0x80:
            return value, at + index + 1
    value = (value << 8) | data[at + 8]
    return (value - (1 << 64) if value >> 63 else value), at + 9
