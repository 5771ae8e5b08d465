"""In-line links: the debt of time, what arrives when, unprompted input, faults."""

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lampwarden.drivers.links.base import ControlRequest, StallError
from lampwarden.drivers.links.inline import InlineByteLink, InlineUsbLink, inline_link
from lampwarden.protocol.errors import ConfigurationError, DeviceError, LinkError, LinkFault
from support.fakes import HandClock, Sent, scripted


class Usb:
    """A USB device whose behaviour a test sets."""

    vid, pid = 0x1209, 0x0001
    manufacturer, product, serial = "M", "P SIMULATED", "S"
    interface_class = (0xFE, 3, 1)
    endpoints: tuple[int, ...] = (0x01, 0x81, 0x82)

    def __init__(self) -> None:
        self.epoch = 0
        self.halted: set[int] = set()
        self.on_unprompted: Callable[[list[Sent]], None] | None = None
        self.attachments = 0
        self.setups: list[bytes] = []
        self.answer: list[Sent] = []
        self.control_answer: bytes | None = b"\x01\x02\x03"

    def attached(self) -> None:
        self.attachments += 1

    def control(self, setup: bytes, data: bytes, now_s: float) -> bytes | None:
        self.setups.append(setup)
        return self.control_answer

    def receive(self, endpoint: int, data: bytes, now_s: float) -> list[Sent]:
        return self.answer


@pytest.fixture
def clock() -> HandClock:
    return HandClock()


def test_reading_waits_until_bytes_leave_the_device_and_owes_the_time(clock: HandClock) -> None:
    link = InlineByteLink(scripted([(0.25, b"abc")]), clock)
    link.write(b"?")
    assert link.read(10, 1.0) == b"abc"
    assert link.owed_s == pytest.approx(0.25)


def test_time_out_owes_just_its_time(clock: HandClock) -> None:
    link = InlineByteLink(scripted([(0.25, b"abc")]), clock)
    link.write(b"?")
    assert link.read(10, 0.1) == b""
    assert link.owed_s == pytest.approx(0.1)
    assert link.read(10, 0.15) == b"abc"
    assert link.owed_s == pytest.approx(0.25)


def test_device_is_told_the_time_that_the_line_has_come_to(clock: HandClock) -> None:
    device = scripted([(0.25, b"abc")], b"x")
    link = InlineByteLink(device, clock)
    link.write(b"1")
    link.read(10, 1.0)
    link.pause(0.5)
    link.write(b"2")
    assert [at_s for at_s, _ in device.received] == pytest.approx([100.0, 100.75])


def test_debt_is_paid_by_the_clock(clock: HandClock) -> None:
    link = InlineByteLink(scripted(), clock)
    link.pause(2.0)
    clock.now_s += 1.5
    assert link.owed_s == pytest.approx(0.5)
    clock.now_s += 10.0
    assert link.owed_s == 0.0
    assert link.now_s() == clock.now_s


def test_small_reads_take_a_piece_at_a_time(clock: HandClock) -> None:
    link = InlineByteLink(scripted([(0.1, b"abcdef")]), clock)
    link.write(b"?")
    assert [link.read(4, 1.0), link.read(4, 1.0), link.read(4, 0.0)] == [b"abcd", b"ef", b""]


@given(st.lists(st.tuples(st.floats(0, 5), st.binary(min_size=1, max_size=5)), max_size=8))
def test_bytes_arrive_in_the_order_of_their_times(pieces: list[tuple[float, bytes]]) -> None:
    link = InlineByteLink(scripted(pieces), HandClock())
    link.write(b"?")
    found = b""
    while data := link.read(3, 10.0):
        found += data
    ordered = sorted(range(len(pieces)), key=lambda n: (pieces[n][0] + 100.0, n))
    assert found == b"".join(pieces[n][1] for n in ordered)


def test_discarding_input_drops_what_has_arrived_and_nothing_else(clock: HandClock) -> None:
    link = InlineByteLink(scripted([(0.1, b"old"), (0.5, b"new")]), clock)
    link.write(b"?")
    link.pause(0.2)
    link.discard_input()
    assert link.read(10, 1.0) == b"new"


def test_break_reaches_the_device_and_takes_its_time(clock: HandClock) -> None:
    device = scripted()
    link = InlineByteLink(device, clock)
    link.send_break(0.015)
    assert device.breaks_s == pytest.approx([100.015])
    assert link.quiet_s() == 0.0


def test_quiet_is_infinite_before_the_first_byte_and_counts_after(clock: HandClock) -> None:
    link = InlineByteLink(scripted(), clock)
    assert link.quiet_s() == float("inf")
    link.write(b"1")
    link.pause(0.3)
    assert link.quiet_s() == pytest.approx(0.3)
    assert link.last_written == b"1"


def test_inline_port_has_no_modem_lines(clock: HandClock) -> None:
    with pytest.raises(DeviceError, match="modem lines"):
        InlineByteLink(scripted(), clock).modem_lines()


