"""What a link is: the moving of bytes to and from one port, blocking, with a bound on every wait.

A link owns the port's handle and nothing else: framing belongs to codecs, retries to drivers, threads to runners.
It is built without touching the port. The first use opens it; after a loss or a :meth:`Link.reset` the next use opens
it again, and :attr:`Link.generation` then differs, so that a driver knows that what it had set up is gone.

Only links translate ``OSError`` and ``USBError``: nothing but LampwardenError leaves one.

Ownership: a runner's thread calls :meth:`Link.claim` once. From then on any other thread that uses the link gets
``LinkError(HUNG)``, so that a call which was abandoned while it hung cannot come back and speak into a conversation of
its successor. Without a claim any thread may use the link.
"""

import threading
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, Protocol, runtime_checkable

from ...protocol.errors import DeviceError, LinkError, LinkFault

Parity = Literal["N", "E", "O"]


@dataclass(frozen=True, slots=True)
class SerialSettings:
    """How a serial line is set; the defaults are those of most instruments (common practice, no source)."""

    baud: int = 9600
    data_bits: Literal[7, 8] = 8
    parity: Parity = "N"
    stop_bits: Literal[1, 2] = 1

    @property
    def character_s(self) -> float:
        """Time of one character on the line, start, parity and stop bits included."""
        return (1 + self.data_bits + (self.parity != "N") + self.stop_bits) / self.baud

    def __str__(self) -> str:
        return f"{self.baud} Bd {self.data_bits}{self.parity}{self.stop_bits}"

    def changed(
        self,
        *,
        baud: int | None = None,
        data_bits: Literal[7, 8] | None = None,
        parity: Parity | None = None,
        stop_bits: Literal[1, 2] | None = None,
    ) -> "SerialSettings":
        """Return the settings with the given ones replaced; None leaves one as it is."""
        return replace(
            self,
            baud=self.baud if baud is None else baud,
            data_bits=self.data_bits if data_bits is None else data_bits,
            parity=self.parity if parity is None else parity,
            stop_bits=self.stop_bits if stop_bits is None else stop_bits,
        )


@dataclass(frozen=True, slots=True)
class UsbInterface:
    """Which interface of a USB device to claim: class, subclass, protocol; None fits any."""

    class_code: int
    subclass: int | None = None
    protocol: int | None = None

    def fits(self, triple: tuple[int, int, int]) -> bool:
        """Whether an interface descriptor's triple is one of these."""
        return all(
            want is None or want == have
            for want, have in zip((self.class_code, self.subclass, self.protocol), triple, strict=True)
        )

    def __str__(self) -> str:
        return "/".join(
            "*" if part is None else f"{part:02X}" for part in (self.class_code, self.subclass, self.protocol)
        )


@dataclass(frozen=True, slots=True)
class UsbIdentity:
    """What a USB device's descriptors say of it."""

    vid: int
    pid: int
    manufacturer: str
    product: str
    serial: str
    release: str


@dataclass(frozen=True, slots=True)
class UsbEndpoints:
    """The claimed interface and its endpoint addresses; None where it has no such endpoint."""

    interface: int
    bulk_out: int | None
    bulk_in: int | None
    interrupt_in: int | None
    bulk_in_packet: int = 64


@dataclass(frozen=True, slots=True)
class ControlRequest:
    """The setup packet of a control request, without its length (USB 2.0, table 9-2)."""

    request_type: int
    request: int
    value: int = 0
    index: int = 0

    def setup(self, length: int) -> bytes:
        """Return the eight bytes of the setup packet."""
        fields = (self.value, self.index, length)
        return bytes((self.request_type, self.request)) + b"".join(field.to_bytes(2, "little") for field in fields)


class StallError(DeviceError):
    """The device stalled an endpoint: it refuses what it was sent, until the halt is cleared.

    USB 2.0, section 8.4.5 (STALL handshake); ``endpoint`` is 0 for a control request, which needs no clearing.
    """

    def __init__(self, endpoint: int, *, where: str) -> None:
        self.endpoint = endpoint
        super().__init__(f"device stalled endpoint {endpoint:#04x}", where=where, mend="clear the halt, or repower it")


@runtime_checkable
class Link(Protocol):
    """What serial and USB links have in common."""

    @property
    def port(self) -> str:
        """The port as a person would name it."""
        ...

    @property
    def generation(self) -> int:
        """Counts the openings: 0 before the first; a new number means that the device may have lost its settings."""
        ...

    @property
    def is_open(self) -> bool:
        """Whether the next use need not open the port first."""
        ...

    def now_s(self) -> float:
        """Wire time in seconds since an arbitrary origin: real, or bench time on an in-line link."""
        ...

    def open(self) -> None:
        """Open the port unless it is open; LinkError ABSENT, BUSY or DENIED when it cannot be."""
        ...

    def pause(self, seconds: float) -> None:
        """Let wire time pass, where a standard or a device asks for silence."""
        ...

    def claim(self) -> None:
        """Make the calling thread the only one that may use the link."""
        ...

    def reset(self) -> None:
        """Make a call that hangs in another thread end, by closing the handle under it; safe from any thread."""
        ...

    def close(self) -> None:
        """Close the port; idempotent."""
        ...


