"""What the power meter and the air loggers show: the world's values with gain, offset, noise and a last digit."""

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from .lamp import Lamp
from .mains import Mains
from .seeds import Noise
from .tent import Air


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerMeterPlan:
    """A power meter and its certificate: standard uncertainties of gain, noise, and energy on its register."""

    u_voltage_rel: float = 0.001
    u_current_rel: float = 0.001
    u_power_rel: float = 0.002
    noise_rel: float = 0.0002
    first_energy_kwh: float = 118.4


@dataclass(frozen=True, slots=True, kw_only=True)
class AirLoggerPlan:
    """An air logger and its certificate: standard uncertainties of its offsets, and noise."""

    u_temperature_c: float = 0.15
    u_humidity_percent: float = 1.5
    u_pressure_hpa: float = 0.5
    noise_temperature_c: float = 0.02
    noise_humidity_percent: float = 0.05
    noise_pressure_hpa: float = 0.05


class Supply(NamedTuple):
    """What a power meter shows at one instant."""

    voltage_v: float
    current_a: float
    power_w: float
    power_factor: float
    frequency_hz: float
    energy_kwh: float


class PowerSignal:
    """The readings of a power meter at the ballast's input."""

    def __init__(
        self,
        plan: PowerMeterPlan,
        mains: Mains,
        lamp: Lamp,
        truth: np.random.Generator,
        noise: np.random.Generator,
    ) -> None:
        voltage, current, power = (float(each) for each in truth.standard_normal(3))
        self.plan = plan
        self._mains = mains
        self._lamp = lamp
        self._voltage_gain = 1.0 + plan.u_voltage_rel * voltage
        self._current_gain = 1.0 + plan.u_current_rel * current
        self._power_gain = 1.0 + plan.u_power_rel * power
        self._noise = Noise(noise)

    def reading(self, at_s: float) -> Supply:
        """What the meter shows at an instant."""
        true_v = self._mains.voltage_v(at_s)
        true_w = self._lamp.circuit_power_w(at_s)
        true_a = true_w / (true_v * self._lamp.circuit_power_factor(at_s)) if true_v > 0.0 else 0.0
        scatter, draw = self.plan.noise_rel, self._noise.draw
        voltage_v = round(true_v * self._voltage_gain * (1.0 + scatter * draw()), 1)
        current_a = round(true_a * self._current_gain * (1.0 + scatter * draw()), 3)
        power_w = round(true_w * self._power_gain * (1.0 + scatter * draw()), 1)
        apparent_va = voltage_v * current_a
        return Supply(
            voltage_v,
            current_a,
            power_w,
            round(min(1.0, power_w / apparent_va), 3) if apparent_va > 0.0 else 1.0,
            round(self._mains.frequency_hz(at_s), 3),
            round(self.plan.first_energy_kwh + self._lamp.energy_j(at_s) / 3.6e6, 2),
        )


class AirSignal:
    """The readings of an air logger; air is handed in because one logger hangs inside and one outside."""

    def __init__(self, plan: AirLoggerPlan, truth: np.random.Generator, noise: np.random.Generator) -> None:
        temperature, humidity, pressure = (float(each) for each in truth.standard_normal(3))
        self.plan = plan
        self._temperature_c = plan.u_temperature_c * temperature
        self._humidity_percent = plan.u_humidity_percent * humidity
        self._pressure_hpa = plan.u_pressure_hpa * pressure
        self._noise = Noise(noise)

    def reading(self, air: Air) -> Air:
        """What the logger shows of that air."""
        draw, plan = self._noise.draw, self.plan
        humidity = air.humidity_percent + self._humidity_percent + plan.noise_humidity_percent * draw()
        return Air(
            air.temperature_c + self._temperature_c + plan.noise_temperature_c * draw(),
            math.fabs(min(humidity, 100.0)),
            air.pressure_hpa + self._pressure_hpa + plan.noise_pressure_hpa * draw(),
        )
