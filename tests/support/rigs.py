"""Every driver with a simulated device of known readings behind it, on each wire it can have.

A *rig* is a kind of instrument; a *stand* is one rig on one wire, ready to be built. The device's readings are
constants here, so that a contract test can say what must come out.
"""

import asyncio
import contextlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from importlib.metadata import EntryPoint
from importlib.resources import files
from pathlib import Path

import numpy as np
from lampwarden.daemon.clock import wire_sleep
from lampwarden.drivers import roles
from lampwarden.drivers.instruments import BenchInstrument, InlinePort, LinkPool, build_instrument
from lampwarden.drivers.plan import Driver
from lampwarden.drivers.profile import parse_profile
from lampwarden.drivers.profile_drivers import driver_of
from lampwarden.drivers.registry import ENTRY_POINT_GROUP, Registry
from lampwarden.drivers.roles import (
    AIR_LOGGER,
    FOOT_SWITCH,
    POWER_METER,
    QUANTUM_SENSOR,
    SPECTROMETER,
    AirSample,
    Instrument,
    Press,
    Role,
    SupplySample,
)
from lampwarden.simulators.camera import SpectrometerPlan
from lampwarden.simulators.device import Outgoing
from lampwarden.simulators.faults import (
    Fault,
    FaultBox,
    FaultyPedal,
    FaultySerial,
    FaultyTalker,
    FaultyUsb,
    ModbusSpoiler,
    NmeaSpoiler,
    Sdi12Spoiler,
    UsbtmcSpoiler,
)
from lampwarden.simulators.hid import KEYBOARD, PLAIN, FootSwitch, Reports
from lampwarden.simulators.meters import Supply
from lampwarden.simulators.modbus import ModbusLine, air_unit, meter_unit, quantum_unit
from lampwarden.simulators.ports import PtyPort, SocketPort
from lampwarden.simulators.rfc2217_port import LineSettings, Rfc2217Port
from lampwarden.simulators.scpi_meter import MeterCommands
from lampwarden.simulators.scpi_serial import SerialInstrument
from lampwarden.simulators.scpi_spectrometer import SpectrometerCommands, TriggeredSpectrometerCommands
from lampwarden.simulators.sdi12 import AirSensor, QuantumSensor
from lampwarden.simulators.talkers import Talker, nmea_logger, number_logger, row_logger
from lampwarden.simulators.tent import Air
from lampwarden.simulators.usb_ports import VirtualBus
from lampwarden.simulators.usbtmc import UsbMeter, UsbSpectrometer
from pydantic import JsonValue

from .fakes import HandClock
from .time_source import FastTime

EXAMPLE = EntryPoint("example-hex-sensor", "lampwarden_example_driver:DRIVER", ENTRY_POINT_GROUP)
"""The driver of another distribution, in ``tests/contract/example_driver``."""
REGISTRY = Registry(user_folder=Path("/nonexistent"), entries=[EXAMPLE])
TEXT_METER = """
role = "power_meter"
wire = "text"
title = "A meter that answers in text"
[lines]
request = "P\\n"
pattern = '^P=(?P<power>[0-9.]+) W$'
[quantities.power]
unit = "W"
range = [0, 5000]
"""
COUNTS = np.round(np.linspace(1000.0, 60000.0, 2048)) + 0.5
READINGS = {
    "quantum": 512.3,
    "meter": SupplySample(230.0, 1.25, 261.5, 0.91, 50.0),
    "air": AirSample(25.31, 48.22, 1013.2),
}


class SteadyLight:
    """What the simulated spectrometer sees: always the same counts."""

    plan = SpectrometerPlan()

    def duration_s(self, integration_s: float, averages: int) -> float:
        return averages * (integration_s + self.plan.between_s)

    def counts(self, start_s: float, integration_s: float, averages: int, *, open_: bool) -> np.ndarray:
        return COUNTS if open_ else np.full(2048, 1450.0)


@dataclass
class Rig:
    """One kind of instrument."""

    name: str
    role: Role[Instrument]
    driver: str
    device: FaultySerial | FaultyUsb
    faults: FaultBox
    read: Callable[[Instrument], object]
    """One ordinary reading."""
    wanted: object
    """What it must give."""
    options: Mapping[str, JsonValue] = field(default_factory=dict)
    pty_options: Mapping[str, JsonValue] = field(default_factory=dict)
    expects: LineSettings | None = None
    """Settings that the line must really have."""
    has_identity: bool = True
    """Whether its wire tells who it is."""
    profile: str = ""
    """Text of the profile, for drivers that the package does not bring; ``driver`` is then only a name."""


