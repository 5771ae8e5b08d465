"""What a driver is to the registry: a name, a role, and how it goes from options to an instrument on a link.

This is also the interface of outside drivers: an entry point in the group ``lampwarden.drivers`` names a
:class:`Driver`. Nothing here opens a port.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TypeVar

from pydantic import BaseModel, JsonValue, ValidationError

from .links.base import ByteLink, SerialSettings, UsbInterface, UsbLink
from .profile_errors import plain_error
from .quantities import Quantity
from .roles import Instrument, Role

OptionsT = TypeVar("OptionsT", bound=BaseModel)


@dataclass(frozen=True, slots=True)
class SerialPlan:
    """The driver's wish for a serial link, and what it builds on it."""

    settings: SerialSettings
    build: Callable[[ByteLink], Instrument]


@dataclass(frozen=True, slots=True)
class UsbPlan:
    """The driver's wish for a USB link, and what it builds on it."""

    interface: UsbInterface
    build: Callable[[UsbLink], Instrument]


@dataclass(frozen=True, slots=True)
class Plan:
    """What remains of a driver once its options are known; at least one of the two is given.

    Building must not touch the link: it is opened later, on its runner.
    """

    serial: SerialPlan | None = None
    usb: UsbPlan | None = None


@dataclass(frozen=True, slots=True)
class Driver:
    """A driver by its name in ``bench.toml``."""

    name: str
    role: Role[Instrument]
    title: str
    plan: Callable[[Mapping[str, JsonValue]], Plan]
    """Checks options, and raises ConfigurationError with the key and what it expects."""
    source: str = ""
    """Where it comes from: a file, or the distribution of an entry point."""
    response_time_s: float = 0.0
    """Time constant of a quantum sensor (63 % of a change); 0 where the profile does not say."""
    resolutions: Mapping[Quantity, float] = field(default_factory=dict)
    """Smallest step of each quantity, in the record's unit; left out where the profile does not say."""
    is_foreign: bool = False
    """Set by the registry: code of another distribution, whose defects must not be ours."""


def parse_options(model: type[OptionsT], options: Mapping[str, JsonValue], *, driver: str) -> OptionsT:
    """Check a driver's options against its model.

    Raises:
        ConfigurationError: Names the option, and what is expected.
    """
    try:
        return model.model_validate(dict(options))
    except ValidationError as error:
        known = ", ".join(model.model_fields) or "none"
        mend = f"its options are: {known}"
        raise plain_error(error, where=f"options of driver {driver}", given=options, mend=mend) from None
