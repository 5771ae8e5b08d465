"""The ripple of the light within one mains cycle, and what an exposure of finite length makes of it.

The arc follows the current, so on a magnetic ballast the light swings at twice the mains frequency; electronic
ballasts run free. One sinusoid, 1 + m·sin φ: percent flicker 100·m (IES definition, from memory), mean exactly 1. An
exposure integrates it analytically: a whole number of periods leaves nothing, anything else leaves a residue that
depends on the phase at which it began.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .mains import Mains


@dataclass(frozen=True, slots=True)
class Ripple:
    """Ripple of relative depth ``depth``; ``free_hz`` is None where it is locked to twice the mains."""

    depth: float
    free_hz: float | None
    mains: Mains
    phase_rad: float = 0.0

    def _phase_rad(self, at_s: float) -> float:
        cycles = 2.0 * self.mains.cycles(at_s) if self.free_hz is None else self.free_hz * at_s
        return 2.0 * math.pi * (cycles % 1.0) + self.phase_rad

    def frequency_hz(self, at_s: float) -> float:
        """Ripple frequency at an instant."""
        return 2.0 * self.mains.frequency_hz(at_s) if self.free_hz is None else self.free_hz

    def mean_over(self, start_s: float, exposure_s: float) -> float:
        """Mean of the ripple over one exposure; 1 where nothing of it is left."""
        swing = 2.0 * math.pi * self.frequency_hz(start_s) * exposure_s
        if self.depth == 0.0 or swing == 0.0:
            return 1.0
        begin = self._phase_rad(start_s)
        return 1.0 + self.depth * (math.cos(begin) - math.cos(begin + swing)) / swing

    def means_over(self, start_s: float, exposure_s: float, spacing_s: float, count: int) -> NDArray[np.float64]:
        """Means of ``count`` exposures that begin ``spacing_s`` apart, shape ``(count,)``.

        The frequency is taken as constant over the series: it changes by less than 0.1 % in the seconds one takes.
        """
        frequency = self.frequency_hz(start_s)
        swing = 2.0 * math.pi * frequency * exposure_s
        if self.depth == 0.0 or swing == 0.0:
            return np.ones(count)
        begin = self._phase_rad(start_s) + 2.0 * math.pi * frequency * spacing_s * np.arange(count)
        means: NDArray[np.float64] = 1.0 + self.depth * (np.cos(begin) - np.cos(begin + swing)) / swing
        return means
