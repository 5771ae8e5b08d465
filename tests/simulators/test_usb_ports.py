"""The virtual USB bus, reached by pyusb through the USB/IP backend as the daemon would."""

import errno
import struct
import threading
import time
from collections.abc import Callable, Iterator

import pytest
import usb.core
import usb.util
from lampwarden.drivers.links.usbip_backend import UsbIpBackend
from lampwarden.protocol.errors import LinkError, LinkFault
from lampwarden.simulators.bench import SimulatedBench
from lampwarden.simulators.faults import Fault
from lampwarden.simulators.scenario import Scenario
from lampwarden.simulators.usb_ports import VirtualBus
from support.time_source import FastTime

SPECTROMETER = (0x1209, 0x0001)
FOOT_SWITCH = (0x1209, 0x0002)


@pytest.fixture
def bench() -> SimulatedBench:
    return SimulatedBench(Scenario.demo(), 1)


@pytest.fixture
def clock() -> FastTime:
    return FastTime(speed=50.0, begin_s=100.0)


@pytest.fixture
def bus(bench: SimulatedBench, clock: FastTime) -> Iterator[VirtualBus]:
    with VirtualBus([bench.spectrometer, bench.foot_switch], clock, lock=bench.lock) as bus:
        yield bus


@pytest.fixture
def attach(bus: VirtualBus) -> Iterator[Callable[[tuple[int, int]], usb.core.Device]]:
    found: list[usb.core.Device] = []

    def attach(ids: tuple[int, int]) -> usb.core.Device:
        device = usb.core.find(backend=UsbIpBackend("127.0.0.1", bus.number, *ids))
        found.append(device)
        device.set_configuration()
        return device

    yield attach
    for device in found:
        usb.util.dispose_resources(device)


def write(device: usb.core.Device, message: bytes, tag: int) -> None:
    raw = struct.pack("<BBBBIB3x", 1, tag, tag ^ 0xFF, 0, len(message), 1) + message
    device.write(0x01, raw + bytes(-len(raw) % 4), timeout=3000)


def request(device: usb.core.Device, tag: int) -> None:
    device.write(0x01, struct.pack("<BBBBIB3x", 2, tag, tag ^ 0xFF, 0, 1 << 20, 0), timeout=3000)


def ask(device: usb.core.Device, message: bytes, tag: int = 1, timeout_ms: int = 3000) -> bytes:
    write(device, message, tag)
    request(device, tag + 1)
    raw = bytes(device.read(0x81, 1 << 20, timeout=timeout_ms))
    return raw[12 : 12 + int.from_bytes(raw[4:8], "little")]


def test_devices_describe_themselves(attach: Callable) -> None:
    spectrometer, switch = attach(SPECTROMETER), attach(FOOT_SWITCH)
    assert spectrometer.serial_number == "SIM0001"
    assert "SIMULATED" in spectrometer.product
    interface = spectrometer.get_active_configuration()[(0, 0)]
    triple = (interface.bInterfaceClass, interface.bInterfaceSubClass, interface.bInterfaceProtocol)
    assert triple == (0xFE, 0x03, 0x01)
    kinds = {each.bEndpointAddress: usb.util.endpoint_type(each.bmAttributes) for each in interface.endpoints()}
    bulk, interrupt = usb.util.ENDPOINT_TYPE_BULK, usb.util.ENDPOINT_TYPE_INTR
    assert kinds == {0x01: bulk, 0x81: bulk, 0x82: interrupt}
    (pedal,) = switch.get_active_configuration()[(0, 0)].endpoints()
    assert (pedal.bEndpointAddress, usb.util.endpoint_type(pedal.bmAttributes)) == (0x81, interrupt)
    assert switch.get_active_configuration()[(0, 0)].bInterfaceClass == 0x03


def test_query_is_answered_over_the_bus(attach: Callable) -> None:
    assert ask(attach(SPECTROMETER), b"*IDN?\n") == b"LWSIM,SPECTRO-1,SIM0001,1.0 SIMULATED\n"


def test_exposure_is_not_answered_before_it_is_over(attach: Callable, clock: FastTime) -> None:
    device = attach(SPECTROMETER)
    asked_s = clock.monotonic()
    write(device, b"SENS:APER 10;:READ?\n", 1)
    request(device, 2)
    with pytest.raises(usb.core.USBTimeoutError):
        device.read(0x81, 1 << 20, timeout=20)
    assert len(device.read(0x81, 1 << 20, timeout=3000)) == 12 + 6 + 8192 + 2
    assert clock.monotonic() - asked_s >= 10.0


