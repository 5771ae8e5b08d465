"""From counts per pixel to spectral irradiance, and on to photon figures, each with its uncertainty.

Owns the chain of corrections and what each is worth: dark at the same integration time, stray-light floor,
non-linearity, counts per second, irradiance factor, bad pixels. Knows nothing of how counts are fetched.

Sources of uncertainty are kept apart by what they are shared with. Shot and read noise differ from spot to spot
(own). One dark is taken for the whole test, so its noise differs between pixels but is shared by all spots (common,
yet averaging over pixels). The irradiance factors are shared by all spots and all pixels: their scale part (distance
and current of the standard lamp) moves every band alike and cancels in a ratio of bands, their shape part is taken
as fully correlated within a band and independent between the two bands of a ratio. The wavelength scale and the
bandwidth act on a figure through the spectrum itself: a line at a band's edge matters, a smooth spectrum does not.

A spectrum that saturated is still computed, for the eye, but says so; nothing may count it as good.
"""

from dataclasses import dataclass, field

import numpy as np

from ...protocol.errors import MeasurementError
from .arrays import ArrayLike, BoolArray, FloatArray, vector
from .budget import Term
from .estimate import Estimate, welch_satterthwaite
from .photons import PhotonBands, PhotonTable

#: Averaged counts at or above this share of full scale are taken as saturated: within an average a few clipped
#: exposures hide below full scale. Common practice, no source; the margin is what the search's limit leaves twice over.
SATURATION_FRACTION = 0.98


@dataclass(frozen=True, slots=True, eq=False)
class SpectralCalibration:
    """What turns one spectrometer's counts into irradiance.

    Attributes:
        wavelength_nm: shape ``(n,)``, strictly rising, nm.
        factor: irradiance per count rate, shape ``(n,)``, W m⁻² nm⁻¹ per (count/s).
        full_scale_counts: largest count of the converter.
        u_scale_relative: relative standard uncertainty of all factors together.
        u_shape_relative: further relative standard uncertainty from pixel to pixel, shape ``(n,)`` or one number.
        wavelength_u_nm: standard uncertainty of the wavelength scale, nm.
        bandwidth_nm: full width at half maximum of the slit function, nm; 0 leaves that term out.
        bad_pixels: shape ``(n,)``, True where a pixel is not to be used; None if all are good.
        nonlinearity: ``c0, c1, …`` so that true = net / (c0 + c1 net + …), net being dark-corrected counts; empty
            for a linear instrument. (A polynomial in the net counts is common practice, no source.)
        stray_band_nm: wavelengths where no light is expected; the mean net count there is taken off every pixel as
            stray light, and is kept as an uncertainty, rectangular from nothing to twice itself.
        read_noise_counts: standard deviation of one exposure in the dark, counts.
        electrons_per_count: gain, for shot noise; None if unknown.
    """

    wavelength_nm: FloatArray
    factor: FloatArray
    full_scale_counts: float
    u_scale_relative: float = 0.0
    u_shape_relative: FloatArray | float = 0.0
    wavelength_u_nm: float = 0.0
    bandwidth_nm: float = 0.0
    bad_pixels: BoolArray | None = None
    nonlinearity: tuple[float, ...] = ()
    stray_band_nm: tuple[float, float] | None = None
    read_noise_counts: float = 0.0
    electrons_per_count: float | None = None

    def __post_init__(self) -> None:
        n = vector(self.wavelength_nm, "wavelengths").size
        vector(self.factor, "irradiance factors", size=n)
        if self.bad_pixels is not None and (self.bad_pixels.shape != (n,) or bool(self.bad_pixels.all())):
            raise MeasurementError(f"bad pixels must be {n} marks, not all set", where="spectral calibration")
        if not self.full_scale_counts > 0.0:
            raise MeasurementError("full scale must be positive", where="spectral calibration")

    def photon_table(self) -> PhotonTable:
        """Integration weights for this wavelength scale: make once, use for every spectrum."""
        return PhotonTable(self.wavelength_nm, wavelength_u_nm=self.wavelength_u_nm, bandwidth_nm=self.bandwidth_nm)


