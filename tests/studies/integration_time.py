"""How the search for the integration time fares beside plain doubling and bisection, over six decades of light.

Run it: ``python tests/studies/integration_time.py``. A small simulation of its own: a peak pixel with dark level, dark
current, shot and read noise, clipping at full scale, and light with a ripple whose integral over any window is known in
closed form. The tests run a thinner grid of the same.

All three deliver the same: a time whose own exposure was seen unsaturated with its peak at 70-90 % of full scale (or
the longest that there is). The peers are the textbook forms with that acceptance, as a competent user would write them;
that neither looks at the ripple, and so both accept times that clip its crest or cut a period, is held against neither.
"""

import math
import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
from lampwarden.daemon.measure.integration import IntegrationSearch, SearchSettings, Tuned

FULL_SCALE = 65535.0
MIN_S, MAX_S = 10e-6, 10.0
DARK, DARK_PER_S, READ_NOISE, ELECTRONS = 1000.0, 300.0, 8.0, 2.0
#: Time between two exposures of one capture.
GAP_S = 1e-3
#: The highest of 2048 dark pixels stands some 3.4 standard deviations of the read noise above their mean.
HIGHEST_OF_MANY = 3.4


@dataclass(frozen=True)
class Ripple:
    """Light of mean 1: frequency, waveform, depth; ``told_hz`` is what the search is told."""

    name: str
    hz: float
    waveform: str
    depth: float
    told_hz: float | None

    def integral(self, t: np.ndarray) -> np.ndarray:
        """Integral of the light from 0 to t."""
        if self.waveform == "sine":
            w = 2.0 * math.pi * self.hz
            return t + self.depth / w * (1.0 - np.cos(w * t))
        turns = t * self.hz
        whole, part = np.floor(turns), turns - np.floor(turns)
        # |sin(pi f t)| of mean 2/pi, or on for the first half of each period
        rectified = self.waveform == "rectified"
        shape = (1.0 - np.cos(math.pi * part)) / 2.0 if rectified else np.minimum(part, 0.5) * 2.0
        return ((1.0 - self.depth) * turns + self.depth * (whole + shape)) / self.hz

    def extremes(self, window_s: float) -> tuple[float, float]:
        """Lowest and highest mean over a window of that length, over all phases."""
        start = np.arange(720) / 720.0 / self.hz
        means = (self.integral(start + window_s) - self.integral(start)) / window_s
        return float(means.min()), float(means.max())

    @property
    def period_s(self) -> float:
        """One period."""
        return 1.0 / self.hz


class Pixel:
    """The brightest pixel under a light of so many full scales a second."""

    def __init__(self, brightness_per_s: float, ripple: Ripple, rng: np.random.Generator) -> None:
        self._brightness = brightness_per_s
        self._ripple = ripple
        self._rng = rng
        self._now_s = float(rng.uniform(0.0, 1.0))
        self.exposures = 0
        self.light_s = 0.0

    def capture(self, integration_s: float, averages: int) -> tuple[float, float, bool]:
        """Mean of the clipped exposures, dark, and what an instrument would call saturated."""
        start = self._now_s + np.arange(averages) * (integration_s + GAP_S)
        signal = self._ripple.integral(start + integration_s) - self._ripple.integral(start)
        counts = self._brightness * FULL_SCALE * signal
        dark = DARK + DARK_PER_S * integration_s
        noise = np.sqrt(counts / ELECTRONS + READ_NOISE**2) * self._rng.standard_normal(averages)
        counts = counts + dark + noise + HIGHEST_OF_MANY * READ_NOISE / math.sqrt(averages)
        mean = float(np.minimum(counts, FULL_SCALE).mean())
        self._now_s = float(start[-1]) + integration_s + GAP_S + float(self._rng.uniform(0.0, 0.2))
        self.exposures += 1
        self.light_s += averages * integration_s
        return mean, dark, mean >= 0.98 * FULL_SCALE


def by_search(pixel: Pixel, ripple: Ripple) -> float | None:
    """Ours: the integration time, or None."""
    depth = 0.0 if ripple.depth == 0.0 else 1.0  # that there is ripple is told, not how deep
    search = IntegrationSearch(SearchSettings(MIN_S, MAX_S, FULL_SCALE, ripple_hz=ripple.told_hz, ripple_depth=depth))
    while (integration_s := search.next_exposure_s) is not None:
        search.observe(*pixel.capture(integration_s, search.next_averages))
    outcome = search.outcome
    if isinstance(outcome, Tuned) and outcome.exposures != pixel.exposures:
        raise AssertionError("the search miscounts its exposures")
    return outcome.integration_s if isinstance(outcome, Tuned) else None


def by_doubling(pixel: Pixel, _: Ripple) -> float | None:
    """Doubling from the shortest time until the peak is in 70-90 %; once past it, bisection of the last step."""
    integration_s = MIN_S
    while True:
        mean, _, saturated = pixel.capture(integration_s, 1)
        if saturated or mean > 0.9 * FULL_SCALE:
            return None if integration_s <= MIN_S else _bisected(pixel, integration_s / 2.0, integration_s)
        if mean >= 0.7 * FULL_SCALE or integration_s >= MAX_S:
            return integration_s
        integration_s = min(2.0 * integration_s, MAX_S)


