"""Instruments whose every answer is right, behind lines on which almost everything goes wrong: what is believed?

Line and judge are in ``faulty_line.py``. Run ``python tests/support/line_study.py [SEEDS]`` for a table of all wires.

What is not drawn, because no reader can tell it on the wire (the drivers' docstrings say so):

- noise that makes another number of a number, where the wire has no checksum: digits, signs, commas, a line end within
  it, its head cut off; bytes of a block of numbers replaced by as many others;
- an answer too many and one too few in one reading, which leave the count right: a *line* either adds or loses;
- on lines of text and NMEA, which carry neither question nor time: lateness and copies, judged by quantity alone;
- answers that overtake one another: a serial line and a TCP connection keep their order.
"""

import random
import re
import struct
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).resolve().parents[1])]

import numpy as np
from lampwarden.drivers.codecs.modbus import ByteOrder, NumberType, RegisterKind, encode_frame
from lampwarden.drivers.codecs.nmea import Sentence, encode_sentence
from lampwarden.drivers.codecs.scpi import RealFormat, encode_block
from lampwarden.drivers.codecs.text import Columns, Pattern
from lampwarden.drivers.line_reader import Layout, NmeaReader, TextReader, TransducerField
from lampwarden.drivers.links.base import SerialSettings
from lampwarden.drivers.links.inline import InlineByteLink, InlineUsbLink
from lampwarden.drivers.message_link import SerialMessageLink
from lampwarden.drivers.modbus_reader import ModbusReader, ModbusUnit, RegisterField
from lampwarden.drivers.quantities import Conversion, Quantity
from lampwarden.drivers.readiness import Handshake, Ready
from lampwarden.drivers.roles import Identity
from lampwarden.drivers.scpi_device import QueryField, ScpiDevice, ScpiReader
from lampwarden.drivers.spectrometer import ScpiSpectrometer
from lampwarden.drivers.usbtmc_session import UsbtmcSession
from lampwarden.simulators.device import Outgoing
from lampwarden.simulators.faults import FaultBox, FaultyUsb
from lampwarden.simulators.scpi import Reply, ScpiInstrument
from lampwarden.simulators.usbtmc import BULK_IN, UsbInstrument
from support.fakes import HandClock
from support.faulty_line import (
    BINARY,
    STEP_S,
    Figures,
    Kind,
    Line,
    Made,
    Maker,
    Manners,
    Subject,
    TalkingLine,
    Wire,
    run_seed,
    told,
)
from support.spectrometer_script import COMMANDS

QUANTITIES = (Quantity.POWER, Quantity.VOLTAGE, Quantity.CURRENT, Quantity.FREQUENCY, Quantity.POWER_FACTOR)


# SCPI

IDENTITY = b"LWSIM,METER-1,0,1.0\n"
LETTERS = bytes(each for each in range(256) if chr(each) not in "0123456789+-.eE,")
SCPI = Manners(LETTERS + b",", LETTERS, b"7.5\n")


class _Lines:
    """Whole program messages out of what is written."""

    def __init__(self, answer: Callable[[str, float], bytes | None]) -> None:
        self._answer = answer

    def __call__(self, data: bytes, now_s: float) -> list[bytes]:
        answers = [self._answer(each, now_s) for each in data.decode().splitlines()]
        return [each for each in answers if each is not None]


def _number(place: int, at_s: float) -> bytes:
    return b"%.3f" % told(place, at_s)


@dataclass
class _Scalars:
    """A subject with a scalar reader."""

    reader: ScpiReader | ModbusReader | NmeaReader | TextReader

    def identify(self) -> Identity:
        return self.reader.identify()

    def read(self) -> Mapping[int, float]:
        return {QUANTITIES.index(quantity) + 1: value for quantity, value in self.reader.read().items()}


def _query(query: str, index: int, place: int) -> QueryField:
    quantity = QUANTITIES[place - 1]
    return QueryField(query, index, Conversion(quantity, quantity.unit))


SCPI_FIELDS = [
    _query("MEAS:POW?", 0, 1),
    _query("MEAS:VOLT?", 0, 2),
    _query("MEAS:CURR?", 0, 3),
    _query("MEAS:ALL?", 1, 4),
]