@dataclass(frozen=True, slots=True, eq=False)
class Dark:
    """Counts without light at one integration time: ``counts`` and their standard uncertainty ``u``, each ``(n,)``."""

    counts: FloatArray
    u: FloatArray


class DarkModel:
    """Darks taken with the shutter closed or the lamp off, at one integration time or at a ladder of several.

    At a time that was measured the measurement itself is given. Between measured times the straight line through the
    whole ladder is used, if the ladder is straight; outside the ladder nothing is given, as dark current need not
    stay in proportion there.
    """

    __slots__ = ("_counts", "_straight", "_times_s", "_u")

    def __init__(
        self,
        integrations_s: ArrayLike,
        counts: FloatArray,
        *,
        averages: ArrayLike,
        read_noise_counts: float = 0.0,
    ) -> None:
        """Take over a ladder.

        Args:
            integrations_s: shape ``(k,)``, seconds, each once.
            counts: shape ``(k, n)``: averaged counts.
            averages: shape ``(k,)``: exposures averaged in each.
            read_noise_counts: standard deviation of one dark exposure; 0 if unknown, then the ladder's own scatter
                about its line is used where there are at least three rungs.

        Raises:
            MeasurementError: shapes that do not fit, or the same time twice.
        """
        times = vector(integrations_s, "dark integration times")
        many = vector(averages, "dark averages", size=times.size)
        table = np.asarray(counts, dtype=np.float64)
        if table.ndim != 2 or table.shape[0] != times.size or not np.isfinite(table).all():
            raise MeasurementError("darks need one finite row of counts for each integration time")
        if np.unique(times).size != times.size or bool((times <= 0.0).any()) or bool((many < 1.0).any()):
            raise MeasurementError("dark integration times must be positive and differ, averages at least 1")
        order = np.argsort(times)
        self._times_s, self._counts = times[order], table[order]
        u = read_noise_counts / np.sqrt(many[order])
        self._straight = True
        if times.size >= 3:
            line = np.polynomial.polynomial.polyfit(self._times_s, self._counts, 1)
            fitted = line[0] + np.outer(self._times_s, line[1])
            off = self._counts - fitted
            scatter = np.sqrt((off**2).sum(axis=0) / (times.size - 2))
            typical = float(np.sqrt(np.mean(scatter**2)))
            if read_noise_counts <= 0.0:
                u = np.full(times.size, typical)
            # Straight if no rung as a whole is off the line by more than noise over its pixels could leave; a tenth
            # of a count is let pass in any case, as it is nothing beside a signal.
            rung_off = np.abs(off.mean(axis=1))
            self._straight = bool((rung_off <= np.maximum(5.0 * u / np.sqrt(table.shape[1]), 0.1)).all())
        self._u = u

    @classmethod
    def from_capture(
        cls, counts: ArrayLike, integration_s: float, *, averages: int = 1, read_noise_counts: float = 0.0
    ) -> "DarkModel":
        """A dark at one integration time: good for that time only."""
        row = vector(counts, "dark counts")
        return cls([integration_s], row[np.newaxis], averages=[averages], read_noise_counts=read_noise_counts)

    @property
    def integrations_s(self) -> tuple[float, ...]:
        """The integration times that were measured, rising, in seconds."""
        return tuple(float(t) for t in self._times_s)

    def at(self, integration_s: float) -> Dark:
        """The dark at an integration time.

        Raises:
            MeasurementError: not measured and not between measured times, or the ladder is not straight.
        """
        same = np.flatnonzero(np.isclose(self._times_s, integration_s, rtol=1e-6, atol=0.0))
        if same.size:
            rung = int(same[0])
            return Dark(self._counts[rung], np.full(self._counts.shape[1], self._u[rung]))
        mend = "take a dark at this integration time"
        if not self._times_s[0] < integration_s < self._times_s[-1]:
            raise MeasurementError(f"no dark at {integration_s:g} s nor on both sides of it", mend=mend)
        if not self._straight:
            raise MeasurementError(
                f"no dark at {integration_s:g} s, and darks do not grow in a straight line", mend=mend
            )
        # Least squares written as weights on the rungs, so that the uncertainty follows (JCGM 100, H.3 in form).
        basis = np.stack((np.ones_like(self._times_s), self._times_s))
        weights = np.linalg.lstsq(basis, np.array([1.0, integration_s]), rcond=None)[0]
        u = float(np.sqrt(((weights * self._u) ** 2).sum()))
        return Dark(weights @ self._counts, np.full(self._counts.shape[1], u))