def _ppfd_umol(sensor: Instrument) -> float:
    assert isinstance(sensor, roles.QuantumSensor)
    return sensor.read_ppfd_umol()


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 4)


def _quantum(command: str | None = None, *, needs_break: bool = False) -> Rig:
    faults = FaultBox()
    core = QuantumSensor(lambda _now_s: 512.34, needs_break=needs_break)
    return Rig(
        "quantum",
        QUANTUM_SENSOR,
        "sdi12-quantum",
        FaultySerial(core, faults, Sdi12Spoiler()),
        faults,
        _ppfd_umol,
        READINGS["quantum"],
        options={} if command is None else {"command": command},
        pty_options={"data_bits": 8, "parity": "N"},
        expects=LineSettings(1200, 7, "E", 1),
    )


def _meter() -> Rig:
    faults = FaultBox()
    core = ModbusLine({1: meter_unit(lambda _now_s: Supply(230.0, 1.25, 261.5, 0.91, 50.0, 12.0))})

    def read(meter: Instrument) -> SupplySample:
        assert isinstance(meter, roles.PowerMeter)
        found = meter.read_supply()
        return SupplySample(
            _rounded(found.voltage_v),
            _rounded(found.current_a),
            round(found.power_w, 4),
            _rounded(found.power_factor),
            _rounded(found.frequency_hz),
        )

    return Rig(
        "meter",
        POWER_METER,
        "modbus-meter",
        FaultySerial(core, faults, ModbusSpoiler()),
        faults,
        read,
        READINGS["meter"],
    )


def _air() -> Rig:
    faults = FaultBox()
    core = ModbusLine({11: air_unit(lambda _now_s: Air(25.31, 48.22, 1013.2))})
    return Rig(
        "air",
        AIR_LOGGER,
        "modbus-air",
        FaultySerial(core, faults, ModbusSpoiler()),
        faults,
        _read_air,
        READINGS["air"],
        options={"unit": 11},
    )


def _spectrometer(*, on_serial: bool = False, is_triggered: bool = False, handshake: str = "") -> Rig:
    """A spectrometer that answers when it is done, or one that must be waited for by the given hand-shake."""
    faults = FaultBox()
    commands = (TriggeredSpectrometerCommands if is_triggered else SpectrometerCommands)(SteadyLight())
    driver = f"scpi-spectrometer{'-handshake' * is_triggered}"
    return Rig(
        driver.removeprefix("scpi-"),
        SPECTROMETER,
        driver,
        FaultySerial(SerialInstrument(commands), faults)
        if on_serial
        else FaultyUsb(UsbSpectrometer(commands), faults, UsbtmcSpoiler()),
        faults,
        _counts,
        COUNTS.tolist(),
        profile=_shaken(handshake) if handshake else "",
    )


def _counts(device: Instrument) -> list[float]:
    assert isinstance(device, roles.Spectrometer)
    return [float(each) for each in device.capture(0.02, 2)]


def _shaken(handshake: str) -> str:
    """The shipped profile with another hand-shake."""
    text = _shipped("scpi-spectrometer-handshake")
    before, _, rest = text.partition("[spectrometer.handshake]\n")
    return before + "[spectrometer.handshake]\n" + handshake + rest[rest.index("[spectrometer.limits]") :]


BY_STATUS_BYTE = """clear = "ABOR;*CLS"
start = "INIT;*OPC"
ready = "status-byte"
mask = 32
fetch = "FETC?"
"""
BY_CONDITION = """clear = "ABOR"
start = "INIT"
ready = "condition"
query = "STAT:OPER:COND?"
mask = 16
ready_when = "clear"
fetch = "FETC?"
"""
BY_OPERATION_COMPLETE = """clear = "ABOR"
start = "INIT"
ready = "operation-complete"
fetch = "FETC?"
"""


def _modbus_quantum() -> Rig:
    faults = FaultBox()
    core = ModbusLine({1: quantum_unit(lambda _now_s: 512.25)})  # a float32 as it is
    device = FaultySerial(core, faults, ModbusSpoiler())
    return Rig("modbus-quantum", QUANTUM_SENSOR, "modbus-quantum", device, faults, _ppfd_umol, 512.25)


def _read_air(logger: Instrument) -> AirSample:
    assert isinstance(logger, roles.AirLogger)
    found = logger.read_air()
    return AirSample(*map(_rounded, (found.temperature_c, found.humidity_percent, found.pressure_hpa)))


SHOWN = Air(25.3, 48.2, 1013.2)
READ = AirSample(25.3, 48.2, 1013.2)
PRESSURE_BY_M1 = """
[quantities.pressure]
command = "M1"
unit = "hPa"
range = [300, 1200]
"""


