"""Foot switches over scripted reports. HID 1.11, appendix B.1 (reports), 7.2 (class requests)."""

from collections.abc import Callable

import pytest
from lampwarden.drivers.codecs.contact import LONG_PRESS_S
from lampwarden.drivers.foot_switch import HidFootSwitch, HidSettings, LineFootSwitch, LineName
from lampwarden.drivers.links.base import ModemLines
from lampwarden.drivers.links.inline import InlineByteLink, InlineUsbLink
from lampwarden.drivers.roles import Press
from lampwarden.protocol.errors import ConfigurationError, DeviceError, LinkError, LinkFault
from support.fakes import FakeUsbLink, HandClock, Sent, scripted

B_DOWN = bytes.fromhex("0000050000000000")
C_DOWN = bytes.fromhex("0000060000000000")
RELEASED = bytes(8)
KEYBOARD = HidSettings()


class Pedal:
    """A keyboard on which a test presses."""

    vid, pid = 0x1209, 0x0002
    manufacturer, product, serial = "M", "PEDAL SIMULATED", "S2"
    interface_class = (3, 1, 1)
    endpoints = (0x81,)

    def __init__(self, *, stalls: bool = False) -> None:
        self.epoch = 0
        self.halted: set[int] = set()
        self.on_unprompted: Callable[[list[Sent]], None] | None = None
        self.setups: list[bytes] = []
        self._stalls = stalls

    def attached(self) -> None: ...

    def control(self, setup: bytes, data: bytes, now_s: float) -> bytes | None:
        self.setups.append(setup)
        return None if self._stalls else b""

    def receive(self, endpoint: int, data: bytes, now_s: float) -> list[Sent]:
        return []

    def reports(self, *reports: tuple[float, bytes]) -> None:
        assert self.on_unprompted is not None
        self.on_unprompted([Sent(at_s, data, 0x81) for at_s, data in reports])


def pedal(settings: HidSettings = KEYBOARD, **more: bool) -> tuple[Pedal, HidFootSwitch, HandClock]:
    device, clock = Pedal(**more), HandClock()
    return device, HidFootSwitch(InlineUsbLink(device, clock), settings), clock


def test_short_press() -> None:
    device, switch, _ = pedal()
    device.reports((100.1, B_DOWN), (100.18, RELEASED))
    assert switch.wait_press(1.0) is Press.SHORT


def test_long_press_is_told_at_its_threshold_and_its_release_is_nothing() -> None:
    device, switch, _ = pedal()
    device.reports((100.1, B_DOWN), (101.3, RELEASED))
    assert switch.wait_press(5.0) is Press.LONG
    assert switch._link.now_s() == pytest.approx(100.1 + LONG_PRESS_S)
    assert switch.wait_press(2.0) is None


def test_no_press_takes_just_the_time_that_was_given() -> None:
    _, switch, _ = pedal()
    assert switch.wait_press(1.5) is None
    assert switch._link.now_s() == pytest.approx(101.5)


def test_press_that_begins_in_one_call_is_finished_in_it() -> None:
    """The call outlasts its time-out by the hold of a press that has begun, and by no more."""
    device, switch, _ = pedal()
    device.reports((100.9, B_DOWN), (101.2, RELEASED))
    assert switch.wait_press(1.0) is Press.SHORT
    assert switch._link.now_s() < 101.3


def test_presses_that_came_while_nobody_waited_are_read_later() -> None:
    device, switch, clock = pedal()
    device.reports((100.1, B_DOWN), (100.2, RELEASED))
    clock.now_s = 150.0
    assert switch.wait_press(0.1) is Press.SHORT
    assert switch.wait_press(0.1) is None


@pytest.mark.parametrize("stalls", [False, True])
def test_who_it_is_is_asked_of_the_device_each_time_and_a_stall_is_an_answer(stalls: bool) -> None:
    device, switch, _ = pedal(stalls=stalls)
    assert switch.identify() == switch.identify()
    get_status = bytes.fromhex("80 00 0000 0000 0200")  # USB 2.0, 9.4.5
    assert device.setups.count(get_status) == 2


def test_two_presses_are_two() -> None:
    device, switch, _ = pedal()
    device.reports((100.1, B_DOWN), (100.18, RELEASED), (100.4, B_DOWN), (100.5, RELEASED))
    assert [switch.wait_press(1.0) for _ in range(3)] == [Press.SHORT, Press.SHORT, None]


def test_only_the_chosen_key_counts() -> None:
    device, switch, _ = pedal(HidSettings(key=0x05))
    device.reports((100.1, C_DOWN), (100.3, RELEASED), (100.6, B_DOWN), (100.7, RELEASED))
    assert switch.wait_press(1.0) is Press.SHORT
    assert switch._link.now_s() > 100.7


def test_hold_of_a_long_press_can_be_set() -> None:
    device, switch, _ = pedal(HidSettings(long_press_s=0.3))
    device.reports((100.1, B_DOWN), (100.6, RELEASED))
    assert switch.wait_press(1.0) is Press.LONG


def test_plain_reports_count_by_their_bits() -> None:
    device, switch, _ = pedal(HidSettings(is_keyboard=False, mask=b"\x00\x02"))
    device.reports((100.1, b"\x01\x00"), (100.2, b"\x01\x02"), (100.3, b"\x01\x00"))
    assert switch.wait_press(1.0) is Press.SHORT


def test_device_is_asked_for_the_boot_report_and_for_changes_only() -> None:
    """SET_IDLE 0 and SET_PROTOCOL 0 (boot)."""
    device, switch, _ = pedal()
    switch.wait_press(0.1)
    assert [setup for setup in device.setups if setup[0] == 0x21] == [
        bytes.fromhex("210a000000000000"),
        bytes.fromhex("210b000000000000"),
    ]


