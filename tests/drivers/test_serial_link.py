"""Serial ports through pyserial, on pseudo-terminals and sockets: faults by kind, loss, reset, exclusiveness."""

import errno
import os
import select
import socket
import threading
import tty
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest
import serial
from lampwarden.drivers.instruments import LinkPool, build_instrument
from lampwarden.drivers.links import serial_link as serial_link_module
from lampwarden.drivers.links.base import SerialSettings, UsbInterface
from lampwarden.drivers.links.factory import Wire, serial_link, usb_link, wires_of
from lampwarden.drivers.links.serial_link import SerialLink
from lampwarden.drivers.registry import Registry
from lampwarden.drivers.roles import POWER_METER
from lampwarden.protocol.errors import ConfigurationError, DeviceError, LinkError, LinkFault
from serial.tools import list_ports

AMPLE_S = 20.0
SETTINGS = SerialSettings(19200)


class Terminal:
    """A pseudo-terminal; the test is the device at its other end."""

    def __init__(self) -> None:
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)
        self.name = os.ttyname(self.slave)

    def send(self, data: bytes) -> None:
        os.write(self.master, data)

    def receive(self, count: int) -> bytes:
        """Exactly so many bytes: a terminal hands them over in pieces."""
        data = b""
        while len(data) < count:
            data += os.read(self.master, count - len(data))
        return data

    def unplug(self) -> None:
        for descriptor in (self.master, self.slave):
            if descriptor >= 0:
                os.close(descriptor)
        self.master = self.slave = -1


def wait_for_bytes(link: SerialLink, count: int) -> None:
    assert link._handle is not None
    while link._handle.in_waiting < count:
        pass


def read_exactly(link: SerialLink, count: int) -> bytes:
    data = b""
    while len(data) < count:
        piece = link.read(count - len(data), AMPLE_S)
        assert piece, "nothing came"
        data += piece
    return data


@pytest.fixture
def terminal() -> Iterator[Terminal]:
    terminal = Terminal()
    yield terminal
    terminal.unplug()


@pytest.fixture
def link(terminal: Terminal) -> Iterator[SerialLink]:
    link = SerialLink(terminal.name, SETTINGS)
    yield link
    link.close()


def test_bytes_go_both_ways(link: SerialLink, terminal: Terminal) -> None:
    link.write(b"question")
    assert terminal.receive(8) == b"question"
    terminal.send(b"answer")
    assert read_exactly(link, 6) == b"answer"
    assert link.last_written == b"question"


def test_reading_returns_at_once_what_is_there_and_no_more_than_asked(link: SerialLink, terminal: Terminal) -> None:
    link.open()
    terminal.send(b"abcdef")
    wait_for_bytes(link, 6)
    assert link.read(4, AMPLE_S) == b"abcd"
    assert link.read(4, AMPLE_S) == b"ef"
    assert link.read(4, 0.0) == b""


def test_whole_answer_is_handed_over_by_one_call(
    link: SerialLink, terminal: Terminal, monkeypatch: pytest.MonkeyPatch
) -> None:
    calls: list[int] = []
    read = os.read

    def counted(descriptor: int, count: int) -> bytes:
        calls.append(count)
        return read(descriptor, count)

    link.open()
    terminal.send(b"abcdef")
    wait_for_bytes(link, 6)
    monkeypatch.setattr(os, "read", counted)
    assert link.read(100, AMPLE_S) == b"abcdef"
    assert calls == [100]


def test_port_that_is_ready_without_data_is_lost(link: SerialLink, monkeypatch: pytest.MonkeyPatch) -> None:
    """So an unplugged adapter looks on Linux."""
    link.open()
    monkeypatch.setattr(select, "select", lambda *_: ([1], [], []))
    monkeypatch.setattr(os, "read", lambda *_: b"")
    with pytest.raises(LinkError, match="no data") as caught:
        link.read(1, AMPLE_S)
    assert caught.value.fault is LinkFault.LOST


def test_data_that_a_flush_takes_away_are_no_error(link: SerialLink, monkeypatch: pytest.MonkeyPatch) -> None:
    def nothing(*_: object) -> bytes:
        raise BlockingIOError(errno.EAGAIN, "nothing there")

    link.open()
    monkeypatch.setattr(select, "select", lambda *_: ([1], [], []))
    monkeypatch.setattr(os, "read", nothing)
    assert link.read(1, 0.0) == b""


