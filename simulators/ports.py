"""Serves serial devices to the outside, in real time, on pseudo-terminals and plain TCP sockets.

One thread per line, owned here; it reads what a host writes, asks the device, and sends each answer when it is due by
the given :class:`TimeSource`. At a higher speed of bench time the waits shrink, the bytes stay.

*Pseudo-terminal*: 8N1, raw; no break, no parity, no modem lines. Each line has a symbolic link with a name of its own,
because the terminal's number changes when it is unplugged and plugged in again. *Plain TCP* (``socket://``) is for
systems without pseudo-terminals. Breaks and modem lines need :mod:`.rfc2217_port`.

One host at a time: a new connection takes the place of the old one, as on a serial server that lost its peer.
"""

import contextlib
import heapq
import os
import select
import socket
import threading
import tty
from abc import ABC, abstractmethod
from itertools import count
from pathlib import Path
from typing import Protocol, runtime_checkable

from .device import Outgoing, SerialDevice, TalkingDevice
from .faults import Fault, faults_of

LONGEST_WAIT_S = 0.5
"""A thread looks up at least this often; only its reaction to being closed could depend on it, and that wakes it."""

BABBLE_EVERY_S = 0.02
LARGEST_READ = 4096


BenchLock = contextlib.AbstractContextManager[bool, None]
"""The bench's lock (``threading.RLock`` is not a type)."""


@runtime_checkable
class TimeSource(Protocol):
    """Where ports take bench time from; the daemon's clocks fit."""

    @property
    def speed(self) -> float:
        """Bench seconds in a real second."""
        ...

    def monotonic(self) -> float:
        """Bench time."""
        ...


class Port(ABC):
    """One device on one line. Start it, and close it or use it as a context.

    Attributes:
        url: How a host opens the port.
        hangs_with_device: Whether a hung device leaves what the host writes in the line.
    """

    url = ""
    hangs_with_device = True

    def __init__(self, device: SerialDevice, time: TimeSource, *, lock: BenchLock | None = None) -> None:
        self._device = device
        self._talker = device if isinstance(device, TalkingDevice) else None
        self._time = time
        self._lock: BenchLock = lock or threading.RLock()
        self._faults = faults_of(device)
        self._due: list[tuple[float, int, bytes]] = []
        self._order = count()
        self._wake_read, self._wake_write = os.pipe()
        os.set_blocking(self._wake_write, False)
        self._closing = False
        self._is_open = threading.Event()
        self._is_gone = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"simulated {type(self).__name__}", daemon=True)
        self._faults.watch(self._wake)

    def start(self) -> "Port":
        """Open the port and serve it; returns when a host can open it."""
        try:
            self._open()
        except OSError:
            self.close()
            raise
        self._is_open.set()
        self._thread.start()
        return self

    def close(self) -> None:
        """Stop serving; idempotent."""
        if self._closing:
            return
        self._closing = True
        self._wake()
        if self._thread.is_alive():
            self._thread.join(5.0)
        self._shut()
        os.close(self._wake_read)
        os.close(self._wake_write)

    def __enter__(self) -> "Port":
        return self.start()

    def __exit__(self, *exception: object) -> None:
        self.close()

    def wait_unplugged(self, timeout_s: float = 5.0) -> bool:
        """Wait in real time until a port whose device was unplugged is gone."""
        return self._is_gone.wait(timeout_s)

    def wait_plugged(self, timeout_s: float = 5.0) -> bool:
        """Wait in real time until a port whose device was plugged in again can be opened."""
        return self._is_open.wait(timeout_s)

    # What the kinds of ports do differently

    @abstractmethod
    def _open(self) -> None:
        """Make the port appear."""

    @abstractmethod
    def _shut(self) -> None:
        """Make the port disappear; idempotent."""

    @abstractmethod
    def _sources(self) -> list[int]:
        """File descriptors to watch."""

    @abstractmethod
    def _ready(self, source: int) -> None:
        """Read from a descriptor that has something."""

    @abstractmethod
    def _transmit(self, data: bytes) -> None:
        """Send bytes to the host; what it does not take is lost, as on a line."""

    # The thread

    def _run(self) -> None:
        while not self._closing:
            if (Fault.UNPLUGGED in self._faults) == self._is_open.is_set():
                self._plug()
            watched = [self._wake_read, *([] if self._hung() else self._sources())]
            ready, _, _ = select.select(watched, [], [], self._patience_s())
            self._listen()
            for source in ready:
                if source == self._wake_read:
                    os.read(self._wake_read, 256)
                elif not self._closing and not self._hung():  # it may have begun to hang since
                    self._ready(source)
            self._send_due()

    def _hung(self) -> bool:
        return self.hangs_with_device and Fault.HANG in self._faults

    def _plug(self) -> None:
        if self._is_open.is_set():
            self._is_open.clear()
            self._due.clear()
            self._shut()
            self._is_gone.set()
        else:
            self._open()
            self._is_gone.clear()
            self._is_open.set()

    def _patience_s(self) -> float:
        patience_s = BABBLE_EVERY_S if Fault.BABBLE in self._faults else LONGEST_WAIT_S
        now_s = self._time.monotonic()
        if self._due:
            patience_s = min(patience_s, (self._due[0][0] - now_s) / self._time.speed)
        if self._talker is not None:
            patience_s = min(patience_s, (self._talker.next_s(now_s) - now_s) / self._time.speed)
        return max(0.0, patience_s)

    def _send_due(self) -> None:
        if not self._is_open.is_set():
            return
        while self._due and self._due[0][0] <= self._time.monotonic():
            self._transmit(heapq.heappop(self._due)[2])
        if Fault.BABBLE in self._faults:
            self._transmit(self._faults.noise(8))

    def _wake(self) -> None:
        with contextlib.suppress(OSError):  # full: it will wake anyway; closed: nobody is left to wake
            os.write(self._wake_write, b".")

    def _ask(self, data: bytes) -> None:
        outgoing: list[Outgoing] = []
        with self._lock, contextlib.suppress(OSError):  # unplugged since the bytes were read
            outgoing = self._device.receive(data, self._time.monotonic())
        self._queue(outgoing)

    def _break(self) -> None:
        outgoing: list[Outgoing] = []
        with self._lock, contextlib.suppress(OSError):  # as above
            outgoing = self._device.line_break(self._time.monotonic())
        self._queue(outgoing)

    def _listen(self) -> None:
        """Take what the device has sent by itself."""
        if self._talker is not None:
            with self._lock, contextlib.suppress(OSError):  # unplugged
                self._queue(self._talker.talk(self._time.monotonic()))

    def _queue(self, outgoing: list[Outgoing]) -> None:
        for item in outgoing:
            heapq.heappush(self._due, (item.due_s, next(self._order), item.data))


