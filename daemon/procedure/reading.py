"""Turns what was read over one window into records: light with its budget, spectrum, supply, air, doubts.

Pure. The conductor gathers a :class:`Window`; :func:`compose` makes the spot record, the spectrum record and the note
that the procedure keeps.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ...drivers.roles import AirSample, SupplySample
from ...protocol import units
from ...protocol.counts import counted
from ...protocol.errors import MeasurementError
from ...protocol.quantity import Quantity
from ...protocol.records import GateEvidence, PhotonFigures, SpectrumRecord, SpotRecord
from ...protocol.setup import Grid
from ..config import CalibrationTable, ProcedureTable, UncertaintyTable
from ..figures import budget_lines, mean_quantity, photon_figures, quantity, spot_air, supply_means
from ..measure import budget, doubt
from ..measure.arrays import FloatArray
from ..measure.budget import Term
from ..measure.estimate import Estimate
from ..measure.gates import SupplyEvidence
from ..measure.photons import PhotonTable
from ..measure.spectrum import (
    SATURATION_FRACTION,
    DarkModel,
    SpectralCalibration,
    Spectrum,
    photon_bands,
    ppfd_terms,
    spectral_irradiance,
)
from ..measure.surface import GridPoint, fit_spots
from ..samples import Timed
from ..stamp import RecordStamp, Stamp
from .gatekeeper import supply_evidence
from .progress import AttemptNote, Leg, Progress

LEAST_SAMPLES = 3
"""A window with fewer readings of the quantum sensor has no scatter worth the name."""


@dataclass(frozen=True, slots=True)
class Capture:
    """What the spectrometer gave over a window: ``frames`` has shape ``(k, n_pixels)``, counts."""

    frames: FloatArray
    integration_s: float
    averages: int


@dataclass(frozen=True, slots=True)
class SpectrometerFacts:
    """What reducing a capture needs."""

    instrument: str
    calibration: SpectralCalibration | None
    calibration_name: str
    table: PhotonTable | None
    wavelength_nm: FloatArray
    full_scale_counts: float
    dark: DarkModel | None
    dark_source: str


@dataclass(frozen=True, slots=True)
class Window:
    """Everything that was read over one common window. Times are bench seconds."""

    opened_s: float
    closed_s: float
    light: Sequence[Timed[float]]
    supply: Sequence[Timed[SupplySample]]
    inside: Sequence[AirSample]
    outside: Sequence[AirSample]
    capture: Capture | None
    why_missing: dict[str, str]
    """By role: why there is nothing of it."""
    cut: str | None = None
    """Why the window ended early, or None."""


@dataclass(frozen=True, slots=True)
class Rules:
    """The parts of the configuration that a reading needs."""

    procedure: ProcedureTable
    uncertainty: UncertaintyTable
    light_name: str
    light_calibration: CalibrationTable | None
    power_calibration: CalibrationTable | None
    spectrometer: SpectrometerFacts | None
    light_step_umol: float = 0.0
    """Of the quantum sensor by its profile, where the calibration gives no resolution."""


@dataclass(frozen=True, slots=True)
class Reading:
    """The outcome of a window."""

    spot: SpotRecord
    spectrum: SpectrumRecord | None
    note: AttemptNote


def compose(
    window: Window, progress: Progress, attempt: int, evidence: tuple[GateEvidence, ...], rules: Rules, stamp: Stamp
) -> Reading:
    """Make the records of one attempt.

    Args:
        window: What was read.
        progress: As it stood when the window opened.
        attempt: Number of this attempt.
        evidence: Of the gates.
        rules: From the configuration.
        stamp: Gives records their time and id.
    """
    flags: list[str] = []
    sensor, scatter, sensor_terms = _sensor(window, progress, rules, flags)
    spectrum, figures, spectral, unreduced = _spectrum(window, rules)
    if unreduced:
        flags.append(unreduced)
    if rules.procedure.primary == "quantum_sensor":
        light, terms, name = sensor, sensor_terms, rules.light_name
    else:
        light, terms = _spectral_budget(spectral, spectrum, progress, rules)
        name = rules.spectrometer.instrument if rules.spectrometer is not None else "spectrometer"
    light_reason = window.cut or window.why_missing.get(rules.procedure.primary, "not measured")
    supply = supply_evidence(progress, window.supply, window.opened_s, window.closed_s, rules.procedure)
    undisturbed = window.cut is None
    ratio = None
    if sensor is not None and spectral is not None and spectral.value > 0:
        ratio = sensor.value / spectral.value
    doubts: tuple[str, ...] = ()
    if light is not None and undisturbed:
        found = _doubts(progress, light, sensor, spectral, scatter, window, supply)
        doubts = tuple(verdict.doubt.reason for verdict in found if verdict.doubt is not None)
    if window.cut is not None:
        flags.append(f"void: {window.cut}")
    flags += [f"{e.gate.value} gate opened by the operator: {e.reason}" for e in evidence if e.read_anyway]

    spot_id, spectrum_id = stamp.new_id(), stamp.new_id()
    spectrum_record = None
    if window.capture is not None and rules.spectrometer is not None:
        spectrum_record = _spectrum_record(
            stamp.record(test_id=progress.test_id, record_id=spectrum_id),
            progress,
            attempt,
            window.capture,
            rules.spectrometer,
            spectrum,
            figures or _no_figures(unreduced),
        )
    power_u = rules.power_calibration.expanded_uncertainty_percent / 200.0 if rules.power_calibration else None
    record = SpotRecord(
        **stamp.record(test_id=progress.test_id, record_id=spot_id),
        spot=progress.spot,
        attempt=attempt,
        leg=progress.leg.value,
        light=quantity(light, units.PPFD, reason=light_reason),
        light_instrument=name,
        budget=budget_lines(terms),
        ambient_taken_off=mean_quantity([progress.ambient_umol], units.PPFD, reason="no reading with the lamp off"),
        quantum_ppfd=quantity(
            sensor, units.PPFD, reason=window.cut or window.why_missing.get("quantum_sensor", "none")
        ),
        spectral_ppfd=quantity(
            spectral, units.PPFD, reason=window.cut or window.why_missing.get("spectrometer", "none")
        ),
        samples=len(window.light),
        figures=figures,
        spectrum_id=spectrum_id if spectrum_record is not None else None,
        supply=supply_means(
            [t.sample for t in window.supply],
            power_u,
            window.why_missing.get("power_meter", "no reading in the window"),
        ),
        air=spot_air(
            window.inside,
            window.outside,
            window.why_missing.get("air_inside", "no recent reading"),
            window.why_missing.get("air_outside", "no recent reading"),
        ),
        strike_monotonic_s=progress.strike_s,
        pressed_monotonic_s=progress.pressed_s,
        window_opened_monotonic_s=window.opened_s,
        window_closed_monotonic_s=window.closed_s,
        gates=list(evidence),
        undisturbed=undisturbed,
        doubts=list(doubts),
        flags=flags,
    )
    note = AttemptNote(
        leg=progress.leg,
        spot=progress.spot,
        attempt=attempt,
        record_id=spot_id,
        read_s=(window.opened_s + window.closed_s) / 2.0,
        ppfd_umol=None if light is None else light.value,
        u_own_umol=0.0 if light is None else light.u_own,
        u_common_umol=0.0 if light is None else light.u_common,
        undisturbed=undisturbed and light is not None,
        doubts=doubts,
        scatter_relative=scatter,
        sensor_over_spectrometer=ratio,
    )
    return Reading(record, spectrum_record, note)


def _sensor(
    window: Window, progress: Progress, rules: Rules, flags: list[str]
) -> tuple[Estimate | None, float | None, tuple[Term, ...]]:
    """The quantum sensor's mean over the window, with its budget."""
    if len(window.light) < LEAST_SAMPLES:
        if window.light:
            flags.append(f"only {counted(len(window.light), 'reading')} of the quantum sensor in the window")
        return None, None, ()
    # What the sensor shows without the lamp, its zero and stray light, is no light of the lamp.
    ambient = progress.ambient_umol or 0.0
    values = [timed.sample - ambient for timed in window.light]
    mean = math.fsum(values) / len(values)
    calibration = rules.light_calibration
    lines = [budget.noise(values), *_geometry(mean, progress, rules)]
    if calibration is not None:
        lines.append(budget.calibration(mean, calibration.expanded_uncertainty_percent / 200.0))
    else:
        flags.append("the quantum sensor has no calibration on file")
    step = (calibration.resolution if calibration is not None else 0.0) or rules.light_step_umol
    if step > 0:
        lines.append(budget.resolution(step * (calibration.factor if calibration is not None else 1.0)))
    lines.append(budget.spectral_mismatch(mean, rules.uncertainty.mismatch_percent / 100.0))
    if ambient:
        # Known at the reference point only: elsewhere it may be anything from nothing to twice as much.
        lines.append(Term("ambient light and zero", u_common=abs(ambient) / math.sqrt(3.0)))
    scatter = math.sqrt(math.fsum((v - mean) ** 2 for v in values) / (len(values) - 1)) / mean if mean > 0 else None
    return budget.combined(mean, lines), scatter, tuple(lines)


