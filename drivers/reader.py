"""Scalar instruments: one reader a wire, and the roles that sit on any of them.

A reader knows how to ask its wire for named quantities; a role knows which names it needs. So a power meter is the same
class whether it speaks Modbus or SCPI, and a wire serves every role.
"""

from collections.abc import Mapping
from typing import Protocol, runtime_checkable

from ..protocol.errors import DeviceError
from .quantities import Quantity
from .roles import AirSample, Identity, SupplySample

# ruff: noqa: D102  roles.py documents the methods of the roles


class Reader(Protocol):
    """Reads quantities over one wire; blocking, bounded by ``bound_s``."""

    @property
    def port(self) -> str:
        """For errors."""
        ...

    @property
    def bound_s(self) -> float:
        """Longest wire time of one call, retries included."""
        ...

    @property
    def identify_bound_s(self) -> float:
        """The same for :meth:`identify`."""
        ...

    def identify(self) -> Identity:
        """Ask the device who it is."""
        ...

    def read(self) -> Mapping[Quantity, float]:
        """Read all quantities of the profile once, in the record's units.

        Quantities that the device could not deliver this time are left out, unless none could be delivered.
        """
        ...


@runtime_checkable
class PreparedReader(Reader, Protocol):
    """A reader that must find out how its device wants to be read; see :class:`~.roles.Prepared`."""

    @property
    def step_bound_s(self) -> float:
        """As of the instrument."""
        ...

    def prepare(self) -> bool:
        """As of the instrument."""
        ...


class _ReaderDriver:
    """What the three roles below share."""

    def __init__(self, reader: Reader) -> None:
        self._reader = reader

    @property
    def identify_bound_s(self) -> float:
        return self._reader.identify_bound_s

    @property
    def step_bound_s(self) -> float:
        return self._reader.step_bound_s if isinstance(self._reader, PreparedReader) else self._reader.bound_s

    def prepare(self) -> bool:
        return self._reader.prepare() if isinstance(self._reader, PreparedReader) else True

    @property
    def bound_s(self) -> float:
        return self._reader.bound_s

    def identify(self) -> Identity:
        return self._reader.identify()

    def close(self) -> None:
        """Nothing was changed on the device."""

    def _need(self, values: Mapping[Quantity, float], quantity: Quantity) -> float:
        if quantity not in values:
            raise DeviceError(f"the device gave no {quantity.value}", where=self._reader.port)
        return values[quantity]


class QuantumSensorDriver(_ReaderDriver):
    """A :class:`~.roles.QuantumSensor` on any reader."""

    def read_ppfd_umol(self) -> float:
        return self._need(self._reader.read(), Quantity.PPFD)


class PowerMeterDriver(_ReaderDriver):
    """A :class:`~.roles.PowerMeter` on any reader."""

    def read_supply(self) -> SupplySample:
        values = self._reader.read()
        return SupplySample(
            voltage_v=values.get(Quantity.VOLTAGE),
            current_a=values.get(Quantity.CURRENT),
            power_w=self._need(values, Quantity.POWER),
            power_factor=values.get(Quantity.POWER_FACTOR),
            frequency_hz=values.get(Quantity.FREQUENCY),
        )


class AirLoggerDriver(_ReaderDriver):
    """An :class:`~.roles.AirLogger` on any reader."""

    def read_air(self) -> AirSample:
        values = self._reader.read()
        return AirSample(
            temperature_c=values.get(Quantity.TEMPERATURE),
            humidity_percent=values.get(Quantity.HUMIDITY),
            pressure_hpa=values.get(Quantity.PRESSURE),
        )