class PtyPort(Port):
    """A device on a pseudo-terminal, found under a symbolic link at ``path``."""

    def __init__(self, device: SerialDevice, time: TimeSource, path: Path, *, lock: BenchLock | None = None) -> None:
        super().__init__(device, time, lock=lock)
        self.path = path
        self.url = str(path)
        self._master = -1
        self._slave = -1

    def _open(self) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)  # kept open, or the master would report an error whenever no host has it open
        os.set_blocking(self._master, False)
        new = self.path.with_name(self.path.name + ".new")
        new.unlink(missing_ok=True)
        new.symlink_to(os.ttyname(self._slave))
        new.replace(self.path)

    def _shut(self) -> None:
        if self._master < 0:
            return
        self.path.unlink(missing_ok=True)
        os.close(self._slave)
        os.close(self._master)
        self._master = self._slave = -1

    def _sources(self) -> list[int]:
        return [self._master] if self._master >= 0 else []

    def _ready(self, source: int) -> None:
        with contextlib.suppress(BlockingIOError):
            self._ask(os.read(source, LARGEST_READ))

    def _transmit(self, data: bytes) -> None:
        with contextlib.suppress(BlockingIOError):
            os.write(self._master, data)


class SocketPort(Port):
    """A device behind a TCP socket on the loopback, ``socket://127.0.0.1:…``."""

    scheme = "socket"

    def __init__(
        self, device: SerialDevice, time: TimeSource, number: int = 0, *, lock: BenchLock | None = None
    ) -> None:
        super().__init__(device, time, lock=lock)
        self.number = number
        self._listener: socket.socket | None = None
        self._peer: socket.socket | None = None

    def _open(self) -> None:
        listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(("127.0.0.1", self.number))
        listener.listen(1)
        self.number = int(listener.getsockname()[1])
        self.url = f"{self.scheme}://127.0.0.1:{self.number}"
        self._listener = listener

    def _shut(self) -> None:
        self._hang_up()
        if self._listener is not None:
            self._listener.close()
            self._listener = None

    def _sources(self) -> list[int]:
        return [each.fileno() for each in (self._listener, self._peer) if each is not None]

    def _ready(self, source: int) -> None:
        if self._listener is not None and source == self._listener.fileno():
            self._hang_up()
            self._peer, _ = self._listener.accept()
            self._peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._peer.settimeout(1.0)
            self._connected()
        elif self._peer is not None and source == self._peer.fileno():
            try:
                data = self._peer.recv(LARGEST_READ)
            except OSError:
                data = b""
            if data:
                self._arrived(data)
            else:
                self._hang_up()

    def _connected(self) -> None:
        """A host has connected."""

    def _arrived(self, data: bytes) -> None:
        self._ask(data)

    def _hang_up(self) -> None:
        if self._peer is not None:
            self._peer.close()
            self._peer = None
            self._due.clear()

    def _transmit(self, data: bytes) -> None:
        self._send_raw(data)

    def _send_raw(self, data: bytes) -> None:
        if self._peer is None:
            return
        try:
            self._peer.sendall(data)
        except OSError:
            self._hang_up()