def _spectral_budget(
    spectral: Estimate | None, spectrum: Spectrum | None, progress: Progress, rules: Rules
) -> tuple[Estimate | None, tuple[Term, ...]]:
    facts = rules.spectrometer
    if spectral is None or spectrum is None or facts is None or facts.table is None:
        return None, ()
    lines = (*ppfd_terms(spectrum, facts.table), *_geometry(spectral.value, progress, rules))
    return budget.combined(spectral.value, lines), lines


def _geometry(mean: float, progress: Progress, rules: Rules) -> list[Term]:
    """Height, placement, level and direction at this spot.

    All for a small source of even intensity above the reference point (inverse square and cosine laws, E = I h / d³):
    steeper than under a reflector, so on the safe side. ``d ln E / d ln h`` is then ``1 - 3 cos²`` of the angle, and
    the configured exponent says what it is straight below. Directional errors are stated at 60° and taken to grow with
    the square of the angle (common practice, no source).
    """
    height_mm = progress.setup.height_mm
    offset_mm = _from_reference_mm(progress.grid, progress.spot)
    distance_2 = height_mm**2 + offset_mm**2
    exponent = abs(3.0 * height_mm**2 / distance_2 - 1.0) / 2.0 * rules.uncertainty.height_exponent
    angle_deg = math.degrees(math.atan2(offset_mm, height_mm))
    return [
        budget.height(mean, height_mm, rules.uncertainty.height_mm, exponent),
        budget.placement(abs(mean) * 3.0 * offset_mm / distance_2, rules.uncertainty.placement_mm),
        budget.levelling(mean, angle_deg, rules.uncertainty.tilt_deg),
        budget.directional(mean, rules.uncertainty.cosine_percent / 100.0 * (angle_deg / 60.0) ** 2),
    ]


