"""Computation: photon figures beside a bare integral, and the search for the integration time beside plain searches."""

import importlib.util
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from types import ModuleType

import numpy as np
from lampwarden.daemon.calibration import spectral_calibration
from lampwarden.daemon.measure.spectrum import DarkModel, photon_bands, spectral_irradiance
from lampwarden.daemon.simulated.simulation import spectral_file
from lampwarden.simulators.bench import SimulatedBench
from lampwarden.simulators.scenario import Scenario
from table import Row, figure, median

BANDS_NM = ((400, 700), (400, 750), (400, 500), (500, 600), (600, 700), (700, 800))
AVOGADRO_H_C = 0.11962656582  # J m mol⁻¹, so that λ/this in nm gives µmol per joule times 1000 (SI, exact constants)
INTEGRATION_S, FULL_SCALE = 0.05, 65535.0


def best_of(work: Callable[[], object], repeats: int, count: int) -> list[float]:
    """Seconds of one call, from blocks of so many."""
    found = []
    for _ in range(repeats):
        began = time.perf_counter()
        for _ in range(count):
            work()
        found.append((time.perf_counter() - began) / count)
    return found


def photons(*, short: bool) -> Row:
    """From raw counts to six photon figures, ours with uncertainty, beside plain numpy without."""
    repeats, count = (5, 40) if short else (21, 200)
    bench = SimulatedBench(Scenario.demo(), 1)
    pixels = np.arange(2048.0)
    wavelength = np.polynomial.polynomial.polyval(pixels, bench.scenario.spectrometer.wavelength_nm)
    file = spectral_file(bench, datetime(2026, 3, 2, tzinfo=UTC))
    calibration = spectral_calibration(file, wavelength, FULL_SCALE, 1.0)
    table = calibration.photon_table()
    dark_counts = np.full(2048, 1450.0)
    dark = DarkModel([INTEGRATION_S], dark_counts[np.newaxis], averages=[10], read_noise_counts=9.0)
    counts = dark_counts + 30_000.0 * np.exp(-(((wavelength - 590.0) / 25.0) ** 2)) + 500.0
    factor = np.asarray(file.factor_w_m2_nm_per_count_s)
    masks = [(wavelength >= low) & (wavelength <= high) for low, high in BANDS_NM]

    def ours() -> float:
        return photon_bands(spectral_irradiance(counts, INTEGRATION_S, 1, dark, calibration), table).ppfd.value

    def bare() -> list[float]:
        irradiance = (counts - dark_counts) * factor / INTEGRATION_S
        flux = irradiance * wavelength / AVOGADRO_H_C * 1e-3
        return [float(np.trapezoid(flux[mask], wavelength[mask])) for mask in masks]

    if abs(ours() / bare()[0] - 1.0) > 0.01:
        raise AssertionError(f"they do not compute the same: {ours()} and {bare()[0]}")
    mine, plain = [], []
    for _ in range(repeats):
        mine += best_of(ours, 1, count)
        plain += best_of(bare, 1, count)
    return Row(
        "photons",
        "spectrum to six photon figures with uncertainty / the same six as bare numpy integrals",
        median(mine) / median(plain),
        "×",
        10.0,
        False,
        f"{figure(1e6 * median(mine))} / {figure(1e6 * median(plain))} µs a spectrum",
        repeats,
    )


def _study() -> ModuleType:
    path = Path(__file__).resolve().parents[1] / "studies" / "integration_time.py"
    spec = importlib.util.spec_from_file_location("integration_time_study", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def search(*, short: bool) -> list[Row]:
    """Exposures and light time of the search beside the better of doubling and bisection; nothing here is timed.

    All three deliver the same: an exposure that was seen unsaturated with its peak at 70-90 % of full scale. The peers
    are the textbook forms with that acceptance: doubling bisects its last step once it has passed the window.
    """
    study = _study()
    decades = np.linspace(*study.DECADES, 12 if short else 120)
    found = study.run(study.ripples(), decades)
    by = {name: [row for row in found if row.method == name] for name in study.METHODS}

    def mean(name: str, field: str) -> float:
        return float(np.mean([getattr(row, field) for row in by[name]]))

    exposures = {name: mean(name, "exposures") for name in by}
    light = {name: mean(name, "light_s") for name in by}
    peers = ("doubling", "bisection")
    lights = sum(row.lights for row in by["search"])

    def row(key: str, what: str, values: dict[str, float], unit: str) -> Row:
        better = min(peers, key=values.__getitem__)
        seen = ", ".join(f"{name} {figure(value)}{unit}" for name, value in values.items())
        label = f"integration-time search: {what} / better of doubling and bisection ({better})"
        share = values["search"] / values[better]
        return Row(key, label, share, "×", 0.5, False, seen, lights)

    return [
        row("search exposures", "exposures", exposures, ""),
        row("search light", "light time", light, " s"),
    ]
