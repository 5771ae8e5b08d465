"""Control charts against NIST/SEMATECH and a handbook of quality management."""

import math
from itertools import pairwise

import pytest
import scipy.integrate
import scipy.stats
from lampwarden.daemon.measure import charts, gates
from lampwarden.daemon.measure.charts import (
    Signal,
    individuals_limits,
    moving_average,
    moving_average_limits,
    run_rules,
)

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2, "flowrate", the first ten batches
FLOWRATE = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
# the same, 6.3.2.4 (doi 10.18434/M32189)
EWMA_DATA = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, *FLOWRATE]
EWMA = [
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
    50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
]  # fmt: skip
# Pyzdek & Keller, The Handbook for Quality Management, table 9.4
PYZDEK = [
    110, 103, 97, 96, 105, 110, 100, 93, 90, 103, 97, 103, 90, 97, 99, 106, 90, 96, 109, 90, 91, 108, 96, 101, 96,
]  # fmt: skip
PYZDEK_RANGES = [7, 6, 1, 9, 5, 10, 7, 3, 13, 6, 6, 13, 7, 2, 7, 16, 6, 13, 19, 1, 17, 12, 5, 5]


def test_individuals_chart_of_the_flowrate() -> None:
    limits = individuals_limits(FLOWRATE)
    assert limits.centre == pytest.approx(50.81, abs=5e-5)
    assert limits.mean_range == pytest.approx(1.8778, abs=5e-5)
    assert (limits.lower, limits.upper) == (pytest.approx(45.8159, abs=5e-5), pytest.approx(55.8041, abs=5e-5))
    assert not [f for f in run_rules(FLOWRATE, limits) if f.signal is Signal.BEYOND_LIMITS]  # "in control"


def test_moving_average_of_the_handbook() -> None:
    averages = moving_average(EWMA_DATA, target=50.0, weight=0.3)
    assert averages == pytest.approx(EWMA, abs=5e-3)
    low, high = moving_average_limits(50.0, 2.0539, weight=0.3)
    assert (low, high) == (pytest.approx(47.4115, abs=1e-3), pytest.approx(52.5884, abs=1e-3))
    assert all(low <= a <= high for a in averages)  # "in control"


def test_individuals_chart_of_the_handbook_for_quality_management() -> None:
    assert [abs(b - a) for a, b in pairwise(PYZDEK)] == PYZDEK_RANGES
    limits = individuals_limits([float(v) for v in PYZDEK])
    assert (limits.centre, limits.mean_range) == (pytest.approx(99.04), pytest.approx(8.1667, abs=5e-5))
    # its limits use the factor 2.66 where ours is 3 / 1.128 = 2.6596
    assert (limits.lower, limits.upper) == (pytest.approx(77.317, abs=5e-3), pytest.approx(120.763, abs=5e-3))
    assert limits.upper_range == pytest.approx(26.68, abs=5e-3)


def test_factors_are_those_of_the_range_of_two() -> None:
    # closed forms: d2 = 2/sqrt(pi), d3 = sqrt(2 - 4/pi), D4 = 1 + 3 d3/d2; tables print 1.128, 3.267, E2 2.660
    d2, d3 = 2.0 / math.sqrt(math.pi), math.sqrt(2.0 - 4.0 / math.pi)
    assert pytest.approx(d2, abs=5e-4) == charts.D2
    assert pytest.approx(1.0 + 3.0 * d3 / d2, abs=6e-4) == charts.D4
    assert pytest.approx(2.660, abs=6e-4) == 3.0 / charts.D2


@pytest.mark.parametrize("size", range(2, 11))
def test_mean_range_of_normal_values_follows_its_integral(size: int) -> None:
    # expectation of the range of n normal values: integral of 1 - F^n - (1 - F)^n (Tippett 1925)
    def inside(x: float) -> float:
        f = scipy.stats.norm.cdf(x)
        return 1.0 - f**size - (1.0 - f) ** size

    expected, _ = scipy.integrate.quad(inside, -12.0, 12.0)
    assert gates._MEAN_RANGE[size] == pytest.approx(expected, abs=6e-4)
