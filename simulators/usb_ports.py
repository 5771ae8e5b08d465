"""Serves USB devices on a virtual bus, in real time: USB/IP over TCP, for our own host side and for a Linux kernel.

Descriptors, standard requests and the USB/IP protocol are PyPI ``usbip``; what is ours is the listener, because the
library's can neither choose a free port nor close the connections of a device that is unplugged, and lets a second
host take over a device that is in use. Here a device is exported to one host at a time: a second import is refused, as
usbipd does, and the first host loses nothing by it.

One thread per connection belongs to the library's serving loop; one thread of the bus sends what falls due. A device
is asked under the bench's lock. What is due is dropped when the device's ``epoch`` has moved on: the host has aborted,
or has left. Presses of the foot switch while nobody is attached are lost, as on a real bus.
"""

import contextlib
import heapq
import socket
import struct
import threading
from itertools import count

import usbip
from usbip import protocol as wire
from usbip.core import Setup, Stall, Urb

from .device import Outgoing, UsbDevice, clears_halt_of
from .faults import Fault, faults_of
from .ports import BenchLock, TimeSource

LONGEST_WAIT_S = 0.5
"""How often a thread looks up by itself; closing and new work wake it."""

HUNG_LOOK_S = 0.05
"""How often a hung device looks whether its host is still there."""

LEAVING_S = 1.0
"""How long an import waits for a host that has just hung up to be seen off."""

MOST_QUEUED = 256
"""Transfers that a host may leave unread before they are taken for abandoned; a real device has two buffers."""

INTERRUPT_PACKET = 8
BULK_PACKET = 64


class _Function(usbip.Interface):  # type: ignore[misc]  # the library has no type information
    """The one interface of a device: hands everything to its core."""

    def __init__(self, exported: "_Exported") -> None:
        core = exported.core
        self.bInterfaceClass, self.bInterfaceSubClass, self.bInterfaceProtocol = core.interface_class
        self._exported = exported
        super().__init__()

    def extra_descriptors(self) -> bytes:
        return self._exported.core.class_descriptors

    def on_control(self, setup: Setup, data: bytes = b"") -> bytes:
        answer = self._exported.control(setup.pack(), data)
        if answer is None:
            raise Stall
        return answer

    def on_out(self, ep: usbip.Endpoint, data: bytes) -> None:
        self._exported.receive(ep.addr, data)

    def on_reset(self) -> None:
        self._exported.reset()


def _function(exported: "_Exported") -> _Function:
    """Make an interface with the core's endpoints, which the library wants declared on a class."""
    core = exported.core
    keyboard = core.interface_class[0] == 0x03
    outs = [address for address in core.endpoints if not address & 0x80]
    specs = {}
    for address in core.endpoints:
        # USBTMC 5.6 and HID 4.4 (from memory): bulk pair plus interrupt-IN, or interrupt-IN alone
        interrupt = address & 0x80 and (keyboard or address & 0x0F > max(outs, default=0))
        kind, packet, interval = ("interrupt", INTERRUPT_PACKET, 10) if interrupt else ("bulk", BULK_PACKET, 0)
        make = usbip.In if address & 0x80 else usbip.Out
        specs[f"endpoint_{address:02x}"] = make(address, kind, mps=packet, interval=interval)
    made: _Function = type("Function", (_Function,), specs)(exported)
    return made


