"""The spectrometer on USBTMC: IEEE 488.2 and SCPI-99 in, blocks out; USBTMC 1.00 and USB488 1.00 around them."""

import struct
from itertools import count

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lampwarden.simulators.bench import SimulatedBench
from lampwarden.simulators.device import Outgoing
from lampwarden.simulators.scenario import Scenario
from lampwarden.simulators.usbtmc import UsbSpectrometer

IDN = b"LWSIM,SPECTRO-1,SIM0001,1.0 SIMULATED\n"
BULK_IN_HEADER = 12


class Host:
    """Just enough of a host to talk to the device: written from the standard, sharing nothing with it."""

    def __init__(self) -> None:
        self.device: UsbSpectrometer = SimulatedBench(Scenario.demo(), 5).spectrometer.core
        self.notes: list[Outgoing] = []
        self.device.on_unprompted = self.notes.extend
        self.tags = count(1)
        self.now_s = 10.0

    def out(self, message: bytes, *, eom: bool = True, split: int = 10_000) -> None:
        tag = (next(self.tags) - 1) % 255 + 1
        raw = struct.pack("<BBBBIB3x", 1, tag, tag ^ 0xFF, 0, len(message), eom) + message
        raw += bytes(-len(raw) % 4)
        for begin in range(0, len(raw), split):
            assert self.device.receive(0x01, raw[begin : begin + split], self.now_s) == []

    def request(self, size: int = 1 << 20, stop: int | None = None) -> list[Outgoing]:
        tag = (next(self.tags) - 1) % 255 + 1
        stopping = (0, 0) if stop is None else (2, stop)
        raw = struct.pack("<BBBBIBB2x", 2, tag, tag ^ 0xFF, 0, size, *stopping)
        outgoing = self.device.receive(0x01, raw, self.now_s)
        for item in outgoing:
            assert item.endpoint == 0x81
            assert item.data[:4] == bytes((2, tag, tag ^ 0xFF, 0))
            assert len(item.data) % 4 == 0
            self.now_s = max(self.now_s, item.due_s)
        return outgoing

    def part(self, size: int = 1 << 20, stop: int | None = None) -> tuple[bytes, int]:
        (item,) = self.request(size, stop)
        length = int.from_bytes(item.data[4:8], "little")
        assert len(item.data) == BULK_IN_HEADER + length + (-length % 4)
        return item.data[BULK_IN_HEADER : BULK_IN_HEADER + length], item.data[8]

    def ask(self, message: bytes, size: int = 1 << 20) -> bytes:
        self.out(message)
        answer = b""
        while True:
            part, attributes = self.part(size)
            answer += part
            if attributes & 1:
                return answer

    def interface(self, request: int, value: int = 0, length: int = 2) -> bytes | None:
        return self.device.control(struct.pack("<BBHHH", 0xA1, request, value, 0, length), b"", self.now_s)

    def endpoint(self, request: int, tag: int, address: int) -> bytes | None:
        return self.device.control(struct.pack("<BBHHH", 0xA2, request, tag, address, 2), b"", self.now_s)

    def clear_halt(self, address: int) -> None:
        assert self.device.control(struct.pack("<BBHHH", 0x02, 1, 0, address, 0), b"", self.now_s) == b""


@pytest.fixture
def host() -> Host:
    return Host()


# USBTMC


def test_worked_bytes_of_a_query_are_understood() -> None:
    host = Host()
    assert host.device.receive(0x01, bytes.fromhex("0101fe0006000000010000002a49444e3f0a0000"), 1.0) == []
    (item,) = host.device.receive(0x01, bytes.fromhex("0202fd004000000000000000"), 1.0)
    assert item.data[:12].hex() == f"0202fd00{len(IDN):02x}000000" + "01000000"
    assert item.data[12:].rstrip(b"\0") == IDN


