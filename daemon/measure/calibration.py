"""Calibration of the spectrometer and of the quantum sensor from what was measured.

Owns the fits: pixel positions of emission lines, the wavelength polynomial through them, irradiance factors from the
table of a standard lamp, the factor of one quantum sensor against another. Each comes with residuals and uncertainty,
so that a bad line or a wrong table shows. Writes nothing down: the caller keeps calibrations.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from ...protocol.errors import MeasurementError
from .arrays import ArrayLike, BoolArray, FloatArray, vector
from .estimate import Estimate, from_readings

#: Emission lines in air, nm. Hg: Sansonetti, Salit & Reader, Appl. Opt. 35, 74 (1996), u 0.0001 nm; 253.7 and 365.0
#: from memory. Ar I: NIST Atomic Spectra Database; 696.5, 706.7 and 738.4 from memory. The sodium lines are not here:
#: in the lamps of this bench they are broad and self-reversed.
EMISSION_LINES_NM: Final[Mapping[str, tuple[float, ...]]] = {
    "Hg": (
        253.6521, 289.3601, 296.7283, 302.1504, 313.1555, 313.1844, 334.1484, 365.0158, 404.6565, 407.7837,
        434.7506, 435.8335, 546.0750, 576.9610, 579.0670,
    ),
    "Ar": (
        696.5431, 706.7218, 738.3980, 750.3869, 751.4652, 763.5106, 772.3761, 772.4207, 794.8176, 800.6157,
        801.4786, 810.3693, 811.5311, 826.4522, 842.4648,
    ),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Peak:
    """An emission line on the pixels: centre and its standard uncertainty, width at half height, height above ground.

    Pixels count from 0, fractions allowed; ``height`` in counts.
    """

    pixel: float
    u_pixel: float
    width_pixels: float
    height: float


def fit_peak(counts: ArrayLike, near_pixel: float, *, half_window: int = 8) -> Peak:
    """Fit a Gaussian on a level ground to the highest line near a pixel (Gauss-Newton, damped).

    Args:
        counts: shape ``(n,)``, dark-corrected or not.
        near_pixel: where to look.
        half_window: pixels on either side of the highest one that take part; at least 4.

    Raises:
        MeasurementError: no line there, or none that a Gaussian follows.
    """
    spectrum = vector(counts, "counts")
    if half_window < 4:
        raise MeasurementError("a line needs at least four pixels on either side", where="wavelength calibration")
    start = max(0, round(near_pixel) - half_window)
    stop = min(spectrum.size, round(near_pixel) + half_window + 1)
    where = f"near pixel {near_pixel:.0f}"
    if stop - start < 5:
        raise MeasurementError("the line is off the detector", where=where)
    top = start + int(np.argmax(spectrum[start:stop]))
    first, last = max(0, top - half_window), min(spectrum.size, top + half_window + 1)
    x, y = np.arange(first, last, dtype=np.float64), spectrum[first:last]
    ground = float(np.percentile(y, 20.0))
    height = float(spectrum[top]) - ground
    if not height > 0.0 or not first + 1 < top < last - 2:
        raise MeasurementError("no line there", where=where)
    half = y > ground + height / 2.0
    guess = np.array([top, max(float(half.sum()), 1.5) / 2.3548, height, ground])
    try:
        guess, normal, squares = _gauss_newton(x, y, guess)
        noise = squares / (x.size - 4)
        covariance = np.linalg.inv(normal) * noise
    except np.linalg.LinAlgError:
        raise MeasurementError("no line there that a Gaussian follows", where=where) from None
    centre, sigma, height = float(guess[0]), abs(float(guess[1])), float(guess[2])
    # One high pixel is a spike, not a line: any slit is imaged on more than one.
    line = 0.5 <= sigma <= half_window and height > 5.0 * noise**0.5
    if not (first <= centre <= last - 1 and line):
        raise MeasurementError("no line there that a Gaussian follows", where=where)
    return Peak(centre, float(covariance[0, 0]) ** 0.5, 2.3548 * sigma, height)


def _gauss_newton(x: FloatArray, y: FloatArray, guess: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Least squares of centre, sigma, height, ground; parameters, normal matrix, sum of squares."""
    damping = 1e-3

    def model(p: FloatArray) -> tuple[FloatArray, FloatArray]:
        z = (x - p[0]) / p[1]
        bell = np.exp(-0.5 * z * z)
        slopes = np.stack((p[2] * bell * z / p[1], p[2] * bell * z * z / p[1], bell, np.ones_like(x)), axis=1)
        return y - p[2] * bell - p[3], slopes

    residual, slopes = model(guess)
    squares = float(residual @ residual)
    for _ in range(100):
        normal = slopes.T @ slopes
        step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), slopes.T @ residual)
        trial = guess + step
        trial[1] = max(abs(trial[1]), 0.2)
        tried, tried_slopes = model(trial)
        after = float(tried @ tried)
        if after <= squares:
            done = squares - after <= 1e-12 * squares
            guess, residual, slopes, squares, damping = trial, tried, tried_slopes, after, damping / 5.0
            if done:
                break
        else:
            damping *= 10.0
            if damping > 1e8:
                break
    return guess, slopes.T @ slopes, squares


