"""One window becomes one attempt: what was read, what was not and why, and every doubt."""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TypeVar

import numpy as np
import pytest
from lampwarden.daemon.config import CalibrationTable, ProcedureTable, UncertaintyTable
from lampwarden.daemon.measure.spectrum import DarkModel, SpectralCalibration
from lampwarden.daemon.procedure.progress import Leg, Phase, Progress
from lampwarden.daemon.procedure.reading import (
    Capture,
    Reading,
    Rules,
    SpectrometerFacts,
    Window,
    compose,
    doubtful_in_hindsight,
)
from lampwarden.daemon.samples import Timed
from lampwarden.drivers.roles import AirSample, SupplySample
from lampwarden.protocol.records import GateEvidence, GateName, SpotRecord
from support.benches import SetClock, note, progress, stamp
from support.samples_of_records import grid

T = TypeVar("T")

OPENED_S, CLOSED_S = 2031.0, 2041.0
LIGHT = [400.0, 401.0, 399.0, 400.5, 399.5, 400.0, 400.25, 399.75, 400.0, 400.0]
FULL_SCALE = 65535.0
WAVELENGTHS = np.linspace(380.0, 820.0, 441)
MISSING = {
    "quantum_sensor": "quantum gave too few readings",
    "spectrometer": "no spectrometer on this bench",
    "power_meter": "no such instrument on this bench",
    "air_inside": "no such instrument on this bench",
    "air_outside": "no such instrument on this bench",
}
EVIDENCE = (GateEvidence(gate=GateName.SETTLE, open=True, waited_s=31.0, minimum_s=30.0, reason="settled"),)


def at(time_s: float, value: T) -> Timed[T]:
    """Of an exchange that took no time."""
    return Timed.over(time_s, time_s, value)


def timed(values: Sequence[float]) -> list[Timed[float]]:
    step_s = (CLOSED_S - OPENED_S) / max(len(values), 1)
    return [at(OPENED_S + (n + 0.5) * step_s, value) for n, value in enumerate(values)]


def supply(voltage_v: float = 230.0) -> list[Timed[SupplySample]]:
    sample = SupplySample(voltage_v, 1.3, 275.0, 0.91, 50.0)
    return [at(OPENED_S + n, sample) for n in range(10)]


AIR = [AirSample(27.0, 41.0, 1009.0), AirSample(27.5, 42.0, 1009.2)]


WINDOW = Window(
    opened_s=OPENED_S,
    closed_s=CLOSED_S,
    light=timed(LIGHT),
    supply=supply(),
    inside=AIR,
    outside=AIR,
    capture=None,
    why_missing=MISSING,
)


SPECTRAL = SpectralCalibration(
    wavelength_nm=WAVELENGTHS,
    factor=np.full(WAVELENGTHS.size, 1e-6),
    full_scale_counts=FULL_SCALE,
    u_scale_relative=0.02,
    read_noise_counts=5.0,
    electrons_per_count=2.0,
)
FACTS = SpectrometerFacts(
    instrument="spectrometer",
    calibration=SPECTRAL,
    calibration_name="K-2 sha256:0123",
    table=SPECTRAL.photon_table(),
    wavelength_nm=WAVELENGTHS,
    full_scale_counts=FULL_SCALE,
    dark=DarkModel([0.1], np.full((1, WAVELENGTHS.size), 500.0), averages=[16], read_noise_counts=5.0),
    dark_source="shutter",
)


def capture(level: float = 30000.0, frames: int = 4) -> Capture:
    rng = np.random.default_rng(1)
    counts = level + rng.normal(0.0, 20.0, (frames, WAVELENGTHS.size))
    return Capture(counts, 0.1, 16)


CERTIFIED = CalibrationTable(certificate="K-1", factor=1.01, expanded_uncertainty_percent=2.5, resolution=0.1)


RULES = Rules(
    procedure=ProcedureTable(),
    uncertainty=UncertaintyTable(),
    light_name="quantum",
    light_calibration=CERTIFIED,
    power_calibration=CERTIFIED,
    spectrometer=None,
)


def reading_of(seen: Window, where: Progress | None = None, by: Rules | None = None, *, attempt: int = 1) -> Reading:
    here = where or progress(Phase.WINDOW, pressed_s=2000.0, steady_w=275.0)
    return compose(seen, here, attempt, EVIDENCE, by or RULES, stamp(SetClock(CLOSED_S), simulated=True))


