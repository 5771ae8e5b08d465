"""Supply and ripple: what is left of the ripple in an exposure, and that wander stays within its bounds."""

import math

import numpy as np
import pytest
from lampwarden.simulators.mains import Mains, MainsPlan, Sag
from lampwarden.simulators.ripple import Ripple
from lampwarden.simulators.seeds import stream


def mains(**plan: float) -> Mains:
    return Mains(MainsPlan(**{"wander_rel": 0.0, "frequency_wander_hz": 0.0, **plan}), stream(1, "mains"))


def largest_residue(ripple: Ripple, exposure_s: float) -> float:
    starts = np.linspace(0.0, 0.01, 2001)
    return max(abs(ripple.mean_over(float(start), exposure_s) - 1.0) for start in starts) / ripple.depth


@pytest.mark.parametrize(
    ("exposure_s", "residue"),
    # |sin(πfT)/(πfT)| of a rectangular window at 100 Hz
    [(0.016, 0.18921), (0.015, 1 / (1.5 * math.pi)), (0.010, 0.0), (0.020, 0.0)],
)
def test_exposure_leaves_the_ripple_of_a_rectangular_window(exposure_s: float, residue: float) -> None:
    assert largest_residue(Ripple(0.8, None, mains()), exposure_s) == pytest.approx(residue, abs=5e-6)


def test_60_hz_mains_needs_other_whole_periods() -> None:
    ripple = Ripple(0.8, None, mains(nominal_hz=60.0))
    assert largest_residue(ripple, 1 / 120) == pytest.approx(0.0, abs=1e-9)
    assert largest_residue(ripple, 0.010) > 0.1


def test_analytic_mean_is_that_of_a_fine_numeric_average() -> None:
    ripple = Ripple(0.6, 137.0, mains(), phase_rad=1.1)
    start_s, exposure_s = 3.21, 0.0163
    at_s = start_s + (np.arange(200_000) + 0.5) * exposure_s / 200_000
    numeric = float(np.mean(1 + 0.6 * np.sin(2 * np.pi * 137.0 * at_s + 1.1)))
    assert ripple.mean_over(start_s, exposure_s) == pytest.approx(numeric, abs=1e-9)


def test_series_of_exposures_equals_its_single_ones() -> None:
    ripple = Ripple(0.8, None, mains(), phase_rad=0.4)
    series = ripple.means_over(5.0, 0.013, 0.014, 7)
    assert series.tolist() == pytest.approx([ripple.mean_over(5.0 + 0.014 * n, 0.013) for n in range(7)], abs=1e-7)


def test_wander_stays_within_its_bounds_and_moves() -> None:
    supply = mains(wander_rel=0.01, frequency_wander_hz=0.05, offset_rel=0.02)
    levels = [supply.relative_voltage(float(at_s)) for at_s in range(20_000)]
    assert max(levels) <= 1.03
    assert min(levels) >= 1.01
    assert max(levels) - min(levels) > 0.01
    assert all(abs(supply.frequency_hz(float(at_s)) - 50.0) <= 0.05 for at_s in range(20_000))


def test_cycles_are_the_integral_of_the_frequency() -> None:
    supply = mains(frequency_wander_hz=0.5)
    middle = np.arange(0.005, 200.0, 0.01)
    counted = 0.01 * sum(supply.frequency_hz(float(at_s)) for at_s in middle)
    assert supply.cycles(200.0) - supply.cycles(0.0) == pytest.approx(counted, abs=1e-4)


def test_sag_lowers_the_voltage_only_while_it_lasts() -> None:
    supply = mains()
    supply.add_sag(Sag(10.0, 2.0, 0.7))
    assert [supply.voltage_v(at_s) for at_s in (9.99, 10.0, 11.99, 12.0)] == pytest.approx([230.0, 161.0, 161.0, 230.0])