def _from_reference_mm(grid: Grid, spot: str) -> float:
    x, y = grid.position_mm(spot)
    x0, y0 = grid.position_mm(grid.reference)
    return math.hypot(x - x0, y - y0)


def _spectrum(window: Window, rules: Rules) -> tuple[Spectrum | None, PhotonFigures | None, Estimate | None, str]:
    """Reduce the capture.

    Returns:
        The spectrum, its photon figures and its PPFD, as far as they can be had, and why one of them cannot.
    """
    facts, capture = rules.spectrometer, window.capture
    if facts is None or capture is None:
        return None, None, None, ""
    if facts.calibration is None or facts.table is None or facts.dark is None:
        lacking = "no dark" if facts.dark is None else "no calibration on file"
        return None, None, None, f"the spectrum is not reduced: {lacking}"
    try:
        spectrum = spectral_irradiance(
            capture.frames, capture.integration_s, capture.averages, facts.dark, facts.calibration
        )
    except MeasurementError as error:
        return None, None, None, f"the spectrum is not reduced: {error}"
    if spectrum.saturated:
        why = f"the spectrum is saturated in {counted(spectrum.saturated_pixels, 'pixel')}: no photon figures from it"
        return spectrum, None, None, why
    bands = photon_bands(spectrum, facts.table)
    return spectrum, photon_figures(bands), bands.ppfd, ""


