"""From counts to irradiance and photon figures: corrections, saturation, uncertainty."""

import math

import numpy as np
import pytest
from lampwarden.daemon.measure.photons import photon_flux
from lampwarden.daemon.measure.spectrum import (
    DarkModel,
    SpectralCalibration,
    photon_bands,
    ppfd_terms,
    spectral_irradiance,
)
from lampwarden.protocol.errors import MeasurementError

N = 512
NM = np.linspace(345.0, 855.0, N)
FACTOR = 1e-8 * (1.0 + 0.5 * np.cos(NM / 90.0))
LAMP = 0.5 + 2.0 * np.exp(-0.5 * ((NM - 590.0) / 25.0) ** 2) + 0.8 * np.exp(-0.5 * ((NM - 819.0) / 6.0) ** 2)
T = 0.1


def calibration(**changes: object) -> SpectralCalibration:
    fields = {"wavelength_nm": NM, "factor": FACTOR, "full_scale_counts": 65535.0} | changes
    return SpectralCalibration(**fields)


def counts_of(irradiance: np.ndarray, integration_s: float = T, dark: float = 900.0) -> np.ndarray:
    return irradiance / FACTOR * integration_s * 1e-3 + dark


SCALED = LAMP * 1e-3  # keeps the peak near 20,000 counts
FLAT_DARK = DarkModel.from_capture(np.full(N, 900.0), T)


def test_counts_become_the_irradiance_they_were_made_from() -> None:
    spectrum = spectral_irradiance(counts_of(LAMP), T, 1, FLAT_DARK, calibration())
    assert spectrum.irradiance == pytest.approx(SCALED, rel=1e-9)
    assert not spectrum.saturated


def test_dark_at_another_integration_time_is_refused() -> None:
    with pytest.raises(MeasurementError, match="dark"):
        spectral_irradiance(counts_of(LAMP), 0.2, 1, FLAT_DARK, calibration())


def ladder(curve: float = 0.0, noise: float = 0.0) -> DarkModel:
    times = np.array([0.01, 0.1, 0.5, 1.0, 2.0])
    rng = np.random.default_rng(5)
    rows = 900.0 + 50.0 * times[:, None] + curve * times[:, None] ** 2 + noise * rng.standard_normal((5, N))
    return DarkModel(times, rows, averages=[4] * 5, read_noise_counts=2.0 * noise)


def test_straight_ladder_of_darks_serves_the_times_between_and_none_beyond() -> None:
    model = ladder(noise=2.0)
    between = model.at(0.3)
    assert between.counts.mean() == pytest.approx(915.0, abs=0.3)
    # the line through five rungs is surer than one rung
    assert between.u.max() < model.at(0.5).u.max()
    with pytest.raises(MeasurementError, match="no dark"):
        model.at(3.0)


def test_bent_ladder_serves_its_own_times_only() -> None:
    model = ladder(curve=8.0, noise=2.0)
    assert model.at(0.5).counts.mean() == pytest.approx(927.0, abs=0.5)
    with pytest.raises(MeasurementError, match="straight"):
        model.at(0.3)


def test_saturated_pixel_is_reported_even_within_an_average() -> None:
    counts = counts_of(LAMP)
    counts[200] = 65535.0 * 0.99
    spectrum = spectral_irradiance(counts, T, 16, FLAT_DARK, calibration())
    assert (spectrum.saturated, spectrum.saturated_pixels) == (True, 1)
    assert spectrum.peak_nm == pytest.approx(NM[200])


def test_saturation_in_one_frame_of_several_is_reported() -> None:
    frames = np.stack([counts_of(LAMP)] * 4)
    frames[2, 100] = 65535.0
    assert spectral_irradiance(frames, T, 1, FLAT_DARK, calibration()).saturated


def test_bad_pixel_is_bridged_and_cannot_saturate() -> None:
    bad = np.zeros(N, dtype=bool)
    bad[200] = True
    counts = counts_of(LAMP)
    counts[200] = 65535.0
    spectrum = spectral_irradiance(counts, T, 1, FLAT_DARK, calibration(bad_pixels=bad))
    assert not spectrum.saturated
    assert spectrum.irradiance[200] == pytest.approx((SCALED[199] + SCALED[201]) / 2.0, rel=1e-9)


