"""What scalar instruments measure, and how a device's figure becomes the record's.

A profile states for each quantity the device's unit (UCUM), scale and offset; here is the way from there to the unit
that the role promises. Knows no wire and no device.
"""

import math
from dataclasses import dataclass, field
from enum import Enum
from typing import Final

from ..protocol import units
from ..protocol.errors import DeviceError


class Quantity(Enum):
    """Quantities by their name in profiles."""

    PPFD = "ppfd"
    VOLTAGE = "voltage"
    CURRENT = "current"
    POWER = "power"
    POWER_FACTOR = "power_factor"
    FREQUENCY = "frequency"
    TEMPERATURE = "temperature"
    HUMIDITY = "humidity"
    PRESSURE = "pressure"

    # A member equals itself alone; Enum's own would hash its name anew at each look-up, some twenty a poll.
    __hash__ = object.__hash__

    @property
    def unit(self) -> str:
        """The unit that the role promises."""
        return _RECORD_UNITS[self]


_RECORD_UNITS: Final = {
    Quantity.PPFD: units.PPFD,
    Quantity.VOLTAGE: units.VOLT,
    Quantity.CURRENT: units.AMPERE,
    Quantity.POWER: units.WATT,
    Quantity.POWER_FACTOR: units.ONE,
    Quantity.FREQUENCY: units.HERTZ,
    Quantity.TEMPERATURE: units.CELSIUS,
    Quantity.HUMIDITY: units.PERCENT,
    Quantity.PRESSURE: units.HECTOPASCAL,
}

# Which quantities a role takes, and which of them a profile must give.
ROLE_QUANTITIES: Final[dict[str, tuple[frozenset[Quantity], frozenset[Quantity]]]] = {
    "quantum_sensor": (frozenset({Quantity.PPFD}), frozenset({Quantity.PPFD})),
    "power_meter": (
        frozenset(
            {Quantity.VOLTAGE, Quantity.CURRENT, Quantity.POWER, Quantity.POWER_FACTOR, Quantity.FREQUENCY},
        ),
        frozenset({Quantity.POWER}),
    ),
    "air_logger": (frozenset({Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.PRESSURE}), frozenset()),
}

# UCUM spelling of a device's unit: factor and offset to the record's unit (value × factor + offset).
# UCUM 2.2, table of units; conventional values: ISO 80000-4 (standard atmosphere 101325 Pa, conventional millimetre of
# mercury 133.322387415 Pa, inch 25.4 of those), day 86,400 s.
_CONVERSIONS: Final[dict[str, dict[str, tuple[float, float]]]] = {
    units.PPFD: {
        "umol/m2/s": (1, 0),
        "umol/(m2.s)": (1, 0),
        "umol.m-2.s-1": (1, 0),
        "nmol/m2/s": (1e-3, 0),
        "mmol/m2/s": (1e3, 0),
        "mol/m2/s": (1e6, 0),
        "mol/m2/d": (1e6 / 86400, 0),
    },
    units.VOLT: {"V": (1, 0), "mV": (1e-3, 0), "kV": (1e3, 0)},
    units.AMPERE: {"A": (1, 0), "mA": (1e-3, 0), "kA": (1e3, 0)},
    units.WATT: {"W": (1, 0), "mW": (1e-3, 0), "kW": (1e3, 0)},
    units.HERTZ: {"Hz": (1, 0), "mHz": (1e-3, 0), "kHz": (1e3, 0)},
    units.CELSIUS: {"Cel": (1, 0), "K": (1, -273.15), "[degF]": (5 / 9, -160 / 9)},
    units.PERCENT: {"%": (1, 0), "1": (100, 0)},
    units.ONE: {"1": (1, 0), "%": (0.01, 0)},
    units.HECTOPASCAL: {
        "hPa": (1, 0),
        "mbar": (1, 0),
        "Pa": (0.01, 0),
        "kPa": (10, 0),
        "bar": (1000, 0),
        "atm": (1013.25, 0),
        "mm[Hg]": (1.33322387415, 0),
        "[in_i'Hg]": (25.4 * 1.33322387415, 0),
    },
}


def units_for(quantity: Quantity) -> tuple[str, ...]:
    """The units that a device may report this quantity in."""
    return tuple(_CONVERSIONS[quantity.unit])


def is_same_unit(quantity: Quantity, one: str, other: str) -> bool:
    """Whether two of a quantity's units are one by two names, as hPa and mbar are."""
    known = _CONVERSIONS[quantity.unit]
    return known.get(one, one) == known.get(other, other)


@dataclass(frozen=True, slots=True)
class Conversion:
    """From a device's raw figure to the record's: ``(raw × scale + offset)`` is in ``unit``, then into the record's.

    ``low`` and ``high`` bound what the device can measure, in ``unit``: figures beyond are its way to say that it
    cannot (a broken probe, an overflow), and never become a value.
    """

    quantity: Quantity
    unit: str
    scale: float = 1.0
    offset: float = 0.0
    low: float = -math.inf
    high: float = math.inf
    _to_record: tuple[float, float] = field(init=False, repr=False, compare=False)
    """Looked up once: a figure is converted at every poll."""

    def __post_init__(self) -> None:
        found = _CONVERSIONS[self.quantity.unit].get(self.unit)
        if found is None:
            known = ", ".join(units_for(self.quantity))
            raise ValueError(f"{self.unit!r} is no unit of {self.quantity.value}: {known}")
        object.__setattr__(self, "_to_record", found)

    def step(self, resolution: float) -> float:
        """Return a step given in ``unit`` as a step of the record's unit."""
        return abs(resolution * self._to_record[0])

    def convert(self, raw: float, *, where: str) -> float:
        """Return the figure in the record's unit.

        Raises:
            DeviceError: It is not finite, or beyond what the device can measure.
        """
        value = raw * self.scale + self.offset
        if not self.low <= value <= self.high and not self._is_on_the_edge(value):
            raise DeviceError(
                f"{self.quantity.value} of {value:g} {self.unit} is not within {self.low:g} to {self.high:g}",
                where=where,
                mend="check the probe; if the value is real, correct the range in the profile",
            )
        factor, shift = self._to_record
        result = value * factor + shift
        if not math.isfinite(result):
            raise DeviceError(f"{self.quantity.value} is not a number", where=where, mend="check the probe")
        return result

    def _is_on_the_edge(self, value: float) -> bool:
        """A figure on the very edge must not fall out by the rounding of scale: one part in a billion is allowed."""
        slack = 1e-9 * max(1.0, abs(value))
        return self.low - slack <= value <= self.high + slack
