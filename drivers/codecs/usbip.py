"""USB/IP messages, client side.

Written from the Linux kernel's documentation, Documentation/usb/usbip_protocol.rst (protocol version 1.1.1, table of
each message). All fields are big endian, except the setup packet, which is USB's own. No isochronous transfers.
"""

import struct
from dataclasses import dataclass
from typing import Final

from ...protocol.errors import WireError
from .base import NEED_DATA, NeedDataType

VERSION: Final = 0x0111
_REQ_DEVLIST: Final = 0x8005
_REP_DEVLIST: Final = 0x0005
_REQ_IMPORT: Final = 0x8003
_REP_IMPORT: Final = 0x0003
_CMD_SUBMIT: Final = 1
_CMD_UNLINK: Final = 2
_RET_SUBMIT: Final = 3
_RET_UNLINK: Final = 4
_NOT_ISOCHRONOUS: Final = 0xFFFFFFFF

HEADER_BYTES: Final = 48
DEVICE_BYTES: Final = 312
_DEVICE: Final = struct.Struct(">256s32sIIIHHHBBBBBB")
_BASIC: Final = struct.Struct(">IIIII")
# A hub has 127 addresses; a server that lists a thousand devices is no server of devices.
MAX_DEVICES: Final = 1024


@dataclass(frozen=True, slots=True)
class RemoteDevice:
    """One exported device."""

    bus_id: str
    bus_number: int
    device_number: int
    speed: int
    vid: int
    pid: int
    release: int
    interfaces: tuple[tuple[int, int, int], ...]

    @property
    def device_id(self) -> int:
        """What identifies it in requests (usbip_header_basic, devid)."""
        return self.bus_number << 16 | self.device_number


@dataclass(frozen=True, slots=True)
class Submit:
    """A request for one transfer; ``length`` is the OUT data's or the most IN data that is taken."""

    sequence: int
    device_id: int
    endpoint: int
    length: int
    data: bytes = b""
    setup: bytes = bytes(8)
    interval: int = 0

    @property
    def is_in(self) -> bool:
        """Direction: of the endpoint's address, or of the setup packet on endpoint 0."""
        return bool((self.setup[0] if self.endpoint & 0x7F == 0 else self.endpoint) & 0x80)


@dataclass(frozen=True, slots=True)
class Submitted:
    """The outcome of a request; ``status`` is 0 or a negative Linux errno."""

    sequence: int
    status: int
    actual_length: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Unlinked:
    """The outcome of taking a request back; status 0 means that it had been answered before."""

    sequence: int
    status: int


def encode_device_list_request() -> bytes:
    """OP_REQ_DEVLIST."""
    return struct.pack(">HHI", VERSION, _REQ_DEVLIST, 0)


def encode_import_request(bus_id: str) -> bytes:
    """OP_REQ_IMPORT."""
    name = bus_id.encode("ascii")
    if len(name) > 31:
        raise ValueError(f"bus id {bus_id!r} is longer than 31 characters")
    return struct.pack(">HHI32s", VERSION, _REQ_IMPORT, 0, name)


def encode_submit(request: Submit) -> bytes:
    """USBIP_CMD_SUBMIT with its OUT data; an endpoint's number goes without its direction bit."""
    head = _BASIC.pack(_CMD_SUBMIT, request.sequence, request.device_id, int(request.is_in), request.endpoint & 0x7F)
    # transfer_flags 0: a short IN transfer is no error, and no zero-length packet is added to an OUT transfer.
    body = struct.pack(">IIIII", 0, request.length, 0, _NOT_ISOCHRONOUS, request.interval)
    return head + body + request.setup + (b"" if request.is_in else request.data)


def encode_unlink(sequence: int, device_id: int, unlink_sequence: int) -> bytes:
    """USBIP_CMD_UNLINK."""
    return _BASIC.pack(_CMD_UNLINK, sequence, device_id, 0, 0) + struct.pack(">I24x", unlink_sequence)


class DeviceListReceiver:
    """Bytes of an OP_REP_DEVLIST in, all its devices out at once."""

    def __init__(self) -> None:
        self._buffer = bytearray()

    def feed(self, data: bytes) -> None:
        """Add bytes of the connection."""
        self._buffer += data

    def next_message(self) -> tuple[RemoteDevice, ...] | NeedDataType:
        """Return the list once it is whole, or NEED_DATA."""
        if len(self._buffer) < 12:
            return NEED_DATA
        _check_reply(bytes(self._buffer[:8]), _REP_DEVLIST)
        count = int.from_bytes(self._buffer[8:12], "big")
        if count > MAX_DEVICES:
            raise WireError(f"a list of {count} devices", raw=bytes(self._buffer[:12]), offset=8)
        devices = []
        position = 12
        for _ in range(count):
            end = position + DEVICE_BYTES
            if len(self._buffer) < end:
                return NEED_DATA
            interfaces_end = end + 4 * self._buffer[end - 1]
            if len(self._buffer) < interfaces_end:
                return NEED_DATA
            devices.append(_decode_device(self._buffer[position:end], bytes(self._buffer[end:interfaces_end])))
            position = interfaces_end
        return tuple(devices)


