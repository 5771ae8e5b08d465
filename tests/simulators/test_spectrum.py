"""The arcs' spectra: normalisation, and plausibility against the CIE illuminants HP1 and HP4."""

import warnings

import numpy as np
import pytest
from lampwarden.simulators.lamp import LampType
from lampwarden.simulators.spectrum import arc_spectrum
from scipy import constants

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # it warns that there is no plotting library, which it is not used for
    import colour

SODIUM, HALIDE = LampType.HIGH_PRESSURE_SODIUM, LampType.METAL_HALIDE
BANDS = ((400.0, 500.0), (500.0, 600.0), (600.0, 700.0))


@pytest.mark.parametrize("kind", list(LampType))
def test_photons_from_400_to_700_nm_are_one_micromole(kind: LampType) -> None:
    spectrum = arc_spectrum(kind)
    inside = (spectrum.wavelength_nm >= 400 - 1e-6) & (spectrum.wavelength_nm <= 700 + 1e-6)
    metres = spectrum.wavelength_nm[inside] * 1e-9
    photons = spectrum.irradiance[inside] * metres / (constants.h * constants.c * constants.N_A) * 1e6
    assert np.trapezoid(photons, spectrum.wavelength_nm[inside]) == pytest.approx(1.0, rel=1e-9)


@pytest.mark.parametrize(("kind", "illuminant"), [(SODIUM, "HP1"), (HALIDE, "HP4")])
def test_bands_come_near_a_cie_illuminant_of_the_type(kind: LampType, illuminant: str) -> None:
    """No lamp in particular is imitated: 0.04 of the photons is a sanity check, not a tolerance of a standard."""
    table = colour.SDS_ILLUMINANTS[illuminant]
    photons = table.wavelengths * table.values

    def share(low: float, high: float) -> float:
        inside = (table.wavelengths >= low) & (table.wavelengths <= high)
        return float(np.trapezoid(photons[inside], table.wavelengths[inside]))

    ours = [arc_spectrum(kind).photon_flux_umol(*band) for band in BANDS]
    assert sum(ours) == pytest.approx(1.0, abs=1e-6)
    assert ours == pytest.approx([share(*band) / share(400, 700) for band in BANDS], abs=0.04)


def test_sodium_d_line_is_broad_and_reversed() -> None:
    spectrum = arc_spectrum(SODIUM)

    def level(nm: float) -> float:
        return float(np.interp(nm, spectrum.wavelength_nm, spectrum.irradiance))

    dark_core = level(589.3)
    assert dark_core < 0.3 * level(583.0)
    assert dark_core < 0.3 * level(596.0)
    assert level(575.0) > 0.1 * level(583.0), "its wings reach far"


@pytest.mark.parametrize("line_nm", [404.6565, 435.8335, 546.0750])  # Sansonetti, Salit & Reader 1996
def test_mercury_lines_stand_where_they_belong(line_nm: float) -> None:
    spectrum = arc_spectrum(HALIDE)
    near = np.abs(spectrum.wavelength_nm - line_nm) < 2.0
    peak_nm = spectrum.wavelength_nm[near][np.argmax(spectrum.irradiance[near])]
    assert peak_nm == pytest.approx(line_nm, abs=0.06)  # half a step of the grid


def test_blurring_keeps_the_photons() -> None:
    spectrum = arc_spectrum(HALIDE)
    blurred = spectrum.blurred(spectrum.wavelength_nm, 1.6)
    before, after = (np.trapezoid(each[500:5501], dx=0.1) for each in (spectrum.irradiance, blurred))
    assert after == pytest.approx(before, rel=1e-4)
