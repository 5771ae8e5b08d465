"""What the bench does by itself: lamp-off readings, tuning, one window. Uses stations; decides nothing about phases."""

import asyncio
import logging
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from pydantic import TypeAdapter

from ...drivers.roles import SpectrometerLimits
from ...protocol.clock import Clock
from ...protocol.errors import MeasurementError
from ...protocol.records import GateEvidence, IntegrationNote
from ..calibration import is_overdue, spectral_calibration
from ..clock import suspended_s
from ..clock_watch import SUSPEND_S
from ..config import BenchConfig
from ..lamp import LampCondition, LampState
from ..measure.arrays import FloatArray
from ..measure.photons import PhotonTable
from ..measure.spectrum import SATURATION_FRACTION, DarkModel, SpectralCalibration
from ..samples import Readings
from ..stamp import Stamp
from ..stations import INSTRUMENT_ERRORS, SpectrometerSetup, SpectrometerStation
from ..store.journal import Journal
from .conclude import NOT_AVAILABLE
from .progress import Progress
from .reading import Capture, Reading, Rules, SpectrometerFacts, Window, compose
from .tuning import DARK_AVERAGES, LADDER_AVERAGES, LADDER_S, frames_for, search

log = logging.getLogger("lampwarden.bench")

AIR_FRESH_S: Final = 60.0
"""Air changes over minutes; a reading this old still describes the window."""
DARK_PATIENCE_S: Final = 30.0
"""How long the lamp-off readings wait for a spectrometer that does not answer, bench seconds."""
TUNING_PATIENCE_S: Final = 5.0
"""How long one search waits for it before that is told; it is tried again."""
DARK: Final = "dark"
SHORTER: Final = 4.0
"""A spot that saturates says only "shorter": a quarter leaves most of the signal, and repeats until it fits."""


@dataclass(frozen=True, slots=True)
class StoredDark:
    """Darks as they are kept in the journal: a daemon that comes back needs them."""

    source: str
    integrations_s: list[float]
    averages: list[int]
    counts: list[list[float]]


_STORED: Final = TypeAdapter(StoredDark)


