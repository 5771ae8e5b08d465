"""How far a quantum sensor is from the ideal one: spectral response and cosine response.

An ideal quantum sensor counts every photon between 400 and 700 nm alike, from whatever direction, by the cosine of its
incidence. A real one was made right, by its calibration factor, for one light from above. Under another lamp it is off
by the *spectral mismatch*: the mean of its response over that lamp's photons against the same over the calibration
light's (the same form as the spectral mismatch correction of photometers, CIE 231 and ISO/CIE 19476, from memory, with
photons in place of lumens). And light that comes from the side is weighted by its actual angular response.
"""

import math

import numpy as np

from ...protocol.errors import MeasurementError
from .arrays import ArrayLike, FloatArray, vector
from .estimate import Estimate
from .photons import PPFD, band_weights
from .propagation import propagated


def spectral_mismatch_factor(
    response_nm: ArrayLike,
    response: ArrayLike,
    lamp_nm: ArrayLike,
    lamp: ArrayLike,
    calibration_nm: ArrayLike,
    calibration: ArrayLike,
    *,
    u_response: ArrayLike | float = 0.0,
) -> Estimate:
    """Reading over truth under a lamp, for a sensor calibrated under another light.

    Args:
        response_nm: shape ``(k,)``, rising, nm; the response is taken as zero outside.
        response: per photon, any scale, shape ``(k,)``.
        lamp_nm: shape ``(n,)``, must cover 400-700 nm and should cover the response.
        lamp: spectral irradiance of the lamp, any scale.
        calibration_nm: the same of the calibration light.
        calibration: see ``lamp``.
        u_response: standard uncertainty of each value of the response, independent of one another, same scale.

    Returns:
        Divide a reading by it. All its uncertainty is common to a lamp's readings.

    Raises:
        MeasurementError: a spectrum that does not cover 400-700 nm, or no light or response in it.
    """
    nm = vector(response_nm, "response wavelengths")
    shape = vector(response, "response", size=nm.size)
    u = np.broadcast_to(np.asarray(u_response, dtype=np.float64), nm.shape)
    under_lamp = _mean_response(nm, lamp_nm, lamp)
    under_calibration = _mean_response(nm, calibration_nm, calibration)

    def factor(values: FloatArray) -> FloatArray:
        below = float(under_calibration @ values)
        if not below > 0.0:
            raise MeasurementError("the sensor does not respond to its calibration light", where="spectral mismatch")
        return np.array([under_lamp @ values / below])

    value, covariance = propagated(factor, shape, np.diag(u**2))
    return Estimate(float(value[0]), u_common=math.sqrt(float(covariance[0, 0])))


def _mean_response(response_nm: FloatArray, light_nm: ArrayLike, light: ArrayLike) -> FloatArray:
    """Weights ``(k,)``: dot them with a response for its photons over those of 400-700 nm.

    Light and response are joined on all wavelengths of both, each interpolated linearly.
    """
    nm = vector(light_nm, "wavelengths")
    spectral = vector(light, "spectrum", size=nm.size)
    par = band_weights(nm, PPFD.low_nm, PPFD.high_nm)
    photons = 0.0 if par is None else float(par @ spectral)
    if not photons > 0.0:
        raise MeasurementError("the spectrum must cover 400-700 nm and hold light there", where="spectral mismatch")
    low, high = max(nm[0], response_nm[0]), min(nm[-1], response_nm[-1])
    nodes = np.unique(np.concatenate((nm, response_nm)))
    nodes = nodes[(nodes >= low) & (nodes <= high)]
    weights = band_weights(nodes, float(nodes[0]), float(nodes[-1]))
    if weights is None:
        raise MeasurementError("spectrum and response do not meet", where="spectral mismatch")
    at_nodes = weights * np.interp(nodes, nm, spectral) / photons
    right = np.clip(np.searchsorted(response_nm, nodes), 1, response_nm.size - 1)
    share = (nodes - response_nm[right - 1]) / (response_nm[right] - response_nm[right - 1])
    result = np.zeros_like(response_nm)
    np.add.at(result, right - 1, at_nodes * (1.0 - share))
    np.add.at(result, right, at_nodes * share)
    return result


def incidence_deg(x_mm: float, y_mm: float, height_mm: float) -> float:
    """Angle from the vertical at which a small lamp over the origin lights a spot, degrees."""
    return math.degrees(math.atan2(math.hypot(x_mm, y_mm), height_mm))


def directional_factor(angle_deg: float, table_deg: ArrayLike, response: ArrayLike) -> float:
    """Reading over truth for light from one direction, from a table of the sensor's response over the cosine.

    Args:
        angle_deg: incidence from the vertical.
        table_deg: shape ``(k,)``, rising from 0.
        response: response over that of an ideal sensor, 1 at 0 degrees, shape ``(k,)``.

    Raises:
        MeasurementError: an angle beyond the table.
    """
    degrees = vector(table_deg, "angles")
    values = vector(response, "directional response", size=degrees.size)
    if not degrees[0] <= angle_deg <= degrees[-1]:
        raise MeasurementError(f"the directional response is not known at {angle_deg:.0f} degrees", where="sensor")
    return float(np.interp(angle_deg, degrees, values))
