"""From a port as the operator writes it to a link.

========================================  ==================================================================
``/dev/ttyUSB0``, ``/dev/serial/by-id/…``   serial port, device file
``socket://host:port``                    serial bytes over TCP
``rfc2217://host:port``                   serial port of another machine, settings and modem lines included
``usb:VID:PID[:SERIAL]``                  USB device, or serial adapter, by its identity (hexadecimal)
``usb-serial:VID:PID[:SERIAL]``           the serial port of a USB adapter, for a driver that knows both wires
``usbip://host:port/VID:PID[:SERIAL]``    USB device on a USB/IP server
========================================  ==================================================================

An IPv6 address as host stands in brackets (RFC 3986, 3.2.2). Nothing is opened here.
"""

import re
from enum import Enum
from typing import Final

from ...protocol.errors import ConfigurationError
from .base import SerialSettings, UsbInterface
from .serial_link import SerialLink
from .usb_link import PyUsbLink
from .usbip_backend import UsbIpBackend

_HOST: Final = r"(?:[^/:\[\]]+|\[[^/\[\]]+\])"
_USB: Final = re.compile(r"usb(?:-serial)?:([0-9A-Fa-f]{4}):([0-9A-Fa-f]{4})(?::(.+))?")
_USBIP: Final = re.compile(r"usbip://(" + _HOST + r"):(\d{1,5})/([0-9A-Fa-f]{4}):([0-9A-Fa-f]{4})(?::(.+))?")
_SERIAL_URL: Final = re.compile(r"(?:socket|rfc2217)://" + _HOST + r":(\d{1,5})(?!\d).*")
_USB_SERIAL: Final = "usb-serial:"
_FORMS: Final = (
    "/dev/…, socket://host:port, rfc2217://host:port, usb:VID:PID[:SERIAL], usb-serial:VID:PID[:SERIAL] or "
    "usbip://host:port/VID:PID[:SERIAL]"
)


class Wire(Enum):
    """What a driver wants of a port."""

    SERIAL = "serial"
    USB = "usb"


def wires_of(port: str) -> tuple[Wire, ...]:
    """Which wires a port can have; ``usb:`` may be either, and is a USB device where the driver knows both.

    Raises:
        ConfigurationError: Not a port.
    """
    if (match := _USBIP.fullmatch(port)) and _is_port_number(match[2]):
        return (Wire.USB,)
    if _USB.fullmatch(port):
        return (Wire.SERIAL,) if port.startswith(_USB_SERIAL) else (Wire.USB, Wire.SERIAL)
    if port.startswith("/") or ((match := _SERIAL_URL.fullmatch(port)) and _is_port_number(match[1])):
        return (Wire.SERIAL,)
    raise ConfigurationError(f"{port!r} is no port", where="port", mend=f"write {_FORMS}")


def _is_port_number(text: str) -> bool:
    return 0 < int(text) <= 65535  # RFC 9293, 3.1: 16 bits; 0 is no port that can be connected to


def same_adapter(port: str, other: str) -> bool:
    """Whether two ports must be one USB device or adapter, however they are written.

    One without serial number is any adapter of its kind: with a second one of the kind plugged in it could not be told
    from that. A device file may be one as well; that is found when it is opened, since a port is opened by one alone.
    """
    one, two = _adapter(port), _adapter(other)
    if one is None or two is None or one[0] != two[0]:
        return False
    return one[1] == two[1] or None in {one[1], two[1]}


def _adapter(port: str) -> tuple[tuple[str, int, int], str | None] | None:
    """Where a USB device is and of which kind, and its serial number."""
    if match := _USB.fullmatch(port):
        return ("", int(match[1], 16), int(match[2], 16)), match[3]
    if match := _USBIP.fullmatch(port):
        return (f"{match[1].lower()}:{int(match[2])}", int(match[3], 16), int(match[4], 16)), match[5]
    return None


def serial_link(port: str, settings: SerialSettings) -> SerialLink:
    """Make the link of a serial port."""
    if Wire.SERIAL not in wires_of(port):
        raise ConfigurationError(f"{port} is no serial port", where="port", mend=f"write {_FORMS}")
    match = _USB.fullmatch(port)
    if match:
        return SerialLink(port, settings, usb=(int(match[1], 16), int(match[2], 16), match[3]))
    return SerialLink(port, settings)


def usb_link(port: str, interface: UsbInterface) -> PyUsbLink:
    """Make the link of a USB device."""
    if (match := _USB.fullmatch(port)) and not port.startswith(_USB_SERIAL):
        return PyUsbLink(port, int(match[1], 16), int(match[2], 16), match[3], interface=interface)
    if match := _USBIP.fullmatch(port):
        host, number, vid, pid = match[1].strip("[]"), int(match[2]), int(match[3], 16), int(match[4], 16)
        return PyUsbLink(
            port, vid, pid, match[5], interface=interface, backend=lambda: UsbIpBackend(host, number, vid, pid)
        )
    raise ConfigurationError(
        f"{port} is no USB device",
        where="port",
        mend="write usb:VID:PID[:SERIAL] or usbip://host:port/VID:PID[:SERIAL]",
    )
