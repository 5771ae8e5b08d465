"""Statistics and uncertainty against NIST StRD, the GUM, JCGM 101 and Student's own data."""

import itertools
import math
import re

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st
from lampwarden.daemon.measure import budget, estimate
from lampwarden.daemon.measure.estimate import Estimate, welch_satterthwaite
from lampwarden.daemon.measure.propagation import covariance_of_means, coverage_interval, propagated
from lampwarden.daemon.measure.samples import Series, trend
from lampwarden.daemon.measure.student import coverage_factor, t_quantile, t_tail

MICHELSO = (
    "85 74 90 107 93 85 95 98 98 88 100 98 93 65 76 81 100 100 96 96 96 94 96 94 88 80 85 88 90 84 83 79 81 88 88 "
    "83 80 79 76 80 88 88 88 86 72 72 62 86 97 95 88 91 85 87 84 84 85 84 84 84 89 81 81 82 80 77 76 74 75 76 91 92 "
    "89 86 88 72 84 85 85 78 89 84 78 81 76 81 79 81 82 85 87 87 81 74 81 94 95 80 81 87"
)
MAVRO = (
    "18 17 18 19 18 17 15 14 15 15 17 18 18 19 19 21 20 16 14 13 13 15 15 16 15 14 13 14 15 14 15 16 15 16 19 20 20 21 "
    "22 23 24 25 27 26 26 26 27 26 25 24"
)


def num_acc(offset: float) -> list[float]:
    return [offset + 0.2] + [offset + tenth for _ in range(500) for tenth in (0.1, 0.3)]


STRD = [
    # NIST Statistical Reference Datasets, univariate: name, data, mean, s, relative tolerance on s in double precision
    ("NumAcc1", [10000001.0, 10000003.0, 10000002.0], 10000002.0, 1.0, 1e-15),
    ("NumAcc2", num_acc(1.0), 1.2, 0.1, 1e-14),
    ("NumAcc3", num_acc(1000000.0), 1000000.2, 0.1, 1e-9),
    ("NumAcc4", num_acc(10000000.0), 10000000.2, 0.1, 1e-7),
    ("Michelso", [(29900 + int(v)) / 100 for v in MICHELSO.split()], 299.8524, 0.0790105478190518, 1e-12),
    ("Mavro", [(20000 + int(v)) / 10000 for v in MAVRO.split()], 2.001856, 0.000429123454003053, 1e-11),
]


@pytest.mark.parametrize(("name", "values", "mean", "s", "tolerance"), STRD, ids=[row[0] for row in STRD])
def test_mean_and_scatter_of_the_nist_reference_data(
    name: str, values: list[float], mean: float, s: float, tolerance: float
) -> None:
    result = estimate.from_readings(values)
    assert result.value == pytest.approx(mean, rel=1e-15)
    assert estimate.standard_deviation(values) == pytest.approx(s, rel=tolerance)
    assert result.u_own == pytest.approx(s / math.sqrt(len(values)), rel=tolerance)
    assert result.dof_own == len(values) - 1


@pytest.mark.parametrize(
    ("values", "r1"),
    # NIST StRD: certified lag-1 autocorrelation of the same data
    [
        (STRD[0][1], -0.5),
        (STRD[1][1], -0.999),
        (STRD[4][1], 0.535199668621283),
        (STRD[5][1], 0.937989183438248),
    ],
    ids=["NumAcc1", "NumAcc2", "Michelso", "Mavro"],
)
def test_autocorrelation_of_the_nist_reference_data(values: list[float], r1: float) -> None:
    assert estimate.autocorrelation(values) == pytest.approx(r1, rel=1e-9)


def test_type_a_evaluation_of_the_gum_temperatures() -> None:
    # JCGM 100:2008, 4.4.3: 20 temperatures, mean 100.14 (exactly 100.145), s 1.49, u 0.33 degrees
    readings = [
        96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07,
        100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72,
    ]  # fmt: skip
    result = estimate.from_readings(readings)
    assert result.value == pytest.approx(100.145, abs=5e-4)
    assert result.u == pytest.approx(0.333, abs=5e-4)


