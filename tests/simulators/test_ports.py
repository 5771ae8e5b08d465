"""Serial ports of the simulated bench, opened by pyserial as any host would."""

import contextlib
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import serial
from lampwarden.simulators.device import Outgoing
from lampwarden.simulators.faults import Fault, FaultBox, FaultySerial
from lampwarden.simulators.ports import Port, PtyPort, SocketPort
from lampwarden.simulators.rfc2217_port import LineSettings, Rfc2217Port
from support.time_source import FastTime

# pyserial 3.5 names its RFC 2217 thread by methods that Python has since deprecated
pytestmark = pytest.mark.filterwarnings("ignore:set(Daemon|Name)\\(\\) is deprecated:DeprecationWarning")

SPEED = 50.0


class Echo:
    """Answers every ``!`` with what came before it, some bench seconds later."""

    def __init__(self, delay_s: float = 0.5) -> None:
        self.delay_s = delay_s
        self.breaks: list[float] = []
        self._heard = b""

    def receive(self, data: bytes, now_s: float) -> list[Outgoing]:
        self._heard += data
        out = []
        while b"!" in self._heard:
            command, _, self._heard = self._heard.partition(b"!")
            out.append(Outgoing(now_s + self.delay_s, command + b"\r\n"))
        return out

    def line_break(self, now_s: float) -> list[Outgoing]:
        self.breaks.append(now_s)
        return []


@pytest.fixture
def boxed() -> FaultySerial:
    return FaultySerial(Echo(), FaultBox())


@pytest.fixture(params=["pty", "socket", "rfc2217"])
def port(request: pytest.FixtureRequest, boxed: FaultySerial, tmp_path: Path) -> Iterator[Port]:
    kinds: dict[str, Callable[[], Port]] = {
        "pty": lambda: PtyPort(boxed, FastTime(SPEED), tmp_path / "line"),
        "socket": lambda: SocketPort(boxed, FastTime(SPEED)),
        "rfc2217": lambda: Rfc2217Port(boxed, FastTime(SPEED)),
    }
    with kinds[request.param]() as made:
        yield made


def opened(port: Port, **settings: object) -> serial.Serial:
    return serial.serial_for_url(port.url, timeout=5.0, **settings)


def leave(line: serial.Serial) -> None:
    """Close a port whose other end is gone; pyserial 3.5 then forgets to close its socket."""
    lost = getattr(line, "_socket", None)
    with contextlib.suppress(serial.SerialException, OSError):
        line.close()
    if lost is not None:
        lost.close()


def wait_for(condition: Callable[[], bool]) -> None:
    deadline = time.monotonic() + 5.0
    while not condition():
        assert time.monotonic() < deadline, "it never happened"
        time.sleep(0.005)  # noqa: TID251 - a port in real time has no clock to wait on


def test_answer_comes_back(port: Port) -> None:
    with opened(port) as line:
        line.write(b"one!two!")
        assert line.read_until(b"\n") == b"one\r\n"
        assert line.read_until(b"\n") == b"two\r\n"


def test_any_byte_passes_unchanged(port: Port) -> None:
    every = bytes(byte for byte in range(256) if byte != ord("!"))
    with opened(port) as line:
        line.write(every + b"!")
        assert line.read(len(every) + 2) == every + b"\r\n"


def test_answer_is_sent_no_earlier_than_it_is_due(tmp_path: Path) -> None:
    clock = FastTime(SPEED)
    with PtyPort(Echo(delay_s=20.0), clock, tmp_path / "line") as port, opened(port) as line:
        asked_s = clock.monotonic()
        line.write(b"x!")
        assert line.read_until(b"\n") == b"x\r\n"
        assert clock.monotonic() - asked_s >= 20.0


def test_answers_leave_in_the_order_of_their_times(tmp_path: Path) -> None:
    class Backwards(Echo):
        def receive(self, data: bytes, now_s: float) -> list[Outgoing]:
            return [Outgoing(now_s + 4.0, b"late\n"), Outgoing(now_s + 1.0, b"early\n")]

    with PtyPort(Backwards(), FastTime(SPEED), tmp_path / "line") as port, opened(port) as line:
        line.write(b"x")
        assert line.read_until(b"late\n") == b"early\nlate\n"