@runtime_checkable
class ByteLink(Link, Protocol):
    """A stream of bytes with serial-line extras."""

    @property
    def settings(self) -> SerialSettings:
        """How the line is set; on in-line links and sockets it is a mere statement."""
        ...

    @property
    def last_written(self) -> bytes:
        """What was written last, b"" at first: on a shared line it tells who was spoken to."""
        ...

    def quiet_s(self) -> float:
        """Seconds since the last byte or break in either direction; infinite when there was none."""
        ...

    def write(self, data: bytes) -> None:
        """Write all of ``data`` and wait until it is handed to the line."""
        ...

    def read(self, max_bytes: int, timeout_s: float) -> bytes:
        """Return what has arrived, at most ``max_bytes``, as soon as there is any; b"" on time-out."""
        ...

    def discard_input(self) -> bytes:
        """Throw away what has arrived and was not read; return it."""
        ...

    def send_break(self, duration_s: float) -> None:
        """Hold the line in its break state; without effect where a port knows no break (pseudo-terminals)."""
        ...

    def modem_lines(self) -> "ModemLines":
        """Read the modem lines; DeviceError where the port has none."""
        ...


@dataclass(frozen=True, slots=True)
class ModemLines:
    """State of a port's input lines; true is asserted."""

    cts: bool
    dsr: bool
    ri: bool
    cd: bool


@runtime_checkable
class UsbLink(Link, Protocol):
    """One claimed interface of one USB device.

    What touches the device is a method, never a property: ``isinstance`` looks at properties, and would open it.

    Time-outs raise ``LinkError(SILENT)``, except that :meth:`interrupt_in` returns None: there silence is normal.
    A stall raises :class:`StallError`.
    """

    def read_identity(self) -> UsbIdentity:
        """Return the descriptor strings; opens the link where needed."""
        ...

    def read_endpoints(self) -> UsbEndpoints:
        """Return the claimed interface; opens the link where needed."""
        ...

    def bulk_out(self, data: bytes, timeout_s: float) -> None:
        """Send one transfer."""
        ...

    def bulk_in(self, max_bytes: int, timeout_s: float) -> bytes:
        """Receive one transfer of at most ``max_bytes``; b"" is a transfer of no bytes, not a time-out."""
        ...

    def bulk_exchange(self, outgoing: Sequence[bytes], max_bytes: int, timeout_s: float) -> bytes:
        """Send transfers one behind the other, then receive one, as :meth:`bulk_in` does.

        Where the way to the device allows it, all are queued at once, within ``timeout_s`` altogether: nothing waits on
        the host's side between a question, the request for its answer and the answer. Otherwise ``timeout_s`` bounds
        each. After an error nothing of it is under way any more.
        """
        ...

    def interrupt_in(self, max_bytes: int, timeout_s: float) -> bytes | None:
        """Receive one interrupt report; None on time-out."""
        ...

    def control_in(self, request: ControlRequest, length: int, timeout_s: float) -> bytes:
        """Make a control request that reads (USB 2.0, 9.3)."""
        ...

    def control_out(self, request: ControlRequest, data: bytes, timeout_s: float) -> None:
        """Make a control request that writes or has no data."""
        ...

    def clear_halt(self, endpoint: int) -> None:
        """Clear a stalled endpoint (USB 2.0, 9.4.1, CLEAR_FEATURE of ENDPOINT_HALT)."""
        ...


class Ownership:
    """Which thread may use a link; see the head of this module."""

    __slots__ = ("_owner",)

    def __init__(self) -> None:
        self._owner: int | None = None

    def claim(self) -> None:
        """Give the link to the calling thread."""
        self._owner = threading.get_ident()

    def check(self, port: str) -> None:
        """Raise ``LinkError(HUNG)`` when the calling thread was replaced."""
        if self._owner is not None and self._owner != threading.get_ident():
            raise LinkError(LinkFault.HUNG, "the call was abandoned and its thread replaced", where=port)


def need(endpoint: int | None, kind: str, port: str) -> int:
    """Return an endpoint's address, or say that the device's interface has none of that kind."""
    if endpoint is None:
        raise DeviceError(
            f"the USB interface has no {kind} endpoint", where=port, mend="name a device that fits the driver"
        )
    return endpoint
