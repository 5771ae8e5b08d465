"""Samples against time: noise, trend, blocks."""

import math

import numpy as np
import pytest
from lampwarden.daemon.measure.samples import Series, block_means, trend


def test_noise_is_told_from_drift_and_from_a_jump() -> None:
    rng = np.random.default_rng(3)
    found = []
    for _ in range(100):
        t = np.arange(120.0)
        values = 500.0 + 0.5 * t + 20.0 * (t > 60.0) + 2.0 * rng.standard_normal(120)
        found.append(Series.of(zip(t, values, strict=True)).noise)
    assert np.mean(found) == pytest.approx(2.0, rel=0.06)


def test_samples_are_put_in_order_and_freed_of_what_is_no_number() -> None:
    series = Series.of([(3.0, 30.0), (1.0, 10.0), (2.0, math.nan), (4.0, math.inf)])
    assert list(series.time_s) == [1.0, 3.0]
    assert list(series.value) == [10.0, 30.0]
    assert series.longest_gap_s == 2.0


def test_nothing_has_no_noise_no_trend_and_an_endless_gap() -> None:
    series = Series.of([])
    assert (len(series), series.noise, trend(series)) == (0, 0.0, None)
    assert math.isinf(series.longest_gap_s)


def test_samples_at_one_instant_have_no_trend() -> None:
    assert trend(Series.of([(1.0, v) for v in (5.0, 6.0, 7.0)])) is None


def test_block_means_average_each_stretch() -> None:
    series = Series.of([(float(t), float(t // 10)) for t in range(100)])
    means, _ = block_means(series, 0.0, 100.0, 10)
    assert means == [float(v) for v in range(10)]