def test_unplugged_device_is_a_lost_link(clock: HandClock) -> None:
    class Gone:
        def receive(self, data: bytes, now_s: float) -> list[Sent]:
            raise OSError(19, "No such device")

        def line_break(self, now_s: float) -> list[Sent]:
            raise OSError(19, "No such device")

    link = InlineByteLink(Gone(), clock)
    for use in (lambda: link.write(b"?"), lambda: link.send_break(0.01)):
        with pytest.raises(LinkError) as caught:
            use()
        assert caught.value.fault is LinkFault.LOST


class TestUsb:
    def test_host_attaches_once_at_the_first_use(self, clock: HandClock) -> None:
        device = Usb()
        link = InlineUsbLink(device, clock)
        assert device.attachments == 0
        link.open()
        link.bulk_out(b"x", 1.0)
        assert device.attachments == 1

    def test_endpoints_are_sorted_by_what_the_device_has(self, clock: HandClock) -> None:
        assert InlineUsbLink(Usb(), clock).read_endpoints().bulk_in == 0x81
        assert InlineUsbLink(Usb(), clock).read_endpoints().interrupt_in == 0x82
        keyboard = Usb()
        keyboard.endpoints = (0x81,)
        found = InlineUsbLink(keyboard, clock).read_endpoints()
        assert (found.bulk_out, found.bulk_in, found.interrupt_in) == (None, None, 0x81)

    def test_endpoint_that_is_not_there_is_a_configuration_error(self, clock: HandClock) -> None:
        keyboard = Usb()
        keyboard.endpoints = (0x81,)
        with pytest.raises(DeviceError, match="no bulk OUT endpoint"):
            InlineUsbLink(keyboard, clock).bulk_out(b"x", 1.0)

    def test_answer_on_one_endpoint_is_not_read_from_another(self, clock: HandClock) -> None:
        device = Usb()
        device.answer = [Sent(100.2, b"bulk", 0x81), Sent(100.1, b"note", 0x82)]
        link = InlineUsbLink(device, clock)
        link.bulk_out(b"x", 1.0)
        assert link.bulk_in(64, 1.0) == b"bulk"
        assert link.interrupt_in(8, 0.0) == b"note"
        assert link.interrupt_in(8, 0.0) is None

    def test_silence_of_a_bulk_endpoint_is_an_error(self, clock: HandClock) -> None:
        link = InlineUsbLink(Usb(), clock)
        with pytest.raises(LinkError) as caught:
            link.bulk_in(64, 1.5)
        assert caught.value.fault is LinkFault.SILENT
        assert link.owed_s == pytest.approx(1.5)

    def test_empty_transfer_is_no_silence(self, clock: HandClock) -> None:
        device = Usb()
        device.answer = [Sent(100.0, b"", 0x81)]
        link = InlineUsbLink(device, clock)
        link.bulk_out(b"x", 1.0)
        assert link.bulk_in(64, 1.0) == b""

    def test_setup_packet_is_built_after_the_standard(self, clock: HandClock) -> None:
        """USB 2.0, table 9-2."""
        device = Usb()
        link = InlineUsbLink(device, clock)
        assert link.control_in(ControlRequest(0xA2, 3, 0x0102, 0x0081), 2, 1.0) == b"\x01\x02"
        link.control_out(ControlRequest(0x21, 0x0A, 0, 0), b"", 1.0)
        link.clear_halt(0x81)
        assert device.setups == [
            bytes.fromhex("a203020181000200"),
            bytes.fromhex("210a000000000000"),
            bytes.fromhex("0201000081000000"),
        ]

    def test_refused_control_request_is_a_stall(self, clock: HandClock) -> None:
        device = Usb()
        device.control_answer = None
        with pytest.raises(StallError):
            InlineUsbLink(device, clock).control_in(ControlRequest(0xA1, 7), 24, 1.0)

    def test_halted_endpoint_stalls_by_its_address(self, clock: HandClock) -> None:
        device = Usb()
        device.halted.add(0x01)
        link = InlineUsbLink(device, clock)
        with pytest.raises(StallError) as caught:
            link.bulk_out(b"x", 1.0)
        assert caught.value.endpoint == 0x01

    def test_what_the_device_takes_back_never_arrives(self, clock: HandClock) -> None:
        device = Usb()
        device.answer = [Sent(100.1, b"now", 0x81), Sent(105.0, b"later", 0x81)]
        link = InlineUsbLink(device, clock)
        link.bulk_out(b"x", 1.0)
        assert link.bulk_in(64, 1.0) == b"now"
        device.epoch += 1
        with pytest.raises(LinkError):
            link.bulk_in(64, 10.0)

    def test_unprompted_input_wakes_whoever_waits_and_only_until_it_is_read(self, clock: HandClock) -> None:
        device = Usb()
        link = InlineUsbLink(device, clock)
        assert not link.input_arrived.rings
        assert device.on_unprompted is not None
        device.on_unprompted([Sent(100.0, b"\x01", 0x82)])
        assert link.input_arrived.rings
        assert link.interrupt_in(8, 0.1) == b"\x01"
        assert not link.input_arrived.rings


def test_only_simulated_devices_are_taken(clock: HandClock) -> None:
    with pytest.raises(ConfigurationError, match="int is not a simulated device"):
        inline_link(5, clock, port="x")