def _sdi12_air(*, has_pressure: bool) -> Rig:
    """An air sensor whose pressure, where the profile asks for it, comes by a command of its own."""
    faults = FaultBox()
    device = FaultySerial(AirSensor(lambda _now_s: SHOWN), faults, Sdi12Spoiler())
    wanted = READ if has_pressure else AirSample(25.3, 48.2, None)
    return Rig(
        "sdi12-air",
        AIR_LOGGER,
        "sdi12-air",
        device,
        faults,
        _read_air,
        wanted,
        pty_options={"data_bits": 8, "parity": "N"},
        profile=_shipped("sdi12-air") + PRESSURE_BY_M1 if has_pressure else "",
    )


def _talking(driver: str, core: Talker) -> Rig:
    """A device that sends by itself."""
    faults = FaultBox()
    device = FaultyTalker(core, faults, NmeaSpoiler())
    if driver == "text-quantum":
        wanted = READINGS["quantum"]
        return Rig(driver, QUANTUM_SENSOR, driver, device, faults, _ppfd_umol, wanted, has_identity=False)
    return Rig(driver, AIR_LOGGER, driver, device, faults, _read_air, READ, has_identity=False)


def _shipped(name: str) -> str:
    return (files("lampwarden.drivers") / "profiles" / f"{name}.toml").read_text(encoding="utf-8")


def pressed(switch: Instrument, timeout_s: float) -> Press | None:
    assert isinstance(switch, roles.FootSwitch)
    return switch.wait_press(timeout_s)


class Nobody:
    """Nothing on the data lines."""

    def receive(self, data: bytes, now_s: float) -> list[Outgoing]:
        return []

    def line_break(self, now_s: float) -> list[Outgoing]:
        return []


def _contact() -> Rig:
    """A contact on a modem line; whoever steps on it sets the port's lines."""
    faults = FaultBox()
    return Rig(
        "contact",
        FOOT_SWITCH,
        "line-foot-switch",
        FaultySerial(Nobody(), faults),
        faults,
        lambda switch: pressed(switch, 2.0),
        Press.SHORT,
        has_identity=False,
    )


def _pedal(driver: str = "hid-foot-switch", reports: Reports = KEYBOARD) -> Rig:
    faults = FaultBox()
    return Rig(
        "pedal",
        FOOT_SWITCH,
        driver,
        FaultyPedal(FootSwitch(reports), faults),
        faults,
        lambda switch: pressed(switch, 0.3),
        Press.SHORT,
    )


class _Asked:
    """A device of lines: each complete line of the host is looked up, any split of the stream is taken."""

    def __init__(self, answers: Mapping[str, str]) -> None:
        self._answers = answers
        self._buffer = b""

    def receive(self, data: bytes, now_s: float) -> list[Outgoing]:
        *lines, self._buffer = (self._buffer + data).split(b"\n")
        found = [self._answers.get(line.decode("ascii", "replace").strip()) for line in lines]
        return [Outgoing(now_s + 0.01, each.encode() + b"\n") for each in found if each is not None]

    def line_break(self, now_s: float) -> list[Outgoing]:
        self._buffer = b""
        return []


def _power_w(meter: Instrument) -> float:
    assert isinstance(meter, roles.PowerMeter)
    return meter.read_supply().power_w


def _scpi_meter(*, on_usb: bool = False) -> Rig:
    faults = FaultBox()
    commands = MeterCommands(lambda _now_s: Supply(230.0, 1.25, 261.5, 0.91, 50.0, 12.0))
    device = (
        FaultyUsb(UsbMeter(commands), faults, UsbtmcSpoiler())
        if on_usb
        else FaultySerial(SerialInstrument(commands), faults)
    )
    return Rig("scpi-meter", POWER_METER, "scpi-meter", device, faults, _power_w, 261.5)


def _example_sensor() -> Rig:
    faults = FaultBox()
    answers = {"I": "HEX-1 SIMULATED", "P": "P0000C81E" + f"{sum(b'0000C81E') % 256:02X}"}  # 51230 hundredths
    device = FaultySerial(_Asked(answers), faults)
    return Rig("example-sensor", QUANTUM_SENSOR, EXAMPLE.name, device, faults, _ppfd_umol, READINGS["quantum"])


def _text_meter() -> Rig:
    faults = FaultBox()
    device = FaultySerial(_Asked({"P": "P=261.5 W"}), faults)
    return Rig(
        "text-meter",
        POWER_METER,
        "text-meter",
        device,
        faults,
        _power_w,
        261.5,
        has_identity=False,
        profile=TEXT_METER,
    )