def test_pause_is_never_short_however_early_the_system_wakes(link: SerialLink, monkeypatch: pytest.MonkeyPatch) -> None:
    """A sleep is asked for less than the pause, because the system may add its timer slack, but need not."""
    now_s = [100.0]
    asked_s: list[float] = []

    def sleep(seconds: float) -> None:
        asked_s.append(seconds)
        now_s[0] += seconds + 1e-6

    monkeypatch.setattr(serial_link_module, "time", SimpleNamespace(monotonic=lambda: now_s[0], sleep=sleep))
    link.pause(0.002)
    assert 100.002 <= now_s[0] <= 100.0021
    assert asked_s[0] < 0.002
    link.pause(-1.0)
    link.pause(float("-inf"))
    assert now_s[0] <= 100.0021


def test_time_out_is_empty_and_the_port_goes_on(link: SerialLink, terminal: Terminal) -> None:
    assert link.read(10, 0.05) == b""
    terminal.send(b"late")
    assert read_exactly(link, 4) == b"late"


def test_discarding_input_drops_what_has_arrived(link: SerialLink, terminal: Terminal) -> None:
    link.open()
    terminal.send(b"old" * 50)
    wait_for_bytes(link, 150)
    link.discard_input()
    terminal.send(b"new")
    assert read_exactly(link, 3) == b"new"


def test_port_opens_at_its_first_use_and_again_after_closing(link: SerialLink, terminal: Terminal) -> None:
    assert link.generation == 0
    link.write(b"a")
    assert link.generation == 1
    link.close()
    link.close()
    link.write(b"b")
    assert link.generation == 2
    assert terminal.receive(2) == b"ab"


def test_absent_port_says_what_to_do() -> None:
    with pytest.raises(LinkError) as caught:
        SerialLink("/dev/nowhere", SETTINGS).open()
    assert caught.value.fault is LinkFault.ABSENT
    assert str(caught.value) == (
        "/dev/nowhere: cannot open the port: no such file or directory (plug it in, or correct the port)"
    ), "once, and without the system's number"


