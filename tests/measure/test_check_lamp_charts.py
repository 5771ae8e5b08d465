"""Charts of the check lamp: what is a signal and what is not."""

import numpy as np
import pytest
from lampwarden.daemon.measure.charts import Signal, bench_check, individuals_limits, moving_average, run_rules
from lampwarden.protocol.errors import MeasurementError

STEADY = [500.0, 501.0, 499.5, 500.5, 499.0, 500.2, 501.2, 499.8]


def test_steady_check_lamp_is_in_control() -> None:
    result = bench_check(STEADY, [500.3, 499.7])
    assert result.in_control is True
    assert "repeats within" in result.reason


def test_few_values_say_nothing_yet() -> None:
    result = bench_check([500.0, 501.0])
    assert result.in_control is None
    assert "cannot say yet" in result.reason


def test_value_beyond_the_limits_is_a_signal() -> None:
    result = bench_check(STEADY, [500.0, 510.0])
    assert result.in_control is False
    assert Signal.BEYOND_LIMITS in {f.signal for f in result.findings if f.index == 9}


def test_slow_drift_shows_in_the_moving_average_before_it_leaves_the_limits() -> None:
    creeping = [500.0 + 0.35 * i for i in range(1, 13)]
    result = bench_check(STEADY, creeping)
    first = {s: min((f.index for f in result.findings if f.signal is s), default=99) for s in Signal}
    assert min(first[Signal.AVERAGE], first[Signal.TREND]) < first[Signal.BEYOND_LIMITS]


def test_nine_on_one_side_are_a_signal_and_eight_are_not() -> None:
    limits = individuals_limits([499.0, 501.0] * 5)
    eight = [500.0 + 0.5 + 0.01 * (i % 3) for i in range(8)]
    assert Signal.SAME_SIDE not in {f.signal for f in run_rules(eight, limits)}
    assert Signal.SAME_SIDE in {f.signal for f in run_rules([*eight, 500.5], limits)}


def test_six_rising_are_a_signal_and_five_are_not() -> None:
    limits = individuals_limits([490.0, 510.0] * 5)
    rising = [499.0, 499.5, 500.0, 500.5, 501.0]
    assert Signal.TREND not in {f.signal for f in run_rules(rising, limits)}
    assert Signal.TREND in {f.signal for f in run_rules([*rising, 501.5], limits)}


def test_steady_noise_seldom_signals() -> None:
    # 20 values by limits from 30: nominal rates of the rules together are near one signal in a hundred values
    rng = np.random.default_rng(8)
    alarms = sum(
        bench_check(list(500.0 + rng.standard_normal(30)), list(500.0 + rng.standard_normal(5))).in_control is False
        for _ in range(300)
    )
    assert alarms <= 60


def test_shift_of_the_bench_by_three_deviations_is_found_within_five_campaigns() -> None:
    rng = np.random.default_rng(9)
    found = sum(
        bench_check(list(500.0 + rng.standard_normal(30)), list(503.0 + rng.standard_normal(5))).in_control is False
        for _ in range(200)
    )
    assert found >= 195


def test_moving_average_starts_at_the_target() -> None:
    assert moving_average([10.0], target=0.0, weight=0.3) == pytest.approx((3.0,))
    with pytest.raises(MeasurementError):
        moving_average([10.0], target=0.0, weight=0.0)


def test_one_value_makes_no_chart() -> None:
    with pytest.raises(MeasurementError):
        individuals_limits([500.0])