def _spectrum_record(
    stamp: RecordStamp,
    progress: Progress,
    attempt: int,
    capture: Capture,
    facts: SpectrometerFacts,
    spectrum: Spectrum | None,
    figures: PhotonFigures,
) -> SpectrumRecord:
    """The spectrum as it was read, and what became of it: counts that cannot be reduced now are kept all the same."""
    counts = capture.frames.mean(axis=0)
    good = spectrum is not None and not spectrum.saturated
    dark = facts.dark.at(capture.integration_s).counts if facts.dark is not None and spectrum is not None else None
    highest = float(capture.frames.max()) / facts.full_scale_counts
    return SpectrumRecord(
        **stamp,
        instrument=facts.instrument,
        spot=progress.spot,
        attempt=attempt,
        leg=progress.leg.value,
        integration_s=capture.integration_s,
        averages=capture.averages * capture.frames.shape[0],
        full_scale_counts=facts.full_scale_counts,
        peak_fraction=highest if spectrum is None else spectrum.peak_fraction,
        saturated=highest >= SATURATION_FRACTION if spectrum is None else spectrum.saturated,
        dark_source=facts.dark_source if dark is not None else "none",
        calibration=facts.calibration_name,
        wavelength_nm=_digits(facts.wavelength_nm if spectrum is None else spectrum.wavelength_nm, 7),
        counts=_digits(counts, 8),
        dark_counts=_digits(dark, 8) if dark is not None else [],
        irradiance_w_m2_nm=_digits(spectrum.irradiance, 7) if spectrum is not None and good else None,
        u_own_w_m2_nm=_digits(spectrum.u_own, 3) if spectrum is not None and good else None,
        figures=figures,
    )


def _no_figures(why: str) -> PhotonFigures:
    none = Quantity.missing(units.PPFD, why)
    return PhotonFigures(
        ppfd=none,
        epar=none,
        blue=none,
        green=none,
        red=none,
        far_red=none,
        red_to_far_red=Quantity.missing(units.ONE, why),
    )


def _digits(values: FloatArray, digits: int) -> list[float]:
    """Rounded to significant digits: far below any uncertainty, and half the size on the wire."""
    size = np.abs(values)
    places = digits - 1 - np.floor(np.log10(np.where(size > 0, size, 1.0)))
    scale = 10.0**places
    rounded: list[float] = (np.rint(values * scale) / scale).tolist()
    return rounded


def _doubts(
    progress: Progress,
    light: Estimate,
    sensor: Estimate | None,
    spectral: Estimate | None,
    scatter: float | None,
    window: Window,
    supply: SupplyEvidence,
) -> list[doubt.Verdict]:
    verdicts: list[doubt.Verdict] = []
    if window.supply:
        verdicts.append(doubt.supply_moved(supply))
    others = [note for note in _counted(progress) if note.spot != progress.spot]
    if scatter is not None:
        known = [note.scatter_relative for note in others if note.scatter_relative is not None]
        verdicts.append(doubt.noisy_window(scatter, known))
    if sensor is not None and spectral is not None:
        verdicts.append(doubt.sensor_against_spectrometer(sensor, spectral))
        ratios = [n.sensor_over_spectrometer for n in others if n.sensor_over_spectrometer is not None]
        if progress.leg is Leg.SPOT:
            verdicts.append(doubt.ratio_among_spots(sensor, spectral, ratios, spots=len(progress.grid.spots())))
    if progress.leg is Leg.SPOT:
        points = [_point(progress.grid, note.spot, note.ppfd_umol, note.u_own_umol) for note in others]
        points.append(_point(progress.grid, progress.spot, light.value, light.u_own))
        verdicts.append(doubt.against_neighbours(progress.spot, points))
    return verdicts


def doubtful_in_hindsight(progress: Progress) -> tuple[tuple[str, str], ...]:
    """Spots that looked right when few others were read, and do not fit the whole grid: (spot, reason).

    Early spots cannot be judged against neighbours that are not read yet; before the closing reading they can.
    """
    notes = _counted(progress)
    points = [_point(progress.grid, note.spot, note.ppfd_umol, note.u_own_umol) for note in notes]
    if not points:
        return ()
    fits = fit_spots(points)
    return tuple(
        (note.spot, f"{fit.departure:+.0%} from what its neighbours foretell")
        for note in notes
        if note.spot not in progress.confirmed
        and (fit := fits[note.spot]).judged
        and not fit.fits
        and fit.departure is not None
    )


def _counted(progress: Progress) -> list[AttemptNote]:
    return [note for note in progress.counting() if note.ppfd_umol is not None]


def _point(grid: Grid, spot: str, ppfd_umol: float | None, u_own_umol: float) -> GridPoint:
    x_mm, y_mm = grid.position_mm(spot)
    value = ppfd_umol or 0.0
    return GridPoint(spot, x_mm, y_mm, value, u_own_umol / value if value > 0 else 0.0)
