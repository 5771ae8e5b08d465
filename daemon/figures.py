"""From estimates and samples to the quantities of a record. Pure; knows units, not instruments."""

import math
from collections.abc import Callable, Sequence

from ..drivers.roles import AirSample, SupplySample
from ..protocol import units
from ..protocol.quantity import Quantity
from ..protocol.records import BudgetLine, PhotonFigures, SpotAir, Supply
from .measure.budget import Term
from .measure.estimate import Estimate
from .measure.photons import PhotonBands


def quantity(estimate: Estimate | None, unit: str, *, reason: str = "not measured") -> Quantity:
    """An estimate as it stands in a record, or null with a reason."""
    if estimate is None:
        return Quantity.missing(unit, reason)
    return Quantity(value=estimate.value, unit=unit, u_own=estimate.u_own, u_common=estimate.u_common)


def mean_quantity(
    values: Sequence[float | None], unit: str, *, u_relative: float | None = None, reason: str = "not measured"
) -> Quantity:
    """Mean of what was read; ``u_own`` from the scatter where there are two or more values.

    Args:
        values: None where the instrument offered nothing.
        unit: UCUM.
        u_relative: standard uncertainty of the calibration, relative; None where it is not known.
        reason: for the case that there is no value.
    """
    known = [value for value in values if value is not None]
    if not known:
        return Quantity.missing(unit, reason)
    mean = math.fsum(known) / len(known)
    u_own = None
    if len(known) > 1:
        u_own = math.sqrt(math.fsum((value - mean) ** 2 for value in known) / (len(known) - 1) / len(known))
    u_common = None if u_relative is None else abs(mean) * u_relative
    return Quantity(value=mean, unit=unit, u_own=u_own, u_common=u_common)


def supply_means(samples: Sequence[SupplySample], u_relative: float | None, reason: str) -> Supply:
    """Means over a span; ``u_relative`` is of voltage, current and power, which a certificate states."""
    return _supply(samples, u_relative, reason, lambda values: values)


def supply_extremes(samples: Sequence[SupplySample], u_relative: float | None, reason: str) -> tuple[Supply, Supply]:
    """Lowest and highest single reading of each figure over a span: a dip that a mean hides."""
    lowest = _supply(samples, u_relative, reason, lambda values: sorted(values)[:1])
    highest = _supply(samples, u_relative, reason, lambda values: sorted(values)[-1:])
    return lowest, highest


def _supply(
    samples: Sequence[SupplySample],
    u_relative: float | None,
    reason: str,
    chosen: Callable[[list[float]], list[float]],
) -> Supply:
    def mean(values: Sequence[float | None], unit: str, u: float | None = u_relative) -> Quantity:
        known = chosen([value for value in values if value is not None])
        return mean_quantity(known, unit, u_relative=u, reason=reason)

    return Supply(
        voltage=mean([s.voltage_v for s in samples], units.VOLT),
        current=mean([s.current_a for s in samples], units.AMPERE),
        power=mean([s.power_w for s in samples], units.WATT),
        power_factor=mean([s.power_factor for s in samples], units.ONE, None),
        frequency=mean([s.frequency_hz for s in samples], units.HERTZ, None),
    )


def air_quantities(samples: Sequence[AirSample], reason: str) -> tuple[Quantity, Quantity, Quantity]:
    """Temperature, humidity, pressure: means over a span."""
    return (
        mean_quantity([s.temperature_c for s in samples], units.CELSIUS, reason=reason),
        mean_quantity([s.humidity_percent for s in samples], units.PERCENT, reason=reason),
        mean_quantity([s.pressure_hpa for s in samples], units.HECTOPASCAL, reason=reason),
    )


def spot_air(inside: Sequence[AirSample], outside: Sequence[AirSample], inside_why: str, outside_why: str) -> SpotAir:
    """Air at both places."""
    i = air_quantities(inside, inside_why)
    o = air_quantities(outside, outside_why)
    return SpotAir(
        inside_temperature=i[0],
        inside_humidity=i[1],
        inside_pressure=i[2],
        outside_temperature=o[0],
        outside_humidity=o[1],
        outside_pressure=o[2],
    )


def photon_figures(bands: PhotonBands) -> PhotonFigures:
    """The photon figures of a spectrum."""

    def flux(estimate: Estimate | None) -> Quantity:
        return quantity(estimate, units.PPFD, reason="the spectrometer does not cover this band")

    return PhotonFigures(
        ppfd=flux(bands.ppfd),
        epar=flux(bands.epar),
        blue=flux(bands.blue),
        green=flux(bands.green),
        red=flux(bands.red),
        far_red=flux(bands.far_red),
        red_to_far_red=quantity(bands.red_far_red_narrow, units.ONE, reason="no far-red clear of the noise"),
    )


def mean_of_quantities(quantities: Sequence[Quantity], unit: str) -> Quantity:
    """Mean over spots: own parts average down, common parts do not; null if any is null."""
    missing = next((q.reason for q in quantities if q.value is None), None)
    if not quantities or missing is not None:
        return Quantity.missing(unit, missing or "not measured")
    n = len(quantities)
    values = [q.value for q in quantities if q.value is not None]
    return Quantity(
        value=math.fsum(values) / n,
        unit=unit,
        u_own=math.sqrt(math.fsum((q.u_own or 0.0) ** 2 for q in quantities)) / n,
        u_common=math.fsum(q.u_common or 0.0 for q in quantities) / n,
    )


def mean_figures(figures: Sequence[PhotonFigures]) -> PhotonFigures | None:
    """Mean of the spots' photon figures, figure by figure; None where no spot has any."""
    if not figures:
        return None

    def mean(name: str, unit: str) -> Quantity:
        return mean_of_quantities([getattr(f, name) for f in figures], unit)

    return PhotonFigures(
        ppfd=mean("ppfd", units.PPFD),
        epar=mean("epar", units.PPFD),
        blue=mean("blue", units.PPFD),
        green=mean("green", units.PPFD),
        red=mean("red", units.PPFD),
        far_red=mean("far_red", units.PPFD),
        red_to_far_red=mean("red_to_far_red", units.ONE),
    )


def budget_lines(terms: Sequence[Term]) -> list[BudgetLine]:
    """A budget as it stands in a record."""
    return [
        BudgetLine(
            cause=term.cause,
            u_own=term.u_own,
            u_common=term.u_common,
            degrees_of_freedom=term.dof if math.isfinite(term.dof) else None,
        )
        for term in terms
    ]


def terms(lines: Sequence[BudgetLine]) -> tuple[Term, ...]:
    """A budget as it is reckoned with."""
    return tuple(
        Term(
            line.cause,
            u_own=line.u_own,
            u_common=line.u_common,
            dof=math.inf if line.degrees_of_freedom is None else line.degrees_of_freedom,
        )
        for line in lines
    )
