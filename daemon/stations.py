"""Stations: each supervises one instrument for as long as the daemon runs.

A station identifies its instrument, polls it, says when it fails and when it is back. Links open themselves again at
their next use, so there is nothing to reconnect here: a station only waits, a little longer each time, and asks again.
The poll of one instrument never waits for another's, except where two share a line.

An instrument is well when it did what it is there for, not when it told its name: a meter that answers ``who`` and
refuses every reading is faulty throughout, and is asked at ever longer pauses.
"""

import asyncio
import logging
import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Generic, Protocol, TypeVar

import numpy as np

from ..drivers.bell import Bell
from ..drivers.instruments import BenchInstrument
from ..drivers.roles import (
    AirLogger,
    AirSample,
    FootSwitch,
    Identity,
    Instrument,
    PowerMeter,
    Press,
    QuantumSensor,
    Spectrometer,
    SpectrometerLimits,
    SupplySample,
)
from ..protocol.clock import Clock
from ..protocol.counts import counted
from ..protocol.errors import ConfigurationError, DeviceError, LinkError, WireError
from ..protocol.records import HealthState
from .calibration import SpectralCalibrationFile
from .clock import wire_sleep
from .config import InstrumentTable
from .measure.arrays import FloatArray
from .samples import Readings, Series, Timed

log = logging.getLogger("lampwarden.instruments")

I = TypeVar("I", bound=Instrument)  # noqa: E741 - an instrument
T = TypeVar("T")

INSTRUMENT_ERRORS: Final = (LinkError, WireError, DeviceError, ConfigurationError)
"""What may come of a call. ConfigurationError: a device that was put in another's place cannot do what the
configuration wants, which is a fault of the bench and no reason to end."""
FIRST_BACK_OFF_S: Final = 0.25
LONGEST_BACK_OFF_S: Final = 5.0
"""A device that was plugged in again is found within this; asking an absent port costs next to nothing."""
IDLE_CHECK_S: Final = 2.0
"""An instrument that is not polled is asked for its identity this often (wire time), so that its absence shows before
it counts: a spectrometer that nobody uses, a foot switch that nobody presses."""
TICK_S: Final = 0.01
"""Nobody looks more often than this."""
GLANCE_S: Final = 0.01
"""The exposure that shows that a spectrometer exposes, where its limits allow it."""
SAME_KIND_S: Final = 60.0
"""Trouble of one kind whose words change each time (the bytes of a babbling device) is told anew this often, wire
seconds: each telling is a durable record."""
PRESS_WAIT_S: Final = 0.5
"""One wait for a press; bounds how long the foot switch's thread is busy."""


@dataclass(frozen=True, slots=True)
class Health:
    """How an instrument is; a new one is told only when it differs."""

    state: HealthState
    text: str
    identity: str | None


class HealthSink(Protocol):
    """Who is told when an instrument's health changes."""

    async def health_changed(self, name: str, table: InstrumentTable, health: Health) -> None:
        """Take it in."""
        ...


def why_refused(identity: Identity, table: InstrumentTable, *, simulated_bench: bool) -> str | None:
    """Why a device that answered is not the one that is wanted, or None."""
    if identity.simulated and not simulated_bench:
        return "declares itself simulated, and this bench does not: its values are not taken"
    if table.identity is not None and not names_itself(identity, table.identity):
        return f"is another device: {table.identity!r} is not in {identity.raw!r}; change the cable, or identity"
    return None


def names_itself(identity: Identity, wanted: str) -> bool:
    """Whether a device calls itself so: one of its fields, or whole words of its answer; SN-7 is not SN-70."""
    if wanted in (identity.serial, identity.model, identity.maker, identity.firmware):
        return True
    return re.search(rf"(?<![\w.-]){re.escape(wanted)}(?![\w.-])", identity.raw) is not None


