"""Band integrals on uneven pixels."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lampwarden.daemon.measure import photons
from lampwarden.daemon.measure.photons import PhotonTable, band_weights, irradiance_weights, photon_flux
from lampwarden.protocol.errors import MeasurementError


def uneven(seed: int, n: int = 300) -> np.ndarray:
    rng = np.random.default_rng(seed)
    steps = rng.uniform(0.2, 3.0, n)
    return 340.0 + np.cumsum(steps) / steps.sum() * 520.0


@given(st.integers(0, 1000), st.floats(400.0, 600.0), st.floats(10.0, 200.0))
def test_flat_spectrum_is_integrated_exactly_at_any_band_edges(seed: int, low: float, width: float) -> None:
    # E = 1: photons K (high² - low²) / 2; the integrand is linear, so the trapezoid has no error whatever the pixels
    nm = uneven(seed)
    flux = photon_flux(nm, np.ones_like(nm), low, low + width)
    assert flux == pytest.approx(photons.UMOL_PER_J_NM * ((low + width) ** 2 - low**2) / 2.0, rel=1e-12)


@given(st.integers(0, 1000), st.floats(410.0, 690.0))
def test_a_band_is_the_sum_of_its_parts_wherever_it_is_cut(seed: int, cut: float) -> None:
    # exact for the irradiance, which is interpolated linearly; photons carry λ(edge) times it, so nearly
    nm = uneven(seed)
    e = np.random.default_rng(seed).uniform(0.0, 1.0, nm.size)
    whole = irradiance_weights(nm, 400.0, 700.0) @ e
    parts = irradiance_weights(nm, 400.0, cut) @ e + irradiance_weights(nm, cut, 700.0) @ e
    assert parts == pytest.approx(whole, rel=1e-12)


def test_trapezoid_agrees_with_numpy_on_edges_that_are_pixels() -> None:
    nm = np.arange(380.0, 781.0, 5.0)
    e = np.sin(nm / 40.0) ** 2
    inside = (nm >= 400.0) & (nm <= 700.0)
    expected = np.trapezoid((e * nm * photons.UMOL_PER_J_NM)[inside], nm[inside])
    assert photon_flux(nm, e, 400.0, 700.0) == pytest.approx(expected, rel=1e-13)


@pytest.mark.parametrize("ends", [(400.5, 900.0), (300.0, 699.9)])
def test_a_band_that_is_not_covered_has_no_figure(ends: tuple[float, float]) -> None:
    nm = np.linspace(*ends, 200)
    assert photon_flux(nm, np.ones_like(nm), 400.0, 700.0) is None
    assert band_weights(nm, 400.0, 700.0) is None


def test_a_band_that_is_just_covered_has_one() -> None:
    nm = np.linspace(400.0, 700.0, 151)
    assert photon_flux(nm, np.ones_like(nm), 400.0, 700.0) is not None


def test_band_between_two_pixels_uses_the_line_between_them() -> None:
    flux = irradiance_weights([500.0, 600.0], 540.0, 550.0) @ np.array([0.0, 100.0])
    assert flux == pytest.approx(450.0)  # mean of 40 and 50 over 10 nm


@pytest.mark.parametrize(
    ("nm", "e"),
    [
        ([400.0, 400.0, 700.0], [1.0, 1.0, 1.0]),
        ([700.0, 400.0], [1.0, 1.0]),
        ([400.0, 700.0], [1.0]),
        ([400.0, 700.0], [1.0, float("nan")]),
        ([500.0], [1.0]),
    ],
)
def test_spectra_that_make_no_sense_are_refused(nm: list[float], e: list[float]) -> None:
    with pytest.raises(MeasurementError):
        photon_flux(nm, e, 400.0, 700.0)


def test_table_gives_the_same_as_each_band_alone() -> None:
    nm = uneven(3)
    e = np.random.default_rng(3).uniform(0.0, 1.0, nm.size)
    table = PhotonTable(nm)
    for row, band in enumerate(PhotonTable.ROWS[:-1]):
        assert table.weights[row] @ e == pytest.approx(photon_flux(nm, e, band.low_nm, band.high_nm), rel=1e-12)


def test_shift_of_the_scale_is_what_moving_every_pixel_does() -> None:
    nm = np.linspace(340.0, 860.0, 2048)
    e = np.exp(-0.5 * ((nm - 699.0) / 3.0) ** 2)
    table = PhotonTable(nm, wavelength_u_nm=0.3)
    moved = photon_flux(nm + 0.3, e, 400.0, 700.0) - photon_flux(nm - 0.3, e, 400.0, 700.0)
    assert (table.shift @ e)[0] == pytest.approx(moved / 2.0, rel=1e-9)


def test_smearing_over_a_band_edge_moves_light_out_of_the_band() -> None:
    # a line of 2 nm width inside the edge at 700 nm; smeared by its own variance once more, part of it leaves
    nm = np.linspace(340.0, 860.0, 2048)
    e = np.exp(-0.5 * ((nm - 698.0) / 2.0) ** 2)
    bandwidth = 2.0 * np.sqrt(6.0)
    smeared = np.exp(-0.5 * ((nm - 698.0) / np.sqrt(8.0)) ** 2) * 2.0 / np.sqrt(8.0)
    effect = photon_flux(nm, smeared, 400.0, 700.0) - photon_flux(nm, e, 400.0, 700.0)
    table = PhotonTable(nm, bandwidth_nm=float(bandwidth))
    assert (table.smear @ e)[0] == pytest.approx(effect, rel=0.15)


def test_bands_beyond_the_pixels_are_marked_as_not_covered() -> None:
    table = PhotonTable(np.linspace(380.0, 780.0, 500))
    assert list(table.covered) == [True, True, True, True, True, False, True, True, True]