def _meter(unit: str, now_s: float) -> bytes | None:
    match unit:
        case "*IDN?":
            return IDENTITY
        case "SYST:ERR?":
            return b'0,"No error"\n'
        case "MEAS:ALL?":
            return b"%s,%s\n" % (_number(5, now_s), _number(4, now_s))
    place = {"MEAS:POW?": 1, "MEAS:VOLT?": 2, "MEAS:CURR?": 3}.get(unit)
    return None if place is None else _number(place, now_s) + b"\n"


def _scpi_meter() -> Wire:
    def build(link: InlineByteLink) -> Subject:
        return _Scalars(ScpiReader(ScpiDevice(SerialMessageLink(link)), SCPI_FIELDS, setup=["CONF"], response_s=2.0))

    return Wire(_Lines(_meter), SCPI, build)


PIXELS = 6


class _Spectrometer:
    """Counts say when the exposure began, each pixel's which it is; without a new one FETC? gives the last."""

    def __init__(self, *, is_text: bool) -> None:
        self._is_text = is_text
        self._began_s = 0.0
        self._ready_s = 0.0
        self._aperture = 0.1
        self._completes = False
        self._is_complete = False

    def __call__(self, message: str, now_s: float) -> bytes | None:
        answers = [self._unit(unit.lstrip(":"), now_s) for unit in message.split(";")]
        return next((each + b"\n" for each in answers if each is not None), None)

    def late_s(self) -> float:
        return self._ready_s

    def _unit(self, unit: str, now_s: float) -> bytes | None:
        if self._completes and now_s >= self._ready_s:
            self._completes, self._is_complete = False, True
        head, _, given = unit.partition(" ")
        match head:
            case "SENS:APER":
                self._aperture = float(given)
            case "INIT":
                self._began_s, self._ready_s = now_s, now_s + self._aperture
            case "*OPC":
                self._completes = True
            case "*CLS":
                self._completes = self._is_complete = False
            case "READ?":
                self._began_s = now_s
                return self._counts()
            case "FETC?":
                return self._counts()
            case "SENS:APER?":
                return {"MIN": b"0.00001", "MAX": b"10"}.get(given) or b"%.6f" % self._aperture
        return {
            "*IDN?": IDENTITY.strip(),
            "SYST:ERR?": b'0,"No error"',
            "*STB?": b"%d" % (0x20 * self._is_complete),
            "STAT:OPER:COND?": b"%d" % (16 * (now_s < self._ready_s)),
            "SENS:PIX:COUN?": b"%d" % PIXELS,
            "SENS:RANG:UPP?": b"65535",
            "CAL:WAV:POL?": b"3.4E+02,2.5E-01",
        }.get(head)

    def _counts(self) -> bytes:
        counts = [told(place + 1, self._began_s) for place in range(PIXELS)]
        if self._is_text:
            return b",".join(b"%.3f" % each for each in counts)
        return encode_block(np.asarray(counts, dtype="<f8").tobytes())


@dataclass
class _Spectra:
    """A subject with a spectrometer: what it knows of itself must be right as well."""

    one: ScpiSpectrometer
    exposures: list[float]
    drawn: random.Random

    def identify(self) -> Identity:
        return self.one.identify()

    def read(self) -> Mapping[int, float]:
        limits = self.one.read_limits()
        known = (limits.pixel_count, limits.full_scale_counts, limits.min_integration_s, limits.max_integration_s)
        if known != (PIXELS, 65535.0, 1e-5, 10.0):
            return {-1: 0.0}
        if self.one.read_wavelengths_nm().tolist() != [340.0 + 0.25 * each for each in range(PIXELS)]:
            return {-2: 0.0}
        counts = self.one.capture(self.drawn.choice(self.exposures), 1)
        return {place + 1: float(value) for place, value in enumerate(counts)}


STATUS_BYTE = Handshake("*CLS", "INIT;*OPC", Ready.STATUS_BYTE, "", 0x20, True, 0.05, "FETC?")
CONDITION = Handshake(None, "INIT", Ready.CONDITION, "STAT:OPER:COND?", 16, False, 0.05, "FETC?")
COMPLETE = Handshake(None, "INIT", Ready.OPERATION_COMPLETE, "*OPC?", 0, True, 0.05, "FETC?")