def test_nonlinearity_polynomial_is_undone() -> None:
    polynomial = (1.0, -2e-6)
    true = counts_of(LAMP, dark=0.0)
    # find the raw net count whose correction is the true one: net / (1 - 2e-6 net) = true
    net = true / (1.0 + 2e-6 * true)
    spectrum = spectral_irradiance(net + 900.0, T, 1, FLAT_DARK, calibration(nonlinearity=polynomial))
    assert spectrum.irradiance == pytest.approx(SCALED, rel=1e-9)


def test_stray_light_is_taken_off_and_kept_as_uncertainty() -> None:
    lamp = np.where(NM < 380.0, 0.0, LAMP)
    counts = counts_of(lamp) + 40.0
    plain = calibration()
    told = calibration(stray_band_nm=(346.0, 375.0))
    off = spectral_irradiance(counts, T, 1, FLAT_DARK, told)
    assert off.irradiance == pytest.approx(lamp * 1e-3, abs=1e-12)
    bands = photon_bands(off, told.photon_table())
    raw = photon_bands(spectral_irradiance(counts, T, 1, FLAT_DARK, plain), plain.photon_table())
    assert bands.ppfd.u_common == pytest.approx((raw.ppfd.value - bands.ppfd.value) / math.sqrt(3.0), rel=1e-6)


def test_noise_from_the_gain_is_that_of_repeated_captures() -> None:
    # shot noise of counts with 2 electrons a count and read noise 8 counts, 4 averages; 400 frames as witnesses
    rng = np.random.default_rng(11)
    mean = counts_of(LAMP)
    sigma = np.sqrt(((mean - 900.0) / 2.0 + 64.0) / 4.0)
    frames = mean + sigma * rng.standard_normal((400, N))
    told = calibration(read_noise_counts=8.0, electrons_per_count=2.0)
    table = told.photon_table()
    single = [photon_bands(spectral_irradiance(f, T, 4, FLAT_DARK, told), table).ppfd for f in frames]
    scatter = np.std([e.value for e in single], ddof=1)
    # 400 values give a standard deviation to 3.5 %
    assert np.mean([e.u_own for e in single]) == pytest.approx(scatter, rel=0.11)
    together = photon_bands(spectral_irradiance(frames, T, 4, FLAT_DARK, told), table).ppfd
    assert together.u_own == pytest.approx(scatter / 20.0, rel=0.11)


def test_flicker_of_the_whole_lamp_between_frames_is_seen() -> None:
    rng = np.random.default_rng(12)
    frames = np.stack([counts_of(LAMP * (1.0 + 0.01 * rng.standard_normal())) for _ in range(40)])
    told = calibration()
    ppfd = photon_bands(spectral_irradiance(frames, T, 1, FLAT_DARK, told), told.photon_table()).ppfd
    # pixel by pixel the noise would average down over hundreds of pixels to a twentieth of this
    assert ppfd.u_own / ppfd.value == pytest.approx(0.01 / math.sqrt(40.0), rel=0.35)
    assert ppfd.dof_own == 39


def test_noise_of_the_one_dark_is_shared_by_all_spots() -> None:
    dark = DarkModel.from_capture(np.full(N, 900.0), T, averages=4, read_noise_counts=20.0)
    told = calibration()
    ppfd = photon_bands(spectral_irradiance(counts_of(LAMP), T, 1, dark, told), told.photon_table()).ppfd
    assert ppfd.u_own == 0.0
    weights = told.photon_table().weights[0]
    assert ppfd.u_common == pytest.approx(float(np.sqrt((weights**2) @ (10.0 * FACTOR / T) ** 2)))


