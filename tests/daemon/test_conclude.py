"""The summary is made of the spot records, and anybody can make it again."""

import json
import math
from datetime import timedelta
from typing import Any
from uuid import UUID

import pytest
from lampwarden.daemon.procedure.conclude import summarise
from lampwarden.daemon.procedure.progress import AttemptNote, Choice, Leg, Phase, Progress
from lampwarden.protocol import units
from lampwarden.protocol.quantity import Quantity
from lampwarden.protocol.records import SpotRecord, SummaryRecord
from support.benches import START, SetClock, bench_config, ids, note, progress, stamp
from support.samples_of_records import BUDGET, air, grid, supply

GRID = grid()
SPOTS = GRID.spots()


def levels() -> dict[str, float]:
    """Readings with all the digits that a mean of samples has."""
    return {spot: 400.0 / (n + 3.7) * math.pi + 123.456789 for n, spot in enumerate(SPOTS)}


class Readings:
    """The readings of one lamp test, collected as a daemon would."""

    def __init__(self) -> None:
        self.notes: list[AttemptNote] = []
        self.records: list[SpotRecord] = []
        self._new_id = ids(3)
        self._time_s = 1000.0

    def read(
        self, spot: str, ppfd_umol: float | None, *, leg: Leg = Leg.SPOT, undisturbed: bool = True, **changes: object
    ) -> UUID:
        self._time_s += 60.0
        record_id = self._new_id()
        attempt = sum(n.leg is leg and n.spot == spot for n in self.notes) + 1
        opened_s = self._time_s
        light = (
            Quantity.missing(units.PPFD, "quantum gave too few readings")
            if ppfd_umol is None
            else Quantity(value=ppfd_umol, unit=units.PPFD, u_own=0.4, u_common=5.2)
        )
        base: dict[str, Any] = {
            **stamp(SetClock(opened_s + 10.0)).record(test_id="t-1", record_id=record_id),
            "spot": spot,
            "attempt": attempt,
            "leg": leg.value,
            "light": light,
            "light_instrument": "quantum",
            "budget": BUDGET,
            "ambient_taken_off": Quantity(value=0.4, unit=units.PPFD),
            "quantum_ppfd": light,
            "spectral_ppfd": Quantity.missing(units.PPFD, "no spectrometer on this bench"),
            "samples": 10,
            "supply": supply(),
            "air": air(),
            "strike_monotonic_s": 50.0,
            "pressed_monotonic_s": opened_s - 30.0,
            "window_opened_monotonic_s": opened_s,
            "window_closed_monotonic_s": opened_s + 10.0,
            "gates": [],
            "undisturbed": undisturbed,
            "doubts": [],
            "flags": [],
        }
        self.records.append(SpotRecord.model_validate({**base, **changes}))
        self.notes.append(
            note(
                spot,
                attempt,
                ppfd_umol,
                leg=leg,
                record_id=record_id,
                read_s=opened_s + 5.0,
                undisturbed=undisturbed and ppfd_umol is not None,
            )
        )
        return record_id

    def progress(self, **changes: object) -> Progress:
        base = progress(Phase.CONCLUDE, grid=GRID, attempts=tuple(self.notes), leg=Leg.CLOSING, spot="C2", queue=())
        return base.model_copy(update=changes)

    def summary(self, drift: str = "carry", **changes: object) -> SummaryRecord:
        config = bench_config(grid=GRID.model_dump(), procedure={"drift": drift})
        made = summarise(
            self.progress(**changes), self.records, config, stamp(SetClock(9000.0)).record(test_id="t-1"),
            START + timedelta(hours=1),
        )  # fmt: skip
        # as a reader has it: from JSON
        return SummaryRecord.model_validate_json(made.model_dump_json(by_alias=True))


def whole(opening: float = 500.0, closing: float = 495.0) -> Readings:
    made = Readings()
    made.read("C2", opening, leg=Leg.OPENING)
    for spot, level in levels().items():
        made.read(spot, level)
    made.read("C2", closing, leg=Leg.CLOSING)
    return made


def counted_values(summary: SummaryRecord, test: Readings) -> list[float]:
    """From the records alone, by the ids that the summary names, through JSON."""
    by_id = {str(r.record_id): json.loads(r.model_dump_json()) for r in test.records}
    return [by_id[str(spot.record_id)]["light"]["value"] for spot in summary.spots]


