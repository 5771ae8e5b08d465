"""The bench as a whole: truth, determinism, sags and scenarios."""

from collections.abc import Callable
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from lampwarden.simulators.bench import SimulatedBench
from lampwarden.simulators.lamp import LampType, sodium_plan
from lampwarden.simulators.mains import MainsPlan
from lampwarden.simulators.modbus import crc_of
from lampwarden.simulators.scenario import SagPlan, Scenario

AIR = bytes.fromhex("0B0400000003")
METER = bytes.fromhex("01040000000C")


def framed(body: bytes) -> bytes:
    return body + crc_of(body)


def walk(bench: SimulatedBench, *, ask_air: int = 1, ask_spectrum: bool = True) -> list[bytes]:
    """Strike, visit spots, and return what quantum sensor and power meter said."""
    bench.place_sensor("reference", 0.0)
    bench.strike(1.0)
    said = []
    signal = bench.spectrometer.core.commands.signal
    for second in range(0, 1500, 5):
        if second % 300 == 0:
            bench.place_sensor("ABCDEF"[second // 300] + "2", float(second))
        said += [item.data for item in bench.quantum.receive(b"0RC0!", float(second))]
        for _ in range(ask_air):
            bench.air_line.receive(framed(AIR), float(second))
        if ask_spectrum:
            signal.counts(float(second), 0.01, 1, open_=True)
        said += [item.data for item in bench.power_meter.receive(framed(METER), float(second))]
    return said


def test_same_scenario_and_seed_give_the_same_bytes() -> None:
    assert walk(SimulatedBench(Scenario.demo(), 3)) == walk(SimulatedBench(Scenario.demo(), 3))


def test_another_seed_gives_other_bytes() -> None:
    assert walk(SimulatedBench(Scenario.demo(), 3)) != walk(SimulatedBench(Scenario.demo(), 4))


def test_an_instruments_noise_does_not_depend_on_who_else_is_asked() -> None:
    alone = walk(SimulatedBench(Scenario.demo(), 3), ask_air=0, ask_spectrum=False)
    assert walk(SimulatedBench(Scenario.demo(), 3), ask_air=7) == alone


def test_truth_of_a_grid_is_the_mean_of_its_spots() -> None:
    bench = SimulatedBench(Scenario.demo(), 1)
    bench.strike(0.0)
    spots = bench.scenario.grid.spots()
    each = [bench.true_ppfd_umol(spot, 2000, 2010) for spot in spots]
    assert bench.true_canopy_average_umol(spots, 2000, 2010) == pytest.approx(np.mean(each), rel=1e-12)
    assert bench.true_uniformity_ratio(spots) == pytest.approx(max(each) / min(each), rel=1e-9)
    assert max(zip(each, spots, strict=True))[1] == bench.scenario.grid.reference


def test_true_bands_add_up_to_the_true_ppfd() -> None:
    bench = SimulatedBench(Scenario.demo(), 1)
    bench.strike(0.0)
    bands = bench.true_photon_bands_umol("A1", 2000, 2010, [(400, 500), (500, 600), (600, 700)])
    assert sum(bands) == pytest.approx(bench.true_ppfd_umol("A1", 2000, 2010), rel=1e-6)


def test_true_mean_over_a_window_weighs_a_sag_by_its_length() -> None:
    sag = SagPlan(after="C2", delay_s=100.25, duration_s=2.5, remaining=0.9)
    bench = SimulatedBench(replace(Scenario.ideal(), sags=(sag,)), 1)
    bench.strike(0.0)
    bench.place_sensor("C2", 3000.0)
    whole = bench.true_ppfd_umol("C2", 3099.0, 3100.0)
    expected = whole * (7.5 + 2.5 * 0.9**2.4) / 10
    assert bench.true_ppfd_umol("C2", 3098.0, 3108.0) == pytest.approx(expected, rel=1e-5)


def test_demo_is_the_bench_that_was_asked_for() -> None:
    scenario = Scenario.demo()
    bench = SimulatedBench(scenario, 1)
    bench.strike(0.0)
    spots = scenario.grid.spots()
    assert (len(spots), spots[0], spots[-1], scenario.grid.reference) == (24, "A1", "F4", "C2")
    assert scenario.lamp.type is LampType.HIGH_PRESSURE_SODIUM
    assert scenario.lamp.rated_power_w == 250.0
    assert 300.0 < bench.true_canopy_average_umol(spots, 2000, 2010) < 600.0
    assert 250.0 < bench.lamp.circuit_power_w(2000.0) < 300.0
    assert len(scenario.sags) == len(scenario.disturbances) == 1


def test_sag_of_the_demo_comes_once_after_the_first_visit() -> None:
    bench = SimulatedBench(Scenario.demo(), 1)
    (plan,) = bench.scenario.sags
    bench.strike(0.0)
    bench.place_sensor("D3", 2000.0)
    bench.place_sensor("D3", 2100.0)
    (sag,) = bench.mains.sags
    assert sag.start_s == 2000.0 + plan.delay_s
    assert len(bench.lamp.burns) == 1, "too shallow to put the arc out"


def test_deep_sag_after_strike_puts_the_arc_out_in_mid_test() -> None:
    scenario = replace(Scenario.demo(), sags=(SagPlan(after="strike", delay_s=1500.0, duration_s=0.3, remaining=0.5),))
    bench = SimulatedBench(scenario, 1)
    bench.strike(10.0)
    assert bench.lamp.relative_light(1509.0) > 0.9
    assert bench.lamp.relative_light(1511.0) == 0.0
    assert len(bench.lamp.burns) == 2


@pytest.mark.parametrize("seed", range(25))
def test_random_scenario_is_a_bench_that_can_be_measured(seed: int) -> None:
    scenario = Scenario.random(seed)
    assert scenario == Scenario.random(seed)
    bench = SimulatedBench(scenario, seed)
    bench.place_sensor("reference", 0.0)
    bench.strike(1.0)
    spots = scenario.grid.spots()
    assert 100.0 < bench.true_canopy_average_umol(spots, 2400, 2410) < 2500.0
    assert max(spots, key=lambda spot: bench.true_ppfd_umol(spot, 2400, 2400)) in {"C2", "C3", "D2", "B2", "D3"}
    levels = [bench.mains.relative_voltage(2000.0 + at_s) for at_s in range(300)]
    assert max(levels) - min(levels) < 0.003
    (answer,) = bench.quantum.receive(b"0R0!", 2400.0)
    assert float(answer.data[1:]) > 50.0


def test_random_scenarios_cover_both_lamps_both_ballasts_and_both_grids() -> None:
    drawn = [Scenario.random(seed) for seed in range(60)]
    assert len({(each.lamp.type, each.lamp.ballast) for each in drawn}) == 4
    assert {each.mains.nominal_hz for each in drawn} == {50.0, 60.0}


def test_certificates_say_that_they_are_simulated_and_are_in_force() -> None:
    bench = SimulatedBench(Scenario.demo(), 42)
    today = date(2030, 6, 1)
    certificates = bench.calibrations(today)
    assert set(certificates) == {"quantum", "spectrometer", "power_meter", "air_inside", "air_outside"}
    for each in certificates.values():
        assert each.certificate.startswith("SIMULATED-")
        assert each.issued < today < each.due
    assert certificates["quantum"].expanded_rel == pytest.approx(0.025)
    factors = certificates["spectrometer"].irradiance_factors
    assert factors is not None
    assert factors.shape == (2048,)
    assert np.all(factors > 0)


def test_lamp_hung_too_low_reads_bright_while_the_truth_keeps_the_stated_height() -> None:
    scenario = replace(Scenario.ideal(), u_height_m=0.01)
    ratios = []
    for run in range(40):
        bench = SimulatedBench(scenario, 1, run)
        bench.strike(0.0)
        bench.place_sensor("C2", 3000.0)
        (answer,) = bench.quantum.receive(b"0R0!", 3060.0)
        ratios.append(float(answer.data[1:]) / bench.true_ppfd_umol("C2", 3060.0, 3060.0))
    # straight below the lamp E goes as 1/h²: 2 × 0.01/0.6 relative; 40 draws know it within 11 % (k = 1)
    assert np.std(ratios) == pytest.approx(2 * 0.01 / 0.6, rel=0.35)


def test_unsteady_supply_shows_in_power_and_light_alike() -> None:
    scenario = replace(Scenario.ideal(), mains=MainsPlan(wander_rel=0.01), lamp=sodium_plan("S"))
    bench = SimulatedBench(scenario, 2)
    bench.strike(0.0)
    voltages, light = (
        np.array([of(3000.0 + at_s) for at_s in range(0, 2000, 10)])
        for of in (bench.mains.relative_voltage, bench.lamp.relative_light)
    )
    assert np.corrcoef(np.log(voltages), np.log(light))[0, 1] > 0.99


def test_polls_cost_tens_of_microseconds_of_processor_time() -> None:
    """Processor time, not time on the wall, with a bound ten times above what it takes: the closed form must stay."""
    import time

    bench = SimulatedBench(Scenario.demo(), 1)
    bench.strike(0.0)
    bench.place_sensor("C2", 0.0)

    def cost_us(ask: Callable[[float], object], polls: int) -> float:
        begin = time.process_time()
        for n in range(polls):
            ask(1000.0 + n)
        return (time.process_time() - begin) / polls * 1e6

    assert cost_us(lambda now_s: bench.quantum.receive(b"0R0!", now_s), 1000) < 100
    assert cost_us(lambda now_s: bench.power_meter.receive(framed(METER), now_s), 1000) < 150
    assert cost_us(lambda now_s: bench.air_line.receive(framed(AIR), now_s), 1000) < 120
