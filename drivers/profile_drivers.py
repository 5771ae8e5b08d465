"""Drivers made from profiles: the profile's defaults, the bench's options over them, and the classes that fit.

One function a wire. Options are flat: ``baud``, ``data_bits``, ``parity`` and ``stop_bits`` of the line, and the keys
of the wire's own table.
"""

from collections.abc import Callable, Mapping
from functools import partial
from typing import Literal, TypeVar

from pydantic import BaseModel, Field, JsonValue

from ..protocol.quantity import Frozen
from .foot_switch import HidFootSwitch, HidSettings, LineFootSwitch
from .line_reader import NmeaReader, TextReader, TransducerField
from .links.base import ByteLink, Parity, UsbInterface, UsbLink
from .message_link import SerialMessageLink
from .modbus_reader import ModbusReader, ModbusUnit, RegisterField
from .plan import Driver, Plan, SerialPlan, UsbPlan, parse_options
from .profile import (
    ContactProfile,
    HidProfile,
    ModbusProfile,
    NmeaProfile,
    Profile,
    ScalarProfile,
    ScpiProfile,
    Sdi12Profile,
    SerialTable,
    SpectrometerProfile,
    TextProfile,
)
from .quantities import Quantity
from .reader import AirLoggerDriver, PowerMeterDriver, QuantumSensorDriver, Reader
from .roles import ROLES, Instrument
from .scpi_device import QueryField, ScpiDevice, ScpiReader
from .sdi12_reader import Sdi12Reader, ValueField
from .sdi12_sensor import Sdi12Sensor
from .spectrometer import ScpiSpectrometer, SpectrometerCommands
from .usbtmc_session import UsbtmcSession

TableT = TypeVar("TableT", bound=BaseModel)
Options = Mapping[str, JsonValue]

# USBTMC 1.0, table 43: class FEh, subclass 03h; the protocol is 00h, or 01h with USB488. HID 1.11, 4.1 to 4.3.
USBTMC: UsbInterface = UsbInterface(0xFE, 0x03)
BOOT_KEYBOARD: UsbInterface = UsbInterface(0x03, 0x01, 0x01)
ANY_HID: UsbInterface = UsbInterface(0x03)

_ROLE_CLASSES: dict[str, Callable[[Reader], Instrument]] = {
    "quantum_sensor": QuantumSensorDriver,
    "power_meter": PowerMeterDriver,
    "air_logger": AirLoggerDriver,
}


class SerialOptions(Frozen):
    """Options of every serial driver; left out: as in the profile."""

    baud: int | None = None
    data_bits: Literal[7, 8] | None = None
    parity: Parity | None = None
    stop_bits: Literal[1, 2] | None = None


class ModbusOptions(SerialOptions):
    """Options of Modbus drivers."""

    unit: int | None = None
    response_s: float | None = None
    echo: bool | None = None
    identification: bool | None = None


class Sdi12Options(SerialOptions):
    """Options of SDI-12 drivers."""

    address: str | None = None
    command: str | None = None
    crc: bool | None = None


class ScpiOptions(SerialOptions):
    """Options of SCPI drivers."""

    response_s: float | None = None


class LineOptions(SerialOptions):
    """Options of drivers that read lines."""

    interval_s: float | None = None


class HidOptions(Frozen):
    """Options of USB foot switches."""

    key: int | None = Field(default=None, description="HID usage of the key that counts")
    long_press_s: float | None = None


class ContactOptions(Frozen):
    """Options of contacts on modem lines."""

    line: Literal["cts", "dsr", "ri", "cd"] | None = None
    active: bool | None = None
    long_press_s: float | None = None


def _over(table: TableT, options: BaseModel, driver: str) -> TableT:
    """Lay the options that are given over a profile's table, and check the result like the profile itself."""
    given = {
        key: value for key, value in options.model_dump(exclude_none=True).items() if key in type(table).model_fields
    }
    return parse_options(type(table), table.model_dump() | given, driver=driver) if given else table


def _modbus(profile: ModbusProfile, name: str, options: Options) -> Plan:
    given = parse_options(ModbusOptions, options, driver=name)
    modbus = _over(profile.modbus, given, name)
    fields = [
        RegisterField(each.register_kind, each.address, each.type, each.order, each.bits, each.conversion(quantity))
        for quantity, each in profile.quantities.items()
    ]

    def build(link: ByteLink) -> Instrument:
        unit = ModbusUnit(
            link,
            modbus.unit,
            response_s=modbus.response_s,
            has_echo=modbus.echo,
            tells_who=modbus.identification,
        )
        return _ROLE_CLASSES[profile.role](ModbusReader(unit, fields))

    return Plan(serial=_serial(profile.serial, given, name, build))


def _sdi12(profile: Sdi12Profile, name: str, options: Options) -> Plan:
    given = parse_options(Sdi12Options, options, driver=name)
    table = _over(profile.sdi12, given, name)
    fields = [
        ValueField(each.index, each.conversion(quantity), each.command) for quantity, each in profile.quantities.items()
    ]

    def build(link: ByteLink) -> Instrument:
        sensor = Sdi12Sensor(link, table.address)
        return _ROLE_CLASSES[profile.role](Sdi12Reader(sensor, fields, command=table.command, with_crc=table.crc))

    return Plan(serial=_serial(profile.serial, given, name, build))


