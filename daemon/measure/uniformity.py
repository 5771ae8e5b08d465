"""Ratios over a whole grid, such as maximum over minimum, by Monte Carlo.

Maximum over minimum is no function that a first-order law of propagation suits: which spot is the highest changes
from draw to draw. It is propagated by Monte Carlo (JCGM 101, clause 7) from each spot's own uncertainty; what is
common cancels as far as it is the same share of every spot. Noise lifts a maximum and lowers a minimum, so the figure
is biased upwards, most of all on an even grid, where noise is all there is to see. The figure stays what the grid
showed; the bias is told, and the interval is found by asking which true grids, from an even one through the measured
one to a steeper one, would show what was measured (inversion of a test, the construction of Neyman 1937; common
practice in this form, no single source).
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from .arrays import FloatArray
from .student import coverage_factor

#: A figure this close to what was seen is close enough, in standard deviations of the draws: less than they can tell.
CLOSE = 0.005
#: Looks at all draws for one end of an interval, at most; some five do.
LOOKS = 14


@dataclass(frozen=True, slots=True)
class GridFigure:
    """A figure over a grid: value, standard uncertainty, ends of its 95 % interval, and what noise lifts it by."""

    value: float
    u: float
    low: float
    high: float
    bias: float


def max_over_min(grid: FloatArray) -> FloatArray:
    """Highest over lowest spot of each column, ``(n, k)`` to ``(k,)``."""
    return np.asarray(grid.max(axis=0) / grid.min(axis=0))


def variation(grid: FloatArray) -> FloatArray:
    """Standard deviation (n - 1) over mean of each column; zero for a single spot."""
    if grid.shape[0] < 2:
        return np.zeros(grid.shape[1])
    return np.asarray(grid.std(axis=0, ddof=1) / grid.mean(axis=0))


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """A measured grid ``(n,)``, the share of each spot, and draws of what measuring does to it ``(n, trials)``.

    A draw is a column, so that least and most of the spots are taken of whole rows at a time: five times as fast.
    """

    measured: FloatArray
    shares: FloatArray
    noise: FloatArray
    factor: FloatArray

    def steeper(self, steepness: float) -> FloatArray:
        """The grid with its departures from the mean times ``steepness``: 0 even, 1 as measured; shape ``(n, 1)``."""
        mean = float(self.measured @ self.shares)
        return np.asarray((mean + steepness * (self.measured - mean))[:, np.newaxis])

    def shown(self, steepness: float, function: Callable[[FloatArray], FloatArray]) -> FloatArray:
        """What a figure would come out as if that were the true grid, at most ``(trials,)``: where all spots lit."""
        draws = (self.steeper(steepness) + self.noise) * self.factor
        lit = draws.min(axis=0) > 0.0
        return function(draws if bool(lit.all()) else draws[:, lit])


def over_grid(
    grid: Grid,
    function: Callable[[FloatArray], FloatArray],
    *,
    floor: float = -math.inf,
    ceiling: float = math.inf,
    falls: bool = False,
) -> GridFigure | str:
    """A figure over the grid with standard uncertainty, interval and bias, or why there is none.

    Args:
        grid: see there.
        function: from ``(n, trials)`` to ``(trials,)``; rises with steepness, or falls if ``falls``.
        floor: least that it can be.
        ceiling: most.
        falls: see ``function``.
    """
    if float(grid.measured.min()) <= 0.0:
        return "a spot without light: a ratio to it has no sense"
    value = float(function(grid.steeper(1.0))[0])
    around = grid.shown(1.0, function)
    if around.size < 0.99 * grid.noise.shape[1]:
        return "the darkest spot is lost in its noise: a ratio to it has no sense"
    # Below the lower limit less than 2.5 % of draws would show as much as was seen, and so on.
    close = CLOSE * float(around.std())
    ends = [_steepness(grid, function, value, share, falls=falls, close=close) for share in (0.975, 0.5, 0.025)]
    low, middle, high = (float(function(grid.steeper(s))[0]) for s in ends)
    u = float(grid.shown(ends[1], function).std())
    # Whether equal spots were spread by noise, so that the figure is biased, or were not equal, cannot be told from one
    # grid: the interval holds both.
    plain = coverage_factor(math.inf) * u
    low, high = min(low, high, value - plain), max(low, high, value + plain)
    return GridFigure(value, u, min(max(low, floor), value), max(min(high, ceiling), value), value - middle)


def _steepness(
    grid: Grid, function: Callable[[FloatArray], FloatArray], value: float, share: float, *, falls: bool, close: float
) -> float:
    """The steepness at which that share of draws shows no more than ``value`` (no less, if the figure falls).

    Found by false position, halving the end that stays twice (the Illinois rule, from memory) until the figure is as
    ``close``: what draws show is smooth in the steepness, so that a few looks at all draws do.
    """

    def lacking(steepness: float) -> float:
        """What draws from this grid lack of the steepness that was seen; above zero it is too flat."""
        shown = grid.shown(steepness, function)
        if not shown.size:
            return -value
        seen = float(np.quantile(shown, 1.0 - share if falls else share))
        return seen - value if falls else value - seen

    mean = float(grid.measured @ grid.shares)
    deepest = float(mean - grid.measured.min())
    steepest = 0.98 * mean / deepest if deepest > 0.0 else 1.0  # there the darkest spot is nearly dark
    low, high = 0.0, min(1.0, steepest)
    at_low = lacking(low)
    if at_low <= 0.0:
        return low
    while (at_high := lacking(high)) > 0.0:
        if high >= steepest:
            return steepest
        low, at_low, high = high, at_high, min(2.0 * high, steepest)
    stayed = 0
    for _ in range(LOOKS):
        middle = low + (high - low) * at_low / (at_low - at_high)
        at_middle = lacking(middle)
        if abs(at_middle) <= close:
            return middle
        if at_middle > 0.0:
            low, at_low = middle, at_middle
            at_high /= 2.0 if stayed > 0 else 1.0
            stayed = 1
        else:
            high, at_high = middle, at_middle
            at_low /= 2.0 if stayed < 0 else 1.0
            stayed = -1
    return (low + high) / 2.0
