"""A high-intensity discharge lamp on its ballast, from strike to drop-out and restrike.

Owns the timeline of the arc and answers, for any instant, how much of its rated light and power the lamp gives. The
timeline is a list of *burns*. It is laid out ahead from what is known: switched on, off, and the sags of the supply;
a sag that is too deep puts the arc out, and the igniter brings it back when the lamp has cooled for the restrike time.

Light rises as 1 − exp(−(τ/T)^p) (slow, then fast, then slow) with a small tail, power exponentially; both forms can be
inverted or integrated, which a lamp that restrikes warm and an energy register need. Both follow the supply voltage by
an exponent. Ranges: metal halide 5–7 min to full light, restrike up to 15 min (Basic Lighting for Electricians
Level 2, BCcampus); high-pressure sodium 3–5 min and about 1 min (trade practice, no source). Exponents, drop-out levels
and shapes: common practice, no source.

The spectrum does not change with the arc's temperature here, and the arc follows the voltage without delay.
"""

import math
from dataclasses import dataclass
from enum import Enum

import numpy as np

from .mains import Mains


class LampType(Enum):
    """Lamp types that the bench can burn."""

    HIGH_PRESSURE_SODIUM = "high-pressure sodium"
    METAL_HALIDE = "metal halide"


class Ballast(Enum):
    """How the arc's current is limited."""

    MAGNETIC = "magnetic"
    ELECTRONIC = "electronic"


@dataclass(frozen=True, slots=True, kw_only=True)
class LampPlan:
    """One lamp on one ballast.

    Attributes:
        lamp_id: Name in the register.
        type: Lamp type.
        ballast: Ballast type.
        rated_power_w: Lamp power.
        burning_hours: Hours burnt before the test.
        starts: Starts before the test.
        light_rise_s: Time constant T of the rise of the light.
        light_shape: Exponent p of the rise.
        first_light: Relative light just after the arc is struck.
        tail_rel: Amplitude of the slow tail of the light, relative.
        tail_s: Its time constant.
        power_rise_s: Time constant of the rise of the power.
        first_power: Relative power just after the arc is struck.
        restrike_s: Cooling that a hot lamp needs before the arc can be struck again.
        cool_s: Time constant with which the lamp's warmth is lost.
        drop_out_level: Relative voltage below which the arc goes out.
        light_exponent: Light follows relative voltage to this power.
        power_exponent: Power follows relative voltage to this power.
        ballast_loss: Power lost in the ballast, over lamp power.
        power_factor: Of the compensated circuit at full power.
        drift_per_hour: Relative change of the light per hour of burning, beyond the run-up.
        ignition_s: From switching on to the arc, lamp cold.
    """

    lamp_id: str
    type: LampType
    ballast: Ballast
    rated_power_w: float
    burning_hours: float = 120.0
    starts: int = 40
    light_rise_s: float
    light_shape: float = 2.0
    first_light: float = 0.04
    tail_rel: float = 0.012
    tail_s: float = 220.0
    power_rise_s: float
    first_power: float
    restrike_s: float
    cool_s: float
    drop_out_level: float
    light_exponent: float
    power_exponent: float
    ballast_loss: float = 0.10
    power_factor: float = 0.92
    drift_per_hour: float = 0.0
    ignition_s: float = 1.2


def sodium_plan(lamp_id: str, rated_power_w: float = 250.0, ballast: Ballast = Ballast.MAGNETIC) -> LampPlan:
    """Return a typical high-pressure sodium lamp: 90 % of its light after some 4 min."""
    soft = ballast is Ballast.MAGNETIC
    return LampPlan(
        lamp_id=lamp_id,
        type=LampType.HIGH_PRESSURE_SODIUM,
        ballast=ballast,
        rated_power_w=rated_power_w,
        light_rise_s=150.0,
        power_rise_s=85.0,
        first_power=0.45,
        restrike_s=60.0,
        cool_s=150.0,
        drop_out_level=0.80,
        light_exponent=2.4 if soft else 0.15,
        power_exponent=2.0 if soft else 0.12,
        ballast_loss=0.11 if soft else 0.06,
        power_factor=0.91 if soft else 0.98,
    )


def metal_halide_plan(lamp_id: str, rated_power_w: float = 250.0, ballast: Ballast = Ballast.MAGNETIC) -> LampPlan:
    """Return a typical metal-halide lamp: 90 % of its light after some 6 min."""
    soft = ballast is Ballast.MAGNETIC
    return LampPlan(
        lamp_id=lamp_id,
        type=LampType.METAL_HALIDE,
        ballast=ballast,
        rated_power_w=rated_power_w,
        light_rise_s=240.0,
        tail_s=260.0,
        power_rise_s=110.0,
        first_power=0.40,
        restrike_s=600.0,
        cool_s=420.0,
        drop_out_level=0.87,
        light_exponent=2.8 if soft else 0.2,
        power_exponent=1.8 if soft else 0.12,
        ballast_loss=0.10 if soft else 0.06,
        power_factor=0.90 if soft else 0.98,
    )


@dataclass(frozen=True, slots=True)
class Burn:
    """The arc burns from ``start_s`` to ``end_s``; ``warm_s`` is the run-up time its warmth at the start is worth."""

    start_s: float
    end_s: float
    warm_s: float


STANDBY_POWER_W = 6.0
"""Drawn by ballast and igniter while they wait for a hot lamp to cool (common practice, no source)."""

STANDBY_POWER_FACTOR = 0.15


