"""Uniformity and geometry against closed forms and the lighting standards' definitions."""

import numpy as np
import pytest
from lampwarden.daemon.measure.estimate import Estimate
from lampwarden.daemon.measure.summary import CanopySummary, DriftTreatment, SpotValue, conclude


def grid_of(values: list[float], u_relative: float = 0.0) -> CanopySummary:
    spots = [SpotValue(f"s{i}", Estimate(v, v * u_relative), float(i)) for i, v in enumerate(values)]
    return conclude(
        spots,
        [s.spot for s in spots],
        opening=None,
        closing=None,
        treatment=DriftTreatment.CARRY,
        rng=np.random.default_rng(1),
        trials=2000,
    )


def under_a_lamp(power: float) -> list[float]:
    """Three by three at 0.5 m under a small source at 1 m; E = I cosθ/d² and its own angular law."""
    place = (-0.5, 0.0, 0.5)
    return [1000.0 / (1.0 + x * x + y * y) ** power for x in place for y in place]


def test_constant_intensity_over_nine_spots() -> None:
    # closed form E = I/h² cos³θ: mean 671.0546, E_min / mean 0.81116, max/min 1.5^1.5
    result = grid_of(under_a_lamp(1.5))
    assert result.average.estimate.value == pytest.approx(671.0546, abs=1e-4)
    assert result.min_over_average.estimate.value == pytest.approx(0.81116, abs=5e-6)
    assert result.uniformity_ratio.estimate.value == pytest.approx(1.83712, abs=5e-6)


def test_small_lambertian_source_over_nine_spots() -> None:
    # closed form cos⁴θ: edge 640, corner 444.444; mean 593.0864, U0 0.749376, max/min 2.25
    values = under_a_lamp(2.0)
    assert sorted({round(v, 3) for v in values}) == [444.444, 640.0, 1000.0]
    result = grid_of(values)
    assert result.average.estimate.value == pytest.approx(593.0864, abs=1e-4)
    assert result.min_over_average.estimate.value == pytest.approx(0.749376, abs=5e-7)
    assert result.uniformity_ratio.estimate.value == pytest.approx(2.25, rel=1e-12)


def test_uniformity_is_minimum_over_mean_as_the_standard_defines_it() -> None:
    # EN 12464-1 and EN 12665: U0 = E_min / mean; 300 lx at U0 0.6 means at least 180 lx
    result = grid_of([180.0, 300.0, 420.0])
    assert result.average.estimate.value == pytest.approx(300.0)
    assert result.min_over_average.estimate.value == pytest.approx(0.6)


def test_ratio_of_maximum_to_minimum_is_the_inverse_of_diversity() -> None:
    # EN 12665: U_d = E_min / E_max
    result = grid_of([200.0, 250.0, 400.0])
    assert 1.0 / result.uniformity_ratio.estimate.value == pytest.approx(0.5)