RIGS: Mapping[str, Callable[[], Rig]] = {
    "quantum": _quantum,
    "quantum-measured": lambda: _quantum("M"),
    "quantum-concurrent": lambda: _quantum("C"),
    "meter": _meter,
    "air": _air,
    "spectrometer": _spectrometer,
    "spectrometer-serial": lambda: _spectrometer(on_serial=True),
    "spectrometer-shaken": lambda: _spectrometer(is_triggered=True),
    "spectrometer-shaken-serial": lambda: _spectrometer(is_triggered=True, on_serial=True),
    "spectrometer-status": lambda: _spectrometer(is_triggered=True, handshake=BY_STATUS_BYTE),
    "spectrometer-condition": lambda: _spectrometer(is_triggered=True, handshake=BY_CONDITION),
    "spectrometer-complete": lambda: _spectrometer(is_triggered=True, on_serial=True, handshake=BY_OPERATION_COMPLETE),
    "pedal": _pedal,
    "plain-pedal": lambda: _pedal("hid-plain-foot-switch", PLAIN),
    "contact": _contact,
    "modbus-quantum": _modbus_quantum,
    "sdi12-air": lambda: _sdi12_air(has_pressure=False),
    "sdi12-air-commands": lambda: _sdi12_air(has_pressure=True),
    "nmea-air": lambda: _talking("nmea-air", nmea_logger(lambda _: SHOWN)),
    "text-air": lambda: _talking("text-air", row_logger(lambda _: SHOWN)),
    "text-columns-air": lambda: _talking("text-columns-air", row_logger(lambda _: SHOWN, with_time=True)),
    "text-quantum": lambda: _talking("text-quantum", number_logger(lambda _: 512.3)),
    "scpi-meter": _scpi_meter,
    "scpi-meter-usb": lambda: _scpi_meter(on_usb=True),
    "text-meter": _text_meter,
    "example-sensor": _example_sensor,
}


@dataclass
class Stand:
    """A rig on a wire: the instrument as the daemon would hold it."""

    rig: Rig
    wire: str
    instrument: BenchInstrument[Instrument]
    now_s: Callable[[], float]
    pool: LinkPool
    settle: Callable[[], None]
    """Wait until the port's coming or going has happened."""
    set_lines: Callable[..., None] | None = None
    """Sets modem lines, where the port has any."""

    @property
    def is_inline(self) -> bool:
        return self.wire == "inline"

    async def reading(self) -> object:
        """One ordinary reading; the pedal is stepped on for it."""
        if isinstance(self.rig.device, FaultyPedal):
            await self.instrument.call(lambda switch: switch.identify())
            self.rig.device.press(self.now_s())
        if self.rig.name == "contact":
            return await self._stepped()
        return await self._read()

    async def _read(self) -> object:
        return await self.instrument.call(self.rig.read, bound_s=max(self.instrument.instrument.bound_s, 20.0))

    async def _stepped(self) -> object:
        """A foot on the contact for 150 ms while the switch is watched; it is seen open first."""
        assert self.set_lines is not None
        self.set_lines(cts=False)
        await self.instrument.call(lambda switch: pressed(switch, 0.05))
        waiting = asyncio.ensure_future(self._read())
        try:
            await wire_sleep(0.1)
            self.set_lines(cts=True)
            await wire_sleep(0.15)
            self.set_lines(cts=False)
            return await waiting
        finally:
            self.set_lines(cts=False)
            waiting.cancel()


def faults_of(rig_name: str, wire: str) -> tuple[Fault, ...]:
    """The faults that make sense: a press is not asked for, so it cannot be late or wrong; USB has its own CRC."""
    if rig_name == "contact":
        return (Fault.UNPLUGGED,)  # nothing is sent that could be spoilt or kept back
    if rig_name in PEDALS:
        return (Fault.SILENT, Fault.UNPLUGGED) + ((Fault.HANG,) if wire != "inline" else ())
    if rig_name.startswith("text-") and rig_name != "text-meter":  # noise before a number alone can make another one
        return (Fault.SILENT, Fault.UNPLUGGED, Fault.HANG, Fault.GARBAGE, Fault.LATE)
    if rig_name == "nmea-air":
        return (Fault.SILENT, Fault.UNPLUGGED, Fault.HANG, Fault.GARBAGE, Fault.LATE, Fault.BABBLE, Fault.BAD_CRC)
    common = (Fault.SILENT, Fault.UNPLUGGED, Fault.HANG, Fault.GARBAGE, Fault.WRONG, Fault.LATE)
    if wire == "usbip" or (rig_name, wire) in STALLING:
        return (*common, Fault.STALL)
    if rig_name not in CHECKED:
        return (Fault.SILENT, Fault.UNPLUGGED, Fault.HANG, Fault.GARBAGE, Fault.LATE, Fault.BABBLE)
    return (*common, Fault.BAD_CRC, Fault.BABBLE)


