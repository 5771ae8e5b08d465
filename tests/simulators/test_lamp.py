"""The lamp's timeline: run-up, drop-out, restrike.

Ranges: metal halide 5–7 min to full light and up to 15 min restrike (Basic Lighting for Electricians Level 2,
BCcampus); high-pressure sodium 3–5 min and about 1 min (trade practice, no source).
"""

from collections.abc import Callable

import pytest
from lampwarden.simulators.lamp import Ballast, Lamp, LampPlan, metal_halide_plan, sodium_plan
from lampwarden.simulators.mains import Mains, MainsPlan, Sag
from lampwarden.simulators.seeds import stream

MINUTE = 60.0


def make(plan: LampPlan, *sags: Sag, seed: int = 3, offset_rel: float = 0.0) -> Lamp:
    supply = Mains(MainsPlan(wander_rel=0.0, frequency_wander_hz=0.0, offset_rel=offset_rel), stream(seed, "mains"))
    for sag in sags:
        supply.add_sag(sag)
    return Lamp(plan, supply, stream(seed, "lamp"))


def first_time(condition: Callable[[float], bool], begin_s: float = 0.0, end_s: float = 3600.0) -> float:
    at_s = begin_s
    while at_s < end_s:
        if condition(at_s):
            return at_s
        at_s += 0.25
    raise AssertionError("it never happened")


@pytest.mark.parametrize(
    ("plan", "shortest_min", "longest_min"), [(sodium_plan("S"), 3, 5), (metal_halide_plan("M"), 5, 7)]
)
def test_light_runs_up_within_the_time_of_its_lamp_type(
    plan: LampPlan, shortest_min: float, longest_min: float
) -> None:
    lamp = make(plan)
    lamp.switch_on(0.0)
    reached_s = first_time(lambda at_s: lamp.relative_light(at_s) >= 0.9)
    assert shortest_min * MINUTE <= reached_s <= longest_min * MINUTE


@pytest.mark.parametrize("plan", [sodium_plan("S"), metal_halide_plan("M")])
def test_light_and_power_are_steady_after_20_minutes_and_not_after_3(plan: LampPlan) -> None:
    lamp = make(plan)
    lamp.switch_on(0.0)

    def span(of: Callable[[float], float], begin_min: float) -> float:
        values = [of(begin_min * MINUTE + at_s) for at_s in range(301)]
        return max(values) / min(values) - 1

    assert span(lamp.relative_light, 20) < 0.002
    assert span(lamp.circuit_power_w, 20) < 0.002
    assert span(lamp.relative_light, 3) > 0.05


@pytest.mark.parametrize(
    ("plan", "shortest_s", "longest_s"), [(sodium_plan("S"), 45.0, 90.0), (metal_halide_plan("M"), 300.0, 900.0)]
)
def test_hot_lamp_restrikes_only_after_it_has_cooled(plan: LampPlan, shortest_s: float, longest_s: float) -> None:
    for seed in range(20):
        lamp = make(plan, seed=seed)
        lamp.switch_on(0.0)
        lamp.switch_off(1800.0)
        lamp.switch_on(1805.0)
        burning_s = first_time(lambda at_s, lamp=lamp: lamp.burn_at(at_s) is not None, 1805.0)
        assert shortest_s <= burning_s - 1800.0 <= longest_s


def test_cold_lamp_strikes_within_seconds() -> None:
    lamp = make(metal_halide_plan("M"))
    lamp.switch_on(100.0)
    assert lamp.relative_light(100.0) == 0.0
    assert first_time(lambda at_s: lamp.relative_light(at_s) > 0.0, 100.0) < 104.0


def test_deep_sag_puts_the_arc_out_and_the_igniter_brings_it_back() -> None:
    lamp = make(sodium_plan("S"), Sag(1200.0, 0.2, 0.6))
    lamp.switch_on(0.0)
    assert lamp.relative_light(1199.9) > 0.95
    assert lamp.relative_light(1200.1) == 0.0
    assert lamp.relative_light(1200.0 + lamp.restrike_s - 1.0) == 0.0
    back_s = first_time(lambda at_s: lamp.relative_light(at_s) > 0.0, 1200.0)
    assert back_s == pytest.approx(1200.0 + lamp.restrike_s, abs=0.5)
    assert lamp.circuit_power_w(1230.0) < 20.0, "ballast and igniter draw little"


def test_shallow_sag_dims_the_lamp_and_leaves_the_arc() -> None:
    lamp = make(sodium_plan("S"), Sag(1200.0, 5.0, 0.94))
    lamp.switch_on(0.0)
    assert len(lamp.burns) == 1
    assert lamp.relative_light(1202.0) / lamp.relative_light(1199.0) == pytest.approx(0.94**2.4, rel=1e-4)


def test_arc_cannot_be_struck_while_the_supply_is_down() -> None:
    lamp = make(sodium_plan("S"), Sag(0.0, 30.0, 0.5))
    lamp.switch_on(5.0)
    assert first_time(lambda at_s: lamp.burn_at(at_s) is not None) == 30.0


def test_restruck_lamp_is_warm_and_runs_up_faster() -> None:
    lamp = make(sodium_plan("S"))
    lamp.switch_on(0.0)
    lamp.switch_off(1800.0)
    lamp.switch_on(1801.0)
    first, second = lamp.burns
    to_90 = [
        first_time(lambda at_s: lamp.relative_light(at_s) >= 0.9, burn.start_s) - burn.start_s
        for burn in (first, second)
    ]
    assert to_90[1] < 0.8 * to_90[0]
    assert lamp.relative_light(second.start_s + 0.1) < lamp.relative_light(1799.0)


def test_electronic_ballast_hides_the_supply_from_the_light() -> None:
    soft, stiff = (
        make(sodium_plan("S", ballast=ballast), offset_rel=-0.05) for ballast in (Ballast.MAGNETIC, Ballast.ELECTRONIC)
    )
    for lamp in (soft, stiff):
        lamp.switch_on(0.0)
    assert soft.relative_light(1800.0) < 0.90
    assert stiff.relative_light(1800.0) > 0.98


def test_energy_register_is_the_integral_of_the_power() -> None:
    lamp = make(sodium_plan("S"), Sag(900.0, 1.0, 0.5))
    lamp.switch_on(0.0)
    lamp.switch_off(2400.0)
    step_s = 0.25
    burning = (
        lamp.circuit_power_w(at_s)
        for at_s in (step_s * (n + 0.5) for n in range(round(3000 / step_s)))
        if lamp.burn_at(at_s) is not None
    )
    assert lamp.energy_j(3000.0) == pytest.approx(step_s * sum(burning), rel=2e-3)


def test_any_instant_can_be_asked_in_any_order() -> None:
    lamp = make(metal_halide_plan("M"), Sag(700.0, 1.0, 0.5))
    lamp.switch_on(0.0)
    instants = [float(at_s) for at_s in range(0, 3000, 7)]
    forward = [lamp.relative_light(at_s) for at_s in instants]
    assert [lamp.relative_light(at_s) for at_s in reversed(instants)] == forward[::-1]


def test_switching_twice_changes_nothing() -> None:
    lamp = make(sodium_plan("S"))
    lamp.switch_off(0.0)
    lamp.switch_on(10.0)
    once = list(lamp.burns)
    lamp.switch_on(50.0)
    assert lamp.burns == once
