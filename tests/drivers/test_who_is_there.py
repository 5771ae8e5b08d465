"""A device is believed as long as it is known to be the same: over losses of the link, moved adapters, shared lines."""

import asyncio
from collections.abc import AsyncIterator, Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from lampwarden.drivers.instruments import BenchInstrument, InlinePort, LinkPool, Port, build_instrument
from lampwarden.drivers.registry import Registry
from lampwarden.drivers.roles import AIR_LOGGER, POWER_METER, AirLogger, PowerMeter
from lampwarden.protocol.errors import DeviceError, LinkError, LinkFault
from lampwarden.simulators.faults import Fault, FaultBox, FaultySerial
from lampwarden.simulators.meters import Supply
from lampwarden.simulators.modbus import ModbusLine, Unit, air_unit, meter_unit
from lampwarden.simulators.ports import PtyPort
from lampwarden.simulators.tent import Air
from serial.tools import list_ports
from support.fakes import HandClock
from support.time_source import FastTime

REGISTRY = Registry(user_folder=Path("/nonexistent"), entries=())
BY_IDENTITY = "usb-serial:1209:0010:ADAPTER7"


def named(unit: Unit, model: str) -> Unit:
    """The unit under another product code (object 01h of the device identification)."""
    return replace(unit, objects={**unit.objects, 1: model.encode()})


def meter_line(power_w: float, model: str = "MAINS-1") -> ModbusLine:
    return ModbusLine({1: named(meter_unit(lambda _: Supply(230.0, 1.25, power_w, 0.91, 50.0, 12.0)), model)})


def air_line(outside: str = "AIR-1", *, outside_c: float = 12.0) -> ModbusLine:
    return ModbusLine(
        {
            11: air_unit(lambda _: Air(25.0, 50.0, 1013.0)),
            12: named(air_unit(lambda _: Air(outside_c, 50.0, 1013.0)), outside),
        }
    )


def power_w(meter: PowerMeter) -> float:
    return meter.read_supply().power_w


def temperature_c(logger: AirLogger) -> float | None:
    return logger.read_air().temperature_c


@pytest.fixture
async def pool() -> AsyncIterator[LinkPool]:
    pool = LinkPool()
    yield pool
    await pool.close()


@pytest.fixture
def adapters(monkeypatch: pytest.MonkeyPatch) -> list[SimpleNamespace]:
    """What the system lists as serial ports of USB adapters."""
    present: list[SimpleNamespace] = []
    monkeypatch.setattr(list_ports, "comports", lambda: list(present))
    return present


def adapter(path: Path) -> SimpleNamespace:
    return SimpleNamespace(vid=0x1209, pid=0x0010, serial_number="ADAPTER7", device=str(path))


def meter_at(port: Port, pool: LinkPool) -> BenchInstrument[PowerMeter]:
    return build_instrument(POWER_METER, REGISTRY.find("modbus-meter"), port, {}, name="mains", pool=pool)


class TestMovedAdapters:
    """Real pseudo-terminals; only the list of adapters is made up."""

    @pytest.fixture
    def first(self, tmp_path: Path, adapters: list[SimpleNamespace]) -> Iterator[tuple[PtyPort, FaultBox]]:
        faults = FaultBox()
        with PtyPort(FaultySerial(meter_line(261.5), faults), FastTime(), tmp_path / "ttyUSB0") as port:
            adapters.append(adapter(port.path))
            yield port, faults

    async def test_an_adapter_that_comes_back_under_another_device_file_is_found_under_the_same_link(
        self, first: tuple[PtyPort, FaultBox], tmp_path: Path, pool: LinkPool, adapters: list[SimpleNamespace]
    ) -> None:
        old, faults = first
        meter = meter_at(BY_IDENTITY, pool)
        await meter.open()
        assert await meter.call(power_w) == pytest.approx(261.5)
        link, generation = meter.runner.link, meter.runner.link.generation
        faults.switch_on(Fault.UNPLUGGED)
        assert old.wait_unplugged()
        adapters.clear()
        with pytest.raises(LinkError):
            await meter.call(power_w)
        with pytest.raises(LinkError) as caught:
            await meter.call(power_w)
        assert caught.value.fault is LinkFault.ABSENT
        with PtyPort(FaultySerial(meter_line(262.5), FaultBox()), FastTime(), tmp_path / "ttyUSB7") as new:
            adapters.append(adapter(new.path))
            assert await meter.call(power_w) == pytest.approx(262.5)
        assert meter.runner.link is link
        assert link.generation == generation + 1

    async def test_another_device_behind_the_moved_adapter_is_not_read(
        self, first: tuple[PtyPort, FaultBox], tmp_path: Path, pool: LinkPool, adapters: list[SimpleNamespace]
    ) -> None:
        old, faults = first
        meter = meter_at(BY_IDENTITY, pool)
        await meter.open()
        faults.switch_on(Fault.UNPLUGGED)
        assert old.wait_unplugged()
        with pytest.raises(LinkError):
            await meter.call(power_w)
        adapters.clear()
        with PtyPort(FaultySerial(meter_line(999.0, "MAINS-2"), FaultBox()), FastTime(), tmp_path / "ttyUSB7") as new:
            adapters.append(adapter(new.path))
            for _ in range(2):
                with pytest.raises(DeviceError, match=r"another device answers: .*MAINS-2.*, where .*MAINS-1.* was"):
                    await meter.call(power_w)
            assert (await meter.open()).model == "MAINS-2"
            assert await meter.call(power_w) == pytest.approx(999.0), "somebody has opened it knowingly"