def by_bisection(pixel: Pixel, _: Ripple) -> float | None:
    """Bisection of the logarithm between the shortest and the longest time until the peak is in 70-90 %."""
    return _bisected(pixel, MIN_S, MAX_S)


def _bisected(pixel: Pixel, low_s: float, high_s: float) -> float | None:
    for _step in range(40):
        integration_s = math.sqrt(low_s * high_s)
        mean, _, saturated = pixel.capture(integration_s, 1)
        if not saturated and 0.7 * FULL_SCALE <= mean <= 0.9 * FULL_SCALE:
            return integration_s
        if saturated or mean > 0.9 * FULL_SCALE:
            high_s = integration_s
        else:
            low_s = integration_s
        if high_s / low_s < 1.001:
            break
    return None if high_s <= MIN_S * 1.01 else low_s


METHODS: dict[str, Callable[[Pixel, Ripple], float | None]] = {
    "search": by_search,
    "doubling": by_doubling,
    "bisection": by_bisection,
}


@dataclass(frozen=True)
class Row:
    """What one method did under one light over all brightnesses.

    ``exposures`` is their mean, ``worst`` their most; ``clipped`` counts accepted times at which the ripple's crest
    clips; ``ripple_percent`` is the worst error that ripple leaves in a reading, over those lights for which a whole
    period fits below 90 % of full scale; ``missed`` counts lights for which no time was given though the shortest one
    keeps even a crest of twice the mean under 90 %.
    """

    ripple: str
    method: str
    lights: int
    tuned: int
    exposures: float
    worst: int
    light_s: float
    clipped: int
    missed: int
    ripple_percent: float
    least_peak: float


def run(ripples: Iterable[Ripple], decades: np.ndarray, seed: int = 1) -> list[Row]:
    """All methods under all ripples; ``decades`` are powers of ten of full scales a second."""
    rows = []
    room = 0.9 - DARK / FULL_SCALE
    for ripple in ripples:
        for method, tune in METHODS.items():
            rng = np.random.default_rng(seed)
            exposures, light_s, left, peaks = [], 0.0, [0.0], [1.0]
            tuned = clipped = missed = 0
            for power in decades:
                brightness = 10.0 ** float(power)
                pixel = Pixel(brightness, ripple, rng)
                integration_s = tune(pixel, ripple)
                exposures.append(pixel.exposures)
                light_s += pixel.light_s
                if integration_s is None:
                    missed += 2.0 * brightness * MIN_S < room - 0.05
                    continue
                tuned += 1
                low, high = ripple.extremes(integration_s)
                clipped += brightness * high * integration_s + DARK / FULL_SCALE >= 1.0
                if brightness * ripple.period_s <= room - 0.01 and ripple.told_hz is not None:
                    left.append(100.0 * max(1.0 - low, high - 1.0))
                    if brightness * ripple.period_s * 4.0 <= room - 0.01 and integration_s < 0.99 * MAX_S:
                        peaks.append(brightness * integration_s + DARK / FULL_SCALE)
            rows.append(
                Row(
                    ripple.name, method, len(decades), tuned, float(np.mean(exposures)), max(exposures),
                    light_s / len(decades), clipped, missed, max(left), min(peaks),
                )
            )  # fmt: skip
    return rows


def ripples() -> list[Ripple]:
    """50 and 60 Hz mains and free-running ballasts, depth from nothing to full, known and unknown."""
    found = []
    for hz in (100.0, 120.0, 337.7, 40000.0):
        told = hz
        found += [Ripple(f"{hz:g} Hz sine {depth:.0%}", hz, "sine", depth, told) for depth in (0.0, 0.1, 0.3, 0.6, 1.0)]
        found.append(Ripple(f"{hz:g} Hz rectified", hz, "rectified", 1.0, told))
        found.append(Ripple(f"{hz:g} Hz half on", hz, "half on", 1.0, told))
    # Mains off its nominal frequency, and measured to 0.02 %.
    found.append(Ripple("99.7 Hz, told 0.02 % off", 99.7, "sine", 1.0, 99.7 * 1.0002))
    found += [Ripple(f"{hz:g} Hz 100 %, not told", hz, "sine", 1.0, None) for hz in (100.0, 120.0, 337.7)]
    return found


def report(rows: Iterable[Row]) -> str:
    """The table."""
    lines = [
        f"{'light':26s} {'method':10s} tuned  missed  exposures: mean  worst  s of light  crest clips  ripple %  peak"
    ]
    lines += [
        f"{r.ripple:26s} {r.method:10s} {r.tuned:5d} {r.missed:7d} {r.exposures:16.2f} {r.worst:6d} {r.light_s:11.2f} "
        f"{r.clipped:12d} {r.ripple_percent:9.4f} {r.least_peak:5.2f}"
        for r in rows
    ]
    lines.append(
        "ripple left, least peak: over lights that let one, four whole periods fit; peak as share of full scale"
    )
    return "\n".join(lines)


#: Six decades: from 0.08 full scales a second (80 % after ten seconds) up.
DECADES = (math.log10(0.08), math.log10(0.08) + 6.0)


def main() -> None:
    """Print the report over the full grid."""
    sys.stdout.write(report(run(ripples(), np.linspace(*DECADES, 240))) + "\n")


if __name__ == "__main__":
    main()
