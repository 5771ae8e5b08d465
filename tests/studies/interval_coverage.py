"""How often a 95 % interval holds the truth, over simulated tests of simulated lamps.

Run it: ``python tests/studies/interval_coverage.py [tests]``. A simulation of its own, at the measuring layer: it makes
what instruments would have shown, budgets it as a bench would, and asks the measuring package for conclusions. Several
causes have another form than the budget's: errors are rectangular or a function of the place; noise is correlated from
sample to sample; the lamp's drift bends and wanders; the field falls off otherwise than the height's budget assumes;
the irradiance factors are off by a wavy line, where the budget knows one number; and the mains moves the lamp from spot
to spot, which no line names. The tests run a smaller number.
"""

import math
import sys
from dataclasses import dataclass

import numpy as np
from lampwarden.daemon.measure import budget, compare, estimate
from lampwarden.daemon.measure.budget import Term
from lampwarden.daemon.measure.photons import photon_flux
from lampwarden.daemon.measure.spectrum import DarkModel, SpectralCalibration, photon_bands, spectral_irradiance
from lampwarden.daemon.measure.student import coverage_factor
from lampwarden.daemon.measure.summary import CanopySummary, DriftTreatment, SpotValue, conclude, stated
from lampwarden.daemon.measure.surface import GridPoint, gradients

HEIGHT_MM, U_HEIGHT_MM = 1000.0, 4.0
CALIBRATION, MISMATCH, COSINE_AT_60, PLACEMENT_MM = 0.015, 0.010, 0.020, 3.0
NOISE, CORRELATION, SAMPLES, STEP = 0.004, 0.3, 10, 0.1
TILT_DEG = 0.2
#: What no line of the budget names: the mains moves the lamp a little from spot to spot.
UNNAMED = 0.0007
PITCH_MM = np.linspace(-600.0, 600.0, 5)
SPOTS = [(float(x), float(y)) for x in PITCH_MM for y in PITCH_MM]
NAMES = [f"{i}" for i in range(len(SPOTS))]
MINUTES = 60.0
TRIALS = 1500


@dataclass(frozen=True)
class Lamp:
    """A lamp over the grid: level, how its light falls off, where it hangs, how it drifts (times in minutes)."""

    level: float
    order: float
    x_mm: float
    y_mm: float
    drift: float
    bend_min: float
    wander: float
    wander_min: float
    phase: float

    @classmethod
    def drawn(cls, rng: np.random.Generator, level: float = 600.0) -> "Lamp":
        """Any lamp."""
        return cls(
            level=level,
            order=float(rng.uniform(0.0, 1.5)),
            x_mm=float(15.0 * rng.standard_normal()),
            y_mm=float(15.0 * rng.standard_normal()),
            drift=float(-0.012 + 0.010 * rng.standard_normal()),
            bend_min=float(MINUTES * rng.uniform(0.4, 2.0)),
            wander=0.001,
            wander_min=float(rng.uniform(10.0, 80.0)),
            phase=float(rng.uniform(0.0, 2.0 * math.pi)),
        )

    def output(self, minute: float) -> float:
        """Relative to the start: an exponential approach, and a slow wander."""
        bent = self.drift * (1.0 - math.exp(-minute / self.bend_min)) / (1.0 - math.exp(-MINUTES / self.bend_min))
        return 1.0 + bent + self.wander * math.sin(2.0 * math.pi * minute / self.wander_min + self.phase)

    def light(self, x_mm: float, y_mm: float, height_mm: float) -> float:
        """At one place of the plane, undrifted."""
        square = ((x_mm - self.x_mm) ** 2 + (y_mm - self.y_mm) ** 2) / height_mm**2
        return self.level * (HEIGHT_MM / height_mm) ** 2 / (1.0 + square) ** ((self.order + 3.0) / 2.0)

    def true_grid(self) -> np.ndarray:
        """Half-way through the test, at the nominal height."""
        return np.array([self.light(x, y, HEIGHT_MM) for x, y in SPOTS]) * self.output(MINUTES / 2.0)


def rectangular(rng: np.random.Generator, u: float) -> float:
    """A draw of that standard uncertainty from a rectangle."""
    return float(rng.uniform(-1.0, 1.0)) * u * math.sqrt(3.0)


