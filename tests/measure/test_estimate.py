"""Figures with an own and a common uncertainty."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lampwarden.daemon.measure import budget, estimate
from lampwarden.daemon.measure.budget import Term
from lampwarden.daemon.measure.estimate import Estimate
from lampwarden.protocol.errors import MeasurementError

values = st.floats(1.0, 2000.0)
parts = st.floats(0.0, 50.0)
estimates = st.builds(Estimate, values, parts, parts)


@given(st.lists(estimates, min_size=1, max_size=20))
def test_mean_never_has_less_common_uncertainty_than_its_least_certain_half(found: list[Estimate]) -> None:
    result = estimate.mean(found)
    assert result.u_common == pytest.approx(sum(e.u_common for e in found) / len(found), rel=1e-9, abs=1e-12)
    assert result.u_own <= max(e.u_own for e in found) + 1e-12


@given(estimates, st.integers(1, 40))
def test_own_part_falls_with_the_root_of_the_number_and_common_part_stays(one: Estimate, n: int) -> None:
    result = estimate.mean([one] * n)
    assert result.value == pytest.approx(one.value)
    assert result.u_own == pytest.approx(one.u_own / math.sqrt(n), abs=1e-12)
    assert result.u_common == pytest.approx(one.u_common, abs=1e-12)


@given(st.lists(st.builds(Estimate, values, st.floats(0.1, 50.0)), min_size=2, max_size=10))
def test_weights_from_uncertainties_are_the_best_ones(found: list[Estimate]) -> None:
    assert estimate.weighted_mean(found).u_own <= estimate.mean(found).u_own * (1.0 + 1e-12)


@given(estimates, st.floats(0.5, 2.0))
def test_common_factor_cancels_in_a_ratio_of_figures_read_with_it(one: Estimate, factor: float) -> None:
    result = estimate.ratio(one.scaled(factor), one)
    assert result.value == pytest.approx(factor)
    assert result.u_common == pytest.approx(0.0, abs=1e-9)


def test_figures_that_share_nothing_keep_their_common_parts_in_a_ratio() -> None:
    one, other = Estimate(100.0, 3.0, 4.0), Estimate(200.0, 6.0, 8.0)
    result = estimate.ratio(estimate.alone(one), estimate.alone(other))
    assert result.u == pytest.approx(0.5 * math.hypot(0.05, 0.05))


def test_mean_of_pooled_scatter_gains_degrees_of_freedom() -> None:
    # four means of five readings each, equal scatter: 4 × 4 degrees of freedom (JCGM 100, G.2b)
    assert estimate.mean([Estimate(10.0, 1.0, dof_own=4)] * 4).dof_own == pytest.approx(16.0)


def test_widening_with_a_known_cause_dilutes_the_lack_of_freedom() -> None:
    result = Estimate(10.0, 1.0, dof_own=4).widened(own=1.0)
    assert result.u_own == pytest.approx(math.sqrt(2.0))
    assert result.dof_own == pytest.approx(16.0)  # (1 + 1)² / (1 / 4)


@pytest.mark.parametrize(
    ("value", "u_own", "u_common"), [(math.nan, 0, 0), (math.inf, 0, 0), (1.0, -1.0, 0), (1.0, 0, math.inf)]
)
def test_a_figure_that_is_no_number_is_refused(value: float, u_own: float, u_common: float) -> None:
    with pytest.raises(MeasurementError):
        Estimate(value, u_own, u_common)


@pytest.mark.parametrize("weights", [[1.0], [1.0, -1.0], [0.0, 0.0]])
def test_weights_that_do_not_fit_are_refused(weights: list[float]) -> None:
    with pytest.raises(MeasurementError):
        estimate.weighted_mean([Estimate(1.0, 1.0), Estimate(2.0, 1.0)], weights)


def test_nothing_has_no_mean() -> None:
    with pytest.raises(MeasurementError):
        estimate.mean([])


def test_budget_of_a_mean_adds_common_parts_and_averages_own_parts_by_cause() -> None:
    lines = [
        [Term("noise", u_own=2.0, dof=9), Term("calibration", u_common=3.0)],
        [Term("noise", u_own=2.0, dof=9), Term("calibration", u_common=5.0)],
    ]
    merged = {t.cause: t for t in budget.averaged(lines, [0.5, 0.5])}
    assert merged["noise"].u_own == pytest.approx(2.0 / math.sqrt(2.0))
    assert merged["noise"].dof == pytest.approx(18.0)
    assert merged["calibration"].u_common == pytest.approx(4.0)


def test_budget_names_the_largest_cause_first() -> None:
    merged = budget.averaged([[Term("small", u_own=1.0), Term("large", u_common=2.0)]], [1.0])
    assert [t.cause for t in merged] == ["large", "small"]


def test_terms_divide_by_what_their_distribution_asks_for() -> None:
    # JCGM 100: F.2.2.1 (resolution), 4.2.3 (mean of readings), 5.1.3 with E = k / h² (height)
    assert budget.resolution(0.1).u_own == pytest.approx(0.1 / math.sqrt(12.0))
    assert budget.noise([9.0, 10.0, 11.0]).u_own == pytest.approx(1.0 / math.sqrt(3.0))
    assert budget.noise([9.0, 10.0, 11.0]).dof == 2
    assert budget.height(500.0, 1000.0, 2.0).u_common == pytest.approx(500.0 * 2.0 * 0.002)
    assert budget.placement(0.5, 2.0).u_own == pytest.approx(1.0)
    assert budget.calibration(400.0, 0.02).u_common == pytest.approx(8.0)


def test_readings_that_resemble_each_other_count_for_fewer() -> None:
    # first-order process, r 0.6: the mean of 40 scatters by sqrt((1 + r) / (1 - r)) = 2 times what is said plainly
    rng = np.random.default_rng(17)
    means, stated, plain = [], [], []
    for _ in range(400):
        noise = rng.standard_normal(60)
        wave = 0.0
        values = []
        for step in noise:
            wave = 0.6 * wave + 0.8 * float(step)
            values.append(100.0 + wave)
        values = values[20:]
        term = budget.noise(values)
        means.append(sum(values) / len(values))
        stated.append(term.u_own)
        plain.append(estimate.from_readings(values).u_own)
    scatter = float(np.std(means, ddof=1))
    assert np.mean(stated) == pytest.approx(scatter, rel=0.12)
    assert np.mean(plain) < 0.62 * scatter


def test_independent_readings_lose_little_by_being_asked_whether_they_are() -> None:
    rng = np.random.default_rng(18)
    ratio = []
    for _ in range(400):
        values = [float(v) for v in 100.0 + rng.standard_normal(30)]
        ratio.append(budget.noise(values).u_own / estimate.from_readings(values).u_own)
    assert 1.0 <= np.mean(ratio) < 1.12


def test_tilted_sensor_errs_by_the_tangent_of_the_incidence() -> None:
    # closed form: cos(45° - 1°) / cos 45° - 1 = 1.73 % ≈ tan 45° × 1° in radians, 1.745 %
    term = budget.levelling(400.0, 45.0, 1.0)
    assert term.u_own / 400.0 == pytest.approx(
        math.cos(math.radians(44.0)) / math.cos(math.radians(45.0)) - 1.0, rel=0.01
    )
