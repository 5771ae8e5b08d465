"""A figure with its uncertainty, split into what is its own and what it shares with its fellows.

The split is the whole point. Noise, placement and resolution of one reading are independent of the next: over ``n``
readings they average down by the root of ``n``. A calibration factor, the height of the sensor plane or a spectral
mismatch is the same in every reading of a test: no number of readings makes it smaller (JCGM 100:2008, 5.2.2, whose
example of ten resistors calibrated against one standard is a test of ours). A single combined number would have to
be treated one way or the other, and either is wrong.

What is shared is taken as fully correlated and of one sign. Where several shared causes are combined, means use the
mean of the combined shared parts: exact when the causes keep their proportions from reading to reading, else an
upper bound.

Degrees of freedom travel along (JCGM 100 G.4), infinite unless stated, so that a coverage factor can be had at the
end. Nothing here knows units: the caller keeps those.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from ...protocol.errors import MeasurementError


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with two standard uncertainties in the same unit.

    Attributes:
        value: the figure.
        u_own: standard uncertainty independent of that of its fellows.
        u_common: standard uncertainty shared with its fellows, fully correlated.
        dof_own: degrees of freedom of ``u_own``; infinite if known rather than found from scatter.
        dof_common: degrees of freedom of ``u_common``.
    """

    value: float
    u_own: float = 0.0
    u_common: float = 0.0
    dof_own: float = math.inf
    dof_common: float = math.inf

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            raise MeasurementError(f"a figure of {self.value} is no result")
        if not (0.0 <= self.u_own < math.inf and 0.0 <= self.u_common < math.inf):
            raise MeasurementError(f"uncertainties {self.u_own} and {self.u_common} must be finite, not negative")
        if not (self.dof_own > 0.0 and self.dof_common > 0.0):
            raise MeasurementError("degrees of freedom must be positive")

    @property
    def u(self) -> float:
        """Combined standard uncertainty (JCGM 100, equation 10)."""
        return math.hypot(self.u_own, self.u_common)

    @property
    def u_relative(self) -> float:
        """Combined standard uncertainty as a fraction of the value; infinite for a value of zero."""
        return self.u / abs(self.value) if self.value else math.inf

    @property
    def dof(self) -> float:
        """Effective degrees of freedom of :attr:`u` (JCGM 100, equation G.2b)."""
        return welch_satterthwaite(((self.u_own, self.dof_own), (self.u_common, self.dof_common)))

    def scaled(self, factor: float) -> "Estimate":
        """This estimate times an exact number."""
        size = abs(factor)
        return replace(self, value=self.value * factor, u_own=self.u_own * size, u_common=self.u_common * size)

    def widened(self, *, own: float = 0.0, common: float = 0.0) -> "Estimate":
        """The same value with further independent causes (standard uncertainties, known exactly) added."""
        return replace(
            self,
            u_own=math.hypot(self.u_own, own),
            u_common=math.hypot(self.u_common, common),
            dof_own=welch_satterthwaite(((self.u_own, self.dof_own), (own, math.inf))),
            dof_common=welch_satterthwaite(((self.u_common, self.dof_common), (common, math.inf))),
        )


def welch_satterthwaite(parts: Iterable[tuple[float, float]]) -> float:
    """Effective degrees of freedom of a sum of independent parts (JCGM 100, G.4.1, equation G.2b).

    Args:
        parts: pairs of standard uncertainty (already multiplied by its sensitivity) and degrees of freedom.

    Returns:
        The effective number, not truncated; infinite if every part that counts has infinitely many.
    """
    terms = [(u, dof) for u, dof in parts if u > 0.0]
    largest = max((u for u, _ in terms), default=0.0)
    total = sum((u / largest) ** 2 for u, _ in terms)  # scaled, so that a tiny uncertainty does not underflow
    below = sum((u / largest) ** 4 / dof for u, dof in terms)
    return total**2 / below if below > 0.0 else math.inf


def mean(estimates: Sequence[Estimate]) -> Estimate:
    """Plain mean: own parts average down, common parts do not (JCGM 100, 5.1.2 and 5.2.2).

    Raises:
        MeasurementError: nothing to average.
    """
    return weighted_mean(estimates, [1.0] * len(estimates))


