"""``lampwarden check``: opens every instrument, identifies it, reads it once and says what is wrong.

It never disturbs a running daemon: where one holds the journal, it is asked instead of the instruments. Their profiles
are looked at all the same: the daemon has read them at its start, and would read them again at the next.
"""

import asyncio
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, cast

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from ...drivers.instruments import BenchInstrument
from ...drivers.registry import Registry
from ...drivers.roles import (
    AIR_LOGGER,
    FOOT_SWITCH,
    POWER_METER,
    QUANTUM_SENSOR,
    SPECTROMETER,
    Instrument,
)
from ...protocol.errors import BrokerError, ConfigurationError, LampwardenError
from ...protocol.records import HealthState, InstrumentRecord, LiveMessage
from ..calibration import is_overdue, load_spectral_calibration, spectral_calibration
from ..clock import bench_today
from ..config import BenchConfig, InstrumentTable
from ..mqtt.client import BenchClient
from ..rounding import SYMBOLS
from ..service import Opener, broker_address
from ..stations import why_refused
from ..store.journal_files import held_since_s, is_held

EXPOSURE_S: Final = 0.01
"""Where the spectrometer's limits allow it."""
ASK_BOUND_S: Final = 5.0
"""Retained health records come at once after subscribing."""
_Reader = tuple[BenchInstrument[Instrument], Callable[[], Awaitable[str]]]


@dataclass(frozen=True, slots=True)
class Finding:
    """What was found of one instrument."""

    name: str
    role: str
    port: str
    good: bool
    identity: str
    reading: str
    exchange_ms: float | None
    remark: str


async def check_bench(
    config: BenchConfig, folder: Path, console: Console | None = None, *, opener: Opener | None = None
) -> bool:
    """Check and print a table.

    Args:
        config: Of the bench.
        folder: Where its ``profiles/`` are.
        console: Where to print.
        opener: Opens the instruments; None: at their ports.

    Returns:
        Whether all is well.

    Raises:
        ConfigurationError: A profile, an option or a port cannot be meant.
    """
    console = console or Console()
    if is_held(config.journal.path):
        console.print("A daemon runs on this bench: it is asked, and the instruments are left to it.")
        findings = await _compared(config, await _ask(config), opener or Opener(Registry(folder)))
    else:
        findings = await _look(config, opener or Opener(Registry(folder)))
    table = Table()
    for column in ("verdict", "instrument", "reading", "ms", "identity"):
        table.add_column(column, overflow="fold", justify="right" if column == "ms" else "left")
    for f in findings:
        verdict = "[green]good[/green]" if f.good else "[bold red]bad[/bold red]"
        shown_ms = "" if f.exchange_ms is None else f"{f.exchange_ms:.1f}"
        table.add_row(verdict, escape(f.name), escape(f.reading), shown_ms, escape(f.identity))
    for f in findings:
        if f.remark:
            console.print(f"{f.name} ({f.role.replace('_', ' ')}, {f.port}): {f.remark}", markup=False, highlight=False)
    console.print(table)
    return bool(findings) and all(f.good for f in findings)


async def _ask(config: BenchConfig) -> list[Finding]:
    """What the daemon tells of its instruments, and what they read last."""
    found: dict[str, Finding] = {}
    live: LiveMessage | None = None
    away = "the daemon does not tell of it"
    client = BenchClient(config.bench.id, broker_address(config))
    try:
        async with asyncio.timeout(ASK_BOUND_S):
            async for topic, text in client.follow(keep_trying=False):
                if "/instruments/" in topic:
                    record = InstrumentRecord.model_validate_json(text)
                    found[record.instrument] = finding_of(record)
                elif topic.endswith("/live"):
                    live = LiveMessage.model_validate_json(text)
                if live is not None and set(found) >= set(config.instruments):
                    break
    except TimeoutError:
        pass
    except BrokerError as error:
        away = f"the daemon cannot be asked: {error}"
    return [
        replace(found[name], reading=_latest(table.role, live) if found[name].good else "")
        if name in found
        else Finding(name, table.role, table.port, False, "", "", None, away)
        for name, table in config.instruments.items()
    ]


async def _compared(config: BenchConfig, findings: list[Finding], opener: Opener) -> list[Finding]:
    """The same beside what stands in the profiles now; an instrument is built for that, and its port left alone."""
    since_s = held_since_s(config.journal.path)
    compared = []
    try:
        for found in findings:
            try:
                device, _ = _reader(opener, found.name, config.instruments[found.name])
            except ConfigurationError as error:
                compared.append(_remarked(found, f"the daemon would not start again: {error}", good=False))
                continue
            if since_s is not None and _changed_after(device.driver.source, since_s):
                remark = (
                    f"{device.driver.source} was changed after the daemon had started, which goes on by what it read "
                    "then: start it again to take the change up"
                )
                compared.append(_remarked(found, remark, good=found.good))
            else:
                compared.append(found)
    finally:
        await opener.close()
    return compared


def _remarked(found: Finding, remark: str, *, good: bool) -> Finding:
    return replace(found, good=good, remark="; ".join(filter(None, (found.remark, remark))))


def _changed_after(file: str, since_s: float) -> bool:
    """Whether a profile was; a driver from an entry point is no file."""
    try:
        return Path(file).stat().st_mtime > since_s
    except OSError:
        return False


