"""``lampwarden profiles``: which kinds of device are known, what one reads, and trying one on the device at hand."""

import dataclasses
import logging
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Final

from pydantic import JsonValue
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from ...drivers.instruments import BenchInstrument, LinkPool, build_instrument
from ...drivers.links.wire_log import LOG as WIRE
from ...drivers.plan import Driver
from ...drivers.profile import parse_profile
from ...drivers.profile_drivers import driver_of
from ...drivers.registry import Registry
from ...drivers.roles import (
    ROLES,
    AirLogger,
    AirSample,
    FootSwitch,
    Instrument,
    PowerMeter,
    QuantumSensor,
    Spectrometer,
    SupplySample,
)
from ...protocol.errors import ConfigurationError, DeviceError, LampwardenError, LinkError, WireError, reason_of
from ..clock import wire_sleep

TRIES: Final = 5
PAUSE_S: Final = 1.0

Say = Callable[[str], None]


def show_profiles(folder: Path, console: Console) -> None:
    """Print all profiles and drivers, and what is wrong with those that cannot be used."""
    table = Table()
    for column in ("name", "for", "what", "from"):
        table.add_column(column, overflow="fold")
    for name, found in Registry(folder).describe():
        if isinstance(found, Driver):
            source = Path(found.source).parent.name if found.source.endswith(".toml") else found.source
            table.add_row(name, found.role.name.replace("_", " "), escape(found.title), escape(source))
        else:
            table.add_row(name, "", f"[bold red]unusable[/bold red]: {escape(str(found))}", "")
    console.print(table)


def show_profile(folder: Path, name: str, say: Say) -> None:
    """Print one profile: its own text, which says what it reads.

    Raises:
        ConfigurationError: There is none of this name.
    """
    driver = Registry(folder).find(name)
    say(f"# {driver.name}: {driver.title} ({driver.role.name.replace('_', ' ')}), from {driver.source}")
    path = Path(driver.source)
    if path.is_file():
        say(path.read_text(encoding="utf-8").rstrip())


def profile_of_file(path: Path, folder: Path) -> Driver:
    """Read a profile from a file, or by name if there is no such file.

    Args:
        path: The file, or the name.
        folder: Of ``bench.toml``, whose profiles come first.

    Raises:
        ConfigurationError: Neither a file nor a name, or the file is wrong: names the key and what is expected.
    """
    if path.suffix != ".toml" and not path.exists():
        return Registry(folder).find(str(path))
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigurationError(f"cannot be read: {reason_of(error)}", where=str(path)) from None
    return driver_of(parse_profile(text, where=str(path)), path.stem, source=str(path))


async def try_profile(path: Path, port: str, options: dict[str, str], say: Say, *, folder: Path) -> bool:
    """Connect, identify, read for a few seconds; raw bytes and values side by side.

    The port may also be a path from where one stands; ``folder`` is that of ``bench.toml``.

    Returns:
        Whether the device answered and was understood.

    Raises:
        ConfigurationError: The profile, an option or the port cannot be meant.
    """
    driver = profile_of_file(path, folder)
    port = _absolute(port)
    handler = _Tell(say)
    level = WIRE.level
    WIRE.addHandler(handler)
    WIRE.setLevel(logging.DEBUG)
    WIRE.propagate = False
    pool = LinkPool()
    try:
        return await _try(driver, port, options, pool, say)
    finally:
        await pool.close()
        WIRE.removeHandler(handler)
        WIRE.setLevel(level)
        WIRE.propagate = True


def _absolute(port: str) -> str:
    """A path from where one stands becomes one from the root; every other form of a port stays."""
    path = Path(port)
    return str(path.absolute()) if "://" not in port and path.exists() else port


async def _try(driver: Driver, port: str, options: dict[str, str], pool: LinkPool, say: Say) -> bool:
    device, read = _reader(driver, port, options, pool)
    good = True
    try:
        identity = await device.open()
        say(f"   identity: {identity.raw}")
    except (LinkError, WireError, DeviceError) as error:
        say(f"   identity: {error}")
        good = False
    for _ in range(TRIES):
        try:
            say(f"   {await read()}")
        except LampwardenError as error:
            say(f"   {error}")
            good = False
        await wire_sleep(PAUSE_S)
    return good


class _Tell(logging.Handler):
    """Passes what the wire logger hears on to a person."""

    def __init__(self, say: Say) -> None:
        super().__init__()
        self._say = say

    def emit(self, record: logging.LogRecord) -> None:
        """One line for each piece of bytes."""
        self._say(record.getMessage())


def _reader(
    driver: Driver, port: str, options: dict[str, str], pool: LinkPool
) -> tuple[BenchInstrument[Instrument], Callable[[], Awaitable[str]]]:
    """The instrument on its port, and one reading of it as text."""
    given: dict[str, JsonValue] = {key: _value(text) for key, text in options.items()}
    device = build_instrument(ROLES[driver.role.name], driver, port, given, name=driver.name, pool=pool)

    async def read() -> str:
        instrument = device.instrument
        if isinstance(instrument, QuantumSensor):
            return f"{await device.call(lambda _: instrument.read_ppfd_umol()):g} µmol m⁻² s⁻¹"
        if isinstance(instrument, PowerMeter):
            return _named(await device.call(lambda _: instrument.read_supply()))
        if isinstance(instrument, AirLogger):
            return _named(await device.call(lambda _: instrument.read_air()))
        if isinstance(instrument, Spectrometer):
            limits = await device.call(lambda _: instrument.read_limits())
            integration_s = max(limits.min_integration_s, 0.01)
            bound_s = instrument.capture_bound_s(integration_s, 1)
            counts = await device.call(lambda _: instrument.capture(integration_s, 1), bound_s=bound_s)
            return (
                f"{counts.size} pixels at {1000 * integration_s:g} ms: {counts.min():.0f} to {counts.max():.0f} counts"
            )
        if isinstance(instrument, FootSwitch):
            press = await device.call(lambda _: instrument.wait_press(2.0), bound_s=2.0 + instrument.bound_s)
            return "no press within 2 s" if press is None else f"{press.value} press"
        raise ConfigurationError(f"nothing is known of the role {driver.role.name}", where=driver.name)

    return device, read


def _named(sample: SupplySample | AirSample) -> str:
    values = dataclasses.asdict(sample)
    return ", ".join(f"{name} {value:g}" for name, value in values.items() if value is not None)


def _value(text: str) -> JsonValue:
    """An option from the command line: a number or a truth value where it looks like one."""
    try:
        return int(text)
    except ValueError:
        return {"true": True, "false": False}.get(text.lower(), text)
