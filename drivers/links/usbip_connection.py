"""One USB/IP connection: many requests in flight, one reader thread, every wait bounded.

A time-out takes the request back (USBIP_CMD_UNLINK) and waits for one of the two possible answers: either the request
was taken back, or it was answered before, and then its data count: a press must not be lost because it came in the
millisecond of the time-out. Knows requests and returns, no descriptors and no pyusb.

Transfers that belong together are queued at once, as a kernel's host controller takes them: each endpoint makes its own
in their order, and nobody waits for the answer to one before the next may go out.
"""

import contextlib
import errno
import socket
import struct
import threading
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import count
from typing import Final

from ...protocol.errors import LinkError, LinkFault, WireError, reason_of
from ..codecs.base import NEED_DATA
from ..codecs.usbip import (
    DeviceListReceiver,
    ImportReceiver,
    RemoteDevice,
    ReturnReceiver,
    Submit,
    Submitted,
    encode_device_list_request,
    encode_import_request,
    encode_submit,
    encode_unlink,
)

# A virtual bus is on this machine or this network: a second is many round trips (common practice, no source).
CONNECT_BOUND_S: Final = 2.0
UNLINK_BOUND_S: Final = 1.0
_CHUNK_BYTES: Final = 64 * 1024


@dataclass(frozen=True, slots=True)
class Transfer:
    """One transfer to make; ``length`` is the OUT data's or the most IN data that is taken."""

    endpoint: int
    length: int
    data: bytes = b""
    setup: bytes = bytes(8)


@dataclass(slots=True)
class _Batch:
    """Requests that were queued together."""

    left: int
    """How many are still under way."""
    is_taken_back: bool = False
    settled: threading.Event = field(default_factory=threading.Event)
    """None is under way any more; or one has failed, and nothing is taken back yet."""


@dataclass(slots=True)
class _Pending:
    """A request that is or was under way, and its outcome."""

    batch: _Batch
    is_over: bool = False
    status: int = -errno.ENODEV
    data: bytes = b""
    actual_length: int = 0
    was_unlinked: bool = False

    def settle(self) -> None:
        """Its outcome stands: wake who waits for the batch, if that changes anything for it."""
        self.is_over = True
        self.batch.left -= 1
        if self.batch.left == 0 or (self.status < 0 and not self.batch.is_taken_back):
            self.batch.settled.set()


def _connect(host: str, port: int, where: str) -> socket.socket:
    try:
        connection = socket.create_connection((host, port), CONNECT_BOUND_S)
    except OSError as error:
        what = f"no USB/IP server: {reason_of(error)}"
        raise LinkError(LinkFault.ABSENT, what, where=where, mend="start it, or correct host and port") from error
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return connection


def list_devices(host: str, port: int, *, where: str) -> tuple[RemoteDevice, ...]:
    """Ask a server for its devices, on a connection of its own as the protocol wants."""
    receiver = DeviceListReceiver()
    with _connect(host, port, where) as connection:
        try:
            connection.sendall(encode_device_list_request())
            while (devices := receiver.next_message()) is NEED_DATA:
                chunk = connection.recv(_CHUNK_BYTES)
                if not chunk:
                    raise ConnectionResetError("the server closed the connection")
                receiver.feed(chunk)
        except OSError as error:
            raise LinkError(LinkFault.LOST, f"USB/IP server: {reason_of(error)}", where=where) from error
    return devices