class Station(Generic[I]):
    """One instrument and the runner of its link."""

    def __init__(
        self, device: BenchInstrument[I], table: InstrumentTable, sink: HealthSink, *, simulated_bench: bool
    ) -> None:
        self.name = device.name
        self.table = table
        self.device = device
        self._sink = sink
        self._simulated_bench = simulated_bench
        self._back_off_s = FIRST_BACK_OFF_S
        self._is_known = False
        self._kind: object = None
        self._told_s = 0.0
        self.identity: Identity | None = None
        self.health = Health(HealthState.CONNECTING, "connecting", None)

    @property
    def ok(self) -> bool:
        """Whether the latest exchange went well, and it was more than telling a name."""
        return self.health.state is HealthState.OK

    async def call(self, work: Callable[[I], T], bound_s: float | None = None) -> T:
        """Have blocking driver code run on the link's runner.

        Raises:
            LinkError, WireError, DeviceError: As the driver.
        """
        return await self.device.call(work, bound_s=bound_s)

    async def ensure(self) -> None:
        """Return when the instrument answers and is the one it should be; tell meanwhile why it is not.

        That it is well is told by :meth:`did_well`, after it did what it is there for.
        """
        while not self._is_known:
            try:
                identity = await self.device.open()
            except INSTRUMENT_ERRORS as error:
                await self.failed(error)
                continue
            if (text := why_refused(identity, self.table, simulated_bench=self._simulated_bench)) is not None:
                await self._tell(Health(HealthState.REFUSED, text, identity.raw), HealthState.REFUSED)
                await wire_sleep(LONGEST_BACK_OFF_S)
                continue
            self.identity = identity
            self._is_known = True

    async def did_well(self) -> None:
        """It gave what it was asked for: tell that it is well, unless that is known."""
        if self.ok or self.identity is None:
            return
        self._back_off_s = FIRST_BACK_OFF_S
        await self._tell(Health(HealthState.OK, "answers", self.identity.raw), HealthState.OK)

    async def failed(self, error: Exception) -> None:
        """An exchange went wrong: tell, and wait before the next."""
        self._is_known = False
        state = HealthState.UNREACHABLE if isinstance(error, LinkError) else HealthState.FAULTY
        hanging = self.device.runner.stuck
        stuck = f"; {counted(hanging, 'call hangs', 'calls hang')} in the port" if hanging else ""
        kind = (type(error), getattr(error, "fault", None), hanging)
        await self._tell(Health(state, f"{error}{stuck}", None), kind)
        await wire_sleep(self._back_off_s)
        self._back_off_s = min(2 * self._back_off_s, LONGEST_BACK_OFF_S)

    async def _tell(self, health: Health, kind: object) -> None:
        """Tell what is new: another state, another kind of trouble, or after a while other words for the same."""
        if health == self.health:
            return
        now_s = asyncio.get_running_loop().time()
        if kind == self._kind and health.state is not HealthState.OK and now_s - self._told_s < SAME_KIND_S:
            return
        self.health, self._kind, self._told_s = health, kind, now_s
        log.log(
            logging.INFO if health.state is HealthState.OK else logging.WARNING,
            "%s: %s: %s",
            self.name,
            health.state.value,
            health.text,
        )
        await self._sink.health_changed(self.name, self.table, health)


async def poll(
    station: Station[I], read: Callable[[I], T], keep: Callable[[Timed[T]], None], clock: Clock, every_s: float
) -> None:
    """Read again and again, evenly in bench time; runs until cancelled.

    Args:
        station: Of the instrument.
        read: The driver's method.
        keep: Gets the sample and the times of its exchange.
        clock: Bench time.
        every_s: Between the starts of two reads, bench seconds.
    """
    due_s = clock.monotonic()
    while True:
        if not station.ok:
            await station.ensure()
        started_s = clock.monotonic()
        try:
            sample = await station.device.call(read)
        except INSTRUMENT_ERRORS as error:
            await station.failed(error)
            continue
        now_s = clock.monotonic()
        keep(Timed.over(started_s, now_s, sample))
        if not station.ok:
            await station.did_well()
        due_s = max(due_s + every_s, now_s - every_s)
        await clock.sleep(due_s - now_s)


