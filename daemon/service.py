"""The daemon put together: stations → conductor → journal → publisher, in one TaskGroup.

The same assembly serves a real bench, a simulated one and virtual time; what differs is the clock, how instruments are
opened, and whether there is a publisher.
"""

import asyncio
import logging
from collections.abc import Callable, Coroutine
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Final, Protocol, TypeVar

from ..drivers.instruments import BenchInstrument, LinkPool, Port, build_instrument
from ..drivers.registry import Registry
from ..drivers.roles import (
    AIR_LOGGER,
    FOOT_SWITCH,
    POWER_METER,
    QUANTUM_SENSOR,
    SPECTROMETER,
    Instrument,
    Role,
)
from ..protocol.clock import Clock
from ..protocol.errors import ConfigurationError
from ..protocol.records import LiveMessage, StatusMessage
from .calibration import SpectralCalibrationFile, load_spectral_calibration
from .clock import ClockOrigin, ScaledClock, suspended_s, wire_sleep
from .clock_watch import LOOK_EVERY_S, ClockChange, ClockWatch
from .config import BenchConfig, InstrumentTable
from .mqtt.broker import HOST, EmbeddedBroker
from .mqtt.credentials import read_secret, tls_context
from .mqtt.publisher import BrokerAddress, Publisher
from .operations.metrics import MetricsServer
from .operations.notify import Notifier
from .operations.overview import Overview
from .procedure.conductor import Conductor
from .procedure.events import Tone
from .procedure.jobs import Bench
from .procedure.telling import parting_words
from .samples import Readings
from .sensor_facts import SensorFacts
from .stamp import Stamp
from .stations import Health, SpectrometerStation, Station, poll_air, poll_light, poll_supply, watch_presses
from .store.journal import Journal, JournalFile
from .store.recovery import open_or_recover
from .store.upkeep import Upkeep
from .threads import on_own_thread, wait_out

if TYPE_CHECKING:
    from .panel.present import Presenter
    from .panel.server import Panel

log = logging.getLogger("lampwarden")

R = TypeVar("R", bound=Instrument)

LIVE_EVERY_REAL_S: Final = 0.5
"""Live readings for a person's eyes; more often than this nobody can follow."""

AIR_POLL_S: Final = 5.0
"""Air changes over minutes; a logger that is asked each second tells nothing more."""


class Opener:
    """Builds the instruments of a bench on shared links; touches no port."""

    def __init__(
        self, registry: Registry, port_of: Callable[[InstrumentTable], Port] = lambda table: table.port
    ) -> None:
        """Prepare.

        Args:
            registry: Of profiles and drivers.
            port_of: Where an instrument is; in virtual time a simulated device instead of a port.
        """
        self._registry = registry
        self._port_of = port_of
        self._pool = LinkPool()

    def open(self, name: str, table: InstrumentTable, role: Role[R]) -> BenchInstrument[R]:
        """Build one instrument.

        Raises:
            ConfigurationError: Unknown profile, wrong options or a port that does not fit; says which instrument.
        """
        try:
            driver = self._registry.find(table.profile)
            return build_instrument(role, driver, self._port_of(table), table.options, name=name, pool=self._pool)
        except ConfigurationError as error:
            raise _of_instrument(name, error) from None

    def sensor_facts(self, config: BenchConfig) -> SensorFacts:
        """What the quantum sensor's profile says of it.

        Raises:
            ConfigurationError: Unknown profile.
        """
        found = config.with_role("quantum_sensor")
        if found is None:
            return SensorFacts()
        try:
            return SensorFacts.of(self._registry.find(found[1].profile))
        except ConfigurationError as error:
            raise _of_instrument(found[0], error) from None

    async def close(self) -> None:
        """Close all links, within a bound."""
        await self._pool.close()


def _of_instrument(name: str, error: ConfigurationError) -> ConfigurationError:
    """The error, saying which instrument it is about."""
    between = "." if error.where in InstrumentTable.model_fields else ": "
    where = f"instruments.{name}" + (f"{between}{error.where}" if error.where and error.where != name else "")
    return ConfigurationError(error.what, where=where, mend=error.mend)


class HasHealth(Protocol):
    """A station, whatever its role."""

    @property
    def health(self) -> Health:
        """How its instrument is."""
        ...


