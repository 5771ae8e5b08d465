"""The USB link over a made-up pyusb backend: the system's driver, rights, errors by kind, resets.

The backend fills pyusb's ``IBackend``; pyusb itself is between it and our link.
"""

import array
import errno
import threading
from collections.abc import Iterator

import pytest
import usb.backend
import usb.core
from lampwarden.drivers.codecs.usb_descriptors import (
    ConfigurationDescriptor,
    DeviceDescriptor,
    EndpointDescriptor,
    InterfaceDescriptor,
    decode_configuration,
    decode_device,
)
from lampwarden.drivers.links.base import ControlRequest, StallError, UsbInterface
from lampwarden.drivers.links.usb_link import PyUsbLink
from lampwarden.protocol.errors import LinkError, LinkFault

HID = UsbInterface(3, 1, 1)
DEVICE = bytes.fromhex("120100020000004009120200000101020301")
# One HID boot keyboard interface with an interrupt endpoint, and a second interface of another class.
CONFIGURATION = bytes.fromhex("09022900020100a0320904000001030101000705810308000a0904010001030000000705820308000a")
# The bulk pair of a USBTMC interface (USBTMC 1.0, 5.6).
MEASURING = bytes.fromhex("09022000010100a0320904000002fe0301000705010240000007058102400000")
STRINGS = {0: bytes.fromhex("04030904"), 1: "LWSIM", 2: "PEDAL\x07", 3: "SIM0002"}


class Backend(usb.backend.IBackend):  # type: ignore[misc]  # pyusb has no types
    """A bus with one device; ``log`` is what was asked of it, ``failures`` what the next calls raise, by name."""

    def __init__(self, *, kernel_driver: bool = True) -> None:
        super().__init__()
        self.log: list[str] = []
        self.failures: dict[str, list[Exception]] = {}
        self.kernel_driver = kernel_driver
        self.reports: list[bytes] = []
        self.configuration = CONFIGURATION
        self.configured = True
        self.hang = threading.Event()
        self.is_hanging = threading.Event()

    def _do(self, what: str) -> None:
        self.log.append(what)
        waiting = self.failures.get(what.split(maxsplit=1)[0])
        if waiting:
            raise waiting.pop(0)

    def enumerate_devices(self) -> list[str]:
        return ["device"]

    def get_parent(self, dev: str) -> None:
        return None

    def get_device_descriptor(self, dev: str) -> DeviceDescriptor:
        return decode_device(DEVICE)

    def get_configuration_descriptor(self, dev: str, config: int) -> ConfigurationDescriptor:
        return decode_configuration(self.configuration)

    def get_interface_descriptor(self, dev: str, intf: int, alt: int, config: int) -> InterfaceDescriptor:
        return decode_configuration(self.configuration).interface(intf, alt)

    def get_endpoint_descriptor(self, dev: str, ep: int, intf: int, alt: int, config: int) -> EndpointDescriptor:
        return decode_configuration(self.configuration).interface(intf, alt).endpoints[ep]

    def open_device(self, dev: str) -> str:
        self._do("open")
        return "handle"

    def close_device(self, dev_handle: str) -> None:
        self._do("close")

    def get_configuration(self, dev_handle: str) -> int:
        return int(self.configured)

    def set_configuration(self, dev_handle: str, config_value: int) -> None:
        self._do(f"configure {config_value}")
        self.configured = True

    def claim_interface(self, dev_handle: str, intf: int) -> None:
        self._do(f"claim {intf}")

    def release_interface(self, dev_handle: str, intf: int) -> None:
        self._do(f"release {intf}")

    def is_kernel_driver_active(self, dev_handle: str, intf: int) -> bool:
        return self.kernel_driver

    def detach_kernel_driver(self, dev_handle: str, intf: int) -> None:
        self._do(f"detach {intf}")

    def attach_kernel_driver(self, dev_handle: str, intf: int) -> None:
        self._do(f"attach {intf}")

    def intr_read(self, dev_handle: str, ep: int, intf: int, buff: "array.array[int]", timeout: int) -> int:
        self._do(f"read {timeout}")
        if self.is_hanging.is_set():
            self.hang.wait(20)
        if not self.reports:
            raise usb.core.USBTimeoutError("time", None, errno.ETIMEDOUT)
        report = self.reports.pop(0)
        buff[: len(report)] = array.array("B", report)
        return len(report)

    def bulk_write(self, dev_handle: str, ep: int, intf: int, data: "array.array[int]", timeout: int) -> int:
        self._do(f"write {ep:02x} {data.tobytes().decode()}")
        return min(len(data), 10)

    def bulk_read(self, dev_handle: str, ep: int, intf: int, buff: "array.array[int]", timeout: int) -> int:
        return self.intr_read(dev_handle, ep, intf, buff, timeout)

    def ctrl_transfer(
        self, dev_handle: str, kind: int, request: int, value: int, index: int, data: "array.array[int]", timeout: int
    ) -> int:
        if (kind, request, value >> 8) == (0x80, 6, 3):
            found = STRINGS[value & 0xFF]
            raw = found if isinstance(found, bytes) else bytes((2 + 2 * len(found), 3)) + found.encode("utf-16-le")
            raw = raw[: len(data)]
            data[: len(raw)] = array.array("B", raw)
            return len(raw)
        self._do(f"control {request:02x}")
        return 0

    def clear_halt(self, dev_handle: str, ep: int) -> None:
        self._do(f"clear {ep:02x}")

    def reset_device(self, dev_handle: str) -> None:
        self._do("reset")
        self.hang.set()


