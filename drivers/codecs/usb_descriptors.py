"""USB standard descriptors: bytes to objects (USB 2.0, section 9.6).

The fields have the standard's names, because pyusb reads them by these names from what a backend hands it.
"""

import struct
from dataclasses import dataclass, field
from typing import Final

from ...protocol.errors import WireError

# ruff: noqa: N815  names of the USB standard

DEVICE: Final = 1
CONFIGURATION: Final = 2
INTERFACE: Final = 4
ENDPOINT: Final = 5

_DEVICE: Final = struct.Struct("<BBHBBBBHHHBBBB")
_CONFIGURATION: Final = struct.Struct("<BBHBBBBB")
_INTERFACE: Final = struct.Struct("<BBBBBBBBB")
_ENDPOINT: Final = struct.Struct("<BBBBHB")


@dataclass(slots=True)
class DeviceDescriptor:
    """Table 9-8; the last five are where the device sits, which pyusb asks for as well."""

    bLength: int
    bDescriptorType: int
    bcdUSB: int
    bDeviceClass: int
    bDeviceSubClass: int
    bDeviceProtocol: int
    bMaxPacketSize0: int
    idVendor: int
    idProduct: int
    bcdDevice: int
    iManufacturer: int
    iProduct: int
    iSerialNumber: int
    bNumConfigurations: int
    address: int = 0
    bus: int = 0
    port_number: int | None = None
    port_numbers: tuple[int, ...] | None = None
    speed: int = 0


@dataclass(slots=True)
class EndpointDescriptor:
    """Table 9-13; ``bRefresh`` and ``bSynchAddress`` belong to audio and are 0 here."""

    bLength: int
    bDescriptorType: int
    bEndpointAddress: int
    bmAttributes: int
    wMaxPacketSize: int
    bInterval: int
    bRefresh: int = 0
    bSynchAddress: int = 0
    extra_descriptors: list[int] = field(default_factory=list)


@dataclass(slots=True)
class InterfaceDescriptor:
    """Table 9-12, and the endpoints that follow it."""

    bLength: int
    bDescriptorType: int
    bInterfaceNumber: int
    bAlternateSetting: int
    bNumEndpoints: int
    bInterfaceClass: int
    bInterfaceSubClass: int
    bInterfaceProtocol: int
    iInterface: int
    extra_descriptors: list[int] = field(default_factory=list)
    endpoints: list[EndpointDescriptor] = field(default_factory=list)


@dataclass(slots=True)
class ConfigurationDescriptor:
    """Table 9-10, and the interfaces that follow it."""

    bLength: int
    bDescriptorType: int
    wTotalLength: int
    bNumInterfaces: int
    bConfigurationValue: int
    iConfiguration: int
    bmAttributes: int
    bMaxPower: int
    extra_descriptors: list[int] = field(default_factory=list)
    interfaces: list[InterfaceDescriptor] = field(default_factory=list)

    def interface(self, index: int, alternate: int) -> InterfaceDescriptor:
        """Return an interface by its position and its alternate setting's position; IndexError when there is none."""
        numbers = sorted({interface.bInterfaceNumber for interface in self.interfaces})
        return [each for each in self.interfaces if each.bInterfaceNumber == numbers[index]][alternate]


def decode_device(data: bytes) -> DeviceDescriptor:
    """Decode a device descriptor."""
    if len(data) < _DEVICE.size or data[1] != DEVICE:
        raise WireError("not a USB device descriptor", raw=data)
    return DeviceDescriptor(*_DEVICE.unpack_from(data))


def decode_configuration(data: bytes) -> ConfigurationDescriptor:
    """Decode a configuration and all that belongs to it (9.6.3 to 9.6.6).

    Descriptors of other kinds go to the ``extra_descriptors`` of what they follow. A descriptor whose length is wrong
    ends the walk: what was found before counts.
    """
    if len(data) < _CONFIGURATION.size or data[1] != CONFIGURATION:
        raise WireError("not a USB configuration descriptor", raw=data[:64])
    configuration = ConfigurationDescriptor(*_CONFIGURATION.unpack_from(data))
    extra = configuration.extra_descriptors
    position = max(data[0], _CONFIGURATION.size)
    while position + 2 <= len(data):
        length, kind = data[position], data[position + 1]
        part = data[position : position + length]
        if length < 2 or len(part) < length:
            break
        if kind == INTERFACE and length >= _INTERFACE.size:
            interface = InterfaceDescriptor(*_INTERFACE.unpack_from(part))
            configuration.interfaces.append(interface)
            extra = interface.extra_descriptors
        elif kind == ENDPOINT and length >= _ENDPOINT.size and configuration.interfaces:
            endpoint = EndpointDescriptor(*_ENDPOINT.unpack_from(part))
            configuration.interfaces[-1].endpoints.append(endpoint)
            extra = endpoint.extra_descriptors
        else:
            extra.extend(part)
        position += length
    return configuration