def test_what_is_common_does_not_average_down() -> None:
    # JCGM 100:2008, 5.2.2: ten 1 kΩ resistors calibrated against one standard, u 100 mΩ: in series 1 Ω, not 0.32 Ω
    resistors = [Estimate(1000.0, u_common=0.1)] * 10
    assert estimate.mean(resistors).scaled(10.0).u == pytest.approx(1.0, rel=1e-12)
    independent = [Estimate(1000.0, u_own=0.1)] * 10
    assert estimate.mean(independent).scaled(10.0).u == pytest.approx(0.32, abs=5e-3)


def test_mean_of_twelve_spots_keeps_the_calibration() -> None:
    # closed form: 2.5 % common and 1 % own over twelve: 2.5166 %
    spots = [Estimate(100.0, u_own=1.0, u_common=2.5)] * 12
    assert estimate.mean(spots).u == pytest.approx(2.5166, abs=5e-5)


@pytest.mark.parametrize(
    ("dof", "t95"), [(1, 12.71), (2, 4.30), (4, 2.78), (10, 2.23), (19, 2.09), (50, 2.01), (math.inf, 1.960)]
)
def test_t_quantiles_of_the_gum_table(dof: float, t95: float) -> None:
    # JCGM 100:2008, table G.2
    assert t_quantile(0.95, dof) == pytest.approx(t95, abs=5e-3)


def test_t99_of_the_end_gauge() -> None:
    assert t_quantile(0.99, 16) == pytest.approx(2.92, abs=5e-3)  # JCGM 100:2008, H.1.6


@given(st.floats(0.5, 0.9999), st.floats(1.0, 1e6))
def test_t_quantile_agrees_with_an_independent_library(share: float, dof: float) -> None:
    assert t_quantile(share, dof) == pytest.approx(scipy.stats.t.ppf((1.0 + share) / 2.0, dof), rel=1e-8)


@given(st.floats(0.0, 6.0), st.floats(1.0, 1e9))
def test_t_tail_agrees_with_an_independent_library(t: float, dof: float) -> None:
    assert t_tail(t, dof) == pytest.approx(2.0 * scipy.stats.t.sf(t, dof), rel=1e-7, abs=1e-300)


def test_effective_degrees_of_freedom_of_the_gum_product() -> None:
    # JCGM 100:2008, G.4.1: 0.25, 0.57, 0.82 % from n = 10, 5, 15: u_c 1.03 %, nu_eff 19.0, U95 2.2 %
    parts = [(0.25, 9), (0.57, 4), (0.82, 14)]
    u = math.sqrt(sum(p * p for p, _ in parts))
    dof = welch_satterthwaite(parts)
    assert (u, dof) == (pytest.approx(1.03, abs=5e-3), pytest.approx(19.0, abs=0.05))
    assert coverage_factor(19.0) * u == pytest.approx(2.2, abs=0.05)


def test_end_gauge_of_the_gum_budget() -> None:
    # JCGM 100:2008, H.1 (first order): u_c 32 nm, nu_eff 16 after truncation, U99 = 2.92 * 32 = 93 nm
    length_nm, rect = 50000623.0, 1.0 / math.sqrt(3.0)
    u_d = math.sqrt(5.8**2 + 3.9**2 + 6.7**2)
    dof_d = welch_satterthwaite([(5.8, 24), (3.9, 5), (6.7, 8)])
    assert (u_d, dof_d) == (pytest.approx(9.7, abs=0.05), pytest.approx(25.6, abs=0.2))
    terms = [
        budget.Term("standard", u_common=25.0, dof=18),
        budget.Term("difference", u_own=u_d, dof=dof_d),
        budget.Term("expansion", u_common=length_nm * 0.1 * 1e-6 * rect, dof=50),
        budget.Term("temperature difference", u_own=length_nm * 11.5e-6 * 0.05 * rect, dof=2),
    ]
    result = budget.combined(length_nm + 215.0, terms)
    assert [max(t.u_own, t.u_common) for t in terms[2:]] == [
        pytest.approx(2.9, abs=0.05),
        pytest.approx(16.6, abs=0.05),
    ]
    assert result.value == pytest.approx(50000838.0, abs=0.5)
    assert result.u == pytest.approx(32.0, abs=0.5)
    # the effective number of all parts together: JCGM 100, equation G.2b
    assert welch_satterthwaite((t.u_own + t.u_common, t.dof) for t in terms) == pytest.approx(16.7, abs=0.1)
    assert result.dof == pytest.approx(16.7, abs=0.3)  # by way of own and common: slightly different, same integer
    assert coverage_factor(result.dof, 0.99) * result.u == pytest.approx(93.0, abs=1.0)