def record_of(seen: Window, where: Progress | None = None, by: Rules | None = None) -> SpotRecord:
    return reading_of(seen, where, by).spot


class TestWhole:
    def test_the_light_is_the_mean_of_the_window_to_the_last_digit(self) -> None:
        record = record_of(WINDOW)
        assert record.light.value == math.fsum(LIGHT) / len(LIGHT)
        assert record.samples == len(LIGHT)
        assert record.light_instrument == "quantum"
        assert record.quantum_ppfd == record.light

    def test_what_the_sensor_shows_without_the_lamp_is_taken_off_and_told(self) -> None:
        where = progress(Phase.WINDOW, pressed_s=2000.0, ambient_umol=1.5)
        record = record_of(WINDOW, where)
        assert record.light.value == math.fsum(v - 1.5 for v in LIGHT) / len(LIGHT)
        assert record.ambient_taken_off.value == 1.5
        assert "ambient light and zero" in {line.cause for line in record.budget}

    def test_the_budget_makes_up_the_uncertainty(self) -> None:
        """JCGM 100, 5.1.2: independent causes add in quadrature."""
        record = record_of(WINDOW)
        own = math.sqrt(math.fsum(line.u_own**2 for line in record.budget))
        common = math.sqrt(math.fsum(line.u_common**2 for line in record.budget))
        assert record.light.u_own == pytest.approx(own, rel=1e-12)
        assert record.light.u_common == pytest.approx(common, rel=1e-12)

    def test_noise_averages_down_and_calibration_does_not(self) -> None:
        budget = {line.cause: line for line in record_of(WINDOW).budget}
        n = len(LIGHT)
        mean = math.fsum(LIGHT) / n
        deviation = math.sqrt(math.fsum((v - mean) ** 2 for v in LIGHT) / (n - 1))
        assert budget["noise"].u_own == pytest.approx(deviation / math.sqrt(n), rel=1e-12)
        assert budget["noise"].u_common == 0.0
        assert budget["noise"].degrees_of_freedom == n - 1
        # k = 2 on the certificate
        assert budget["calibration"].u_common == pytest.approx(mean * 0.025 / 2.0, rel=1e-12)
        assert budget["calibration"].u_own == 0.0

    def test_a_record_tells_when_and_after_what(self) -> None:
        record = record_of(WINDOW)
        assert (record.window_opened_monotonic_s, record.window_closed_monotonic_s) == (OPENED_S, CLOSED_S)
        assert (record.strike_monotonic_s, record.pressed_monotonic_s) == (100.0, 2000.0)
        assert record.gates == list(EVIDENCE)
        assert record.undisturbed
        assert record.doubts == []
        assert record.simulated

    def test_supply_and_air_are_means_over_the_window(self) -> None:
        record = record_of(WINDOW)
        assert record.supply.voltage.value == 230.0
        assert record.supply.power.value == 275.0
        assert record.air.inside_temperature.value == 27.25

    def test_the_note_is_that_of_the_record(self) -> None:
        made = reading_of(WINDOW, attempt=2)
        assert made.note.record_id == made.spot.record_id
        assert made.note.ppfd_umol == made.spot.light.value
        assert (made.note.u_own_umol, made.note.u_common_umol) == (made.spot.light.u_own, made.spot.light.u_common)
        assert made.note.read_s == (OPENED_S + CLOSED_S) / 2.0
        assert made.note.attempt == made.spot.attempt == 2
        assert made.note.counts

    def test_without_a_calibration_it_is_flagged(self) -> None:
        record = record_of(WINDOW, by=replace(RULES, light_calibration=None))
        assert not [line for line in record.budget if line.cause == "resolution"]
        stepped = record_of(WINDOW, by=replace(RULES, light_calibration=None, light_step_umol=1.2))
        (line,) = [line for line in stepped.budget if line.cause == "resolution"]
        assert line.u_own == pytest.approx(1.2 / 12**0.5)
        assert "the quantum sensor has no calibration on file" in record.flags
        assert "calibration" not in {line.cause for line in record.budget}

    def test_a_gate_that_the_operator_opened_is_flagged(self) -> None:
        granted = EVIDENCE[0].model_copy(update={"open": False, "read_anyway": True, "reason": "still drifts"})
        here = progress(Phase.WINDOW, pressed_s=2000.0)
        made = compose(WINDOW, here, 1, (granted,), RULES, stamp(SetClock(CLOSED_S)))
        assert made.spot.flags == ["settle gate opened by the operator: still drifts"]


