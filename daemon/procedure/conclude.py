"""Turns the spot records of a test into its summary. Pure, and from the records alone: anybody can repeat it."""

import math
from collections.abc import Sequence
from datetime import datetime
from uuid import UUID

import numpy as np

from ...protocol import units
from ...protocol.quantity import Quantity
from ...protocol.records import CountedSpot, IntegrationNote, SpotAir, SpotRecord, SummaryRecord, Supply
from ..config import BenchConfig
from ..figures import budget_lines, mean_figures, mean_of_quantities, quantity, terms
from ..measure.estimate import Estimate
from ..measure.summary import DriftTreatment, Figure, SpotValue, conclude, photons_per_joule
from ..stamp import RecordStamp
from .progress import AttemptNote, Leg, Progress

SEED = 20260301
"""Of the Monte Carlo draws: fixed, so that the same records give the same digits."""

FEW_TRIALS = 2
"""For a conclusion of which only the average is wanted; that needs no draws."""

NOT_AVAILABLE = IntegrationNote(
    outcome="not_available",
    integration_s=None,
    whole_ripple_periods=None,
    fraction_of_full_scale=None,
    residual_ripple_percent=None,
    exposures=0,
    text="no spectrometer on this bench",
)


def summarise(
    progress: Progress, records: Sequence[SpotRecord], config: BenchConfig, stamp: RecordStamp, finished: datetime
) -> SummaryRecord:
    """Make the summary of a test.

    Args:
        progress: At its end; says which attempts count.
        records: All spot records of the test.
        config: Of the bench.
        stamp: For the summary record.
        finished: When the closing reading was done.
    """
    by_id = {record.record_id: record for record in records}
    spots = progress.grid.spots()
    counted = [(note, by_id[note.record_id]) for note in progress.counting() if note.record_id in by_id]
    opening = _reference(progress, Leg.OPENING, by_id)
    closing = _reference(progress, Leg.CLOSING, by_id)
    treatment = DriftTreatment.CORRECT if config.procedure.drift == "correct" else DriftTreatment.CARRY
    values = [value for note, record in counted if (value := _value(note, record)) is not None]
    result = conclude(
        values,
        spots,
        opening=None if opening is None else opening[1],
        closing=None if closing is None else closing[1],
        treatment=treatment,
        rng=np.random.default_rng(SEED),
    )
    as_nodes = conclude(
        values,
        spots,
        opening=None if opening is None else opening[1],
        closing=None if closing is None else closing[1],
        treatment=treatment,
        rng=np.random.default_rng(SEED),
        weights=progress.grid.node_weights(),
        trials=FEW_TRIALS,
    )
    used = [record for _, record in counted]
    supply = _mean_supply(used)
    warming = _span([r.air.inside_temperature for r in used], units.KELVIN, "no air logger inside")
    area_m2 = len(spots) * progress.grid.pitch_x_mm * progress.grid.pitch_y_mm / 1e6
    average = result.average
    return SummaryRecord(
        **stamp,
        setup=progress.setup,
        grid=progress.grid,
        primary_instrument=used[0].light_instrument if used else "none",
        started=progress.started,
        struck=progress.strike_utc,
        finished=finished,
        canopy_average=_figure(average, units.PPFD),
        area_weighted_average=_figure(as_nodes.average, units.PPFD),
        uniformity_ratio=_figure(result.uniformity_ratio, units.ONE),
        minimum_to_average=_figure(result.min_over_average, units.ONE),
        coefficient_of_variation=_figure(result.coefficient_of_variation, units.ONE),
        coverage_factor=average.coverage_factor,
        expanded_uncertainty=_expanded(average),
        effective_degrees_of_freedom=_degrees(average.estimate),
        budget=budget_lines(result.budget),
        drift=_percent(result.drift.figure),
        drift_treatment="corrected" if treatment is DriftTreatment.CORRECT else "carried_as_uncertainty",
        opening=opening[0].light if opening else Quantity.missing(units.PPFD, "no opening reading"),
        closing=closing[0].light if closing else Quantity.missing(units.PPFD, "no closing reading"),
        spots=[_counted_spot(progress, note, record) for note, record in counted],
        missing_spots=[spot for spot in spots if spot in result.missing],
        figures=mean_figures([record.figures for record in used if record.figures is not None]),
        integration=progress.integration or NOT_AVAILABLE,
        supply=supply,
        supply_voltage_span=_span([r.supply.voltage for r in used], units.VOLT, "no power meter reading"),
        air=_mean_air(used),
        inside_temperature_span=warming,
        photons_per_joule=_figure(photons_per_joule(average, area_m2, _estimate(supply.power)), units.PHOTON_EFFICACY),
        readings_taken=len(records),
        flags=_flags(progress, used, result.drift.note, warming, config.procedure.temperature_span_k),
    )


