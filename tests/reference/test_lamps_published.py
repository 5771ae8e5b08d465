"""Ripple, emission lines, stabilisation criteria and repeatability against their sources."""

import math

import numpy as np
import pytest
import scipy.stats
from lampwarden.daemon.measure import calibration
from lampwarden.daemon.measure.budget import Term
from lampwarden.daemon.measure.compare import ComparedTest, critical_difference, rank, repeatability_limit
from lampwarden.daemon.measure.gates import CIE_S025_STABILISATION, LM_79_STABILISATION, warm_up
from lampwarden.daemon.measure.ripple import residual_ripple


@pytest.mark.parametrize(
    ("window_s", "left"),
    # closed form |sin(pi f T) / (pi f T)| at 100 Hz: 16 ms 0.18921, 15 ms 1 / (1.5 pi), whole periods nothing
    [(0.016, 0.189206682), (0.015, 1.0 / (1.5 * math.pi)), (0.010, 0.0), (0.020, 0.0)],
)
def test_what_a_window_leaves_of_mains_ripple(window_s: float, left: float) -> None:
    assert residual_ripple(window_s, 100.0) == pytest.approx(left, abs=1e-9)


@pytest.mark.parametrize(("third", "steady"), [(1004.9, True), (1005.1, False)])
def test_three_readings_over_half_an_hour_decide_as_the_standard_words_it(third: float, steady: bool) -> None:
    # IES LM-79-08 (from memory): (max - min) of three readings 15 min apart below 0.5 %; exact arithmetic
    light = [(0.0, 1000.0), (900.0, 1002.0), (1800.0, third)]
    result = warm_up(1800.0, 1800.0, power=None, light=light, criterion=LM_79_STABILISATION)
    assert result.open is steady


def test_the_other_standard_looks_at_the_last_quarter_of_an_hour() -> None:
    # CIE S 025 / EN 13032-4 (from memory): at least 30 min, then (max - min) / min over the last 15 min below 0.5 %
    steady_late = [(t, 900.0 + 100.0 * min(t / 1200.0, 1.0)) for t in np.arange(0.0, 2701.0, 30.0)]
    assert warm_up(2700.0, 2700.0, power=None, light=steady_late, criterion=CIE_S025_STABILISATION).open
    assert not warm_up(1790.0, 1790.0, power=None, light=steady_late[:60], criterion=CIE_S025_STABILISATION).open


def air_from_vacuum(nm: float) -> float:
    """Refractive index of standard air, Ciddor 1996 (Appl. Opt. 35, 1566), dispersion of dry air at 15 degrees."""
    sigma2 = (1e3 / nm) ** 2
    return nm / (1 + 0.05792105 / (238.0185 - sigma2) + 0.00167917 / (57.362 - sigma2))


@pytest.mark.parametrize(
    ("element", "vacuum_nm"),
    # NIST ASD vacuum wavelengths; our table is in air (Sansonetti, Salit & Reader 1996; NIST ASD)
    [
        ("Ar", 750.5935), ("Ar", 751.6721), ("Ar", 763.7208), ("Ar", 772.5887),
        ("Hg", 289.44492), ("Hg", 296.81495), ("Hg", 302.2384), ("Hg", 313.2463), ("Hg", 313.2752), ("Hg", 334.2445),
    ],
)  # fmt: skip
def test_our_emission_lines_are_those_of_the_vacuum_brought_to_air(element: str, vacuum_nm: float) -> None:
    air = air_from_vacuum(vacuum_nm)
    nearest = min(calibration.EMISSION_LINES_NM[element], key=lambda line: abs(line - air))
    assert nearest == pytest.approx(air, abs=2e-4)


def test_second_order_of_the_violet_mercury_line_falls_near_argon() -> None:
    # 2 × 404.6565 = 809.313 nm, 1.06 nm from Ar 810.3693: exact arithmetic
    seconds = calibration.second_orders(calibration.EMISSION_LINES_NM["Hg"], 350.0, 850.0)
    assert any(s == pytest.approx(809.313, abs=1e-9) for s in seconds)
    assert min(abs(a - 809.313) for a in calibration.EMISSION_LINES_NM["Ar"]) == pytest.approx(1.0563, abs=1e-4)


def test_repeatability_limit_and_critical_difference() -> None:
    # ISO 5725-6: r = 1.96 sqrt(2) s_r = 2.8 s_r; CD95 of two means of four with s_r 1: 1.4 (formula from memory)
    assert repeatability_limit(1.0) == pytest.approx(2.8, abs=0.05)
    assert critical_difference(1.0, 4, 4) == pytest.approx(1.4, abs=0.05)


def test_ranking_two_lamps_gives_the_t_test_of_their_repeats() -> None:
    # Student 1908 sleep data, Welch's test; ours pools the scatter, so it is compared with the pooled t test of scipy
    a = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
    b = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
    # shifted onto 1000 h so that logarithms are plain differences to a thousandth
    tests = [
        ComparedTest(f"{lamp}{i}", lamp, 1000.0 + v, (Term("noise", u_own=1e-3),))
        for lamp, values in (("a", a), ("b", b))
        for i, v in enumerate(values)
    ]
    pair = rank(tests).pairs[0]
    assert pair.p_value == pytest.approx(scipy.stats.ttest_ind(a, b).pvalue, rel=5e-3)
