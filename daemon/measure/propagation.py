"""Propagation of uncertainty through any function: to first order with covariances, and the interval of draws.

For what the closed forms of estimate.py do not cover: results from several inputs that are correlated (JCGM 100,
5.2.2, equation 13, and clause 7.2.5 of its matrix form in H.2), and coverage intervals from Monte Carlo draws
(JCGM 101, 7.7).
"""

from collections.abc import Callable

import numpy as np

from ...protocol.errors import MeasurementError
from .arrays import FloatArray


def covariance_of_means(observations: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Means of inputs observed together, and the covariance matrix of these means (JCGM 100, 5.2.3, equation 17).

    Args:
        observations: shape ``(n, m)``: n simultaneous observations of m inputs, n at least 2.

    Returns:
        Means ``(m,)`` and covariance ``(m, m)``, with n - 1 degrees of freedom.
    """
    table = np.asarray(observations, dtype=np.float64)
    if table.ndim != 2 or table.shape[0] < 2:
        raise MeasurementError("covariances need at least two simultaneous observations")
    mean = table.mean(axis=0)
    off = table - mean
    return mean, off.T @ off / ((table.shape[0] - 1) * table.shape[0])


def propagated(
    function: Callable[[FloatArray], FloatArray], inputs: FloatArray, covariance: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Value and covariance matrix of the results of a function of correlated inputs, to first order.

    The sensitivities are central differences over one standard uncertainty of each input (JCGM 100, 5.1.3, note 2);
    an input known exactly takes no part.

    Args:
        function: from ``(m,)`` to ``(k,)``.
        inputs: shape ``(m,)``.
        covariance: shape ``(m, m)``.

    Returns:
        Results ``(k,)`` and their covariance ``(k, k)``.
    """
    point = np.asarray(inputs, dtype=np.float64)
    u = np.sqrt(np.diag(covariance))
    value = np.asarray(function(point), dtype=np.float64)
    jacobian = np.zeros((value.size, point.size))
    for j in np.flatnonzero(u > 0.0):
        step = np.zeros(point.size)
        step[j] = u[j]
        jacobian[:, j] = (function(point + step) - function(point - step)) / (2.0 * u[j])
    return value, jacobian @ covariance @ jacobian.T


def coverage_interval(draws: FloatArray, share: float = 0.95) -> tuple[float, float]:
    """Probabilistically symmetric coverage interval of Monte Carlo draws (JCGM 101, 7.7.2)."""
    tail = (1.0 - share) / 2.0
    low, high = np.quantile(draws, (tail, 1.0 - tail))
    return float(low), float(high)