@pytest.mark.parametrize("split", [1, 2, 3, 5, 12, 13, 16, 64])
def test_transfer_may_come_in_any_pieces(host: Host, split: int) -> None:
    host.out(b"*IDN?\n", split=split)
    assert host.part()[0] == IDN


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 40), st.binary(min_size=1, max_size=9).map(lambda raw: bytes(32 + byte % 90 for byte in raw)))
def test_message_may_be_spread_over_several_transfers(split: int, junk: bytes) -> None:
    host = Host()
    host.out(b"*CLS;*ID", eom=False, split=split)
    host.out(b"N?;:SYST", eom=False, split=split)
    host.out(b":ERR?\n", split=split)
    assert host.part()[0] == IDN[:-1] + b';0,"No error"\n'
    host.out(junk.replace(b"?", b"!") + b"\n")
    assert host.ask(b"*IDN?\n") == IDN


def test_host_may_leave_the_padding_out(host: Host) -> None:
    raw = struct.pack("<BBBBIB3x", 1, 1, 0xFE, 0, 5, 1) + b"*IDN?"
    host.device.receive(0x01, raw, 0.0)
    assert host.part()[0] == IDN


@pytest.mark.parametrize("size", [1, 7, 10, 38, 39])
def test_reply_is_cut_to_what_the_host_asks_for(host: Host, size: int) -> None:
    host.out(b"*IDN?\n")
    parts = []
    while True:
        part, attributes = host.part(size)
        parts.append(part)
        assert len(part) <= size
        if attributes & 1:
            break
    assert b"".join(parts) == IDN
    assert len(parts) == -(-len(IDN) // size)


def test_termchar_ends_a_transfer(host: Host) -> None:
    host.out(b"*IDN?\n")
    assert host.part(stop=ord(",")) == (b"LWSIM,", 2)
    assert host.part(stop=ord("\n")) == (b"SPECTRO-1,SIM0001,1.0 SIMULATED\n", 3)


def test_reply_not_read_is_interrupted_by_the_next_message(host: Host) -> None:
    host.out(b"*IDN?\n")
    host.out(b"SYST:ERR?\n")
    assert host.part()[0] == b'-410,"Query INTERRUPTED"\n'


def test_request_without_a_query_stays_unanswered_and_is_an_error(host: Host) -> None:
    assert host.request() == []
    assert host.endpoint(3, 1, 0x81) == b"\x01\x01"
    assert host.ask(b"SYST:ERR?\n") == b'-420,"Query UNTERMINATED"\n'


def test_aborted_input_ends_with_a_short_packet_and_loses_the_reply(host: Host) -> None:
    host.out(b"SENS:APER 5;:READ?\n")
    epoch = host.device.epoch
    (item,) = host.request()
    asked_s, host.now_s = 10.0, 11.0
    assert item.due_s > asked_s + 5.0
    assert host.endpoint(3, 2, 0x81) == b"\x01\x02"
    assert host.device.epoch != epoch, "what was handed out is void"
    assert host.notes == [Outgoing(11.0, b"", 0x81)]
    assert host.endpoint(4, 0, 0x81)[:1] == b"\x01"
    assert host.ask(b"*IDN?\n") == IDN


def test_abort_of_another_tag_is_refused(host: Host) -> None:
    host.out(b"SENS:APER 5;:READ?\n")
    host.request()
    host.now_s = 11.0
    assert host.endpoint(3, 77, 0x81) == b"\x81\x02"
    assert host.notes == []


def test_aborted_output_is_forgotten(host: Host) -> None:
    raw = struct.pack("<BBBBIB3x", 1, 9, 0xF6, 0, 100, 1) + b"*RST;SENS"
    host.device.receive(0x01, raw, 0.0)
    assert host.endpoint(1, 9, 0x01) == b"\x01\x09"
    assert host.endpoint(2, 0, 0x01)[:1] == b"\x01"
    host.clear_halt(0x01)
    assert host.ask(b"*IDN?\n") == IDN


def test_clear_empties_everything_and_halts_bulk_out_until_the_host_clears_it(host: Host) -> None:
    host.out(b"*IDN?\n")
    assert host.interface(5) == b"\x01"
    assert host.interface(6) == b"\x01\x00"
    assert host.device.halted == {0x01}
    host.out(b"*IDN?\n")
    assert host.request() == [], "halted"
    host.clear_halt(0x01)
    assert host.ask(b"SENS:AVER:COUN?\n") == b"1\n"


def test_nonsense_on_bulk_out_halts_the_endpoint(host: Host) -> None:
    host.device.receive(0x01, bytes(range(32)), 0.0)
    assert host.device.halted == {0x01}
    host.clear_halt(0x01)
    assert host.ask(b"*IDN?\n") == IDN


def test_endless_message_is_refused(host: Host) -> None:
    host.device.receive(0x01, struct.pack("<BBBBIB3x", 1, 1, 0xFE, 0, 1 << 30, 1), 0.0)
    host.clear_halt(0x01)
    assert host.ask(b"SYST:ERR?\n") == b'-363,"Input buffer overrun"\n'


def test_capabilities_name_usbtmc_and_usb488(host: Host) -> None:
    capabilities = host.interface(7, length=24)
    assert len(capabilities) == 24
    assert capabilities[0] == 1
    assert capabilities[2:4] == capabilities[12:14] == b"\x00\x01"  # 1.00
    assert capabilities[5] & 1, "TermChar"


def test_status_byte_comes_through_the_interrupt_endpoint(host: Host) -> None:
    host.out(b"NONSENSE\n")
    assert host.interface(128, value=5, length=3) == b"\x01\x05\x00"
    assert host.notes == [Outgoing(10.0, b"\x85\x04", 0x82)]
    assert host.interface(128, value=1, length=3)[0] == 0x80, "tags 0 and 1 are not allowed"


def test_service_request_is_sent_once_when_the_status_first_asks_for_it(host: Host) -> None:
    host.out(b"*ESE 32;*SRE 32\n")
    host.out(b"NONSENSE\n")
    host.out(b"NONSENSE\n")
    assert [note.data for note in host.notes] == [b"\x81\x64"]


def test_unknown_requests_stall(host: Host) -> None:
    assert host.interface(99) is None
    assert host.device.control(struct.pack("<BBHHH", 0xC0, 1, 0, 0, 4), b"", 0.0) is None


# SCPI


@pytest.mark.parametrize(
    "message",
    [b"SENS:APER 0.02;APER?\n", b"sense:aperture 20ms;:SENSE:APERTURE?\n", b":SENS:APER 2E4US;:sens:aper?\n"],
)
def test_long_and_short_forms_in_either_case_do_the_same(host: Host, message: bytes) -> None:
    assert float(host.ask(message)) == pytest.approx(0.02)


@pytest.mark.parametrize("header", [b"SENSE:APERTUR?", b"SEN:APER?", b"SENS:APERT?", b"SENSAPER?", b"FETCHE?", b"*IDN"])
def test_no_other_abbreviations_are_accepted(host: Host, header: bytes) -> None:
    host.out(header + b"\n")
    assert host.ask(b"SYST:ERR:NEXT?\n") == b'-113,"Undefined header"\n'


def test_chain_goes_on_from_the_last_node_and_a_common_command_does_not_change_that(host: Host) -> None:
    assert host.ask(b"SENS:AVER:COUN 7;*ESE 0;COUN?;:INP OFF;:INP:STAT?;:INP ON;:INP?\n") == b"7;0;1\n"


def test_limits_of_the_integration_time_are_told_and_kept(host: Host) -> None:
    low, high = host.ask(b"SENS:APER? MIN;APER? MAX\n").split(b";")
    assert (float(low), float(high)) == (10e-6, 10.0)
    host.out(b"SENS:APER 11\n")
    assert host.ask(b"SYST:ERR?\n") == b'-222,"Data out of range"\n'


@pytest.mark.parametrize(
    ("message", "error", "bit"),
    [
        (b"SENS:APER\n", b'-109,"Missing parameter"', 0x20),
        (b"SENS:APER one\n", b'-104,"Data type error"', 0x20),
        (b"*IDN? 1\n", b'-108,"Parameter not allowed"', 0x20),
        (b"INP:STAT MAYBE\n", b'-224,"Illegal parameter value"', 0x10),
        (b"FETC?\n", b'-230,"Data corrupt or stale"', 0x10),
        (b"FORM:DATA ASC\n", b'-224,"Illegal parameter value"', 0x10),
    ],
)
def test_error_goes_to_the_queue_and_sets_its_bit(host: Host, message: bytes, error: bytes, bit: int) -> None:
    host.out(b"*CLS\n")
    host.out(message)
    assert host.ask(b"*ESR?\n") == b"%d\n" % bit
    assert host.ask(b"SYST:ERR?;ERR?\n") == error + b';0,"No error"\n'


def test_full_error_queue_ends_with_overflow_and_cls_empties_it(host: Host) -> None:
    for _ in range(20):
        host.out(b"NONSENSE\n")
    errors = [host.ask(b"SYST:ERR?\n") for _ in range(17)]
    assert errors[0] == b'-113,"Undefined header"\n'
    assert errors[15] == b'-350,"Queue overflow"\n'
    assert errors[16] == b'0,"No error"\n'
    host.out(b"NONSENSE;*CLS\n")
    host.out(b"*CLS\n")
    assert host.ask(b"SYST:ERR?\n") == b'0,"No error"\n'


def test_status_byte_sums_up(host: Host) -> None:
    host.out(b"*ESE 32;NONSENSE\n")
    assert int(host.ask(b"*STB?\n")) & 0x24 == 0x24
    assert host.ask(b"*OPC;*ESR?\n").strip().isdigit()


def test_capture_is_a_definite_block_that_is_ready_after_the_exposure(host: Host) -> None:
    asked_s = host.now_s
    block = host.ask(b"SENS:APER 0.25;AVER:COUN 4;:READ?\n")
    assert block[:6] == b"#48192"  # 2048 × 4 bytes
    assert len(block) == 6 + 8192 + 1
    assert host.now_s - asked_s == pytest.approx(4 * 0.251, abs=0.02)


def test_byte_order_can_be_chosen(host: Host) -> None:
    small = np.frombuffer(host.ask(b"INP OFF;:SENS:APER 0.1;AVER:COUN 200;:READ?\n")[6:-1], "<f4")
    big = np.frombuffer(host.ask(b"FORM:BORD NORM;:READ?\n")[6:-1], ">f4")
    assert small.mean() == pytest.approx(big.mean(), rel=1e-3)
    assert host.ask(b"FORM:BORD?\n") == b"NORM\n"


def test_initiated_capture_is_fetched_as_often_as_wanted(host: Host) -> None:
    host.out(b"SENS:APER 1;:INIT\n")
    started_s = host.now_s
    first = host.ask(b"FETC?\n")
    assert host.now_s - started_s >= 1.0
    fetched_s = host.now_s
    assert host.ask(b"FETC?\n") == first
    assert host.now_s - fetched_s < 0.1


def test_operation_complete_waits_for_the_capture(host: Host) -> None:
    host.out(b"SENS:APER 2;:INIT\n")
    started_s = host.now_s
    assert host.ask(b"*OPC?\n") == b"1\n"
    assert host.now_s - started_s >= 2.0


def test_reset_returns_to_the_defaults(host: Host) -> None:
    host.out(b"SENS:APER 2;AVER:COUN 9;:INP OFF;:FORM:BORD NORM\n")
    host.out(b"*RST\n")
    assert host.ask(b"SENS:APER?;AVER:COUN?;:INP?;:FORM:BORD?\n") == b"1.000000000E-01;1;1;SWAP\n"


def test_device_tells_its_pixels_full_scale_and_wavelengths(host: Host) -> None:
    assert host.ask(b"SENS:PIX:COUN?;:SENS:RANG:UPP?\n") == b"2048;65535\n"
    coefficients = [float(each) for each in host.ask(b"CAL:WAV:POL?\n").split(b",")]
    nm = np.polynomial.polynomial.polyval(np.arange(2048), coefficients)
    assert len(coefficients) == 4
    assert 338 < nm[0] < 342
    assert 845 < nm[-1] < 855
    assert np.all(np.diff(nm) > 0.2)


@settings(max_examples=60, deadline=None)
@given(st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=60))
def test_any_message_is_carried_out_or_queued_as_an_error(message: str) -> None:
    host = Host()
    host.out(message.encode("ascii") + b"\n")
    host.interface(5)
    host.clear_halt(0x01)
    assert host.ask(b"*CLS;*IDN?\n") == IDN
