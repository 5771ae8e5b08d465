"""USB Test & Measurement Class 1.00 with the USB488 subclass, the device's side, and the instruments behind it.

Written from USBTMC 1.00 (bulk headers 3.2–3.3, requests 4.2.1) and USB488 1.00 (status byte 4.3.1, notifications 3.4);
requests and codes from memory, bulk headers are check values. A transfer from the host is collected until its
TransferSize bytes are in, however many bulk packets or kernel requests it was cut into, and a message until EOM. A
request for input is answered when the reply is ready, in as many transfers as the host's limits make necessary.

Aborting: bytes handed out for a later time become void (``epoch``), and a transfer that was in progress ends with the
short packet that the standard asks for. After INITIATE_CLEAR the bulk-OUT endpoint is halted until the host clears it.
"""

import math
import struct
from collections.abc import Callable

from .device import Outgoing, clears_halt_of
from .scpi import Reply, ScpiInstrument
from .scpi_meter import MeterCommands
from .scpi_spectrometer import SpectrometerCommands

BULK_OUT = 0x01
BULK_IN = 0x81
INTERRUPT_IN = 0x82

DEV_DEP_MSG_OUT = 1
REQUEST_DEV_DEP_MSG_IN = 2
TRIGGER = 128
HEADER_LENGTH = 12

INITIATE_ABORT_BULK_OUT = 1
CHECK_ABORT_BULK_OUT_STATUS = 2
INITIATE_ABORT_BULK_IN = 3
CHECK_ABORT_BULK_IN_STATUS = 4
INITIATE_CLEAR = 5
CHECK_CLEAR_STATUS = 6
GET_CAPABILITIES = 7
INDICATOR_PULSE = 64
READ_STATUS_BYTE = 128

STATUS_SUCCESS = 0x01
STATUS_FAILED = 0x80
STATUS_TRANSFER_NOT_IN_PROGRESS = 0x81

LONGEST_MESSAGE = 64 * 1024
"""A program message of this instrument is a few hundred bytes; more is a host gone wrong."""

TURNAROUND_S = 0.0005
"""Time a small controller takes before it answers (common practice, no source)."""

BYTES_PER_S = 1.0e6
"""Of a full-speed bulk endpoint (USB 2.0, 5.8.4 allows up to 1.216 MB/s; from memory)."""


