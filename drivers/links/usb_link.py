"""USB devices through pyusb, with libusb or our USB/IP backend behind it.

A link finds one device by vendor, product and perhaps serial number, takes the interface that the driver asks for away
from the kernel's own driver, and claims it. pyusb has no types: the Protocols below state the part of it that is used.

A reset from another thread must not close a handle that a transfer is using (libusb forbids it): it resets the device,
which ends the transfers, and leaves the closing to the hung call if that does not return at once.
"""

import contextlib
import errno
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from typing import Final, Protocol, runtime_checkable

import usb.core
import usb.util

from ...protocol.errors import LinkError, LinkFault
from ..codecs.base import printable
from . import wire_log
from .base import ControlRequest, Ownership, StallError, UsbEndpoints, UsbIdentity, UsbInterface, need

# ruff: noqa: D102  the interface in base.py documents the methods

# After a reset, how long the woken call gets to leave by itself (common practice, no source).
_LEAVE_BOUND_S: Final = 0.2

_MEND_RIGHTS: Final = "give the user the right to the device, by a udev rule for its vendor and product"
_FAULTS: Final = {
    errno.EACCES: (LinkFault.DENIED, _MEND_RIGHTS),
    errno.EPERM: (LinkFault.DENIED, _MEND_RIGHTS),
    errno.EBUSY: (LinkFault.BUSY, "end the other program that uses the device"),
    errno.ENODEV: (LinkFault.LOST, "plug it in again"),
    errno.ENOENT: (LinkFault.LOST, "plug it in again"),
    errno.ESHUTDOWN: (LinkFault.LOST, "plug it in again"),
    errno.EIO: (LinkFault.LOST, "check the cable, plug it in again"),
    errno.ETIMEDOUT: (LinkFault.SILENT, "check that the device is on"),
}


class _Descriptor(Protocol):
    bInterfaceNumber: int  # noqa: N815  names of the USB standard, as pyusb has them
    bInterfaceClass: int  # noqa: N815  as above
    bInterfaceSubClass: int  # noqa: N815  as above
    bInterfaceProtocol: int  # noqa: N815  as above

    def endpoints(self) -> Sequence["_Endpoint"]: ...


class _Endpoint(Protocol):
    bEndpointAddress: int  # noqa: N815  as above
    bmAttributes: int  # noqa: N815  as above
    wMaxPacketSize: int  # noqa: N815  as above


class _Device(Protocol):
    backend: object
    bus: int
    address: int
    idVendor: int  # noqa: N815  as above
    idProduct: int  # noqa: N815  as above
    bcdDevice: int  # noqa: N815  as above
    manufacturer: str | None
    product: str | None
    serial_number: str | None

    def get_active_configuration(self) -> Sequence[_Descriptor]: ...
    def set_configuration(self) -> None: ...
    def is_kernel_driver_active(self, interface: int) -> bool: ...
    def detach_kernel_driver(self, interface: int) -> None: ...
    def attach_kernel_driver(self, interface: int) -> None: ...
    def write(self, endpoint: int, data: bytes, timeout: int) -> int: ...
    def read(self, endpoint: int, size: int, timeout: int) -> Sequence[int]: ...
    def ctrl_transfer(
        self, request_type: int, request: int, value: int, index: int, data_or_length: bytes | int, timeout: int
    ) -> int | Sequence[int]: ...
    def clear_halt(self, endpoint: int) -> None: ...
    def reset(self) -> None: ...


@runtime_checkable
class _QueueingBackend(Protocol):
    """A backend that can have several transfers of one exchange under way; pyusb's own for libusb cannot."""

    def bulk_exchange(
        self,
        device: tuple[int, int],
        endpoint_out: int,
        outgoing: Sequence[bytes],
        endpoint_in: int,
        max_bytes: int,
        timeout_s: float,
    ) -> bytes: ...


BackendFactory = Callable[[], object]
"""Makes a pyusb backend; None stands for what pyusb finds by itself, normally libusb."""