def _number(given: object) -> float:
    """A driver of somebody else's may return anything; only a number goes on."""
    if not isinstance(given, int | float) or not math.isfinite(given):
        raise DeviceError(f"its driver gave {given!r:.60} for a number")
    return float(given)


def _sample(given: object, kind: type[T]) -> T:
    """Likewise: only a sample of the role goes on."""
    if not isinstance(given, kind):
        raise DeviceError(f"its driver gave {given!r:.60} for a {kind.__name__}")
    return given


def _array(given: object) -> FloatArray:
    """Likewise: only a row of numbers goes on."""
    try:
        row = np.asarray(given, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise DeviceError(f"its driver gave {given!r:.60} for a row of numbers") from error
    if row.ndim != 1 or not row.size or not np.isfinite(row).all():
        raise DeviceError("its driver gave no row of numbers")
    return row


async def poll_light(station: Station[QuantumSensor], readings: Readings, clock: Clock, every_s: float) -> None:
    """Poll the quantum sensor; the calibration factor is applied here."""
    factor = station.table.calibration.factor if station.table.calibration is not None else 1.0

    def keep(raw: Timed[float]) -> None:
        readings.light.add(Timed.over(raw.began_s, raw.ended_s, raw.sample * factor))

    await poll(station, lambda sensor: _number(sensor.read_ppfd_umol()), keep, clock, every_s)


async def poll_supply(
    station: Station[PowerMeter],
    readings: Readings,
    on_power: Callable[[float, float], None],
    clock: Clock,
    every_s: float,
) -> None:
    """Poll the power meter; ``on_power`` gets the end of each exchange and the watts.

    The end, because gates count from it: an arc that was struck during the exchange burns no shorter than they believe.
    """

    def keep(timed: Timed[SupplySample]) -> None:
        readings.supply.add(timed)
        on_power(timed.ended_s, timed.sample.power_w)

    await poll(station, lambda meter: _sample(meter.read_supply(), SupplySample), keep, clock, every_s)


async def poll_air(station: Station[AirLogger], series: Series[AirSample], clock: Clock, every_s: float) -> None:
    """Poll an air logger."""
    await poll(station, lambda logger: _sample(logger.read_air(), AirSample), series.add, clock, every_s)


async def watch_presses(station: Station[FootSwitch], on_press: Callable[[float, bool], None], clock: Clock) -> None:
    """Pass presses on; ``on_press`` gets the bench time and whether it was long.

    A foot switch that says nothing may be one that nobody presses, or one that hangs: it is asked who it is now and
    then. One that answers this and sends no report when it is pressed cannot be told from one that is left alone.
    """
    while True:
        await station.ensure()
        try:
            if station.ok:
                press = await _press_within(station, IDLE_CHECK_S)
                if press is None:
                    await station.call(lambda switch: switch.identify())
            else:  # a glance shows that it can be waited for
                press = await station.call(lambda switch: switch.wait_press(0.0))
        except INSTRUMENT_ERRORS as error:
            await station.failed(error)
            continue
        if press is not None:
            on_press(clock.monotonic(), press is Press.LONG)
        await station.did_well()


async def _press_within(station: Station[FootSwitch], seconds: float) -> Press | None:
    """The next press, or None when there was none within so much wire time."""
    waited_s = 0.0
    while waited_s < seconds:
        if not await station.device.input_ready(seconds - waited_s):
            return None
        press = await station.call(
            lambda switch: switch.wait_press(PRESS_WAIT_S), PRESS_WAIT_S + station.device.instrument.bound_s
        )
        if press is not None:
            return press
        waited_s += PRESS_WAIT_S
    return None


@dataclass(frozen=True, slots=True, eq=False)
class SpectrometerSetup:
    """What a spectrometer says of itself, and its calibration."""

    limits: SpectrometerLimits
    wavelength_nm: FloatArray


class SpectrometerStation(Station[Spectrometer]):
    """The spectrometer is not polled: it is used when the procedure needs it, and looked at in between.

    What the procedure asks of it and cannot get is told at once: each call that fails wakes :meth:`watch`.
    """

    setup: SpectrometerSetup | None = None
    file: tuple[SpectralCalibrationFile, str] | None = None
    """The calibration file and the name by which records call it."""

    def __init__(
        self,
        device: BenchInstrument[Spectrometer],
        table: InstrumentTable,
        sink: HealthSink,
        *,
        simulated_bench: bool,
    ) -> None:
        """Prepare.

        Args:
            device: The instrument.
            table: Of it.
            sink: Is told of its health.
            simulated_bench: Whether simulated instruments are taken.
        """
        super().__init__(device, table, sink, simulated_bench=simulated_bench)
        self._under_way = 0
        self._used_s = 0.0
        self._trouble: Exception | None = None
        self._troubled = Bell()

    async def call(self, work: Callable[[Spectrometer], T], bound_s: float | None = None) -> T:
        """As :meth:`Station.call`; what goes wrong is told by :meth:`watch`, at once."""
        self._under_way += 1
        try:
            result = await super().call(work, bound_s)
        except INSTRUMENT_ERRORS as error:
            self._trouble = error
            self._troubled.ring()
            raise
        finally:
            self._under_way -= 1
        self._used_s = asyncio.get_running_loop().time()
        return result

    async def watch(self) -> None:
        """Identify it, read its limits and wavelengths once, and look now and then whether it is still there."""
        while True:
            await self.ensure()
            self._troubled.hush()
            try:
                if self.setup is None:
                    self.setup = await self._set_up()
                await self.did_well()
                await self._look_until_trouble()
            except INSTRUMENT_ERRORS as error:
                self.setup = None
                await self.failed(error)

    async def _set_up(self) -> SpectrometerSetup:
        """Limits and wavelengths; and one short exposure, because one that only tells of itself is of no use."""
        limits = await self.call(lambda device: _sample(device.read_limits(), SpectrometerLimits))
        wavelength_nm = await self.call(lambda device: _array(device.read_wavelengths_nm()))
        if wavelength_nm.size != limits.pixel_count:
            raise DeviceError(
                f"{wavelength_nm.size} wavelengths came where {limits.pixel_count} pixels are", where=self.name
            )
        await self.capture(min(max(limits.min_integration_s, GLANCE_S), limits.max_integration_s), 1)
        return SpectrometerSetup(limits, wavelength_nm)

    async def _look_until_trouble(self) -> None:
        """Look again and again, but never between the exposures of a spectrum; raise what went wrong, here or there."""
        loop = asyncio.get_running_loop()
        wait_s = IDLE_CHECK_S
        while True:
            if await self._troubled.heard_within(wait_s):
                assert self._trouble is not None  # noqa: S101 - set together
                raise self._trouble
            left_s = self._used_s + IDLE_CHECK_S - loop.time()
            if self._under_way == 0 and left_s < TICK_S:
                await self.call(lambda device: device.identify())
                left_s = IDLE_CHECK_S
            wait_s = left_s if left_s >= TICK_S else IDLE_CHECK_S

    async def capture(self, integration_s: float, averages: int) -> FloatArray:
        """Expose and read; counts, shape ``(n_pixels,)``.

        Raises:
            LinkError, WireError, DeviceError, ConfigurationError: As the driver.
        """
        bound_s = self.device.instrument.capture_bound_s(integration_s, averages)
        counts = await self.call(lambda device: _array(device.capture(integration_s, averages)), bound_s)
        if self.setup is not None and counts.size != self.setup.limits.pixel_count:
            # One with other pixels was put in its place during the exposure.
            self._trouble = DeviceError(
                f"{counts.size} counts came where {self.setup.limits.pixel_count} pixels are", where=self.name
            )
            self._troubled.ring()
            raise self._trouble
        return counts

    async def shut(self, *, is_open: bool) -> None:
        """Open or close the shutter."""
        await self.call(lambda device: device.set_shutter(is_open=is_open))