class _Completing(_Spectrometer):
    """Answers *OPC? when it is done; the line waits for it."""

    def __call__(self, message: str, now_s: float) -> bytes | None:
        return b"1\n" if message == "*OPC?" else super().__call__(message, now_s)


def _spectrometer(capture: str | Handshake = "READ?", *, is_text: bool = False) -> Wire:
    form = None if is_text else RealFormat.REAL64_SWAPPED
    commands = replace(COMMANDS, setup=("FORM",), set_averages=None, capture=capture, form=form)
    device = _Completing(is_text=is_text) if capture is COMPLETE else _Spectrometer(is_text=is_text)
    drawn = random.Random(1)  # noqa: S311  no secret

    def build(link: InlineByteLink) -> Subject:
        return _Spectra(ScpiSpectrometer(ScpiDevice(SerialMessageLink(link)), commands), [0.1, 0.2], drawn)

    return Wire(_Lines(device), SCPI, build, settings=SerialSettings(115200))


# Modbus RTU

MODBUS_PLACES = {0: 1, 2: 2, 20: 3, 22: 4, 40: 5}
"""Registers by address: two alike blocks of four, and one of two."""


def _register(address: int) -> RegisterField:
    quantity = QUANTITIES[MODBUS_PLACES[address] - 1]
    conversion = Conversion(quantity, quantity.unit, scale=STEP_S)
    return RegisterField(RegisterKind.INPUT, address, NumberType.U32, ByteOrder.ABCD, None, conversion)


class _Registers:
    """Answers reads of its registers, and who it is in two answers."""

    def __init__(self, *, has_echo: bool, is_nameless: bool) -> None:
        self._has_echo = has_echo
        self._is_nameless = is_nameless

    def __call__(self, data: bytes, now_s: float) -> list[bytes]:
        echo = [data] if self._has_echo else []
        pdu = data[1:-2]
        if pdu[0] == 0x2B:
            if self._is_nameless:
                return [*echo, encode_frame(1, b"\xab\x01")]
            first = b"\x2b\x0e\x01\x01\xff\x01\x01" + b"\x00\x05LWSIM"
            second = b"\x2b\x0e\x01\x01\x00\x00\x02" + b"\x01\x07MAINS-1" + b"\x02\x031.0"
            return [*echo, encode_frame(1, second if pdu[3] else first)]
        _, address, count = struct.unpack(">BHH", pdu)
        words = b"".join(
            round(told(MODBUS_PLACES.get(each, 99), now_s) / STEP_S).to_bytes(4, "big")
            for each in range(address, address + count, 2)
        )
        return [*echo, encode_frame(1, bytes((4, len(words))) + words)]


MODBUS = Manners(BINARY, BINARY, encode_frame(2, b"\x04\x08" + bytes(8)), cuts_head=True)


def _modbus(*addresses: int, has_echo: bool = False, is_nameless: bool = False) -> Wire:
    def build(link: InlineByteLink) -> Subject:
        return _Scalars(ModbusReader(ModbusUnit(link, 1, has_echo=has_echo), [_register(each) for each in addresses]))

    return Wire(_Registers(has_echo=has_echo, is_nameless=is_nameless), MODBUS, build)


# USBTMC


class _UsbMeter(ScpiInstrument):
    """A meter whose answers are ready late while the bus is faulty."""

    idn = IDENTITY.decode().strip()

    def __init__(self, late_s: Callable[[], float]) -> None:
        self._late_s = late_s
        super().__init__(
            [(f"MEAS:{name}?", self._measure(place)) for place, name in enumerate(("POW", "VOLT", "CURR"), 1)]
            + [("MEAS:ALL?", lambda _, now_s: self._late(b"%s,%s" % (_number(5, now_s), _number(4, now_s)), now_s))]
            + [("CONF", lambda _, __: None)]
        )

    def _measure(self, place: int) -> Callable[[str, float], Reply]:
        return lambda _, now_s: self._late(_number(place, now_s), now_s)

    def _late(self, data: bytes, now_s: float) -> Reply:
        return Reply(data, now_s + self._late_s())


