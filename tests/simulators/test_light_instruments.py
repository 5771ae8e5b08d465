"""Quantum sensor and spectrometer: without noise they show the truth, with it they err as their certificates say."""

import math
from dataclasses import replace

import numpy as np
import pytest
from lampwarden.simulators.bench import SimulatedBench
from lampwarden.simulators.camera import SpectrometerPlan, SpectrometerSignal
from lampwarden.simulators.post import Disturbance, PostPlan
from lampwarden.simulators.quantum import QuantumPlan
from lampwarden.simulators.scenario import RipplePlan, Scenario
from scipy import constants

SETTLED_S = 3000.0


def burning(scenario: Scenario, seed: int = 1, run: int = 0) -> SimulatedBench:
    bench = SimulatedBench(scenario, seed, run)
    bench.strike(0.0)
    return bench


def camera(bench: SimulatedBench) -> SpectrometerSignal:
    return bench.spectrometer.core.commands.signal


def shown(bench: SimulatedBench, at_s: float) -> float:
    (answer,) = bench.quantum.receive(b"0R0!", at_s)
    return float(answer.data[1:].decode())


def ppfd_of(bench: SimulatedBench, counts: np.ndarray, dark: np.ndarray, integration_s: float) -> float:
    plan = bench.scenario.spectrometer
    nm = np.polynomial.polynomial.polyval(np.arange(plan.pixel_count), plan.wavelength_nm)
    irradiance = (counts - dark) / integration_s * camera(bench).irradiance_factors
    photons = irradiance * nm * 1e-9 / (constants.h * constants.c * constants.N_A) * 1e6
    fine = np.linspace(400.0, 700.0, 6001)
    return float(np.trapezoid(np.interp(fine, nm, photons), fine))


@pytest.mark.parametrize("spot", ["A1", "C2", "F4"])
def test_ideal_sensor_shows_the_truth_to_its_last_digit(spot: str) -> None:
    bench = burning(Scenario.ideal())
    bench.place_sensor(spot, SETTLED_S)
    truth = bench.true_ppfd_umol(spot, SETTLED_S + 60, SETTLED_S + 60)
    assert truth > 100.0
    assert shown(bench, SETTLED_S + 60) == pytest.approx(truth, abs=0.0501)


@pytest.mark.parametrize("spot", ["A1", "C2"])
def test_ideal_spectrometer_adds_up_to_the_true_ppfd(spot: str) -> None:
    bench = burning(Scenario.ideal())
    bench.place_sensor(spot, SETTLED_S)
    signal = camera(bench)
    open_, dark = (signal.counts(SETTLED_S + 10, 0.05, 20, open_=state) for state in (True, False))
    truth = bench.true_ppfd_umol(spot, SETTLED_S + 10, SETTLED_S + 11)
    # a pixel pitch of 0.25 nm, whole counts and the bandwidth at the ends of the range leave less than 0.2 %
    assert ppfd_of(bench, open_, dark, 0.05) == pytest.approx(truth, rel=2e-3)


def test_sensor_settles_exponentially_after_it_is_placed() -> None:
    scenario = replace(Scenario.ideal(), quantum=replace(Scenario.ideal().quantum, lag_s=3.0, resolution_umol=0.0))
    bench = burning(scenario)
    signal = bench._quantum_signal
    bench.place_sensor("F4", SETTLED_S)
    low = signal.reading_umol(SETTLED_S + 100)
    bench.place_sensor("C2", SETTLED_S + 100)
    high = signal.reading_umol(SETTLED_S + 200)
    after_one_lag = signal.reading_umol(SETTLED_S + 103)
    assert (high - after_one_lag) / (high - low) == pytest.approx(math.exp(-1), rel=1e-3)


def test_lag_follows_shadow_and_moves_as_a_numeric_filter_does() -> None:
    ideal = Scenario.ideal()
    post = PostPlan(position_m=0.0, lift_m=0.0, shadow_factor=0.4, shadow_s=6.0)
    bench = burning(replace(ideal, post=post, quantum=replace(ideal.quantum, lag_s=3.0, resolution_umol=0.0)))
    for at_s, spot in ((0.0, "F4"), (60.0, "C2"), (62.0, "A1"), (70.0, "D3")):
        bench.place_sensor(spot, SETTLED_S + at_s)
    step_s, followed = 0.005, bench.post.stands[1].ppfd_umol
    for n in range(round(100 / step_s)):
        at_s = SETTLED_S + n * step_s
        aim = next(stand.ppfd_umol for stand in reversed(bench.post.stands) if stand.since_s <= at_s)
        if n == 0:
            followed = aim
        if n % 200 == 0 and n * step_s > 20:
            expected = followed * bench.lamp.relative_light(at_s)
            assert bench._quantum_signal.reading_umol(at_s) == pytest.approx(expected, rel=3e-3)
        followed += step_s * (aim - followed) / 3.0