@dataclass(frozen=True, slots=True, eq=False)
class Spectrum:
    """Spectral irradiance with what is known of its quality. All arrays ``(n,)`` in W m⁻² nm⁻¹ unless said.

    Attributes:
        wavelength_nm: nm.
        irradiance: mean over the frames.
        u_own: shot and read noise, independent from pixel to pixel and spot to spot.
        u_dark: noise of the one dark, independent from pixel to pixel, shared by spots.
        u_shape: calibration from pixel to pixel, correlated within a band, shared by spots.
        u_stray: stray light, fully correlated, shared by spots.
        u_scale_relative: calibration as a whole, relative, shared.
        frames: the single frames, shape ``(k, n)``.
        integration_s: of one exposure.
        averages: exposures in each frame.
        peak_fraction: highest raw count of any good pixel, as a share of full scale.
        peak_nm: where it is.
        saturated_pixels: good pixels at or above :data:`SATURATION_FRACTION` of full scale in any frame.
    """

    wavelength_nm: FloatArray
    irradiance: FloatArray
    u_own: FloatArray
    u_dark: FloatArray
    u_shape: FloatArray
    u_stray: FloatArray
    u_scale_relative: float
    frames: FloatArray = field(repr=False)
    integration_s: float
    averages: int
    peak_fraction: float
    peak_nm: float
    saturated_pixels: int

    @property
    def saturated(self) -> bool:
        """Whether any good pixel saturated: then the spectrum is not to be used."""
        return self.saturated_pixels > 0


