"""What a spectrometer's detector delivers: counts per pixel of one exposure or the mean of several.

Rate = spectral irradiance at the post × responsivity; counts = offset + (dark rate + rate × ripple) × integration time,
with read noise, shot noise, whole counts and a full scale at which they clip. The certificate's irradiance factors
differ from the truth by an error common to all pixels and one that bends over the spectrum; the wavelength polynomial
in its memory is off by a fraction of a pixel.

The pixels' shape of the lamp's spectrum is worked out once. An exposure looks at lamp and post at a few instants
within it and integrates the ripple analytically.
"""

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from .lamp import Lamp
from .post import SensorPost
from .quantum import LaggedPost
from .ripple import Ripple
from .spectrum import arc_spectrum


@dataclass(frozen=True, slots=True, kw_only=True)
class SpectrometerPlan:
    """A spectrometer and its certificate.

    Attributes:
        pixel_count: Number of pixels.
        wavelength_nm: Coefficients c0 … c3 of the wavelength over the pixel index from 0, as held in its memory.
        u_wavelength_nm: Standard uncertainty of that scale (a shift).
        fwhm_nm: Bandwidth.
        peak_rate: Counts per second per W m⁻² nm⁻¹ where the detector is most responsive.
        u_level_rel: Standard uncertainty of the irradiance factors that all pixels share.
        u_shape_rel: Standard uncertainty of their bend over the spectrum.
        u_cosine_rel: As for the quantum sensor.
        full_scale: Counts at which a pixel clips.
        min_integration_s: Shortest integration time.
        max_integration_s: Longest.
        between_s: Time that each exposure takes beyond its integration.
        offset_counts: Electronic offset.
        dark_rate: Dark counts per second.
        read_noise: Standard deviation of an exposure in the dark, counts.
        electrons_per_count: Sets the shot noise.
    """

    pixel_count: int = 2048
    wavelength_nm: tuple[float, float, float, float] = (339.4, 0.2716, -9.5e-6, -6.0e-10)
    u_wavelength_nm: float = 0.08
    fwhm_nm: float = 1.6
    peak_rate: float = 300_000.0
    u_level_rel: float = 0.02
    u_shape_rel: float = 0.01
    u_cosine_rel: float = 0.01
    full_scale: int = 65535
    min_integration_s: float = 10e-6
    max_integration_s: float = 10.0
    between_s: float = 1e-3
    offset_counts: float = 1450.0
    dark_rate: float = 45.0
    read_noise: float = 9.0
    electrons_per_count: float = 4.0


LOOKS = 5
"""Instants within a series at which lamp and post are looked at; both change little within the seconds it takes."""


class Exposures(Protocol):
    """What a spectrometer's command language asks of whatever exposes."""

    @property
    def plan(self) -> SpectrometerPlan:
        """What the instrument is built like."""
        ...

    def duration_s(self, integration_s: float, averages: int) -> float:
        """How long a series takes."""
        ...

    def counts(self, start_s: float, integration_s: float, averages: int, *, open_: bool) -> NDArray[np.float64]:
        """Return the mean counts of ``averages`` exposures that begin at ``start_s``, shape ``(pixel_count,)``."""
        ...


class SpectrometerSignal:
    """The exposures of one spectrometer that looks at a simulated lamp."""

    def __init__(
        self,
        plan: SpectrometerPlan,
        *,
        post: SensorPost,
        lamp: Lamp,
        ripple: Ripple,
        ambient_umol: float,
        truth: np.random.Generator,
        noise: np.random.Generator,
    ) -> None:
        shift, level, tilt, bow, cosine = (float(each) for each in truth.standard_normal(5))
        self.plan = plan
        self._lamp = lamp
        self._ripple = ripple
        self._ambient_umol = ambient_umol
        self._noise = noise
        self._light = LaggedPost(post, 0.0, plan.u_cosine_rel * cosine)
        pixels = np.arange(plan.pixel_count, dtype=np.float64)
        c0, c1, c2, c3 = plan.wavelength_nm
        claimed_nm: NDArray[np.float64] = c0 + pixels * (c1 + pixels * (c2 + pixels * c3))
        true_nm: NDArray[np.float64] = claimed_nm + plan.u_wavelength_nm * shift
        true_response = plan.peak_rate * _responsivity(true_nm)
        along = (claimed_nm - claimed_nm.mean()) / (claimed_nm[-1] - claimed_nm[0]) * 2.0
        error = plan.u_level_rel * level + plan.u_shape_rel * (tilt * along + bow * (along**2 - 1.0 / 3.0)) / 1.2
        self.irradiance_factors: NDArray[np.float64] = (1.0 + error) / (plan.peak_rate * _responsivity(claimed_nm))
        """Certified W m⁻² nm⁻¹ per count per second, shape ``(pixel_count,)``."""
        self._shape = arc_spectrum(lamp.plan.type).blurred(true_nm, plan.fwhm_nm) * true_response
        # daylight that leaks in is taken as flat in photons over 400–700 nm
        self._ambient_rate = ambient_umol / (300.0 * 0.00835934722911 * true_nm) * true_response
        self._fixed_pattern = 1.0 + 0.05 * truth.standard_normal(plan.pixel_count)

    def duration_s(self, integration_s: float, averages: int) -> float:
        """How long a series takes."""
        return averages * (integration_s + self.plan.between_s)

    def counts(self, start_s: float, integration_s: float, averages: int, *, open_: bool) -> NDArray[np.float64]:
        """Return the mean counts of ``averages`` exposures that begin at ``start_s``, shape ``(pixel_count,)``."""
        plan = self.plan
        floor = plan.offset_counts + plan.dark_rate * integration_s * self._fixed_pattern
        spacing_s = integration_s + plan.between_s
        if not open_:
            return self._digitised(floor, floor, averages)
        level = self._level_umol(start_s, averages * spacing_s)
        waves = self._ripple.means_over(start_s, integration_s, spacing_s, averages)
        ambient = floor + self._ambient_rate * integration_s
        lamp = self._shape * (level * integration_s)
        brightest = float((ambient + lamp * waves.max()).max())
        if brightest + 6.0 * math.sqrt(brightest) < plan.full_scale:
            mean = ambient + lamp * float(waves.mean())
            return self._digitised(mean, floor, averages)
        # near full scale each exposure clips by itself
        total = np.zeros(plan.pixel_count)
        for wave in waves.tolist():
            total += self._digitised(ambient + lamp * wave, floor, 1)
        return total / averages

    def _level_umol(self, start_s: float, duration_s: float) -> float:
        total = 0.0
        for look in range(LOOKS):
            at_s = start_s + duration_s * (look + 0.5) / LOOKS
            total += self._light.ppfd_umol(at_s) * self._lamp.relative_light(at_s)
        return total / LOOKS

    def _digitised(self, mean: NDArray[np.float64], floor: NDArray[np.float64], averages: int) -> NDArray[np.float64]:
        plan = self.plan
        variance: NDArray[np.float64] | float = plan.read_noise**2
        if plan.electrons_per_count > 0.0:
            variance = variance + np.maximum(mean - floor, 0.0) / plan.electrons_per_count
        noisy = mean + np.sqrt(variance / averages) * self._noise.standard_normal(plan.pixel_count)
        digits: NDArray[np.float64] = np.rint(np.clip(noisy, 0.0, plan.full_scale) * averages) / averages
        return digits


def _responsivity(at_nm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Relative responsivity of a silicon line detector behind a grating: a smooth hump (no device in particular)."""
    hump: NDArray[np.float64] = np.exp(-0.5 * ((at_nm - 560.0) / 130.0) ** 2) + 0.06
    return hump / 1.06
