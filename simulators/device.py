"""What every simulated instrument looks like from outside: bytes in, bytes out, at times that are passed in.

A device here is passive and holds no clock, thread or port. It is told the bench time with every call and answers
with the bytes it will send and the bench time at which they leave. An answer may therefore describe the world up
to the end of an exposure that has only just been asked for; :mod:`.world` is built so that it can be asked for any
instant. The same object is served over a pseudo-terminal, a socket or a virtual USB bus by :mod:`.ports`, and called
directly when bench time jumps.

What has been handed out as :class:`Outgoing` cannot be taken back by the device. A device that supports aborting
says so through ``epoch``: whoever holds bytes that are not yet due compares the number with the one it saw when they
were handed out and drops them when it has changed.
"""

from collections.abc import Callable
from typing import NamedTuple, Protocol, runtime_checkable


class Outgoing(NamedTuple):
    """Bytes on their way out of a device; a tuple, because one is made for every answer of every poll.

    Attributes:
        due_s: Bench time at which the bytes leave the device; never before the call that produced them.
        data: The bytes; on USB one transfer, which may be empty (a zero-length packet).
        endpoint: USB endpoint address (0x81 and up); 0 on serial lines.
    """

    due_s: float
    data: bytes
    endpoint: int = 0


class SerialDevice(Protocol):
    """An instrument (or several sharing a line) behind a serial port."""

    def receive(self, data: bytes, now_s: float) -> list[Outgoing]:
        """Take bytes from the host, in any split, and return what will be sent because of them."""
        ...

    def line_break(self, now_s: float) -> list[Outgoing]:
        """Take a break condition on the line; a pseudo-terminal never delivers one."""
        ...


@runtime_checkable
class TalkingDevice(SerialDevice, Protocol):
    """A serial device that sends by itself as well."""

    def next_s(self, now_s: float) -> float:
        """Bench time at which it will send next, seen from now."""
        ...

    def talk(self, until_s: float) -> list[Outgoing]:
        """Return what it has sent by itself since the last call, up to that time."""
        ...


class UsbDevice(Protocol):
    """A USB device with one interface and one configuration."""

    vid: int
    pid: int
    manufacturer: str
    product: str
    serial: str
    interface_class: tuple[int, int, int]
    endpoints: tuple[int, ...]
    class_descriptors: bytes
    """Descriptors that follow the interface descriptor (the HID descriptor of a keyboard)."""
    on_unprompted: Callable[[list[Outgoing]], None] | None
    """Called with what the device sends without having been asked (a press, a status notification)."""

    @property
    def epoch(self) -> int:
        """Changes when bytes handed out earlier and not yet due must no longer be sent."""
        ...

    @property
    def halted(self) -> set[int]:
        """Endpoints that answer with a stall until the host clears them."""
        ...

    def attached(self) -> None:
        """Take note that a host has just configured the device; what an earlier host left half done is void."""
        ...

    def control(self, setup: bytes, data: bytes, now_s: float) -> bytes | None:
        """Answer a request on endpoint 0.

        Args:
            setup: The eight SETUP bytes.
            data: Payload of a host-to-device request, else empty.
            now_s: Bench time.

        Returns:
            IN data, ``b""`` for an accepted request without data, None to stall.
        """
        ...

    def receive(self, endpoint: int, data: bytes, now_s: float) -> list[Outgoing]:
        """Take bytes of a bulk-OUT endpoint, in any split, and return what will be sent because of them."""
        ...


CLEAR_FEATURE = 0x01
ENDPOINT_RECIPIENT = 0x02


def clears_halt_of(setup: bytes) -> int | None:
    """Return the endpoint whose halt a SETUP packet clears, else None (USB 2.0, 9.4.1; from memory)."""
    if len(setup) == 8 and setup[0] == ENDPOINT_RECIPIENT and setup[1] == CLEAR_FEATURE and setup[2:4] == b"\0\0":
        return setup[4]
    return None
