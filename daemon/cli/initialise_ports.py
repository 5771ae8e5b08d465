"""What ``lampwarden init`` finds: serial ports, and USB devices of a class that a bench uses.

No port is opened: what a serial adapter has at its other end only its owner knows. USB instruments are told by their
class (USB Test and Measurement, HID boot keyboard).
"""

from dataclasses import dataclass
from typing import Final

USB_TEST_AND_MEASUREMENT: Final = (0xFE, 0x03)
"""Class and subclass (USBTMC 1.0, table 43)."""
HID_BOOT_KEYBOARD: Final = (0x03, 0x01, 0x01)
"""Class, subclass and protocol (HID 1.11, 4.2 and 4.3)."""


@dataclass(frozen=True, slots=True)
class FoundPort:
    """A port that something could be at."""

    port: str
    what: str
    wire: str
    """serial, usbtmc or hid."""


def find_ports() -> list[FoundPort]:
    """Serial ports, and USB devices of a class that a bench uses; none is opened."""
    return [*_serial_ports(), *_usb_devices()]


def _serial_ports() -> list[FoundPort]:
    from serial.tools.list_ports import comports  # noqa: PLC0415 - only here

    found = []
    for info in sorted(comports(), key=lambda port: str(port.device)):
        port = str(info.device)
        if info.vid is not None and info.pid is not None:
            serial = f":{info.serial_number}" if info.serial_number else ""
            # By identity: the number of a device file changes with the order of plugging in.
            port = f"usb:{info.vid:04x}:{info.pid:04x}{serial}"
        # pyserial writes "n/a" where the system knows nothing of a port.
        what = f"{info.device}: serial port" if info.description == "n/a" else f"{info.device}: {info.description}"
        found.append(FoundPort(port, what.removeprefix(f"{port}: "), "serial"))
    return found


def _usb_devices() -> list[FoundPort]:
    import usb.core  # noqa: PLC0415 - only here
    import usb.util  # noqa: PLC0415 - likewise

    found: list[FoundPort] = []
    try:
        devices = list(usb.core.find(find_all=True))
    except (usb.core.NoBackendError, usb.core.USBError):
        return found
    for device in devices:
        wire = _wire_of(device)
        if wire is None:
            continue
        names = [_text(device, index) for index in (device.iManufacturer, device.iProduct, device.iSerialNumber)]
        serial = f":{names[2]}" if names[2] else ""
        port = f"usb:{device.idVendor:04x}:{device.idProduct:04x}{serial}"
        found.append(FoundPort(port, " ".join(name for name in names if name) or "USB device", wire))
    return found


def _wire_of(device: object) -> str | None:
    for configuration in device:  # type: ignore[attr-defined]  # pyusb has no types
        for interface in configuration:
            triple = (interface.bInterfaceClass, interface.bInterfaceSubClass, interface.bInterfaceProtocol)
            if triple[:2] == USB_TEST_AND_MEASUREMENT:
                return "usbtmc"
            if triple == HID_BOOT_KEYBOARD:
                return "hid"
    return None


def _text(device: object, index: int) -> str:
    """A string of the device, or nothing where it may not be asked."""
    import usb.core  # noqa: PLC0415 - likewise
    import usb.util  # noqa: PLC0415 - likewise

    try:
        return str(usb.util.get_string(device, index) or "") if index else ""
    except (usb.core.USBError, ValueError, NotImplementedError):
        return ""