def usb_error(number: int) -> usb.core.USBError:
    return usb.core.USBError("said by the test", None, number)


@pytest.fixture
def backend() -> Iterator[Backend]:
    backend = Backend()
    yield backend
    backend.hang.set()


@pytest.fixture
def link(backend: Backend) -> Iterator[PyUsbLink]:
    link = PyUsbLink("usb:1209:0002", 0x1209, 0x0002, None, interface=HID, backend=lambda: backend)
    yield link
    link.close()


def test_interface_is_taken_from_the_systems_driver_before_it_is_claimed(link: PyUsbLink, backend: Backend) -> None:
    """So that presses reach the daemon and not the keyboard focus."""
    link.open()
    assert backend.log == ["open", "detach 0", "claim 0"]


def test_interface_is_given_back_to_the_system_when_the_link_closes(link: PyUsbLink, backend: Backend) -> None:
    link.open()
    backend.log.clear()
    link.close()
    assert backend.log == ["release 0", "attach 0", "close"]


def test_interface_that_the_system_did_not_have_is_not_given_to_it(link: PyUsbLink, backend: Backend) -> None:
    backend.kernel_driver = False
    link.open()
    link.close()
    assert backend.log == ["open", "claim 0", "release 0", "close"]


def test_other_interfaces_of_the_device_are_left_alone(link: PyUsbLink, backend: Backend) -> None:
    link.open()
    assert link.read_endpoints().interrupt_in == 0x81
    assert not [entry for entry in backend.log if entry.endswith(" 1")]


def test_device_that_is_not_configured_yet_is_configured(link: PyUsbLink, backend: Backend) -> None:
    backend.configured = False
    link.open()
    assert "configure 1" in backend.log


def test_identity_is_read_once_and_shows_nothing_that_does_not_print(link: PyUsbLink) -> None:
    found = link.read_identity()
    assert (found.manufacturer, found.product, found.serial, found.release) == (
        "LWSIM",
        "PEDAL\ufffd",
        "SIM0002",
        "1.00",
    )


@pytest.mark.parametrize(
    ("call", "number", "fault", "mend"),
    [
        ("open", errno.EACCES, LinkFault.DENIED, "udev rule"),
        ("claim", errno.EBUSY, LinkFault.BUSY, "end the other program"),
        ("detach", errno.EPERM, LinkFault.DENIED, "udev rule"),
        ("claim", errno.ENODEV, LinkFault.ABSENT, "plug it in"),
        ("read", errno.ENODEV, LinkFault.LOST, "plug it in"),
        ("read", errno.EIO, LinkFault.LOST, "check the cable"),
        ("read", 12345, LinkFault.LOST, "plug it in"),
    ],
)
def test_errors_of_the_system_say_what_to_do(
    link: PyUsbLink, backend: Backend, call: str, number: int, fault: LinkFault, mend: str
) -> None:
    backend.failures[call] = [usb_error(number)] * 2
    with pytest.raises(LinkError) as caught:
        link.interrupt_in(8, 0.1)
    assert caught.value.fault is fault
    assert mend in caught.value.mend
    assert not link.is_open


def test_device_is_closed_when_its_interface_cannot_be_had(link: PyUsbLink, backend: Backend) -> None:
    backend.failures["claim"] = [usb_error(errno.EBUSY)]
    with pytest.raises(LinkError):
        link.open()
    assert backend.log[-2:] == ["attach 0", "close"], "and the system has it again"