@dataclass(frozen=True)
class Bench:
    """What is fixed over a campaign: the calibration's error."""

    calibration: float

    def read(self, lamp: Lamp, rng: np.random.Generator) -> tuple[list[SpotValue], SpotValue, SpotValue]:
        """One test: hang the lamp, open, read the grid, close."""
        height_mm = HEIGHT_MM + U_HEIGHT_MM * rng.standard_normal()
        shared = self.calibration * (1.0 + rectangular(rng, MISMATCH))
        askew = rectangular(rng, COSINE_AT_60)
        middle = len(SPOTS) // 2
        opening = self._spot("reference", middle, 0.0, lamp, height_mm, shared, askew, rng, moved=False)
        minutes = np.linspace(2.0, MINUTES - 2.0, len(SPOTS))
        spots = [
            self._spot(name, i, float(minutes[i]), lamp, height_mm, shared, askew, rng, moved=True)
            for i, name in enumerate(NAMES)
        ]
        closing = self._spot("reference", middle, MINUTES, lamp, height_mm, shared, askew, rng, moved=True)
        # Placement by how steep the grid has shown to be.
        places = zip(spots, SPOTS, strict=True)
        steep = gradients([GridPoint(s.spot, *at, s.estimate.value) for s, at in places]) or {}
        spots = [_with(s, budget.placement(steep[s.spot], PLACEMENT_MM)) for s in spots]
        return spots, opening, _with(closing, budget.placement(steep[NAMES[middle]], PLACEMENT_MM))

    def _spot(
        self,
        name: str,
        index: int,
        minute: float,
        lamp: Lamp,
        height_mm: float,
        shared: float,
        askew: float,
        rng: np.random.Generator,
        *,
        moved: bool,
    ) -> SpotValue:
        x, y = SPOTS[index]
        offset, turn = 2.0 * PLACEMENT_MM * math.sqrt(rng.uniform()), rng.uniform(0.0, 2.0 * math.pi)
        if not moved:
            offset = 0.0
        true = lamp.light(x + offset * math.cos(turn), y + offset * math.sin(turn), height_mm) * lamp.output(minute)
        radius = math.hypot(x, y)
        share = (math.degrees(math.atan2(radius, HEIGHT_MM)) / 60.0) ** 2
        tilt = math.radians(rectangular(rng, TILT_DEG)) * radius / HEIGHT_MM
        level = true * shared * (1.0 + askew * share) * (1.0 + tilt) * (1.0 + UNNAMED * rng.standard_normal())
        wave, noise = 0.0, []
        for _ in range(SAMPLES):
            wave = CORRELATION * wave + math.sqrt(1.0 - CORRELATION**2) * rng.standard_normal()
            noise.append(round(level * (1.0 + NOISE * wave) / STEP) * STEP)
        mean = sum(noise) / SAMPLES
        square = HEIGHT_MM**2 + radius**2
        terms = (
            budget.noise(noise),
            budget.resolution(STEP),
            budget.calibration(mean, CALIBRATION),
            # for even intensity: d ln E / d ln h = 1 - 3 cos²
            budget.height(mean, HEIGHT_MM, U_HEIGHT_MM, abs(3.0 * HEIGHT_MM**2 / square - 1.0)),
            budget.directional(mean, COSINE_AT_60 * share),
            budget.levelling(mean, math.degrees(math.atan2(radius, HEIGHT_MM)), TILT_DEG),
            budget.spectral_mismatch(mean, MISMATCH),
        )
        return SpotValue(name, budget.combined(mean, terms), minute, terms)


def _with(value: SpotValue, term: Term) -> SpotValue:
    """The reading with one more line in its budget."""
    terms = (*value.terms, term)
    return SpotValue(value.spot, budget.combined(value.estimate.value, terms), value.time_s, terms)


class Tally:
    """Counts of intervals that held the truth, by figure."""

    def __init__(self) -> None:
        self.held: dict[str, int] = {}
        self.asked: dict[str, int] = {}
        self.widths: dict[str, list[float]] = {}

    def add(self, figure: str, interval: tuple[float, float], truth: float) -> None:
        """One interval."""
        self.asked[figure] = self.asked.get(figure, 0) + 1
        self.held[figure] = self.held.get(figure, 0) + (interval[0] <= truth <= interval[1])
        self.widths.setdefault(figure, []).append((interval[1] - interval[0]) / 2.0 / abs(truth))

    def share(self, figure: str) -> float:
        """Share that held."""
        return self.held[figure] / self.asked[figure]


