"""Profiles: how one kind of device speaks, as a TOML file says it.

Owns the file's form and its checks; ``profile_spectrometer.py`` has the largest of its tables, ``profile_errors.py``
words what is wrong, ``profile_drivers.py`` makes drivers of it, ``registry.py`` finds the files. The
key ``wire`` decides which other tables a profile has. Every quantity says its unit (UCUM), scale, offset and range;
what a profile leaves out has the default written here.
"""

import re
import tomllib
from collections.abc import Mapping
from typing import Annotated, Final, Literal, Self

from pydantic import (
    Field,
    TypeAdapter,
    ValidationError,
    field_validator,
    model_validator,
)

from ..protocol.errors import ConfigurationError
from ..protocol.quantity import Deferred
from .codecs.contact import LONG_PRESS_S
from .codecs.modbus import ByteOrder, NumberType, RegisterKind
from .codecs.text import Columns, Pattern
from .links.base import Parity, SerialSettings
from .modbus_reader import RESPONSE_S
from .profile_errors import plain_error
from .profile_spectrometer import ScpiText, SpectrometerTable
from .quantities import ROLE_QUANTITIES, Conversion, Quantity

ScalarRole = Literal["quantum_sensor", "power_meter", "air_logger"]


class SerialTable(Deferred):
    """``[serial]``: how the line is set."""

    baud: int = Field(default=9600, ge=300, le=4_000_000)
    data_bits: Literal[7, 8] = 8
    parity: Parity = "N"
    stop_bits: Literal[1, 2] = 1

    def settings(self) -> SerialSettings:
        """As links take it."""
        return SerialSettings(self.baud, self.data_bits, self.parity, self.stop_bits)


class _QuantityTable(Deferred):
    """``[quantities.NAME]``: what all wires share."""

    unit: str = Field(min_length=1, description="UCUM; what raw × scale + offset is in")
    scale: float = Field(default=1.0, description="never 0")
    offset: float = 0.0
    range: tuple[float, float] | None = Field(default=None, description="what the device can measure, in `unit`")
    resolution: float = Field(
        default=0.0,
        ge=0,
        description="of ppfd: smallest step, in `unit`; counts where the calibration has none",
    )

    def conversion(self, quantity: Quantity) -> Conversion:
        """As readers take it."""
        if self.range is None:
            return Conversion(quantity, self.unit, self.scale, self.offset)
        return Conversion(quantity, self.unit, self.scale, self.offset, *self.range)

    @field_validator("scale")
    @classmethod
    def _is_no_zero(cls, given: float) -> float:
        if given == 0:
            raise ValueError("a number other than 0 is expected")
        return given

    @field_validator("range")
    @classmethod
    def _ascends(cls, given: tuple[float, float] | None) -> tuple[float, float] | None:
        if given is not None and given[0] >= given[1]:
            raise ValueError("two numbers are expected, the lower first")
        return given


class RegisterQuantity(_QuantityTable):
    """A quantity in Modbus registers."""

    kind: Literal["holding", "input"] = Field(description="read by function 03 or 04")
    address: int = Field(ge=0, le=0xFFFF, description="counted from 0, as on the wire")
    type: NumberType
    order: ByteOrder = Field(default=ByteOrder.ABCD, description="of the bytes on the wire, A the most significant")
    bits: tuple[int, int] | None = Field(default=None, description="first bit from the least significant, and how many")

    @property
    def register_kind(self) -> RegisterKind:
        """As the codec takes it."""
        return RegisterKind.HOLDING if self.kind == "holding" else RegisterKind.INPUT

    @model_validator(mode="after")
    def _registers_fit(self) -> Self:
        last = 0x10000 - self.type.words
        if self.address > last:
            raise ValueError(f"address = {last} at most is expected for {self.type.value}")
        return self

    @model_validator(mode="after")
    def _bits_fit(self) -> Self:
        if self.bits is not None:
            first, count = self.bits
            if self.type.value[0] != "u" or first < 0 or count < 1 or first + count > 16 * self.type.words:
                raise ValueError("bits = [first, count] within an unsigned type are expected")
        return self


