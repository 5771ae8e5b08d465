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
    """What one surface says of each point from all others, a number a point.

    ``score`` is how well it foretells the others (infinite where it cannot), ``scatter`` their standard deviation
    about it, ``free`` one minus the leverage. The same again with the worst other spot left out as well, ``besides``
    being how far that one is off in standard deviations: two faults in a grid hide each other.
    """

    dof: int
    score: list[float]
    departure: list[float]
    scatter: list[float]
    free: list[float]
    besides: list[float]
    departure_besides: list[float]
    scatter_besides: list[float]
    free_besides: list[float]


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
    surfaces = [foretold for _, foretold in _foretell(place[0], place[1], log)]
    if not surfaces:
        return fits
    best = [min(scores) for scores in zip(*(f.score for f in surfaces), strict=True)]
    typical = float(np.median(known))
    for i, point in enumerate(points):
        tied = [f.departure[i] for f in surfaces if f.score[i] <= _TIED * best[i] and f.score[i] < math.inf]
        if not tied or max(tied) - min(tied) > math.log1p(LARGEST_LIMIT):
            continue  # equally good surfaces foretell anything
        suit = [f for f in surfaces if f.score[i] <= max((_AS_GOOD + _LUCK / f.dof) * best[i], typical)]
        plainest = max(f.dof for f in suit if f.score[i] <= max(_PLAIN * best[i], typical))
        least: tuple[float, float, float] | None = None
        for surface in suit:
            if surface.dof < plainest - _FURTHER:
                continue
            quantile = t_quantile(1.0 - false_alarm / spots, surface.dof)
            off, scatter, free = surface.departure[i], surface.scatter[i], surface.free[i]
            fewer = t_quantile(1.0 - false_alarm / spots, surface.dof - 1)
            if surface.besides[i] > fewer:
                quantile = fewer
                off, scatter = surface.departure_besides[i], surface.scatter_besides[i]
                free = surface.free_besides[i]
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


def _foretell(x: FloatArray, y: FloatArray, log: FloatArray) -> list[tuple["_Surface", _Foretold]]:
    """What every surface says for which the points are enough and which they span.

    With the hat matrix H and residuals e, leaving out i and j gives at j the departure
    ((1 - h_ii) e_j + h_ij e_i) / ((1 - h_ii)(1 - h_jj) - h_ij²), so nothing is fitted twice. The score of i is the
    upper quartile of these over j: what suits most of the others but not those at the rim does not suit. All surfaces
    are worked out together, shapes ``(surfaces, n)`` and ``(surfaces, n, n)``.
    """
    n = len(log)
    hats = [
        (surface, hat)
        for alike in _FAMILIES
        if alike[0].freedom(n) >= _LEAST_FREEDOM
        for surface, hat in zip(alike, _hats(alike, x, y), strict=True)
        if hat is not None
    ]
    if not hats:
        return []
    surfaces = [surface for surface, _ in hats]
    dof = np.array([[surface.freedom(n)] for surface in surfaces], dtype=np.float64)
    hat = np.stack([each for _, each in hats])
    residual = log - np.stack([each @ log for _, each in hats])
    every, which = np.arange(n), np.arange(len(surfaces))[:, None]
    free = 1.0 - np.diagonal(hat, axis1=1, axis2=2)
    both = free[:, :, None] * free[:, None, :] - hat**2
    usable: BoolArray = both > 1e-6
    usable[:, every, every] = False
    safe_both = np.where(usable, both, 1.0)
    pair = np.where(usable, (free[:, :, None] * residual[:, None, :] + hat * residual[:, :, None]) / safe_both, 0.0)
    foretold = np.where(usable, np.abs(pair), -1.0)
    foretold.sort(axis=2)
    seen = usable.sum(axis=2)
    place = n - seen + (3 * seen) // 4
    score = foretold[which, every, np.minimum(place, n - 1)]
    score[(seen < (n - 1) / 2) | (free < 1e-6)] = np.inf
    safe = np.maximum(free, 1e-6)
    rest = np.maximum((residual**2).sum(axis=1)[:, None] - residual**2 / safe, 0.0)
    # pair[i, j] is the departure at j with both out; leaving out j as well takes this much off the sum of squares.
    taken = np.where(usable, pair**2 * both / safe[:, :, None], 0.0)
    worst = np.argmax(taken, axis=2)
    both_out = np.maximum(safe_both[which, every, worst], 1e-6)
    scatter_besides = np.sqrt(np.maximum(rest - taken[which, every, worst], 1e-12) / (dof - 1.0))
    numbers = zip(
        *(
            each.tolist()
            for each in (
                score,
                residual / safe,
                np.sqrt(rest / dof),
                safe,
                np.abs(pair[which, every, worst]) * np.sqrt(both_out / safe) / scatter_besides,
                pair[which, worst, every],
                scatter_besides,
                both_out / safe[which, worst],
            )
        ),
        strict=True,
    )
    return [(surface, _Foretold(surface.freedom(n), *told)) for surface, told in zip(surfaces, numbers, strict=True)]


