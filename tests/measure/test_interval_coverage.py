"""A reduced form of the coverage study (tests/studies/interval_coverage.py)."""

import math

import numpy as np
import pytest
import scipy.stats
from lampwarden.daemon.measure.estimate import alone, mean
from lampwarden.daemon.measure.summary import stated
from studies import interval_coverage as study

TESTS = 120


@pytest.fixture(scope="module")
def tally() -> study.Tally:
    return study.run(TESTS, seed=5)


@pytest.mark.slow
def test_intervals_hold_the_truth_as_often_as_they_say(tally: study.Tally) -> None:
    # an interval that held in 93 % of all tests would hold in fewer of these once in a thousand runs
    least = scipy.stats.binom.ppf(0.001, TESTS, 0.93)
    assert {figure: held for figure, held in tally.held.items() if held < least} == {}


@pytest.mark.slow
def test_intervals_are_no_wider_than_their_causes(tally: study.Tally) -> None:
    # by hand, at the middle: calibration 1.5 %, mismatch 1 %, height 2 × 0.4 % less at the rim, cosine 2 % × some 0.25
    by_hand = 1.96 * math.sqrt(0.015**2 + 0.010**2 + 0.006**2 + 0.005**2)
    assert np.mean(tally.widths["canopy average, drift correct"]) == pytest.approx(by_hand, rel=0.1)
    assert np.mean(tally.widths["ratio of two lamps"]) < by_hand * math.sqrt(2.0) * 0.75  # the calibration cancels


@pytest.mark.slow
def test_taking_shared_causes_for_independent_ones_would_fail_this_study() -> None:
    held = 0
    for k in range(60):
        rng = np.random.default_rng([6, k])
        bench = study.Bench(1.0 + study.CALIBRATION * float(rng.standard_normal()))
        lamp = study.Lamp.drawn(rng)
        spots, _, _ = bench.read(lamp, rng)
        low, high = stated(mean([alone(s.estimate) for s in spots])).interval
        held += low <= float(lamp.true_grid().mean()) <= high
    assert held < 40


@pytest.mark.slow
def test_report_of_the_study_lists_every_figure(tally: study.Tally) -> None:
    text = study.report(tally)
    assert len(text.splitlines()) == 1 + len(tally.asked)
