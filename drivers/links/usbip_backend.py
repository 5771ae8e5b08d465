"""A pyusb backend that finds its devices on a USB/IP server instead of this machine's buses.

It fills pyusb's ``usb.backend.IBackend`` (pyusb 1.3.1, usb/backend/__init__.py). Everything USB, from descriptors to
halts, is done with transfers over :class:`~.usbip_connection.UsbIpConnection`. Devices are sought by vendor and product
before anything is imported, because importing takes a device away from everybody else.

Beyond that interface it can queue the transfers of a question and its answer, which pyusb's blocking calls cannot say.
"""

import array
import errno
from collections.abc import Sequence
from typing import Final, TypeAlias

import usb.backend
import usb.core

from ..codecs.usb_descriptors import (
    CONFIGURATION,
    DEVICE,
    ConfigurationDescriptor,
    DeviceDescriptor,
    EndpointDescriptor,
    InterfaceDescriptor,
    decode_configuration,
    decode_device,
)
from ..codecs.usbip import RemoteDevice, Submitted
from .usbip_connection import Transfer, UsbIpConnection, list_devices

# ruff: noqa: D102, N803  pyusb's interface, with its names, is documented there

# Standard requests of USB 2.0, table 9-4.
_GET_DESCRIPTOR: Final = 6
_CLEAR_FEATURE: Final = 1
_GET_CONFIGURATION: Final = 8
_SET_CONFIGURATION: Final = 9
_SET_INTERFACE: Final = 11
# A device answers standard requests within 500 ms (USB 2.0, 9.2.6.4); doubled for the network.
_STANDARD_TIMEOUT_MS: Final = 1000

Bytes: TypeAlias = "array.array[int]"