class TestRecomputable:
    def test_the_canopy_average_is_the_sum_over_the_number_to_the_last_digit(self) -> None:
        test = whole()
        summary = test.summary()
        values = counted_values(summary, test)
        assert len(values) == 24
        assert summary.canopy_average.value == math.fsum(values) / len(values)

    def test_the_uniformity_ratio_is_highest_over_lowest_to_the_last_digit(self) -> None:
        test = whole()
        summary = test.summary()
        values = counted_values(summary, test)
        assert summary.uniformity_ratio.value == max(values) / min(values)

    def test_minimum_to_average_and_spread(self) -> None:
        test = whole()
        summary = test.summary()
        values = counted_values(summary, test)
        average = math.fsum(values) / len(values)
        deviation = math.sqrt(math.fsum((v - average) ** 2 for v in values) / (len(values) - 1))
        assert summary.minimum_to_average.value == pytest.approx(min(values) / average, rel=1e-14)
        assert summary.coefficient_of_variation.value == pytest.approx(deviation / average, rel=1e-13)

    def test_drift_is_the_closing_over_the_opening_reading(self) -> None:
        summary = whole(500.0, 495.0).summary()
        assert summary.drift.value == pytest.approx(-1.0, rel=1e-12)
        assert summary.opening.value == 500.0
        assert summary.closing.value == 495.0
        assert summary.drift_treatment == "carried_as_uncertainty"

    def test_a_corrected_average_can_be_made_again_from_the_records(self) -> None:
        """Linear in time between the middles of the opening and the closing window; zero half-way."""
        test = whole(500.0, 490.0)
        summary = test.summary("correct")
        assert summary.drift_treatment == "corrected"
        records = [json.loads(r.model_dump_json()) for r in test.records]

        def middle_s(record: dict[str, Any]) -> float:
            return (record["window_opened_monotonic_s"] + record["window_closed_monotonic_s"]) / 2.0

        opening, *spots, closing = records
        begin_s, end_s = middle_s(opening), middle_s(closing)
        relative = closing["light"]["value"] / opening["light"]["value"] - 1.0
        corrected = []
        for record in spots:
            place = (middle_s(record) - begin_s) / (end_s - begin_s) - 0.5
            corrected.append(record["light"]["value"] * (1.0 / (1.0 + relative * place)))
        assert summary.canopy_average.value == math.fsum(corrected) / len(corrected)
        assert summary.uniformity_ratio.value == max(corrected) / min(corrected)

    def test_drift_is_corrected_or_carried_and_never_both(self) -> None:
        def drift_term(summary: SummaryRecord) -> float:
            (line,) = (line for line in summary.budget if line.cause == "drift")
            return line.u_common

        carried, corrected = whole(500.0, 490.0).summary(), whole(500.0, 490.0).summary("correct")
        average = carried.canopy_average.value
        assert average is not None
        # rectangular, half the drift either way: JCGM 100, 4.3.7
        assert drift_term(carried) == pytest.approx(0.02 / math.sqrt(12.0) * average, rel=0.02)
        assert drift_term(corrected) < drift_term(carried) / 5.0

    def test_the_expanded_uncertainty_is_the_coverage_factor_times_the_combined(self) -> None:
        summary = whole().summary()
        u = summary.canopy_average.u
        assert u is not None
        assert summary.coverage_factor is not None
        assert summary.expanded_uncertainty.value == pytest.approx(summary.coverage_factor * u, rel=1e-12)
        assert 1.95 < summary.coverage_factor < 2.2

    def test_the_budget_makes_up_the_uncertainty(self) -> None:
        summary = whole().summary()
        own = math.sqrt(math.fsum(line.u_own**2 for line in summary.budget))
        assert summary.canopy_average.u_own == pytest.approx(own, rel=1e-9)
        # 24 spots of 0.4 each
        assert own == pytest.approx(0.4 / math.sqrt(24.0), rel=1e-9)
        shared = {line.cause: line.u_common for line in summary.budget}
        assert shared["calibration"] == pytest.approx(5.2, rel=1e-9), "what is shared does not average down"

    def test_the_same_records_give_the_same_digits(self) -> None:
        assert whole().summary() == whole().summary()

    def test_photons_per_joule_is_average_times_area_over_power(self) -> None:
        summary = whole().summary()
        average, power = summary.canopy_average.value, summary.supply.power.value
        assert average is not None
        assert power is not None
        area_m2 = 24 * 0.160 * 0.160
        assert summary.photons_per_joule.value == pytest.approx(average * area_m2 / power, rel=1e-12)


