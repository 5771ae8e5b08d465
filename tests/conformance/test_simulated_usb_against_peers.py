"""Third parties' USBTMC hosts against the simulated spectrometer, over the virtual USB bus.

python-usbtmc and pyvisa-py speak USBTMC with code of their own; pyusb carries it over the USB/IP backend.
"""

import functools
from collections.abc import Iterator

import numpy as np
import pytest
import usb.core
import usb.util
import usbtmc
from lampwarden.drivers.links.usbip_backend import UsbIpBackend
from lampwarden.simulators.bench import SimulatedBench
from lampwarden.simulators.scenario import Scenario
from lampwarden.simulators.usb_ports import VirtualBus
from pyvisa_py.protocols.usbtmc import USBTMC
from support.time_source import FastTime

IDN = "LWSIM,SPECTRO-1,SIM0001,1.0 SIMULATED"
BURNING_S = 2000.0


@pytest.fixture
def bench() -> SimulatedBench:
    bench = SimulatedBench(Scenario.demo(), 1)
    bench.strike(0.0)
    bench.place_sensor("C2", 0.0)
    return bench


@pytest.fixture
def backend(bench: SimulatedBench) -> Iterator[UsbIpBackend]:
    with VirtualBus([bench.spectrometer], FastTime(20.0, BURNING_S), lock=bench.lock) as bus:
        yield UsbIpBackend("127.0.0.1", bus.number, 0x1209, 0x0001)


@pytest.fixture
def instrument(backend: UsbIpBackend) -> Iterator[usbtmc.Instrument]:
    instrument = usbtmc.Instrument(usb.core.find(backend=backend))
    instrument.open()
    yield instrument
    instrument.close()
    usb.util.dispose_resources(instrument.device)


def test_python_usbtmc_reads_the_capabilities(instrument: usbtmc.Instrument) -> None:
    assert (instrument.bcdUSBTMC, instrument.bcdUSB488) == (0x0100, 0x0100)
    assert instrument.support_term_char
    # its flags of USB488 are left out: version 0.8 takes them from byte 4, not from bytes 14 and 15
    assert not instrument.support_talk_only
    assert not instrument.support_listen_only


def test_python_usbtmc_asks_and_is_answered(instrument: usbtmc.Instrument) -> None:
    assert instrument.ask("*IDN?") == IDN
    instrument.write("SENS:APER 0.02")
    assert float(instrument.ask("SENS:APER?")) == pytest.approx(0.02)
    assert instrument.ask("SYST:ERR?") == '0,"No error"'


def test_python_usbtmc_captures_a_spectrum(instrument: usbtmc.Instrument) -> None:
    raw = instrument.ask_raw(b"SENS:APER 0.02;AVER:COUN 5;:READ?")
    assert raw[:6] == b"#48192"
    counts = np.frombuffer(raw[6 : 6 + 8192], "<f4")
    assert counts.max() > 5000 > counts.min() > 1000


def test_python_usbtmc_collects_a_reply_in_small_transfers(instrument: usbtmc.Instrument) -> None:
    instrument.max_transfer_size = 100
    raw = instrument.ask_raw(b"READ?")
    assert len(raw) >= 6 + 8192


def test_python_usbtmc_reads_the_status_byte(instrument: usbtmc.Instrument) -> None:
    instrument.write("NONSENSE")
    assert instrument.read_stb() == 0x04


def test_python_usbtmc_clears_and_goes_on(instrument: usbtmc.Instrument) -> None:
    instrument.write("*IDN?")
    instrument.clear()
    assert instrument.ask("SENS:PIX:COUN?") == "2048"


def test_python_usbtmc_gets_over_a_time_out(instrument: usbtmc.Instrument) -> None:
    instrument.timeout = 0.2
    with pytest.raises(usb.core.USBError):
        instrument.ask("SENS:APER 10;AVER:COUN 50;:READ?")
    instrument.timeout = 2.0
    instrument.clear()
    assert instrument.ask("*IDN?") == IDN


@pytest.fixture
def session(backend: UsbIpBackend, monkeypatch: pytest.MonkeyPatch) -> Iterator[USBTMC]:
    monkeypatch.setattr(usb.core, "find", functools.partial(usb.core.find, backend=backend))
    session = USBTMC(0x1209, 0x0001, "SIM0001")
    session.timeout = 3000
    yield session
    session.close()


def test_pyvisa_py_asks_and_is_answered(session: USBTMC) -> None:
    session.write(b"*IDN?\n")
    assert session.read(1024).decode().strip("\n\0") == IDN


def test_pyvisa_py_captures_a_spectrum(session: USBTMC) -> None:
    session.write(b"SENS:APER 0.02;:READ?\n")
    raw = session.read(20_000)
    assert raw[:6] == b"#48192"
    assert np.frombuffer(raw[6 : 6 + 8192], "<f4").max() > 5000