class _KeepingInstrument(UsbInstrument):
    """Against IEEE 488.2, 6.3.2: a new question leaves what an earlier one brought, and so does an abort."""

    def __init__(self, commands: ScpiInstrument) -> None:
        super().__init__(commands)
        self._kept: list[Reply | None] = []
        self._handed_out: Reply | None = None

    def _complete(self, now_s: float) -> list[Outgoing]:
        earlier, self._reply = self._reply, None
        self._in_flight = None
        out = super()._complete(now_s)
        if earlier is not None:
            self._kept.append(self._reply)
            self._reply = earlier
        return out

    def _serve(self, now_s: float) -> list[Outgoing]:
        self._handed_out = self._reply
        return super()._serve(now_s)

    def _abort_input(self, tag: int, now_s: float) -> bytes:
        status = super()._abort_input(tag, now_s)
        self._reply = self._handed_out
        return status

    def _clear(self) -> None:
        super()._clear()
        self._handed_out = None
        self._kept.clear()


class Bus(FaultyUsb):
    """A USB device whose transfers in are spoilt; whole packets, since the bus has a checksum of its own."""

    def __init__(self, core: UsbInstrument, drawn: random.Random) -> None:
        super().__init__(core, FaultBox())
        self._drawn = drawn
        self.share = 0.0
        self.last_s = 0.0

    def receive(self, endpoint: int, data: bytes, now_s: float) -> list[Outgoing]:
        out: list[Outgoing] = []
        for each in self.core.receive(endpoint, data, now_s):
            if each.endpoint != BULK_IN or self._drawn.random() >= self.share:
                out.append(each)
                continue
            match self._drawn.choice([Kind.LATE, Kind.LOST, Kind.CUT, Kind.TWICE, Kind.STRAY]):
                case Kind.LATE:
                    out.append(each._replace(due_s=each.due_s + self._drawn.uniform(0.0, 5.0)))
                case Kind.CUT:
                    out.append(each._replace(data=each.data[: self._drawn.randrange(len(each.data))]))
                case Kind.TWICE:
                    out += [each, each._replace(due_s=each.due_s + self._drawn.uniform(0.0, 0.2))]
                case Kind.STRAY:
                    tag = each.data[1] % 255 + 1
                    other = each.data[:1] + bytes((tag, tag ^ 0xFF)) + each.data[3:12] + b"7.5\n" + each.data[16:]
                    out += [each._replace(data=other), each]
        self.last_s = max([self.last_s, *(each.due_s for each in out)])
        return out


def _usb_meter(instrument: Callable[[ScpiInstrument], UsbInstrument]) -> Maker:
    def make(drawn: random.Random, clock: HandClock) -> Made:
        commands = _UsbMeter(lambda: drawn.uniform(0.0, 5.0) if drawn.random() < bus.share else 0.0)
        bus = Bus(instrument(commands), drawn)
        link = InlineUsbLink(bus, clock)
        reader = ScpiReader(ScpiDevice(UsbtmcSession(link)), SCPI_FIELDS, setup=["CONF"], response_s=2.0)
        return _Scalars(reader), link, bus, True

    return make


# Lines

COLUMNS = Columns(";", 3, {"power": 0, "voltage": 1})
PATTERN = Pattern(re.compile(r"^P=(?P<power>[0-9.]+) V=(?P<voltage>[0-9.]+) W$"))
LINE_CONVERSIONS = [Conversion(each, each.unit) for each in QUANTITIES[:2]]


class _Logger:
    """Prints when it is asked."""

    def __init__(self, line: Callable[[float], bytes]) -> None:
        self._line = line

    def __call__(self, data: bytes, now_s: float) -> list[bytes]:
        return [self._line(now_s)]


def _text(layout: Layout, form: bytes, request: str | None = "?\n") -> Wire:
    def build(link: InlineByteLink) -> Subject:
        return _Scalars(TextReader(link, layout, LINE_CONVERSIONS, request=request, interval_s=1.0))

    # A line that a device prints by itself may be cut anywhere: only one of a fixed beginning is told from its rest.
    manners = Manners(LETTERS, LETTERS.replace(b"\n", b""), b"LOGGER 7\n")
    return Wire(_Logger(lambda at_s: form % (_number(1, at_s), _number(2, at_s))), manners, build, has_time=False)