class Bench:
    """The instruments as the procedure uses them."""

    def __init__(
        self,
        config: BenchConfig,
        clock: Clock,
        journal: Journal,
        readings: Readings,
        stamp: Stamp,
        *,
        live_every_s: float = 1.0,
        suspended: Callable[[], float] = suspended_s,
    ) -> None:
        self._config = config
        self._clock = clock
        self._journal = journal
        self._readings = readings
        self._stamp = stamp
        self._suspended = suspended
        self.live_every_s = live_every_s
        self.spectrometer: SpectrometerStation | None = None
        self._dark_of = ("", 0, 0.0)
        self._dark: tuple[DarkModel | None, str] = (None, "none")
        self.light_step_umol = 0.0
        """Smallest step of the quantum sensor as its profile says it."""
        self._tables: dict[SpectrometerSetup, tuple[SpectralCalibration, PhotonTable]] = {}

    # Lamp-off readings.

    async def prepare(
        self, progress: Progress, lamp: Callable[[], LampCondition]
    ) -> tuple[float | None, tuple[str, ...]]:
        """Ambient light, sensor zero and, for a spectrometer without a shutter, darks.

        Returns:
            Ambient light in µmol m⁻² s⁻¹, or None; and flags.
        """
        window_s = self._config.procedure.window_s
        while True:
            await self._lamp_off(lamp)
            from_s = self._clock.monotonic()
            flags: list[str] = []
            if self.spectrometer is not None:
                flags += await self._dark_ladder(progress, self.spectrometer)
            await self._clock.sleep(max(0.0, from_s + window_s - self._clock.monotonic()))
            if lamp().burning:
                continue
            samples = [t.sample for t in self._readings.light.within(from_s, self._clock.monotonic())]
            if progress.setup.burning_hours < 100.0:
                # 100 h: ANSI/IES LM-54 (the number from memory).
                flags.append(f"lamp not seasoned: {progress.setup.burning_hours:g} h burnt, 100 h are usual")
            today = self._clock.utc().date()
            flags += [
                f"calibration of {name} was due on {table.calibration.due_on}"
                for name, table in self._config.instruments.items()
                if table.calibration is not None and is_overdue(table.calibration, today)
            ]
            return (float(np.mean(samples)) if samples else None), tuple(flags)

    async def _lamp_off(self, lamp: Callable[[], LampCondition]) -> None:
        if self._config.with_role("power_meter") is None:
            return
        while lamp().state not in (LampState.DARK, LampState.COOLING):
            await self._clock.sleep(1.0)

    async def _dark_ladder(self, progress: Progress, spectrometer: SpectrometerStation) -> list[str]:
        if not await self._answers(spectrometer, DARK_PATIENCE_S) or spectrometer.setup is None:
            return ["no dark was taken with the lamp off: the spectrometer does not answer"]
        limits = spectrometer.setup.limits
        if limits.has_shutter:
            return []
        times = [t for t in LADDER_S if limits.min_integration_s <= t <= limits.max_integration_s]
        try:
            counts = [await spectrometer.capture(t, LADDER_AVERAGES) for t in times]
        except INSTRUMENT_ERRORS as error:
            return [f"no dark was taken with the lamp off: {error}"]
        await self._keep_dark(progress, StoredDark("lamp_off", times, [LADDER_AVERAGES] * len(times), _lists(counts)))
        return []

    async def _keep_dark(self, progress: Progress, dark: StoredDark, *, add: bool = False) -> None:
        stored = await self._journal.kept(progress.test_id, DARK) if add else None
        if stored is not None:
            old = _STORED.validate_json(stored)
            known = [i for i, t in enumerate(old.integrations_s) if t not in dark.integrations_s]
            dark = StoredDark(
                dark.source,
                [*(old.integrations_s[i] for i in known), *dark.integrations_s],
                [*(old.averages[i] for i in known), *dark.averages],
                [*(old.counts[i] for i in known), *dark.counts],
            )
        await self._journal.append(kept=(progress.test_id, DARK, _STORED.dump_json(dark).decode()))

    async def _answers(self, spectrometer: SpectrometerStation, patience_s: float) -> bool:
        until_s = self._clock.monotonic() + patience_s
        while not (spectrometer.ok and spectrometer.setup is not None):
            if self._clock.monotonic() >= until_s:
                return False
            await self._clock.sleep(0.5)
        return True

    # Tuning.

    async def tune(self, progress: Progress) -> IntegrationNote:
        """Find the integration time; take the dark at it where there is a shutter.

        Returns:
            What was found; outcome ``not_available`` when the spectrometer failed, and may be asked again.
        """
        spectrometer = self.spectrometer
        if (
            spectrometer is None
            or not await self._answers(spectrometer, TUNING_PATIENCE_S)
            or spectrometer.setup is None
        ):
            return NOT_AVAILABLE.model_copy(update={"text": "the spectrometer does not answer"})
        limits = spectrometer.setup.limits
        procedure = self._config.procedure
        try:
            dark = await self._short_dark(progress, spectrometer)
            note = await search(
                spectrometer.capture,
                min_s=limits.min_integration_s,
                max_s=limits.max_integration_s,
                full_scale_counts=limits.full_scale_counts,
                ripple_hz=procedure.ripple_frequency_hz or 2.0 * procedure.nominal_frequency_hz,
                dark=dark,
            )
            if note.integration_s is not None and limits.has_shutter:
                counts = await self._shut_and_capture(spectrometer, note.integration_s, DARK_AVERAGES)
                await self._keep_dark(
                    progress, StoredDark("shutter", [note.integration_s], [DARK_AVERAGES], _lists([counts]))
                )
        except (*INSTRUMENT_ERRORS, MeasurementError) as error:
            return NOT_AVAILABLE.model_copy(update={"text": f"the spectrometer failed: {error}"})
        return note

    async def _short_dark(self, progress: Progress, spectrometer: SpectrometerStation) -> FloatArray | None:
        """What pixels show without light at a short exposure: the search's zero."""
        assert spectrometer.setup is not None  # noqa: S101 - asked for by tune()
        limits = spectrometer.setup.limits
        if limits.has_shutter:
            return await self._shut_and_capture(spectrometer, max(limits.min_integration_s, LADDER_S[0]), 1)
        stored = await self._journal.kept(progress.test_id, DARK)
        return None if stored is None else np.asarray(_STORED.validate_json(stored).counts[0])

    async def _shut_and_capture(
        self, spectrometer: SpectrometerStation, integration_s: float, averages: int
    ) -> FloatArray:
        """A dark behind the shutter, which is opened again even where the dark failed."""
        await spectrometer.shut(is_open=False)
        try:
            return await spectrometer.capture(integration_s, averages)
        finally:
            await spectrometer.shut(is_open=True)

    # One window.

    async def read(
        self,
        progress: Progress,
        evidence: tuple[GateEvidence, ...],
        cut: asyncio.Event,
        cut_reason: Callable[[], str],
    ) -> Reading:
        """Read all instruments over one common window, or until it is cut.

        A window in which the machine slept is cut too: its end comes before anybody can tell, and part of it is blind.
        """
        opened_s, slept_s = self._clock.monotonic(), self._suspended()
        async with asyncio.TaskGroup() as group:
            spectrum = group.create_task(self._capture(progress, opened_s, cut))
            await self._until(opened_s + self._config.procedure.window_s, cut)
            # Now, whatever the spectrometer is still about: what comes later belongs to no window.
            closed_s = self._clock.monotonic()
        capture, why = spectrum.result()
        slept = self._suspended() - slept_s > SUSPEND_S
        was_cut = slept or cut.is_set()
        missing = self._missing()
        if why:
            missing["spectrometer"] = why
        window = Window(
            opened_s=opened_s,
            closed_s=closed_s,
            light=self._readings.light.within(opened_s, closed_s),
            supply=self._readings.supply.within(opened_s, closed_s),
            inside=[t.sample for t in self._readings.inside.between(closed_s - AIR_FRESH_S, closed_s)],
            outside=[t.sample for t in self._readings.outside.between(closed_s - AIR_FRESH_S, closed_s)],
            capture=None if was_cut else capture,
            why_missing=missing,
            cut=None if not was_cut else "the computer was suspended" if slept else cut_reason(),
        )
        rules = await self._rules(progress, capture is not None)
        return compose(window, progress, progress.next_attempt(), evidence, rules, self._stamp)

    async def _until(self, due_s: float, cut: asyncio.Event) -> None:
        """Sleep in bench time, but wake when the window is cut."""
        async with asyncio.TaskGroup() as group:
            sleeper = group.create_task(self._clock.sleep(due_s - self._clock.monotonic()))
            waker = group.create_task(cut.wait())
            await asyncio.wait({sleeper, waker}, return_when=asyncio.FIRST_COMPLETED)
            sleeper.cancel()
            waker.cancel()

    async def _capture(
        self, progress: Progress, opened_s: float, cut: asyncio.Event
    ) -> tuple[Capture | None, str | None]:
        """Frames over the window; a spot that saturates is exposed once more, shorter, and that is recorded."""
        spectrometer, note = self.spectrometer, progress.integration
        if spectrometer is None:
            return None, "no spectrometer on this bench"
        if note is None or note.integration_s is None:
            return None, "no integration time was found" if note is None else note.text
        if spectrometer.setup is None:
            return None, "the spectrometer does not answer"
        limits = spectrometer.setup.limits
        until_s = opened_s + self._config.procedure.window_s
        try:
            if limits.has_shutter:
                await spectrometer.shut(is_open=True)  # it may have been away since it was last closed
            integration_s, first = await self._expose(progress, spectrometer, limits, note.integration_s)
            frames, averages = frames_for(integration_s, until_s - self._clock.monotonic())
            taken: list[FloatArray] = []
            while len(taken) < frames and not cut.is_set():
                if taken and until_s - self._clock.monotonic() < integration_s * averages:
                    break
                taken.append(await spectrometer.capture(integration_s, averages))
        except INSTRUMENT_ERRORS as error:
            return None, str(error)
        if not taken:
            return (Capture(first[np.newaxis], integration_s, 1), None) if not cut.is_set() else (None, "cut short")
        return Capture(np.stack(taken), integration_s, averages), None

    async def _expose(
        self, progress: Progress, spectrometer: SpectrometerStation, limits: SpectrometerLimits, tuned_s: float
    ) -> tuple[float, FloatArray]:
        """One look at the spot: a spot that would saturate gets a shorter exposure of its own.

        Returns:
            The integration time to use here, in seconds, and the counts of the look, shape ``(n_pixels,)``.
        """
        ceiling = SATURATION_FRACTION * limits.full_scale_counts
        integration_s = tuned_s
        counts = await spectrometer.capture(integration_s, 1)
        while counts.max() >= ceiling and integration_s > limits.min_integration_s:
            integration_s = max(limits.min_integration_s, integration_s / SHORTER)
            counts = await spectrometer.capture(integration_s, 1)
        if integration_s != tuned_s and limits.has_shutter:
            dark = await self._shut_and_capture(spectrometer, integration_s, DARK_AVERAGES)
            await self._keep_dark(
                progress, StoredDark("shutter", [integration_s], [DARK_AVERAGES], _lists([dark])), add=True
            )
        return integration_s, counts

    def _missing(self) -> dict[str, str]:
        roles = {table.role: name for name, table in self._config.instruments.items()}
        reasons: dict[str, str] = {}
        for role in ("quantum_sensor", "spectrometer", "power_meter", "air_inside", "air_outside"):
            reasons[role] = (
                f"{roles[role]} gave too few readings" if role in roles else "no such instrument on this bench"
            )
        return reasons

    async def _rules(self, progress: Progress, with_spectrum: bool) -> Rules:
        light = self._config.with_role("quantum_sensor")
        power = self._config.with_role("power_meter")
        return Rules(
            procedure=self._config.procedure,
            uncertainty=self._config.uncertainty,
            light_name=light[0] if light else "none",
            light_calibration=light[1].calibration if light else None,
            light_step_umol=self.light_step_umol,
            power_calibration=power[1].calibration if power else None,
            spectrometer=await self._facts(progress) if with_spectrum else None,
        )

    async def _facts(self, progress: Progress) -> SpectrometerFacts | None:
        station = self.spectrometer
        if station is None or station.setup is None:
            return None
        calibration, table, name = self._calibration(station)
        stored = await self._journal.kept(progress.test_id, DARK)
        dark, source = None, "none"
        if stored is not None:
            # The same for all spots of a test: read once, and again when it has changed.
            read_noise = calibration.read_noise_counts if calibration is not None else 0.0
            asked = (stored, station.setup.wavelength_nm.size, read_noise)
            if asked != self._dark_of:
                self._dark_of, self._dark = asked, _dark_model(*asked)
            dark, source = self._dark
        return SpectrometerFacts(
            instrument=station.name,
            calibration=calibration,
            calibration_name=name,
            table=table,
            wavelength_nm=station.setup.wavelength_nm,
            full_scale_counts=station.setup.limits.full_scale_counts,
            dark=dark,
            dark_source=source,
        )

    def _calibration(self, station: SpectrometerStation) -> tuple[SpectralCalibration | None, PhotonTable | None, str]:
        setup, loaded = station.setup, station.file
        if setup is None or loaded is None:
            return None, None, "none"
        file, name = loaded
        if setup not in self._tables:
            factor = station.table.calibration.factor if station.table.calibration else 1.0
            try:
                made = spectral_calibration(file, setup.wavelength_nm, setup.limits.full_scale_counts, factor)
                self._tables = {setup: (made, made.photon_table())}
            except MeasurementError as error:
                log.warning("%s", error)
                return None, None, f"unusable: {error}"
        calibration, table = self._tables[setup]
        return calibration, table, name


def _lists(rows: list[FloatArray]) -> list[list[float]]:
    return [[round(value, 4) for value in row.tolist()] for row in rows]


def _dark_model(stored: str, pixels: int, read_noise_counts: float) -> tuple[DarkModel | None, str]:
    """What is kept of darks, and where from; none for a spectrometer that was put in another's place."""
    kept = _STORED.validate_json(stored)
    if len(kept.counts[0]) != pixels:
        return None, "none"
    counts = np.asarray(kept.counts)
    model = DarkModel(kept.integrations_s, counts, averages=kept.averages, read_noise_counts=read_noise_counts)
    return model, kept.source
