"""Faults by name, on devices called directly; faults of ports are tested with the ports."""

import struct

import pytest
from lampwarden.simulators.bench import INSTRUMENTS, SimulatedBench
from lampwarden.simulators.faults import Fault, faults_of
from lampwarden.simulators.modbus import crc_of as modbus_crc
from lampwarden.simulators.scenario import Scenario
from lampwarden.simulators.sdi12 import crc_of as sdi12_crc

REQUEST = bytes.fromhex("010400000002")
REQUEST += modbus_crc(REQUEST)
IDN = struct.pack("<BBBBIB3x", 1, 1, 0xFE, 0, 6, 1) + b"*IDN?\n\0\0" + struct.pack("<BBBBIB3x", 2, 2, 0xFD, 0, 99, 0)


@pytest.fixture
def bench() -> SimulatedBench:
    return SimulatedBench(Scenario.demo(), 1)


def meter(bench: SimulatedBench, now_s: float = 0.0) -> list[bytes]:
    return [item.data for item in bench.power_meter.receive(REQUEST, now_s)]


def idn(bench: SimulatedBench) -> list[bytes]:
    return [item.data for item in bench.spectrometer.receive(0x01, IDN, 0.0)]


def test_every_instrument_has_a_box_of_its_own(bench: SimulatedBench) -> None:
    assert set(bench.faults) == set(INSTRUMENTS)
    for name in INSTRUMENTS:
        assert faults_of(getattr(bench, name)) is bench.faults[name]
    bench.faults["quantum"].switch_on(Fault.SILENT)
    assert len(meter(bench)) == 1


@pytest.mark.parametrize("fault", [Fault.SILENT, Fault.HANG])
def test_silent_and_hung_devices_answer_nothing_and_recover(bench: SimulatedBench, fault: Fault) -> None:
    for name in INSTRUMENTS:
        bench.faults[name].switch_on(fault)
    assert meter(bench) == []
    assert bench.quantum.receive(b"0!", 0.0) == []
    assert idn(bench) == []
    pressed: list = []
    bench.foot_switch.on_unprompted = pressed.append
    bench.foot_switch.press(0.0)
    assert pressed == []
    for name in INSTRUMENTS:
        bench.faults[name].switch_off()
    assert len(meter(bench)) == 1
    assert bench.quantum.receive(b"0!", 0.0)[0].data == b"0\r\n"


def test_late_answer_comes_late(bench: SimulatedBench) -> None:
    bench.faults["power_meter"].switch_on(Fault.LATE)
    (item,) = bench.power_meter.receive(REQUEST, 10.0)
    assert item.due_s >= 15.0


def test_answer_of_another_unit_has_a_right_crc(bench: SimulatedBench) -> None:
    bench.faults["power_meter"].switch_on(Fault.WRONG)
    (answer,) = meter(bench)
    assert answer[0] == 2
    assert modbus_crc(answer[:-2]) == answer[-2:]


def test_answer_of_another_sdi12_address_has_a_right_crc(bench: SimulatedBench) -> None:
    bench.faults["quantum"].switch_on(Fault.WRONG)
    (answer,) = bench.quantum.receive(b"0RC0!", 0.0)
    assert answer.data[:1] == b"9"
    assert sdi12_crc(answer.data[:-5]) == answer.data[-5:-2]


def test_bad_crc_is_one_bit_away_from_a_good_answer(bench: SimulatedBench) -> None:
    twin = SimulatedBench(Scenario.demo(), 1)
    (good,) = meter(twin)
    bench.faults["power_meter"].switch_on(Fault.BAD_CRC)
    (bad,) = meter(bench)
    assert sum((a ^ b).bit_count() for a, b in zip(good, bad, strict=True)) == 1
    assert modbus_crc(bad[:-2]) != bad[-2:]


def test_garbage_has_the_length_and_not_the_bytes(bench: SimulatedBench) -> None:
    (good,) = meter(bench)
    bench.faults["power_meter"].switch_on(Fault.GARBAGE)
    (bad,) = meter(bench)
    assert len(bad) == len(good)
    assert modbus_crc(bad[:-2]) != bad[-2:]


def test_babble_precedes_the_answer(bench: SimulatedBench) -> None:
    (good,) = meter(SimulatedBench(Scenario.demo(), 1))
    bench.faults["power_meter"].switch_on(Fault.BABBLE)
    (noisy,) = meter(bench)
    assert noisy.endswith(good)
    assert len(noisy) > len(good)


def test_wrong_tag_on_usb_keeps_its_complement(bench: SimulatedBench) -> None:
    bench.faults["spectrometer"].switch_on(Fault.WRONG)
    (answer,) = idn(bench)
    assert answer[:3] == b"\x02\x03\xfc"


def test_stalled_spectrometer_refuses_requests_and_its_bulk_endpoint(bench: SimulatedBench) -> None:
    capabilities = struct.pack("<BBHHH", 0xA1, 7, 0, 0, 24)
    bench.faults["spectrometer"].switch_on(Fault.STALL)
    assert bench.spectrometer.control(capabilities, b"", 0.0) is None
    assert bench.spectrometer.halted == {0x01}
    assert bench.spectrometer.control(struct.pack("<BBHHH", 2, 1, 0, 1, 0), b"", 0.0) == b""
    assert idn(bench) == []
    bench.faults["spectrometer"].switch_off()
    assert bench.spectrometer.halted == set()
    assert len(idn(bench)) == 1


def test_unplugged_device_called_directly_is_not_there(bench: SimulatedBench) -> None:
    for name in INSTRUMENTS:
        bench.faults[name].switch_on(Fault.UNPLUGGED)
    with pytest.raises(OSError, match="unplugged"):
        meter(bench)
    with pytest.raises(OSError, match="unplugged"):
        idn(bench)
    with pytest.raises(OSError, match="unplugged"):
        bench.foot_switch.control(bytes(8), b"", 0.0)


def test_faults_can_be_combined_and_ended_one_by_one(bench: SimulatedBench) -> None:
    box = bench.faults["power_meter"]
    box.switch_on(Fault.LATE, Fault.BABBLE)
    box.switch_off(Fault.LATE)
    assert Fault.BABBLE in box
    assert Fault.LATE not in box
    box.switch_off()
    assert not box