def _hats(alike: Sequence["_Surface"], x: FloatArray, y: FloatArray) -> list[FloatArray | None]:
    """The hat matrix of each surface, all with as many coefficients; None where the points do not span it."""
    q, r = np.linalg.qr(_designs(alike, x, y))
    sizes = np.abs(np.diagonal(r, axis1=1, axis2=2))
    spanned = sizes.min(axis=1) >= 1e-6 * sizes.max(axis=1)
    return [each @ each.T if is_spanned else None for each, is_spanned in zip(q, spanned, strict=True)]


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
    for surface, told in _foretell(x, y, log):
        scores = [score for score in told.score if score < math.inf]
        if not scores:
            continue
        score = float(np.median(scores))
        # the plainer one, unless the other foretells clearly better
        if best is None or score < 0.8 * best[0]:
            solution = np.linalg.lstsq(surface.design(x, y), log, rcond=None)[0]
            best = (score, surface, np.asarray(solution, dtype=np.float64))
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
        return np.asarray(_designs((self,), x, y)[0])


def _designs(alike: Sequence[_Surface], x: FloatArray, y: FloatArray) -> FloatArray:
    """The designs of surfaces of one order, all with a height or all without, shape ``(surfaces, n, columns)``."""
    order = alike[0].order
    in_x, in_y = ([place**i for i in range(order + 1)] for place in (x, y))
    plain = [in_x[i] * in_y[j] for i in range(order + 1) for j in range(order + 1 - i)]
    own: list[list[FloatArray]] = []
    square = x**2 + y**2
    for surface in alike:
        columns: list[FloatArray] = []
        if surface.height is not None:
            columns.append(np.log1p(square / surface.height**2))
            if order == 0:
                columns += [x / (surface.height**2 + square), y / (surface.height**2 + square)]
        own.append(columns)
    design = np.empty((len(alike), x.size, len(plain) + len(own[0])))
    design[:, :, : len(plain)] = np.stack(plain, axis=1)
    for k, columns in enumerate(own):
        for m, column in enumerate(columns):
            design[k, :, len(plain) + m] = column
    return design


#: Surfaces to choose from, plain ones first; those of a family have as many coefficients. The height of the source is
#: taken from a ladder, so that grid and hanging need not be known.
_FAMILIES: Final = tuple(
    tuple(_Surface(order, height) for height in heights)
    for order in range(5)
    for heights in (((None,), _HEIGHTS) if order else (_HEIGHTS,))
)


def _scaled_places(points: Sequence[GridPoint]) -> tuple[FloatArray, FloatArray, float] | None:
    """Places about the middle of the grid in half widths, and the half width in mm; None for no width at all."""
    x = np.array([p.x_mm for p in points])
    y = np.array([p.y_mm for p in points])
    size = max(float(np.ptp(x)), float(np.ptp(y))) / 2.0 if len(points) else 0.0
    if size <= 0.0:
        return None
    return (x - (x.max() + x.min()) / 2.0) / size, (y - (y.max() + y.min()) / 2.0) / size, size
