"""A whole bench on ports."""

from pathlib import Path

import pytest
import serial
import usb.core
from lampwarden.drivers.links.usbip_backend import UsbIpBackend
from lampwarden.simulators.bench import SimulatedBench
from lampwarden.simulators.modbus import crc_of
from lampwarden.simulators.scenario import Scenario
from lampwarden.simulators.serving import ServedBench
from support.time_source import FastTime


@pytest.mark.slow
@pytest.mark.parametrize("on_terminals", [True, False])
def test_every_instrument_is_reached_under_its_url(tmp_path: Path, *, on_terminals: bool) -> None:
    bench = SimulatedBench(Scenario.demo(), 1)
    with ServedBench(bench, FastTime(50.0), tmp_path if on_terminals else None) as served:
        urls = served.urls
        assert set(urls) == {"quantum", "power_meter", "air_line", "spectrometer", "foot_switch"}
        with serial.serial_for_url(urls["quantum"], timeout=5.0) as line:
            line.write(b"0I!")
            assert line.read_until(b"\n").endswith(b"SIMULATED\r\n")
        for name, unit in (("power_meter", 1), ("air_line", 11), ("air_line", 12)):
            request = bytes((unit, 4, 0, 0, 0, 2))
            with serial.serial_for_url(urls[name], timeout=5.0) as line:
                line.write(request + crc_of(request))
                assert line.read(9)[:3] == bytes((unit, 4, 4))
        host, number = urls["spectrometer"].removeprefix("usbip://").split("/")[0].split(":")
        for product in (1, 2):
            found = usb.core.find(backend=UsbIpBackend(host, int(number), 0x1209, product))
            assert found.idProduct == product
    assert list(tmp_path.iterdir()) == []


def test_port_that_cannot_be_opened_leaves_nothing_open(tmp_path: Path) -> None:
    bench = SimulatedBench(Scenario.demo(), 1)
    (tmp_path / "air-line.new").mkdir()
    with pytest.raises(OSError, match="air-line"), ServedBench(bench, FastTime(), tmp_path):
        pass
    assert [path.name for path in tmp_path.iterdir()] == ["air-line.new"]