def _scpi(profile: ScpiProfile, name: str, options: Options) -> Plan:
    given = parse_options(ScpiOptions, options, driver=name)
    table = _over(profile.scpi, given, name)
    fields = [
        QueryField(each.query, each.index, each.conversion(quantity)) for quantity, each in profile.quantities.items()
    ]

    def build(device: ScpiDevice) -> Instrument:
        reader = ScpiReader(device, fields, setup=table.setup, response_s=table.response_s)
        return _ROLE_CLASSES[profile.role](reader)

    return _scpi_plan(_over(profile.serial, given, name), build)


def _spectrometer(profile: SpectrometerProfile, name: str, options: Options) -> Plan:
    given = parse_options(SerialOptions, options, driver=name)
    table = profile.spectrometer
    limits, wavelength = table.limits, table.wavelength
    commands = SpectrometerCommands(
        setup=table.setup,
        set_integration=table.set_integration,
        query_integration=table.query_integration,
        per_second=table.per_second,
        resolution_s=table.resolution_s,
        set_averages=table.set_averages,
        max_averages=table.max_averages,
        capture=table.way,
        form=table.form,
        overhead_s=table.overhead_s,
        open_shutter=table.open_shutter,
        close_shutter=table.close_shutter,
        pixel_count=limits.pixel_count,
        full_scale_counts=limits.full_scale_counts,
        min_integration=limits.min_integration,
        max_integration=limits.max_integration,
        wavelength=wavelength.polynomial or wavelength.polynomial_query or wavelength.list_query or (),
        wavelength_is_list=wavelength.list_query is not None,
        first_pixel=wavelength.first_pixel,
    )
    return _scpi_plan(_over(profile.serial, given, name), lambda device: ScpiSpectrometer(device, commands))


def _nmea(profile: NmeaProfile, name: str, options: Options) -> Plan:
    given = parse_options(LineOptions, options, driver=name)
    lines = _over(profile.lines, given, name)
    fields = [
        TransducerField(each.transducer, each.name, each.conversion(quantity), each.letter)
        for quantity, each in profile.quantities.items()
    ]

    def build(link: ByteLink) -> Instrument:
        reader = NmeaReader(link, fields, request=lines.request, interval_s=lines.interval_s)
        return _ROLE_CLASSES[profile.role](reader)

    return Plan(serial=_serial(profile.serial, given, name, build))


def _text(profile: TextProfile, name: str, options: Options) -> Plan:
    given = parse_options(LineOptions, options, driver=name)
    lines = _over(profile.lines, given, name)
    conversions = [each.conversion(quantity) for quantity, each in profile.quantities.items()]

    def build(link: ByteLink) -> Instrument:
        reader = TextReader(link, profile.layout(), conversions, request=lines.request, interval_s=lines.interval_s)
        return _ROLE_CLASSES[profile.role](reader)

    return Plan(serial=_serial(profile.serial, given, name, build))


def _hid(profile: HidProfile, name: str, options: Options) -> Plan:
    given = parse_options(HidOptions, options, driver=name)
    table = _over(profile.hid, given, name)
    is_keyboard = table.report == "keyboard"
    settings = HidSettings(table.key, is_keyboard, bytes(table.mask), table.long_press_s)
    interface = BOOT_KEYBOARD if is_keyboard else ANY_HID
    return Plan(usb=UsbPlan(interface, lambda link: HidFootSwitch(link, settings)))


def _contact(profile: ContactProfile, name: str, options: Options) -> Plan:
    given = parse_options(ContactOptions, options, driver=name)
    table = _over(profile.contact, given, name)

    def build(link: ByteLink) -> Instrument:
        return LineFootSwitch(link, table.line, active=table.active, long_press_s=table.long_press_s)

    return Plan(serial=SerialPlan(profile.serial.settings(), build))


def _serial(table: SerialTable, given: SerialOptions, name: str, build: Callable[[ByteLink], Instrument]) -> SerialPlan:
    return SerialPlan(_over(table, given, name).settings(), build)


def _scpi_plan(serial: SerialTable, build: Callable[[ScpiDevice], Instrument]) -> Plan:
    """SCPI goes over both wires."""

    def on_serial(link: ByteLink) -> Instrument:
        return build(ScpiDevice(SerialMessageLink(link)))

    def on_usb(link: UsbLink) -> Instrument:
        return build(ScpiDevice(UsbtmcSession(link)))

    return Plan(serial=SerialPlan(serial.settings(), on_serial), usb=UsbPlan(USBTMC, on_usb))


def driver_of(profile: Profile, name: str, *, source: str = "") -> Driver:
    """Make the driver that a profile describes."""
    plan: Callable[[Options], Plan]
    match profile:
        case ModbusProfile():
            plan = partial(_modbus, profile, name)
        case Sdi12Profile():
            plan = partial(_sdi12, profile, name)
        case ScpiProfile():
            plan = partial(_scpi, profile, name)
        case SpectrometerProfile():
            plan = partial(_spectrometer, profile, name)
        case NmeaProfile():
            plan = partial(_nmea, profile, name)
        case TextProfile():
            plan = partial(_text, profile, name)
        case HidProfile():
            plan = partial(_hid, profile, name)
        case ContactProfile():
            plan = partial(_contact, profile, name)
    response_s = profile.response_time_s if isinstance(profile, ScalarProfile) else 0.0
    return Driver(name, ROLES[profile.role], profile.title, plan, source, response_s, _resolutions(profile))


def _resolutions(profile: Profile) -> dict[Quantity, float]:
    if not isinstance(profile, ScalarProfile):
        return {}
    return {
        quantity: table.conversion(quantity).step(table.resolution)
        for quantity, table in profile.tables().items()
        if table.resolution > 0
    }