Sdi12Command = Annotated[str, Field(pattern="^(M[1-9]?|C[1-9]?|R[0-9])$")]


class ValueQuantity(_QuantityTable):
    """A quantity among the values of an SDI-12 measurement."""

    index: int = Field(default=0, ge=0, le=98, description="position among the values, from 0")
    command: Sdi12Command | None = Field(default=None, description="left out: that of [sdi12]")


class QueryQuantity(_QuantityTable):
    """A quantity that a SCPI query gives."""

    query: ScpiText = Field(description="such as `MEAS:POW?`; one that serves several quantities is asked once")
    index: int = Field(default=0, ge=0, le=98, description="position among the answer's numbers, from 0")


class TransducerQuantity(_QuantityTable):
    """A quantity in an NMEA 0183 XDR group: by transducer type, and by name where several have the type."""

    transducer: str = Field(min_length=1, max_length=1, description="type letter of the group: C, H, P…")
    name: str | None = Field(default=None, description="of the group; left out: the first of its type")
    letter: str | None = Field(
        default=None,
        min_length=1,
        max_length=8,
        description="the device's letter for `unit`; left out: as in the standard",
    )


class GroupQuantity(_QuantityTable):
    """A quantity in a text line: in the pattern's named group of the same name, or in a column."""

    column: int | None = Field(default=None, ge=0, le=255, description="position between the delimiters, from 0")


class _ProfileBase(Deferred):
    """What all profiles have."""

    title: str = Field(min_length=1, max_length=120, description="the device, for people")


class ScalarProfile(_ProfileBase):
    """A profile of a scalar role: which quantities it must and may give."""

    role: ScalarRole
    serial: SerialTable = SerialTable()
    response_time_s: float = Field(
        default=0.0,
        ge=0,
        le=60,
        description="of a quantum sensor: time constant (63 % of a change); a settle time is at least five",
    )

    def tables(self) -> Mapping[Quantity, _QuantityTable]:
        """The quantity tables, whatever the wire."""
        raise NotImplementedError

    @model_validator(mode="after")
    def _quantities_fit(self) -> Self:
        if self.response_time_s and self.role != "quantum_sensor":
            raise ValueError("response_time_s: only a quantum sensor's is expected, no gate waits for the others")
        may, must = ROLE_QUANTITIES[self.role]
        given = set(self.tables())
        listed = ", ".join(sorted(quantity.value for quantity in may))
        if not given or not given <= may:
            raise ValueError(f"quantities: {self.role} takes {listed}")
        if missing := must - given:
            raise ValueError(f"quantities: {self.role} needs {', '.join(quantity.value for quantity in missing)}")
        for quantity, table in self.tables().items():
            try:
                table.conversion(quantity)
            except ValueError as error:
                raise ValueError(f"quantities.{quantity.value}.unit: {error}") from None
            if table.resolution and quantity is not Quantity.PPFD:
                raise ValueError(f"quantities.{quantity.value}.resolution: only that of ppfd is expected")
        return self


class ModbusTable(Deferred):
    """``[modbus]``: which unit, and how patient to be."""

    unit: int = Field(default=1, ge=1, le=247, description="the server's address on the line")
    response_s: float = Field(
        default=RESPONSE_S, gt=0, le=10, description="time until an answer begins; asked three times"
    )
    echo: bool = Field(default=False, description="the adapter hears its own requests, as some two-wire ones do")
    identification: bool = Field(
        default=True, description="false: it keeps silent when it is asked who it is, instead of refusing"
    )


class ModbusProfile(ScalarProfile):
    """A Modbus RTU device."""

    wire: Literal["modbus"]
    modbus: ModbusTable = ModbusTable()
    quantities: dict[Quantity, RegisterQuantity]

    def tables(self) -> Mapping[Quantity, _QuantityTable]:
        """See above."""
        return self.quantities