def test_file_that_is_no_port_is_absent(tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_bytes(b"")
    with pytest.raises(LinkError, match=r"cannot open the port: [a-z ]+ \(name a serial port\)$") as caught:
        SerialLink(str(file), SETTINGS).open()
    assert caught.value.fault is LinkFault.ABSENT


def test_port_of_another_program_is_busy(link: SerialLink, terminal: Terminal) -> None:
    link.open()
    other = SerialLink(terminal.name, SETTINGS)
    with pytest.raises(LinkError, match=r"cannot open the port: it is in use \(end the other program") as caught:
        other.open()
    assert caught.value.fault is LinkFault.BUSY
    link.close()
    other.open()
    other.close()


def test_forbidden_port_says_which_group(monkeypatch: pytest.MonkeyPatch) -> None:
    """As the superuser nothing is forbidden, so the library is made to say so."""

    def refuse(*args: object, **kwargs: object) -> None:
        raise serial.SerialException(errno.EACCES, "could not open port: Permission denied")

    monkeypatch.setattr(serial, "serial_for_url", refuse)
    told = r"^/dev/ttyS0: cannot open the port: permission denied \(give the user .* dialout\)$"
    with pytest.raises(LinkError, match=told) as caught:
        SerialLink("/dev/ttyS0", SETTINGS).open()
    assert caught.value.fault is LinkFault.DENIED


def test_socket_that_nobody_serves_is_absent() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        number = server.getsockname()[1]
    with pytest.raises(LinkError) as caught:
        SerialLink(f"socket://127.0.0.1:{number}", SETTINGS).open()
    assert caught.value.fault is LinkFault.ABSENT


def test_port_that_is_unplugged_is_lost_and_found_again(link: SerialLink, terminal: Terminal) -> None:
    link.open()
    terminal.unplug()
    with pytest.raises(LinkError, match="plug it in again") as caught:
        link.read(1, AMPLE_S)
    assert caught.value.fault is LinkFault.LOST
    with pytest.raises(LinkError):
        link.open()
    fresh = Terminal()
    try:
        again = SerialLink(fresh.name, SETTINGS)
        again.write(b"x")
        assert fresh.receive(1) == b"x"
        again.close()
    finally:
        fresh.unplug()


def test_connection_that_the_server_closes_is_lost_and_opens_again() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        link = SerialLink(f"socket://127.0.0.1:{server.getsockname()[1]}", SETTINGS)
        link.open()
        peer, _ = server.accept()
        peer.close()
        with pytest.raises(LinkError) as caught:
            link.read(1, AMPLE_S)
        assert caught.value.fault is LinkFault.LOST
        link.open()
        peer, _ = server.accept()
        peer.sendall(b"back")
        assert read_exactly(link, 4) == b"back"
        peer.close()
        link.close()


def test_break_on_a_pseudo_terminal_is_no_error(link: SerialLink) -> None:
    link.send_break(0.001)
    assert link.quiet_s() < AMPLE_S


def test_pseudo_terminal_has_no_modem_lines_and_stays_usable(link: SerialLink, terminal: Terminal) -> None:
    with pytest.raises(DeviceError, match="no modem lines"):
        link.modem_lines()
    link.write(b"x")
    assert terminal.receive(1) == b"x"


def test_quiet_time_begins_when_the_last_character_has_left_the_line(link: SerialLink) -> None:
    """At 19200 Bd ten bits take 0.52 ms: a thousand characters keep the line busy for half a second."""
    assert link.quiet_s() == float("inf")
    link.write(bytes(1000))
    assert link.quiet_s() == 0.0


class TestReset:
    def test_wakes_a_read_that_hangs(self, link: SerialLink) -> None:
        link.open()
        outcome: list[object] = []

        def hang() -> None:
            try:
                outcome.append(link.read(1, AMPLE_S))
            except LinkError as error:
                outcome.append(error.fault)

        thread = threading.Thread(target=hang)
        thread.start()
        while link._idle.is_set():
            pass
        link.reset()
        thread.join(AMPLE_S / 2)
        assert outcome in ([LinkFault.LOST], [LinkFault.HUNG])

    def test_opens_a_new_handle_at_the_next_use(self, link: SerialLink, terminal: Terminal) -> None:
        link.open()
        link.reset()
        link.write(b"again")
        assert terminal.receive(5) == b"again"
        assert link.generation == 2

    def test_frees_a_port_whose_call_never_comes_back(self, link: SerialLink, terminal: Terminal) -> None:
        """The handle is left to the hung call, but the port is not locked any more."""
        link.open()
        link._idle.clear()  # as a call that is stuck in the system leaves it
        link.reset()
        link.write(b"again")
        assert terminal.receive(5) == b"again"

    def test_of_a_closed_link_is_nothing(self, link: SerialLink) -> None:
        link.reset()


def test_thread_that_was_replaced_cannot_speak_into_its_successors_conversation(link: SerialLink) -> None:
    link.claim()
    caught: list[LinkFault] = []

    def old_thread() -> None:
        try:
            link.write(b"from the past")
        except LinkError as error:
            caught.append(error.fault)

    thread = threading.Thread(target=old_thread)
    thread.start()
    thread.join()
    assert caught == [LinkFault.HUNG]


class TestByUsbIdentity:
    """``usb:VID:PID[:SERIAL]`` for serial adapters; the ports that are present are made up."""

    @pytest.fixture(autouse=True)
    def present(self, monkeypatch: pytest.MonkeyPatch, terminal: Terminal) -> None:
        ports = [
            SimpleNamespace(vid=0x1209, pid=0x0010, serial_number="A1", device=terminal.name),
            SimpleNamespace(vid=0x1209, pid=0x0011, serial_number="B1", device="/dev/nowhere1"),
            SimpleNamespace(vid=0x1209, pid=0x0011, serial_number="B2", device="/dev/nowhere2"),
            SimpleNamespace(vid=None, pid=None, serial_number=None, device="/dev/ttyS0"),
        ]
        monkeypatch.setattr(list_ports, "comports", lambda: ports)

    def test_the_one_that_fits_is_opened(self, terminal: Terminal) -> None:
        link = serial_link("usb:1209:0010", SETTINGS)
        link.write(b"x")
        assert terminal.receive(1) == b"x"
        link.close()

    def test_adapter_that_comes_back_under_another_name_is_found(
        self, monkeypatch: pytest.MonkeyPatch, terminal: Terminal
    ) -> None:
        link = serial_link("usb:1209:0010:A1", SETTINGS)
        link.open()
        elsewhere = Terminal()  # before the first is gone, so that it gets another number
        assert elsewhere.name != terminal.name
        terminal.unplug()
        with pytest.raises(LinkError):
            link.read(1, AMPLE_S)
        moved = SimpleNamespace(vid=0x1209, pid=0x0010, serial_number="A1", device=elsewhere.name)
        monkeypatch.setattr(list_ports, "comports", lambda: [moved])
        link.write(b"x")
        assert elsewhere.receive(1) == b"x"
        link.close()
        elsewhere.unplug()

    def test_driver_of_both_wires_gets_the_adapter_where_the_port_says_serial(self, terminal: Terminal) -> None:
        """``usb:`` alone would look for a USB device of the driver's own class behind the adapter's numbers."""
        driver = Registry(user_folder=Path("/nonexistent"), entries=()).find("scpi-meter")
        meter = build_instrument(POWER_METER, driver, "usb-serial:1209:0010:A1", name="m", pool=LinkPool())
        assert isinstance(meter.runner.link, SerialLink)
        meter.runner.link.write(b"x")
        assert terminal.receive(1) == b"x"
        meter.runner.link.close()

    def test_serial_number_must_fit_too(self) -> None:
        with pytest.raises(LinkError) as caught:
            serial_link("usb:1209:0010:ZZ", SETTINGS).open()
        assert caught.value.fault is LinkFault.ABSENT

    def test_two_that_fit_are_told_apart_by_serial_number_only(self) -> None:
        with pytest.raises(LinkError, match="present are B1, B2"):
            serial_link("usb:1209:0011", SETTINGS).open()
        with pytest.raises(LinkError, match="no such file"):
            serial_link("usb:1209:0011:B2", SETTINGS).open()


@pytest.mark.parametrize(
    ("port", "wires"),
    [
        ("/dev/ttyUSB0", (Wire.SERIAL,)),
        ("socket://host:4001", (Wire.SERIAL,)),
        ("rfc2217://host:4001?ign_set_control", (Wire.SERIAL,)),
        ("usb:1209:0001", (Wire.USB, Wire.SERIAL)),
        ("usb:1209:0001:SIM0001", (Wire.USB, Wire.SERIAL)),
        ("usb-serial:0403:6001", (Wire.SERIAL,)),
        ("usb-serial:0403:6001:A1B2C3", (Wire.SERIAL,)),
        ("usbip://127.0.0.1:3240/1209:0001:SIM0001", (Wire.USB,)),
        ("socket://[::1]:4001", (Wire.SERIAL,)),
        ("rfc2217://[fe80::1%eth0]:4001", (Wire.SERIAL,)),
        ("usbip://[::1]:3240/1209:0001", (Wire.USB,)),
    ],
)
def test_port_is_known_by_its_form(port: str, wires: tuple[Wire, ...]) -> None:
    assert wires_of(port) == wires


@pytest.mark.parametrize(
    "port",
    [
        "",
        "ttyUSB0",
        "COM3",
        "usb:1209",
        "usb:12:34",
        "usb-serial:0403",
        "usbip://host/1209:0001",
        "http://x:1",
        "socket://::1:4001",
        "rfc2217://fe80::1:4001",
        "socket://[::1]",
        "socket://127.0.0.1:99999",
        "socket://127.0.0.1:123456",
        "rfc2217://127.0.0.1:0",
        "usbip://127.0.0.1:65536/1209:0001",
    ],
)
def test_what_is_no_port_lists_the_forms(port: str) -> None:
    with pytest.raises(ConfigurationError, match=r"is no port \(write /dev/"):
        wires_of(port)


@pytest.mark.parametrize("form", ["socket://[::1]:{}", "socket://localhost:{}"])
def test_port_of_a_host_is_opened_whether_named_or_numbered(form: str) -> None:
    """RFC 3986, 3.2.2: an IPv6 address stands in brackets."""
    family = socket.AF_INET6 if "::1" in form else socket.AF_INET
    try:
        listener = socket.create_server(("::1" if family is socket.AF_INET6 else "127.0.0.1", 0), family=family)
    except OSError:
        pytest.skip("no IPv6 here")
    with listener:
        link = serial_link(form.format(listener.getsockname()[1]), SETTINGS)
        link.open()
        peer, _ = listener.accept()
        peer.sendall(b"x")
        assert link.read(1, 2.0) == b"x"
        link.close()
        peer.close()


def test_usbip_host_in_brackets_is_taken_without_them(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[object] = []

    def refuse(address: object, *_: object) -> socket.socket:
        asked.append(address)
        raise ConnectionRefusedError(errno.ECONNREFUSED, "refused")

    monkeypatch.setattr(socket, "create_connection", refuse)
    with pytest.raises(LinkError):
        usb_link("usbip://[::1]:3240/1209:0001", UsbInterface(0xFE, 0x03)).open()
    assert asked == [("::1", 3240)]


def test_port_of_the_other_wire_is_refused() -> None:
    with pytest.raises(ConfigurationError, match="no USB device"):
        usb_link("usb-serial:0403:6001", UsbInterface(0xFE, 0x03))
    with pytest.raises(ConfigurationError, match="no serial port"):
        serial_link("usbip://127.0.0.1:3240/1209:0001", SETTINGS)
    with pytest.raises(ConfigurationError, match="no USB device"):
        usb_link("/dev/ttyUSB0", UsbInterface(0xFE, 0x03))


def test_settings_know_the_time_of_a_character() -> None:
    """SDI-12: 1200 Bd 7E1, ten bits, 8.33 ms."""
    assert SerialSettings(1200, 7, "E").character_s == pytest.approx(0.008333, rel=1e-4)
    assert SerialSettings(9600, 8, "N", 2).character_s == pytest.approx(11 / 9600)