def weighted_mean(estimates: Sequence[Estimate], weights: Sequence[float] | None = None) -> Estimate:
    """Mean with given weights, or with weights ``1 / u_own**2`` if none are given.

    Args:
        estimates: what to average, at least one.
        weights: not negative, not all zero; they are normalised. Without weights every ``u_own`` must be positive.

    Raises:
        MeasurementError: nothing to average, or weights that do not fit.
    """
    if not estimates:
        raise MeasurementError("nothing to average")
    if weights is None:
        if any(e.u_own == 0.0 for e in estimates):
            raise MeasurementError("weights from uncertainties need every uncertainty of its own to be positive")
        weights = [1.0 / e.u_own**2 for e in estimates]
    if len(weights) != len(estimates) or any(w < 0.0 for w in weights) or not math.fsum(weights) > 0.0:
        raise MeasurementError("weights must match the estimates, none negative, not all zero")
    total = math.fsum(weights)
    shares = [w / total for w in weights]
    pairs = list(zip(shares, estimates, strict=True))
    common = math.fsum(s * e.u_common for s, e in pairs)
    # Fully correlated parts come from the same few causes: the least certain of them governs.
    dof_common = min((e.dof_common for _, e in pairs if e.u_common > 0.0), default=math.inf)
    # Even weights: the sum over the number to the last digit, so that anybody can repeat it from the records.
    even = len(set(weights)) == 1
    return Estimate(
        value=math.fsum(e.value for e in estimates) / len(estimates)
        if even
        else math.fsum(s * e.value for s, e in pairs),
        u_own=math.sqrt(math.fsum((s * e.u_own) ** 2 for s, e in pairs)),
        u_common=common,
        dof_own=welch_satterthwaite((s * e.u_own, e.dof_own) for s, e in pairs),
        dof_common=dof_common,
    )


def ratio(numerator: Estimate, denominator: Estimate) -> Estimate:
    """``numerator / denominator`` of two figures that share their common part.

    A common relative factor cancels; only the difference of the relative common parts stays. Figures that share
    nothing are divided after their common parts have been moved to their own (:func:`alone`).

    Raises:
        MeasurementError: the denominator is zero.
    """
    if denominator.value == 0.0:
        raise MeasurementError("a ratio to zero")
    value = numerator.value / denominator.value
    own_above = numerator.u_own / abs(denominator.value)
    own_below = abs(value) * denominator.u_own / abs(denominator.value)
    common = abs(numerator.u_common - abs(value) * denominator.u_common) / abs(denominator.value)
    return Estimate(
        value=value,
        u_own=math.hypot(own_above, own_below),
        u_common=common,
        dof_own=welch_satterthwaite(((own_above, numerator.dof_own), (own_below, denominator.dof_own))),
        dof_common=min(numerator.dof_common, denominator.dof_common),
    )


def difference(first: Estimate, second: Estimate) -> Estimate:
    """``first - second`` of two figures that share their common part, which cancels as far as it is equal."""
    return Estimate(
        value=first.value - second.value,
        u_own=math.hypot(first.u_own, second.u_own),
        u_common=abs(first.u_common - second.u_common),
        dof_own=welch_satterthwaite(((first.u_own, first.dof_own), (second.u_own, second.dof_own))),
        dof_common=min(first.dof_common, second.dof_common),
    )


def alone(estimate: Estimate) -> Estimate:
    """The same figure seen by one that shares nothing with it: all its uncertainty becomes its own."""
    return Estimate(estimate.value, u_own=estimate.u, dof_own=estimate.dof)


def from_readings(values: Sequence[float], *, u_common: float = 0.0) -> Estimate:
    """Mean of repeated readings with the experimental standard deviation of the mean (JCGM 100, 4.2.3).

    Two passes, so that readings with a large common offset lose no digits (NIST StRD NumAcc3 and NumAcc4).

    Args:
        values: at least two readings.
        u_common: what they share, in the same unit.

    Raises:
        MeasurementError: fewer than two readings: scatter cannot be judged.
    """
    n = len(values)
    if n < 2:
        raise MeasurementError(f"{n} readings: scatter needs two")
    centre = math.fsum(values) / n
    return Estimate(
        value=centre,
        u_own=standard_deviation(values) / math.sqrt(n),
        u_common=u_common,
        dof_own=n - 1,
    )


def standard_deviation(values: Sequence[float]) -> float:
    """Experimental standard deviation, n - 1 in the denominator (JCGM 100, equation 4); at least two values."""
    n = len(values)
    if n < 2:
        raise MeasurementError(f"{n} values: scatter needs two")
    centre = math.fsum(values) / n
    residuals = [v - centre for v in values]
    # The rounding of the centre is taken out by the second term (corrected two-pass algorithm, common knowledge).
    return math.sqrt(max(0.0, math.fsum(r * r for r in residuals) - math.fsum(residuals) ** 2 / n) / (n - 1))


def autocorrelation(values: Sequence[float]) -> float:
    """Lag-1 autocorrelation coefficient, as the NIST Statistical Reference Datasets define it.

    The sum of products of neighbouring departures from the mean over the sum of squared departures; zero if all
    values are equal. At least two values.
    """
    if len(values) < 2:
        raise MeasurementError(f"{len(values)} values: correlation needs two")
    centre = math.fsum(values) / len(values)
    off = [v - centre for v in values]
    square = math.fsum(r * r for r in off)
    return math.fsum(a * b for a, b in pairwise(off)) / square if square > 0.0 else 0.0