class _Exported(usbip.USBDevice):  # type: ignore[misc]  # as above
    """A device core as the library sees it."""

    def __init__(self, bus: "VirtualBus", core: UsbDevice) -> None:
        super().__init__(core.vid, core.pid, manufacturer=core.manufacturer, product=core.product, serial=core.serial)
        self.core = core
        self.faults = faults_of(core)
        self.io_lock = threading.RLock()
        self.connection: socket.socket | None = None
        self.is_free = threading.Event()
        self.is_free.set()
        self._bus = bus
        function = _function(self)
        self.add(function)
        self._endpoints = {address: getattr(function, f"endpoint_{address:02x}") for address in core.endpoints}
        core.on_unprompted = self._schedule

    def handle_urb(self, urb: Urb, respond: object = None) -> Urb | None:
        """Tell the core of a cleared halt, which the library otherwise keeps to itself.

        The library answers standard requests by itself; those of a device that hangs wait too.
        """
        if urb.ep == 0:
            self._wait_while_hung()
        if urb.ep == 0 and clears_halt_of(urb.setup) is not None:
            self.control(urb.setup, b"")
        return super().handle_urb(urb, respond)

    def control(self, setup: bytes, data: bytes) -> bytes | None:
        self._wait_while_hung()
        with self.io_lock:
            before = self.core.epoch
            try:
                with self._bus.bench_lock:
                    answer = self.core.control(setup, data, self._bus.time.monotonic())
            except OSError:
                return None
            self._settle(before)
            return answer

    def receive(self, address: int, data: bytes) -> None:
        self._wait_while_hung()
        with self.io_lock:
            before = self.core.epoch
            try:
                with self._bus.bench_lock:
                    outgoing = self.core.receive(address, data, self._bus.time.monotonic())
            except OSError:
                raise Stall from None
            self._settle(before)
            self._schedule(outgoing)

    def reset(self) -> None:
        """A host has attached, or has configured the device anew."""
        with self.io_lock, self._bus.bench_lock:
            self.core.attached()

    def deliver(self, item: Outgoing, epoch: int) -> None:
        """Put a transfer where the host can read it, unless it has become void."""
        with self.io_lock:
            if self.connection is not None and epoch == self.core.epoch:
                self._endpoints[item.endpoint].write(item.data)

    def _schedule(self, outgoing: list[Outgoing]) -> None:
        self._bus.schedule(self, outgoing)

    def _settle(self, epoch_before: int) -> None:
        if self.core.epoch != epoch_before:
            for address, endpoint in self._endpoints.items():
                if address & 0x80 and endpoint.type == "bulk":
                    _drain(endpoint)
        for address in self.core.halted:
            if not self._endpoints[address].halted:
                self._endpoints[address].stall()

    def _wait_while_hung(self) -> None:
        while Fault.HANG in self.faults and not self._bus.closing:
            connection = self.connection
            if connection is None or _has_left(connection):
                raise ConnectionError("the host has given up")
            self.faults.wait_while(Fault.HANG, HUNG_LOOK_S)


def _drain(endpoint: usbip.Endpoint) -> None:
    """Throw away transfers that the host has not read; parked requests of the host stay."""
    for _ in range(MOST_QUEUED):
        # an empty transfer reads as nothing too, and there is at most one of them
        if not endpoint.read(timeout=0.0) and not endpoint.read(timeout=0.0):
            return