class Service:
    """The bench without its broker."""

    def __init__(
        self,
        config: BenchConfig,
        clock: Clock,
        journal: Journal,
        opener: Opener,
        stamp: Stamp,
        *,
        live_every_s: float = 1.0,
        suspended: Callable[[], float] = suspended_s,
    ) -> None:
        """Put it together; no port is touched yet.

        Raises:
            ConfigurationError: See :meth:`Opener.open`; or a calibration file is wrong.
        """
        facts = opener.sensor_facts(config)
        self.config = self._config = config = facts.settled(config)
        self._clock = clock
        self._opener = opener
        self.readings = Readings()
        bench = Bench(config, clock, journal, self.readings, stamp, live_every_s=live_every_s, suspended=suspended)
        bench.light_step_umol = facts.step_umol
        self.conductor = Conductor(config, clock, journal, self.readings, bench, stamp)
        self.stations: dict[str, HasHealth] = {}
        self._spectrometer: SpectrometerStation | None = None
        self._work: list[tuple[str, Callable[[], Coroutine[object, object, None]]]] = []
        for name, table in config.instruments.items():
            self._add(name, table, bench)

    def _add(self, name: str, table: InstrumentTable, bench: Bench) -> None:
        every_s = table.poll_s or (AIR_POLL_S if table.role.startswith("air") else self._config.procedure.poll_s)
        conductor, readings, clock = self.conductor, self.readings, self._clock

        def station(role: Role[R]) -> Station[R]:
            device = self._opener.open(name, table, role)
            return Station(device, table, conductor, simulated_bench=self._config.bench.simulated)

        match table.role:
            case "quantum_sensor":
                light = station(QUANTUM_SENSOR)
                self._keep(name, light, lambda: poll_light(light, readings, clock, every_s))
            case "power_meter":
                meter = station(POWER_METER)
                self._keep(name, meter, lambda: poll_supply(meter, readings, conductor.power_seen, clock, every_s))
            case "air_inside" | "air_outside":
                air = station(AIR_LOGGER)
                series = readings.inside if table.role == "air_inside" else readings.outside
                self._keep(name, air, lambda: poll_air(air, series, clock, every_s))
            case "foot_switch":
                switch = station(FOOT_SWITCH)
                self._keep(name, switch, lambda: watch_presses(switch, conductor.pressed, clock))
            case "spectrometer":
                device = self._opener.open(name, table, SPECTROMETER)
                eye = SpectrometerStation(device, table, conductor, simulated_bench=self._config.bench.simulated)
                if table.calibration is not None and table.calibration.file is not None:
                    eye.file = load_spectral_calibration(table.calibration.file)
                bench.spectrometer = self._spectrometer = eye
                self._keep(name, eye, eye.watch)

    def _keep(self, name: str, station: HasHealth, work: Callable[[], Coroutine[object, object, None]]) -> None:
        self.stations[name] = station
        self._work.append((name, work))

    def use_spectral_calibration(self, file: SpectralCalibrationFile, name: str) -> None:
        """Give the spectrometer a calibration that is not in a file."""
        if self._spectrometer is not None:
            self._spectrometer.file = (file, name)

    def healths(self) -> dict[str, Health]:
        """How each instrument is."""
        return {name: station.health for name, station in self.stations.items()}

    async def run(self) -> None:
        """Run until cancelled; then close the links."""
        try:
            async with asyncio.TaskGroup() as group:
                for name, work in self._work:
                    group.create_task(work(), name=name)
                group.create_task(self.conductor.run(), name="conductor")
        finally:
            await self._opener.close()


def broker_address(config: BenchConfig) -> BrokerAddress:
    """Where this bench's broker is.

    Raises:
        ConfigurationError: A password, key or certificate file cannot be used, or others can read a secret.
    """
    table = config.broker
    if table is None:
        own = config.embedded_broker
        secret = None if own.password_file is None else read_secret(own.password_file, "embedded_broker.password_file")
        username = None if secret is None else own.username
        host = HOST if own.host in ("0.0.0.0", "::") else own.host  # noqa: S104 - compared, not listened on
        return BrokerAddress(host, own.port, protocol="3.1.1", username=username, password=secret)
    return BrokerAddress(
        table.host,
        table.port,
        protocol=table.protocol,
        username=table.username,
        password=None if table.password_file is None else read_secret(table.password_file, "broker.password_file"),
        timeout_s=table.timeout_s,
        longest_wait_s=table.longest_wait_s,
        tls=None if table.tls is None else tls_context(**dict(table.tls)),
    )


def bench_clock(config: BenchConfig) -> ScaledClock:
    """The clock of a bench: the machine's, or the one that a simulated bench shares."""
    table = config.clock
    if table is None:
        return ScaledClock()
    return ScaledClock(ClockOrigin(table.origin_monotonic_s, table.origin_utc, table.speed))


async def watch_clocks(
    clock: Clock,
    tell: Callable[[ClockChange], Coroutine[object, object, None]],
    *,
    suspended: Callable[[], float] = suspended_s,
) -> None:
    """Look at the clocks again and again; runs until cancelled.

    Args:
        clock: Bench time.
        tell: Gets each change.
        suspended: Seconds that the machine has slept since its boot.
    """
    watch = ClockWatch(clock.utc(), clock.monotonic(), suspended())
    while True:
        await wire_sleep(LOOK_EVERY_S)
        for change in watch.look(clock.utc(), clock.monotonic(), suspended()):
            await tell(change)


