"""``lampwarden init``: asks a few questions about what was found, and composes a commented ``bench.toml``.

Owns the questions of the first hour and what is taken for an answer. What there is to ask about is found by
:mod:`.initialise_ports`, what is written stands in :mod:`.initialise_file`. The text is read back with the daemon's own
model before it is called done.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, TypeVar

from pydantic import TypeAdapter, ValidationError

from ...drivers.plan import Driver
from ...drivers.registry import Registry
from ...protocol.errors import ConfigurationError
from ...protocol.setup import BenchId, Grid, Label, spot_name
from ..config import BenchConfig, parse_config
from .initialise_file import Chosen, has_light, head, instruments, primary, rest
from .initialise_ports import FoundPort

ROLES: Final = ("quantum_sensor", "spectrometer", "power_meter", "air_inside", "air_outside", "foot_switch")
_DRIVER_ROLE: Final = {"air_inside": "air_logger", "air_outside": "air_logger"}

TRIES: Final = 3
"""So often an answer is asked for before it is given up: an end for whoever answers by a script."""

T = TypeVar("T")
Ask = Callable[[str, str], str]
"""Question and the answer that is taken for an empty line → answer."""
Tell = Callable[[str], None]
"""Gets the reason why an answer is asked for again."""


@dataclass(frozen=True, slots=True)
class Wishes:
    """What was given as options; None is asked."""

    bench: str | None = None
    title: str | None = None
    columns: int | None = None
    rows: int | None = None
    pitch_mm: float | None = None
    reference: str | None = None
    mains: str | None = None
    """Voltage and frequency, as 230/50."""
    instruments: tuple[str, ...] = ()
    """ROLE=PROFILE@PORT each; with any of these no port is asked about."""


def compose(
    wishes: Wishes, ports: Sequence[FoundPort], registry: Registry, ask: Ask, tell: Tell = lambda _: None
) -> str:
    """The text of a first ``bench.toml``.

    Args:
        wishes: What was given as options.
        ports: What was found.
        registry: Of profiles.
        ask: Asks a person; with no person it returns what it is given for an empty line.
        tell: Gets the reason before a question is asked again.

    Raises:
        ConfigurationError: An option does not fit, or an answer still does not at the last try; says which and why.
    """
    _refuse_bad_options(wishes, registry)
    person = _Person(ask, tell)
    bench = person.answer(
        wishes.bench, "A short name for this bench (lower case letters, digits, - and _)", "bench-1", _bench_id
    )
    title = person.answer(wishes.title, "What people call it", "lamp bench", _title)
    columns = wishes.columns or person.answer(
        None, "Columns of the grid (letters)", "6", lambda text: _whole(text, "columns", most=52)
    )
    rows = wishes.rows or person.answer(
        None, "Rows of the grid (numbers)", "4", lambda text: _whole(text, "rows", most=99)
    )
    pitch = wishes.pitch_mm or person.answer(
        None, "Distance from spot to spot, mm", "150", lambda text: _figure(text, "pitch")
    )
    middle = f"{chr(ord('A') + min(columns, 26) // 2)}{rows // 2 + 1}"
    reference = person.answer(
        wishes.reference,
        "Reference point, normally the brightest spot",
        middle,
        lambda text: _spot(text, columns, rows),
    )
    voltage, frequency = person.answer(wishes.mains, "Mains, volt/hertz", "230/50", _mains)
    drivers = [(name, driver) for name, driver in registry.describe() if not isinstance(driver, ConfigurationError)]
    if wishes.instruments:
        chosen = [_wish(text, registry) for text in wishes.instruments]
    else:
        chosen = [found for role in ROLES if (found := _choose(role, ports, drivers, person)) is not None]
    text = "\n".join(
        [
            *head(bench, title, columns, rows, pitch, reference, voltage, frequency),
            *primary(chosen),
            *instruments(chosen),
            *rest(ports, chosen),
        ]
    )
    if wishes.instruments or has_light(chosen):
        _read_back(text)
    return text


@dataclass(frozen=True, slots=True)
class _Person:
    """Who answers: each answer is checked at its question, so that a slip costs one answer and not all of them."""

    ask: Ask
    tell: Tell

    def answer(self, option: str | None, question: str, default: str, read: Callable[[str], T]) -> T:
        """What an option says, or else what a person answers, asked again with the reason while it does not fit."""
        if option is not None:
            return read(option)
        for _ in range(TRIES - 1):
            try:
                return read(self.ask(question, default))
            except ConfigurationError as error:
                self.tell(str(error))
        return read(self.ask(question, default))


def _refuse_bad_options(wishes: Wishes, registry: Registry) -> None:
    """An option that does not fit is told before anything is asked; the reference point needs the grid first."""
    if wishes.bench is not None:
        _bench_id(wishes.bench)
    if wishes.title is not None:
        _title(wishes.title)
    if wishes.pitch_mm is not None:
        _figure(str(wishes.pitch_mm), "pitch")
    if wishes.mains is not None:
        _mains(wishes.mains)
    if wishes.reference is not None and wishes.columns is not None and wishes.rows is not None:
        _spot(wishes.reference, wishes.columns, wishes.rows)
    for text in wishes.instruments:
        _wish(text, registry)


def _read_back(text: str) -> BenchConfig:
    return parse_config(text, where="what was answered")


def _wish(text: str, registry: Registry) -> Chosen:
    role, _, rest = text.partition("=")
    profile, _, port = rest.partition("@")
    if role not in ROLES or not profile or not port:
        raise ConfigurationError(
            f"{text!r} is not understood",
            where="--instrument",
            mend=f"write ROLE=PROFILE@PORT; roles: {', '.join(ROLES)}",
        )
    plays = registry.find(profile).role.name
    if plays != _DRIVER_ROLE.get(role, role):
        raise ConfigurationError(
            f"{text!r}: the profile is that of a {plays.replace('_', ' ')}",
            where="--instrument",
            mend="lampwarden profiles lists those for each role",
        )
    return role, profile, port


def _choose(
    role: str, ports: Sequence[FoundPort], drivers: Sequence[tuple[str, Driver]], person: _Person
) -> Chosen | None:
    """Ask where an instrument is, and which profile it follows."""
    fitting = [(name, driver) for name, driver in drivers if driver.role.name == _DRIVER_ROLE.get(role, role)]
    possible = [port for port in ports if any(_suits(port, driver) for _, driver in fitting)]
    if not possible or not fitting:
        return None
    listed = "; ".join(f"{i + 1}: {port.port} ({port.what})" for i, port in enumerate(possible))

    def number_listed(answer: str) -> int:
        number = _whole(answer, role, least=0)
        if number > len(possible):
            raise ConfigurationError(f"{answer} is not one of the ports listed", where=role)
        return number

    thing = f"logger of the {role.replace('_', ' ')}" if role.startswith("air_") else role.replace("_", " ")
    question = f"Where is the {thing}? {listed}; 0: there is none"
    number = person.answer(None, question, "0", number_listed)
    if number == 0:
        return None
    port = possible[number - 1]
    suiting = [(name, driver) for name, driver in fitting if _suits(port, driver)]
    names = [name for name, _ in suiting]

    def profile_listed(answer: str) -> str:
        if answer not in names:
            raise ConfigurationError(
                f"{answer!r} is not one of the profiles listed",
                where=f"profile of the {role.replace('_', ' ')}",
                mend=f"answer with one of {', '.join(names)}",
            )
        return answer

    profile = names[0]
    if len(suiting) > 1:
        kinds = "; ".join(f"{name}: {driver.title}" for name, driver in suiting)
        question = f"Which profile does the {role.replace('_', ' ')} follow? {kinds}"
        profile = person.answer(None, question, profile, profile_listed)
    return role, profile, port.port


def _suits(port: FoundPort, driver: Driver) -> bool:
    """Whether a driver could be at a port, as far as the wire goes."""
    try:
        plan = driver.plan({})
    except ConfigurationError:
        return port.wire == "serial"  # it needs an option first; serial ports are where such devices are
    if port.wire == "serial":
        return plan.serial is not None
    return plan.usb is not None and (port.wire == "hid") == (driver.role.name == "foot_switch")


def _bench_id(answer: str) -> str:
    try:
        return TypeAdapter(BenchId).validate_python(answer)
    except ValidationError:
        raise ConfigurationError(
            f"{answer!r} does not fit",
            where="bench",
            mend="lower case letters, digits, - and _, at most 63, a letter or digit first",
        ) from None


def _title(answer: str) -> str:
    try:
        return TypeAdapter(Label).validate_python(answer)
    except ValidationError:
        raise ConfigurationError(
            f"{answer!r} does not fit", where="title", mend="1 to 120 characters, no control characters"
        ) from None


def _spot(answer: str, columns: int, rows: int) -> str:
    spot = answer.strip().upper()
    spots = Grid(columns=columns, rows=rows, pitch_x_mm=1.0, pitch_y_mm=1.0, reference="A1").spots()
    if spot not in spots:
        raise ConfigurationError(
            f"{answer!r} is not a spot of this grid",
            where="reference",
            mend=f"{spots[0]} to {spot_name(columns - 1, rows - 1)}",
        )
    return spot


def _whole(answer: str, where: str, *, least: int = 1, most: int | None = None) -> int:
    text = answer.strip()
    value = int(text) if text.isascii() and text.isdigit() and len(text) < 10 else -1
    if value < least or (most is not None and value > most):
        to = "" if most is None else f" to {most}"
        raise ConfigurationError(f"{answer!r} is not a whole number from {least}{to}", where=where)
    return value


def _figure(answer: str, where: str) -> float:
    try:
        value = float(answer)
    except ValueError:
        value = 0.0
    if not 0.0 < value < 1e6:
        raise ConfigurationError(f"{answer!r} is not a figure above 0", where=where)
    return value


def _mains(answer: str) -> tuple[float, float]:
    voltage, _, frequency = answer.partition("/")
    try:
        return _figure(voltage, "mains"), _figure(frequency, "mains")
    except ConfigurationError:
        raise ConfigurationError(f"{answer!r} is not volt/hertz, as 230/50", where="mains") from None