def _nmea(request: str | None = "?\n") -> Wire:
    fields = [
        TransducerField(each, None, Conversion(QUANTITIES[n], QUANTITIES[n].unit), each) for n, each in enumerate("WV")
    ]

    def build(link: InlineByteLink) -> Subject:
        return _Scalars(NmeaReader(link, fields, request=request, interval_s=1.0))

    def line(at_s: float) -> bytes:
        power, voltage = (f"{told(place, at_s):.3f}" for place in (1, 2))
        return encode_sentence(Sentence("WIXDR", ("W", power, "W", "", "V", voltage, "V", "")))

    manners = Manners(BINARY, BINARY, encode_sentence(Sentence("WIXDR", ("C", "7.5", "C", ""))), cuts_head=True)
    return Wire(_Logger(line), manners, build, has_time=False)


def _on_line(wire: Callable[[], Wire], kind: type[Line] = Line) -> Maker:
    def make(drawn: random.Random, clock: HandClock) -> Made:
        made = wire()
        line = kind(made.answer, made.manners, drawn, drawn.choice(made.kinds))
        link = InlineByteLink(line, clock, settings=made.settings)
        return made.build(link), link, line, made.has_time

    return make


WIRES: Mapping[str, Maker] = {
    "SCPI meter": _on_line(_scpi_meter),
    "SCPI spectrometer, block": _on_line(_spectrometer),
    "SCPI spectrometer, text": _on_line(lambda: _spectrometer(is_text=True)),
    "SCPI spectrometer, *STB?": _on_line(lambda: _spectrometer(STATUS_BYTE)),
    "SCPI spectrometer, condition": _on_line(lambda: _spectrometer(CONDITION, is_text=True)),
    "SCPI spectrometer, *OPC?": _on_line(lambda: _spectrometer(COMPLETE)),
    "Modbus, three blocks": _on_line(lambda: _modbus(0, 2, 20, 22, 40)),
    "Modbus, one block": _on_line(lambda: _modbus(0, 2)),
    "Modbus, nameless": _on_line(lambda: _modbus(0, 20, is_nameless=True)),
    "Modbus, echo": _on_line(lambda: _modbus(0, 2, 20, 22, has_echo=True)),
    "USBTMC": _usb_meter(UsbInstrument),
    "USBTMC, keeps answers": _usb_meter(_KeepingInstrument),
    "text, pattern": _on_line(lambda: _text(PATTERN, b"P=%s V=%s W\r\n")),
    "text, columns": _on_line(lambda: _text(COLUMNS, b"%s;%s;ok\r\n")),
    "text, by itself": _on_line(lambda: _text(PATTERN, b"P=%s V=%s W\r\n", None), TalkingLine),
    "NMEA": _on_line(_nmea),
    "NMEA, by itself": _on_line(lambda: _nmea(None), TalkingLine),
}


def run(name: str, seed: int, figures: Figures) -> None:
    """Run one seed of one wire."""
    run_seed(name, WIRES[name], seed, figures)


def main(seeds: int, names: Sequence[str]) -> None:
    """Print a row for each wire."""
    print("| wire | seeds | readings | believed | of another quantity | before the question | not well again |")  # noqa: T201
    print("| --- | ---: | ---: | ---: | ---: | ---: | ---: |")  # noqa: T201
    for name in names or WIRES:
        figures = Figures()
        for seed in range(seeds):
            run(name, seed, figures)
        row = (name, figures.seeds, figures.polls, figures.believed)
        bad = [
            len({each.split(":")[0] for each in group}) for group in (figures.of_another, figures.stale, figures.lost)
        ]
        print("|", *" | ".join(map(str, (*row, *bad))).split("\n"), "|", flush=True)  # noqa: T201
        for group in (figures.of_another, figures.stale, figures.lost):
            for each in group[:3]:
                print("   ", each, file=sys.stderr)  # noqa: T201


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 300, sys.argv[2:])