class Daemon:
    """A service with its journal and publisher, as ``lampwarden run`` has it."""

    def __init__(
        self,
        config: BenchConfig,
        opener: Opener,
        clock: ScaledClock | None = None,
        *,
        open_journal: Callable[[Path, str, Stamp], tuple[JournalFile, object]] = open_or_recover,
    ) -> None:
        """Prepare.

        Args:
            config: Of the bench.
            opener: Opens its instruments.
            clock: Bench time; None: as the configuration says.
            open_journal: Called on a thread of its own, and waited for.
        """
        self._config = config
        self._opener = opener
        self._clock = clock
        self._open = open_journal
        self._opening: object | None = None
        self._journal: Journal | None = None
        self._publisher: Publisher | None = None
        self._presenter: Presenter | None = None
        self.ready = asyncio.Event()
        """Set when the bench takes commands."""
        self.on_status: Callable[[StatusMessage], None] = lambda _: None
        self.on_tone: Callable[[Tone, str], None] = lambda _tone, _text: None

    async def run(self) -> None:
        """Run until cancelled.

        Raises:
            ConfigurationError, JournalError, BrokerError: At the start.
        """
        config = self._config
        clock = self._clock or bench_clock(config)
        address = broker_address(config)
        with ExitStack() as stack:
            stamp = Stamp(config.bench.id, clock, simulated=config.bench.simulated)
            journal = self._journal = Journal(await self._opened(stamp))
            service: Service | None = None
            try:
                if config.broker is None:
                    own = config.embedded_broker
                    login = None if address.password is None else (own.username, address.password)
                    stack.enter_context(EmbeddedBroker(own.port, host=own.host, login=login))
                service = Service(
                    config,
                    clock,
                    journal,
                    self._opener,
                    stamp,
                    live_every_s=LIVE_EVERY_REAL_S * clock.speed,
                )
                publisher = self._publisher = Publisher(config.bench.id, address, journal, service.conductor)
                overview = Overview(clock, journal, service.conductor, publisher, service.healths)
                notifier = Notifier()
                upkeep = Upkeep(journal, config.journal.path, config.journal, clock)
                panel = self._panel(service.config, clock, service, journal)
                service.conductor.on_message = lambda message: self._tell(message, publisher)
                service.conductor.on_tone = self._sound
                async with asyncio.TaskGroup() as group:
                    group.create_task(service.run(), name="bench")
                    # Who connects or asks before would hear of an idle bench, whatever test was left.
                    await service.conductor.resumed.wait()
                    group.create_task(publisher.run(), name="publisher")
                    group.create_task(upkeep.run(), name="upkeep")
                    group.create_task(notifier.keep_telling(service.conductor.alive, overview.line), name="notify")
                    if config.metrics is not None:
                        server = MetricsServer(config.metrics.host, config.metrics.port, overview.families)
                        group.create_task(server.run(), name="metrics")
                    group.create_task(watch_clocks(clock, service.conductor.clock_changed), name="clocks")
                    if panel is not None:
                        group.create_task(panel.run(), name="panel")
                    self.ready.set()
            except asyncio.CancelledError:
                if service is not None and service.conductor.resumed.is_set():  # before, nobody knows of a test
                    log.info("%s", parting_words(service.conductor.told))
                raise
            finally:
                await journal.close()

    async def _opened(self, stamp: Stamp) -> JournalFile:
        """The journal's file. A recovery is not cut short, but a stop is heard meanwhile."""
        path, bench_id = self._config.journal.path, self._config.bench.id
        self._opening = object()
        opening = asyncio.ensure_future(on_own_thread(lambda: self._open(path, bench_id, stamp)[0], "journal start"))
        cancelled = await wait_out(opening)
        if cancelled is not None:
            if opening.exception() is None:
                opening.result().close()
            raise cancelled
        self._opening = None
        return opening.result()

    def at_disk(self) -> object | None:
        """See :class:`~.operations.stop.Disk`."""
        return self._opening if self._journal is None else self._journal.at_disk()

    def not_on_disk(self) -> str:
        """See :class:`~.operations.stop.Disk`."""
        return "the start of the journal" if self._journal is None else self._journal.not_on_disk()

    def _panel(self, config: BenchConfig, clock: ScaledClock, service: Service, journal: Journal) -> "Panel | None":
        if not config.panel.enabled:
            return None
        from .panel.present import Presenter  # noqa: PLC0415 - aiohttp is slow to import, and not every bench wants it
        from .panel.server import Panel  # noqa: PLC0415  as above

        def report(test_id: str) -> str:
            from .report import report_of  # noqa: PLC0415  as above

            return report_of(config.journal.path, test_id)

        def healths() -> dict[str, Health]:
            return {name: station.health for name, station in service.stations.items()}

        presenter = self._presenter = Presenter(
            config, clock, clock.speed, service.conductor, journal, service.readings, healths
        )
        journal.on_appended = presenter.take_records
        return Panel(config.panel, presenter, service.conductor.obey, report)

    async def connected(self) -> None:
        """Wait until the broker has this daemon; only after :attr:`ready`."""
        if self._publisher is not None:
            await self._publisher.connected.wait()

    def _tell(self, message: StatusMessage | LiveMessage, publisher: Publisher) -> None:
        publisher.tell(message)
        if self._presenter is not None:
            self._presenter.take_message(message)
        if isinstance(message, StatusMessage):
            self.on_status(message)

    def _sound(self, tone: Tone, text: str) -> None:
        if self._presenter is not None:
            self._presenter.take_tone(tone, text)
        self.on_tone(tone, text)