class UsbInstrument:
    """An instrument on the USB bus; what it is called stands in its identification."""

    vid = 0x1209
    pid = 0x0001
    manufacturer = "LWSIM"
    interface_class = (0xFE, 0x03, 0x01)
    endpoints: tuple[int, ...] = (BULK_OUT, BULK_IN, INTERRUPT_IN)
    class_descriptors = b""

    def __init__(self, commands: ScpiInstrument) -> None:
        self.commands = commands
        _, model, self.serial, _ = commands.idn.split(",")
        self.product = f"{model} SIMULATED"
        self.epoch = 0
        self.halted: set[int] = set()
        self.on_unprompted: Callable[[list[Outgoing]], None] | None = None
        self._incoming = bytearray()
        self._message = bytearray()
        self._padding = 0
        self._reply: Reply | None = None
        self._sent = 0
        self._wanted: tuple[int, int, int | None] | None = None
        self._in_flight: tuple[int, float] | None = None
        self._out_tag = 0
        self._service_requested = False
        self._service_due_s = math.inf

    # Bulk-OUT

    def receive(self, endpoint: int, data: bytes, now_s: float) -> list[Outgoing]:
        """Take a piece of a bulk-OUT transfer; return the bulk-IN transfers that can be read because of it."""
        if endpoint != BULK_OUT or BULK_OUT in self.halted:
            return []
        self._incoming += data
        out: list[Outgoing] = []
        self._skip_padding()
        while len(self._incoming) >= HEADER_LENGTH:
            header = bytes(self._incoming[:HEADER_LENGTH])
            if not _is_header(header):
                self._refuse()
                break
            size = int.from_bytes(header[4:8], "little")
            if header[0] == DEV_DEP_MSG_OUT:
                if size > LONGEST_MESSAGE or len(self._message) + size > LONGEST_MESSAGE:
                    self.commands.status.raise_error(-363)
                    self._refuse()
                    break
                self._out_tag = header[1]
                if len(self._incoming) < HEADER_LENGTH + size:
                    break
                self._message += self._incoming[HEADER_LENGTH : HEADER_LENGTH + size]
                del self._incoming[: HEADER_LENGTH + size]
                self._padding = -size % 4
                self._skip_padding()
                if header[8] & 1:
                    out += self._complete(now_s)
            elif header[0] == REQUEST_DEV_DEP_MSG_IN:
                del self._incoming[:HEADER_LENGTH]
                self._wanted = (header[1], size, header[9] if header[8] & 2 else None)
                out += self._serve(now_s)
            else:
                del self._incoming[:HEADER_LENGTH]  # a trigger: nothing waits for one
        return out

    def _skip_padding(self) -> None:
        """Drop alignment bytes; they are zero and may be left out, and no header begins with zero."""
        while self._padding and self._incoming and self._incoming[0] == 0:
            del self._incoming[0]
            self._padding -= 1
        if self._incoming:
            self._padding = 0

    def _refuse(self) -> None:
        """A header that makes no sense: halt the endpoint and forget the transfer (USBTMC 3.2.2.2)."""
        self._incoming.clear()
        self._message.clear()
        self.halted.add(BULK_OUT)

    def _complete(self, now_s: float) -> list[Outgoing]:
        message = bytes(self._message).decode("ascii", "replace").rstrip("\r\n")
        self._message.clear()
        if self._reply is not None or (self._in_flight is not None and now_s < self._in_flight[1]):
            self.commands.status.raise_error(-410)
            self._drop_reply()
        self._reply = self.commands.execute(message, now_s)
        self.commands.status.message_available = self._reply is not None
        self._sent = 0
        out = self._serve(now_s) if self._wanted is not None and self._reply is not None else []
        self._request_service(now_s)
        return out

    # Bulk-IN

    def _serve(self, now_s: float) -> list[Outgoing]:
        """Answer a request for input, if there is something to send."""
        if self._wanted is None:
            return []
        if self._reply is None:
            self.commands.status.raise_error(-420)
            self._request_service(now_s)
            return []  # nothing to send: the endpoint stays silent until the host aborts
        tag, limit, stop = self._wanted
        whole = self._reply.data + b"\n"
        part = whole[self._sent : self._sent + max(1, limit)]
        attributes = 0
        if stop is not None and (found := part.find(stop)) >= 0:
            part = part[: found + 1]
            attributes |= 2
        if self._sent + len(part) == len(whole):
            attributes |= 1
        header = struct.pack("<BBBBIBBBB", REQUEST_DEV_DEP_MSG_IN, tag, tag ^ 0xFF, 0, len(part), attributes, 0, 0, 0)
        data = header + part
        data += bytes(-len(data) % 4)
        due_s = max(now_s, self._reply.ready_s) + TURNAROUND_S + len(data) / BYTES_PER_S
        self._wanted = None
        self._in_flight = (tag, due_s)
        self._sent += len(part)
        if attributes & 1:
            self._reply = None
            self.commands.status.message_available = False
        return [Outgoing(due_s, data, BULK_IN)]

    def _drop_reply(self) -> None:
        self._reply = None
        self._sent = 0
        self.epoch += 1
        self._in_flight = None
        self.commands.status.message_available = False

    # Endpoint 0

    def control(self, setup: bytes, data: bytes, now_s: float) -> bytes | None:
        """Answer a class request (USBTMC 4.2.1, USB488 4.3)."""
        del data
        if (endpoint := clears_halt_of(setup)) is not None:
            self.halted.discard(endpoint)
            return b""
        kind, request, value, _index, _length = struct.unpack("<BBHHH", setup)
        if kind == 0xA1:
            return self._interface_request(request, value, now_s)
        if kind == 0xA2:
            return self._endpoint_request(request, value & 0xFF, now_s)
        return None

    def _interface_request(self, request: int, value: int, now_s: float) -> bytes | None:
        if request == INITIATE_CLEAR:
            self._clear()
            self.halted.add(BULK_OUT)
            return bytes((STATUS_SUCCESS,))
        if request == CHECK_CLEAR_STATUS:
            return bytes((STATUS_SUCCESS, 0))
        if request == GET_CAPABILITIES:
            # bcdUSBTMC 1.00; indicator pulse; TermChar; bcdUSB488 1.00; 488.2 interface; SCPI and SR1
            return struct.pack("<BBHBB6xHBB8x", STATUS_SUCCESS, 0, 0x0100, 0x04, 0x01, 0x0100, 0x04, 0x0C)
        if request == INDICATOR_PULSE:
            return bytes((STATUS_SUCCESS,))
        if request == READ_STATUS_BYTE:
            tag = value & 0x7F
            if not 2 <= tag <= 127:
                return bytes((STATUS_FAILED, tag, 0))
            note = bytes((0x80 | tag, self.commands.status_byte(now_s)))
            self._notify([Outgoing(now_s, note, INTERRUPT_IN)])
            return bytes((STATUS_SUCCESS, tag, 0))
        return None

    def _endpoint_request(self, request: int, tag: int, now_s: float) -> bytes | None:
        if request == INITIATE_ABORT_BULK_OUT:
            busy = bool(self._incoming or self._message)
            if not busy or tag != self._out_tag:
                return bytes((STATUS_TRANSFER_NOT_IN_PROGRESS if busy else STATUS_FAILED, self._out_tag))
            self._incoming.clear()
            self._message.clear()
            self.halted.add(BULK_OUT)
            return bytes((STATUS_SUCCESS, tag))
        if request == CHECK_ABORT_BULK_OUT_STATUS:
            return struct.pack("<B3xI", STATUS_SUCCESS, 0)
        if request == INITIATE_ABORT_BULK_IN:
            return self._abort_input(tag, now_s)
        if request == CHECK_ABORT_BULK_IN_STATUS:
            return struct.pack("<BB2xI", STATUS_SUCCESS, 0, 0)
        return None

    def _abort_input(self, tag: int, now_s: float) -> bytes:
        if self._wanted is not None:
            current = self._wanted[0]
        elif self._in_flight is not None and now_s < self._in_flight[1]:
            current = self._in_flight[0]
        else:
            return bytes((STATUS_FAILED, self._in_flight[0] if self._in_flight else 0))
        if tag != current:
            return bytes((STATUS_TRANSFER_NOT_IN_PROGRESS, current))
        self._wanted = None
        self._drop_reply()
        self._notify([Outgoing(now_s, b"", BULK_IN)])
        return bytes((STATUS_SUCCESS, tag))

    def _clear(self) -> None:
        self._incoming.clear()
        self._message.clear()
        self._wanted = None
        self._drop_reply()

    def attached(self) -> None:
        """Forget what an earlier host left half done; settings stay."""
        self._clear()
        self.halted.clear()

    # Interrupt-IN

    def _request_service(self, now_s: float) -> None:
        status = self.commands.status_byte(now_s)
        wanted = bool(status & 0x40)
        announced = self._service_requested or self._service_due_s <= now_s
        if wanted and not announced:
            self._notify([Outgoing(now_s, bytes((0x81, status)), INTERRUPT_IN)])
        self._service_requested = wanted
        due = self.commands.service_due(now_s)
        if due is None:
            self._service_due_s = math.inf
        elif due[0] != self._service_due_s:
            self._service_due_s = due[0]
            self._notify([Outgoing(due[0], bytes((0x81, due[1])), INTERRUPT_IN)])

    def _notify(self, outgoing: list[Outgoing]) -> None:
        if self.on_unprompted is not None:
            self.on_unprompted(outgoing)


class UsbSpectrometer(UsbInstrument):
    """The spectrometer on the USB bus."""

    def __init__(self, commands: SpectrometerCommands) -> None:
        super().__init__(commands)


class UsbMeter(UsbInstrument):
    """A power meter on the USB bus."""

    pid = 0x0003

    def __init__(self, commands: MeterCommands) -> None:
        super().__init__(commands)


def _is_header(data: bytes | bytearray) -> bool:
    """Whether a bulk-OUT header begins here: a known message, and a tag with its complement."""
    if len(data) < 4:
        return False
    known = data[0] in {DEV_DEP_MSG_OUT, REQUEST_DEV_DEP_MSG_IN, TRIGGER}
    return known and data[1] != 0 and data[1] ^ data[2] == 0xFF and data[3] == 0