def spectral_irradiance(
    counts: FloatArray, integration_s: float, averages: int, dark: DarkModel, calibration: SpectralCalibration
) -> Spectrum:
    """Spectral irradiance from one or more captures at the same integration time.

    Args:
        counts: shape ``(n,)`` for one capture or ``(k, n)`` for several: raw counts, averaged over ``averages``.
        integration_s: of one exposure, seconds.
        averages: exposures in each capture.
        dark: covers ``integration_s``.
        calibration: of this instrument, ``n`` pixels.

    Returns:
        The spectrum; look at ``saturated`` before use. With two or more captures the noise is taken from their
        scatter (``k - 1`` degrees of freedom a pixel), else from gain and read noise of the calibration.

    Raises:
        MeasurementError: shapes that do not fit, counts that are not finite, no dark for this integration time.
    """
    raw = np.atleast_2d(np.asarray(counts, dtype=np.float64))
    n = calibration.wavelength_nm.size
    if raw.ndim != 2 or raw.shape[1] != n or raw.shape[0] < 1:
        raise MeasurementError(f"counts of shape {np.shape(counts)} do not fit {n} pixels", where="spectrometer")
    if not np.isfinite(raw).all():
        raise MeasurementError("counts that are not finite", where="spectrometer")
    if not integration_s > 0.0 or averages < 1:
        raise MeasurementError(f"{averages} exposures of {integration_s} s are none", where="spectrometer")
    good = np.ones(n, dtype=np.bool_) if calibration.bad_pixels is None else ~calibration.bad_pixels
    highest = raw.max(axis=0)
    peak = int(np.argmax(np.where(good, highest, -np.inf)))
    saturated = good & (highest >= SATURATION_FRACTION * calibration.full_scale_counts)

    at = dark.at(integration_s)
    net = raw - at.counts
    frames = raw.shape[0]
    if frames >= 2:
        variance = net.var(axis=0, ddof=1) / frames
    else:
        electrons = calibration.electrons_per_count
        shot = np.maximum(net[0], 0.0) / electrons if electrons else 0.0
        variance = (calibration.read_noise_counts**2 + shot) / averages + np.zeros(n)

    stray = 0.0
    if calibration.stray_band_nm is not None:
        low, high = calibration.stray_band_nm
        unlit = good & (calibration.wavelength_nm >= low) & (calibration.wavelength_nm <= high)
        if not unlit.any():
            raise MeasurementError(f"no good pixel between {low} and {high} nm to judge stray light from")
        stray = float(net[:, unlit].mean())
        net = net - stray
    to_irradiance = calibration.factor / integration_s
    gradient = np.ones(n)
    if calibration.nonlinearity:
        response = np.polynomial.polynomial.polyval(net, calibration.nonlinearity)
        if bool((response <= 0.0).any()):
            raise MeasurementError("the non-linearity polynomial gives no response", where="spectral calibration")
        net = net / response
        gradient = 1.0 / response.mean(axis=0)
    each = net * to_irradiance
    sigma = np.sqrt(variance) * np.abs(to_irradiance) * gradient
    u_dark = at.u * np.abs(to_irradiance) * gradient
    if not good.all():
        each, sigma, u_dark = _bridge(calibration.wavelength_nm, good, each, sigma, u_dark)
    irradiance = each.mean(axis=0)
    return Spectrum(
        wavelength_nm=calibration.wavelength_nm,
        irradiance=irradiance,
        u_own=sigma,
        u_dark=u_dark,
        u_shape=np.abs(irradiance) * calibration.u_shape_relative,
        u_stray=np.abs(stray * to_irradiance) / 3.0**0.5,
        u_scale_relative=calibration.u_scale_relative,
        frames=each,
        integration_s=integration_s,
        averages=averages,
        peak_fraction=float(highest[peak] / calibration.full_scale_counts),
        peak_nm=float(calibration.wavelength_nm[peak]),
        saturated_pixels=int(saturated.sum()),
    )


