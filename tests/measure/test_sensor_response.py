"""Spectral mismatch and cosine response of the quantum sensor."""

import math

import numpy as np
import pytest
from lampwarden.daemon.measure.sensor import directional_factor, incidence_deg, spectral_mismatch_factor
from lampwarden.protocol.errors import MeasurementError

NM = np.linspace(350.0, 850.0, 1001)
FLAT = np.ones_like(NM)
IDEAL_NM = [399.999, 400.0, 700.0, 700.001]
IDEAL = [0.0, 1.0, 1.0, 0.0]


def lines_at(*centres: float) -> np.ndarray:
    return sum(np.exp(-0.5 * ((NM - c) / 3.0) ** 2) for c in centres)


def test_ideal_sensor_has_no_mismatch_under_any_lamp() -> None:
    factor = spectral_mismatch_factor(IDEAL_NM, IDEAL, NM, lines_at(450.0, 580.0), NM, FLAT)
    assert factor.value == pytest.approx(1.0, abs=1e-4)


def test_sensor_blind_to_blue_reads_a_blue_lamp_low() -> None:
    # responds to 500-700 nm only; calibrated under flat irradiance: photons 500-700 over 400-700 are 24/33
    response_nm, response = [499.999, 500.0, 700.0, 700.001], [0.0, 1.0, 1.0, 0.0]
    factor = spectral_mismatch_factor(response_nm, response, NM, lines_at(450.0, 600.0), NM, FLAT)
    blue_part = 450.0 / (450.0 + 600.0)
    assert factor.value == pytest.approx((1.0 - blue_part) / (24.0 / 33.0), rel=1e-3)


def test_response_to_far_red_counts_photons_that_it_should_not() -> None:
    response_nm, response = [399.999, 400.0, 760.0, 760.001], [0.0, 1.0, 1.0, 0.0]
    factor = spectral_mismatch_factor(response_nm, response, NM, lines_at(590.0, 740.0), NM, lines_at(590.0))
    assert factor.value == pytest.approx((590.0 + 740.0) / 590.0, rel=1e-3)


def test_same_light_as_in_calibration_leaves_no_mismatch_and_no_uncertainty() -> None:
    factor = spectral_mismatch_factor([380.0, 500.0, 720.0], [0.2, 1.3, 0.4], NM, FLAT, NM, FLAT, u_response=0.1)
    assert factor.value == pytest.approx(1.0)
    assert factor.u_common == pytest.approx(0.0, abs=1e-12)


def test_uncertainty_follows_from_the_response_where_the_lamp_has_light() -> None:
    nodes = np.arange(380.0, 741.0, 20.0)
    response = np.interp(nodes, [380.0, 400.0, 700.0, 720.0], [0.0, 1.0, 1.0, 0.0])
    rng = np.random.default_rng(3)
    lamp = lines_at(575.0, 590.0)
    factor = spectral_mismatch_factor(nodes, response, NM, lamp, NM, FLAT, u_response=0.03)
    draws = [
        spectral_mismatch_factor(nodes, response + 0.03 * rng.standard_normal(nodes.size), NM, lamp, NM, FLAT).value
        for _ in range(400)
    ]
    assert factor.u_common == pytest.approx(np.std(draws), rel=0.12)


def test_spectrum_that_does_not_cover_the_band_is_refused() -> None:
    short = NM[NM > 420.0]
    with pytest.raises(MeasurementError, match="400-700"):
        spectral_mismatch_factor(IDEAL_NM, IDEAL, short, np.ones_like(short), NM, FLAT)


def test_angle_of_incidence_is_that_of_the_triangle() -> None:
    assert incidence_deg(600.0, 800.0, 1000.0) == pytest.approx(45.0)
    assert incidence_deg(0.0, 0.0, 500.0) == 0.0


def test_directional_response_is_read_from_its_table_and_not_beyond() -> None:
    table, response = [0.0, 30.0, 60.0, 80.0], [1.0, 0.99, 0.95, 0.85]
    assert directional_factor(45.0, table, response) == pytest.approx(0.97)
    with pytest.raises(MeasurementError, match="not known"):
        directional_factor(85.0, table, response)
    assert math.isclose(directional_factor(0.0, table, response), 1.0)