def finding_of(record: InstrumentRecord) -> Finding:
    """What a health record says, judged as an instrument that is looked at: an overdue calibration is not good."""
    is_ok = record.state is HealthState.OK
    remarks = [] if is_ok else [record.text]
    if overdue := record.calibration is not None and record.calibration.overdue:
        remarks.append("calibration overdue")
    return Finding(
        record.instrument,
        record.role,
        record.port,
        is_ok and not overdue,
        record.identity or "",
        "",
        None,
        "; ".join(remarks),
    )


def _latest(role: str, live: LiveMessage | None) -> str:
    """The latest reading of a role; a spectrometer and a foot switch have none that is told."""
    if live is None:
        return ""
    quantities = {
        "quantum_sensor": (live.ppfd,),
        "power_meter": (live.voltage, live.power, live.frequency),
        "air_inside": (live.inside_temperature, live.inside_humidity),
        "air_outside": (live.outside_temperature,),
    }.get(role, ())
    return ", ".join(f"{q.value:.4g} {SYMBOLS.get(q.unit, q.unit)}" for q in quantities if q.value is not None)


async def _look(config: BenchConfig, opener: Opener) -> list[Finding]:
    """Look at each instrument, once it is known that each can be meant."""
    try:
        readers: dict[str, _Reader] = {}
        wrong: list[ConfigurationError] = []
        for name, table in config.instruments.items():
            try:
                readers[name] = _reader(opener, name, table)
            except ConfigurationError as error:
                wrong.append(error)
        if len(wrong) == 1:
            raise wrong[0]
        if wrong:
            faults = tuple(map(str, wrong))
            raise ConfigurationError("; ".join(faults), faults=faults)
        return [await _look_at(config, name, table, *readers[name]) for name, table in config.instruments.items()]
    finally:
        await opener.close()


async def _look_at(
    config: BenchConfig,
    name: str,
    table: InstrumentTable,
    device: BenchInstrument[Instrument],
    read: Callable[[], Awaitable[str]],
) -> Finding:
    remarks: list[str] = []
    good, identity, reading, took_ms = True, "", "", None
    try:
        raw = await device.open()
        identity = raw.raw
        if (why := why_refused(raw, table, simulated_bench=config.bench.simulated)) is not None:
            good = False
            remarks.append(why)
        started = time.perf_counter()
        reading = await read()
        took_ms = 1000.0 * (time.perf_counter() - started)
        if table.calibration is None and table.role in ("quantum_sensor", "spectrometer"):
            remarks.append("no calibration on file")
        elif table.calibration is not None and is_overdue(table.calibration, bench_today()):
            good = False
            remarks.append(f"calibration was due on {table.calibration.due_on}")
    except LampwardenError as error:
        good = False
        remarks.append(str(error))
    return Finding(name, table.role, table.port, good, identity, reading, took_ms, "; ".join(remarks))


def _reader(opener: Opener, name: str, table: InstrumentTable) -> _Reader:
    """The instrument, and one reading of it as text."""
    match table.role:
        case "quantum_sensor":
            light = opener.open(name, table, QUANTUM_SENSOR)

            async def read_light() -> str:
                return f"{await light.call(lambda device: device.read_ppfd_umol()):.1f} µmol m⁻² s⁻¹"

            return cast("BenchInstrument[Instrument]", light), read_light
        case "power_meter":
            meter = opener.open(name, table, POWER_METER)

            async def read_supply() -> str:
                s = await meter.call(lambda device: device.read_supply())
                return ", ".join(
                    f"{value:.4g} {unit}"
                    for value, unit in ((s.voltage_v, "V"), (s.power_w, "W"), (s.frequency_hz, "Hz"))
                    if value is not None
                )

            return cast("BenchInstrument[Instrument]", meter), read_supply
        case "air_inside" | "air_outside":
            air = opener.open(name, table, AIR_LOGGER)

            async def read_air() -> str:
                a = await air.call(lambda device: device.read_air())
                return ", ".join(
                    f"{value:.4g} {unit}"
                    for value, unit in ((a.temperature_c, "°C"), (a.humidity_percent, "%"), (a.pressure_hpa, "hPa"))
                    if value is not None
                )

            return cast("BenchInstrument[Instrument]", air), read_air
        case "spectrometer":
            eye = opener.open(name, table, SPECTROMETER)

            async def read_spectrum() -> str:
                limits = await eye.call(lambda device: device.read_limits())
                wavelengths = await eye.call(lambda device: device.read_wavelengths_nm())
                exposure_s = min(max(limits.min_integration_s, EXPOSURE_S), limits.max_integration_s)
                bound_s = eye.instrument.capture_bound_s(exposure_s, 1)
                counts = await eye.call(lambda device: device.capture(exposure_s, 1), bound_s=bound_s)
                if table.calibration is not None and table.calibration.file is not None:
                    file, _ = load_spectral_calibration(table.calibration.file)
                    spectral_calibration(file, wavelengths, limits.full_scale_counts, table.calibration.factor)
                return (
                    f"{limits.pixel_count} pixels, {wavelengths[0]:.0f}–{wavelengths[-1]:.0f} nm, highest "
                    f"{counts.max():.0f} of {limits.full_scale_counts:.0f} counts at {1000.0 * exposure_s:.4g} ms"
                )

            return cast("BenchInstrument[Instrument]", eye), read_spectrum
        case "foot_switch":
            switch = opener.open(name, table, FOOT_SWITCH)

            async def read_switch() -> str:
                return "ready"

            return cast("BenchInstrument[Instrument]", switch), read_switch
