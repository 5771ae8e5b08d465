"""From spectral irradiance to photon flux density in the bands that growers use.

Owns the constants, the band limits and the integration weights. Knows nothing of counts or instruments.

A photon of wavelength lambda carries h c / lambda, so an irradiance E gives lambda E / (N_A h c) moles of photons per
second and area (the photosynthetic photon flux density of ANSI/ASABE S640, July 2017, band 400-700 nm). Bands are
integrated by the trapezoidal rule on the instrument's own, unevenly spaced pixels; at a band's edge, which falls
between two pixels, the irradiance is interpolated linearly. Both are linear in the irradiance, so a band is one row
of weights, made once for a wavelength scale: the flux is a dot product, and so is everything that its uncertainty
needs.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from ...protocol.errors import MeasurementError
from .arrays import ArrayLike, FloatArray, vector
from .estimate import Estimate

# SI Brochure, 9th edition (2019): exact by definition.
PLANCK_J_S: Final = 6.62607015e-34
LIGHT_SPEED_M_S: Final = 299792458.0
AVOGADRO_PER_MOL: Final = 6.02214076e23

#: Micromoles of photons per joule and per nanometre of wavelength: 1e6 (µmol) * 1e-9 (m) / (N_A h c).
UMOL_PER_J_NM: Final = 1e-3 / (AVOGADRO_PER_MOL * PLANCK_J_S * LIGHT_SPEED_M_S)


@dataclass(frozen=True, slots=True)
class Band:
    """A wavelength band, both ends included, in nanometres."""

    low_nm: float
    high_nm: float


# ANSI/ASABE S640 (July 2017): photosynthetic 400-700 nm, far-red 700-800 nm; its thirds of the photosynthetic band
# are common practice. ePAR: Zhen, van Iersel & Bugbee 2021 (from memory).
PPFD: Final = Band(400.0, 700.0)
EPAR: Final = Band(400.0, 750.0)
BLUE: Final = Band(400.0, 500.0)
GREEN: Final = Band(500.0, 600.0)
RED: Final = Band(600.0, 700.0)
FAR_RED: Final = Band(700.0, 800.0)
# Smith 1982 (from memory): red to far-red ratio at the absorption peaks of phytochrome, in 10 nm bands.
RED_NARROW: Final = Band(655.0, 665.0)
FAR_RED_NARROW: Final = Band(725.0, 735.0)


def band_weights(wavelength_nm: ArrayLike, low_nm: float, high_nm: float) -> FloatArray | None:
    """Weights ``w`` such that ``w @ irradiance`` is the photon flux density between two wavelengths.

    Args:
        wavelength_nm: shape ``(n,)``, strictly rising, in nm; any spacing.
        low_nm: lower end of the band, nm.
        high_nm: upper end, above ``low_nm``.

    Returns:
        Shape ``(n,)``, in µmol m⁻² s⁻¹ per W m⁻² nm⁻¹; zero for pixels that take no part. None if the pixels do
        not reach from end to end of the band: a part of a band is not the band.

    Raises:
        MeasurementError: wavelengths that do not rise, or a band without width.
    """
    return irradiance_weights(wavelength_nm, low_nm, high_nm, photons=True)


def irradiance_weights(
    wavelength_nm: ArrayLike, low_nm: float, high_nm: float, *, photons: bool = False
) -> FloatArray | None:
    """As :func:`band_weights`, but for the irradiance of the band in W m⁻² (or photons, if asked).

    The integrand is ``E(lambda)`` or ``K lambda E(lambda)`` at the pixels and at the two edges, where ``E`` is
    interpolated between the pixels on either side.
    """
    wavelength = vector(wavelength_nm, "wavelengths")
    if wavelength.size < 2 or not bool((np.diff(wavelength) > 0.0).all()):
        raise MeasurementError("wavelengths must rise from pixel to pixel", where="wavelength scale")
    if not low_nm < high_nm:
        raise MeasurementError(f"a band from {low_nm} to {high_nm} nm has no width")
    if wavelength[0] > low_nm or wavelength[-1] < high_nm:
        return None
    first = int(np.searchsorted(wavelength, low_nm, side="right"))
    last = int(np.searchsorted(wavelength, high_nm, side="left"))
    nodes = np.concatenate(([low_nm], wavelength[first:last], [high_nm]))
    step = np.diff(nodes)
    node_weight = np.zeros_like(nodes)
    node_weight[:-1] += step / 2.0
    node_weight[1:] += step / 2.0
    if photons:
        node_weight *= UMOL_PER_J_NM * nodes
    weights = np.zeros_like(wavelength)
    weights[first:last] = node_weight[1:-1]
    for edge_nm, edge_weight in ((low_nm, node_weight[0]), (high_nm, node_weight[-1])):
        right = min(max(int(np.searchsorted(wavelength, edge_nm)), 1), wavelength.size - 1)
        share = (edge_nm - wavelength[right - 1]) / (wavelength[right] - wavelength[right - 1])
        weights[right - 1] += edge_weight * (1.0 - share)
        weights[right] += edge_weight * share
    return weights


def photon_flux(wavelength_nm: ArrayLike, irradiance: ArrayLike, low_nm: float, high_nm: float) -> float | None:
    """Photon flux density between two wavelengths.

    Args:
        wavelength_nm: shape ``(n,)``, strictly rising, nm.
        irradiance: spectral irradiance, shape ``(n,)``, W m⁻² nm⁻¹; must be finite.
        low_nm: lower end of the band, nm.
        high_nm: upper end, nm.

    Returns:
        µmol m⁻² s⁻¹, or None if the wavelengths do not cover the band.

    Raises:
        MeasurementError: shapes that differ, values that are not finite, wavelengths that do not rise.
    """
    wavelength = vector(wavelength_nm, "wavelengths")
    spectral = vector(irradiance, "irradiance", size=wavelength.size)
    weights = band_weights(wavelength, low_nm, high_nm)
    return None if weights is None else float(weights @ spectral)


@dataclass(frozen=True, slots=True)
class PhotonBands:
    """The photon figures of one spectrum; None where the pixels do not cover the band, or a ratio has no sense.

    Flux densities in µmol m⁻² s⁻¹. Two red to far-red ratios exist and differ: ``red_far_red_wide`` is that of the
    ASABE S640 bands (600-700 over 700-800 nm), ``red_far_red_narrow`` that of Smith 1982 (655-665 over 725-735 nm).
    """

    ppfd: Estimate | None
    epar: Estimate | None
    blue: Estimate | None
    green: Estimate | None
    red: Estimate | None
    far_red: Estimate | None
    par_irradiance_w_m2: Estimate | None
    red_far_red_wide: Estimate | None
    red_far_red_narrow: Estimate | None


class PhotonTable:
    """Integration weights of all figures for one wavelength scale, made once and used for every spectrum.

    Rows, in order: PPFD, ePAR, blue, green, red, far-red, narrow red, narrow far-red (photons), 400-700 nm (W m⁻²).

    Attributes:
        wavelength_nm: shape ``(n,)``.
        covered: shape ``(9,)``, False for a band that the pixels do not reach across (its rows are zero).
        weights: shape ``(9, n)``: ``weights @ irradiance`` are the figures.
        squares: the weights squared: ``squares @ variance`` are the variances of the figures.
        shift: shape ``(9, n)``: ``shift @ irradiance`` is what each figure changes by if the whole scale is off by
            ``wavelength_u_nm``.
        smear: shape ``(9, n)``: ``smear @ irradiance`` is what each figure changes by if the spectrum is smeared
            once more by the instrument's own bandwidth, an estimate of what the first smearing did.
    """

    ROWS: Final = (PPFD, EPAR, BLUE, GREEN, RED, FAR_RED, RED_NARROW, FAR_RED_NARROW, PPFD)

    __slots__ = ("covered", "shift", "smear", "squares", "wavelength_nm", "weights")

    def __init__(self, wavelength_nm: ArrayLike, *, wavelength_u_nm: float = 0.0, bandwidth_nm: float = 0.0) -> None:
        """Make the table.

        Args:
            wavelength_nm: shape ``(n,)``, strictly rising, nm.
            wavelength_u_nm: standard uncertainty of the scale as a whole, nm.
            bandwidth_nm: full width at half maximum of the slit function, nm, taken as triangular: its variance is
                a sixth of the width squared.

        Raises:
            MeasurementError: wavelengths that do not rise.
        """
        self.wavelength_nm = vector(wavelength_nm, "wavelengths")
        rows = [self._row(index, 0.0) for index in range(len(self.ROWS))]
        self.covered = np.array([row is not None for row in rows])
        self.weights = self._matrix(0.0)
        self.squares = self.weights**2
        self.shift = np.zeros_like(self.weights)
        if wavelength_u_nm > 0.0:
            self.shift = (self._matrix(wavelength_u_nm) - self._matrix(-wavelength_u_nm)) / 2.0
        self.smear = np.zeros_like(self.weights)
        if bandwidth_nm > 0.0:
            # Three points of equal second and fourth moments (Gauss-Hermite): sqrt(3) deviations out, a sixth each.
            out_nm = 3.0**0.5 * bandwidth_nm / 6.0**0.5
            self.smear = (self._matrix(out_nm) + self._matrix(-out_nm) - 2.0 * self.weights) / 6.0

    def _row(self, index: int, shift_nm: float) -> FloatArray | None:
        band = self.ROWS[index]
        photons = index < len(self.ROWS) - 1
        return irradiance_weights(self.wavelength_nm + shift_nm, band.low_nm, band.high_nm, photons=photons)

    def _matrix(self, shift_nm: float) -> FloatArray:
        """The weights if every pixel sits ``shift_nm`` higher; where the shifted scale just misses, unshifted."""
        matrix = np.zeros((len(self.ROWS), self.wavelength_nm.size))
        for index in np.flatnonzero(self.covered):
            row = self._row(int(index), shift_nm)
            row = self._row(int(index), 0.0) if row is None else row
            matrix[index] = row
        return matrix