class Sdi12Table(Deferred):
    """``[sdi12]``: which sensor, and what it is asked."""

    address: str = Field(default="0", pattern="^[0-9A-Za-z]$")
    command: Sdi12Command | None = Field(default=None, description="left out: R0 where offered, else M")
    crc: bool | None = Field(default=None, description="left out: with CRC where offered")


class Sdi12Profile(ScalarProfile):
    """An SDI-12 device."""

    wire: Literal["sdi12"]
    # The standard's line: 1200 Bd, 7E1 (SDI-12 v1.4, section 3.3 and 4.1).
    serial: SerialTable = SerialTable(baud=1200, data_bits=7, parity="E")
    sdi12: Sdi12Table = Sdi12Table()
    quantities: dict[Quantity, ValueQuantity]

    def tables(self) -> Mapping[Quantity, _QuantityTable]:
        """See above."""
        return self.quantities


class ScpiTable(Deferred):
    """``[scpi]``: what is sent first, and how patient to be."""

    setup: tuple[ScpiText, ...] = Field(default=(), description="commands sent once after opening")
    response_s: float = Field(default=2.0, gt=0, le=60, description="time that the slowest query may take")


class ScpiProfile(ScalarProfile):
    """A SCPI device of a scalar role."""

    wire: Literal["scpi"]
    scpi: ScpiTable = ScpiTable()
    quantities: dict[Quantity, QueryQuantity]

    def tables(self) -> Mapping[Quantity, _QuantityTable]:
        """See above."""
        return self.quantities


class LinesTable(Deferred):
    """``[lines]``: devices that print lines."""

    request: str | None = Field(default=None, max_length=80, description="sent to get a line; left out: it talks alone")
    interval_s: float = Field(default=2.0, gt=0, le=600, description="longest time between two lines")

    @field_validator("request")
    @classmethod
    def _is_ascii(cls, given: str | None) -> str | None:
        if given is not None and not (given and given.isascii()):
            raise ValueError("ASCII characters are expected")
        return given


class NmeaProfile(ScalarProfile):
    """A device that sends NMEA 0183 XDR sentences."""

    wire: Literal["nmea"]
    # NMEA 0183's line: 4800 Bd 8N1 (from memory).
    serial: SerialTable = SerialTable(baud=4800)
    lines: LinesTable = LinesTable()
    quantities: dict[Quantity, TransducerQuantity]

    def tables(self) -> Mapping[Quantity, _QuantityTable]:
        """See above."""
        return self.quantities


class TextTable(LinesTable):
    """``[lines]`` of a text device: a pattern, or delimited columns."""

    pattern: str | None = Field(
        default=None, min_length=1, max_length=500, description="regular expression with a named group a quantity"
    )
    delimiter: str | None = Field(
        default=None, min_length=1, max_length=8, description="between columns; a blank is any white space"
    )
    columns: int | None = Field(
        default=None, ge=1, le=256, description="how many a line has; lines with another number are not read"
    )

    @field_validator("pattern")
    @classmethod
    def _compiles(cls, given: str | None) -> str | None:
        try:
            re.compile(given or "")
        except re.error as error:
            raise ValueError(f"a regular expression is expected: {error}") from None
        return given

    @model_validator(mode="after")
    def _one_form(self) -> Self:
        if (self.pattern is None) == (self.delimiter is None):
            raise ValueError("one of pattern and delimiter is expected")
        if (self.delimiter is None) != (self.columns is None):
            raise ValueError("columns is expected with delimiter, and only there")
        return self