def test_calibration_scale_cancels_in_the_red_to_far_red_ratio_and_shape_does_not() -> None:
    scale = calibration(u_scale_relative=0.03)
    bands = photon_bands(spectral_irradiance(counts_of(LAMP), T, 1, FLAT_DARK, scale), scale.photon_table())
    assert bands.ppfd.u_common / bands.ppfd.value == pytest.approx(0.03)
    assert bands.red_far_red_wide.u_common == pytest.approx(0.0, abs=1e-12)
    shape = calibration(u_shape_relative=0.02)
    bands = photon_bands(spectral_irradiance(counts_of(LAMP), T, 1, FLAT_DARK, shape), shape.photon_table())
    assert bands.red_far_red_wide.u_common / bands.red_far_red_wide.value == pytest.approx(0.02 * math.sqrt(2.0))


def test_wavelength_uncertainty_matters_at_an_edge_and_hardly_on_a_smooth_spectrum() -> None:
    told = calibration(wavelength_u_nm=0.3)
    table = told.photon_table()
    smooth = photon_bands(spectral_irradiance(counts_of(np.full(N, 1.0)), T, 1, FLAT_DARK, told), table)
    line = 5.0 * np.exp(-0.5 * ((NM - 700.0) / 2.0) ** 2)
    edge = photon_bands(spectral_irradiance(counts_of(line), T, 1, FLAT_DARK, told), table)
    assert smooth.ppfd.u_common / smooth.ppfd.value < 0.001
    # half of the line is inside; 0.3 nm of its crest moves across
    crest = photon_flux(NM, line * 1e-3, 699.7, 700.3) / 2.0
    assert edge.ppfd.u_common == pytest.approx(crest, rel=0.05)


def test_ratio_to_a_far_red_that_is_lost_in_noise_is_not_given() -> None:
    lamp = np.where(NM > 695.0, 0.0, LAMP)
    told = calibration(read_noise_counts=30.0)
    bands = photon_bands(spectral_irradiance(counts_of(lamp), T, 1, FLAT_DARK, told), told.photon_table())
    assert bands.red_far_red_wide is None
    assert bands.ppfd is not None


def test_bands_beyond_the_instrument_are_none() -> None:
    nm = np.linspace(380.0, 740.0, N)
    told = calibration(wavelength_nm=nm)
    bands = photon_bands(spectral_irradiance(counts_of(LAMP), T, 1, FLAT_DARK, told), told.photon_table())
    assert (bands.far_red, bands.epar, bands.red_far_red_wide) == (None, None, None)
    assert bands.red_far_red_narrow is not None


@pytest.mark.parametrize(
    "counts", [np.full(N - 1, 1000.0), np.full(N, np.nan), np.full((2, 3, N), 1000.0)], ids=["short", "nan", "3d"]
)
def test_counts_that_do_not_fit_are_refused(counts: np.ndarray) -> None:
    with pytest.raises(MeasurementError):
        spectral_irradiance(counts, T, 1, FLAT_DARK, calibration())


def test_budget_of_the_spectral_ppfd_adds_up_to_its_uncertainty() -> None:
    dark = DarkModel.from_capture(np.full(N, 900.0), T, averages=4, read_noise_counts=20.0)
    told = calibration(
        u_scale_relative=0.02, u_shape_relative=0.01, wavelength_u_nm=0.3, bandwidth_nm=2.0, read_noise_counts=8.0
    )
    spectrum = spectral_irradiance(counts_of(LAMP), T, 1, dark, told)
    table = told.photon_table()
    ppfd = photon_bands(spectrum, table).ppfd
    terms = {t.cause: t for t in ppfd_terms(spectrum, table)}
    assert set(terms) == {"noise", "calibration", "dark", "wavelength scale", "bandwidth", "stray light"}
    assert math.sqrt(sum(t.u_common**2 for t in terms.values())) == pytest.approx(ppfd.u_common, rel=1e-9)
    assert terms["noise"].u_own == pytest.approx(ppfd.u_own)
    assert terms["calibration"].u_common / ppfd.value == pytest.approx(math.hypot(0.02, 0.01))
    assert all(t.u_common > 0.0 for c, t in terms.items() if c in {"dark", "wavelength scale", "bandwidth"})