def _conclude(
    test: tuple[list[SpotValue], SpotValue, SpotValue], treatment: DriftTreatment, seed: int
) -> CanopySummary:
    spots, opening, closing = test
    rng = np.random.default_rng(seed)
    return conclude(spots, NAMES, opening=opening, closing=closing, treatment=treatment, rng=rng, trials=TRIALS)


def grid_tests(tally: Tally, rng: np.random.Generator, seed: int) -> None:
    """One campaign of two lamps on one bench: every figure of the first, and the ratio of the two."""
    bench = Bench(1.0 + CALIBRATION * float(rng.standard_normal()))
    lamps = [Lamp.drawn(rng), Lamp.drawn(rng, level=580.0)]
    tests = [bench.read(lamp, rng) for lamp in lamps]
    true = [lamp.true_grid() for lamp in lamps]
    for treatment in DriftTreatment:
        summary = _conclude(tests[0], treatment, seed)
        how = treatment.value
        tally.add(f"canopy average, drift {how}", summary.average.interval, float(true[0].mean()))
        tally.add(f"max/min, drift {how}", summary.uniformity_ratio.interval, float(true[0].max() / true[0].min()))
        tally.add(f"min/average, drift {how}", summary.min_over_average.interval, float(true[0].min() / true[0].mean()))
        spread = float(true[0].std(ddof=1) / true[0].mean())
        tally.add(f"coefficient of variation, drift {how}", summary.coefficient_of_variation.interval, spread)
    real = lamps[0].output(MINUTES) / lamps[0].output(0.0) - 1.0
    found = summary.drift.figure
    half = (found.interval[1] - found.interval[0]) / 2.0
    tally.asked["drift"] = tally.asked.get("drift", 0) + 1
    tally.held["drift"] = tally.held.get("drift", 0) + (abs(found.estimate.value - real) <= half)
    tally.widths.setdefault("drift", []).append(half)
    entered = []
    for name, test in zip("ab", tests, strict=True):
        summary = _conclude(test, DriftTreatment.CORRECT, seed)
        entered.append(compare.ComparedTest(name, name, summary.average.estimate.value, summary.budget))
    pair = compare.rank(entered).pairs[0]
    k = coverage_factor(pair.ratio.dof)
    truth = float(true[0].mean() / true[1].mean())
    truth = truth if pair.better == "a" else 1.0 / truth
    tally.add("ratio of two lamps", (pair.ratio.value - k * pair.ratio.u, pair.ratio.value + k * pair.ratio.u), truth)


NM = 340.0 + 0.265 * np.arange(1024) * 1.93
FACTOR = 2e-8 * (1.2 + np.cos(NM / 110.0) * 0.5)
WAVELENGTH_U, BANDWIDTH = 0.25, 2.0
SCALE_U, SHAPE_U, WAVE_NM = 0.012, 0.010, 60.0
READ, ELECTRONS, EXPOSURE_S = 8.0, 2.0, 0.015
FINE = np.arange(330.0, 900.0, 0.05)
#: A continuum and lines of a sodium and mercury kind: centre, width (standard deviation), height.
LINES = (
    (436.0, 0.8, 3.0),
    (546.0, 0.8, 4.0),
    (578.0, 1.2, 4.0),
    (589.3, 6.0, 9.0),
    (672.0, 2.0, 2.0),
    (819.0, 3.0, 6.0),
)


def _lamp_spectrum(rng: np.random.Generator) -> np.ndarray:
    """On the fine scale, W m⁻² nm⁻¹."""
    heights = [h * rng.uniform(0.3, 1.7) for _, _, h in LINES]
    e = 0.25 + 0.2 * np.sin(FINE / 150.0) ** 2
    for (centre, width, _), height in zip(LINES, heights, strict=True):
        e = e + height * np.exp(-0.5 * ((FINE - centre) / width) ** 2)
    return e * 4e-3


