"""USBTMC: message transfers over bulk endpoints.

From "Universal Serial Bus Test and Measurement Class Specification (USBTMC)", revision 1.0, tables 1 to 9 (headers)
and 15 to 37 (requests), and its subclass specification USB488, revision 1.0. Knows no endpoint and no time; the
exchange, aborts and retries are in ``drivers/usbtmc_session.py``.
"""

from dataclasses import dataclass
from enum import IntEnum
from typing import Final

from ...protocol.errors import WireError
from .base import NEED_DATA, NeedDataType

HEADER_BYTES: Final = 12
# One transfer in. Larger messages come in several, each asked for (3.3): this bounds a buffer, not a message.
MAX_TRANSFER_BYTES: Final = 1024 * 1024
_ALIGNMENT: Final = 4  # 3.2: a Bulk-OUT transfer is padded to a multiple of four bytes


class MessageId(IntEnum):
    """Table 2."""

    DEV_DEP_MSG_OUT = 1
    REQUEST_DEV_DEP_MSG_IN = 2
    DEV_DEP_MSG_IN = 2


class ClassRequest(IntEnum):
    """Table 15, and USB488 table 9."""

    INITIATE_ABORT_BULK_OUT = 1
    CHECK_ABORT_BULK_OUT_STATUS = 2
    INITIATE_ABORT_BULK_IN = 3
    CHECK_ABORT_BULK_IN_STATUS = 4
    INITIATE_CLEAR = 5
    CHECK_CLEAR_STATUS = 6
    GET_CAPABILITIES = 7
    READ_STATUS_BYTE = 128


class Status(IntEnum):
    """Table 16: first byte of the answer to a class request."""

    SUCCESS = 0x01
    PENDING = 0x02
    FAILED = 0x80
    TRANSFER_NOT_IN_PROGRESS = 0x81
    SPLIT_NOT_IN_PROGRESS = 0x82
    SPLIT_IN_PROGRESS = 0x83


@dataclass(frozen=True, slots=True)
class InMessage:
    """Data of one transfer in; ``is_end`` when it is the message's last."""

    data: bytes
    is_end: bool
    by_term_char: bool


@dataclass(frozen=True, slots=True)
class Capabilities:
    """What a device offers (table 37; USB488 table 8); ``version`` is BCD as text."""

    version: str
    accepts_term_char: bool
    is_usb488: bool


def next_tag(tag: int) -> int:
    """Return the bTag after this one: 1 to 255, then 1 again (table 1)."""
    return tag % 255 + 1


def _head(message_id: MessageId, tag: int, size: int, attributes: int, term_char: int) -> bytes:
    if not 1 <= tag <= 255:
        raise ValueError(f"bTag {tag} is not within 1–255")
    return bytes((message_id, tag, tag ^ 0xFF, 0)) + size.to_bytes(4, "little") + bytes((attributes, term_char, 0, 0))


def encode_out(tag: int, data: bytes, *, is_end: bool = True) -> bytes:
    """Encode DEV_DEP_MSG_OUT (table 3), padded; ``is_end`` marks the message's last transfer."""
    if not data:
        raise ValueError("a transfer out carries at least one byte (3.2.1.1)")
    return _head(MessageId.DEV_DEP_MSG_OUT, tag, len(data), is_end, 0) + data + bytes(-len(data) % _ALIGNMENT)


def encode_request_in(tag: int, max_bytes: int, term_char: int | None = None) -> bytes:
    """Encode REQUEST_DEV_DEP_MSG_IN (table 4) for at most ``max_bytes`` of data."""
    if not 1 <= max_bytes <= MAX_TRANSFER_BYTES:
        raise ValueError(f"{max_bytes} bytes asked for: 1–{MAX_TRANSFER_BYTES}")
    attributes = 0 if term_char is None else 2
    return _head(MessageId.REQUEST_DEV_DEP_MSG_IN, tag, max_bytes, attributes, term_char or 0)


class InReceiver:
    """Bulk-IN bytes of one transfer in, :class:`InMessage` out (table 9).

    One receiver serves one request. A header that does not answer it raises WireError; what follows is then unknown
    and the session must abort the transfer.
    """

    def __init__(self, tag: int, max_bytes: int) -> None:
        self._tag = tag
        self._max_bytes = max_bytes
        self._buffer = bytearray()

    @property
    def missing(self) -> int:
        """Bytes still to come as far as is known, padding not counted: what to ask the endpoint for."""
        if len(self._buffer) < HEADER_BYTES:
            return HEADER_BYTES + self._max_bytes + _ALIGNMENT - len(self._buffer)
        return HEADER_BYTES + self._size() - len(self._buffer)

    def feed(self, data: bytes) -> None:
        """Add what a read of the endpoint gave."""
        self._buffer += data[: HEADER_BYTES + self._max_bytes + _ALIGNMENT]

    def next_message(self) -> InMessage | NeedDataType:
        """Return the transfer's data once all of it is there, else NEED_DATA; bytes after it are padding."""
        if len(self._buffer) < HEADER_BYTES:
            return NEED_DATA
        head = bytes(self._buffer[:HEADER_BYTES])
        if head[0] != MessageId.DEV_DEP_MSG_IN:
            raise self._broken(f"MsgID {head[0]} answers a request for data", 0)
        if head[1] != self._tag or head[2] != self._tag ^ 0xFF:
            raise self._broken(f"bTag {head[1]} answers bTag {self._tag}", 1)
        size = self._size()
        if size > self._max_bytes:
            raise self._broken(f"{size} bytes come where {self._max_bytes} were asked for", 4)
        if len(self._buffer) < HEADER_BYTES + size:
            return NEED_DATA
        data = bytes(self._buffer[HEADER_BYTES : HEADER_BYTES + size])
        self.reset()
        return InMessage(data, bool(head[8] & 1), bool(head[8] & 2))

    def reset(self) -> None:
        """Forget what has arrived."""
        self._buffer.clear()

    def _size(self) -> int:
        return int.from_bytes(self._buffer[4:8], "little")

    def _broken(self, what: str, offset: int) -> WireError:
        raw = bytes(self._buffer[:HEADER_BYTES])
        self.reset()
        return WireError(what, raw=raw, offset=offset)


def decode_status(answer: bytes) -> Status:
    """Return the status byte of an answer to a class request."""
    if not answer or answer[0] not in Status._value2member_map_:
        raise WireError("not a USBTMC status", raw=answer)
    return Status(answer[0])


def decode_capabilities(answer: bytes) -> Capabilities:
    """Decode GET_CAPABILITIES: 24 bytes."""
    if len(answer) < 24 or answer[0] != Status.SUCCESS:
        raise WireError("not the capabilities of a USBTMC device", raw=answer)
    return Capabilities(f"{answer[3]:x}.{answer[2]:02x}", bool(answer[5] & 1), answer[12:14] != b"\0\0")


def decode_status_byte(answer: bytes, tag: int) -> int:
    """Decode READ_STATUS_BYTE of a device without interrupt endpoint: status, bTag, status byte (USB488, 4.3.1)."""
    if len(answer) != 3 or decode_status(answer) is not Status.SUCCESS or answer[1] != tag:
        raise WireError("not an answer to READ_STATUS_BYTE", raw=answer)
    return answer[2]
