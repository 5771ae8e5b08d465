"""In-line links: a simulated device called directly, on bench time, without threads or ports.

The device's interface is structural (two Protocols below): this module imports nothing of the simulators. Devices are
passive and clockless; every call carries the bench time, and what they send carries the time at which it leaves them.

Time that an exchange takes cannot be slept here, because links block and bench time is asyncio's. It is *owed*: the
link knows until when it is busy, tells devices ``max(clock, busy until)``, and the in-line runner sleeps the debt off
on the Clock after the call. A call that is cancelled while its debt is slept leaves the debt with the link, as a real
line stays busy.
"""

import errno
import heapq
import math
from collections.abc import Callable, Collection, Sequence
from dataclasses import replace
from itertools import count
from typing import ParamSpec, Protocol, TypeVar, runtime_checkable

from ...protocol.clock import Clock
from ...protocol.errors import ConfigurationError, DeviceError, LinkError, LinkFault
from ..bell import Bell
from .base import ControlRequest, ModemLines, SerialSettings, StallError, UsbEndpoints, UsbIdentity, need

P = ParamSpec("P")
T = TypeVar("T")

# ruff: noqa: D102  the interface in base.py documents the methods

# CLEAR_FEATURE(ENDPOINT_HALT) to an endpoint: USB 2.0, tables 9-3, 9-4, 9-6.
CLEAR_ENDPOINT_HALT = ControlRequest(0x02, 0x01, 0x0000)
# GET_STATUS of the device: USB 2.0, 9.4.5.
_GET_STATUS = ControlRequest(0x80, 0x00)
# A standard request without data is answered within 50 ms (USB 2.0, 9.2.6.3, from memory); pyusb allows its default.
_CLEAR_HALT_S = 1.0


class Outgoing(Protocol):
    """Bytes that a device sends, and when."""

    @property
    def due_s(self) -> float:
        """Bench time at which the bytes leave the device."""
        ...

    @property
    def data(self) -> bytes:
        """The bytes."""
        ...

    @property
    def endpoint(self) -> int:
        """USB endpoint address, 0 on serial."""
        ...


@runtime_checkable
class SerialDevice(Protocol):
    """A simulated device behind a serial line."""

    def receive(self, data: bytes, now_s: float) -> Sequence[Outgoing]:
        """Take any split of the byte stream, return what is sent for it."""
        ...

    def line_break(self, now_s: float) -> Sequence[Outgoing]:
        """Take a break."""
        ...


@runtime_checkable
class TalkingDevice(SerialDevice, Protocol):
    """A simulated serial device that sends by itself as well."""

    def next_s(self, now_s: float) -> float:
        """Bench time at which it will send next, seen from now."""
        ...

    def talk(self, until_s: float) -> Sequence[Outgoing]:
        """Return what it has sent by itself since the last call, up to that time."""
        ...


@runtime_checkable
class UsbDevice(Protocol):
    """A simulated USB device with one interface."""

    @property
    def vid(self) -> int: ...
    @property
    def pid(self) -> int: ...
    @property
    def manufacturer(self) -> str: ...
    @property
    def product(self) -> str: ...
    @property
    def serial(self) -> str: ...
    @property
    def interface_class(self) -> tuple[int, int, int]: ...
    @property
    def endpoints(self) -> tuple[int, ...]: ...

    @property
    def epoch(self) -> int:
        """Changes when bytes handed out earlier and not yet due must no longer arrive, as after an abort."""
        ...

    @property
    def halted(self) -> Collection[int]:
        """Endpoints that answer with a stall until they are cleared."""
        ...

    @property
    def on_unprompted(self) -> object:
        """Who is told of what the device sends without having been asked; a link only ever sets it."""
        ...

    @on_unprompted.setter
    def on_unprompted(self, hear: Callable[[Sequence[Outgoing]], None] | None) -> None: ...

    def attached(self) -> None:
        """Take note that a host has just configured the device."""
        ...

    def control(self, setup: bytes, data: bytes, now_s: float) -> bytes | None:
        """Answer a control request: None is a stall, else IN data or b""."""
        ...

    def receive(self, endpoint: int, data: bytes, now_s: float) -> Sequence[Outgoing]:
        """Take a bulk OUT transfer."""
        ...