class TestSharedLines:
    def loggers(
        self, device: FaultySerial, pool: LinkPool
    ) -> tuple[BenchInstrument[AirLogger], BenchInstrument[AirLogger]]:
        port = InlinePort(device, HandClock(), "air line")
        driver = REGISTRY.find("modbus-air")
        inside = build_instrument(AIR_LOGGER, driver, port, {"unit": 11}, name="inside", pool=pool)
        return inside, build_instrument(AIR_LOGGER, driver, port, {"unit": 12}, name="outside", pool=pool)

    async def lose(self, device: FaultySerial, reader: BenchInstrument[AirLogger]) -> None:
        device.faults.switch_on(Fault.UNPLUGGED)
        with pytest.raises(LinkError):
            await reader.call(temperature_c)
        device.faults.switch_off()

    async def test_after_a_loss_each_instrument_of_the_line_is_asked_who_it_is(self, pool: LinkPool) -> None:
        """Not only the one that noticed: while the line was away, the other's device may have been changed."""
        device = FaultySerial(air_line(), FaultBox())
        inside, outside = self.loggers(device, pool)
        await inside.open()
        await outside.open()
        await self.lose(device, inside)
        device.core = air_line("AIR-2", outside_c=30.0)
        await inside.open()
        assert await inside.call(temperature_c) == pytest.approx(25.0)
        with pytest.raises(DeviceError, match="another device answers"):
            await outside.call(temperature_c)

    async def test_the_same_devices_are_read_on_without_a_word(self, pool: LinkPool) -> None:
        device = FaultySerial(air_line(), FaultBox())
        inside, outside = self.loggers(device, pool)
        await inside.open()
        await outside.open()
        await self.lose(device, inside)
        assert await outside.call(temperature_c) == pytest.approx(12.0)
        assert await inside.call(temperature_c) == pytest.approx(25.0)


async def test_what_was_read_across_an_opening_is_not_believed(pool: LinkPool) -> None:
    """The port was lost and opened within one call: half of the answer may be another device's."""
    meter = meter_at(InlinePort(FaultySerial(meter_line(261.5), FaultBox()), HandClock(), "mains"), pool)
    await meter.open()
    link: Any = meter.runner.link

    def read_across(one: PowerMeter) -> float:
        link._is_open = False
        return power_w(one)

    with pytest.raises(LinkError, match="opened anew"):
        await meter.call(read_across)
    assert await meter.call(power_w) == pytest.approx(261.5)


async def test_nobody_is_asked_who_it_is_while_the_link_stays_open(pool: LinkPool) -> None:
    asked: list[bytes] = []

    class Listening(FaultySerial):
        def receive(self, data: bytes, now_s: float) -> Any:
            asked.append(data)
            return super().receive(data, now_s)

    meter = meter_at(InlinePort(Listening(meter_line(261.5), FaultBox()), HandClock(), "mains"), pool)
    await meter.open()
    asked.clear()
    await asyncio.gather(*(meter.call(power_w) for _ in range(3)))
    assert all(frame[1] == 4 for frame in asked)
