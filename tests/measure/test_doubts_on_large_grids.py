"""A spot of a grid of hundreds is judged by those around it: the cost of a spot must not grow with the grid."""

import math

import numpy as np
from lampwarden.daemon.measure.doubt import NEIGHBOURS, against_neighbours
from lampwarden.daemon.measure.surface import GridPoint

SIDE = 20
PITCH_MM = 50.0


def grid(**changed: float) -> list[GridPoint]:
    """A small source 0.6 m above the middle, cosine law twice over the distance law, 0.2 % of noise of each spot."""
    rng = np.random.default_rng(5)
    points = []
    for row in range(SIDE):
        for column in range(SIDE):
            x_mm, y_mm = (column - SIDE / 2) * PITCH_MM, (row - SIDE / 2) * PITCH_MM
            value = 600.0 / (1.0 + (x_mm**2 + y_mm**2) / 600.0**2) ** 2 * (1.0 + 0.002 * float(rng.standard_normal()))
            spot = f"{column}-{row}"
            points.append(GridPoint(spot, x_mm, y_mm, value * changed.get(spot, 1.0), 0.002))
    return points


def test_fault_in_the_middle_and_at_the_rim_is_seen() -> None:
    for spot in ("10-9", "0-7", "19-19"):
        verdict = against_neighbours(spot, grid(**{spot: 0.8}))
        assert verdict.judged
        assert verdict.doubt is not None
        assert verdict.doubt.size is not None
        assert math.isclose(verdict.doubt.size, -0.2, abs_tol=0.02)


def test_spots_that_are_right_are_left_alone() -> None:
    points = grid()
    verdicts = [against_neighbours(point.spot, points) for point in points[::23]]
    assert all(verdict.judged and verdict.doubt is None for verdict in verdicts)


def test_what_is_far_away_changes_nothing() -> None:
    assert NEIGHBOURS < SIDE**2 / 4
    assert against_neighbours("2-2", grid()) == against_neighbours("2-2", grid(**{"17-17": 3.0}))