class TestWhichReadingsCount:
    def test_the_last_undisturbed_attempt_counts_never_the_higher_one(self) -> None:
        test = whole()
        second = test.read("A1", 100.0)
        test.read("A1", 900.0, undisturbed=False)
        summary = test.summary()
        (a1,) = (spot for spot in summary.spots if spot.spot == "A1")
        assert a1.record_id == second
        assert a1.ppfd.value == 100.0
        assert summary.readings_taken == 28

    def test_the_operators_choice_counts_and_the_record_says_so(self) -> None:
        test = whole()
        test.read("A1", 100.0)
        choice = Choice(spot="A1", attempt=1, reason="a leaf lay on it")
        summary = test.summary(choices=(choice,), flags=("A1: the operator chose attempt 1: a leaf lay on it",))
        (a1,) = (spot for spot in summary.spots if spot.spot == "A1")
        assert (a1.attempt, a1.chosen_by_operator) == (1, True)
        assert a1.ppfd.value == levels()["A1"]
        assert "A1: the operator chose attempt 1: a leaf lay on it" in summary.flags

    def test_a_confirmed_spot_is_told(self) -> None:
        summary = whole().summary(confirmed=("B3",))
        assert [spot.spot for spot in summary.spots if spot.confirmed] == ["B3"]
        assert "doubtful, repeated and confirmed: B3" in summary.flags

    def test_readings_at_the_reference_point_are_not_in_the_average(self) -> None:
        summary = whole(5000.0, 5000.0).summary()
        assert summary.canopy_average.value == whole().summary().canopy_average.value

    def test_every_spot_of_the_grid_is_listed_once(self) -> None:
        assert [spot.spot for spot in whole().summary().spots] == list(SPOTS)


class TestWhatCannotBeHad:
    def test_a_missing_spot_makes_the_average_null_with_a_reason(self) -> None:
        test = Readings()
        test.read("C2", 500.0, leg=Leg.OPENING)
        for spot, level in levels().items():
            test.read(spot, None if spot == "B3" else level)
        test.read("C2", 499.0, leg=Leg.CLOSING)
        summary = test.summary()
        assert summary.canopy_average.value is None
        assert summary.canopy_average.reason == "1 of 24 spots is missing: B3"
        assert summary.uniformity_ratio.value is None
        assert summary.expanded_uncertainty.value is None
        assert summary.photons_per_joule.value is None
        assert summary.missing_spots == ["B3"]
        assert len(summary.spots) == 23
        assert summary.drift.value is not None

    def test_a_record_that_is_not_there_counts_as_missing(self) -> None:
        test = whole()
        test.records = [r for r in test.records if r.spot != "F4"]
        assert test.summary().missing_spots == ["F4"]

    @pytest.mark.parametrize(("leg", "word"), [(Leg.OPENING, "opening"), (Leg.CLOSING, "closing")])
    def test_without_a_reading_at_the_reference_point_the_drift_is_not_known(self, leg: Leg, word: str) -> None:
        test = whole()
        test.notes = [n for n in test.notes if n.leg is not leg]
        summary = test.summary()
        assert summary.drift.value is None
        assert f"no {word} reading" in (summary.drift.reason or "")
        assert summary.canopy_average.value is not None
        assert any(f"no {word} reading" in flag for flag in summary.flags)

    def test_a_test_in_the_dark_has_a_result_and_no_ratios(self) -> None:
        """A sensor with its cap on: nothing to divide by, and no reason to fall over."""
        test = Readings()
        test.read("C2", -0.1, leg=Leg.OPENING)
        for spot in SPOTS:
            test.read(spot, -0.1)
        test.read("C2", -0.1, leg=Leg.CLOSING)
        for drift in ("carry", "correct"):
            summary = test.summary(drift)
            assert summary.canopy_average.value == pytest.approx(-0.1)
            assert summary.uniformity_ratio.value is None
            assert summary.drift.value is None
            assert "no light" in (summary.drift.reason or "")

    def test_without_a_power_meter_there_is_no_figure_per_joule(self) -> None:
        test = Readings()
        reason = "no such instrument on this bench"
        has = {"voltage": "V", "current": "A", "power": "W", "power_factor": "1", "frequency": "Hz"}
        missing = {key: Quantity.missing(unit, reason) for key, unit in has.items()}
        test.read("C2", 500.0, leg=Leg.OPENING)
        for spot, level in levels().items():
            test.read(spot, level, supply=missing)
        test.read("C2", 499.0, leg=Leg.CLOSING)
        summary = test.summary()
        assert summary.photons_per_joule.value is None
        assert summary.photons_per_joule.reason
        assert summary.supply.power.reason == "no such instrument on this bench"
        assert summary.canopy_average.value is not None

    def test_without_a_spectrometer_there_are_no_photon_figures(self) -> None:
        summary = whole().summary()
        assert summary.figures is None
        assert summary.integration.outcome == "not_available"


def test_flags_of_counted_readings_are_flags_of_the_test() -> None:
    test = Readings()
    test.read("C2", 500.0, leg=Leg.OPENING)
    for spot, level in levels().items():
        test.read(spot, level, flags=["settle gate opened by the operator: drifts"] if spot == "A1" else [])
    test.read("C2", 499.0, leg=Leg.CLOSING)
    summary = test.summary(flags=("arc dropped out",))
    assert "A1: settle gate opened by the operator: drifts" in summary.flags
    assert "arc dropped out" in summary.flags
    assert any(flag.startswith("drift at the reference point -0.20%") for flag in summary.flags)
