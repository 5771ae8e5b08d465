"""The tent's air against a numeric solution of its equation."""

import pytest
from lampwarden.simulators.lamp import Lamp, sodium_plan
from lampwarden.simulators.mains import Mains, MainsPlan
from lampwarden.simulators.seeds import stream
from lampwarden.simulators.tent import Tent, TentPlan, saturation_pressure_hpa


def make() -> tuple[Lamp, Tent]:
    supply = Mains(MainsPlan(wander_rel=0.0, frequency_wander_hz=0.0), stream(1, "mains"))
    lamp = Lamp(sodium_plan("S"), supply, stream(1, "lamp"))
    return lamp, Tent(TentPlan(outside_swing_c=0.0, warming_c_per_w=0.03, response_s=500.0), lamp, stream(1, "tent"))


def test_saturation_pressure_is_that_of_wmo_8_annex_4b() -> None:
    assert saturation_pressure_hpa(20.0) == pytest.approx(23.326, abs=5e-4)  # e_w(20 °C)


def test_tent_follows_the_lamps_power_as_a_first_order_system() -> None:
    lamp, tent = make()
    lamp.switch_on(0.0)
    lamp.switch_off(1500.0)
    lamp.switch_on(1600.0)
    rise, step_s, checked = 0.0, 0.05, 0
    for n in range(round(3600 / step_s)):
        at_s = n * step_s
        if n % round(300 / step_s) == 0:
            assert tent.rise_c(at_s) == pytest.approx(rise, abs=0.02)
            checked += 1
        burning = lamp.burn_at(at_s + step_s / 2) is not None
        heat_c = 0.03 * lamp.circuit_power_w(at_s + step_s / 2) if burning else 0.0
        rise += step_s * (heat_c - rise) / 500.0
    assert checked == 12
    assert rise > 6.0


def test_warming_dries_the_air_and_leaves_the_room_alone() -> None:
    lamp, tent = make()
    before = tent.inside(0.0), tent.outside(0.0)
    lamp.switch_on(0.0)
    after = tent.inside(3000.0), tent.outside(3000.0)
    assert after[0].temperature_c > before[0].temperature_c + 5.0
    assert after[0].humidity_percent < before[0].humidity_percent - 10.0
    assert after[1].temperature_c == before[1].temperature_c
    assert after[0].pressure_hpa == after[1].pressure_hpa
