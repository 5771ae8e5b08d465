"""Messages over USBTMC: exchange, aborts, recovery from stalls.

The exchange is after USBTMC 1.0, 3.2 and 3.3; aborts after 4.2.1.2 to 4.2.1.5, clear after 4.2.1.6 and 4.2.1.7. What an
interrupted program left in the device is cleared at each opening: its answer would otherwise be taken for ours. So is
what a question left that got no answer, or none that makes sense: a tag names the request for input, not the question,
and there are devices that give the next request the answer that has become ready meanwhile (IEEE 488.2, 6.3.2.3,
has them drop it; from memory).
"""

from collections.abc import Callable
from typing import Final, TypeVar

from ..protocol.errors import DeviceError, LampwardenError, LinkError, LinkFault, WireError
from .codecs.base import NEED_DATA
from .codecs.scpi import MAX_BLOCK_BYTES, Kind
from .codecs.usbtmc import (
    HEADER_BYTES,
    ClassRequest,
    InMessage,
    InReceiver,
    Status,
    decode_status,
    decode_status_byte,
    encode_out,
    encode_request_in,
    next_tag,
)
from .links.base import ControlRequest, StallError, UsbLink, need

# ruff: noqa: D102  message_link.py documents the methods

AnswerT = TypeVar("AnswerT")

# bmRequestType of class requests to read, of the interface and of an endpoint (USBTMC table 15).
_FROM_INTERFACE: Final = 0xA1
_FROM_ENDPOINT: Final = 0xA2

# bNotify1 of a service request (USB488, 3.4.1).
_SERVICE_REQUEST: Final = b"\x81"

# One request for data: eight times 2,048 pixels of four bytes, so that a spectrum comes in one transfer.
_REQUEST_BYTES: Final = 64 * 1024
# Control requests are answered at once (USB 2.0, 9.2.6: 500 ms for standard ones with data).
_CONTROL_S: Final = 0.5
# The rest of a transfer that has begun: a full-speed bus moves 64 KiB in a tenth of a second.
_REST_S: Final = 1.0
# Status "pending" is asked again after a pause; a device that is not done within a second is reported.
_PENDING_TRIES: Final = 20
# Transfers that an aborted exchange may still have under way; each ends with a short packet.
_DRAIN_TRIES: Final = 64
_DRAIN_S: Final = 0.05


