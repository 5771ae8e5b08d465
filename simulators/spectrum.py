"""The light's spectrum: lines and continuum of the two arcs, per unit of photon flux.

Line wavelengths in air: mercury from Sansonetti, Salit & Reader, Appl. Opt. 35, 74 (1996); sodium, potassium, lithium
and the other metals from the NIST Atomic Spectra Database, from memory. Strengths, widths and the continuum are chosen
by hand so that the shares of 400–500, 500–600 and 600–700 nm come near those of the CIE illuminants HP1 (sodium) and
HP4 (metal halide); they describe no lamp in particular.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from .lamp import LampType

FIRST_NM = 300.0
LAST_NM = 900.0
STEP_NM = 0.1

UMOL_PER_JOULE_NM = 0.00835934722911
"""µmol per joule and nanometre of wavelength: 1/(N_A·h·c) with the constants of the SI Brochure, 9th edition."""

SODIUM_LINES = (
    # nm, strength, standard deviation nm
    (466.5, 0.3, 0.5),
    (497.9, 2.2, 0.9),
    (515.1, 1.0, 0.6),
    (568.2633, 5.5, 0.9),
    (568.8205, 7.0, 0.9),
    (615.4225, 2.2, 0.8),
    (616.0747, 2.8, 0.8),
    (766.4899, 1.3, 0.3),
    (769.8965, 0.9, 0.3),
    (818.3256, 14.0, 0.8),
    (819.4824, 18.0, 0.8),
    (404.6565, 0.25, 0.2),
    (435.8335, 0.7, 0.2),
    (546.0750, 1.2, 0.2),
)
METAL_HALIDE_LINES = (
    (365.0158, 4.0, 0.3),
    (404.6565, 5.5, 0.3),
    (407.7837, 0.6, 0.3),
    (435.8335, 10.0, 0.3),
    (546.0750, 14.0, 0.3),
    (576.9610, 5.0, 0.3),
    (579.0670, 5.5, 0.3),
    (410.1745, 2.5, 0.3),
    (451.1299, 3.0, 0.3),
    (535.046, 17.0, 0.9),
    (568.2633, 2.0, 0.6),
    (568.8205, 2.5, 0.6),
    (670.776, 5.0, 0.7),
    (766.4899, 1.0, 0.3),
    (769.8965, 0.7, 0.3),
    (818.3256, 4.0, 0.6),
    (819.4824, 5.0, 0.6),
)
SODIUM_D_NM = 589.2937
"""Mean of the D doublet, 588.9950 and 589.5924 nm."""


def wavelengths_nm() -> NDArray[np.float64]:
    """Return the fine grid on which spectra are built, shape ``(6001,)``."""
    return np.linspace(FIRST_NM, LAST_NM, round((LAST_NM - FIRST_NM) / STEP_NM) + 1)


def _lines(grid: NDArray[np.float64], lines: tuple[tuple[float, float, float], ...]) -> NDArray[np.float64]:
    total = np.zeros_like(grid)
    for centre, strength, sigma in lines:
        total += strength / (sigma * np.sqrt(2 * np.pi)) * np.exp(-0.5 * ((grid - centre) / sigma) ** 2)
    return total


def _reversed_d_line(grid: NDArray[np.float64], strength: float, width_nm: float) -> NDArray[np.float64]:
    """The pressure-broadened D line, its core absorbed by cooler sodium at the wall, its red wing the stronger."""
    away = grid - SODIUM_D_NM
    width = np.where(away > 0, 1.5 * width_nm, width_nm)
    profile = strength / (1.0 + (away / width) ** 2)
    reversal: NDArray[np.float64] = 1.0 - 0.93 * np.exp(-0.5 * (away / 1.6) ** 2)
    return profile * reversal


def _hump(grid: NDArray[np.float64], centre: float, width: float, height: float) -> NDArray[np.float64]:
    hump: NDArray[np.float64] = height * np.exp(-0.5 * ((grid - centre) / width) ** 2)
    return hump


@dataclass(frozen=True, slots=True, eq=False)
class ArcSpectrum:
    """Spectral irradiance of an arc on a plane where its photon flux density, 400–700 nm, is 1 µmol m⁻² s⁻¹.

    Attributes:
        wavelength_nm: Shape ``(6001,)``, evenly spaced.
        irradiance: Same shape, W m⁻² nm⁻¹.
    """

    wavelength_nm: NDArray[np.float64]
    irradiance: NDArray[np.float64]

    def photon_flux_umol(self, low_nm: float, high_nm: float) -> float:
        """Photon flux density between two wavelengths that lie on the grid, per µmol of PPFD (trapezoid)."""
        begin = round((low_nm - FIRST_NM) / STEP_NM)
        end = round((high_nm - FIRST_NM) / STEP_NM) + 1
        photons = UMOL_PER_JOULE_NM * self.wavelength_nm[begin:end] * self.irradiance[begin:end]
        return float(np.trapezoid(photons, dx=STEP_NM))

    def blurred(self, at_nm: NDArray[np.float64], fwhm_nm: float) -> NDArray[np.float64]:
        """Return the spectrum as an instrument of Gaussian bandwidth ``fwhm_nm`` sees it at given wavelengths."""
        sigma = fwhm_nm / 2.3548200450309493
        reach = int(np.ceil(5 * sigma / STEP_NM))
        kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) * STEP_NM / sigma) ** 2)
        smooth = np.convolve(self.irradiance, kernel / kernel.sum(), mode="same")
        seen: NDArray[np.float64] = np.interp(at_nm, self.wavelength_nm, smooth)
        return seen


@lru_cache(maxsize=8)
def arc_spectrum(lamp_type: LampType) -> ArcSpectrum:
    """Return the spectrum of a lamp type, normalised to a PPFD of 1 µmol m⁻² s⁻¹."""
    grid = wavelengths_nm()
    if lamp_type is LampType.HIGH_PRESSURE_SODIUM:
        shape = _lines(grid, SODIUM_LINES) + _reversed_d_line(grid, 6.0, 8.0)
        shape += _hump(grid, 560.0, 100.0, 0.42)
    else:
        shape = _lines(grid, METAL_HALIDE_LINES) + _reversed_d_line(grid, 2.2, 4.0)
        shape += _hump(grid, 430.0, 60.0, 0.40) + _hump(grid, 560.0, 90.0, 0.70) + _hump(grid, 670.0, 60.0, 0.50)
    raw = ArcSpectrum(grid, shape)
    return ArcSpectrum(grid, shape / raw.photon_flux_umol(400.0, 700.0))