class UsbIpConnection:
    """An imported device; importing happens in the constructor.

    Raises:
        LinkError: ABSENT when there is no server, BUSY when it refuses the device, LOST when it hangs up.
    """

    def __init__(self, host: str, port: int, device: RemoteDevice, *, where: str) -> None:
        self._where = where
        self._device = device
        self._lock = threading.Lock()
        self._sequence = count(1)
        self._pending: dict[int, _Pending] = {}
        self._unlinks: dict[int, int] = {}
        self._receiver = ReturnReceiver()
        self._is_closed = False
        self._socket = _connect(host, port, where)
        try:
            self._import()
        except BaseException:
            self._socket.close()
            raise
        self._socket.settimeout(None)
        # The reader may wait for ever, but a server that does not read must not hold a sender, who holds the lock.
        send_bound = struct.pack("@ll", int(CONNECT_BOUND_S), 0)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_SNDTIMEO, send_bound)
        self._reader = threading.Thread(target=self._read, name=f"usbip {where}", daemon=True)
        self._reader.start()

    @property
    def is_closed(self) -> bool:
        """Whether the connection is gone."""
        return self._is_closed

    def transfer(self, endpoint: int, length: int, data: bytes, setup: bytes, timeout_s: float) -> Submitted | None:
        """Make one transfer and wait for it; None is a time-out. Safe from any thread.

        A connection that is gone gives a status of ``-ENODEV``.
        """
        return self.transfer_all((Transfer(endpoint, length, data, setup),), timeout_s)[0]

    def transfer_all(self, transfers: Sequence[Transfer], timeout_s: float) -> list[Submitted | None]:
        """Queue transfers and wait for all of them. Safe from any thread.

        As soon as one fails, or when the time is over, those still under way are taken back; these are None. A
        connection that is gone gives a status of ``-ENODEV``.
        """
        batch = _Batch(len(transfers))
        pending: dict[int, _Pending] = {}
        with self._lock:
            if self._is_closed:
                return [Submitted(0, -errno.ENODEV, 0, b"")] * len(transfers)
            messages = []
            for each in transfers:
                sequence = next(self._sequence)
                request = Submit(sequence, self._device.device_id, each.endpoint, each.length, each.data, each.setup)
                pending[sequence] = _Pending(batch)
                if request.is_in:
                    self._receiver.expect_in(sequence, each.length)
                messages.append(encode_submit(request))
            self._pending.update(pending)
            self._send(b"".join(messages))
        batch.settled.wait(timeout_s)
        if batch.left:
            self._take_back(batch, pending)
        with self._lock:
            for sequence in pending:
                del self._pending[sequence]
        return [
            None if each.was_unlinked else Submitted(sequence, each.status, each.actual_length, each.data)
            for sequence, each in pending.items()
        ]

    def close(self) -> None:
        """Hang up; requests under way end with ``-ENODEV``. Safe from any thread, idempotent."""
        with self._lock:
            self._end()
        if threading.current_thread() is not self._reader:
            self._reader.join(CONNECT_BOUND_S)

    def _import(self) -> None:
        receiver = ImportReceiver()
        try:
            self._socket.sendall(encode_import_request(self._device.bus_id))
            while (device := receiver.next_message()) is NEED_DATA:
                chunk = self._socket.recv(_CHUNK_BYTES)
                if not chunk:
                    raise ConnectionResetError("the server closed the connection")
                receiver.feed(chunk)
        except OSError as error:
            raise LinkError(LinkFault.LOST, f"USB/IP server: {reason_of(error)}", where=self._where) from error
        if device is None:
            raise LinkError(
                LinkFault.BUSY,
                f"the USB/IP server does not give device {self._device.bus_id}",
                where=self._where,
                mend="end the other program that uses the device",
            )
        self._receiver.feed(receiver.rest)

    def _take_back(self, batch: _Batch, pending: dict[int, _Pending]) -> None:
        """Take back what is still under way, the last first, so that nothing goes out behind what failed."""
        with self._lock:
            batch.is_taken_back = True
            under_way = [sequence for sequence, each in pending.items() if not each.is_over]
            if not under_way:
                return
            batch.settled.clear()
            messages = []
            for sequence in reversed(under_way):
                unlink = next(self._sequence)
                self._unlinks[unlink] = sequence
                messages.append(encode_unlink(unlink, self._device.device_id, sequence))
            self._send(b"".join(messages))
        if not batch.settled.wait(UNLINK_BOUND_S):
            self.close()  # a server that answers neither is as good as gone; closing answers the requests

    def _send(self, data: bytes) -> None:
        """Send under the lock; a failure ends the connection, which answers everybody."""
        try:
            self._socket.sendall(data)
        except OSError:
            self._end()

    def _read(self) -> None:
        try:
            while True:
                while (message := self._receiver.next_message()) is not NEED_DATA:
                    with self._lock:
                        if isinstance(message, Submitted):
                            self._answer(message)
                        else:
                            self._unlinked(message.sequence)
                chunk = self._socket.recv(_CHUNK_BYTES)
                if not chunk:
                    break
                with self._lock:
                    self._receiver.feed(chunk)
        except (OSError, WireError):
            pass  # broken or closed either way; the requests under way learn it below
        with self._lock:
            self._end()
        self._socket.close()

    def _answer(self, message: Submitted) -> None:
        pending = self._pending.get(message.sequence)
        if pending is not None and not pending.is_over:
            pending.status = message.status
            pending.data = message.data
            pending.actual_length = message.actual_length
            pending.settle()

    def _unlinked(self, unlink: int) -> None:
        sequence = self._unlinks.pop(unlink, None)
        pending = self._pending.get(sequence) if sequence is not None else None
        if sequence is None or pending is None or pending.is_over:
            return
        # Whatever the status: a request that had ended before (status 0) was answered ahead of this, and found above;
        # a server that says so without having answered would leave it open for ever: it counts as taken back.
        self._receiver.forget(sequence)
        pending.was_unlinked = True
        pending.settle()

    def _end(self) -> None:
        """Under the lock: no more requests; answer those under way with ``-ENODEV``."""
        if self._is_closed:
            return
        self._is_closed = True
        with contextlib.suppress(OSError):  # the other side was faster
            self._socket.shutdown(socket.SHUT_RDWR)
        for pending in self._pending.values():
            if not pending.is_over:
                pending.settle()  # as one that is gone, which is how it began
