"""A smooth surface through what a grid of spots has shown, and the spots that do not fit it.

Owns one question: does this spot fit its neighbours? The logarithm of the light is fitted with a polynomial in the
plane (a small source over a plane gives ln E = const - 2 ln(1 + r²/h²) by the inverse square and cosine laws, which
a polynomial of low order follows where the light's ratio to the centre does not), its order chosen by how well each
spot is foretold by the others. Then the spot that fits worst is tested, left out, and the rest is fitted again: the
outlier test by externally studentised residuals with Bonferroni's correction, one after the other (as in textbooks
of regression; common practice, no single source).

Few spots foretell little: where a fault as large as :data:`LARGEST_LIMIT` could not be told from a spot that is
right, the answer is that it cannot be judged yet, not that it is right.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from .arrays import BoolArray, FloatArray
from .student import t_quantile

#: A spot is only judged if a departure of this size (relative) would be seen.
LARGEST_LIMIT: Final = 0.25
#: Nothing smaller than this is worth another reading (relative; common practice, no source).
SMALLEST_LIMIT: Final = 0.02
#: Chance that a grid without faults shows any doubtful spot.
FALSE_ALARM: Final = 0.005
#: A surface suits as well as the best one if its errors are no more than this many times as large, and with few
#: degrees of freedom, where that is a matter of luck, four over their number more.
_AS_GOOD: Final = 1.25
_LUCK: Final = 3.0
#: Where a plain surface suits nearly as well as the best, surfaces with more than so many further parameters are not
#: asked: all that they add is freedom to follow a fault.
_PLAIN: Final = 1.25
_FURTHER: Final = 2
#: With fewer degrees of freedom a surface foretells nothing.
_LEAST_FREEDOM: Final = 3
#: Within this, two surfaces are equally good.
_TIED: Final = 1.1
#: Heights of a small source that are tried, in half widths of the grid.
_HEIGHTS: Final = (0.5, 0.65, 0.8, 1.0, 1.25, 1.6, 2.0)


@dataclass(frozen=True, slots=True)
class GridPoint:
    """One spot: place in the plane, light, and relative standard uncertainty of its own (noise and placement)."""

    spot: str
    x_mm: float
    y_mm: float
    value: float
    u_relative: float = 0.0


@dataclass(frozen=True, slots=True)
class Fit:
    """How a spot compares with what its neighbours foretell.

    Attributes:
        spot: its name.
        judged: False if its neighbours say too little to judge.
        fits: whether it is within the limit; True if it was not judged.
        foretold: light that the others foretell there.
        departure: measured over foretold, less 1.
        limit: largest departure (of the logarithm) that is let pass.
    """

    spot: str
    judged: bool
    fits: bool
    foretold: float | None
    departure: float | None
    limit: float | None


def fit_spots(points: Sequence[GridPoint], *, false_alarm: float = FALSE_ALARM) -> dict[str, Fit]:
    """Compare every spot with the surface through the others.

    Args:
        points: the spots read so far, in any order; values above zero.
        false_alarm: chance that any of them is called out though all are right.

    Returns:
        One :class:`Fit` a spot. A spot whose value is not above zero never fits.
    """
    dark = [p for p in points if not p.value > 0.0]
    lit = [p for p in points if p.value > 0.0]
    result = {p.spot: Fit(p.spot, True, False, None, None, None) for p in dark}
    out: dict[str, Fit] = {}
    while True:
        rest = [p for p in lit if p.spot not in out]
        fits = _deletion(rest, len(lit), false_alarm)
        wrong = [f for f in fits.values() if not f.fits]
        # More than a quarter of the grid out of line is no grid with faults but a light that this cannot follow.
        if not wrong or len(out) >= max(1, len(lit) // 4):
            return result | out | fits
        worst = max(wrong, key=lambda f: abs(math.log1p(f.departure or 0.0)) / (f.limit or 1.0))
        out[worst.spot] = worst


@dataclass(frozen=True, slots=True, eq=False)
class _Foretold:
    """What one surface says of each point from all others, arrays ``(n,)``.

    ``score`` is how well it foretells the others (infinite where it cannot), ``scatter`` their standard deviation
    about it, ``free`` one minus the leverage. The same again with the worst other spot left out as well, ``besides``
    being how far that one is off in standard deviations: two faults in a grid hide each other.
    """

    score: FloatArray
    departure: FloatArray
    scatter: FloatArray
    free: FloatArray
    dof: int
    besides: FloatArray
    departure_besides: FloatArray
    scatter_besides: FloatArray
    free_besides: FloatArray


def _deletion(points: Sequence[GridPoint], spots: int, false_alarm: float) -> dict[str, Fit]:
    """Each point against the surfaces through all others that suit those others.

    Two surfaces can go through the others alike and differ at the point. It is out of line only if it is for all.
    """
    fits = {p.spot: Fit(p.spot, False, True, None, None, None) for p in points}
    log = np.log([p.value for p in points])
    known = np.array([p.u_relative for p in points])
    place = _scaled_places(points)
    if place is None:
        return fits
    told = (
        _foretell(surface.design(place[0], place[1]), surface.chosen, log)
        for surface in _SURFACES
        if surface.freedom(len(points)) >= _LEAST_FREEDOM
    )
    surfaces = [f for f in told if f is not None]
    if not surfaces:
        return fits
    best = np.min([f.score for f in surfaces], axis=0)
    typical = float(np.median(known))
    for i, point in enumerate(points):
        tied = [float(f.departure[i]) for f in surfaces if f.score[i] <= _TIED * best[i] and f.score[i] < math.inf]
        if not tied or max(tied) - min(tied) > math.log1p(LARGEST_LIMIT):
            continue  # equally good surfaces foretell anything
        suit = [f for f in surfaces if f.score[i] <= max((_AS_GOOD + _LUCK / f.dof) * best[i], typical)]
        plainest = max(f.dof for f in suit if f.score[i] <= max(_PLAIN * best[i], typical))
        least: tuple[float, float, float] | None = None
        for surface in suit:
            if surface.dof < plainest - _FURTHER:
                continue
            quantile = t_quantile(1.0 - false_alarm / spots, surface.dof)
            off, scatter, free = (float(a[i]) for a in (surface.departure, surface.scatter, surface.free))
            fewer = t_quantile(1.0 - false_alarm / spots, surface.dof - 1)
            if surface.besides[i] > fewer:
                quantile = fewer
                off, scatter, free = (
                    float(a[i]) for a in (surface.departure_besides, surface.scatter_besides, surface.free_besides)
                )
            # Var(departure) = s² / free, of which s² is the spot's own share, which may be known to be larger.
            s = max(scatter, typical)
            spread = math.sqrt(s**2 / free + max(0.0, float(known[i]) ** 2 - s**2))
            limit = max(quantile * spread, SMALLEST_LIMIT)
            if limit <= math.log1p(LARGEST_LIMIT) and (least is None or abs(off) / limit < least[0]):
                least = (abs(off) / limit, off, limit)
        if least is not None:
            ratio, off, limit = least
            foretold = math.exp(float(log[i]) - off)
            fits[point.spot] = Fit(point.spot, True, ratio <= 1.0, foretold, math.expm1(off), limit)
    return fits


def _foretell(design: FloatArray, extra: int, log: FloatArray) -> _Foretold | None:
    """One surface; None if the points are too few for it or do not span it.

    With the hat matrix H and residuals e, leaving out i and j gives at j the departure
    ((1 - h_ii) e_j + h_ij e_i) / ((1 - h_ii)(1 - h_jj) - h_ij²), so nothing is fitted twice. The score of i is the
    upper quartile of these over j: what suits most of the others but not those at the rim does not suit.
    """
    n, columns = design.shape
    dof = n - 1 - columns - extra
    if dof < _LEAST_FREEDOM:
        return None
    q, r = np.linalg.qr(design)
    size = np.abs(np.diag(r))
    if float(size.min()) < 1e-6 * float(size.max()):
        return None
    hat = q @ q.T
    residual = log - hat @ log
    free = 1.0 - np.diag(hat)
    both = np.outer(free, free) - hat**2
    usable: BoolArray = both > 1e-6
    np.fill_diagonal(usable, False)
    safe_both = np.where(usable, both, 1.0)
    pair = np.where(usable, (free[:, None] * residual[None, :] + hat * residual[:, None]) / safe_both, 0.0)
    foretold = np.where(usable, np.abs(pair), -1.0)
    foretold.sort(axis=1)
    seen = usable.sum(axis=1)
    place = n - seen + (3 * seen) // 4
    every = np.arange(n)
    score = foretold[every, np.minimum(place, n - 1)]
    score[(seen < (n - 1) / 2) | (free < 1e-6)] = np.inf
    safe = np.maximum(free, 1e-6)
    rest = np.maximum(float((residual**2).sum()) - residual**2 / safe, 0.0)
    # pair[i, j] is the departure at j with both out; leaving out j as well takes this much off the sum of squares.
    taken = np.where(usable, pair**2 * both / safe[:, None], 0.0)
    worst = np.argmax(taken, axis=1)
    both_out = np.maximum(safe_both[every, worst], 1e-6)
    scatter_besides = np.sqrt(np.maximum(rest - taken[every, worst], 1e-12) / (dof - 1))
    return _Foretold(
        score=score,
        departure=residual / safe,
        scatter=np.sqrt(rest / dof),
        free=safe,
        dof=dof,
        besides=np.abs(pair[every, worst]) * np.sqrt(both_out / safe) / scatter_besides,
        departure_besides=pair[worst, every],
        scatter_besides=scatter_besides,
        free_besides=both_out / safe[worst],
    )


def gradients(points: Sequence[GridPoint]) -> dict[str, float] | None:
    """How steeply the light falls at each spot, from the surface that suits the whole grid best.

    Args:
        points: a grid that has been read; values above zero.

    Returns:
        Length of the gradient in the plane, in the values' unit per mm, for each spot; None if the grid carries no
        surface. Multiplied by the placement's standard uncertainty in one direction it is that spot's uncertainty.
    """
    if any(not p.value > 0.0 for p in points) or (place := _scaled_places(points)) is None:
        return None
    x, y, size = place
    log = np.log([p.value for p in points])
    best: tuple[float, _Surface, FloatArray] | None = None
    for surface in _SURFACES:
        design = surface.design(x, y)
        told = _foretell(design, surface.chosen, log)
        if told is None or not bool(np.isfinite(told.score).any()):
            continue
        score = float(np.median(told.score[np.isfinite(told.score)]))
        # the plainer one, unless the other foretells clearly better
        if best is None or score < 0.8 * best[0]:
            best = (score, surface, np.asarray(np.linalg.lstsq(design, log, rcond=None)[0], dtype=np.float64))
    if best is None:
        return None
    _, surface, solution = best
    step = 1e-3
    slopes = [
        (surface.design(x + dx, y + dy) - surface.design(x - dx, y - dy)) @ solution / (2.0 * step * size)
        for dx, dy in ((step, 0.0), (0.0, step))
    ]
    steepness = np.hypot(*slopes)
    return {p.spot: float(g) * p.value for p, g in zip(points, steepness, strict=True)}


@dataclass(frozen=True, slots=True)
class _Surface:
    """One kind of surface over the plane, linear in its coefficients; places are in half widths of the grid.

    Attributes:
        order: of the polynomial; 0 for the small source with its first derivatives in the plane instead, which follow
            a source not quite over the middle.
        height: of a small source over the plane, ln(1 + r²/h²) about the middle of the grid; None for none.
    """

    order: int
    height: float | None

    @property
    def chosen(self) -> int:
        """How many further parameters the choice of this surface stands for."""
        return 0 if self.height is None else 1

    def freedom(self, points: int) -> int:
        """Degrees of freedom that are left for one of so many points by all the others."""
        columns = (self.order + 1) * (self.order + 2) // 2
        if self.height is not None:
            columns += 1 if self.order else 3
        return points - 1 - columns - self.chosen

    def design(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """A column for each coefficient, shape ``(n, columns)``."""
        columns = [x**i * y**j for i in range(self.order + 1) for j in range(self.order + 1 - i)]
        if self.height is not None:
            square = x**2 + y**2
            columns.append(np.log1p(square / self.height**2))
            if self.order == 0:
                columns += [x / (self.height**2 + square), y / (self.height**2 + square)]
        return np.stack(columns, axis=1)


#: Surfaces to choose from, plain ones first. The height of the source is taken from a ladder, so that grid and hanging
#: need not be known.
_SURFACES: Final = tuple(
    _Surface(order, height) for order in range(5) for height in (None, *_HEIGHTS) if order or height is not None
)


def _scaled_places(points: Sequence[GridPoint]) -> tuple[FloatArray, FloatArray, float] | None:
    """Places about the middle of the grid in half widths, and the half width in mm; None for no width at all."""
    x = np.array([p.x_mm for p in points])
    y = np.array([p.y_mm for p in points])
    size = max(float(np.ptp(x)), float(np.ptp(y))) / 2.0 if len(points) else 0.0
    if size <= 0.0:
        return None
    return (x - (x.max() + x.min()) / 2.0) / size, (y - (y.max() + y.min()) / 2.0) / size, size