def test_lost_device_is_opened_again_at_the_next_use(link: PyUsbLink, backend: Backend) -> None:
    link.open()
    backend.failures["read"] = [usb_error(errno.ENODEV)]
    with pytest.raises(LinkError):
        link.interrupt_in(8, 0.1)
    backend.reports.append(b"report")
    assert link.interrupt_in(8, 0.1) == b"report"
    assert link.generation == 2


def test_time_out_loses_nothing_and_goes_out_in_milliseconds(link: PyUsbLink, backend: Backend) -> None:
    assert link.interrupt_in(8, 0.25) is None
    assert link.interrupt_in(8, 0.0) is None, "0 ms would mean for ever"
    assert [entry for entry in backend.log if entry.startswith("read")] == ["read 250", "read 1"]
    assert link.generation == 1


def test_stall_names_the_endpoint_and_keeps_the_link(link: PyUsbLink, backend: Backend) -> None:
    backend.failures["read"] = [usb_error(errno.EPIPE)]
    with pytest.raises(StallError) as caught:
        link.interrupt_in(8, 0.1)
    assert caught.value.endpoint == 0x81
    link.clear_halt(0x81)
    assert backend.log[-1] == "clear 81"
    assert link.is_open


class TestExchangeOverABackendThatKnowsNoQueue:
    """pyusb's own for libusb: one blocking transfer after the other."""

    @pytest.fixture
    def measuring(self, backend: Backend) -> Iterator[PyUsbLink]:
        backend.configuration = MEASURING
        interface = UsbInterface(0xFE, 0x03)
        link = PyUsbLink("usb:1209:0002", 0x1209, 0x0002, None, interface=interface, backend=lambda: backend)
        link.open()
        backend.log.clear()
        yield link
        link.close()

    def test_goes_out_in_order_and_comes_in(self, measuring: PyUsbLink, backend: Backend) -> None:
        backend.reports.append(b"answer")
        assert measuring.bulk_exchange((b"question", b"request"), 64, 0.25) == b"answer"
        assert backend.log == ["write 01 question", "write 01 request", "read 250"]

    def test_ends_at_what_the_device_does_not_take(self, measuring: PyUsbLink, backend: Backend) -> None:
        with pytest.raises(LinkError, match="took 10 of 17 bytes") as caught:
            measuring.bulk_exchange((b"question too long", b"request"), 64, 0.25)
        assert caught.value.fault is LinkFault.SILENT
        assert backend.log == ["write 01 question too long"]

    @pytest.mark.parametrize(("call", "endpoint"), [("write", 0x01), ("read", 0x81)])
    def test_names_the_endpoint_that_stalls(
        self, measuring: PyUsbLink, backend: Backend, call: str, endpoint: int
    ) -> None:
        backend.failures[call] = [usb_error(errno.EPIPE)]
        with pytest.raises(StallError) as caught:
            measuring.bulk_exchange((b"question", b"request"), 64, 0.25)
        assert caught.value.endpoint == endpoint
        assert measuring.is_open


def test_class_request_reaches_the_device(link: PyUsbLink, backend: Backend) -> None:
    link.control_out(ControlRequest(0x21, 0x0A, 0, 0), b"", 0.5)
    assert backend.log[-1] == "control 0a"


def test_machine_without_libusb_is_told_to_install_it(monkeypatch: pytest.MonkeyPatch) -> None:
    def nothing(**_: object) -> None:
        raise usb.core.NoBackendError("No backend available")

    monkeypatch.setattr(usb.core, "find", nothing)
    with pytest.raises(LinkError, match=r"install libusb-1\.0"):
        PyUsbLink("usb:1209:0002", 0x1209, 0x0002, None, interface=HID).open()


def test_reset_ends_a_transfer_that_hangs_and_the_device_is_closed_after_it(link: PyUsbLink, backend: Backend) -> None:
    """Never while the transfer uses the handle: libusb forbids it."""
    link.open()
    backend.is_hanging.set()
    hanging = threading.Thread(target=lambda: link.interrupt_in(8, 0.1))
    hanging.start()
    while not [entry for entry in backend.log if entry.startswith("read")]:
        pass
    backend.reports.append(b"late")
    link.reset()
    hanging.join(20)
    assert "reset" in backend.log
    assert backend.log.index("close") > backend.log.index("reset")
    backend.is_hanging.clear()
    backend.reports.append(b"fresh")
    assert link.interrupt_in(8, 0.1) == b"fresh"
