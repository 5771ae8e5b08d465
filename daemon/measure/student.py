"""Student's t distribution: probability, quantile, and the coverage factor made from it.

Own code, since this is the only part of a statistics library that the package needs. The probability comes from the
regularised incomplete beta function by its continued fraction (Abramowitz & Stegun 26.5.8 and 26.7.1, evaluated by
the modified Lentz method), the quantile by bisection on it: slow and sure, good to about ten digits.
"""

import functools
import math
from statistics import NormalDist
from typing import Final

from ...protocol.errors import MeasurementError

_NORMAL: Final = NormalDist()
#: Beyond so many degrees of freedom the logarithms of the gamma function cancel too far, and a normal variable serves:
#: Abramowitz & Stegun 26.7.8, with an error of the order of t⁶ / dof².
_NEARLY_NORMAL: Final = 1e6


def _beta_fraction(a: float, b: float, x: float) -> float:
    tiny = 1e-300
    c, d = 1.0, 1.0 - (a + b) * x / (a + 1.0)
    d = 1.0 / (d if abs(d) > tiny else tiny)
    result = d
    for m in range(1, 10000):
        for numerator in (
            m * (b - m) * x / ((a + 2 * m - 1.0) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1.0)),
        ):
            d = 1.0 + numerator * d
            d = 1.0 / (d if abs(d) > tiny else tiny)
            c = 1.0 + numerator / c
            c = c if abs(c) > tiny else tiny
            result *= d * c
        if abs(d * c - 1.0) < 1e-15:
            break
    return result


def _incomplete_beta(a: float, b: float, x: float) -> float:
    """Regularised incomplete beta function I_x(a, b)."""
    if x <= 0.0:
        return 0.0
    if x >= 1.0:
        return 1.0
    front = math.exp(math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x))
    if x < (a + 1.0) / (a + b + 2.0):
        return front * _beta_fraction(a, b, x) / a
    return 1.0 - front * _beta_fraction(b, a, 1.0 - x) / b


def t_tail(t: float, dof: float) -> float:
    """Probability that a t variable exceeds ``t`` in size, both tails: the p value of a two-sided test.

    Args:
        t: any number; its sign does not matter.
        dof: degrees of freedom, positive, not necessarily whole, may be infinite.
    """
    if not dof > 0.0:
        raise MeasurementError(f"{dof} degrees of freedom")
    if dof > _NEARLY_NORMAL:
        z = abs(t) if math.isinf(dof) else abs(t) * (1.0 - 0.25 / dof) / math.sqrt(1.0 + t * t / (2.0 * dof))
        return math.erfc(z / math.sqrt(2.0))
    return _incomplete_beta(dof / 2.0, 0.5, dof / (dof + t * t))


@functools.lru_cache(maxsize=4096)
def t_quantile(two_sided: float, dof: float) -> float:
    """The t that holds the share ``two_sided`` between -t and t (the table of JCGM 100, annex G).

    Raises:
        MeasurementError: a share outside (0, 1), or degrees of freedom that are not positive.
    """
    if not 0.0 < two_sided < 1.0:
        raise MeasurementError(f"a share of {two_sided} is no probability")
    if not dof > 0.0:
        raise MeasurementError(f"{dof} degrees of freedom")
    tail = 1.0 - two_sided
    if math.isinf(dof):
        return -_NORMAL.inv_cdf(tail / 2.0)
    low, high = 0.0, 1.0
    while t_tail(high, dof) > tail:
        low, high = high, high * 2.0
        if high > 1e300:
            raise MeasurementError(f"no quantile for {two_sided} at {dof} degrees of freedom")
    for _ in range(200):
        middle = (low + high) / 2.0
        if t_tail(middle, dof) > tail:
            low = middle
        else:
            high = middle
        if high - low <= 1e-12 * high:
            break
    return (low + high) / 2.0


def coverage_factor(dof: float, share: float = 0.95) -> float:
    """Coverage factor k for a coverage probability (JCGM 100, G.4.1 and G.6.4).

    Args:
        dof: effective degrees of freedom; a whole number below is used, as G.4.1 recommends, at least 1.
        share: coverage probability.
    """
    return t_quantile(share, max(1.0, math.floor(dof)) if dof < _NEARLY_NORMAL else math.inf)