def test_aborted_exposure_ends_in_a_short_packet_and_leaves_nothing_behind(attach: Callable) -> None:
    device = attach(SPECTROMETER)
    write(device, b"SENS:APER 10;AVER:COUN 100;:READ?\n", 1)
    request(device, 2)
    with pytest.raises(usb.core.USBTimeoutError):
        device.read(0x81, 1 << 20, timeout=20)
    assert bytes(device.ctrl_transfer(0xA2, 3, 2, 0x81, 2, timeout=1000)) == b"\x01\x02"
    assert len(device.read(0x81, 512, timeout=1000)) == 0
    assert device.ctrl_transfer(0xA2, 4, 0, 0x81, 8, timeout=1000)[0] == 1
    assert ask(device, b"SENS:AVER:COUN 3;COUN?\n", 3) == b"3\n"


def test_aborted_answer_does_not_come_when_it_would_have_been_due(attach: Callable, clock: FastTime) -> None:
    device = attach(SPECTROMETER)
    write(device, b"SENS:APER 5;:READ?\n", 1)
    request(device, 2)
    due_s = clock.monotonic() + 6.0
    assert bytes(device.ctrl_transfer(0xA2, 3, 2, 0x81, 2, timeout=1000)) == b"\x01\x02"
    assert len(device.read(0x81, 512, timeout=1000)) == 0
    while clock.monotonic() < due_s:
        assert ask(device, b"SENS:APER?\n", 3) == b"5.000000000E+00\n"


def test_clear_drops_what_the_host_has_not_read_and_halts_until_cleared(attach: Callable) -> None:
    device = attach(SPECTROMETER)
    write(device, b"*IDN?\n", 1)
    request(device, 2)
    deadline = time.monotonic() + 5
    while device.ctrl_transfer(0xA1, 5, 0, 0, 1, timeout=1000)[0] != 1:
        assert time.monotonic() < deadline
    assert bytes(device.ctrl_transfer(0xA1, 6, 0, 0, 2, timeout=1000)) == b"\x01\x00"
    with pytest.raises(usb.core.USBError) as stalled:
        device.write(0x01, bytes(12), timeout=1000)
    assert stalled.value.errno == errno.EPIPE
    device.clear_halt(0x01)
    assert ask(device, b"SENS:PIX:COUN?\n", 5) == b"2048\n"


def test_status_byte_arrives_on_the_interrupt_endpoint(attach: Callable) -> None:
    device = attach(SPECTROMETER)
    assert bytes(device.ctrl_transfer(0xA1, 128, 7, 0, 3, timeout=1000)) == b"\x01\x07\x00"
    assert bytes(device.read(0x82, 8, timeout=1000)) == b"\x87\x00"


def test_settings_survive_a_new_host_and_a_half_sent_message_does_not(attach: Callable, bus: VirtualBus) -> None:
    device = attach(SPECTROMETER)
    write(device, b"SENS:AVER:COUN 9\n", 1)
    device.write(0x01, struct.pack("<BBBBIB3x", 1, 2, 0xFD, 0, 50, 1) + b"SENS:", timeout=1000)
    usb.util.dispose_resources(device)
    assert ask(attach(SPECTROMETER), b"SENS:AVER:COUN?\n") == b"9\n"


def test_press_is_reported_and_released(attach: Callable, bench: SimulatedBench, clock: FastTime) -> None:
    device = attach(FOOT_SWITCH)
    bench.foot_switch.press(clock.monotonic())
    assert bytes(device.read(0x81, 8, timeout=2000)) == bytes.fromhex("0000050000000000")
    assert bytes(device.read(0x81, 8, timeout=2000)) == bytes(8)


@pytest.mark.slow
def test_long_press_is_as_long_in_real_time_on_a_faster_clock(
    attach: Callable, bench: SimulatedBench, clock: FastTime
) -> None:
    device = attach(FOOT_SWITCH)
    pressed_s = clock.monotonic()
    bench.foot_switch.press(pressed_s, long=True, speed=clock.speed)
    assert bytes(device.read(0x81, 8, timeout=2000))[2] == 5
    assert bytes(device.read(0x81, 8, timeout=5000)) == bytes(8)
    assert (clock.monotonic() - pressed_s) / clock.speed >= 1.2


def test_press_before_the_host_asks_is_kept(attach: Callable, bench: SimulatedBench, clock: FastTime) -> None:
    device = attach(FOOT_SWITCH)
    with pytest.raises(usb.core.USBTimeoutError):
        device.read(0x81, 8, timeout=20)
    bench.foot_switch.press(clock.monotonic())
    time.sleep(0.05)  # noqa: TID251 - the press must be over before the host asks
    assert bytes(device.read(0x81, 8, timeout=2000))[2] == 5


def test_press_while_nobody_is_attached_is_not_kept_for_later(
    attach: Callable, bench: SimulatedBench, clock: FastTime
) -> None:
    bench.foot_switch.press(clock.monotonic())
    device = attach(FOOT_SWITCH)
    with pytest.raises(usb.core.USBTimeoutError):
        device.read(0x81, 8, timeout=100)


