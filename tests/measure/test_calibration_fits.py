"""Wavelength scale, irradiance factors and sensor factors from simulated calibrations."""

import math

import numpy as np
import pytest
from lampwarden.daemon.measure.calibration import (
    EMISSION_LINES_NM,
    calibrate_wavelengths,
    fit_peak,
    fit_wavelengths,
    interpolate_standard,
    irradiance_factors,
    quantum_factor,
)
from lampwarden.protocol.errors import MeasurementError

PIXELS = np.arange(2048.0)
#: A scale of 340-860 nm with the bow that a grating gives.
TRUE = (340.0, 0.27, -5e-6, -1e-10)


def scale(coefficients: tuple[float, ...]) -> np.ndarray:
    return np.polynomial.polynomial.polyval(PIXELS, coefficients)


def line_lamp(seed: int, lines: tuple[float, ...], width_nm: float = 1.2, noise: float = 8.0) -> np.ndarray:
    """Counts of a line lamp, each pixel the mean of the line over its width (ten points)."""
    rng = np.random.default_rng(seed)
    nm = scale(TRUE)
    counts = np.full(nm.size, 900.0)
    for i, line in enumerate(lines):
        height = 3000.0 + 40000.0 * ((i * 7) % 10) / 10.0
        for part in np.linspace(-0.45, 0.45, 10):
            at = nm + part * np.gradient(nm)
            counts += height / 10.0 * np.exp(-0.5 * ((at - line) / (width_nm / 2.3548)) ** 2)
    return counts + rng.standard_normal(nm.size) * np.sqrt(noise**2 + counts / 4.0)


@pytest.mark.parametrize("part", [0.0, 0.21, 0.5, 0.83])
def test_peak_is_found_to_a_fraction_of_a_pixel(part: float) -> None:
    rng = np.random.default_rng(4)
    centres = []
    for _ in range(50):
        clean = 20000.0 * np.exp(-0.5 * ((PIXELS[:200] - 100.0 - part) / 2.0) ** 2) + 900.0
        peak = fit_peak(clean + 30.0 * rng.standard_normal(200), 101.0)
        centres.append(peak.pixel)
    assert np.mean(centres) == pytest.approx(100.0 + part, abs=0.005)
    assert peak.u_pixel == pytest.approx(np.std(centres), rel=0.5)
    assert peak.width_pixels == pytest.approx(2.0 * 2.3548, rel=0.02)


@pytest.mark.parametrize("near", [5000.0, -3.0])
def test_peak_off_the_detector_is_refused(near: float) -> None:
    with pytest.raises(MeasurementError):
        fit_peak(np.full(2048, 900.0), near)


def test_peak_where_there_is_only_noise_is_refused() -> None:
    rng = np.random.default_rng(6)
    refused = 0
    for _ in range(40):
        try:
            fit_peak(900.0 + 8.0 * rng.standard_normal(200), 100.0)
        except MeasurementError:
            refused += 1
    assert refused >= 36


def test_wavelength_scale_is_recovered_from_mercury_and_argon() -> None:
    lines = tuple(v for element in ("Hg", "Ar") for v in EMISSION_LINES_NM[element] if v > 340.0)
    guess = scale(TRUE) + 1.0 - 0.002 * (PIXELS - 1000.0) / 1000.0
    fit = calibrate_wavelengths(line_lamp(1, lines), guess, lines, search_nm=2.0)
    assert np.abs(fit.wavelengths_nm(2048) - scale(TRUE))[150:1850].max() < 0.05
    assert fit.deviation_nm < 0.05
    assert len(fit.lines_nm) >= 7
    # 404.66 / 407.78, 434.75 / 435.83, 577 / 579 and the argon doublets are too close to be told apart
    assert 577 < min(v for v in fit.left_out_nm if v > 570) < 580 or 576.961 in fit.left_out_nm
    assert fit.residuals_nm == pytest.approx([0.0] * len(fit.residuals_nm), abs=0.15)


