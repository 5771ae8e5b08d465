"""Hand-shakes of spectrometers, scripted. Status byte: IEEE 488.2, 11.2; USB488 1.00, 3.4 and 4.3.1."""

from dataclasses import replace

import pytest
from lampwarden.drivers.links.inline import InlineByteLink
from lampwarden.drivers.message_link import SerialMessageLink
from lampwarden.drivers.readiness import Handshake, Ready
from lampwarden.drivers.scpi_device import ScpiDevice
from lampwarden.drivers.spectrometer import CAPTURE_GRACE_S, ScpiSpectrometer
from lampwarden.drivers.usbtmc_session import UsbtmcSession
from lampwarden.protocol.errors import DeviceError, LinkError, LinkFault, WireError
from support.fakes import FakeUsbLink, FunctionSerial, HandClock
from support.scpi_fake import FakeMessages
from support.spectrometer_script import COMMANDS, block, messages

POLLED = Handshake(
    clear="*CLS",
    start="INIT;*OPC",
    ready=Ready.STATUS_BYTE,
    query="",
    mask=0x20,
    is_set=True,
    poll_s=0.05,
    fetch="FETC?",
)
COUNTS = [1.0, 2.0, 3.0, 4.5]


def waiting(fake: FakeMessages, handshake: Handshake = POLLED) -> ScpiSpectrometer:
    fake.answers["FETC?"] = block(*COUNTS)
    return ScpiSpectrometer(ScpiDevice(fake), replace(COMMANDS, capture=handshake))


def test_counts_are_fetched_once_the_bit_is_set_and_not_before() -> None:
    fake = messages()
    fake.statuses = [0, 0, 0x10, 0x20]
    one = waiting(fake)
    assert one.capture(0.1, 1).tolist() == COUNTS
    ended = fake.sent[fake.sent.index("*CLS") :]
    assert ended == ["*CLS", "(status byte)", "INIT", "*OPC", *["(status byte)"] * 3, "FETC?"]
    assert fake.time_s == pytest.approx(0.101 + 2 * 0.05), "the exposure, then two polls"


def test_device_that_was_ready_before_the_start_is_not_believed() -> None:
    fake = messages()
    fake.statuses = [0x20]
    with pytest.raises(DeviceError, match="ready before it was started") as caught:
        waiting(fake).capture(0.1, 1)
    assert "clear" in caught.value.mend
    assert "FETC?" not in fake.sent


@pytest.mark.parametrize("ready", [Ready.STATUS_BYTE, Ready.SERVICE_REQUEST])
def test_device_that_never_gets_ready_is_told_within_the_bound(ready: Ready) -> None:
    fake = messages(sens_aper="2.0")
    one = waiting(fake, replace(POLLED, ready=ready))
    with pytest.raises(DeviceError, match="not ready 3 s after exposures of 4"):
        one.capture(2.0, 2)
    assert 4.0 + CAPTURE_GRACE_S <= fake.time_s <= one.capture_bound_s(2.0, 2)
    assert "FETC?" not in fake.sent
    assert (fake.services > 0) is (ready is Ready.SERVICE_REQUEST)


def test_refused_start_is_told_by_the_devices_error_at_once() -> None:
    """SCPI-99 volume 1, 9.1 (from memory): bit 2 of the status byte is the error queue's."""
    fake = messages()
    fake.statuses = [0, 0x04]
    fake.faulty["INIT"] = '-213,"Init ignored"'
    with pytest.raises(DeviceError, match="-213 Init ignored"):
        waiting(fake).capture(0.1, 1)
    assert fake.time_s < 1.0


def test_condition_register_is_polled_for_a_bit_that_goes_away() -> None:
    """SCPI-99 volume 1, 9.3: bit 4 of the operation status is MEASuring."""
    fake = messages()
    looks = iter(["16", "16", "0"])
    fake.answers["STAT:OPER:COND?"] = lambda _: next(looks)
    handshake = replace(POLLED, ready=Ready.CONDITION, query="STAT:OPER:COND?", mask=16, is_set=False)
    assert waiting(fake, handshake).capture(0.1, 1).tolist() == COUNTS
    assert fake.sent.count("STAT:OPER:COND?") == 3


def test_operation_complete_is_awaited_for_the_exposures_time_and_more() -> None:
    fake = messages(sens_aper="2.0")
    fake.answers["*OPC?"] = "1"
    handshake = replace(POLLED, clear=None, start="INIT", ready=Ready.OPERATION_COMPLETE, query="*OPC?")
    assert waiting(fake, handshake).capture(2.0, 3).tolist() == COUNTS
    assert fake.timeouts_s["*OPC?"] == pytest.approx(3 * 2.001 + CAPTURE_GRACE_S)
    fake.answers["*OPC?"] = "0"
    with pytest.raises(WireError, match="answered by 1 only"):
        waiting(fake, handshake).capture(2.0, 3)


def test_driver_that_averages_shakes_hands_for_each_exposure() -> None:
    fake = messages()
    fake.statuses = [0, 0x20, 0, 0x20, 0, 0x20]
    commands = replace(COMMANDS, capture=POLLED, set_averages=None)
    fake.answers["FETC?"] = block(*COUNTS)
    assert ScpiSpectrometer(ScpiDevice(fake), commands).capture(0.1, 3).tolist() == COUNTS
    assert fake.sent.count("INIT") == 3


def test_serial_line_asks_for_the_status_byte() -> None:
    """IEEE 488.2, 10.36."""
    answers = {b"*IDN?\n": b"LWSIM,X,1,1\n", b"*STB?\n": b"36\n"}
    link = InlineByteLink(FunctionSerial(lambda data: answers.get(data, b"")), HandClock())
    device = ScpiDevice(SerialMessageLink(link))
    assert device.read_status_byte() == 36
    answers[b"*STB?\n"] = b"256\n"
    with pytest.raises(WireError, match="no status byte"):
        device.read_status_byte()
    before_s = device.now_s()
    device.wait_service(0.5)
    device.pause(0.25)
    assert device.now_s() == pytest.approx(before_s + 0.75)


def test_service_request_ends_the_wait_and_other_notes_do_not() -> None:
    link = FakeUsbLink([b"\x85\x04", b"\x81\x60"])
    session = UsbtmcSession(link)
    session.wait_service(5.0)
    assert not link.incoming
    assert link.time_s == 0.0


def test_wait_without_a_service_request_or_an_endpoint_for_it_lasts_as_long_as_asked() -> None:
    link = FakeUsbLink()
    UsbtmcSession(link).wait_service(5.0)
    assert link.time_s == 5.0
    link.endpoints = replace(link.endpoints, interrupt_in=None)
    UsbtmcSession(link).wait_service(2.0)
    assert link.time_s == 7.0


def test_silence_while_polling_is_the_links_fault() -> None:
    fake = messages()
    handshake = replace(POLLED, ready=Ready.CONDITION, query="STAT:OPER:COND?", mask=16, is_set=False)
    with pytest.raises(LinkError) as caught:
        waiting(fake, handshake).capture(0.1, 1)
    assert caught.value.fault is LinkFault.SILENT