class VirtualBus:
    """A USB bus with simulated devices, on a TCP port of the loopback.

    Attributes:
        number: The TCP port, known once the bus is started.
        closing: Whether the bus is being closed.
    """

    def __init__(
        self, devices: list[UsbDevice], time: TimeSource, number: int = 0, *, lock: BenchLock | None = None
    ) -> None:
        self.time = time
        self.number = number
        self.closing = False
        self.bench_lock: BenchLock = lock or threading.RLock()
        self._due: list[tuple[float, int, _Exported, Outgoing, int]] = []
        self._order = count()
        self._changed = threading.Condition()
        self._listener: socket.socket | None = None
        self._threads: list[threading.Thread] = []
        self._exports = [_Exported(self, core) for core in devices]
        for index, exported in enumerate(self._exports):
            exported.set_busid(f"1-{index + 1}")
            exported.busnum, exported.devnum = 1, index + 2
            exported.faults.watch(self._drop_unplugged)

    def start(self) -> "VirtualBus":
        """Open the port and serve it; returns when a host can connect."""
        listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(("127.0.0.1", self.number))
        listener.listen(8)
        self.number = int(listener.getsockname()[1])
        self._listener = listener
        self._threads = [
            threading.Thread(target=self._accept, name="simulated USB bus: accept", daemon=True),
            threading.Thread(target=self._send, name="simulated USB bus: send", daemon=True),
        ]
        for thread in self._threads:
            thread.start()
        return self

    def close(self) -> None:
        """Unplug everything and stop serving; idempotent."""
        if self.closing or self._listener is None:
            return
        self.closing = True
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)  # wakes the accepting thread
        self._listener.close()
        for exported in self._exports:
            _cut(exported)
        with self._changed:
            self._changed.notify_all()
        for thread in self._threads:
            thread.join(5.0)

    def __enter__(self) -> "VirtualBus":
        return self.start()

    def __exit__(self, *exception: object) -> None:
        self.close()

    def url(self, device: UsbDevice) -> str:
        """How our host side names a device of this bus."""
        return f"usbip://127.0.0.1:{self.number}/{device.vid:04x}:{device.pid:04x}:{device.serial}"

    def schedule(self, exported: _Exported, outgoing: list[Outgoing]) -> None:
        """Have transfers sent when they are due."""
        with self._changed:
            for item in outgoing:
                entry = (item.due_s, next(self._order), exported, item, exported.core.epoch)
                heapq.heappush(self._due, entry)
            self._changed.notify_all()

    def _send(self) -> None:
        while not self.closing:
            with self._changed:
                wait_s = LONGEST_WAIT_S
                if self._due:
                    wait_s = min(wait_s, (self._due[0][0] - self.time.monotonic()) / self.time.speed)
                if wait_s > 0.0:
                    self._changed.wait(wait_s)
                    continue
                _, _, exported, item, epoch = heapq.heappop(self._due)
            exported.deliver(item, epoch)

    def _accept(self) -> None:
        while self._listener is not None and not self.closing:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            threading.Thread(
                target=self._serve, args=(connection,), name="simulated USB bus: serve", daemon=True
            ).start()

    def _serve(self, connection: socket.socket) -> None:
        present = [exported for exported in self._exports if Fault.UNPLUGGED not in exported.faults]
        try:
            busid = _imported(connection)
        except OSError:
            connection.close()
            return
        wanted = next((exported for exported in present if exported.busid == busid), None)
        if wanted is None:  # a list of devices, or the import of one that is not there
            wire.serve_connection(connection, present)
            return
        wanted.is_free.wait(LEAVING_S)
        with wanted.io_lock:
            busy = wanted.connection is not None
            if not busy:
                wanted.connection = connection
                wanted.is_free.clear()
        if busy:
            with contextlib.suppress(OSError):
                connection.recv(40)
                connection.sendall(struct.pack(">HHI", wire.VERSION, wire.OP_REP_IMPORT, 1))
            connection.close()
            return
        try:
            wire.serve_connection(connection, [wanted])
        finally:
            with wanted.io_lock:
                wanted.reset_io()
                wanted.connection = None
                wanted.is_free.set()

    def _drop_unplugged(self) -> None:
        for exported in self._exports:
            if Fault.UNPLUGGED in exported.faults:
                _cut(exported)


def _imported(connection: socket.socket) -> str | None:
    """Look at the first request without taking it; return the bus id that it imports, if it is an import.

    Raises:
        OSError: The host left before it had said anything.
    """
    header = connection.recv(8, socket.MSG_PEEK | socket.MSG_WAITALL)
    if len(header) < 8:
        raise ConnectionError("the host said nothing")
    if struct.unpack(">HHI", header)[1] != wire.OP_REQ_IMPORT:
        return None
    request = connection.recv(40, socket.MSG_PEEK | socket.MSG_WAITALL)
    return request[8:].split(b"\0")[0].decode("ascii", "replace")


def _has_left(connection: socket.socket) -> bool:
    try:
        return connection.recv(1, socket.MSG_PEEK | socket.MSG_DONTWAIT) == b""
    except BlockingIOError:
        return False
    except OSError:
        return True


def _cut(exported: _Exported) -> None:
    connection = exported.connection
    if connection is not None:
        with contextlib.suppress(OSError):
            connection.shutdown(socket.SHUT_RDWR)