def test_stated_uncertainty_of_the_scale_is_what_repeats_scatter_by() -> None:
    lines = np.array([365.0, 404.7, 435.8, 546.1, 579.1, 696.5, 763.5, 811.5])
    pixels = np.interp(lines, scale(TRUE), PIXELS)
    rng = np.random.default_rng(3)
    off, stated = [], []
    for _ in range(400):
        fit = fit_wavelengths(pixels + 0.2 * rng.standard_normal(8), lines)
        inside = (pixels[0] <= PIXELS) & (pixels[-1] >= PIXELS)
        off.append((fit.wavelengths_nm(2048) - scale(TRUE))[inside])
        stated.append(fit.u_nm)
    worst = np.std(np.array(off), axis=0).max()
    assert math.sqrt(np.mean(np.square(stated))) == pytest.approx(worst, rel=0.15)


def test_one_wrong_match_is_left_out() -> None:
    lines = np.array([365.0, 404.7, 435.8, 546.1, 579.1, 696.5, 763.5, 811.5, 842.5])
    rng = np.random.default_rng(5)
    pixels = np.interp(lines, scale(TRUE), PIXELS) + 0.05 * rng.standard_normal(9)
    pixels[4] += 8.0
    fit = fit_wavelengths(pixels, lines)
    assert fit.left_out_nm == (579.1,)
    assert fit.deviation_nm < 0.05


def test_too_few_lines_are_refused() -> None:
    with pytest.raises(
        MeasurementError, match=r"^wavelength calibration: too few lines: 4 found, a polynomial of order 3 needs 5"
    ):
        fit_wavelengths([100.0, 500.0, 900.0, 1300.0], [365.0, 470.0, 580.0, 680.0])


def planck(nm: np.ndarray, kelvin: float = 2856.0) -> np.ndarray:
    """Planck's law, relative; c2 = hc/k of the SI."""
    return 1e14 * nm**-5.0 / np.expm1(1.438776877e7 / (nm * kelvin))


def test_standard_lamp_between_its_wavelengths_follows_planck() -> None:
    table = np.arange(340.0, 901.0, 20.0)
    fine = np.linspace(345.0, 895.0, 2000)
    assert np.abs(interpolate_standard(table, planck(table), fine) / planck(fine) - 1.0).max() < 1e-4
    assert np.isnan(interpolate_standard(table, planck(table), np.array([330.0, 910.0]))).all()


def test_irradiance_factors_turn_the_standard_lamp_back_into_its_table() -> None:
    nm = scale(TRUE)
    response = np.exp(-(((nm - 550.0) / 180.0) ** 2)) * 1e7
    table = np.arange(340.0, 881.0, 20.0)
    rate = planck(nm) * response
    factors = irradiance_factors(
        rate, np.full(nm.size, 20.0), nm, table, planck(table), u_certificate_relative=0.01, u_distance_relative=0.002
    )
    usable = factors.usable
    assert usable.sum() > 1500
    assert (rate * factors.factor)[usable] == pytest.approx(planck(nm)[usable], rel=2e-4)
    assert factors.u_scale_relative == pytest.approx(math.hypot(0.01, 0.004))
    assert (factors.factor[~usable] == 0.0).all()


def test_dark_standard_lamp_gives_no_factors() -> None:
    nm = scale(TRUE)
    with pytest.raises(MeasurementError, match="signal"):
        irradiance_factors(np.zeros(2048), np.ones(2048), nm, [340.0, 900.0], [1.0, 2.0], u_certificate_relative=0.01)


def test_sensor_factor_is_the_mean_ratio_and_keeps_the_reference_as_common() -> None:
    factor = quantum_factor([100.0, 200.0, 400.0], [103.0, 204.0, 412.0], u_reference_relative=0.015)
    assert factor.value == pytest.approx((1.03 + 1.02 + 1.03) / 3.0)
    assert factor.u_common == pytest.approx(factor.value * 0.015)
    assert factor.dof_own == 2


@pytest.mark.parametrize(("sensor", "reference"), [([1.0], [1.0, 2.0]), ([], []), ([0.0, 1.0], [1.0, 1.0])])
def test_readings_that_are_no_pairs_are_refused(sensor: list[float], reference: list[float]) -> None:
    with pytest.raises(MeasurementError):
        quantum_factor(sensor, reference, u_reference_relative=0.01)
