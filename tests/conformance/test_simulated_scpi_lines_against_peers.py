"""A third party's VISA (pyvisa-py) against the simulated SCPI instruments on serial lines, over pseudo-terminals.

The same instruments are held to the contract with our driver (``tests/contract``): so driver and simulator each have a
judge that shares no code with them.
"""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import pyvisa
from lampwarden.simulators.meters import Supply
from lampwarden.simulators.ports import PtyPort
from lampwarden.simulators.scpi import ScpiInstrument
from lampwarden.simulators.scpi_meter import MeterCommands
from lampwarden.simulators.scpi_serial import SerialInstrument
from lampwarden.simulators.scpi_spectrometer import SpectrometerCommands, TriggeredSpectrometerCommands
from pyvisa.resources import SerialInstrument as Visa
from support.rigs import COUNTS, SteadyLight
from support.time_source import FastTime

pytestmark = pytest.mark.slow

INSTRUMENTS = {
    "meter": lambda: MeterCommands(lambda _now_s: Supply(230.0, 1.25, 261.5, 0.91, 50.0, 12.0)),
    "spectrometer": lambda: SpectrometerCommands(SteadyLight()),
    "triggered": lambda: TriggeredSpectrometerCommands(SteadyLight()),
}


@pytest.fixture
def visa(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Visa]:
    commands: ScpiInstrument = INSTRUMENTS[request.param]()
    manager = pyvisa.ResourceManager("@py")
    with PtyPort(SerialInstrument(commands), FastTime(20.0, 100.0), tmp_path / "tty") as port:
        resource = manager.open_resource(f"ASRL{port.url}::INSTR")
        assert isinstance(resource, Visa)
        resource.read_termination = resource.write_termination = "\n"
        resource.timeout = 20_000
        yield resource
        resource.close()
    manager.close()


@pytest.mark.parametrize("visa", ["meter"], indirect=True)
def test_pyvisa_py_measures_with_the_meter(visa: Visa) -> None:
    assert visa.query("*IDN?") == "LWSIM,METER-1,SIM0009,1.0 SIMULATED"
    assert visa.query_ascii_values("MEAS:VOLT?") == [230.0]
    assert visa.query_ascii_values("MEASURE:POWER?;:MEAS:FREQ?", separator=";") == [261.5, 50.0]
    visa.write("NONSENSE")
    assert visa.query("SYST:ERR?") == '-113,"Undefined header"'
    assert visa.query("SYST:ERR?") == '0,"No error"'


@pytest.mark.parametrize("visa", ["spectrometer"], indirect=True)
@pytest.mark.parametrize("border", ["SWAP", "NORM"])
def test_pyvisa_py_reads_a_spectrum_as_a_block(visa: Visa, border: str) -> None:
    visa.write(f"FORM:DATA REAL,32;BORD {border};:SENS:APER 0.02;AVER:COUN 2")
    found = visa.query_binary_values(
        "READ?", datatype="f", is_big_endian=border == "NORM", container=np.array, expect_termination=True
    )
    assert found.tolist() == COUNTS.tolist()
    assert visa.query("SYST:ERR?") == '0,"No error"'


@pytest.mark.parametrize("visa", ["triggered"], indirect=True)
def test_pyvisa_py_shakes_hands_by_the_status_byte(visa: Visa) -> None:
    visa.write("*CLS;*ESE 1;:SENS:APER 10;AVER:COUN 2;:INIT;*OPC")
    looks = [int(visa.query("*STB?"))]
    while not looks[-1] & 0x20:
        looks.append(int(visa.query("*STB?")))
    assert not looks[0] & 0x20, "twenty seconds of exposure at twenty times the speed"
    assert visa.query_binary_values("FETC?", datatype="f") == COUNTS.tolist()
    assert visa.query("*ESR?") == "1"


@pytest.mark.parametrize("visa", ["triggered"], indirect=True)
def test_pyvisa_py_waits_for_operation_complete(visa: Visa) -> None:
    visa.write("SENS:APER 2;:INIT")
    assert visa.query("*OPC?") == "1"
    assert visa.query_binary_values("FETC?", datatype="f") == COUNTS.tolist()
