"""Devices built with PyPI ``usbip``, the third party's library that judges our USB/IP backend."""

import contextlib
from collections.abc import Iterator

import usbip
from usbip.core import Setup, Stall
from usbip.transport import USBIP

VID, PID = 0x1209, 0x0001


class Pipe(usbip.Interface):
    """A vendor interface with a bulk pair and an interrupt endpoint; the test plays the device's firmware."""

    bInterfaceClass = 0xFF  # noqa: N815  the library's name
    bulk_out = usbip.Out(0x01, "bulk", mps=64)
    bulk_in = usbip.In(0x81, "bulk", mps=64)
    interrupt_in = usbip.In(0x82, "interrupt", mps=8, interval=1)

    def on_control(self, setup: Setup, data: bytes = b"") -> bytes:
        if setup.bRequest == 0x42:
            return b"answer"[: setup.wLength]
        if setup.bRequest == 0x43:
            self.control_data = data
            return b""
        raise Stall


class Peer:
    """One exported device."""

    def __init__(self, *, serial: str = "PEER1", transport: USBIP | None = None) -> None:
        self.device = usbip.USBDevice(VID, PID, manufacturer="PEER", product="Pipe", serial=serial)
        self.pipe = self.device.add(Pipe())
        self.transport = transport or USBIP("127.0.0.1", 0)

    @property
    def port(self) -> int:
        return int(self.transport._listener.socks[0].getsockname()[1])

    @property
    def url(self) -> str:
        return f"usbip://127.0.0.1:{self.port}/{VID:04x}:{PID:04x}"


@contextlib.contextmanager
def plugged(peer: Peer) -> Iterator[Peer]:
    with peer.device.plug(via=peer.transport):
        yield peer
