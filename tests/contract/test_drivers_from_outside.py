"""A driver of another distribution: found by its entry point, held to the same contract as ours."""

import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import TypeVar

import pytest
from lampwarden.drivers.instruments import BenchInstrument, InlinePort, LinkPool, build_instrument
from lampwarden.drivers.links.base import ByteLink, SerialSettings
from lampwarden.drivers.plan import Driver, Plan, SerialPlan
from lampwarden.drivers.registry import Registry
from lampwarden.drivers.roles import QUANTUM_SENSOR, ROLES, Identity, QuantumSensor
from lampwarden.protocol.errors import ConfigurationError, DeviceError, LinkError, WireError
from lampwarden.simulators.device import Outgoing
from support.fakes import HandClock
from support.rigs import EXAMPLE

T = TypeVar("T")

DISTRIBUTION = Path(__file__).parent / "example_driver"


class HexDevice:
    """The invented device, written from its description: answers when a line is whole."""

    def __init__(self, ppfd_umol: float) -> None:
        self.ppfd_umol = ppfd_umol
        self.spoil = False
        self.silent = False
        self._line = b""

    def receive(self, data: bytes, now_s: float) -> list[Outgoing]:
        self._line += data
        if not self._line.endswith(b"\n") or self.silent:
            return []
        question, self._line = self._line, b""
        if question == b"I\n":
            return [Outgoing(now_s + 0.01, b"HEX-1 SIMULATED\n")]
        digits = f"{round(self.ppfd_umol * 100) & 0xFFFFFFFF:08X}"
        check = (sum(digits.encode()) + self.spoil) % 256
        return [Outgoing(now_s + 0.02, f"P{digits}{check:02X}\n".encode())]

    def line_break(self, now_s: float) -> list[Outgoing]:
        return []


@pytest.fixture
def registry(tmp_path: Path) -> Registry:
    return Registry(user_folder=tmp_path, entries=(EXAMPLE,))


def _sensor(registry: Registry, device: HexDevice) -> BenchInstrument[QuantumSensor]:
    port = InlinePort(device, HandClock(), "hex")
    return build_instrument(
        QUANTUM_SENSOR, registry.find(EXAMPLE.name), port, {"baud": 19200}, name="light", pool=LinkPool()
    )


async def test_outside_driver_reads_what_the_device_shows(registry: Registry) -> None:
    sensor = _sensor(registry, HexDevice(-0.25))
    assert (await sensor.open()).simulated
    assert await sensor.call(lambda device: device.read_ppfd_umol()) == pytest.approx(-0.25)


async def test_outside_driver_tells_a_bad_checksum_from_silence(registry: Registry) -> None:
    device = HexDevice(412.5)
    sensor = _sensor(registry, device)
    device.spoil = True
    with pytest.raises(WireError):
        await sensor.call(lambda d: d.read_ppfd_umol())
    device.spoil, device.silent = False, True
    with pytest.raises(LinkError):
        await sensor.call(lambda d: d.read_ppfd_umol())


def test_outside_driver_refuses_an_option_that_it_does_not_know(registry: Registry) -> None:
    with pytest.raises(ConfigurationError, match="baud"):
        registry.find(EXAMPLE.name).plan({"bauds": 9600})


class _Broken:
    """An instrument with a defect in one of its methods."""

    bound_s = 1.0

    def __init__(self, defect: str) -> None:
        self._defect = defect

    def identify(self) -> Identity:
        return self._or_fail("identify", Identity("", "BROKEN-1", "", "", "BROKEN-1"))

    def read_ppfd_umol(self) -> float:
        return self._or_fail("read", 412.5)

    def close(self) -> None: ...

    def _or_fail(self, where: str, value: T) -> T:
        if self._defect == where:
            raise KeyError("no such line")
        return value


def _broken(defect: str) -> BenchInstrument[QuantumSensor]:
    def build(link: ByteLink) -> _Broken:
        if defect == "build":
            raise TypeError("wrong number of arguments")
        return _Broken(defect)

    plan = Plan(serial=SerialPlan(SerialSettings(), build))
    driver = Driver("broken", ROLES["quantum_sensor"], "", lambda _: plan, is_foreign=True)
    port = InlinePort(HexDevice(1.0), HandClock(), "hex")
    return build_instrument(QUANTUM_SENSOR, driver, port, {}, name="light", pool=LinkPool())


def test_drivers_from_outside_are_marked_as_such(registry: Registry) -> None:
    assert registry.find(EXAMPLE.name).is_foreign
    assert not registry.find("modbus-meter").is_foreign


@pytest.mark.parametrize("defect", ["identify", "read"])
async def test_defect_of_an_outside_driver_is_a_fault_of_its_device(
    defect: str, caplog: pytest.LogCaptureFixture
) -> None:
    """It must not end the daemon, and its maker needs the traceback; once, not at each try."""
    sensor = _broken(defect)
    for _ in range(3):
        use = sensor.open() if defect == "identify" else sensor.call(lambda device: device.read_ppfd_umol())
        with pytest.raises(DeviceError, match="its driver broken failed: KeyError: 'no such line'") as caught:
            await use
        assert caught.value.where == "hex"
    assert [record.exc_info is not None for record in caplog.records] == [True]


def test_outside_driver_that_cannot_be_built_is_told_with_its_name() -> None:
    with pytest.raises(ConfigurationError, match="driver broken failed: TypeError: wrong number of arguments"):
        _broken("build")


@pytest.mark.slow
def test_outside_driver_is_found_once_its_distribution_is_installed(tmp_path: Path) -> None:
    source, target = tmp_path / "source", tmp_path / "installed"
    shutil.copytree(DISTRIBUTION, source)  # a build leaves its traces where the sources are
    install = [sys.executable, "-m", "pip", "install", "-q", "--no-deps", "--no-build-isolation", "--no-index"]
    subprocess.run([*install, "--target", str(target), str(source)], check=True, timeout=110)
    listed = subprocess.run(
        [sys.executable, "-c", "from lampwarden.drivers.registry import Registry; print(*Registry().names())"],
        check=True,
        capture_output=True,
        text=True,
        timeout=60,
        env={**os.environ, "PYTHONPATH": os.pathsep.join((str(target), os.environ.get("PYTHONPATH", "")))},
    )
    assert EXAMPLE.name in listed.stdout.split()