@pytest.mark.slow
def test_port_can_be_opened_again_after_its_host_has_left(port: Port) -> None:
    for word in (b"one", b"two"):
        with opened(port) as line:
            line.write(word + b"!")
            assert line.read_until(b"\n") == word + b"\r\n"


@pytest.mark.slow
def test_unplugged_port_is_gone_and_comes_back_under_its_name(port: Port, boxed: FaultySerial) -> None:
    name = port.url
    line = opened(port)
    boxed.faults.switch_on(Fault.UNPLUGGED)
    assert port.wait_unplugged()
    with contextlib.suppress(serial.SerialException, OSError):
        line.timeout = 0.2
        line.write(b"x!")
        assert line.read(1) == b""
    leave(line)
    with pytest.raises((serial.SerialException, OSError)):
        opened(port)
    boxed.faults.switch_off(Fault.UNPLUGGED)
    assert port.wait_plugged()
    assert port.url == name
    with opened(port) as line:
        line.write(b"back!")
        assert line.read_until(b"\n") == b"back\r\n"


def test_babbling_port_sends_by_itself(port: Port, boxed: FaultySerial) -> None:
    with opened(port) as line:
        boxed.faults.switch_on(Fault.BABBLE)
        assert len(line.read(50)) == 50


def test_server_answers_for_itself_while_its_device_hangs(boxed: FaultySerial) -> None:
    with Rfc2217Port(boxed, FastTime(SPEED)) as port, opened(port) as line:
        boxed.faults.switch_on(Fault.HANG)
        line.timeout = 0.2  # pyserial negotiates this with the server
        line.write(b"x!")
        assert line.read(1) == b""


@pytest.mark.parametrize("port", ["pty", "socket"], indirect=True)
def test_hung_port_takes_nothing_until_it_is_released(port: Port, boxed: FaultySerial) -> None:
    with opened(port) as line:
        boxed.faults.switch_on(Fault.HANG)
        line.write(b"x!")
        line.timeout = 0.2
        assert line.read(1) == b""
        boxed.faults.switch_off()
        line.timeout = 5.0
        assert line.read_until(b"\n") == b"x\r\n", "it was read when the device came back"


def test_closing_twice_and_unread_output_harm_nothing(tmp_path: Path) -> None:
    port = PtyPort(Echo(delay_s=0.0), FastTime(SPEED), tmp_path / "line").start()
    with opened(port) as line:
        for _ in range(40):
            line.write(b"x" * 500 + b"!")  # more than a terminal holds, and nobody reads
    port.close()
    port.close()
    assert not (tmp_path / "line").exists()


def test_break_reaches_the_device_through_rfc2217() -> None:
    device = Echo()
    with Rfc2217Port(device, FastTime(SPEED)) as port, opened(port) as line:
        line.break_condition = True
        line.break_condition = False
        wait_for(lambda: len(device.breaks) == 1)


def test_modem_lines_reach_the_host_through_rfc2217() -> None:
    with Rfc2217Port(Echo(), FastTime(SPEED)) as port, opened(port) as line:
        assert not line.cts
        port.set_lines(cts=True, cd=True)
        wait_for(lambda: bool(line.cts and line.cd))
        assert not line.dsr
        port.set_lines(cts=False)
        wait_for(lambda: not line.cts)
        assert line.cd
        with pytest.raises(ValueError, match="no modem line dtr"):
            port.set_lines(dtr=True)


@pytest.mark.slow
def test_line_settings_that_do_not_fit_the_device_get_no_answer() -> None:
    expects = LineSettings(1200, 7, "E", 1)
    with Rfc2217Port(Echo(), FastTime(SPEED), expects=expects) as port:
        with opened(port, baudrate=9600) as line:
            line.timeout = 0.2
            line.write(b"wrong!unheard")
            assert line.read(1) == b""
        with opened(port, baudrate=1200, bytesize=7, parity="E") as line:
            line.write(b"x!")
            assert line.read_until(b"\n") == b"x\r\n"