@dataclass(frozen=True, slots=True)
class WavelengthFit:
    """A wavelength polynomial and how well the lines lie on it.

    Attributes:
        coefficients: ``c0, c1, …``: nm = c0 + c1 p + c2 p² + …, pixels from 0.
        lines_nm: lines used, rising.
        residuals_nm: fitted less published, one for each.
        left_out_nm: lines not used: blended, not found, or far off the others.
        deviation_nm: standard deviation of the residuals about the fit.
        u_nm: standard uncertainty of the scale within the lines' range: the largest that the fit has there.
        dof: degrees of freedom.
    """

    coefficients: tuple[float, ...]
    lines_nm: tuple[float, ...]
    residuals_nm: tuple[float, ...]
    left_out_nm: tuple[float, ...]
    deviation_nm: float
    u_nm: float
    dof: int

    def wavelengths_nm(self, pixel_count: int) -> FloatArray:
        """The scale over all pixels, shape ``(pixel_count,)``."""
        pixels = np.arange(pixel_count, dtype=np.float64)
        return np.asarray(np.polynomial.polynomial.polyval(pixels, self.coefficients))


def fit_wavelengths(pixels: ArrayLike, lines_nm: ArrayLike, *, order: int = 3, far_off: float = 5.0) -> WavelengthFit:
    """Wavelength polynomial through lines at known pixels.

    A line that lies further than ``far_off`` standard deviations from the fit through the others (a wrong match, a
    second order) is left out, the worst first, as long as enough lines remain.

    Args:
        pixels: shape ``(k,)``.
        lines_nm: shape ``(k,)``.
        order: of the polynomial; a plane grating on a flat detector wants three.
        far_off: see above.

    Raises:
        MeasurementError: fewer lines than order + 2, or a scale that does not rise.
    """
    where = "wavelength calibration"
    p, lines = vector(pixels, "pixels"), vector(lines_nm, "lines", size=np.size(pixels))
    order_of = np.argsort(lines)
    p, lines = p[order_of], lines[order_of]
    used: BoolArray = np.ones(p.size, dtype=np.bool_)
    if p.size < order + 2:
        raise MeasurementError(
            f"too few lines: {p.size} found, a polynomial of order {order} needs {order + 2}", where=where
        )
    middle, half = (p.max() + p.min()) / 2.0, max((p.max() - p.min()) / 2.0, 1.0)
    design = np.vander((p - middle) / half, order + 1, increasing=True)
    while True:
        kept = design[used]
        if np.linalg.matrix_rank(kept) < order + 1:
            raise MeasurementError("the lines lie too close together for this order", where=where)
        solution = np.linalg.lstsq(kept, lines[used], rcond=None)[0]
        residual = kept @ solution - lines[used]
        dof = int(used.sum()) - order - 1
        if dof < 2:
            break
        q, _ = np.linalg.qr(kept)
        free = np.maximum(1.0 - (q**2).sum(axis=1), 1e-9)
        rest = np.maximum(float(residual @ residual) - residual**2 / free, 1e-12) / (dof - 1)
        size = np.abs(residual) / np.sqrt(rest * free)
        worst = int(np.argmax(size))
        if size[worst] <= far_off or dof < 3:
            break
        used[np.flatnonzero(used)[worst]] = False
    deviation = math.sqrt(float(residual @ residual) / dof)
    inverse = np.linalg.inv(kept.T @ kept)
    within = np.vander(np.linspace(-1.0, 1.0, 201), order + 1, increasing=True)
    u_fit = deviation * math.sqrt(float(np.einsum("ij,jk,ik->i", within, inverse, within).max()))
    scaled = np.polynomial.Polynomial(solution, domain=[middle - half, middle + half], window=[-1.0, 1.0])
    coefficients = tuple(float(c) for c in scaled.convert(domain=[-1.0, 1.0]).coef)
    ends = np.linspace(p.min(), p.max(), 501)
    if not bool((np.diff(np.polynomial.polynomial.polyval(ends, coefficients)) > 0.0).all()):
        raise MeasurementError("the fitted wavelengths do not rise with the pixel", where=where)
    return WavelengthFit(
        coefficients + (0.0,) * (order + 1 - len(coefficients)),
        tuple(float(v) for v in lines[used]),
        tuple(float(v) for v in residual),
        tuple(float(v) for v in lines[~used]),
        deviation,
        u_fit,
        dof,
    )