class TestMissing:
    def test_without_a_power_meter_the_supply_is_null_with_a_reason(self) -> None:
        record = record_of(replace(WINDOW, supply=[]))
        for figure in (record.supply.voltage, record.supply.power, record.supply.frequency):
            assert figure.value is None
            assert figure.reason == "no such instrument on this bench"
        assert record.light.value is not None
        assert record.doubts == []

    def test_without_air_loggers_the_air_is_null_with_a_reason(self) -> None:
        record = record_of(replace(WINDOW, inside=[], outside=[]))
        assert record.air.inside_temperature.reason == "no such instrument on this bench"
        assert record.air.outside_pressure.value is None

    def test_what_a_meter_does_not_offer_is_null_and_the_rest_is_there(self) -> None:
        sample = SupplySample(None, None, 275.0, None, None)
        record = record_of(replace(WINDOW, supply=[at(OPENED_S + 1.0, sample)]))
        assert record.supply.voltage.value is None
        assert record.supply.power.value == 275.0

    def test_without_a_spectrometer_there_is_no_spectrum_and_no_doubt(self) -> None:
        made = reading_of(WINDOW)
        assert made.spectrum is None
        assert made.spot.spectrum_id is None
        assert made.spot.figures is None
        assert made.spot.spectral_ppfd.reason == "no spectrometer on this bench"

    @pytest.mark.parametrize("samples", [0, 1, 2])
    def test_too_few_readings_are_no_reading(self, samples: int) -> None:
        made = reading_of(replace(WINDOW, light=timed(LIGHT[:samples])))
        assert made.spot.light.value is None
        assert made.spot.light.reason == "quantum gave too few readings"
        assert made.spot.samples == samples
        assert not made.note.counts
        if samples:
            readings = "1 reading" if samples == 1 else f"{samples} readings"
            assert f"only {readings} of the quantum sensor in the window" in made.spot.flags

    def test_an_instrument_that_is_silent_takes_nothing_else_with_it(self) -> None:
        record = record_of(replace(WINDOW, light=[]))
        assert record.supply.voltage.value == 230.0
        assert record.air.inside_temperature.value is not None


class TestCut:
    def test_a_cut_window_is_void_and_says_why(self) -> None:
        cut = replace(WINDOW, cut="pressed during the window", closed_s=OPENED_S + 4.0, light=timed(LIGHT[:4]))
        made = reading_of(cut)
        assert not made.spot.undisturbed
        assert "void: pressed during the window" in made.spot.flags
        assert not made.note.counts

    def test_what_a_cut_window_had_read_is_kept(self) -> None:
        record = record_of(replace(WINDOW, cut="the arc dropped out", light=timed(LIGHT[:4])))
        assert record.light.value == math.fsum(LIGHT[:4]) / 4
        assert record.window_closed_monotonic_s == CLOSED_S

    def test_a_cut_window_without_readings_tells_the_cut_as_reason(self) -> None:
        record = record_of(replace(WINDOW, cut="the arc dropped out", light=[]))
        assert record.light.reason == "the arc dropped out"
        assert record.quantum_ppfd.reason == "the arc dropped out"

    def test_a_void_attempt_raises_no_doubts(self) -> None:
        record = record_of(replace(WINDOW, cut="pressed during the window", supply=supply(210.0)))
        assert record.doubts == []


