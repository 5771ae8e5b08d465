"""The air around the bench: outside slow, inside warmed by the lamp.

The tent's air follows the heat of the lamp as a first-order system. Because the circuit's power is exponential in time
(:mod:`.lamp`), its answer to each burn is known in closed form and the burns add up. Moisture is carried as vapour
pressure, so relative humidity falls when the air warms. Saturation pressure: WMO-No. 8, annex 4.B, over water.
"""

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from .lamp import Lamp


@dataclass(frozen=True, slots=True, kw_only=True)
class TentPlan:
    """The room and the tent in it.

    Attributes:
        outside_c: Mean temperature of the room.
        outside_swing_c: Largest excursion of the room from it.
        outside_humidity_percent: Relative humidity of the room at its mean temperature.
        pressure_hpa: Mean air pressure.
        pressure_swing_hpa: Largest excursion from it.
        warming_c_per_w: Final rise of the tent over the room per watt of circuit power.
        response_s: Time constant of the tent.
        plants_hpa: Vapour pressure that the plants add inside.
    """

    outside_c: float = 16.0
    outside_swing_c: float = 0.4
    outside_humidity_percent: float = 60.0
    pressure_hpa: float = 1009.0
    pressure_swing_hpa: float = 0.6
    warming_c_per_w: float = 0.03
    response_s: float = 500.0
    plants_hpa: float = 1.8


class Air(NamedTuple):
    """The state of the air: temperature, relative humidity, pressure."""

    temperature_c: float
    humidity_percent: float
    pressure_hpa: float


def saturation_pressure_hpa(temperature_c: float) -> float:
    """Saturation vapour pressure over water (WMO-No. 8, annex 4.B; without the enhancement factor)."""
    return 6.112 * math.exp(17.62 * temperature_c / (243.12 + temperature_c))


class Tent:
    """The air at any instant."""

    def __init__(self, plan: TentPlan, lamp: Lamp, generator: np.random.Generator) -> None:
        self.plan = plan
        self._lamp = lamp
        self._phases = [float(phase) for phase in generator.uniform(0.0, 2 * math.pi, 3)]
        self._day_s = float(generator.uniform(3600.0, 9000.0))
        self._vapour_hpa = saturation_pressure_hpa(plan.outside_c) * plan.outside_humidity_percent / 100.0

    def _swing(self, at_s: float, which: int) -> float:
        return math.sin(2 * math.pi * at_s / self._day_s / (1.0 + 0.3 * which) + self._phases[which])

    def _pressure_hpa(self, at_s: float) -> float:
        return self.plan.pressure_hpa + self.plan.pressure_swing_hpa * self._swing(at_s, 1)

    def _air(self, temperature_c: float, vapour_hpa: float, at_s: float) -> Air:
        humidity = 100.0 * vapour_hpa / saturation_pressure_hpa(temperature_c)
        return Air(temperature_c, min(humidity, 100.0), self._pressure_hpa(at_s))

    def outside(self, at_s: float) -> Air:
        """Air of the room."""
        vapour_hpa = self._vapour_hpa * (1.0 + 0.02 * self._swing(at_s, 2))
        return self._air(self._outside_c(at_s), vapour_hpa, at_s)

    def inside(self, at_s: float) -> Air:
        """Air of the tent, shaded from the lamp's direct light."""
        vapour_hpa = self._vapour_hpa * (1.0 + 0.02 * self._swing(at_s, 2)) + self.plan.plants_hpa
        return self._air(self._outside_c(at_s) + self.rise_c(at_s), vapour_hpa, at_s)

    def _outside_c(self, at_s: float) -> float:
        return self.plan.outside_c + self.plan.outside_swing_c * self._swing(at_s, 0)

    def rise_c(self, at_s: float) -> float:
        """How much warmer the tent is than the room."""
        lamp = self._lamp.plan
        final_c = self.plan.warming_c_per_w * lamp.rated_power_w * (1.0 + lamp.ballast_loss)
        tent_s, power_s = self.plan.response_s, lamp.power_rise_s
        rise = 0.0
        for burn in self._lamp.burns:
            if burn.start_s >= at_s:
                break
            burnt_s = min(at_s, burn.end_s) - burn.start_s
            # y' = (u − y)/τ with u = 1 − b·exp(−t/T) and y(0) = 0
            missing = (1.0 - lamp.first_power) * math.exp(-burn.warm_s / power_s)
            decay = math.exp(-burnt_s / tent_s)
            answer = 1.0 - decay - missing * (math.exp(-burnt_s / power_s) - decay) / (1.0 - tent_s / power_s)
            rise += final_c * answer * math.exp(-max(0.0, at_s - burn.end_s) / tent_s)
        return rise
