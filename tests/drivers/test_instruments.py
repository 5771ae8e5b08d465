"""Instruments on their links: sharing, options, roles, errors that name the instrument."""

import asyncio
import threading
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from lampwarden.drivers.codecs.modbus import encode_frame
from lampwarden.drivers.instruments import InlinePort, LinkPool, build_instrument
from lampwarden.drivers.links.base import SerialSettings
from lampwarden.drivers.plan import Driver, Plan, SerialPlan
from lampwarden.drivers.registry import Registry
from lampwarden.drivers.roles import AIR_LOGGER, FOOT_SWITCH, POWER_METER, QUANTUM_SENSOR, ROLES, AirLogger
from lampwarden.protocol.errors import ConfigurationError, LinkError, WireError
from support.fakes import FunctionSerial, HandClock, scripted

REGISTRY = Registry(user_folder=Path("/nonexistent"), entries=())


def air_line(data: bytes) -> bytes:
    """Units 11 and 12 with their own temperatures."""
    unit = data[0]
    return encode_frame(
        unit, b"\x04\x06" + (unit * 100).to_bytes(2, "big") + (5000).to_bytes(2, "big") + (10132).to_bytes(2, "big")
    )


@pytest.fixture
async def pool() -> AsyncIterator[LinkPool]:
    pool = LinkPool()
    yield pool
    await pool.close()


def temperature(logger: AirLogger) -> float | None:
    return logger.read_air().temperature_c


async def test_two_units_of_a_line_share_its_link_and_runner(pool: LinkPool) -> None:
    device = FunctionSerial(air_line)
    port = InlinePort(device, HandClock(), "air line")
    driver = REGISTRY.find("modbus-air")
    inside = build_instrument(AIR_LOGGER, driver, port, {"unit": 11}, name="inside", pool=pool)
    outside = build_instrument(AIR_LOGGER, driver, port, {"unit": 12}, name="outside", pool=pool)
    assert inside.runner is outside.runner
    assert await asyncio.gather(inside.call(temperature), outside.call(temperature)) == pytest.approx([11.0, 12.0])


async def test_line_stays_open_until_its_last_instrument_is_closed(pool: LinkPool) -> None:
    port = InlinePort(FunctionSerial(air_line), HandClock())
    driver = REGISTRY.find("modbus-air")
    inside = build_instrument(AIR_LOGGER, driver, port, {"unit": 11}, name="inside", pool=pool)
    outside = build_instrument(AIR_LOGGER, driver, port, {"unit": 12}, name="outside", pool=pool)
    await inside.close()
    await inside.close()
    assert await outside.call(temperature) == pytest.approx(12.0)
    await outside.close()
    with pytest.raises(LinkError, match="closed"):
        await outside.call(temperature)


def test_instruments_of_a_line_must_agree_on_its_settings() -> None:
    pool = LinkPool()
    driver = REGISTRY.find("modbus-air")
    build_instrument(AIR_LOGGER, driver, "/dev/ttyS9", {"unit": 11}, name="inside", pool=pool)
    with pytest.raises(ConfigurationError, match="sets this port to 19200 Bd 8N1, this one to 9600 Bd 8N1"):
        build_instrument(AIR_LOGGER, driver, "/dev/ttyS9", {"unit": 12, "baud": 9600}, name="outside", pool=pool)


@pytest.mark.parametrize(
    ("one", "two"),
    [
        ("usb:1209:0010:A7", "usb-serial:1209:0010:A7"),
        ("usb-serial:1209:00aF:A7", "usb-serial:1209:00AF:A7"),
        ("usb-serial:1209:0010", "usb-serial:1209:0010:A7"),
        ("usb-serial:1209:0010:A7", "usb:1209:0010"),
    ],
)
def test_one_adapter_under_two_names_is_refused_and_both_are_told(one: str, two: str) -> None:
    pool = LinkPool()
    build_instrument(AIR_LOGGER, REGISTRY.find("modbus-air"), one, {"unit": 11}, name="inside", pool=pool)
    with pytest.raises(ConfigurationError, match="adapter that another instrument calls") as caught:
        build_instrument(POWER_METER, REGISTRY.find("modbus-meter"), two, name="meter", pool=pool)
    assert one in str(caught.value)
    assert caught.value.where == two
    assert "write both ports alike" in caught.value.mend


