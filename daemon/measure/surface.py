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


def _deletion(points: Sequence[GridPoint], spots: int, false_alarm: float) -> dict[str, Fit]:
    """Each point against the fit through all others."""
    unjudged = {p.spot: Fit(p.spot, False, True, None, None, None) for p in points}
    n = len(points)
    log = np.log([p.value for p in points])
    design = _best_design(points, log)
    if design is None:
        return unjudged
    terms = design.shape[1]
    leverage, residual = _leverage(design, log)
    known = np.array([p.u_relative for p in points])
    total = float((residual**2).sum())
    fits = {}
    for i, point in enumerate(points):
        free = 1.0 - leverage[i]
        dof = n - 1 - terms
        if free < 1e-6 or dof < 2:
            fits[point.spot] = unjudged[point.spot]
            continue
        variance = max(0.0, total - residual[i] ** 2 / free) / dof
        scatter = max(math.sqrt(variance), float(np.median(known)))
        quantile = t_quantile(1.0 - false_alarm / spots, dof)
        departure = residual[i] / free
        # Var(departure) = s² / free, of which the spot's own share is s².
        limit = quantile * math.sqrt(scatter**2 / free + max(0.0, known[i] ** 2 - scatter**2))
        if limit > math.log1p(LARGEST_LIMIT):
            # Beyond doubt even so: twice the limit is out, whatever the rest.
            fits[point.spot] = unjudged[point.spot]
            continue
        limit = max(limit, SMALLEST_LIMIT)
        fits[point.spot] = Fit(
            point.spot,
            True,
            bool(abs(departure) <= limit),
            math.exp(log[i] - departure),
            math.expm1(departure),
            limit,
        )
    return fits


def _leverage(design: FloatArray, log: FloatArray) -> tuple[FloatArray, FloatArray]:
    q, _ = np.linalg.qr(design)
    return (q**2).sum(axis=1), log - q @ (q.T @ log)


def _best_design(points: Sequence[GridPoint], log: FloatArray) -> FloatArray | None:
    """Polynomial of the order that foretells each spot best from the others (median of absolute deletion residuals)."""
    x = np.array([p.x_mm for p in points])
    y = np.array([p.y_mm for p in points])
    size = max(float(np.ptp(x)), float(np.ptp(y))) / 2.0 if len(points) else 0.0
    if size <= 0.0:
        return None
    x, y = (x - x.mean()) / size, (y - y.mean()) / size
    best: tuple[float, FloatArray] | None = None
    for order in (1, 2, 3, 4):
        columns = [x**i * y**j for i in range(order + 1) for j in range(order + 1 - i)]
        design = np.stack(columns, axis=1)
        if len(points) < design.shape[1] + 3 or np.linalg.matrix_rank(design, tol=1e-6) < design.shape[1]:
            continue
        leverage, residual = _leverage(design, log)
        free: BoolArray = leverage < 1.0 - 1e-6
        if not free.any():
            continue
        foretold = np.abs(residual[free] / (1.0 - leverage[free]))
        score = float(np.median(foretold))
        if best is None or score < 0.8 * best[0]:
            best = (score, design)
    return None if best is None else best[1]