def test_device_that_stalls_these_requests_works_all_the_same() -> None:
    device, switch, _ = pedal(stalls=True)
    device.reports((100.1, B_DOWN), (100.18, RELEASED))
    assert switch.wait_press(1.0) is Press.SHORT


def test_contact_that_never_settles_does_not_hold_the_call_for_ever() -> None:
    device, switch, _ = pedal(HidSettings(is_keyboard=False, long_press_s=100.0))
    device.reports(*((100.1 + 0.01 * n, bytes((n % 2,))) for n in range(40_000)))
    switch.wait_press(0.1)
    assert switch._link.now_s() <= 100.0 + 0.1 + switch.bound_s


def test_half_a_press_before_the_link_was_lost_is_forgotten() -> None:
    link = FakeUsbLink([B_DOWN, LinkError(LinkFault.LOST, "gone")])
    switch = HidFootSwitch(link, KEYBOARD)
    with pytest.raises(LinkError):
        switch.wait_press(1.0)
    link.generation = 2
    link.incoming.append(RELEASED)
    assert switch.wait_press(1.0) is None


def test_identity_is_the_devices_strings() -> None:
    _, switch, _ = pedal()
    identity = switch.identify()
    assert (identity.maker, identity.model, identity.serial) == ("M", "PEDAL SIMULATED", "S2")
    assert identity.raw.startswith("1209:0002")
    assert identity.simulated


class Contact(InlineByteLink):
    """A port on whose modem lines a test presses; time begins at 0 and passes only by pausing."""

    def __init__(self, closed: list[tuple[float, float]], *, line: LineName = "cts", idle: bool = False) -> None:
        super().__init__(scripted(), HandClock(0.0), port="contact")
        self._closed = closed
        self._line = line
        self._idle = idle
        self.open()

    def open_anew(self) -> None:
        self._is_open = False
        self.open()

    def modem_lines(self) -> ModemLines:
        is_down = any(start_s <= self.now_s() < end_s for start_s, end_s in self._closed)
        states = dict.fromkeys(("cts", "dsr", "ri", "cd"), self._idle)
        states[self._line] = is_down != self._idle
        return ModemLines(**states)


class TestLine:
    @pytest.mark.parametrize("line", ["cts", "dsr", "ri", "cd"])
    def test_press_on_each_line(self, line: LineName) -> None:
        link = Contact([(0.5, 0.7)], line=line)
        assert LineFootSwitch(link, line).wait_press(2.0) is Press.SHORT

    def test_switch_that_opens_when_pressed(self) -> None:
        link = Contact([(0.5, 0.7)], idle=True)
        assert LineFootSwitch(link, "cts", active=False).wait_press(2.0) is Press.SHORT

    def test_long_press(self) -> None:
        assert LineFootSwitch(Contact([(0.5, 2.0)]), "cts").wait_press(1.0) is Press.LONG

    def test_spike_of_an_igniter_is_no_press(self) -> None:
        spikes = [(0.1 * n, 0.1 * n + 0.006) for n in range(1, 20)]
        assert LineFootSwitch(Contact(spikes), "cts").wait_press(3.0) is None

    def test_press_over_two_calls_is_whole(self) -> None:
        switch = LineFootSwitch(Contact([(0.95, 1.2)]), "cts")
        assert [switch.wait_press(1.0), switch.wait_press(1.0)] == [Press.SHORT, None]

    def test_line_that_is_none_is_refused(self) -> None:
        with pytest.raises(ConfigurationError, match="no modem line"):
            LineFootSwitch(Contact([]), "rts")  # type: ignore[arg-type]  # no line has this name

    @pytest.mark.parametrize("until_s", [0.3, 1.5, 4.0])
    def test_contact_that_is_closed_when_the_port_opens_is_no_press(self, until_s: float) -> None:
        """A long press would mean "read again"; nobody has pressed."""
        switch = LineFootSwitch(Contact([(0.0, until_s), (5.0, 5.2)]), "cts")
        assert switch.wait_press(4.5) is None
        assert switch.wait_press(2.0) is Press.SHORT, "but the next one is"

    def test_contact_that_is_closed_when_the_port_opens_anew_is_no_press(self) -> None:
        contact = Contact([(0.5, 0.7), (2.0, 4.0), (5.0, 5.2)])
        switch = LineFootSwitch(contact, "cts")
        assert switch.wait_press(2.0) is Press.SHORT
        contact.pause(2.1 - contact.now_s())
        contact.open_anew()
        assert switch.wait_press(2.5) is None
        assert switch.wait_press(2.0) is Press.SHORT

    def test_contact_that_stays_closed_is_told(self) -> None:
        """A cable that is not there, or a switch that opens when it is pressed."""
        switch = LineFootSwitch(Contact([]), "cts", active=False)
        assert switch.identify().model == "contact on CTS"
        assert switch.wait_press(1.0) is None
        with pytest.raises(DeviceError, match="closed ever since the port was opened"):
            switch.wait_press(10.0)
        with pytest.raises(DeviceError, match="closed ever since the port was opened"):
            switch.identify()

    def test_contact_that_opened_late_is_trouble_no_more(self) -> None:
        contact = Contact([(0.0, 8.0), (9.0, 9.2)])
        switch = LineFootSwitch(contact, "cts")
        switch.identify()
        with pytest.raises(DeviceError):
            switch.wait_press(7.0)
        contact.pause(8.5 - contact.now_s())
        assert switch.identify().model == "contact on CTS"
        assert switch.wait_press(2.0) is Press.SHORT