class Lamp:
    """The arc's timeline and what it gives.

    Switching is given in order of time. Sags that are scheduled later are taken in by :meth:`lay_out`.
    """

    def __init__(self, plan: LampPlan, mains: Mains, generator: np.random.Generator) -> None:
        self.plan = plan
        self._mains = mains
        self._switched: list[tuple[float, float]] = []
        self._ignition_s = plan.ignition_s * float(generator.uniform(0.5, 2.0))
        self._restrike_s = plan.restrike_s * float(generator.uniform(0.9, 1.2))
        self.burns: list[Burn] = []

    @property
    def switched_on(self) -> bool:
        """Whether the ballast has voltage, as far as switching is known."""
        return bool(self._switched) and math.isinf(self._switched[-1][1])

    @property
    def restrike_s(self) -> float:
        """Cooling time of this very lamp."""
        return self._restrike_s

    def switch_on(self, at_s: float) -> None:
        """Give the ballast voltage; nothing happens if it has it."""
        if not self.switched_on:
            self._switched.append((at_s, math.inf))
            self.lay_out()

    def switch_off(self, at_s: float) -> None:
        """Take the voltage away; nothing happens if there is none."""
        if self.switched_on:
            self._switched[-1] = (self._switched[-1][0], at_s)
            self.lay_out()

    def lay_out(self) -> None:
        """Work out all burns from the switching and the sags known by now."""
        self.burns = []
        for on_s, off_s in self._switched:
            arc_s = on_s + self._ignition_s
            while arc_s < off_s:
                arc_s = max(arc_s, self._cooled_s())
                arc_s = self._after_sags(arc_s)
                if arc_s >= off_s:
                    break
                lost_s = min(off_s, self._lost_s(arc_s))
                self.burns.append(Burn(arc_s, lost_s, self._warmth_s(arc_s)))
                arc_s = lost_s

    def _cooled_s(self) -> float:
        return self.burns[-1].end_s + self._restrike_s if self.burns else -math.inf

    def _after_sags(self, at_s: float) -> float:
        for sag in self._mains.sags:
            if sag.start_s <= at_s < sag.end_s and sag.remaining < self.plan.drop_out_level:
                at_s = sag.end_s
        return at_s

    def _lost_s(self, arc_s: float) -> float:
        for sag in self._mains.sags:
            if sag.start_s > arc_s and sag.remaining < self.plan.drop_out_level:
                return sag.start_s
        return math.inf

    def _warmth_s(self, arc_s: float) -> float:
        if not self.burns:
            return 0.0
        last = self.burns[-1]
        reached = self._risen(last.warm_s + last.end_s - last.start_s)
        left = reached * math.exp(-(arc_s - last.end_s) / self.plan.cool_s)
        if left <= 0.0:
            return 0.0
        return self.plan.light_rise_s * float((-math.log1p(-min(left, 0.999))) ** (1.0 / self.plan.light_shape))

    def _risen(self, since_s: float) -> float:
        return 1.0 - math.exp(-float((since_s / self.plan.light_rise_s) ** self.plan.light_shape))

    def burn_at(self, at_s: float) -> Burn | None:
        """Return the burn that covers an instant, or None when there is no arc."""
        for burn in reversed(self.burns):
            if burn.start_s <= at_s:
                return burn if at_s < burn.end_s else None
        return None

    def is_switched_on(self, at_s: float) -> bool:
        """Whether the ballast has voltage at an instant."""
        return any(on_s <= at_s < off_s for on_s, off_s in self._switched)

    def relative_light(self, at_s: float) -> float:
        """Light over that of the settled lamp at nominal voltage; 0 without an arc. Ripple is not in it."""
        burn = self.burn_at(at_s)
        if burn is None:
            return 0.0
        plan = self.plan
        since_s = at_s - burn.start_s
        risen = plan.first_light + (1.0 - plan.first_light) * self._risen(since_s + burn.warm_s)
        settled = 1.0 - plan.tail_rel * math.exp(-(since_s + burn.warm_s) / plan.tail_s)
        ageing = 1.0 + plan.drift_per_hour * since_s / 3600.0
        return risen * settled * ageing * float(self._mains.relative_voltage(at_s) ** plan.light_exponent)

    def circuit_power_w(self, at_s: float) -> float:
        """Active power at the ballast's input."""
        burn = self.burn_at(at_s)
        if burn is None:
            return STANDBY_POWER_W if self.is_switched_on(at_s) else 0.0
        plan = self.plan
        risen = 1.0 - (1.0 - plan.first_power) * math.exp(-(at_s - burn.start_s + burn.warm_s) / plan.power_rise_s)
        voltage = float(self._mains.relative_voltage(at_s) ** plan.power_exponent)
        return plan.rated_power_w * (1.0 + plan.ballast_loss) * risen * voltage

    def circuit_power_factor(self, at_s: float) -> float:
        """Power factor at the ballast's input; lower while the arc is young. 1 when nothing flows."""
        burn = self.burn_at(at_s)
        if burn is None:
            return STANDBY_POWER_FACTOR if self.is_switched_on(at_s) else 1.0
        young = math.exp(-(at_s - burn.start_s + burn.warm_s) / self.plan.power_rise_s)
        return self.plan.power_factor * (1.0 - 0.45 * young)

    def energy_j(self, until_s: float) -> float:
        """Energy taken by burns up to an instant; wander and sags of the voltage are left out (they average out)."""
        plan = self.plan
        full_w = plan.rated_power_w * (1.0 + plan.ballast_loss)
        total = 0.0
        for burn in self.burns:
            if burn.start_s >= until_s:
                break
            length_s = min(until_s, burn.end_s) - burn.start_s
            begin = math.exp(-burn.warm_s / plan.power_rise_s)
            missing = (1.0 - plan.first_power) * plan.power_rise_s * begin
            total += full_w * (length_s - missing * (1.0 - math.exp(-length_s / plan.power_rise_s)))
        return total