class PyUsbLink:
    """A :class:`~.base.UsbLink` over pyusb.

    Args:
        port: As the operator named it; shown in errors.
        vid: Vendor number.
        pid: Product number.
        serial: Serial number, where several devices may fit.
        interface: Which interface to claim.
        backend: Makes the pyusb backend at each opening.
    """

    def __init__(
        self,
        port: str,
        vid: int,
        pid: int,
        serial: str | None,
        *,
        interface: UsbInterface,
        backend: BackendFactory | None = None,
    ) -> None:
        self._port = port
        self._ids = (vid, pid, serial)
        self._interface = interface
        self._backend = backend
        self._ownership = Ownership()
        self._lock = threading.Lock()
        self._idle = threading.Event()
        self._idle.set()
        self._device: _Device | None = None
        self._queueing: _QueueingBackend | None = None
        self._endpoints = UsbEndpoints(0, None, None, None)
        self._identity: UsbIdentity | None = None
        self._generation = 0
        self._detached: int | None = None

    @property
    def port(self) -> str:
        return self._port

    @property
    def generation(self) -> int:
        return self._generation

    @property
    def is_open(self) -> bool:
        return self._device is not None

    def read_identity(self) -> UsbIdentity:
        self.open()
        if self._identity is None:
            with self._using() as device:
                self._identity = UsbIdentity(
                    device.idVendor,
                    device.idProduct,
                    _text(lambda: device.manufacturer),
                    _text(lambda: device.product),
                    _text(lambda: device.serial_number),
                    f"{device.bcdDevice >> 8:x}.{device.bcdDevice & 0xFF:02x}",
                )
        return self._identity

    def read_endpoints(self) -> UsbEndpoints:
        self.open()
        return self._endpoints

    def now_s(self) -> float:
        return time.monotonic()

    def pause(self, seconds: float) -> None:
        if seconds > 0:
            time.sleep(seconds)  # noqa: TID251  a device that must not be asked for a while, in wire time

    def claim(self) -> None:
        self._ownership.claim()

    def open(self) -> None:
        self._ownership.check(self._port)
        if self._device is not None:
            return
        try:
            device = self._find()
            try:
                endpoints = self._claim_interface(device)
            except BaseException:
                self._dispose(device)
                raise
        except usb.core.NoBackendError as error:
            raise LinkError(
                LinkFault.DENIED, "pyusb finds no libusb", where=self._port, mend="install libusb-1.0"
            ) from error
        except (usb.core.USBError, ValueError, NotImplementedError) as error:
            raise self._translate(error, 0, opening=True) from error
        with self._lock:
            self._device = device
            self._endpoints = endpoints
            self._queueing = device.backend if isinstance(device.backend, _QueueingBackend) else None
            self._identity = None
            self._generation += 1

    def bulk_out(self, data: bytes, timeout_s: float) -> None:
        self.open()
        endpoint = need(self._endpoints.bulk_out, "bulk OUT", self._port)
        with self._using(endpoint) as device:
            sent = device.write(endpoint, data, _milliseconds(timeout_s))
        wire_log.sent(self._port, data)
        if sent != len(data):
            raise LinkError(LinkFault.SILENT, f"the device took {sent} of {len(data)} bytes", where=self._port)

    def bulk_in(self, max_bytes: int, timeout_s: float) -> bytes:
        self.open()
        endpoint = need(self._endpoints.bulk_in, "bulk IN", self._port)
        with self._using(endpoint) as device:
            data = bytes(device.read(endpoint, max_bytes, _milliseconds(timeout_s)))
        wire_log.received(self._port, data)
        return data

    def bulk_exchange(self, outgoing: Sequence[bytes], max_bytes: int, timeout_s: float) -> bytes:
        self.open()
        into = need(self._endpoints.bulk_in, "bulk IN", self._port)
        out = need(self._endpoints.bulk_out, "bulk OUT", self._port)
        for each in outgoing:
            wire_log.sent(self._port, each)
        with self._using() as device:
            if self._queueing is None:
                data = _one_by_one(device, out, outgoing, into, max_bytes, _milliseconds(timeout_s))
            else:
                address = (device.bus, device.address)
                data = self._queueing.bulk_exchange(address, out, outgoing, into, max_bytes, timeout_s)
        wire_log.received(self._port, data)
        return data

    def interrupt_in(self, max_bytes: int, timeout_s: float) -> bytes | None:
        self.open()
        endpoint = need(self._endpoints.interrupt_in, "interrupt IN", self._port)
        with self._using(endpoint) as device:
            try:
                report = bytes(device.read(endpoint, max_bytes, _milliseconds(timeout_s)))
            except usb.core.USBTimeoutError:
                return None
        wire_log.received(self._port, report)
        return report

    def control_in(self, request: ControlRequest, length: int, timeout_s: float) -> bytes:
        answer = self._control(request, length, timeout_s)
        return b"" if isinstance(answer, int) else bytes(answer)

    def control_out(self, request: ControlRequest, data: bytes, timeout_s: float) -> None:
        self._control(request, data, timeout_s)

    def clear_halt(self, endpoint: int) -> None:
        with self._using(endpoint) as device:
            device.clear_halt(endpoint)

    def reset(self) -> None:
        with self._lock:
            device, self._device = self._device, None
        if device is None:
            return
        if not self._idle.is_set():
            with contextlib.suppress(usb.core.USBError, NotImplementedError):
                device.reset()
        if self._idle.wait(_LEAVE_BOUND_S):
            self._dispose(device)

    def close(self) -> None:
        with self._lock:
            device, self._device = self._device, None
        if device is not None:
            self._dispose(device)

    def _control(self, request: ControlRequest, data_or_length: bytes | int, timeout_s: float) -> int | Sequence[int]:
        with self._using() as device:
            return device.ctrl_transfer(
                request.request_type,
                request.request,
                request.value,
                request.index,
                data_or_length,
                _milliseconds(timeout_s),
            )

    def _find(self) -> _Device:
        vid, pid, serial = self._ids
        backend = None if self._backend is None else self._backend()
        found: list[_Device] = list(usb.core.find(find_all=True, backend=backend, idVendor=vid, idProduct=pid))
        try:
            fits = [device for device in found if serial is None or self._serial_of(device) == serial]
        except BaseException:
            for device in found:
                self._dispose(device)
            raise
        for device in found:
            if device not in fits or len(fits) > 1:
                self._dispose(device)
        if not fits:
            raise LinkError(LinkFault.ABSENT, "no such USB device is plugged in", where=self._port, mend="plug it in")
        if len(fits) > 1:
            raise LinkError(
                LinkFault.BUSY, f"{len(fits)} devices fit", where=self._port, mend="add a serial number to the port"
            )
        return fits[0]

    def _serial_of(self, device: _Device) -> str | None:
        try:
            return device.serial_number
        except ValueError as error:  # pyusb's word for a device that it may not ask
            raise LinkError(
                LinkFault.DENIED, f"serial numbers cannot be read: {error}", where=self._port, mend=_MEND_RIGHTS
            ) from error

    def _claim_interface(self, device: _Device) -> UsbEndpoints:
        try:
            configuration = device.get_active_configuration()
        except usb.core.USBError:
            device.set_configuration()
            configuration = device.get_active_configuration()
        triples = []
        for interface in configuration:
            triple = (interface.bInterfaceClass, interface.bInterfaceSubClass, interface.bInterfaceProtocol)
            triples.append("/".join(f"{part:02X}" for part in triple))
            if not self._interface.fits(triple):
                continue
            number = interface.bInterfaceNumber
            with contextlib.suppress(NotImplementedError):
                if device.is_kernel_driver_active(number):
                    device.detach_kernel_driver(number)
                    self._detached = number
            usb.util.claim_interface(device, number)
            return _endpoints_of(interface)
        raise LinkError(
            LinkFault.ABSENT,
            f"the device has no interface {self._interface}, only {', '.join(triples)}",
            where=self._port,
            mend="name a device that fits the driver; the port of a serial adapter is usb-serial:VID:PID[:SERIAL]",
        )

    @contextlib.contextmanager
    def _using(self, endpoint: int = 0) -> Iterator[_Device]:
        """Give the open device to one call; translate its errors; close one that was given up meanwhile."""
        self.open()
        device = self._device
        if device is None:
            raise LinkError(LinkFault.HUNG, "the device was reset while it was opened", where=self._port)
        self._idle.clear()
        try:
            yield device
        except (usb.core.USBError, ValueError, NotImplementedError) as error:
            translated = self._translate(error, endpoint)
            if isinstance(translated, LinkError) and translated.fault is not LinkFault.SILENT:
                with self._lock:
                    if self._device is device:
                        self._device = None
            raise translated from error
        finally:
            self._idle.set()
            if self._device is not device:
                self._dispose(device)

    def _dispose(self, device: _Device) -> None:
        """Close the device, and give the interface back to the system's driver if it was taken from it."""
        number, self._detached = self._detached, None
        if number is not None:
            with contextlib.suppress(usb.core.USBError, NotImplementedError):  # gone already, or it has none
                usb.util.release_interface(device, number)
                device.attach_kernel_driver(number)
        with contextlib.suppress(usb.core.USBError):  # gone already
            usb.util.dispose_resources(device)

    def _translate(self, error: Exception, endpoint: int, *, opening: bool = False) -> LinkError | StallError:
        number = getattr(error, "errno", None)
        endpoint = getattr(error, "endpoint", endpoint)  # where several transfers were under way, the one that failed
        if number == errno.EPIPE:
            return StallError(endpoint, where=self._port)
        fault, mend = _FAULTS.get(number or 0, (LinkFault.LOST, "plug it in again"))
        if opening and fault is LinkFault.LOST:
            fault = LinkFault.ABSENT
        return LinkError(fault, f"USB: {error}", where=self._port, mend=mend)