class TextProfile(ScalarProfile):
    """A device that prints its values as text."""

    wire: Literal["text"]
    lines: TextTable
    quantities: dict[Quantity, GroupQuantity]

    def tables(self) -> Mapping[Quantity, _QuantityTable]:
        """See above."""
        return self.quantities

    def layout(self) -> Pattern | Columns:
        """As the reader takes it."""
        lines = self.lines
        if lines.pattern is not None:
            return Pattern(re.compile(lines.pattern))
        positions = {quantity.value: each.column or 0 for quantity, each in self.quantities.items()}
        return Columns(lines.delimiter or "", lines.columns or 0, positions)

    @model_validator(mode="after")
    def _quantities_are_found(self) -> Self:
        columns = {quantity.value: each.column for quantity, each in self.quantities.items()}
        without = ", ".join(sorted(name for name, column in columns.items() if column is None))
        if self.lines.pattern is not None:
            groups = set(re.compile(self.lines.pattern).groupindex)
            if missing := ", ".join(sorted(columns.keys() - groups)):
                raise ValueError(f"lines.pattern: a named group (?P<NAME>…) for {missing} is expected")
            if any(column is not None for column in columns.values()):
                raise ValueError("quantities: no column is expected with a pattern")
            return self
        if without:
            raise ValueError(f"quantities: column is expected for {without}")
        last = (self.lines.columns or 0) - 1
        for name, column in columns.items():
            if column is not None and column > last:
                raise ValueError(f"quantities: column of {name} is expected to be 0 to {last}")
        if len(set(columns.values())) < len(columns):
            raise ValueError("quantities: each quantity its own column is expected")
        return self


class SpectrometerProfile(_ProfileBase):
    """A spectrometer that speaks SCPI."""

    role: Literal["spectrometer"]
    wire: Literal["scpi-spectrometer"]
    serial: SerialTable = SerialTable(baud=115200)
    spectrometer: SpectrometerTable


class HidTable(Deferred):
    """``[hid]``: what a report means."""

    report: Literal["keyboard", "plain"] = "keyboard"
    key: int | None = Field(default=None, ge=4, le=0xE7, description="HID usage; left out: any key")
    mask: tuple[Annotated[int, Field(ge=0, le=255)], ...] = Field(
        default=(), max_length=64, description="bits of a plain report that count; left out: all"
    )
    long_press_s: float = Field(default=LONG_PRESS_S, gt=0.05, le=10)


class HidProfile(_ProfileBase):
    """A foot switch on USB HID."""

    role: Literal["foot_switch"]
    wire: Literal["hid"]
    hid: HidTable = HidTable()


class ContactTable(Deferred):
    """``[contact]``: where the switch is wired."""

    line: Literal["cts", "dsr", "ri", "cd"] = "cts"
    active: bool = Field(default=True, description="state of the line while the switch is pressed")
    long_press_s: float = Field(default=LONG_PRESS_S, gt=0.05, le=10)


class ContactProfile(_ProfileBase):
    """A foot switch on a modem line."""

    role: Literal["foot_switch"]
    wire: Literal["modem-line"]
    serial: SerialTable = SerialTable()
    contact: ContactTable = ContactTable()


Profile = (
    ModbusProfile
    | Sdi12Profile
    | ScpiProfile
    | NmeaProfile
    | TextProfile
    | SpectrometerProfile
    | HidProfile
    | ContactProfile
)


BY_WIRE: Final[Mapping[str, type[Profile]]] = {
    "modbus": ModbusProfile,
    "sdi12": Sdi12Profile,
    "scpi": ScpiProfile,
    "nmea": NmeaProfile,
    "text": TextProfile,
    "scpi-spectrometer": SpectrometerProfile,
    "hid": HidProfile,
    "modem-line": ContactProfile,
}


def parse_profile(text: str, *, where: str) -> Profile:
    """Read a profile's text.

    Raises:
        ConfigurationError: Not TOML, or a key is missing, unknown or wrong; names file, key and what is expected.
    """
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigurationError(f"not valid TOML: {error}", where=where) from None
    kind = BY_WIRE.get(str(table.get("wire")))
    try:
        if kind is not None:
            return kind.model_validate(table)
        # Only to say what is wrong with its wire: to make all eight ready takes time and memory.
        return TypeAdapter(Annotated[Profile, Field(discriminator="wire")]).validate_python(table)
    except ValidationError as error:
        branches = () if kind is not None else tuple(BY_WIRE)
        raise plain_error(error, where=where, given=table, skip=branches, mend=_MEND) from None


_MEND = "every key: lampwarden profiles keys"