def calibrate_wavelengths(
    counts: ArrayLike,
    guess_nm: ArrayLike,
    lines_nm: Sequence[float],
    *,
    order: int = 3,
    search_nm: float = 3.0,
    half_window: int = 8,
) -> WavelengthFit:
    """Find lines on a spectrum whose scale is roughly known, and fit the scale anew.

    Lines closer to a neighbour than twice ``search_nm`` are blends or could be mistaken, and are left out; so are
    those that are not found.

    Args:
        counts: shape ``(n,)``: spectrum of a line lamp, not saturated.
        guess_nm: shape ``(n,)``: present scale, right to ``search_nm``.
        lines_nm: published lines, see :data:`EMISSION_LINES_NM`.
        order: of the polynomial.
        search_nm: how far a line may lie from where the guess puts it.
        half_window: see :func:`fit_peak`.
    """
    spectrum = vector(counts, "counts")
    guess = vector(guess_nm, "wavelengths", size=spectrum.size)
    lines = sorted(lines_nm)
    pixels, found, left_out = [], [], []
    index = np.arange(guess.size, dtype=np.float64)
    noise = float(np.median(np.abs(np.diff(spectrum)))) / 0.6745 / 2.0**0.5
    for i, line in enumerate(lines):
        near = [abs(line - other) for j, other in enumerate(lines) if j != i]
        if not guess[0] <= line <= guess[-1] or min(near, default=math.inf) < 2.0 * search_nm:
            left_out.append(line)
            continue
        pixel = float(np.interp(line, guess, index))
        try:
            peak = fit_peak(spectrum, pixel, half_window=half_window)
        except MeasurementError:
            left_out.append(line)
            continue
        if abs(float(np.interp(peak.pixel, index, guess)) - line) > search_nm or peak.height < 10.0 * noise:
            left_out.append(line)
        else:
            pixels.append(peak.pixel)
            found.append(line)
    fit = fit_wavelengths(pixels, found, order=order)
    return WavelengthFit(
        fit.coefficients,
        fit.lines_nm,
        fit.residuals_nm,
        tuple(sorted((*fit.left_out_nm, *left_out))),
        fit.deviation_nm,
        fit.u_nm,
        fit.dof,
    )


def second_orders(lines_nm: Sequence[float], low_nm: float, high_nm: float) -> tuple[float, ...]:
    """Where the second order of lines falls on the detector: a line there is no witness without a blocking filter."""
    return tuple(2.0 * line for line in lines_nm if low_nm <= 2.0 * line <= high_nm)


def interpolate_standard(table_nm: ArrayLike, table_irradiance: ArrayLike, wavelength_nm: ArrayLike) -> FloatArray:
    """Irradiance of an incandescent standard between the wavelengths of its certificate.

    ``ln(E λ⁵)`` against ``1/λ`` is a straight line for a black body in Wien's approximation, so it is that which is
    interpolated linearly: a table in steps of 20 nm then serves to 0.01 % (common practice; the tests check it
    against Planck's law).

    Args:
        table_nm: shape ``(k,)``, rising, nm.
        table_irradiance: shape ``(k,)``, above zero; the unit is kept.
        wavelength_nm: shape ``(n,)``, nm.

    Returns:
        Shape ``(n,)``; NaN outside the table.
    """
    nm = vector(table_nm, "table wavelengths")
    irradiance = vector(table_irradiance, "table irradiance", size=nm.size)
    wanted = vector(wavelength_nm, "wavelengths")
    if nm.size < 2 or bool((np.diff(nm) <= 0.0).any()) or bool((irradiance <= 0.0).any()):
        raise MeasurementError(
            "a table of at least two rising wavelengths, irradiance above zero", where="standard lamp"
        )
    straight = np.log(irradiance * nm**5)
    inverse = 1.0 / nm
    result = np.exp(np.interp(1.0 / wanted, inverse[::-1], straight[::-1])) / wanted**5
    result[(wanted < nm[0]) | (wanted > nm[-1])] = np.nan
    return np.asarray(result)


