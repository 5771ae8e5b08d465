"""Samples of one quantity against bench time, and how noisy they are."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from .arrays import FloatArray


class Sample(NamedTuple):
    """One sample: bench time in seconds (monotonic) and value."""

    time_s: float
    value: float


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """Samples in order of time; samples whose value is not finite are left out. Both arrays ``(n,)``."""

    time_s: FloatArray
    value: FloatArray

    @classmethod
    def of(cls, samples: Iterable[tuple[float, float]]) -> "Series":
        """Sort and clean ``(time_s, value)`` pairs; may be empty."""
        pairs = np.array([(t, v) for t, v in samples], dtype=np.float64).reshape(-1, 2)
        pairs = pairs[np.isfinite(pairs).all(axis=1)]
        pairs = pairs[np.argsort(pairs[:, 0], kind="stable")]
        return cls(pairs[:, 0], pairs[:, 1])

    def __len__(self) -> int:
        return int(self.time_s.size)

    def since(self, start_s: float) -> "Series":
        """The samples at or after a time."""
        keep = self.time_s >= start_s
        return Series(self.time_s[keep], self.value[keep])

    @property
    def longest_gap_s(self) -> float:
        """Longest time between two samples; infinite with fewer than two."""
        return float(np.diff(self.time_s).max()) if len(self) >= 2 else float("inf")

    @property
    def noise(self) -> float:
        """Standard deviation of a single sample about its trend, robust against a few jumps.

        From second differences, which a steady drift leaves untouched: their variance is six times that of a
        sample (1 + 4 + 1). The median absolute deviation is 0.6745 of a normal standard deviation. Zero with fewer
        than four samples: then nothing is known.
        """
        if len(self) < 4:
            return 0.0
        bends = self.value[2:] - 2.0 * self.value[1:-1] + self.value[:-2]
        return float(np.median(np.abs(bends)) / 0.6745 / 6.0**0.5)


@dataclass(frozen=True, slots=True)
class Trend:
    """A straight line through samples: level at the middle, slope and their standard uncertainties."""

    level: float
    slope_per_s: float
    u_level: float
    u_slope_per_s: float


def trend(series: Series) -> Trend | None:
    """Least squares line (JCGM 100, H.3); None with fewer than three samples or no spread in time."""
    n = len(series)
    if n < 3:
        return None
    centred = series.time_s - series.time_s.mean()
    spread = float((centred**2).sum())
    if spread <= 0.0:
        return None
    level = float(series.value.mean())
    slope = float((centred * series.value).sum() / spread)
    residual = series.value - level - slope * centred
    scatter = float(np.sqrt((residual**2).sum() / (n - 2)))
    return Trend(level, slope, scatter / n**0.5, scatter / spread**0.5)


def block_means(series: Series, start_s: float, end_s: float, blocks: int) -> tuple[Sequence[float], float]:
    """Means over equal stretches of time, and the standard uncertainty of one of them from noise.

    Returns:
        The means of the stretches that hold samples, in order, and the typical uncertainty (0 if not known).
    """
    edges = np.linspace(start_s, end_s, blocks + 1)
    place = np.clip(np.searchsorted(edges, series.time_s, side="right") - 1, 0, blocks - 1)
    means = [float(series.value[place == b].mean()) for b in range(blocks) if bool((place == b).any())]
    per_block = len(series) / max(len(means), 1)
    return means, series.noise / per_block**0.5 if per_block else 0.0
