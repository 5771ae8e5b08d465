"""The grid and how much light falls on it from one small lamp.

Photon flux density follows the distance law E = I(θ)·cos θ/d² (CIE, eilv.cie.co.at/term/912); the intensity I is a
lobe around the vertical, (cos θ)^n, slightly lopsided towards where the lamp's seam or the socket end points. The
lamp is a point: by the five-times rule a source of 12 cm at 0.6 m is within 1 % of that.

Columns are letters along x, rows are digits along y; the origin is the middle of the grid.
"""

import math
import string
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class GridPlan:
    """The spots: ``columns`` × ``rows`` at a pitch, and the reference point, which is one of them."""

    columns: int = 6
    rows: int = 4
    pitch_x_m: float = 0.16
    pitch_y_m: float = 0.16
    reference: str = "C2"

    def spots(self) -> tuple[str, ...]:
        """Return the names of all spots, row by row."""
        letters = string.ascii_uppercase[: self.columns]
        return tuple(f"{letter}{row}" for row in range(1, self.rows + 1) for letter in letters)

    def position_m(self, spot: str) -> tuple[float, float]:
        """Return x and y of a spot, or of ``"reference"``.

        Raises:
            ValueError: There is no such spot.
        """
        name = self.reference if spot == "reference" else spot
        column = string.ascii_uppercase.find(name[:1]) if name else -1
        row = int(name[1:]) - 1 if name[1:].isdigit() else -1
        if not (0 <= column < self.columns and 0 <= row < self.rows):
            raise ValueError(f"no spot {spot!r} on a grid of {self.columns} columns and {self.rows} rows")
        return (
            (column - (self.columns - 1) / 2) * self.pitch_x_m,
            (row - (self.rows - 1) / 2) * self.pitch_y_m,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldPlan:
    """How the lamp hangs and throws its light.

    Attributes:
        peak_ppfd_umol: PPFD straight below the lamp at ``height_m``, lamp settled, nominal voltage.
        height_m: From the lamp to the plane of the sensor.
        lobe: Exponent n of the lobe (0: equal intensity in all directions, 1: a small Lambertian source).
        lopsided: Relative excess of intensity at the horizontal in the direction of ``rotation_deg``.
        rotation_deg: Direction of that excess, from the x axis.
        x_m: Where the lamp hangs over the grid.
        y_m: Where the lamp hangs over the grid.
    """

    peak_ppfd_umol: float = 600.0
    height_m: float = 0.6
    lobe: float = 0.0
    lopsided: float = 0.03
    rotation_deg: float = 0.0
    x_m: float = -0.05
    y_m: float = -0.05


@dataclass(frozen=True, slots=True)
class Incidence:
    """Light at one place: PPFD on a horizontal plane and the angle at which it comes in."""

    ppfd_umol: float
    angle_rad: float


def incidence(plan: FieldPlan, x_m: float, y_m: float, lift_m: float = 0.0) -> Incidence:
    """Return the light at a place ``lift_m`` above the plane, lamp settled, nominal voltage."""
    across_m, along_m = x_m - plan.x_m, y_m - plan.y_m
    below_m = plan.height_m - lift_m
    distance_m = math.sqrt(across_m**2 + along_m**2 + below_m**2)
    cosine = below_m / distance_m
    sine = math.sqrt(max(0.0, 1.0 - cosine**2))
    azimuth = math.atan2(along_m, across_m) - math.radians(plan.rotation_deg)
    intensity = plan.peak_ppfd_umol * plan.height_m**2 * cosine**plan.lobe
    intensity *= 1.0 + plan.lopsided * sine * math.cos(azimuth)
    return Incidence(intensity * cosine / distance_m**2, math.acos(min(1.0, cosine)))