class TestSpectrum:
    def test_a_good_spectrum_gives_photon_figures(self) -> None:
        made = reading_of(replace(WINDOW, capture=capture()), by=replace(RULES, spectrometer=FACTS))
        assert made.spectrum is not None
        assert made.spot.spectrum_id == made.spectrum.record_id
        assert made.spectrum.averages == 64
        assert made.spectrum.integration_s == 0.1
        assert not made.spectrum.saturated
        assert made.spectrum.irradiance_w_m2_nm is not None
        assert made.spot.figures is not None
        assert made.spot.figures == made.spectrum.figures
        assert made.spot.spectral_ppfd.value == made.spot.figures.ppfd.value
        assert made.spectrum.figures.ppfd.value is not None
        assert len(made.spectrum.counts) == len(made.spectrum.wavelength_nm) == WAVELENGTHS.size

    def test_the_photons_are_those_of_the_irradiance(self) -> None:
        """PPFD = ∫ λ E dλ / (N_A h c) from 400 to 700 nm, from the constants of SI (exact since 2019)."""
        made = reading_of(replace(WINDOW, capture=capture()), by=replace(RULES, spectrometer=FACTS))
        assert made.spectrum is not None
        assert made.spectrum.irradiance_w_m2_nm is not None
        wavelengths = np.array(made.spectrum.wavelength_nm)
        irradiance = np.array(made.spectrum.irradiance_w_m2_nm)
        par = (wavelengths >= 400.0) & (wavelengths <= 700.0)
        joule_nm_per_umol = 6.02214076e23 * 6.62607015e-34 * 299792458.0 * 1e9 * 1e-6
        photons = np.trapezoid((wavelengths * irradiance)[par], wavelengths[par]) / joule_nm_per_umol
        assert made.spectrum.figures.ppfd.value == pytest.approx(float(photons), rel=1e-5)

    def test_a_saturated_spectrum_is_never_reported_as_good(self) -> None:
        frames = capture().frames.copy()
        frames[1, 200:204] = FULL_SCALE
        made = reading_of(replace(WINDOW, capture=Capture(frames, 0.1, 16)), by=replace(RULES, spectrometer=FACTS))
        assert made.spectrum is not None
        assert made.spectrum.saturated
        assert made.spectrum.irradiance_w_m2_nm is None
        assert made.spectrum.figures.ppfd.value is None
        assert "saturated in 4 pixels" in (made.spectrum.figures.ppfd.reason or "")
        assert made.spot.figures is None
        assert made.spot.spectral_ppfd.value is None
        assert any("saturated in 4 pixels" in flag for flag in made.spot.flags)
        assert made.spectrum.counts[201] == pytest.approx(frames[:, 201].mean(), rel=1e-7), "the counts are kept"

    @pytest.mark.parametrize(
        ("facts", "why"),
        [
            (replace(FACTS, dark=None), "no dark"),
            (replace(FACTS, calibration=None), "no calibration on file"),
            (replace(FACTS, table=None), "no calibration on file"),
            (
                replace(FACTS, dark=DarkModel([0.5], np.full((1, WAVELENGTHS.size), 500.0), averages=[16])),
                "no dark at 0.1 s",
            ),
        ],
        ids=["no dark", "no calibration", "no table", "dark at another time"],
    )
    def test_counts_that_cannot_be_reduced_are_kept_and_flagged(self, facts: SpectrometerFacts, why: str) -> None:
        made = reading_of(replace(WINDOW, capture=capture()), by=replace(RULES, spectrometer=facts))
        assert made.spectrum is not None
        assert len(made.spectrum.counts) == WAVELENGTHS.size
        assert made.spectrum.irradiance_w_m2_nm is None
        assert made.spectrum.dark_source == "none"
        assert any(f"the spectrum is not reduced: {why}" in flag for flag in made.spot.flags)
        assert why in (made.spectrum.figures.ppfd.reason or "")
        assert made.spot.light.value is not None, "the quantum sensor's reading stands"

    def test_counts_that_cannot_be_reduced_tell_whether_they_saturate(self) -> None:
        by = replace(RULES, spectrometer=replace(FACTS, dark=None))
        made = reading_of(replace(WINDOW, capture=capture(FULL_SCALE)), by=by)
        assert made.spectrum is not None
        assert made.spectrum.saturated
        assert made.spectrum.peak_fraction > 0.99

    def test_the_spectrometer_can_be_the_primary_instrument(self) -> None:
        by = replace(RULES, procedure=ProcedureTable(primary="spectrometer"), spectrometer=FACTS)
        made = reading_of(replace(WINDOW, capture=capture()), by=by)
        assert made.spot.light_instrument == "spectrometer"
        assert made.spot.light.value == made.spot.spectral_ppfd.value
        assert made.spot.light.u_common is not None
        assert made.spot.spectral_ppfd.u_common is not None
        assert made.spot.light.u_common > made.spot.spectral_ppfd.u_common, "height and cosine come on top"

    def test_a_primary_spectrometer_that_saturates_makes_no_reading(self) -> None:
        by = replace(RULES, procedure=ProcedureTable(primary="spectrometer"), spectrometer=FACTS)
        made = reading_of(replace(WINDOW, capture=capture(FULL_SCALE)), by=by)
        assert made.spot.light.value is None
        assert not made.note.counts


