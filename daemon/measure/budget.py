"""Causes of uncertainty, one line each, and how they add up.

A :class:`Term` is one line of the budget of one reading: what the cause is, and how much of it is the reading's own
and how much is shared with its fellows. The functions make terms from what a certificate, a data sheet or a
carpenter's rule says; all divide by what their distribution asks for (JCGM 100, 4.3.7 and 4.3.9).
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from ...protocol.errors import MeasurementError
from .estimate import Estimate, autocorrelation, standard_deviation, welch_satterthwaite


@dataclass(frozen=True, slots=True)
class Term:
    """One cause of uncertainty of one figure, as standard uncertainties in the figure's unit.

    ``dof`` are the degrees of freedom of whichever part is not zero (infinite: known).
    """

    cause: str
    u_own: float = 0.0
    u_common: float = 0.0
    dof: float = math.inf


def combined(value: float, terms: Iterable[Term]) -> Estimate:
    """The estimate that a value and its budget make (JCGM 100, 5.1.2 and G.4.1)."""
    lines = list(terms)
    return Estimate(
        value,
        u_own=math.sqrt(math.fsum(t.u_own**2 for t in lines)),
        u_common=math.sqrt(math.fsum(t.u_common**2 for t in lines)),
        dof_own=welch_satterthwaite((t.u_own, t.dof) for t in lines),
        dof_common=welch_satterthwaite((t.u_common, t.dof) for t in lines),
    )


def noise(values: Sequence[float]) -> Term:
    """Scatter of the readings of one window: experimental standard deviation of their mean (JCGM 100, 4.2.3).

    Readings that follow one another closely resemble each other, and then the plain formula says too little (JCGM 100,
    4.2.7): so their lag-1 autocorrelation r is estimated, its bias of some -(1 + 4 r) / n taken out (Marriott & Pope
    1954, Biometrika 41, 390; from memory), and n readings count as n (1 - r) / (1 + r) (for a first-order process;
    Zhang 2006, Metrologia 43, S276; from memory). With fewer than eight readings r cannot be told, and they count as
    independent. Degrees of freedom stay n - 1: fewer would double the interval for an r that is hardly known.

    Args:
        values: in order of time, at least two.
    """
    n = len(values)
    if n < 2:
        raise MeasurementError(f"{n} readings: scatter needs two")
    r = (autocorrelation(values) + 1.0 / n) / (1.0 - 4.0 / n) if n >= 8 else 0.0
    r = min(max(r, 0.0), 0.9)
    count = max(2.0, n * (1.0 - r) / (1.0 + r))
    return Term("noise", u_own=standard_deviation(values) / math.sqrt(count), dof=n - 1)


def resolution(step: float) -> Term:
    """Rounding to a step of the display or of the wire: rectangular, half a step either way (JCGM 100, F.2.2.1)."""
    return Term("resolution", u_own=step / math.sqrt(12.0))


def calibration(value: float, u_relative: float, dof: float = math.inf) -> Term:
    """Calibration factor of the instrument: shared by everything it reads."""
    return Term("calibration", u_common=abs(value) * u_relative, dof=dof)


def height(value: float, height_mm: float, u_height_mm: float, exponent: float = 2.0) -> Term:
    """Height of the sensor plane under the lamp: shared by the test, new for each hanging.

    Args:
        value: the reading.
        height_mm: distance from lamp to plane.
        u_height_mm: its standard uncertainty.
        exponent: how the light falls with distance: 2 for a small source (inverse square law), less under a
            reflector that collects.
    """
    if not height_mm > 0.0:
        raise MeasurementError("the height of a lamp over its grid is positive", where="height")
    return Term("height", u_common=abs(value) * exponent * u_height_mm / height_mm)


def placement(gradient_per_mm: float, u_placement_mm: float) -> Term:
    """Where in its spot the sensor was put: own, by how much the light changes per millimetre there.

    ``gradient_per_mm`` is the length of the light's gradient in the plane, in the reading's unit per mm;
    (:func:`.surface.gradients` finds it from the grid that was read); ``u_placement_mm`` holds for each direction.
    """
    return Term("placement", u_own=abs(gradient_per_mm) * u_placement_mm)


def levelling(value: float, incidence_deg: float, u_tilt_deg: float) -> Term:
    """How level the sensor stood at its spot: own, ``d cos(theta) / cos(theta) = tan(theta) d theta``.

    ``incidence_deg`` is the angle from the vertical at which the light comes, ``u_tilt_deg`` the standard uncertainty
    of the sensor's tilt towards the lamp.
    """
    tilt = math.radians(u_tilt_deg)
    return Term("levelling", u_own=abs(value) * math.tan(math.radians(incidence_deg)) * tilt)


def directional(value: float, u_relative: float) -> Term:
    """Error of the sensor's cosine response: a function of where the light comes from, so shared by the test."""
    return Term("cosine response", u_common=abs(value) * u_relative)


def spectral_mismatch(value: float, u_relative: float) -> Term:
    """What is left of the sensor's spectral mismatch under this lamp: shared by the test, not by other lamps."""
    return Term("spectral mismatch", u_common=abs(value) * u_relative)


def averaged(budgets: Sequence[Sequence[Term]], weights: Sequence[float]) -> tuple[Term, ...]:
    """Budget of a weighted mean, by cause: own parts in quadrature, common parts linearly, in order of size.

    Args:
        budgets: one list of terms for each reading.
        weights: adding up to 1.
    """
    causes = list(dict.fromkeys(t.cause for lines in budgets for t in lines))
    merged = []
    for cause in causes:
        own, common, dof_parts, least_dof = 0.0, 0.0, [], math.inf
        for share, lines in zip(weights, budgets, strict=True):
            for term in (t for t in lines if t.cause == cause):
                own += (share * term.u_own) ** 2
                common += share * term.u_common
                dof_parts.append((share * term.u_own, term.dof))
                least_dof = min(least_dof, term.dof)
        dof = welch_satterthwaite(dof_parts) if common == 0.0 else least_dof
        merged.append(Term(cause, math.sqrt(own), common, dof))
    return tuple(sorted(merged, key=lambda t: -math.hypot(t.u_own, t.u_common)))