def _value(note: AttemptNote, record: SpotRecord) -> SpotValue | None:
    light = record.light
    if light.value is None:
        return None
    noise = next((line for line in record.budget if line.cause == "noise"), None)
    dof = math.inf if noise is None or noise.degrees_of_freedom is None else noise.degrees_of_freedom
    estimate = Estimate(light.value, light.u_own or 0.0, light.u_common or 0.0, dof_own=dof)
    return SpotValue(note.spot, estimate, note.read_s, terms(record.budget))


def _reference(progress: Progress, leg: Leg, by_id: dict[UUID, SpotRecord]) -> tuple[SpotRecord, SpotValue] | None:
    note = progress.counted(leg, progress.grid.reference)
    if note is None or (record := by_id.get(note.record_id)) is None or (value := _value(note, record)) is None:
        return None
    return record, value


def _counted_spot(progress: Progress, note: AttemptNote, record: SpotRecord) -> CountedSpot:
    chosen = any(choice.spot == note.spot and choice.attempt == note.attempt for choice in progress.choices)
    return CountedSpot(
        spot=note.spot,
        attempt=note.attempt,
        record_id=note.record_id,
        ppfd=record.light,
        confirmed=note.spot in progress.confirmed,
        chosen_by_operator=chosen,
        doubts=list(note.doubts),
    )


def _figure(figure: Figure, unit: str) -> Quantity:
    return quantity(figure.estimate, unit, reason=figure.reason or "not measured")


def _percent(figure: Figure) -> Quantity:
    estimate = None if figure.estimate is None else figure.estimate.scaled(100.0)
    return quantity(estimate, units.PERCENT, reason=figure.reason or "not measured")


def _expanded(average: Figure) -> Quantity:
    if average.estimate is None or average.coverage_factor is None:
        return Quantity.missing(units.PPFD, average.reason or "not measured")
    return Quantity(value=average.coverage_factor * average.estimate.u, unit=units.PPFD)


def _degrees(estimate: Estimate | None) -> float | None:
    return None if estimate is None or not math.isfinite(estimate.dof) else estimate.dof


def _estimate(figure: Quantity) -> Estimate | None:
    return None if figure.value is None else Estimate(figure.value, figure.u_own or 0.0, figure.u_common or 0.0)


def _mean_supply(records: Sequence[SpotRecord]) -> Supply:
    return Supply(
        voltage=mean_of_quantities([r.supply.voltage for r in records], units.VOLT),
        current=mean_of_quantities([r.supply.current for r in records], units.AMPERE),
        power=mean_of_quantities([r.supply.power for r in records], units.WATT),
        power_factor=mean_of_quantities([r.supply.power_factor for r in records], units.ONE),
        frequency=mean_of_quantities([r.supply.frequency for r in records], units.HERTZ),
    )


def _mean_air(records: Sequence[SpotRecord]) -> SpotAir:
    def mean(name: str, unit: str) -> Quantity:
        return mean_of_quantities([getattr(r.air, name) for r in records], unit)

    return SpotAir(
        inside_temperature=mean("inside_temperature", units.CELSIUS),
        inside_humidity=mean("inside_humidity", units.PERCENT),
        inside_pressure=mean("inside_pressure", units.HECTOPASCAL),
        outside_temperature=mean("outside_temperature", units.CELSIUS),
        outside_humidity=mean("outside_humidity", units.PERCENT),
        outside_pressure=mean("outside_pressure", units.HECTOPASCAL),
    )


def _span(quantities: Sequence[Quantity], unit: str, reason: str) -> Quantity:
    """Highest minus lowest."""
    values = [q.value for q in quantities if q.value is not None]
    if not values:
        return Quantity.missing(unit, reason)
    return Quantity(value=max(values) - min(values), unit=unit)


def _flags(
    progress: Progress, records: Sequence[SpotRecord], drift: str, warming: Quantity, limit_k: float
) -> list[str]:
    flags = list(progress.flags)
    flags += [f"{record.spot}: {flag}" for record in records for flag in record.flags]
    if progress.confirmed:
        flags.append(f"doubtful, repeated and confirmed: {', '.join(progress.confirmed)}")
    if warming.value is not None and warming.value > limit_k:
        flags.append(f"the air inside changed by {warming.value:.1f} K over the readings (limit {limit_k:g} K)")
    flags.append(f"drift at the reference point {drift}")
    return flags