def test_one_device_of_a_usb_ip_server_under_two_names_is_refused() -> None:
    pool = LinkPool()
    driver = REGISTRY.find("scpi-spectrometer")
    build_instrument(ROLES["spectrometer"], driver, "usbip://Host:3240/1209:000a", name="s", pool=pool)
    with pytest.raises(ConfigurationError, match="adapter that another instrument calls"):
        build_instrument(ROLES["spectrometer"], driver, "usbip://host:3240/1209:000A", name="t", pool=pool)


@pytest.mark.parametrize(
    ("one", "two"),
    [
        ("usb:1209:0010:A7", "usb-serial:1209:0010:A8"),
        ("usb-serial:1209:0010:A7", "usb-serial:1209:0011:A7"),
        ("usb-serial:1209:0010:A7", "/dev/ttyUSB0"),
    ],
)
def test_two_adapters_are_two_ports(one: str, two: str) -> None:
    pool = LinkPool()
    inside = build_instrument(AIR_LOGGER, REGISTRY.find("modbus-air"), one, {"unit": 11}, name="inside", pool=pool)
    meter = build_instrument(POWER_METER, REGISTRY.find("modbus-meter"), two, name="meter", pool=pool)
    assert inside.runner is not meter.runner


def test_building_touches_no_port_and_starts_no_thread() -> None:
    before = threading.active_count()
    build_instrument(POWER_METER, REGISTRY.find("modbus-meter"), "/dev/nowhere", name="meter", pool=LinkPool())
    spectrometer = build_instrument(
        ROLES["spectrometer"],
        REGISTRY.find("scpi-spectrometer"),
        "usbip://127.0.0.1:1/1209:0001",
        name="spectrometer",
        pool=LinkPool(),
    )
    assert spectrometer.runner.link.generation == 0
    assert threading.active_count() == before


async def test_absent_port_may_be_tried_again_and_again(pool: LinkPool) -> None:
    meter = build_instrument(POWER_METER, REGISTRY.find("modbus-meter"), "/dev/nowhere", name="meter", pool=pool)
    for _ in range(3):
        with pytest.raises(LinkError, match="/dev/nowhere: cannot open"):
            await meter.open()


def test_driver_of_another_role_is_refused() -> None:
    with pytest.raises(ConfigurationError, match="modbus-air is for the role air_logger, not power_meter"):
        build_instrument(POWER_METER, REGISTRY.find("modbus-air"), "/dev/ttyS0", name="meter", pool=LinkPool())


def test_port_that_does_not_fit_the_driver_is_refused() -> None:
    with pytest.raises(ConfigurationError, match="needs a usb port"):
        build_instrument(FOOT_SWITCH, REGISTRY.find("hid-foot-switch"), "/dev/ttyS0", name="pedal", pool=LinkPool())
    with pytest.raises(ConfigurationError, match="needs a serial port"):
        build_instrument(
            QUANTUM_SENSOR, REGISTRY.find("sdi12-quantum"), "usbip://h:1/1209:0001", name="q", pool=LinkPool()
        )


def test_spectrometer_takes_usb_or_serial_by_its_port() -> None:
    driver = REGISTRY.find("scpi-spectrometer")
    role = ROLES["spectrometer"]
    for port in ("usb:1209:0001", "usbip://h:1/1209:0001", "/dev/ttyACM0", "socket://h:5025"):
        assert build_instrument(role, driver, port, name="s", pool=LinkPool()).port == port


def test_driver_that_builds_something_else_is_caught() -> None:
    liar = Driver("liar", POWER_METER, "", lambda _: Plan(SerialPlan(SerialSettings(), lambda _link: object())))  # type: ignore[arg-type,return-value]  # it lies
    with pytest.raises(ConfigurationError, match="liar does not fill the role power_meter"):
        build_instrument(POWER_METER, liar, "/dev/ttyS0", name="meter", pool=LinkPool())


async def test_error_of_a_codec_gets_to_know_where_it_happened(pool: LinkPool) -> None:
    port = InlinePort(scripted(b"0hello\r\n"), HandClock(), "sensor")
    sensor = build_instrument(QUANTUM_SENSOR, REGISTRY.find("sdi12-quantum"), port, name="quantum", pool=pool)
    with pytest.raises(WireError, match="sensor: not an SDI-12 identification"):
        await sensor.open()


def test_every_role_is_known_by_name() -> None:
    assert set(ROLES) == {"quantum_sensor", "spectrometer", "power_meter", "air_logger", "foot_switch"}
