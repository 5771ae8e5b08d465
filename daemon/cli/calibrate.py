"""``lampwarden calibrate …``: measures on the instruments themselves, fits, and writes a dated file.

The fits are in ``measure.calibration``; here instruments are opened, read and closed, and files are read and written.
No daemon may run meanwhile: the instruments can serve one master only.
"""

import csv
import json
import math
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from itertools import chain, count
from pathlib import Path
from typing import Final, TypeVar

import numpy as np

from ...drivers.instruments import BenchInstrument
from ...drivers.registry import Registry
from ...drivers.roles import QUANTUM_SENSOR, SPECTROMETER, Spectrometer, SpectrometerLimits
from ...protocol.counts import counted
from ...protocol.errors import ConfigurationError, MeasurementError
from ..calibration import SpectralCalibrationFile, load_spectral_calibration, spectral_calibration
from ..clock import bench_today
from ..config import BenchConfig
from ..measure.arrays import FloatArray
from ..measure.calibration import (
    EMISSION_LINES_NM,
    WavelengthFit,
    calibrate_wavelengths,
    irradiance_factors,
    quantum_factor,
)
from ..measure.estimate import Estimate
from ..measure.spectrum import DarkModel, photon_bands, spectral_irradiance
from ..procedure.tuning import LADDER_S, search
from ..service import Opener, bench_clock

AVERAGES: Final = 32
"""Exposures in a calibration: its noise should be well below what it is for."""
REPEATS: Final = 8
"""Captures of the standard lamp: their scatter is the noise of the factors."""

Say = Callable[[str], None]
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class _Eye:
    """A spectrometer that is open, with what it says of itself."""

    device: BenchInstrument[Spectrometer]
    limits: SpectrometerLimits
    wavelength_nm: FloatArray

    async def capture(self, integration_s: float, averages: int) -> FloatArray:
        bound_s = self.device.instrument.capture_bound_s(integration_s, averages)
        return await self.device.call(lambda eye: eye.capture(integration_s, averages), bound_s=bound_s)

    async def shut(self, *, is_open: bool) -> None:
        await self.device.call(lambda eye: eye.set_shutter(is_open=is_open))


async def calibrate_dark(config: BenchConfig, folder: Path, out: Path | None, say: Say) -> Path:
    """Take darks at a ladder of integration times, behind the shutter or with the light off, into a dated file."""

    async def work(eye: _Eye) -> Path:
        times = [t for t in LADDER_S if eye.limits.min_integration_s <= t <= eye.limits.max_integration_s]
        if eye.limits.has_shutter:
            await eye.shut(is_open=False)
        else:
            say("no shutter: the dark is what the spectrometer sees now, so all light must be off")
        rows = [await eye.capture(t, AVERAGES) for t in times]
        if eye.limits.has_shutter:
            await eye.shut(is_open=True)
        for t, row in zip(times, rows, strict=True):
            say(f"{1000 * t:8.4g} ms: mean {row.mean():.1f} counts, spread over pixels {row.std():.1f}")
        body = {
            "schema": "lampwarden.dark/1",
            "simulated": config.bench.simulated,
            "taken_on": bench_today().isoformat(),
            "integration_s": times,
            "averages": AVERAGES,
            "counts": [[round(v, 3) for v in row.tolist()] for row in rows],
        }
        path = out or _dated(folder, "dark")
        return _write(path, json.dumps(body), say, "for the record: each test takes darks of its own")

    return await _with_spectrometer(config, folder, work)


async def calibrate_wavelength(
    config: BenchConfig, folder: Path, elements: Sequence[str], out: Path | None, say: Say
) -> WavelengthFit:
    """Fit the wavelength scale to the emission lines of a lamp that shines on the spectrometer now.

    Raises:
        MeasurementError: Too few lines found, or too weak a light.
    """
    lines = [line for element in elements for line in _lines(element)]

    async def work(eye: _Eye) -> WavelengthFit:
        dark, integration_s = await _tuned(eye, config, say)
        counts = await eye.capture(integration_s, AVERAGES) - dark
        fit = calibrate_wavelengths(counts, eye.wavelength_nm, lines)
        for line, residual in zip(fit.lines_nm, fit.residuals_nm, strict=True):
            say(f"{line:9.4f} nm  residual {residual:+.4f} nm")
        say(f"left out: {', '.join(f'{line:g}' for line in fit.left_out_nm) or 'none'}")
        say(f"standard uncertainty of the scale {fit.u_nm:.4f} nm ({counted(fit.dof, 'degree', 'degrees')} of freedom)")
        present = _present(config)
        if present is None:
            raise ConfigurationError(
                "there is no calibration file that the scale could go into",
                where="instruments.spectrometer.calibration.file",
                mend="calibrate irradiance first",
            )
        updated = present.model_copy(
            update={
                "wavelength_polynomial_nm": list(fit.coefficients),
                "wavelength_u_nm": fit.u_nm,
                "calibrated_on": bench_today(),
                "simulated": config.bench.simulated,
            }
        )
        _write(out or _dated(folder, "spectrometer"), updated.model_dump_json(by_alias=True), say, _USE_SPECTRAL)
        return fit

    return await _with_spectrometer(config, folder, work)