def test_correlated_inputs_of_the_gum_impedance() -> None:
    # JCGM 100:2008, H.2: R 127.732(71), X 219.847(295), Z 254.260(236) ohm; r(R,X) -0.588, r(R,Z) -0.485, r(X,Z) 0.993
    observed = np.array(
        [
            [5.007, 4.994, 5.005, 4.990, 4.999],
            [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3],
            [1.0456, 1.0438, 1.0468, 1.0428, 1.0433],
        ]
    ).T
    mean, covariance = covariance_of_means(observed)

    def impedance(x: np.ndarray) -> np.ndarray:
        z = x[0] / x[1]
        return np.array([z * np.cos(x[2]), z * np.sin(x[2]), z])

    value, of_result = propagated(impedance, mean, covariance)
    u = np.sqrt(np.diag(of_result))
    assert value == pytest.approx([127.732, 219.847, 254.260], abs=6e-4)
    assert u == pytest.approx([0.071, 0.295, 0.236], abs=6e-4)
    r = of_result / np.outer(u, u)
    assert [r[0, 1], r[0, 2], r[1, 2]] == pytest.approx([-0.588, -0.485, 0.993], abs=6e-4)


def test_line_of_the_gum_thermometer() -> None:
    # JCGM 100:2008, H.3: y1 -0.1712(29), y2 0.00218(67), b(30) -0.1494(41), s 0.0035, t0 = 20 degrees
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    line = trend(Series.of(zip(t, b, strict=True)))
    middle = sum(t) / len(t)

    def at(temperature: float) -> tuple[float, float]:
        off = temperature - middle
        u = math.hypot(line.u_level, off * line.u_slope_per_s)
        return line.level + off * line.slope_per_s, u

    assert at(20.0) == (pytest.approx(-0.1712, abs=5e-5), pytest.approx(0.0029, abs=5e-5))
    assert (line.slope_per_s, line.u_slope_per_s) == (
        pytest.approx(0.00218, abs=5e-6),
        pytest.approx(0.00067, abs=5e-6),
    )
    assert at(30.0) == (pytest.approx(-0.1494, abs=5e-5), pytest.approx(0.0041, abs=5e-5))
    assert line.u_level * math.sqrt(len(t)) == pytest.approx(0.0035, abs=5e-5)


def test_monte_carlo_interval_of_four_rectangular_inputs() -> None:
    # JCGM 101:2008, 9.2.3: sum of four rectangular distributions of u = 1: 95 % interval ±3.88, not the normal ±3.92
    rng = np.random.default_rng(20080923)
    draws = rng.uniform(-math.sqrt(3.0), math.sqrt(3.0), (1_000_000, 4)).sum(axis=1)
    low, high = coverage_interval(draws)
    exact = 2.0 * math.sqrt(3.0) * (2.0 - 0.6**0.25)
    assert exact == pytest.approx(3.88, abs=5e-3)
    # the ends of 1e6 draws stand to about 0.005 (binomial spread over the density there)
    assert (low, high) == (pytest.approx(-exact, abs=0.02), pytest.approx(exact, abs=0.02))


def test_the_gum_library_agrees_on_own_and_common_parts() -> None:
    # GTC, the uncertainty calculator of a national metrology institute, on a mean and a ratio with one calibration
    from GTC import ureal

    factor = ureal(1.0, 0.02)
    values, own = (412.0, 388.0, 371.0), (3.0, 2.5, 4.0)
    theirs = [ureal(v, u) * factor for v, u in zip(values, own, strict=True)]
    ours = [Estimate(v, u, v * 0.02) for v, u in zip(values, own, strict=True)]
    mean = sum(theirs) / 3
    assert estimate.mean(ours).u == pytest.approx(mean.u, rel=1e-12)
    quotient = theirs[0] / theirs[1]
    assert estimate.ratio(ours[0], ours[1]).u == pytest.approx(quotient.u, rel=1e-12)
    assert estimate.difference(ours[0], ours[1]).u == pytest.approx((theirs[0] - theirs[1]).u, rel=1e-12)


def test_no_reference_set_is_left_out_by_a_slip_of_copying() -> None:
    # the counts that NIST gives for the two data sets copied here
    assert [len(re.findall(r"\d+", text)) for text in (MICHELSO, MAVRO)] == [100, 50]
    assert sum(1 for _ in itertools.chain(num_acc(1.0))) == 1001
