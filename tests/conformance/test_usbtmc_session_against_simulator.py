"""Our USBTMC session and the simulated spectrometer, whose codec is its own: status, aborts, tags, large answers."""

from collections.abc import Iterator

import pytest
from lampwarden.drivers.codecs.scpi import Kind, decode_block
from lampwarden.drivers.links.base import UsbInterface, UsbLink
from lampwarden.drivers.links.factory import usb_link
from lampwarden.drivers.links.inline import InlineUsbLink
from lampwarden.drivers.scpi_device import ScpiDevice
from lampwarden.drivers.usbtmc_session import UsbtmcSession
from lampwarden.protocol.errors import DeviceError, LinkError, LinkFault
from lampwarden.simulators.faults import FaultyUsb
from lampwarden.simulators.usb_ports import VirtualBus
from support.fakes import HandClock
from support.rigs import RIGS
from support.time_source import FastTime


@pytest.fixture(params=["inline", "usbip"])
def link(request: pytest.FixtureRequest) -> Iterator[UsbLink]:
    device = RIGS["spectrometer"]().device
    assert isinstance(device, FaultyUsb)
    if request.param == "inline":
        yield InlineUsbLink(device, HandClock())
        return
    with VirtualBus([device], FastTime(20.0, 100.0)) as bus:
        found = usb_link(bus.url(device), UsbInterface(0xFE, 0x03))
        yield found
        found.close()


@pytest.fixture
def session(link: UsbLink) -> UsbtmcSession:
    return UsbtmcSession(link)


def test_status_byte_tells_of_an_error_in_the_queue(session: UsbtmcSession) -> None:
    """IEEE 488.2 status byte as SCPI-99 uses it: bit 2 is the error queue's."""
    assert session.read_status_byte() & 0x04 == 0
    session.send(b"NO:SUCH:COMMAND\n", 1.0)
    assert session.read_status_byte() & 0x04


def test_tags_go_round_more_than_once(session: UsbtmcSession) -> None:
    for _ in range(300):
        assert session.ask(b"*OPC?\n", Kind.LINE, 1.0, bytes) == b"1"


def test_whole_spectrum_comes_in_one_answer(session: UsbtmcSession) -> None:
    session.send(b"SENS:APER 0.01\n", 1.0)
    for _ in range(3):
        assert len(decode_block(session.ask(b"READ?\n", Kind.BLOCK, 5.0, bytes))) == 4 * 2048


def test_exposure_that_takes_too_long_is_aborted_and_the_next_question_gets_its_own_answer(
    session: UsbtmcSession,
) -> None:
    session.send(b"SENS:APER 10\n", 1.0)
    with pytest.raises(LinkError) as caught:
        session.ask(b"READ?\n", Kind.BLOCK, 0.05, bytes)
    assert caught.value.fault is LinkFault.SILENT
    for _ in range(3):
        assert session.ask(b"SENS:APER?\n", Kind.LINE, 1.0, bytes) == b"1.000000000E+01"


def test_question_that_is_none_is_told_by_the_devices_error(session: UsbtmcSession) -> None:
    device = ScpiDevice(session)
    with pytest.raises(DeviceError, match="-113 Undefined header"):
        device.query("NO:SUCH?", decode=str, timeout_s=0.1)
    assert device.query("*OPC?", decode=str) == "1"


def test_clearing_in_mid_exposure_leaves_a_device_that_answers(session: UsbtmcSession) -> None:
    session.send(b"SENS:APER 10;:INIT\n", 1.0)
    session.clear()
    assert session.ask(b"*IDN?\n", Kind.LINE, 1.0, bytes).startswith(b"LWSIM")


def test_answer_that_meets_its_time_out_is_right_or_silence_and_never_the_next_ones(session: UsbtmcSession) -> None:
    """Two questions in turn, with time-outs from before the device can answer to after it has."""
    right = {b"*OPC?\n": b"1", b"SENS:PIX:COUN?\n": b"2048"}
    outcomes: set[LinkFault | None] = set()
    for timeout_s in [*(0.00005 * n for n in range(20)), 5.0] * 10:
        for question, answer in right.items():
            try:
                assert session.ask(question, Kind.LINE, timeout_s, bytes) == answer
                outcomes.add(None)
            except LinkError as error:
                outcomes.add(error.fault)
    assert outcomes == {None, LinkFault.SILENT}