class UsbIpDevice:
    """A device on the server; imported at the first need, given back by ``close``.

    A connection that broke stays broken until then: importing again by itself would hide from the link that the device
    has lost its settings.
    """

    def __init__(self, host: str, port: int, remote: RemoteDevice) -> None:
        self.remote = remote
        self._host = host
        self._port = port
        self._connection: UsbIpConnection | None = None
        self._configurations: dict[int, ConfigurationDescriptor] = {}

    def connect(self) -> UsbIpConnection:
        if self._connection is None:
            where = f"usbip://{self._host}:{self._port}/{self.remote.vid:04x}:{self.remote.pid:04x}"
            self._connection = UsbIpConnection(self._host, self._port, self.remote, where=where)
        return self._connection

    def close(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def abort(self) -> None:
        """End the transfers that hang in other threads."""
        if self._connection is not None:
            self._connection.close()

    def control(self, setup: bytes, data: bytes, timeout_ms: int) -> Submitted:
        length = int.from_bytes(setup[6:8], "little")
        return _check(self.connect().transfer(0, length, data, setup, timeout_ms / 1000))

    def descriptor(self, kind: int, index: int, length: int) -> bytes:
        setup = bytes((0x80, _GET_DESCRIPTOR, index, kind, 0, 0)) + length.to_bytes(2, "little")
        return self.control(setup, b"", _STANDARD_TIMEOUT_MS).data

    def configuration(self, index: int) -> ConfigurationDescriptor:
        if index not in self._configurations:
            head = self.descriptor(CONFIGURATION, index, 9)
            if len(head) < 4:
                raise EndpointError(errno.EPROTO, 0)
            self._configurations[index] = decode_configuration(
                self.descriptor(CONFIGURATION, index, head[2] | head[3] << 8)
            )
        return self._configurations[index]


class EndpointError(usb.core.USBError):  # type: ignore[misc]  # pyusb has no types
    """A transfer ended with an error; names its endpoint, for where several were queued."""

    def __init__(self, number: int, endpoint: int) -> None:
        self.endpoint = endpoint
        super().__init__(errno.errorcode.get(number, str(number)), -number, number)


def _check(outcome: Submitted | None, endpoint: int = 0) -> Submitted:
    """Turn a time-out or a negative status into pyusb's errors."""
    if outcome is None:
        raise usb.core.USBTimeoutError("the request was taken back after its time", None, errno.ETIMEDOUT)
    if outcome.status:
        raise EndpointError(-outcome.status, endpoint)
    return outcome


class UsbIpBackend(usb.backend.IBackend):  # type: ignore[misc]  # pyusb has no types
    """The devices of one server that have one vendor and product number."""

    def __init__(self, host: str, port: int, vid: int, pid: int) -> None:
        super().__init__()
        self._address = (host, port)
        self._ids = (vid, pid)
        self._opened: dict[tuple[int, int], UsbIpDevice] = {}

    def enumerate_devices(self) -> list[UsbIpDevice]:
        host, port = self._address
        listed = list_devices(host, port, where=f"usbip://{host}:{port}")
        return [UsbIpDevice(host, port, remote) for remote in listed if (remote.vid, remote.pid) == self._ids]

    def get_parent(self, dev: UsbIpDevice) -> None:  # noqa: ARG002  no hubs are told of
        return None

    def get_device_descriptor(self, dev: UsbIpDevice) -> DeviceDescriptor:
        descriptor = decode_device(dev.descriptor(DEVICE, 0, 18))
        descriptor.bus = dev.remote.bus_number
        descriptor.address = dev.remote.device_number
        descriptor.speed = dev.remote.speed
        return descriptor

    def get_configuration_descriptor(self, dev: UsbIpDevice, config: int) -> ConfigurationDescriptor:
        return dev.configuration(config)

    def get_interface_descriptor(self, dev: UsbIpDevice, intf: int, alt: int, config: int) -> InterfaceDescriptor:
        return dev.configuration(config).interface(intf, alt)

    def get_endpoint_descriptor(
        self, dev: UsbIpDevice, ep: int, intf: int, alt: int, config: int
    ) -> EndpointDescriptor:
        return self.get_interface_descriptor(dev, intf, alt, config).endpoints[ep]

    def open_device(self, dev: UsbIpDevice) -> UsbIpDevice:
        dev.connect()
        self._opened[dev.remote.bus_number, dev.remote.device_number] = dev
        return dev

    def close_device(self, dev_handle: UsbIpDevice) -> None:
        self._opened.pop((dev_handle.remote.bus_number, dev_handle.remote.device_number), None)
        dev_handle.close()

    def set_configuration(self, dev_handle: UsbIpDevice, config_value: int) -> None:
        setup = bytes((0x00, _SET_CONFIGURATION, config_value, 0, 0, 0, 0, 0))
        dev_handle.control(setup, b"", _STANDARD_TIMEOUT_MS)

    def get_configuration(self, dev_handle: UsbIpDevice) -> int:
        setup = bytes((0x80, _GET_CONFIGURATION, 0, 0, 0, 0, 1, 0))
        answer = dev_handle.control(setup, b"", _STANDARD_TIMEOUT_MS).data
        return answer[0] if answer else 0

    def set_interface_altsetting(self, dev_handle: UsbIpDevice, intf: int, altsetting: int) -> None:
        setup = bytes((0x01, _SET_INTERFACE, altsetting, 0, intf, 0, 0, 0))
        dev_handle.control(setup, b"", _STANDARD_TIMEOUT_MS)

    def claim_interface(self, dev_handle: UsbIpDevice, intf: int) -> None:
        """Importing the device was the claim."""

    def release_interface(self, dev_handle: UsbIpDevice, intf: int) -> None:
        """Closing the connection gives the device back."""

    def bulk_write(self, dev_handle: UsbIpDevice, ep: int, intf: int, data: Bytes, timeout: int) -> int:  # noqa: ARG002  pyusb's signature
        raw = data.tobytes()
        return _check(dev_handle.connect().transfer(ep, len(raw), raw, bytes(8), timeout / 1000), ep).actual_length

    def bulk_read(self, dev_handle: UsbIpDevice, ep: int, intf: int, buff: Bytes, timeout: int) -> int:  # noqa: ARG002  pyusb's signature
        size = len(buff) * buff.itemsize
        data = _check(dev_handle.connect().transfer(ep, size, b"", bytes(8), timeout / 1000), ep).data
        buff[: len(data)] = array.array("B", data)
        return len(data)

    def bulk_exchange(
        self,
        device: tuple[int, int],
        endpoint_out: int,
        outgoing: Sequence[bytes],
        endpoint_in: int,
        max_bytes: int,
        timeout_s: float,
    ) -> bytes:
        """Queue transfers out and one in behind them, wait for all, and return what came in.

        Args:
            device: Bus and number of an open device, which pyusb shows as ``bus`` and ``address``.
            endpoint_out: Of the transfers out.
            outgoing: Their data.
            endpoint_in: Of the transfer in.
            max_bytes: The most that it takes.
            timeout_s: For all of them together.

        Raises:
            EndpointError: The first that failed; those behind it have been taken back.
            USBTimeoutError: Not all were made in time; likewise.
        """
        transfers = [Transfer(endpoint_out, len(data), data) for data in outgoing]
        transfers.append(Transfer(endpoint_in, max_bytes))
        outcomes = self._opened[device].connect().transfer_all(transfers, timeout_s)
        for outcome, each in zip(outcomes, transfers, strict=True):
            if outcome is not None:  # a failure goes before what was taken back because of it
                _check(outcome, each.endpoint)
        *sent, received = [_check(outcome) for outcome in outcomes]
        for one, data in zip(sent, outgoing, strict=True):
            if one.actual_length != len(data):
                text = f"the device took {one.actual_length} of {len(data)} bytes"
                raise usb.core.USBTimeoutError(text, None, errno.ETIMEDOUT)
        return received.data

    intr_write = bulk_write
    intr_read = bulk_read

    def ctrl_transfer(
        self,
        dev_handle: UsbIpDevice,
        bmRequestType: int,
        bRequest: int,
        wValue: int,
        wIndex: int,
        data: Bytes,
        timeout: int,
    ) -> int:
        size = len(data) * data.itemsize
        fields = b"".join(field.to_bytes(2, "little") for field in (wValue, wIndex, size))
        setup = bytes((bmRequestType, bRequest)) + fields
        if not bmRequestType & 0x80:
            return dev_handle.control(setup, data.tobytes(), timeout).actual_length
        answer = dev_handle.control(setup, b"", timeout).data
        data[: len(answer)] = array.array("B", answer)
        return len(answer)

    def clear_halt(self, dev_handle: UsbIpDevice, ep: int) -> None:
        dev_handle.control(bytes((0x02, _CLEAR_FEATURE, 0, 0, ep, 0, 0, 0)), b"", _STANDARD_TIMEOUT_MS)

    def reset_device(self, dev_handle: UsbIpDevice) -> None:
        """There is no reset of the port in USB/IP; hanging up ends what hangs."""
        dev_handle.abort()

    def is_kernel_driver_active(self, dev_handle: UsbIpDevice, intf: int) -> bool:  # noqa: ARG002  it is not on this machine
        return False

    def detach_kernel_driver(self, dev_handle: UsbIpDevice, intf: int) -> None:
        """Nothing to detach."""

    def attach_kernel_driver(self, dev_handle: UsbIpDevice, intf: int) -> None:
        """Nothing to attach."""
