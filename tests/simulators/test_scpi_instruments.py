"""Simulated SCPI instruments: completion, service requests, a spectrometer that must be waited for, serial lines.

IEEE 488.2: *OPC 10.18, *CLS 10.3, *STB? 10.36, status byte 11.2; operation status: SCPI-99 volume 1, 9.3 (from memory).
"""

import struct

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lampwarden.simulators.camera import SpectrometerPlan
from lampwarden.simulators.device import Outgoing
from lampwarden.simulators.meters import Supply
from lampwarden.simulators.scpi_meter import MeterCommands
from lampwarden.simulators.scpi_serial import SerialInstrument
from lampwarden.simulators.scpi_spectrometer import SpectrometerCommands, TriggeredSpectrometerCommands
from lampwarden.simulators.usbtmc import UsbSpectrometer


class SteadyLight:
    plan = SpectrometerPlan()

    def duration_s(self, integration_s: float, averages: int) -> float:
        return averages * integration_s

    def counts(self, start_s: float, integration_s: float, averages: int, *, open_: bool) -> np.ndarray:
        return np.full(2048, 1000.0 + start_s)


@pytest.fixture
def triggered() -> TriggeredSpectrometerCommands:
    return TriggeredSpectrometerCommands(SteadyLight())


def answer(device: SpectrometerCommands, message: str, now_s: float) -> bytes | None:
    reply = device.execute(message, now_s)
    return None if reply is None else reply.data


def test_operation_complete_sets_its_bit_when_the_exposure_is_over(triggered: TriggeredSpectrometerCommands) -> None:
    triggered.execute("*CLS;*ESE 1;:SENS:APER 2;:INIT;*OPC", 10.0)
    assert triggered.status_byte(11.9) & 0x20 == 0
    assert triggered.status_byte(12.0) & 0x20
    assert answer(triggered, "*ESR?", 12.0) == b"1"
    assert triggered.status_byte(13.0) & 0x20 == 0, "reading the register clears it"


def test_cleared_status_forgets_an_announced_completion(triggered: TriggeredSpectrometerCommands) -> None:
    triggered.execute("*ESE 1;:SENS:APER 2;:INIT;*OPC;*CLS", 10.0)
    assert triggered.status_byte(20.0) & 0x20 == 0


def test_condition_register_shows_the_exposure(triggered: TriggeredSpectrometerCommands) -> None:
    triggered.execute("SENS:APER 2;:INIT", 10.0)
    assert answer(triggered, "STAT:OPER:COND?", 11.0) == b"16"
    assert answer(triggered, "STAT:OPER:COND?", 12.0) == b"0"


def test_spectrometer_that_must_be_waited_for_gives_nothing_before_it_is_ready(
    triggered: TriggeredSpectrometerCommands,
) -> None:
    triggered.execute("SENS:APER 2;:INIT", 10.0)
    assert answer(triggered, "FETC?", 11.0) is None
    triggered.execute("INIT", 11.0)
    triggered.execute("READ?", 11.0)
    errors = [answer(triggered, "SYST:ERR?", 11.0) for _ in range(4)]
    assert errors == [
        b'-230,"Data corrupt or stale"',
        b'-213,"Init ignored"',
        b'-113,"Undefined header"',
        b'0,"No error"',
    ]
    assert answer(triggered, "FETC?", 12.0) is not None


def test_completion_requests_service_once_at_its_time(triggered: TriggeredSpectrometerCommands) -> None:
    """USB488 1.00, 3.4: bNotify1 81h, then the status byte with RQS."""
    usb = UsbSpectrometer(triggered)
    notes: list[Outgoing] = []
    usb.on_unprompted = notes.extend

    def send(text: bytes, tag: int, now_s: float) -> None:
        head = struct.pack("<BBBBIB3x", 1, tag, tag ^ 0xFF, 0, len(text), 1)
        usb.receive(0x01, head + text + bytes(-len(text) % 4), now_s)

    send(b"*CLS;*ESE 1;*SRE 32;:SENS:APER 2;:INIT;*OPC\n", 1, 10.0)
    assert notes == [Outgoing(12.0, b"\x81\x60", 0x82)]
    send(b"*ESE 1\n", 2, 11.0)
    send(b"*ESE 1\n", 3, 13.0)
    assert len(notes) == 1
    send(b"*CLS;INIT;*OPC\n", 4, 14.0)
    assert notes[1:] == [Outgoing(16.0, b"\x81\x60", 0x82)]


def test_meter_shows_its_supply() -> None:
    meter = MeterCommands(lambda now_s: Supply(230.0 + now_s, 1.25, 261.5, 0.91, 50.0, 12.0))
    reply = meter.execute("MEAS:VOLT?;:measure:power:ac?;:MEAS:SCAL:FREQ?", 1.0)
    assert reply is not None
    assert [float(each) for each in reply.data.split(b";")] == [231.0, 261.5, 50.0]
    assert reply.ready_s > 1.0


@given(st.lists(st.integers(1, 9), max_size=8))
def test_any_split_of_a_serial_stream_gives_the_same_answers(sizes: list[int]) -> None:
    device = SerialInstrument(SpectrometerCommands(SteadyLight()))
    stream, found = b"*IDN?\r\nSENS:AVER:COUN 7\n*IDN?;:SENS:AVER:COUN?\n", []
    for size in sizes:
        found += device.receive(stream[:size], 1.0)
        stream = stream[size:]
    found += device.receive(stream, 1.0)
    idn = b"LWSIM,SPECTRO-1,SIM0001,1.0 SIMULATED"
    assert [each.data for each in found] == [idn + b"\n", idn + b";7\n"]
    assert found[0].due_s < found[1].due_s


def test_endless_serial_message_is_dropped_with_an_error() -> None:
    device = SerialInstrument(SpectrometerCommands(SteadyLight()))
    assert device.receive(b"x" * 70_000, 1.0) == []
    assert [each.data for each in device.receive(b"SYST:ERR?\n", 1.0)] == [b'-363,"Input buffer overrun"\n']
    device.receive(b"*ID", 1.0)
    device.line_break(1.0)
    assert [each.data for each in device.receive(b"*OPC?\n", 1.0)] == [b"1\n"]
