"""Third parties' Modbus masters against the simulated meter and air loggers, over pseudo-terminals.

The simulators' wire code shares nothing with the drivers'; here neither side is ours.
"""

import struct
from collections.abc import Iterator
from pathlib import Path

import minimalmodbus
import pytest
from lampwarden.simulators.bench import SimulatedBench
from lampwarden.simulators.faults import Fault
from lampwarden.simulators.ports import PtyPort
from lampwarden.simulators.scenario import Scenario
from pymodbus.client import ModbusSerialClient
from support.time_source import FastTime

SPEED = 20.0
BURNING_S = 2000.0


@pytest.fixture
def bench() -> SimulatedBench:
    bench = SimulatedBench(Scenario.demo(), 1)
    bench.strike(0.0)
    return bench


@pytest.fixture
def meter_path(bench: SimulatedBench, tmp_path: Path) -> Iterator[str]:
    with PtyPort(bench.power_meter, FastTime(SPEED, BURNING_S), tmp_path / "meter", lock=bench.lock) as port:
        yield port.url


@pytest.fixture
def air_path(bench: SimulatedBench, tmp_path: Path) -> Iterator[str]:
    with PtyPort(bench.air_line, FastTime(SPEED, BURNING_S), tmp_path / "air", lock=bench.lock) as port:
        yield port.url


@pytest.fixture
def client(meter_path: str) -> Iterator[ModbusSerialClient]:
    with ModbusSerialClient(meter_path, baudrate=19200, timeout=2, retries=0) as client:
        yield client


def test_pymodbus_reads_a_burning_lamp(client: ModbusSerialClient) -> None:
    answer = client.read_input_registers(0, count=12, device_id=1)
    assert not answer.isError()
    decoded = ModbusSerialClient.convert_from_registers(answer.registers, ModbusSerialClient.DATATYPE.FLOAT32)
    voltage, current, power, factor, frequency, energy = decoded
    assert voltage == pytest.approx(230.0, rel=0.01)
    assert power == pytest.approx(277.0, rel=0.03)
    assert power == pytest.approx(voltage * current * factor, rel=0.005)
    assert frequency == pytest.approx(50.0, abs=0.1)
    assert energy > 118.0


def test_pymodbus_reads_the_identification(client: ModbusSerialClient) -> None:
    answer = client.read_device_information(read_code=2, object_id=0, device_id=1)
    assert not answer.isError()
    assert answer.information == {0: b"LWSIM", 1: b"MAINS-1", 2: b"1.0", 6: b"SIMULATED"}


def test_pymodbus_understands_the_exceptions(client: ModbusSerialClient) -> None:
    assert client.read_input_registers(100, count=2, device_id=1).exception_code == 2
    assert client.write_register(0, 1, device_id=1).exception_code == 1
    assert not client.read_input_registers(0, count=2, device_id=1).isError()


def test_minimalmodbus_reads_floats_and_single_registers(meter_path: str) -> None:
    meter = minimalmodbus.Instrument(meter_path, 1)
    meter.serial.baudrate, meter.serial.timeout = 19200, 0.5
    try:
        assert meter.read_float(0, functioncode=4) == pytest.approx(230.0, rel=0.01)
        high, low = meter.read_registers(8, 2, functioncode=4)
        assert struct.unpack(">f", struct.pack(">HH", high, low))[0] == pytest.approx(50.0, abs=0.1)
        with pytest.raises(minimalmodbus.IllegalRequestError):
            meter.read_register(50, functioncode=4)
    finally:
        meter.serial.close()


def test_minimalmodbus_tells_the_two_air_loggers_apart(air_path: str) -> None:
    inside = minimalmodbus.Instrument(air_path, 11)
    inside.serial.baudrate, inside.serial.timeout = 19200, 2
    outside = minimalmodbus.Instrument(inside.serial, 12)
    try:
        warm, cool = (each.read_register(0, 2, functioncode=4, signed=True) for each in (inside, outside))
        assert warm - cool > 4.0
        assert 0 < inside.read_register(1, 2, functioncode=4) < outside.read_register(1, 2, functioncode=4) <= 100
        assert inside.read_register(2, 1, functioncode=4) == pytest.approx(1009.0, abs=5.0)
    finally:
        inside.serial.close()


@pytest.mark.parametrize(
    ("fault", "error"),
    [
        (Fault.SILENT, minimalmodbus.NoResponseError),
        (Fault.BAD_CRC, minimalmodbus.InvalidResponseError),
        (Fault.WRONG, minimalmodbus.InvalidResponseError),
    ],
)
def test_minimalmodbus_takes_the_faults_for_what_they_are(
    meter_path: str, bench: SimulatedBench, fault: Fault, error: type[Exception]
) -> None:
    meter = minimalmodbus.Instrument(meter_path, 1)
    meter.serial.baudrate, meter.serial.timeout = 19200, 0.3
    try:
        bench.faults["power_meter"].switch_on(fault)
        with pytest.raises(error):
            meter.read_float(0, functioncode=4)
        bench.faults["power_meter"].switch_off()
        assert meter.read_float(0, functioncode=4) == pytest.approx(230.0, rel=0.01)
    finally:
        meter.serial.close()