def test_release_of_a_press_is_not_kept_for_another_host(
    attach: Callable, bench: SimulatedBench, clock: FastTime
) -> None:
    device = attach(FOOT_SWITCH)
    now_s = clock.monotonic()
    bench.foot_switch.press(now_s, long=True)
    assert bytes(device.read(0x81, 8, timeout=2000))[2] == 5
    usb.util.dispose_resources(device)
    device = attach(FOOT_SWITCH)
    with pytest.raises(usb.core.USBTimeoutError):
        device.read(0x81, 8, timeout=100)


@pytest.mark.slow
def test_second_host_is_refused_and_the_first_loses_nothing(
    attach: Callable, bus: VirtualBus, bench: SimulatedBench, clock: FastTime
) -> None:
    device = attach(FOOT_SWITCH)
    bench.foot_switch.press(clock.monotonic())
    with pytest.raises(LinkError) as refused:
        usb.core.find(backend=UsbIpBackend("127.0.0.1", bus.number, *FOOT_SWITCH)).set_configuration()
    assert refused.value.fault is LinkFault.BUSY
    assert bytes(device.read(0x81, 8, timeout=2000))[2] == 5


def test_device_in_use_can_be_taken_over_when_its_host_hangs_up(attach: Callable) -> None:
    for count in range(5):
        device = attach(SPECTROMETER)
        assert ask(device, b"SENS:PIX:COUN?\n") == b"2048\n", count
        usb.util.dispose_resources(device)


def test_new_host_waits_until_the_old_one_has_been_seen_off(attach: Callable, bench: SimulatedBench) -> None:
    device = attach(SPECTROMETER)
    held, release = threading.Event(), threading.Event()

    def keep_busy() -> None:
        with bench.lock:  # the bus cannot tell the device that its host has left
            held.set()
            release.wait(5.0)

    busy = threading.Thread(target=keep_busy)
    busy.start()
    assert held.wait(5.0)
    usb.util.dispose_resources(device)
    later = threading.Timer(0.1, release.set)
    later.start()
    assert ask(attach(SPECTROMETER), b"SENS:PIX:COUN?\n") == b"2048\n"
    busy.join(5.0)
    later.join(5.0)


def test_unplugged_device_is_lost_to_its_host_and_missing_from_the_list(
    attach: Callable, bus: VirtualBus, bench: SimulatedBench
) -> None:
    device = attach(SPECTROMETER)
    bench.faults["spectrometer"].switch_on(Fault.UNPLUGGED)
    with pytest.raises((usb.core.USBError, LinkError)):
        ask(device, b"*IDN?\n")
    usb.util.dispose_resources(device)
    assert usb.core.find(backend=UsbIpBackend("127.0.0.1", bus.number, *SPECTROMETER)) is None
    assert usb.core.find(backend=UsbIpBackend("127.0.0.1", bus.number, *FOOT_SWITCH)) is not None
    bench.faults["spectrometer"].switch_off()
    assert ask(attach(SPECTROMETER), b"*IDN?\n").startswith(b"LWSIM")


def test_silent_spectrometer_answers_requests_but_no_messages(attach: Callable, bench: SimulatedBench) -> None:
    device = attach(SPECTROMETER)
    bench.faults["spectrometer"].switch_on(Fault.SILENT)
    with pytest.raises(usb.core.USBTimeoutError):
        ask(device, b"*IDN?\n", timeout_ms=50)
    assert device.ctrl_transfer(0xA1, 7, 0, 0, 24, timeout=1000)[0] == 1


def test_stalling_spectrometer_stalls_and_recovers_when_cleared(attach: Callable, bench: SimulatedBench) -> None:
    device = attach(SPECTROMETER)
    bench.faults["spectrometer"].switch_on(Fault.STALL)
    with pytest.raises(usb.core.USBError) as stalled:
        device.ctrl_transfer(0xA1, 7, 0, 0, 24, timeout=1000)
    assert stalled.value.errno == errno.EPIPE
    with pytest.raises(usb.core.USBError) as stalled:
        write(device, b"*IDN?\n", 1)
    assert stalled.value.errno == errno.EPIPE
    bench.faults["spectrometer"].switch_off()
    device.clear_halt(0x01)
    assert ask(device, b"*IDN?\n", 3).startswith(b"LWSIM")


@pytest.mark.slow
def test_hung_spectrometer_answers_nothing_and_is_free_when_its_host_gives_up(
    attach: Callable, bench: SimulatedBench
) -> None:
    device = attach(SPECTROMETER)
    bench.faults["spectrometer"].switch_on(Fault.HANG)
    with pytest.raises(usb.core.USBError):
        device.ctrl_transfer(0xA1, 7, 0, 0, 24, timeout=50)
    usb.util.dispose_resources(device)
    bench.faults["spectrometer"].switch_off()
    assert ask(attach(SPECTROMETER), b"*IDN?\n").startswith(b"LWSIM")


def test_closed_bus_leaves_no_threads(bench: SimulatedBench, clock: FastTime) -> None:
    before = set(threading.enumerate())
    bus = VirtualBus([bench.spectrometer], clock).start()
    bus.close()
    bus.close()
    assert set(threading.enumerate()) <= before