class _InlineLink:
    """Debt of time, queued output of the device, and the signal that unprompted input is there."""

    def __init__(self, clock: Clock, port: str) -> None:
        self._clock = clock
        self._port = port
        self._busy_until_s = -math.inf
        self._generation = 0
        self._is_open = False
        self._order = count()
        self._queues: dict[int, list[tuple[float, int, bytes]]] = {}
        self.input_arrived = Bell()

    @property
    def port(self) -> str:
        return self._port

    @property
    def generation(self) -> int:
        return self._generation

    @property
    def is_open(self) -> bool:
        return self._is_open

    @property
    def owed_s(self) -> float:
        """Bench seconds for which the link is still busy with what was asked of it."""
        owed_s = self._busy_until_s - self._clock.monotonic()
        if owed_s < 0.0:
            return 0.0
        return owed_s

    def now_s(self) -> float:
        clock_s, busy_s = self._clock.monotonic(), self._busy_until_s
        if clock_s < busy_s:
            return busy_s
        return clock_s

    def open(self) -> None:
        if not self._is_open:
            self._is_open = True
            self._generation += 1

    def pause(self, seconds: float) -> None:
        """Let bench time pass, to be slept off afterwards."""
        self._owe(seconds)

    def claim(self) -> None:
        """Nothing to claim: there are no threads."""

    def reset(self) -> None:
        """Nothing can hang in line."""

    def close(self) -> None:
        self._queues.clear()

    def _asked(self, ask: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
        """What a device answers; one that hangs or is unplugged raises OSError, and may be back for the next call."""
        try:
            return ask(*args, **kwargs)
        except OSError as error:
            if error.errno == errno.ETIMEDOUT:
                raise LinkError(LinkFault.SILENT, "the device does not answer", where=self._port) from error
            self._is_open = False  # as a handle is of no use any more when the device behind it was pulled out
            raise LinkError(
                LinkFault.LOST, f"{error.strerror or error}", where=self._port, mend="plug it in"
            ) from error

    def _owe(self, seconds: float) -> None:
        if seconds > 0.0:
            self._busy_until_s = self.now_s() + seconds

    def _enqueue(self, outgoing: Sequence[Outgoing]) -> None:
        for item in outgoing:
            queue = self._queues.get(item.endpoint)
            if queue is None:
                queue = self._queues[item.endpoint] = []
            heapq.heappush(queue, (item.due_s, next(self._order), item.data))

    def _take(self, endpoint: int, max_bytes: int, timeout_s: float) -> bytes | None:
        """Return the next piece due within the time-out, letting time pass up to it; None when there is none."""
        now_s = self.now_s()
        queue = self._queues.get(endpoint)
        if not queue or queue[0][0] > now_s + timeout_s:
            self._owe(timeout_s)
            return None
        due_s, order, data = heapq.heappop(queue)
        if due_s > now_s:
            self._busy_until_s = now_s + (due_s - now_s)
        if len(data) > max_bytes:
            heapq.heappush(queue, (due_s, order, data[max_bytes:]))
        if not queue and self.input_arrived.rings and not any(self._queues.values()):
            self.input_arrived.hush()
        return data[:max_bytes]


class InlineByteLink(_InlineLink):
    """A :class:`~.base.ByteLink` onto a simulated serial device."""

    def __init__(
        self, device: SerialDevice, clock: Clock, *, port: str = "inline", settings: SerialSettings | None = None
    ) -> None:
        super().__init__(clock, port)
        self._device = device
        self._talker = device if isinstance(device, TalkingDevice) else None
        self._settings = settings or SerialSettings()
        self._last_activity_s = -math.inf
        self._last_written = b""

    @property
    def settings(self) -> SerialSettings:
        return self._settings

    @property
    def last_written(self) -> bytes:
        return self._last_written

    def quiet_s(self) -> float:
        return self.now_s() - self._last_activity_s

    def write(self, data: bytes) -> None:
        self.open()
        now_s = self.now_s()
        self._enqueue(self._asked(self._device.receive, data, now_s))
        self._last_written = data
        self._last_activity_s = now_s

    def read(self, max_bytes: int, timeout_s: float) -> bytes:
        self.open()
        if self._talker is not None and not self._queues.get(0):
            # No further ahead than the next line: what it says then is then decided.
            due_s = self._talker.next_s(self.now_s())
            if due_s <= self.now_s() + timeout_s:
                self._listen(self._talker, due_s)
        data = self._take(0, max_bytes, timeout_s)
        if data is None:
            return b""
        self._last_activity_s = self.now_s()
        return data

    def discard_input(self) -> bytes:
        if self._talker is not None:
            self._listen(self._talker, self.now_s())
        queue = self._queues.get(0)
        dropped = b""
        if not queue:
            return dropped
        now_s = self.now_s()
        while queue and queue[0][0] <= now_s:
            dropped += heapq.heappop(queue)[2]
        return dropped

    def send_break(self, duration_s: float) -> None:
        self.open()
        self._owe(duration_s)
        now_s = self.now_s()
        self._enqueue(self._asked(self._device.line_break, now_s))
        self._last_activity_s = now_s

    def modem_lines(self) -> ModemLines:
        raise DeviceError("an in-line port has no modem lines", where=self._port)

    def _listen(self, talker: TalkingDevice, until_s: float) -> None:
        """Take what the device will have sent by itself up to a time."""
        self._enqueue(self._asked(talker.talk, until_s))


class InlineUsbLink(_InlineLink):
    """A :class:`~.base.UsbLink` onto a simulated USB device."""

    def __init__(self, device: UsbDevice, clock: Clock, *, port: str = "inline") -> None:
        super().__init__(clock, port)
        self._device = device
        outs = [address for address in device.endpoints if not address & 0x80]
        ins = [address for address in device.endpoints if address & 0x80]
        # With an OUT endpoint the first IN is its bulk companion, the next the interrupt endpoint (USBTMC); without
        # one, the only IN is an interrupt endpoint (HID). Descriptors proper exist only on a real or virtual bus.
        bulk_in = ins.pop(0) if outs and ins else None
        self._endpoints = UsbEndpoints(0, outs[0] if outs else None, bulk_in, ins[0] if ins else None)
        self._identity = UsbIdentity(device.vid, device.pid, device.manufacturer, device.product, device.serial, "")
        self._epoch = device.epoch
        device.on_unprompted = self._unprompted

    def read_identity(self) -> UsbIdentity:
        return self._identity

    def read_endpoints(self) -> UsbEndpoints:
        return self._endpoints

    def close(self) -> None:
        super().close()
        self._device.on_unprompted = None

    def open(self) -> None:
        if not self._is_open:
            super().open()
            self._device.attached()
            self._epoch = self._device.epoch  # nothing was handed out before this host came
        self._device.on_unprompted = self._unprompted

    def bulk_out(self, data: bytes, timeout_s: float) -> None:  # noqa: ARG002  in line nothing waits
        endpoint = self._usable(self._endpoints.bulk_out, "bulk OUT")
        self._enqueue(self._asked(self._device.receive, endpoint, data, self.now_s()))

    def bulk_in(self, max_bytes: int, timeout_s: float) -> bytes:
        data = self._take(self._usable(self._endpoints.bulk_in, "bulk IN"), max_bytes, timeout_s)
        if data is None:
            raise LinkError(LinkFault.SILENT, f"nothing came within {timeout_s:g} s", where=self._port)
        return data

    def bulk_exchange(self, outgoing: Sequence[bytes], max_bytes: int, timeout_s: float) -> bytes:
        for each in outgoing:
            self.bulk_out(each, timeout_s)
        return self.bulk_in(max_bytes, timeout_s)

    def interrupt_in(self, max_bytes: int, timeout_s: float) -> bytes | None:
        endpoint = self._usable(self._endpoints.interrupt_in, "interrupt IN")
        # A bus notices that a device is gone while it waits for a report; in line somebody has to ask. Whether the
        # device answers, stalls or hangs does not matter.
        try:
            self._asked(self._device.control, _GET_STATUS.setup(2), b"", self.now_s())
        except LinkError as error:
            if error.fault is not LinkFault.SILENT:
                raise
        return self._take(endpoint, max_bytes, timeout_s)

    def control_in(self, request: ControlRequest, length: int, timeout_s: float) -> bytes:
        return self._control(request, length, b"", timeout_s)[:length]

    def control_out(self, request: ControlRequest, data: bytes, timeout_s: float) -> None:
        self._control(request, len(data), data, timeout_s)

    def clear_halt(self, endpoint: int) -> None:
        self._control(replace(CLEAR_ENDPOINT_HALT, index=endpoint), 0, b"", _CLEAR_HALT_S)

    def _usable(self, endpoint: int | None, kind: str) -> int:
        self.open()
        address = need(endpoint, kind, self._port)
        if address in self._device.halted:
            raise StallError(address, where=self._port)
        if self._epoch != self._device.epoch:
            self._forget_later()
        return address

    def _forget_later(self) -> None:
        """Drop what the device has taken back: whatever is not due yet."""
        self._epoch = self._device.epoch
        now_s = self.now_s()
        for queue in self._queues.values():
            queue[:] = [item for item in queue if item[0] <= now_s]
            heapq.heapify(queue)

    def _control(self, request: ControlRequest, length: int, data: bytes, timeout_s: float) -> bytes:
        self.open()
        try:
            answer = self._asked(self._device.control, request.setup(length), data, self.now_s())
        except LinkError as error:
            if error.fault is LinkFault.SILENT:
                self._owe(timeout_s)
            raise
        if answer is None:
            raise StallError(0, where=self._port)
        if self._epoch != self._device.epoch:
            self._forget_later()
        return answer

    def _unprompted(self, outgoing: Sequence[Outgoing]) -> None:
        self._enqueue(outgoing)
        self.input_arrived.ring()


InlineLink = InlineByteLink | InlineUsbLink


def inline_link(device: object, clock: Clock, *, port: str, settings: SerialSettings | None = None) -> InlineLink:
    """Make the link that fits a simulated device."""
    if isinstance(device, UsbDevice):
        return InlineUsbLink(device, clock, port=port)
    if isinstance(device, SerialDevice):
        return InlineByteLink(device, clock, port=port, settings=settings)
    raise ConfigurationError(
        f"{type(device).__name__} is not a simulated device",
        where=port,
        mend="give it receive() and line_break(), or the members of a USB device",
    )