class UsbtmcSession:
    """A :class:`~.message_link.MessageLink` over a USBTMC interface."""

    def __init__(self, link: UsbLink) -> None:
        self._link = link
        self._tag = 0
        self._status_tag = 1
        self._cleared_generation = 0

    @property
    def port(self) -> str:
        return self._link.port

    @property
    def generation(self) -> int:
        return self._link.generation

    def send(self, message: bytes, timeout_s: float) -> None:
        self._ensure_clear()
        self._tag = next_tag(self._tag)
        try:
            self._link.bulk_out(encode_out(self._tag, message), timeout_s)
        except StallError as error:
            self._unstall(error)
            raise
        except LinkError as error:
            if error.fault is LinkFault.SILENT:
                self._abort_out(self._tag)
            raise

    def ask(self, message: bytes, kind: Kind, timeout_s: float, decode: Callable[[bytes], AnswerT]) -> AnswerT:
        self._ensure_clear()
        try:
            response = self._exchange(message, timeout_s)
            return decode(response.rstrip(b"\r\n") if kind is Kind.LINE else response)
        except BaseException:
            self._cleared_generation = 0
            raise

    def _exchange(self, message: bytes, timeout_s: float) -> bytes:
        self._tag = next_tag(self._tag)
        outgoing = [encode_out(self._tag, message)]
        parts: list[bytes] = []
        size = 0
        wait_s = timeout_s
        while True:
            part = self._receive(outgoing, wait_s)
            outgoing = []
            parts.append(part.data)
            size += len(part.data)
            if part.is_end:
                break
            if size > MAX_BLOCK_BYTES:
                raise WireError(f"a response longer than {MAX_BLOCK_BYTES} bytes", where=self.port)
            wait_s = _REST_S
        return b"".join(parts)

    def confirm(self) -> None:
        """Nothing to do: the bus brings no noise, and each question was answered before the next."""

    def read_status_byte(self) -> int:
        """Read the IEEE 488 status byte (USB488, 4.3.1); through the interrupt endpoint where there is one."""
        self._ensure_clear()
        # USB488, 4.3.1: bTag of this request is 2 to 127.
        self._status_tag = 2 if self._status_tag >= 127 else self._status_tag + 1
        request = self._interface_request(ClassRequest.READ_STATUS_BYTE, self._status_tag)
        answer = self._link.control_in(request, 3, _CONTROL_S)
        if self._link.read_endpoints().interrupt_in is None:
            return decode_status_byte(answer, self._status_tag)
        if decode_status(answer) is not Status.SUCCESS:
            raise DeviceError("the device refuses READ_STATUS_BYTE", where=self.port)
        for _ in range(_DRAIN_TRIES):  # service requests (bNotify1 81h) may stand before it
            note = self._link.interrupt_in(2, _CONTROL_S)
            if note is None:
                break
            if len(note) == 2 and note[0] == 0x80 | self._status_tag:
                return note[1]
        raise LinkError(LinkFault.SILENT, "no status byte came", where=self.port)

    def wait_service(self, timeout_s: float) -> None:
        """Wait for a service request on the interrupt endpoint (USB488, 3.4.1: bNotify1 81h), where there is one."""
        self._ensure_clear()
        if self._link.read_endpoints().interrupt_in is None:
            self._link.pause(timeout_s)
            return
        end_s = self._link.now_s() + timeout_s
        while (left_s := end_s - self._link.now_s()) > 0:
            note = self._link.interrupt_in(2, left_s)
            if note is not None and note[:1] == _SERVICE_REQUEST:
                return

    def pause(self, seconds: float) -> None:
        self._link.pause(seconds)

    def now_s(self) -> float:
        return self._link.now_s()

    def clear(self) -> None:
        """Empty both directions (INITIATE_CLEAR), and clear the halt that it leaves on the OUT endpoint."""
        self._link.open()
        self._cleared_generation = self._link.generation
        status = decode_status(
            self._link.control_in(self._interface_request(ClassRequest.INITIATE_CLEAR, 0), 1, _CONTROL_S)
        )
        if status is Status.FAILED:
            raise DeviceError("the device refuses to be cleared", where=self.port, mend="switch it off and on")
        for _ in range(_PENDING_TRIES):
            answer = self._link.control_in(self._interface_request(ClassRequest.CHECK_CLEAR_STATUS, 0), 2, _CONTROL_S)
            status = decode_status(answer)
            if len(answer) > 1 and answer[1] & 1:
                self._drain()
            if status is not Status.PENDING:
                break
        if status is not Status.SUCCESS:
            raise DeviceError(
                f"the device cannot be cleared: {status.name}", where=self.port, mend="switch it off and on"
            )
        self._link.clear_halt(need(self._link.read_endpoints().bulk_out, "bulk OUT", self.port))

    def close(self) -> None:
        """Nothing is kept."""

    def _ensure_clear(self) -> None:
        self._link.open()
        if self._cleared_generation != self._link.generation:
            self.clear()

    def _receive(self, outgoing: list[bytes], timeout_s: float) -> InMessage:
        """Send these transfers, ask for one behind them, and return it."""
        self._tag = next_tag(self._tag)
        tag = self._tag
        receiver = InReceiver(tag, _REQUEST_BYTES)
        outgoing = [*outgoing, encode_request_in(tag, _REQUEST_BYTES)]
        try:
            data = self._link.bulk_exchange(outgoing, self._whole_packets(receiver.missing), timeout_s)
            while True:
                receiver.feed(data)
                message = receiver.next_message()
                if message is not NEED_DATA:
                    return message
                data = self._link.bulk_in(self._whole_packets(receiver.missing), _REST_S)
        except StallError as error:
            self._unstall(error)
            raise
        except LinkError as error:
            if error.fault is LinkFault.SILENT:
                self._abort_in(tag)
            raise
        except WireError:
            self._abort_in(tag)
            raise

    def _whole_packets(self, count: int) -> int:
        """Round up: a host that asks for less than a device's packet loses the rest (babble)."""
        packet = self._link.read_endpoints().bulk_in_packet
        return -(-max(count, HEADER_BYTES) // packet) * packet

    def _unstall(self, error: StallError) -> None:
        if error.endpoint:
            self._link.clear_halt(error.endpoint)

    def _abort_in(self, tag: int) -> None:
        """Stop a transfer in that does not come or makes no sense; failing that, clear the whole interface.

        A device that has not even taken the question or the request knows of no transfer in, and is cleared.
        """
        endpoint = need(self._link.read_endpoints().bulk_in, "bulk IN", self.port)
        try:
            request = ControlRequest(_FROM_ENDPOINT, ClassRequest.INITIATE_ABORT_BULK_IN, tag, endpoint)
            status = decode_status(self._link.control_in(request, 2, _CONTROL_S))
            if status is Status.SUCCESS:
                self._drain()
                check = ControlRequest(_FROM_ENDPOINT, ClassRequest.CHECK_ABORT_BULK_IN_STATUS, 0, endpoint)
                for _ in range(_PENDING_TRIES):
                    status = decode_status(self._link.control_in(check, 8, _CONTROL_S))
                    if status is not Status.PENDING:
                        break
                    self._drain()
            if status is not Status.SUCCESS:
                self.clear()
        except LampwardenError:
            self._cleared_generation = 0  # the error that led here is the one to report; clear before the next message

    def _abort_out(self, tag: int) -> None:
        """Stop a transfer out that the device does not take; it halts the endpoint, which is then cleared."""
        endpoint = need(self._link.read_endpoints().bulk_out, "bulk OUT", self.port)
        try:
            request = ControlRequest(_FROM_ENDPOINT, ClassRequest.INITIATE_ABORT_BULK_OUT, tag, endpoint)
            status = decode_status(self._link.control_in(request, 2, _CONTROL_S))
            check = ControlRequest(_FROM_ENDPOINT, ClassRequest.CHECK_ABORT_BULK_OUT_STATUS, 0, endpoint)
            for _ in range(_PENDING_TRIES if status is Status.SUCCESS else 0):
                status = decode_status(self._link.control_in(check, 8, _CONTROL_S))
                if status is not Status.PENDING:
                    break
            if status is Status.SUCCESS:
                self._link.clear_halt(endpoint)
            else:
                self.clear()
        except LampwardenError:
            self._cleared_generation = 0  # as above

    def _drain(self) -> None:
        """Read what an aborted transfer still sends, until a short packet or nothing comes."""
        packet = self._link.read_endpoints().bulk_in_packet
        for _ in range(_DRAIN_TRIES):
            try:
                data = self._link.bulk_in(_REQUEST_BYTES, _DRAIN_S)
            except LinkError as error:
                if error.fault is LinkFault.SILENT:
                    return
                raise
            if not data or len(data) % packet:
                return

    def _interface_request(self, request: ClassRequest, value: int) -> ControlRequest:
        return ControlRequest(_FROM_INTERFACE, request, value, self._link.read_endpoints().interface)