def _text(read: Callable[[], str | None]) -> str:
    """A string descriptor, empty where there is none or it cannot be read; what does not print is replaced."""
    try:
        return printable(read() or "")
    except ValueError:
        return ""


def _milliseconds(seconds: float) -> int:
    return max(1, round(seconds * 1000))  # 0 would mean for ever


def _one_by_one(
    device: _Device, endpoint_out: int, outgoing: Sequence[bytes], endpoint_in: int, max_bytes: int, timeout_ms: int
) -> bytes:
    """What a queueing backend does at once; like it, names the endpoint of what fails."""
    endpoint = endpoint_out
    try:
        for data in outgoing:
            sent = device.write(endpoint_out, data, timeout_ms)
            if sent != len(data):
                text = f"the device took {sent} of {len(data)} bytes"
                raise usb.core.USBTimeoutError(text, None, errno.ETIMEDOUT)
        endpoint = endpoint_in
        return bytes(device.read(endpoint_in, max_bytes, timeout_ms))
    except usb.core.USBError as error:
        error.endpoint = endpoint
        raise


def _endpoints_of(interface: _Descriptor) -> UsbEndpoints:
    """Sort the endpoints by direction and transfer type (USB 2.0, table 9-13, bmAttributes)."""
    found: dict[str, int] = {}
    packet = 64
    for endpoint in interface.endpoints():
        is_in = bool(endpoint.bEndpointAddress & 0x80)
        kind = {2: "bulk", 3: "interrupt"}.get(endpoint.bmAttributes & 3)
        name = f"{kind}_{'in' if is_in else 'out'}"
        found.setdefault(name, endpoint.bEndpointAddress)
        if name == "bulk_in":
            packet = endpoint.wMaxPacketSize & 0x7FF
    return UsbEndpoints(
        interface.bInterfaceNumber,
        found.get("bulk_out"),
        found.get("bulk_in"),
        found.get("interrupt_in"),
        packet,
    )
