"""Conclusions over a grid: average, uniformity, drift, photons per joule."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lampwarden.daemon.measure.budget import Term, combined
from lampwarden.daemon.measure.estimate import Estimate
from lampwarden.daemon.measure.summary import (
    CanopySummary,
    DriftTreatment,
    Figure,
    SpotValue,
    conclude,
    photons_per_joule,
    stated,
)
from lampwarden.protocol.errors import MeasurementError

GRID = [f"{row}{column}" for row in "ABC" for column in range(1, 4)]
LEVELS = [540.0, 700.0, 545.0, 710.0, 1000.0, 715.0, 550.0, 705.0, 548.0]


def read(levels: list[float], *, own: float = 0.004, common: float = 0.02, drift: float = 0.0) -> list[SpotValue]:
    """Spots at 60, 120 … s of a test from 0 to 600 s; the light drifts linearly around its middle."""
    found = []
    for i, (name, level) in enumerate(zip(GRID, levels, strict=False)):
        time_s = 60.0 * (i + 1)
        value = level * (1.0 + drift * (time_s / 600.0 - 0.5))
        found.append(SpotValue(name, Estimate(value, value * own, value * common), time_s))
    return found


def reference(time_s: float, drift: float, own: float = 0.0005) -> SpotValue:
    value = 1000.0 * (1.0 + drift * (time_s / 600.0 - 0.5))
    return SpotValue("reference", Estimate(value, value * own, value * 0.02), time_s)


def summary_of(
    spots: list[SpotValue], treatment: DriftTreatment = DriftTreatment.CARRY, drift: float = 0.0, **more: object
) -> CanopySummary:
    fields = {"opening": reference(0.0, drift), "closing": reference(600.0, drift), "treatment": treatment} | more
    return conclude(spots, GRID, rng=np.random.default_rng(9), trials=4000, **fields)


def test_average_is_the_mean_and_its_calibration_does_not_average_down() -> None:
    result = summary_of(read(LEVELS)).average
    mean = sum(LEVELS) / 9.0
    assert result.estimate.value == pytest.approx(mean)
    assert result.estimate.u_common == pytest.approx(0.02 * mean, rel=1e-3)
    assert result.estimate.u_own == pytest.approx(0.004 * math.sqrt(sum(v * v for v in LEVELS)) / 9.0)
    assert result.coverage_factor == pytest.approx(1.96, abs=1e-3)


@pytest.mark.parametrize("gone", [0, 4, 8])
def test_missing_spot_takes_the_average_with_it_and_is_named(gone: int) -> None:
    spots = read(LEVELS)
    del spots[gone]
    result = summary_of(spots)
    assert result.average.estimate is None
    assert result.uniformity_ratio.estimate is None
    assert result.missing == (GRID[gone],)
    assert GRID[gone] in result.average.reason


def test_drift_is_corrected_and_then_not_carried() -> None:
    spots = read(LEVELS, drift=-0.04)
    result = summary_of(spots, DriftTreatment.CORRECT, drift=-0.04)
    assert result.drift.figure.estimate.value == pytest.approx(0.98 / 1.02 - 1.0)
    # the light of the middle of the test, which is what the levels are; the correction is linear to second order
    assert result.average.estimate.value == pytest.approx(sum(LEVELS) / 9.0, rel=5e-4)
    assert {t.cause: t for t in result.budget}["drift"].u_common < 1e-4 * result.average.estimate.value


def test_drift_that_is_carried_is_not_corrected() -> None:
    spots = read(LEVELS, drift=-0.04)
    result = summary_of(spots, DriftTreatment.CARRY, drift=-0.04)
    plain = sum(s.estimate.value for s in spots) / 9.0
    assert result.average.estimate.value == pytest.approx(plain)
    # rectangular over the drift: width over the root of twelve
    width = abs(0.98 / 1.02 - 1.0)
    carried = {t.cause: t for t in result.budget}["drift"].u_common / plain
    assert carried == pytest.approx(width / math.sqrt(12.0), rel=0.01)


def test_unknown_drift_is_said_and_not_invented() -> None:
    result = summary_of(read(LEVELS), closing=None)
    assert result.drift.figure.estimate is None
    assert result.drift.treatment is None
    assert "closing" in result.drift.note
    assert result.average.estimate is not None
    assert "drift" not in {t.cause for t in result.budget}


def test_calibration_does_not_touch_the_uniformity_ratio() -> None:
    little = summary_of(read(LEVELS, common=0.0)).uniformity_ratio
    much = summary_of(read(LEVELS, common=0.10)).uniformity_ratio
    assert much == little


@pytest.mark.slow
def test_noise_lifts_the_uniformity_of_an_even_grid_and_the_interval_knows() -> None:
    # true ratio 1; nine spots of 1 % noise read about 1.03 (mean range of nine: 2.97 standard deviations)
    rng = np.random.default_rng(2)
    covered, lifted = 0, []
    for _ in range(200):
        levels = list(500.0 * (1.0 + 0.01 * rng.standard_normal(9)))
        result = summary_of(read(levels, own=0.01, common=0.0))
        lifted.append(result.uniformity_ratio.estimate.value)
        assert result.uniformity_bias > 0.0
        low, high = result.uniformity_ratio.interval
        covered += low <= 1.0 <= high
    assert np.mean(lifted) == pytest.approx(1.0 + 0.0297, abs=0.003)
    assert covered >= 180


def test_ratio_over_a_spot_without_light_has_a_reason_instead_of_a_value() -> None:
    result = summary_of(read([0.0, *LEVELS[1:]]))
    assert result.uniformity_ratio.estimate is None
    assert "without light" in result.uniformity_ratio.reason
    assert result.average.estimate is not None


def test_ratio_over_a_spot_lost_in_noise_has_a_reason_instead_of_a_value() -> None:
    spots = read(LEVELS)
    spots[0] = replace(spots[0], estimate=Estimate(1.0, 2.0))
    assert "lost in its noise" in summary_of(spots).uniformity_ratio.reason


def test_weights_let_a_spot_stand_for_more_area() -> None:
    weights = dict.fromkeys(GRID, 1.0) | {"B2": 9.0}
    result = summary_of(read(LEVELS), weights=weights)
    assert result.average.estimate.value == pytest.approx((sum(LEVELS) + 8.0 * 1000.0) / 17.0)


def test_same_seed_gives_the_same_digits() -> None:
    assert summary_of(read(LEVELS)) == summary_of(read(LEVELS))


def test_budget_lists_every_cause_and_adds_up_to_the_average() -> None:
    def terms(value: float) -> tuple[Term, ...]:
        return (
            Term("noise", u_own=0.003 * value, dof=29),
            Term("placement", u_own=0.005 * value),
            Term("calibration", u_common=0.02 * value),
            Term("height", u_common=0.004 * value),
        )

    spots = [
        SpotValue(n, combined(v, terms(v)), 60.0 * i, terms(v))
        for i, (n, v) in enumerate(zip(GRID, LEVELS, strict=True))
    ]
    result = summary_of(spots)
    causes = {t.cause: t for t in result.budget}
    assert list(causes)[:2] == ["calibration", "height"]
    assert set(causes) == {"noise", "placement", "calibration", "height", "drift"}
    total = math.sqrt(sum(t.u_own**2 + t.u_common**2 for t in result.budget))
    assert total == pytest.approx(result.average.estimate.u, rel=1e-9)


def test_few_readings_widen_the_interval_by_student() -> None:
    # u from three readings a spot and nothing else: nine spots, 2 degrees of freedom each, equal: 18 in all, t 2.101
    spots = [SpotValue(n, Estimate(500.0, 5.0, dof_own=2), 60.0 * i) for i, n in enumerate(GRID)]
    assert summary_of(spots, closing=None).average.coverage_factor == pytest.approx(2.101, abs=1e-3)


@pytest.mark.parametrize("names", [["A1", "A1"], ["Z9"]])
def test_spots_twice_or_of_another_grid_are_refused(names: list[str]) -> None:
    spots = [SpotValue(n, Estimate(500.0), 0.0) for n in names]
    with pytest.raises(MeasurementError):
        summary_of(spots)


@pytest.mark.slow
@given(st.lists(st.floats(100.0, 2000.0), min_size=9, max_size=9))
def test_ratios_stay_within_what_they_can_be(levels: list[float]) -> None:
    result = summary_of(read(levels, own=0.01))
    assert result.uniformity_ratio.estimate.value >= 1.0
    assert result.uniformity_ratio.interval[0] >= 1.0
    assert 0.0 < result.min_over_average.estimate.value <= 1.0
    assert result.min_over_average.interval[1] <= 1.0
    assert result.coefficient_of_variation.interval[0] >= 0.0
    assert result.minimum.estimate.value <= result.average.estimate.value * (1 + 1e-12)
    assert result.average.estimate.value <= result.maximum.estimate.value * (1 + 1e-12)


def test_photons_per_joule_of_the_canopy_plane() -> None:
    # 500 µmol m⁻² s⁻¹ over 2 m² from 625 W: 1.6 µmol/J
    average = stated(Estimate(500.0, 1.0, 10.0))
    result = photons_per_joule(average, 2.0, Estimate(625.0, 0.5, 6.25))
    assert result.estimate.value == pytest.approx(1.6)
    assert result.estimate.u_common / 1.6 == pytest.approx(math.hypot(0.02, 0.01))
    assert result.estimate.u_own / 1.6 == pytest.approx(math.hypot(0.002, 0.0008))


def test_photons_per_joule_without_a_power_meter_has_a_reason() -> None:
    assert photons_per_joule(stated(Estimate(500.0)), 2.0, None).reason == "no power meter"
    assert photons_per_joule(Figure(None, reason="3 spots are missing"), 2.0, Estimate(600.0)).reason.startswith("3")


def test_height_that_moves_the_rim_otherwise_than_the_middle_touches_the_uniformity_ratio() -> None:
    def spots(rim: float) -> list[SpotValue]:
        found = []
        for i, (name, level) in enumerate(zip(GRID, LEVELS, strict=True)):
            lines = (Term("noise", u_own=1e-4 * level), Term("height", u_common=level * (0.02 if i == 4 else rim)))
            found.append(SpotValue(name, combined(level, lines), 60.0 * i, lines))
        return found

    even = summary_of(spots(0.02), closing=None).uniformity_ratio.estimate
    uneven = summary_of(spots(0.0), closing=None).uniformity_ratio.estimate
    assert even.u < 3e-4 * even.value
    assert uneven.u == pytest.approx(0.02 * uneven.value, rel=0.05)


def test_uncertain_correction_of_drift_reaches_what_was_read_at_the_ends_of_the_test() -> None:
    # highest spot at 10 %, lowest at 90 % of the test: a drift known to 1 % leaves 0.8 % in their ratio
    levels = [700.0] * 9
    levels[0], levels[8] = 1000.0, 500.0
    spots = [
        SpotValue(n, Estimate(v, 1e-4 * v), 60.0 * (i + 1)) for i, (n, v) in enumerate(zip(GRID, levels, strict=True))
    ]

    def told(u: float) -> CanopySummary:
        ends = {"opening": reference(0.0, 0.0, own=u), "closing": reference(600.0, 0.0, own=u)}
        return summary_of(spots, DriftTreatment.CORRECT, **ends)

    sure, unsure = told(1e-6), told(0.01 / math.sqrt(2.0))
    assert sure.uniformity_ratio.estimate.u / 2.0 < 3e-4
    assert unsure.uniformity_ratio.estimate.u / 2.0 == pytest.approx(0.008, rel=0.05)
    assert unsure.drift.figure.estimate.u == pytest.approx(0.01, rel=1e-3)


def test_interval_of_an_uneven_grid_holds_the_figure_by_its_own_uncertainty_at_least() -> None:
    # four corners alike within their noise: whether it spread them, and the figure is biased, cannot be told
    result = summary_of(read(LEVELS, own=0.015), closing=None).uniformity_ratio
    low, high = result.interval
    assert result.estimate.value - low >= 1.9 * result.estimate.u
    assert high - result.estimate.value >= 1.9 * result.estimate.u


def test_interval_of_an_even_grid_reaches_down_to_one() -> None:
    rng = np.random.default_rng(4)
    result = summary_of(read(list(500.0 * (1.0 + 0.01 * rng.standard_normal(9))), own=0.01, common=0.0), closing=None)
    assert result.uniformity_ratio.interval[0] == 1.0
    # plainly it would not: the figure lies more than two of its standard uncertainties above one
    assert result.uniformity_ratio.estimate.value - 1.96 * result.uniformity_ratio.estimate.u > 1.0