# Rigs whose wire has addresses and CRC; and those on USB in line.
CHECKED = {
    "quantum",
    "quantum-measured",
    "quantum-concurrent",
    "meter",
    "air",
    "modbus-quantum",
    "sdi12-air",
    "sdi12-air-commands",
}
PEDALS = ("pedal", "plain-pedal")
STALLING = {
    (name, "inline")
    for name in (
        "spectrometer",
        "spectrometer-shaken",
        "spectrometer-status",
        "spectrometer-condition",
        "scpi-meter-usb",
    )
}
WIRES = {
    "quantum": ("inline", "pty", "socket", "rfc2217"),
    "quantum-measured": ("inline", "pty"),
    "quantum-concurrent": ("inline",),
    "meter": ("inline", "pty", "socket", "rfc2217"),
    "air": ("inline", "pty"),
    "spectrometer": ("inline", "usbip"),
    "spectrometer-serial": ("inline", "pty", "socket"),
    "spectrometer-shaken": ("inline", "usbip"),
    "spectrometer-shaken-serial": ("inline", "pty"),
    "spectrometer-status": ("inline", "usbip"),
    "spectrometer-condition": ("inline",),
    "spectrometer-complete": ("inline", "pty"),
    "pedal": ("inline", "usbip"),
    "plain-pedal": ("inline", "usbip"),
    "contact": ("rfc2217",),
    "modbus-quantum": ("inline", "pty"),
    "sdi12-air": ("inline",),
    "sdi12-air-commands": ("inline", "pty"),
    "nmea-air": ("inline", "pty", "rfc2217"),
    "text-air": ("inline", "pty"),
    "text-columns-air": ("inline", "socket"),
    "text-quantum": ("inline", "pty"),
    "scpi-meter": ("inline", "pty", "socket"),
    "scpi-meter-usb": ("inline", "usbip"),
    "text-meter": ("inline", "pty"),
    "example-sensor": ("inline", "socket"),
}
STANDS = [(rig, wire) for rig, wires in WIRES.items() for wire in wires]
FAULTY_STANDS = [(rig, wire, fault) for rig, wire in STANDS for fault in faults_of(rig, wire)]


def _driver_of(rig: Rig) -> Driver:
    if not rig.profile:
        return REGISTRY.find(rig.driver)
    return driver_of(parse_profile(rig.profile, where=f"{rig.driver}.toml"), rig.driver)


@contextlib.contextmanager
def stand(rig_name: str, wire: str, folder: Path) -> Iterator[Stand]:
    """Put a rig on a wire; real wires run bench time twenty times as fast, so that no test waits for an exposure."""
    rig = RIGS[rig_name]()
    pool = LinkPool()
    options = {**rig.options, **(rig.pty_options if wire in {"pty", "socket"} else {})}
    clock, fast = HandClock(), FastTime(20.0, 100.0)
    with contextlib.ExitStack() as stack:
        port: str | InlinePort
        set_lines: Callable[..., None] | None = None

        def settle() -> None:
            return

        if wire == "inline":
            port = InlinePort(rig.device, clock, rig_name)
        elif wire == "usbip":
            assert isinstance(rig.device, FaultyUsb)
            bus = stack.enter_context(VirtualBus([rig.device], fast))
            port = bus.url(rig.device)
        else:
            assert isinstance(rig.device, FaultySerial)
            serial = {
                "pty": lambda: PtyPort(rig.device, fast, folder / rig_name),
                "socket": lambda: SocketPort(rig.device, fast),
                "rfc2217": lambda: Rfc2217Port(rig.device, fast, expects=rig.expects),
            }[wire]()
            stack.enter_context(serial)
            port = serial.url
            if isinstance(serial, Rfc2217Port):
                set_lines = serial.set_lines

            def settle() -> None:
                is_gone = Fault.UNPLUGGED in rig.faults
                assert serial.wait_unplugged() if is_gone else serial.wait_plugged()

        instrument = build_instrument(
            rig.role,
            _driver_of(rig),
            port,
            options,
            name=rig_name,
            pool=pool,
        )
        now_s = clock.monotonic if wire == "inline" else fast.monotonic
        yield Stand(rig, wire, instrument, now_s, pool, settle, set_lines)