@dataclass(frozen=True, slots=True, eq=False)
class IrradianceFactors:
    """Irradiance per count rate, W m⁻² nm⁻¹ per (count/s), with relative standard uncertainties.

    ``usable`` is False where the table does not reach or there is too little signal; the factor is 0 there. Arrays
    ``(n,)``. ``u_shape_relative`` is the noise of the calibration itself and the certificate's spread from wavelength
    to wavelength, ``u_scale_relative`` the certificate's common part and the distance.
    """

    factor: FloatArray
    usable: BoolArray
    u_shape_relative: FloatArray
    u_scale_relative: float


def irradiance_factors(
    rate: ArrayLike,
    u_rate: ArrayLike,
    wavelength_nm: ArrayLike,
    table_nm: ArrayLike,
    table_irradiance: ArrayLike,
    *,
    u_certificate_relative: float,
    u_certificate_shape_relative: float = 0.0,
    u_distance_relative: float = 0.0,
    least_signal: float = 20.0,
) -> IrradianceFactors:
    """Irradiance factors from a standard lamp.

    Args:
        rate: dark-corrected count rate under the lamp, shape ``(n,)``, count/s.
        u_rate: its standard uncertainty, same shape.
        wavelength_nm: shape ``(n,)``.
        table_nm: the certificate's wavelengths.
        table_irradiance: and irradiance at the distance used, W m⁻² nm⁻¹.
        u_certificate_relative: relative standard uncertainty common to the table (half the expanded one of k = 2).
        u_certificate_shape_relative: its spread from wavelength to wavelength.
        u_distance_relative: of the distance; the irradiance goes with its square.
        least_signal: rate over its uncertainty below which a pixel is not usable.
    """
    wavelength = vector(wavelength_nm, "wavelengths")
    counts = vector(rate, "count rate", size=wavelength.size)
    u_counts = vector(u_rate, "uncertainty of the count rate", size=wavelength.size)
    truth = interpolate_standard(table_nm, table_irradiance, wavelength)
    usable: BoolArray = np.isfinite(truth) & (counts > least_signal * u_counts) & (counts > 0.0)
    if not usable.any():
        raise MeasurementError("no pixel has enough signal under the standard lamp", where="irradiance calibration")
    safe = np.where(usable, counts, 1.0)
    return IrradianceFactors(
        factor=np.where(usable, truth / safe, 0.0),
        usable=usable,
        u_shape_relative=np.where(usable, np.hypot(u_counts / safe, u_certificate_shape_relative), 0.0),
        u_scale_relative=math.hypot(u_certificate_relative, 2.0 * u_distance_relative),
    )


def quantum_factor(sensor: Sequence[float], reference: Sequence[float], *, u_reference_relative: float) -> Estimate:
    """Factor of a quantum sensor against another read side by side under the same light: reference over sensor.

    Args:
        sensor: readings of the sensor with its present factor, at least two, above zero.
        reference: readings of the other at the same moments.
        u_reference_relative: relative standard uncertainty of the reference's own calibration.

    Returns:
        What the sensor's readings are to be multiplied by; own part from the scatter of the ratios, common part from
        the reference. Holds for this light: under another spectrum the mismatch of both sensors comes in.

    Raises:
        MeasurementError: different numbers, fewer than two, or readings not above zero.
    """
    if len(sensor) != len(reference) or min((*sensor, *reference), default=0.0) <= 0.0:
        raise MeasurementError("readings in pairs, all above zero, are needed", where="sensor calibration")
    mean = from_readings([r / s for s, r in zip(sensor, reference, strict=True)])
    return Estimate(mean.value, mean.u_own, mean.value * u_reference_relative, mean.dof_own)