def test_operators_shadow_lies_on_the_sensor_for_some_seconds() -> None:
    ideal = Scenario.ideal()
    bench = burning(replace(ideal, post=PostPlan(position_m=0.0, lift_m=0.0, shadow_factor=0.7, shadow_s=8.0)))
    bench.place_sensor("C2", SETTLED_S)
    signal = camera(bench)
    early, late = (signal.counts(SETTLED_S + at_s, 0.05, 1, open_=True).max() for at_s in (1.0, 30.0))
    floor = bench.scenario.spectrometer.offset_counts
    assert (early - floor) / (late - floor) == pytest.approx(0.7, abs=0.01)


def test_moving_on_before_the_shadow_has_left_starts_a_new_shadow() -> None:
    ideal = Scenario.ideal()
    bench = burning(replace(ideal, post=PostPlan(position_m=0.0, lift_m=0.0, shadow_factor=0.5, shadow_s=8.0)))
    bench.place_sensor("C2", SETTLED_S)
    bench.place_sensor("C2", SETTLED_S + 1.0)
    assert bench.post.stands[-2].since_s == SETTLED_S + 1.0
    assert bench.post.stands == sorted(bench.post.stands, key=lambda stand: stand.since_s)
    assert shown(bench, SETTLED_S + 40) == pytest.approx(
        bench.true_ppfd_umol("C2", SETTLED_S + 40, SETTLED_S + 40), abs=0.06
    )


def test_leaf_on_the_sensor_reads_low_until_it_is_placed_again() -> None:
    scenario = replace(Scenario.ideal(), disturbances=(Disturbance(spot="B4", visit=1, factor=0.85),))
    bench = burning(scenario)
    readings = []
    for attempt in range(2):
        at_s = SETTLED_S + 100 * attempt
        bench.place_sensor("B4", at_s)
        bench.bump(at_s + 20)
        readings.append(shown(bench, at_s + 90) / bench.true_ppfd_umol("B4", at_s + 90, at_s + 90))
    assert readings == pytest.approx([0.85, 1.0], abs=1e-3)


def test_sensor_sees_only_ambient_light_and_its_zero_when_the_lamp_is_off() -> None:
    ideal = Scenario.ideal()
    bench = SimulatedBench(replace(ideal, ambient_umol=0.7, quantum=replace(ideal.quantum, zero_umol=0.2)), 1)
    bench.place_sensor("reference", 0.0)
    assert shown(bench, 60.0) == pytest.approx(0.9, abs=0.051)


def test_calibration_errors_scatter_as_the_certificate_states() -> None:
    plan = QuantumPlan(u_calibration_rel=0.0125, u_cosine_rel=0.0, u_spectral_rel=0.0, noise_rel=0.0, noise_umol=0.0)
    scenario = replace(Scenario.ideal(), quantum=replace(plan, zero_umol=0.0))
    errors = []
    for seed in range(400):
        bench = burning(scenario, seed)
        bench.place_sensor("C2", SETTLED_S)
        truth = bench.true_ppfd_umol("C2", SETTLED_S + 60, SETTLED_S + 60)
        errors.append(shown(bench, SETTLED_S + 60) * plan.factor / truth - 1)
    # of 400 draws the standard deviation is known within 3.5 % (1/√800), the mean within 5 %: four times that
    assert np.std(errors) == pytest.approx(0.0125, rel=0.15)
    assert abs(np.mean(errors)) < 4 * 0.0125 / 20


def test_calibration_stays_from_run_to_run_and_noise_does_not() -> None:
    base = Scenario.demo()
    plan = replace(base.quantum, noise_umol=0.0, noise_rel=0.0)
    scenario = replace(base, quantum=plan, post=PostPlan(position_m=0.0, lift_m=0.0, shadow_s=0.0), u_height_m=0.0)
    ratios = []
    for run in (0, 1):
        bench = burning(scenario, 7, run)
        bench.place_sensor("C2", SETTLED_S)
        truth = bench.true_ppfd_umol("C2", SETTLED_S + 60, SETTLED_S + 60)
        ratios.append((shown(bench, SETTLED_S + 60) - plan.zero_umol) / (truth + scenario.ambient_umol))
    assert ratios[0] == pytest.approx(ratios[1], abs=2e-4)
    noisy = [burning(base, 7, run) for run in (0, 1)]
    for bench in noisy:
        bench.place_sensor("C2", SETTLED_S)
    assert (
        camera(noisy[0]).counts(3100, 0.05, 1, open_=True).tolist()
        != camera(noisy[1]).counts(3100, 0.05, 1, open_=True).tolist()
    )