def _bridge(
    wavelength_nm: FloatArray, good: BoolArray, each: FloatArray, sigma: FloatArray, u_dark: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Bad pixels take the straight line between their good neighbours (a line that sits on one is lost)."""
    bad = ~good
    each = each.copy()
    for frame in each:
        frame[bad] = np.interp(wavelength_nm[bad], wavelength_nm[good], frame[good])
    sigma, u_dark = sigma.copy(), u_dark.copy()
    for u in (sigma, u_dark):
        u[bad] = np.interp(wavelength_nm[bad], wavelength_nm[good], u[good])
    return each, sigma, u_dark


@dataclass(frozen=True, slots=True, eq=False)
class _Parts:
    """All figures of a table for one spectrum, and what each cause does to them; arrays ``(9,)``.

    ``own`` and ``dark`` are variances, the rest signed changes by one standard uncertainty.
    """

    value: FloatArray
    own: FloatArray
    dof: FloatArray
    dark: FloatArray
    shape: FloatArray
    scale: FloatArray
    wavelength: FloatArray
    bandwidth: FloatArray
    stray: FloatArray


def _parts(spectrum: Spectrum, table: PhotonTable) -> _Parts:
    weights = table.weights
    if weights.shape[1] != spectrum.irradiance.size:
        raise MeasurementError("the integration table is for another wavelength scale")
    value = weights @ spectrum.irradiance
    own = table.squares @ spectrum.u_own**2
    dof = np.full(value.size, np.inf)
    frames = spectrum.frames.shape[0]
    if frames >= 3:
        scatter = (spectrum.frames @ weights.T).var(axis=0, ddof=1) / frames
        dof[scatter > own] = frames - 1
        own = np.maximum(own, scatter)
    return _Parts(
        value=value,
        own=own,
        dof=dof,
        dark=table.squares @ spectrum.u_dark**2,
        shape=weights @ spectrum.u_shape,
        scale=spectrum.u_scale_relative * value,
        wavelength=table.shift @ spectrum.irradiance,
        bandwidth=table.smear @ spectrum.irradiance,
        stray=weights @ spectrum.u_stray,
    )


def ppfd_terms(spectrum: Spectrum, table: PhotonTable) -> tuple[Term, ...]:
    """Budget of the PPFD of :func:`photon_bands`, by cause; empty if 400-700 nm is not covered."""
    if not table.covered[0]:
        return ()
    parts = _parts(spectrum, table)
    return (
        Term("noise", u_own=float(parts.own[0]) ** 0.5, dof=float(parts.dof[0])),
        Term("calibration", u_common=float(np.hypot(parts.scale[0], parts.shape[0]))),
        Term("dark", u_common=float(parts.dark[0]) ** 0.5),
        Term("wavelength scale", u_common=abs(float(parts.wavelength[0]))),
        Term("bandwidth", u_common=abs(float(parts.bandwidth[0]))),
        Term("stray light", u_common=abs(float(parts.stray[0]))),
    )


def photon_bands(spectrum: Spectrum, table: PhotonTable) -> PhotonBands:
    """Photon figures of a spectrum with their uncertainty.

    The noise of a figure is the larger of what the pixels' noise adds up to and, from three frames on, what the
    figure itself scatters by from frame to frame: flicker of the lamp moves all pixels at once.

    Args:
        spectrum: not saturated, or the figures mean nothing.
        table: made from the same wavelength scale.

    Returns:
        See :class:`PhotonBands`; a red to far-red ratio is None if the far-red is not clear of its noise.

    Raises:
        MeasurementError: a table for another number of pixels.
    """
    parts = _parts(spectrum, table)
    value, own, dof, dark, shape = parts.value, parts.own, parts.dof, parts.dark, parts.shape
    moved = np.stack((parts.wavelength, parts.bandwidth, parts.stray))
    common = np.sqrt(dark + shape**2 + parts.scale**2 + (moved**2).sum(axis=0))

    def figure(row: int) -> Estimate | None:
        if not table.covered[row]:
            return None
        return Estimate(float(value[row]), float(own[row] ** 0.5), float(common[row]), dof_own=float(dof[row]))

    def quotient(above: int, below: int) -> Estimate | None:
        if not (table.covered[above] and table.covered[below]):
            return None
        top, bottom = float(value[above]), float(value[below])
        if bottom <= 2.0 * float(own[below] + dark[below]) ** 0.5 or top <= 0.0:
            return None
        part_own = [float(own[row]) ** 0.5 / float(value[row]) for row in (above, below)]
        part_common = (
            float(dark[above]) / top**2 + float(dark[below]) / bottom**2
            + (float(shape[above]) / top) ** 2 + (float(shape[below]) / bottom) ** 2
            + float(((moved[:, above] / top - moved[:, below] / bottom) ** 2).sum())
        )  # fmt: skip
        size = top / bottom
        return Estimate(
            size,
            size * float(np.hypot(*part_own)),
            size * part_common**0.5,
            dof_own=welch_satterthwaite(zip(part_own, (float(dof[above]), float(dof[below])), strict=True)),
        )

    return PhotonBands(
        ppfd=figure(0),
        epar=figure(1),
        blue=figure(2),
        green=figure(3),
        red=figure(4),
        far_red=figure(5),
        par_irradiance_w_m2=figure(8),
        red_far_red_wide=quotient(4, 5),
        red_far_red_narrow=quotient(6, 7),
    )