_DISTANCE = np.abs(np.subtract.outer(NM[::16], NM[::16]))
_ROOT = np.linalg.cholesky(np.exp(-0.5 * (_DISTANCE / WAVE_NM) ** 2) + 1e-6 * np.eye(_DISTANCE.shape[0]))


def spectral_tests(tally: Tally, rng: np.random.Generator) -> None:
    """One spectrum: PPFD, far-red and the wide red to far-red ratio."""
    lamp = _lamp_spectrum(rng)
    steps = int(BANDWIDTH / 0.05)
    slit = np.concatenate((np.arange(1, steps + 1), np.arange(steps - 1, 0, -1))).astype(float)
    seen = np.convolve(lamp, slit / slit.sum(), mode="same")
    shift = WAVELENGTH_U * rng.standard_normal()
    wavy = SHAPE_U * np.interp(NM, NM[::16], _ROOT @ rng.standard_normal(_DISTANCE.shape[0]))
    real_factor = FACTOR * (1.0 + SCALE_U * rng.standard_normal()) * (1.0 + wavy)
    net = np.interp(NM + shift, FINE, seen) / real_factor * EXPOSURE_S
    frames = net + np.sqrt(net / ELECTRONS + READ**2) * rng.standard_normal((4, NM.size))
    frames *= 1.0 + 0.001 * rng.standard_normal((4, 1))  # the lamp's own flicker
    dark_level = np.full(NM.size, 900.0)
    dark = DarkModel.from_capture(
        dark_level + READ / 2.0 * rng.standard_normal(NM.size), EXPOSURE_S, averages=4, read_noise_counts=READ
    )
    calibration = SpectralCalibration(
        NM, FACTOR, 65535.0, SCALE_U, SHAPE_U, WAVELENGTH_U, BANDWIDTH,
        read_noise_counts=READ, electrons_per_count=ELECTRONS,
    )  # fmt: skip
    spectrum = spectral_irradiance(frames + dark_level, EXPOSURE_S, 1, dark, calibration)
    if spectrum.saturated:
        raise AssertionError("the simulated spectrum saturates")
    bands = photon_bands(spectrum, calibration.photon_table())
    red, far_red = (photon_flux(FINE, lamp, low, low + 100.0) for low in (600.0, 700.0))
    for name, found, truth in (
        ("spectral PPFD", bands.ppfd, photon_flux(FINE, lamp, 400.0, 700.0)),
        ("spectral far-red", bands.far_red, far_red),
        ("red to far-red, wide", bands.red_far_red_wide, red / far_red),
    ):
        tally.add(name, stated(found).interval, truth)


def noise_tests(tally: Tally, rng: np.random.Generator) -> None:
    """A mean of few readings of a steady light: Student's t where there is nothing else."""
    readings = [500.0 + 2.0 * float(v) for v in rng.standard_normal(5)]
    tally.add("mean of five readings", stated(estimate.from_readings(readings)).interval, 500.0)
    two = budget.combined(float(np.mean(readings)), [budget.noise(readings), Term("other", u_own=0.5)])
    tally.add("the same with a known cause", stated(two).interval, 500.0 + 0.5 * float(rng.standard_normal()))


def run(tests: int, seed: int = 20260301) -> Tally:
    """So many campaigns, spectra and means."""
    tally = Tally()
    for k in range(tests):
        rng = np.random.default_rng([seed, k])
        grid_tests(tally, rng, seed + k)
        spectral_tests(tally, rng)
        noise_tests(tally, rng)
    return tally


def report(tally: Tally) -> str:
    """The table; ± is two standard deviations of the share itself."""
    lines = [f"{'95 % interval of':40s} held the truth        half width (mean)"]
    for figure, asked in tally.asked.items():
        share = tally.share(figure)
        luck = 2.0 * math.sqrt(0.95 * 0.05 / asked)
        width = sum(tally.widths[figure]) / asked
        lines.append(f"{figure:40s} {tally.held[figure]:5d} of {asked:5d} {share:7.2%} ± {luck:.2%} {width:10.2%}")
    return "\n".join(lines)


def main() -> None:
    """Print the report."""
    tests = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    sys.stdout.write(report(run(tests)) + "\n")


if __name__ == "__main__":
    main()