async def calibrate_irradiance(
    config: BenchConfig,
    folder: Path,
    standard: Path,
    *,
    certificate: str,
    u_percent: float,
    out: Path | None,
    say: Say,
) -> SpectralCalibrationFile:
    """Find irradiance factors under a standard lamp whose table is given.

    Args:
        config: Of the bench.
        folder: For the dated file.
        standard: CSV with wavelength in nm and irradiance in W m⁻² nm⁻¹ at the distance used.
        certificate: Of the standard lamp; stands in every record.
        u_percent: Standard uncertainty of the table as a whole (half the certificate's expanded one).
        out: Instead of a dated file in ``folder``.
        say: Gets lines for a person.

    Raises:
        MeasurementError: Too little light, or a table that does not fit.
    """
    table_nm, table_irradiance = read_standard(standard)

    async def work(eye: _Eye) -> SpectralCalibrationFile:
        dark, integration_s = await _tuned(eye, config, say)
        frames = np.stack([await eye.capture(integration_s, AVERAGES) for _ in range(REPEATS)])
        rate = (frames.mean(axis=0) - dark) / integration_s
        u_rate = frames.std(axis=0, ddof=1) / math.sqrt(REPEATS) / integration_s
        found = irradiance_factors(
            rate, u_rate, eye.wavelength_nm, table_nm, table_irradiance, u_certificate_relative=u_percent / 100.0
        )
        usable = np.flatnonzero(found.usable)
        say(
            f"factors from {eye.wavelength_nm[usable[0]]:.1f} to {eye.wavelength_nm[usable[-1]]:.1f} nm, "
            f"{found.usable.sum()} of {found.usable.size} pixels; noise of a factor up to "
            f"{found.u_shape_relative.max():.2%}"
        )
        present = _present(config)
        file = SpectralCalibrationFile(
            schema_="lampwarden.spectral-calibration/1",
            certificate=certificate,
            calibrated_on=bench_today(),
            simulated=config.bench.simulated,
            factor_w_m2_nm_per_count_s=[float(f"{f:.7g}") for f in found.factor.tolist()],
            u_scale_percent=100.0 * found.u_scale_relative,
            u_shape_percent=100.0 * float(np.median(found.u_shape_relative[usable])),
            wavelength_u_nm=present.wavelength_u_nm if present else 0.0,
            bandwidth_nm=present.bandwidth_nm if present else 0.0,
            read_noise_counts=present.read_noise_counts if present else 0.0,
            electrons_per_count=present.electrons_per_count if present else None,
            wavelength_polynomial_nm=present.wavelength_polynomial_nm if present else None,
            bad_pixels=[int(i) for i in np.flatnonzero(~found.usable)],
        )
        _write(out or _dated(folder, "spectrometer"), file.model_dump_json(by_alias=True), say, _USE_SPECTRAL)
        return file

    return await _with_spectrometer(config, folder, work)


async def calibrate_quantum(
    config: BenchConfig,
    folder: Path,
    *,
    reference_umol: float | None,
    u_reference_percent: float,
    pairs: int,
    out: Path | None,
    say: Say,
) -> Estimate:
    """Find the quantum sensor's factor against a stated PPFD, or against the spectrometer beside it.

    Raises:
        MeasurementError: No sensor, or readings that are not above zero.
    """
    found = config.with_role("quantum_sensor")
    if found is None:
        raise MeasurementError("this bench has no quantum sensor", where="calibrate quantum")
    name, table = found
    clock = bench_clock(config)
    opener = Opener(Registry(folder))
    try:
        sensor = opener.open(name, table, QUANTUM_SENSOR)
        await sensor.open()
        references: list[float] = []
        readings: list[float] = []
        for _ in range(pairs):
            readings.append(await sensor.call(lambda device: device.read_ppfd_umol()))
            if reference_umol is not None:
                references.append(reference_umol)
            await clock.sleep(1.0)
        u_relative = u_reference_percent / 100.0
        if reference_umol is None:
            spectral = await _spectral_ppfd(config, opener, say)
            references = [spectral.value] * pairs
            u_relative = spectral.u_relative
    finally:
        await opener.close()
    factor = quantum_factor(readings, references, u_reference_relative=u_relative)
    expanded = 200.0 * factor.u_relative
    say(f"factor {factor.value:.5f} ± {expanded:.2f} % (k = 2), from {counted(pairs, 'reading')}")
    say("it holds for this light: under another spectrum the sensor's spectral mismatch comes in")
    body = {
        "schema": "lampwarden.sensor-calibration/1",
        "instrument": name,
        "simulated": config.bench.simulated,
        "calibrated_on": bench_today().isoformat(),
        "factor": factor.value,
        "expanded_uncertainty_percent": expanded,
        "readings_umol": readings,
        "reference_umol": references,
    }
    use = f"to use it, copy factor and expanded_uncertainty_percent to [instruments.{name}.calibration] in bench.toml"
    _write(out or _dated(folder, name), json.dumps(body), say, use)
    return factor