def test_dark_grows_with_the_integration_time_and_differs_from_pixel_to_pixel() -> None:
    ideal = Scenario.ideal()
    signal = camera(SimulatedBench(ideal, 1))
    short, long = (signal.counts(0.0, integration_s, 1, open_=False) for integration_s in (0.01, 10.0))
    plan = ideal.spectrometer
    assert short.mean() == pytest.approx(plan.offset_counts + 0.01 * plan.dark_rate, abs=1.0)
    assert long.mean() == pytest.approx(plan.offset_counts + 10 * plan.dark_rate, rel=0.01)
    assert np.std(long) == pytest.approx(0.05 * 10 * plan.dark_rate, rel=0.1)  # 5 %, known within 1.6 % (k = 1)


def test_strong_light_clips_at_full_scale_and_goes_no_further() -> None:
    bench = burning(Scenario.demo())
    bench.place_sensor("C2", SETTLED_S)
    counts = camera(bench).counts(SETTLED_S + 30, 1.0, 3, open_=True)
    assert counts.max() == 65535
    assert (counts == 65535).sum() > 10
    assert counts.min() >= 0


def test_ripple_that_clips_only_some_exposures_lowers_their_mean() -> None:
    scenario = replace(Scenario.ideal(), ripple=RipplePlan(depth=0.9))
    bench = burning(scenario)
    bench.place_sensor("C2", SETTLED_S)
    signal = camera(bench)
    integration_s = 0.0145
    floor = scenario.spectrometer.offset_counts
    level = signal.counts(SETTLED_S + 30, integration_s, 400, open_=True).max()
    factor = (65535 * 0.97 - floor) / (level - floor)
    brighter = replace(scenario, light_field=replace(scenario.light_field, peak_ppfd_umol=600.0 * factor))
    clipped = burning(brighter)
    clipped.place_sensor("C2", SETTLED_S)
    mean = camera(clipped).counts(SETTLED_S + 30, integration_s, 400, open_=True).max()
    assert mean < 0.97 * 65535 * 0.999


def test_whole_ripple_periods_repeat_better_than_a_period_and_a_half() -> None:
    ideal = Scenario.ideal()
    bench = burning(replace(ideal, ripple=RipplePlan(depth=0.8)))
    bench.place_sensor("C2", SETTLED_S)
    signal = camera(bench)

    def scatter(integration_s: float) -> float:
        peaks = [signal.counts(SETTLED_S + 30 + 0.0137 * n, integration_s, 1, open_=True).max() for n in range(60)]
        return float(np.ptp(peaks) / np.mean(peaks))

    assert scatter(0.020) < 2e-3
    # peak to peak 2·0.8/(1.5π) of the light for 15 ms at 100 Hz; the dark floor dilutes it a little
    assert scatter(0.015) == pytest.approx(2 * 0.8 / (1.5 * math.pi), rel=0.25)


def test_averaging_lowers_the_noise_by_the_square_root() -> None:
    bench = SimulatedBench(Scenario.demo(), 1)
    signal = camera(bench)
    single, many = (np.std(signal.counts(10.0, 0.01, n, open_=False) - 1450.0) for n in (1, 100))
    assert single == pytest.approx(SpectrometerPlan().read_noise, rel=0.1)  # 2048 pixels: within 1.6 % (k = 1)
    assert many == pytest.approx(single / 10, rel=0.1)


def test_shot_noise_grows_with_the_square_root_of_the_light() -> None:
    scenario = replace(Scenario.ideal(), spectrometer=replace(Scenario.ideal().spectrometer, electrons_per_count=4.0))
    bench = burning(scenario)
    bench.place_sensor("C2", SETTLED_S)
    signal = camera(bench)
    series = np.stack([signal.counts(SETTLED_S + 30, 0.05, 1, open_=True) for _ in range(200)])
    dark = signal.counts(SETTLED_S + 30, 0.05, 1, open_=False)
    bright = int(np.argmax(series.mean(axis=0)))
    expected = math.sqrt((series.mean(axis=0)[bright] - dark[bright]) / 4.0)
    assert series[:, bright].std() == pytest.approx(expected, rel=0.2)  # 200 draws: 5 % (k = 1)


def test_wavelength_scale_is_off_by_what_the_certificate_allows() -> None:
    scenario = replace(Scenario.ideal(), spectrometer=replace(Scenario.ideal().spectrometer, u_wavelength_nm=0.08))
    shifts = []
    for seed in range(60):
        bench = burning(scenario, seed)
        bench.place_sensor("C2", SETTLED_S)
        counts = camera(bench).counts(SETTLED_S + 30, 0.05, 1, open_=True)
        plan = scenario.spectrometer
        nm = np.polynomial.polynomial.polyval(np.arange(plan.pixel_count), plan.wavelength_nm)
        window = (nm > 812) & (nm < 826)
        light = counts[window] - plan.offset_counts
        shifts.append(float(np.sum(light * nm[window]) / np.sum(light)))
    assert 0.05 < np.std(shifts) < 0.12
