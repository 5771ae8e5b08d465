"""Warm-up, settle and supply gates on samples."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lampwarden.daemon.measure.gates import (
    BENCH_STABILISATION,
    Stabilisation,
    SupplyLimits,
    SupplySample,
    settle,
    supply,
    warm_up,
)

Samples = list[tuple[float, float]]


def every(step_s: float, until_s: float, level: float = 1000.0, **how: float) -> Samples:
    """Samples with a relative slope per 300 s, relative noise, and an exponential run-up of given time constant."""
    rng = np.random.default_rng(int(how.get("seed", 3)))
    t = np.arange(0.0, until_s + 1e-9, step_s)
    shape = 1.0 + how.get("slope", 0.0) * (t - until_s) / 300.0
    shape = shape * (1.0 - math.e ** (-t / how["rise_s"])) if "rise_s" in how else shape
    return list(zip(t, level * shape * (1.0 + how.get("noise", 0.0) * rng.standard_normal(t.size)), strict=True))


def test_lamp_is_not_read_before_its_minimum_time() -> None:
    signal = every(5.0, 800.0)
    result = warm_up(800.0, 800.0, power=signal, light=signal)
    assert not result.open
    assert result.remaining_s == pytest.approx(100.0)
    assert "100 s of 15 min since the strike remain" in result.reason


def test_steady_lamp_is_read_after_its_minimum_time() -> None:
    signal = every(5.0, 900.0)
    result = warm_up(900.0, 900.0, power=signal, light=signal)
    assert result.open
    assert result.light is not None
    assert result.light.movement == pytest.approx(0.0)


@pytest.mark.parametrize("which", ["power", "light"])
def test_either_signal_that_still_moves_holds_the_gate(which: str) -> None:
    steady, rising = every(5.0, 1200.0), every(5.0, 1200.0, slope=0.03)
    signals = {"power": steady, "light": steady} | {which: rising}
    result = warm_up(1200.0, 1200.0, **signals)
    assert not result.open
    assert f"{which} still moves" in result.reason


def test_signal_that_was_not_seen_over_the_span_holds_the_gate() -> None:
    recent = [s for s in every(5.0, 1200.0) if s[0] > 1100.0]
    result = warm_up(1200.0, 1200.0, power=None, light=recent)
    assert not result.open
    assert "light has not been seen over the last 5 min" in result.reason


def test_hole_in_the_middle_of_the_span_holds_the_gate() -> None:
    holed = [s for s in every(5.0, 1200.0) if not 950.0 < s[0] < 1150.0]
    assert not warm_up(1200.0, 1200.0, power=None, light=holed).open


def test_without_instruments_time_alone_decides_and_says_so() -> None:
    result = warm_up(900.0, 900.0, power=None, light=None)
    assert result.open
    assert "nothing measured to judge by" in result.reason


def test_noise_does_not_hold_the_warm_up_gate_for_ever() -> None:
    # 1 % of noise a sample: 60 samples range over some 5 %, five times the tolerance
    opened = 0
    for seed in range(200):
        noisy = every(5.0, 1200.0, noise=0.01, seed=seed)
        opened += warm_up(1200.0, 1200.0, power=None, light=noisy).open
    assert opened >= 190


def test_noise_does_not_open_the_gate_on_a_lamp_that_still_rises() -> None:
    # 3 % in five minutes under 1 % of noise, three times the tolerance
    opened = 0
    for seed in range(200):
        noisy = every(5.0, 1200.0, noise=0.01, slope=0.03, seed=seed)
        opened += warm_up(1200.0, 1200.0, power=None, light=noisy).open
    assert opened <= 10


def test_stricter_criterion_holds_a_lamp_that_the_bench_would_read() -> None:
    creeping = every(10.0, 2000.0, slope=0.004)
    strict = Stabilisation("strict", 900.0, 900.0, 0.005)
    assert warm_up(2000.0, 2000.0, power=None, light=creeping, criterion=BENCH_STABILISATION).open
    assert not warm_up(2000.0, 2000.0, power=None, light=creeping, criterion=strict).open


def test_a_light_that_went_out_is_not_steady() -> None:
    out = every(5.0, 1200.0, level=0.0)
    result = warm_up(1200.0, 1200.0, power=None, light=out)
    assert not result.open
    assert "not above zero" in result.reason


def test_settle_time_runs_out_before_a_spot_is_read() -> None:
    result = settle(20.0, 20.0, every(1.0, 20.0))
    assert not result.open
    assert result.remaining_s == pytest.approx(10.0)


def test_settled_signal_opens_the_gate_at_the_minimum_time() -> None:
    result = settle(30.0, 30.0, every(1.0, 30.0, noise=0.001))
    assert result.open
    assert "settled" in result.reason


def test_signal_that_drifts_on_lengthens_the_settle_time() -> None:
    # 2 % a minute is 0.33 % over a window of 10 s, limit 0.2 %
    drifting = every(1.0, 40.0, slope=0.10)
    result = settle(40.0, 40.0, drifting)
    assert not result.open
    assert result.drift == pytest.approx(0.0033, abs=2e-4)
    assert "still drifts by +0.3" in result.reason


def test_sensor_that_creeps_up_to_its_value_opens_once_it_is_there() -> None:
    samples = every(1.0, 120.0, rise_s=12.0)
    opened = [t for t in range(30, 121) if settle(float(t), float(t), [s for s in samples if s[0] <= t]).open]
    # by the formula the slope over 10 s falls to 0.2 % at 12 s · ln(10 / 12 / 0.002) = 72 s
    assert 60 <= opened[0] <= 85
    # what the window of 10 s after it would still see is within the limit
    left = math.exp(-opened[0] / 12.0) - math.exp(-(opened[0] + 10.0) / 12.0)
    assert left <= 0.002


def test_noise_does_not_hold_the_settle_gate_beyond_three_times_its_minimum() -> None:
    for seed in range(50):
        noisy = every(1.0, 90.0, noise=0.02, seed=seed)
        assert settle(90.0, 90.0, noisy).open or settle(90.0, 90.0, noisy).drift > 0.002


def test_noise_alone_seldom_delays_a_settled_spot() -> None:
    held = sum(not settle(30.0, 30.0, every(1.0, 30.0, noise=0.002, seed=s)).open for s in range(200))
    assert held <= 20


def test_moved_sensor_is_told_from_the_jump_of_its_signal() -> None:
    samples = [(t, v * (0.9 if t >= 22.0 else 1.0)) for t, v in every(1.0, 40.0, noise=0.002)]
    result = settle(40.0, 40.0, samples)
    assert not result.open
    assert result.bumped_at_s == pytest.approx(22.0)
    assert "was the sensor moved?" in result.reason


def test_shadow_of_the_leaving_operator_is_no_bump() -> None:
    samples = [(t, v * (0.8 if 1.0 <= t <= 3.0 else 1.0)) for t, v in every(1.0, 40.0, noise=0.002)]
    assert not settle(40.0, 40.0, samples).bumped


def test_steady_noise_is_no_bump() -> None:
    bumped = sum(settle(60.0, 60.0, every(1.0, 60.0, noise=0.008, seed=s)).bumped for s in range(500))
    assert bumped <= 5


def test_without_a_light_signal_the_settle_time_decides() -> None:
    assert not settle(29.0, 29.0, None).open
    assert settle(30.0, 30.0, None).open


def test_a_lone_sample_cannot_open_the_settle_gate() -> None:
    result = settle(60.0, 60.0, [(59.0, 400.0)])
    assert not result.open
    assert "too few" in result.reason


def mains(until_s: float, step_s: float = 1.0, volts: float = 230.0, hertz: float = 50.0) -> list[SupplySample]:
    return [SupplySample(t, volts, hertz, 605.0) for t in np.arange(0.0, until_s, step_s)]


def test_supply_within_limits_tells_what_it_could_not_see() -> None:
    result = supply(mains(60.0, 2.0), 20.0, 30.0, limits=SupplyLimits())
    assert result.open
    assert result.blind_s == pytest.approx(2.0)
    assert "a sag shorter than 2 s would not be seen" in result.reason


@pytest.mark.parametrize(("volts", "inside"), [(234.5, True), (234.7, False), (225.5, True), (225.3, False)])
def test_one_sample_out_of_limits_is_enough(volts: float, inside: bool) -> None:
    samples = mains(60.0)
    samples[25] = SupplySample(25.0, volts, 50.0, 605.0)
    assert supply(samples, 20.0, 30.0, limits=SupplyLimits()).open is inside


def test_sag_outside_the_window_does_not_count() -> None:
    samples = mains(60.0)
    samples[40] = SupplySample(40.0, 180.0, 50.0, 605.0)
    assert supply(samples, 20.0, 30.0, limits=SupplyLimits()).open


def test_frequency_of_a_running_generator_is_noticed() -> None:
    result = supply(mains(60.0, hertz=51.2), 20.0, 30.0, limits=SupplyLimits())
    assert not result.open
    assert "51.2 Hz" in result.reason


def test_lamp_that_draws_other_than_when_it_was_steady_is_noticed() -> None:
    result = supply(mains(60.0), 20.0, 30.0, limits=SupplyLimits(), steady_w=640.0)
    assert not result.open
    assert "from when it was steady" in result.reason


def test_window_without_a_sample_holds_the_supply_gate() -> None:
    result = supply(mains(10.0), 20.0, 30.0, limits=SupplyLimits())
    assert not result.open
    assert result.blind_s == math.inf


def test_quantities_that_the_meter_does_not_give_are_not_judged() -> None:
    samples = [SupplySample(float(t), 230.0, None, None) for t in range(20)]
    result = supply(samples, 5.0, 15.0, limits=SupplyLimits(), steady_w=600.0)
    assert result.open
    assert (result.lowest_hz, result.mean_w) == (None, None)


@given(st.lists(st.tuples(st.floats(0.0, 100.0), st.floats(-1e6, 1e6)), max_size=60))
def test_any_samples_give_a_decision_with_a_reason(samples: Samples) -> None:
    for result in (settle(50.0, 100.0, samples), warm_up(2000.0, 100.0, power=samples, light=samples)):
        assert result.reason
        assert isinstance(result.open, bool)


@given(st.lists(st.tuples(st.floats(0.0, 50.0), st.floats(100.0, 1000.0)), min_size=5, max_size=60))
def test_what_happened_before_the_press_changes_nothing(earlier: Samples) -> None:
    since = [(t + 100.0, v) for t, v in every(1.0, 40.0, noise=0.001)]
    alone = settle(40.0, 140.0, since)
    assert settle(40.0, 140.0, [*earlier, *since]) == alone