async def _spectral_ppfd(config: BenchConfig, opener: Opener, say: Say) -> Estimate:
    eye = await _open(config, opener)
    present = _present(config)
    if present is None:
        raise MeasurementError("the spectrometer has no calibration file", where="calibrate quantum")
    dark, integration_s = await _tuned(eye, config, say)
    frames = np.stack([await eye.capture(integration_s, AVERAGES) for _ in range(4)])
    calibration = spectral_calibration(present, eye.wavelength_nm, eye.limits.full_scale_counts, 1.0)
    model = DarkModel.from_capture(dark, integration_s, averages=AVERAGES)
    spectrum = spectral_irradiance(frames, integration_s, AVERAGES, model, calibration)
    ppfd = photon_bands(spectrum, calibration.photon_table()).ppfd
    if ppfd is None or spectrum.saturated:
        raise MeasurementError("the spectrum gives no PPFD", where="calibrate quantum")
    say(f"spectrometer: {ppfd.value:.1f} ± {2 * ppfd.u:.1f} µmol m⁻² s⁻¹")
    return ppfd


async def _tuned(eye: _Eye, config: BenchConfig, say: Say) -> tuple[FloatArray, float]:
    """Integration time for the light that is there, and the dark at it."""
    if not eye.limits.has_shutter:
        raise MeasurementError(
            "this spectrometer has no shutter: take the dark with calibrate dark first", where="calibrate"
        )
    ripple_hz = config.procedure.ripple_frequency_hz or 2.0 * config.procedure.nominal_frequency_hz
    note = await search(
        eye.capture,
        min_s=eye.limits.min_integration_s,
        max_s=eye.limits.max_integration_s,
        full_scale_counts=eye.limits.full_scale_counts,
        ripple_hz=ripple_hz,
        dark=None,
    )
    say(note.text)
    if note.integration_s is None:
        raise MeasurementError(note.text, where="calibrate")
    await eye.shut(is_open=False)
    dark = await eye.capture(note.integration_s, AVERAGES)
    await eye.shut(is_open=True)
    return dark, note.integration_s


async def _with_spectrometer(config: BenchConfig, folder: Path, work: Callable[[_Eye], Awaitable[T]]) -> T:
    opener = Opener(Registry(folder))
    try:
        return await work(await _open(config, opener))
    finally:
        await opener.close()


async def _open(config: BenchConfig, opener: Opener) -> _Eye:
    found = config.with_role("spectrometer")
    if found is None:
        raise MeasurementError("this bench has no spectrometer", where="calibrate")
    device = opener.open(*found, SPECTROMETER)
    await device.open()
    limits = await device.call(lambda eye: eye.read_limits())
    return _Eye(device, limits, await device.call(lambda eye: eye.read_wavelengths_nm()))


def _present(config: BenchConfig) -> SpectralCalibrationFile | None:
    found = config.with_role("spectrometer")
    if found is None or found[1].calibration is None or found[1].calibration.file is None:
        return None
    return load_spectral_calibration(found[1].calibration.file)[0]


def _lines(element: str) -> tuple[float, ...]:
    if element not in EMISSION_LINES_NM:
        known = ", ".join(EMISSION_LINES_NM)
        raise ConfigurationError(f"no lines of {element!r} are known", where="--lines", mend=f"known: {known}")
    return EMISSION_LINES_NM[element]


def read_standard(path: Path) -> tuple[FloatArray, FloatArray]:
    """A standard lamp's table: CSV, wavelength in nm, irradiance in W m⁻² nm⁻¹; lines with ``#`` are remarks.

    Raises:
        ConfigurationError: It cannot be read, or a row is not two numbers; says which.
    """
    rows: list[tuple[float, float]] = []
    try:
        with path.open(encoding="utf-8", newline="") as file:
            for number, row in enumerate(csv.reader(file), start=1):
                if not row or row[0].lstrip().startswith("#"):
                    continue
                try:
                    rows.append((float(row[0]), float(row[1])))
                except (ValueError, IndexError):
                    raise ConfigurationError(
                        f"line {number}: two numbers are expected, nm and W m⁻² nm⁻¹", where=str(path)
                    ) from None
    except OSError as error:
        raise ConfigurationError(f"cannot be read: {error.strerror}", where=str(path)) from None
    table = np.asarray(rows, dtype=np.float64).reshape(-1, 2)
    return table[:, 0], table[:, 1]


def _dated(folder: Path, name: str) -> Path:
    """A name with today's date that is still free: records name calibration files by their hash, and need them."""
    today = f"{name}-{bench_today():%Y%m%d}"
    names = chain((today,), (f"{today}-{number}" for number in count(2)))
    return next(path for each in names if not (path := folder / f"{each}.json").exists())


_USE_SPECTRAL: Final = "to use it, name it as file of the spectrometer's calibration in bench.toml"


def _write(path: Path, text: str, say: Say, use: str) -> Path:
    try:
        path.write_text(text + "\n", encoding="utf-8")
    except OSError as error:
        raise ConfigurationError(f"cannot be written: {error.strerror}", where=str(path)) from None
    say(f"written: {path}; {use}")
    return path
