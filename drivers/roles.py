"""What the daemon may ask of an instrument, whatever its wire.

One small Protocol a role. This module knows nothing of wires, links or profiles; a driver fills a role by having its
methods, never by inheriting from it. All methods are blocking, are called on the link's runner (never on the event
loop) and return or raise within :attr:`Instrument.bound_s` seconds of wire time, unless they say otherwise.

Errors of every method: :class:`~lampwarden.protocol.errors.LinkError` (the way to the device),
:class:`~lampwarden.protocol.errors.WireError` (bytes that break the rules, after the wire's retries) and
:class:`~lampwarden.protocol.errors.DeviceError` (the device refused).
"""

from dataclasses import dataclass
from enum import Enum
from typing import Final, Generic, Protocol, TypeVar, runtime_checkable

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Identity:
    """Who a device says it is; empty strings where its wire does not tell."""

    maker: str
    model: str
    serial: str
    firmware: str
    raw: str

    @property
    def simulated(self) -> bool:
        """Whether the device declares itself simulated, so that its values can never pass for real ones."""
        return "SIMULATED" in self.raw


@dataclass(frozen=True, slots=True)
class SupplySample:
    """One look at the mains side of the ballast; None where the meter does not offer the quantity."""

    voltage_v: float | None
    current_a: float | None
    power_w: float
    power_factor: float | None
    frequency_hz: float | None


@dataclass(frozen=True, slots=True)
class AirSample:
    """One look at the air; None where the logger does not offer the quantity."""

    temperature_c: float | None
    humidity_percent: float | None
    pressure_hpa: float | None


@dataclass(frozen=True, slots=True)
class SpectrometerLimits:
    """What a spectrometer can do; ``full_scale_counts`` is the largest count its converter can give."""

    pixel_count: int
    full_scale_counts: float
    min_integration_s: float
    max_integration_s: float
    has_shutter: bool


class Press(Enum):
    """How the foot switch was pressed."""

    SHORT = "short"
    LONG = "long"


@runtime_checkable
class Instrument(Protocol):
    """What all instruments have in common."""

    @property
    def bound_s(self) -> float:
        """Longest wire time of one ordinary call, all retries included: what a runner may allow it."""
        ...

    def identify(self) -> Identity:
        """Ask the device who it is, over the wire; idempotent."""
        ...

    def close(self) -> None:
        """Leave the device as found; idempotent. The link is closed by its runner, not here."""
        ...


@runtime_checkable
class Prepared(Instrument, Protocol):
    """An instrument that may have to find out how its device wants to be read, in bounded steps; optional.

    So no single call is allowed the time of all of them, and a port that hangs is found out early.
    """

    @property
    def identify_bound_s(self) -> float:
        """Longest wire time of :meth:`identify`."""
        ...

    @property
    def step_bound_s(self) -> float:
        """Longest wire time of the next :meth:`prepare`."""
        ...

    def prepare(self) -> bool:
        """Take one step, after :meth:`identify`; True once nothing is left to be found out."""
        ...


@runtime_checkable
class QuantumSensor(Instrument, Protocol):
    """A sensor of photosynthetic photon flux density."""

    def read_ppfd_umol(self) -> float:
        """Read PPFD once, in µmol m⁻² s⁻¹; a little below zero in the dark is a truthful answer."""
        ...


@runtime_checkable
class PowerMeter(Instrument, Protocol):
    """A meter on the input side of the ballast."""

    def read_supply(self) -> SupplySample:
        """Read all offered quantities once, as close together as the wire allows."""
        ...


@runtime_checkable
class AirLogger(Instrument, Protocol):
    """A logger of air temperature, humidity and pressure."""

    def read_air(self) -> AirSample:
        """Read all offered quantities once."""
        ...


@runtime_checkable
class Spectrometer(Instrument, Protocol):
    """An array spectrometer that is triggered by us."""

    def read_limits(self) -> SpectrometerLimits:
        """Ask the device for its limits, or take them from its profile."""
        ...

    def read_wavelengths_nm(self) -> NDArray[np.float64]:
        """Return the wavelength of each pixel, shape ``(n_pixels,)``, in nm, ascending."""
        ...

    def capture_bound_s(self, integration_s: float, averages: int) -> float:
        """Longest wire time that :meth:`capture` can take with these settings."""
        ...

    def capture(self, integration_s: float, averages: int) -> NDArray[np.float64]:
        """Expose and read, shape ``(n_pixels,)``, counts averaged over ``averages`` exposures.

        Args:
            integration_s: Integration time of one exposure, within the limits.
            averages: Number of exposures averaged by the device, at least 1.

        Bounded by :meth:`capture_bound_s` rather than :attr:`bound_s`.
        """
        ...

    def set_shutter(self, *, is_open: bool) -> None:
        """Open or close the shutter; DeviceError where there is none."""
        ...


@runtime_checkable
class FootSwitch(Instrument, Protocol):
    """The operator's switch."""

    def wait_press(self, timeout_s: float) -> Press | None:
        """Wait at most ``timeout_s`` (plus the hold of a press already begun) for a press; None when none came.

        A press that began before the call counts if the device or the system had it queued: none is lost between
        two calls.
        """
        ...


RoleT_co = TypeVar("RoleT_co", bound=Instrument, covariant=True)


@dataclass(frozen=True, slots=True)
class Role(Generic[RoleT_co]):
    """A role as a value: its name in ``bench.toml`` and the Protocol that its drivers fill."""

    name: str
    protocol: type[RoleT_co]


# mypy refuses a Protocol where type[T] is asked, because T could be instantiated; Role never does.
QUANTUM_SENSOR: Final[Role[QuantumSensor]] = Role("quantum_sensor", QuantumSensor)  # type: ignore[type-abstract]  # see above
SPECTROMETER: Final[Role[Spectrometer]] = Role("spectrometer", Spectrometer)  # type: ignore[type-abstract]  # see above
POWER_METER: Final[Role[PowerMeter]] = Role("power_meter", PowerMeter)  # type: ignore[type-abstract]  # see above
AIR_LOGGER: Final[Role[AirLogger]] = Role("air_logger", AirLogger)  # type: ignore[type-abstract]  # see above
FOOT_SWITCH: Final[Role[FootSwitch]] = Role("foot_switch", FootSwitch)  # type: ignore[type-abstract]  # see above

ROLES: Final[dict[str, Role[Instrument]]] = {
    role.name: role for role in (QUANTUM_SENSOR, SPECTROMETER, POWER_METER, AIR_LOGGER, FOOT_SWITCH)
}
"""All roles by name."""