WIDE = grid()
"""Twenty-four spots: fewer foretell too little of each other."""


def light_at(spot: str) -> float:
    """A small source 0.6 m above C2, µmol m⁻² s⁻¹ (inverse square and cosine laws)."""
    x, y = WIDE.position_mm(spot)
    x0, y0 = WIDE.position_mm("C2")
    return 500.0 * (1.0 + ((x - x0) ** 2 + (y - y0) ** 2) / 600.0**2) ** -1.5


def wide(phase: Phase = Phase.WINDOW, *, without: str = "", odd: str = "", **changes: object) -> Progress:
    notes = tuple(
        note(spot, 1, light_at(spot) * (0.85 if spot == odd else 1.0)) for spot in WIDE.spots() if spot != without
    )
    base = progress(phase, pressed_s=2000.0, grid=WIDE, attempts=notes, queue=())
    return base.model_copy(update=changes)


class TestDoubts:
    def test_a_supply_that_moved_in_the_window_is_a_doubt(self) -> None:
        assert "216.6 V is -5.8% from 230 V" in record_of(replace(WINDOW, supply=supply(216.6))).doubts[0]

    def test_a_spot_that_does_not_fit_its_neighbours_is_doubtful(self) -> None:
        level = light_at("B3") * 0.85
        window_at_b3 = replace(WINDOW, light=timed([level + 0.1 * (-1) ** n for n in range(10)]))
        record = record_of(window_at_b3, wide(without="B3", spot="B3"))
        assert len(record.doubts) == 1
        assert "from what its neighbours foretell" in record.doubts[0]
        assert record.doubts[0].startswith("-1"), "it says by how much"

    def test_a_spot_that_fits_its_neighbours_is_not(self) -> None:
        level = light_at("B3")
        window_at_b3 = replace(WINDOW, light=timed([level + 0.1 * (-1) ** n for n in range(10)]))
        assert record_of(window_at_b3, wide(without="B3", spot="B3")).doubts == []

    def test_a_first_spot_has_nothing_to_be_judged_by(self) -> None:
        assert record_of(WINDOW).doubts == []

    def test_two_instruments_that_disagree_are_a_doubt(self) -> None:
        made = reading_of(replace(WINDOW, capture=capture(3000.0)), by=replace(RULES, spectrometer=FACTS))
        assert any("from the spectrometer" in doubt for doubt in made.spot.doubts)

    def test_a_window_noisier_than_the_others_is_a_doubt(self) -> None:
        others = tuple(note(spot, 1, 400.0, scatter_relative=0.001) for spot in progress().grid.spots()[1:5])
        where = progress(Phase.WINDOW, pressed_s=2000.0, attempts=others, leg=Leg.CLOSING, spot="B1", queue=())
        noisy = timed([400.0 + 8.0 * (-1) ** n for n in range(10)])
        assert any("scattered by" in doubt for doubt in record_of(replace(WINDOW, light=noisy), where).doubts)

    def test_hindsight_finds_an_early_spot_that_does_not_fit_the_whole_grid(self) -> None:
        found = doubtful_in_hindsight(wide(odd="B1"))
        assert [spot for spot, _ in found] == ["B1"]
        assert "from what its neighbours foretell" in found[0][1]

    def test_hindsight_finds_nothing_on_a_grid_that_fits(self) -> None:
        assert doubtful_in_hindsight(wide()) == ()

    def test_hindsight_leaves_what_was_confirmed(self) -> None:
        assert doubtful_in_hindsight(wide(odd="B1", confirmed=("B1",))) == ()

    def test_hindsight_of_nothing_is_nothing(self) -> None:
        assert doubtful_in_hindsight(progress()) == ()