class ImportReceiver:
    """Bytes of an OP_REP_IMPORT in, the imported device out, or None when the server refuses.

    Bytes that follow stay in :attr:`rest` and belong to the transfers.
    """

    def __init__(self) -> None:
        self._buffer = bytearray()

    @property
    def rest(self) -> bytes:
        """What came after the reply."""
        return bytes(self._buffer)

    def feed(self, data: bytes) -> None:
        """Add bytes of the connection."""
        self._buffer += data

    def next_message(self) -> RemoteDevice | NeedDataType | None:
        """Return the device, None for a refusal, or NEED_DATA."""
        if len(self._buffer) < 8:
            return NEED_DATA
        if _check_reply(bytes(self._buffer[:8]), _REP_IMPORT, refusal_is_fine=True) != 0:
            del self._buffer[:8]
            return None
        if len(self._buffer) < 8 + DEVICE_BYTES:
            return NEED_DATA
        device = _decode_device(self._buffer[8 : 8 + DEVICE_BYTES], b"")
        del self._buffer[: 8 + DEVICE_BYTES]
        return device


class ReturnReceiver:
    """Bytes of a connection in, returns of requests out.

    Only IN requests carry data back, and only the requester knows which those are: ``expect_in`` must be called for
    each before it is sent, with the most bytes that are taken. A return that breaks this leaves the stream without a
    known position: it raises WireError and the connection must be closed.
    """

    def __init__(self) -> None:
        self._buffer = bytearray()
        self._in_lengths: dict[int, int] = {}

    def feed(self, data: bytes) -> None:
        """Add bytes of the connection."""
        self._buffer += data

    def expect_in(self, sequence: int, length: int) -> None:
        """Say that this request's return will carry data."""
        self._in_lengths[sequence] = length

    def next_message(self) -> Submitted | Unlinked | NeedDataType:
        """Return the next return, or NEED_DATA."""
        if len(self._buffer) < HEADER_BYTES:
            return NEED_DATA
        head = bytes(self._buffer[:HEADER_BYTES])
        command, sequence = struct.unpack_from(">II", head)
        (status,) = struct.unpack_from(">i", head, 20)
        if command == _RET_UNLINK:
            del self._buffer[:HEADER_BYTES]
            return Unlinked(sequence, status)
        if command != _RET_SUBMIT:
            raise WireError(f"USB/IP command {command:#x} where a return must come", raw=head)
        (actual_length,) = struct.unpack_from(">I", head, 24)
        data_length = 0
        if sequence in self._in_lengths:
            data_length = actual_length
            if data_length > self._in_lengths[sequence]:
                raise WireError(f"{data_length} bytes came where fewer were asked for", raw=head, offset=24)
        end = HEADER_BYTES + data_length
        if len(self._buffer) < end:
            return NEED_DATA
        self._in_lengths.pop(sequence, None)
        data = bytes(self._buffer[HEADER_BYTES:end])
        del self._buffer[:end]
        return Submitted(sequence, status, actual_length, data)

    def forget(self, sequence: int) -> None:
        """A request was taken back and will not return."""
        self._in_lengths.pop(sequence, None)


def _check_reply(head: bytes, code: int, *, refusal_is_fine: bool = False) -> int:
    version, have, status = struct.unpack(">HHI", head)
    if version != VERSION or have != code:
        raise WireError(
            f"USB/IP reply {have:#06x} of version {version:#06x}, not {code:#06x} of {VERSION:#06x}", raw=head
        )
    if status != 0 and not refusal_is_fine:
        raise WireError(f"USB/IP server reports status {status}", raw=head, offset=4)
    return int(status)


def _decode_device(data: bytes | bytearray, interfaces: bytes) -> RemoteDevice:
    fields = _DEVICE.unpack(data)
    return RemoteDevice(
        bus_id=fields[1].split(b"\0", 1)[0].decode("ascii", errors="replace"),
        bus_number=fields[2],
        device_number=fields[3],
        speed=fields[4],
        vid=fields[5],
        pid=fields[6],
        release=fields[7],
        interfaces=tuple((part[0], part[1], part[2]) for part in struct.iter_unpack("BBBB", interfaces)),
    )
