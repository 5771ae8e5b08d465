"""The supply: nominal voltage and frequency, slow wander of both, and sags.

Closed form in time, so that an exposure can be evaluated ahead: wander is a handful of sinusoids whose periods and
phases come from the seed, and the phase of the mains is their exact integral. A sag is a rectangular step, because
the poll rate of any meter on the bench is slower than its edges.

Must not know about lamps: what a sag does to an arc is decided in :mod:`.lamp`.
"""

import math
from dataclasses import dataclass

import numpy as np

SINUSOIDS = 4
"""Enough that the sum looks irregular; each costs a fraction of a microsecond per poll."""

SHORTEST_WANDER_S = 60.0
LONGEST_WANDER_S = 1500.0
"""Tap changers and load act over minutes (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MainsPlan:
    """What kind of supply the bench has.

    Attributes:
        nominal_v: Nominal voltage, 230 V or 120 V.
        nominal_hz: Nominal frequency, 50 Hz or 60 Hz.
        offset_rel: Lasting deviation of the voltage from nominal, relative.
        wander_rel: Largest excursion of the slow wander of the voltage, relative.
        frequency_wander_hz: Largest excursion of the frequency. (EN 50160: ±1 % for 99.5 % of a year; a large
            interconnected grid stays within some 0.05 Hz.)
    """

    nominal_v: float = 230.0
    nominal_hz: float = 50.0
    offset_rel: float = 0.0
    wander_rel: float = 0.001
    frequency_wander_hz: float = 0.02


@dataclass(frozen=True, slots=True)
class Sag:
    """A dip of the supply voltage from ``start_s`` for ``duration_s``, to ``remaining`` of what it would be."""

    start_s: float
    duration_s: float
    remaining: float

    @property
    def end_s(self) -> float:
        """Bench time at which the voltage is back."""
        return self.start_s + self.duration_s


class _Wander:
    """A sum of sinusoids bounded by ``amplitude``, with its integral."""

    __slots__ = ("_terms",)

    def __init__(self, amplitude: float, generator: np.random.Generator) -> None:
        periods = np.exp(generator.uniform(math.log(SHORTEST_WANDER_S), math.log(LONGEST_WANDER_S), SINUSOIDS))
        phases = generator.uniform(0.0, 2 * math.pi, SINUSOIDS)
        self._terms = tuple(
            (amplitude / SINUSOIDS, 2 * math.pi / float(period), float(phase))
            for period, phase in zip(periods, phases, strict=True)
        )

    def value(self, at_s: float) -> float:
        total = 0.0
        for amplitude, omega, phase in self._terms:
            total += amplitude * math.sin(omega * at_s + phase)
        return total

    def integral(self, at_s: float) -> float:
        """Integral of :meth:`value` from time 0 to ``at_s``."""
        total = 0.0
        for amplitude, omega, phase in self._terms:
            total += amplitude / omega * (math.cos(phase) - math.cos(omega * at_s + phase))
        return total


class Mains:
    """The supply of the bench at any instant."""

    def __init__(self, plan: MainsPlan, generator: np.random.Generator) -> None:
        self.plan = plan
        self._voltage = _Wander(plan.wander_rel, generator)
        self._frequency = _Wander(plan.frequency_wander_hz, generator)
        self.sags: list[Sag] = []
        self._latest = (math.nan, 1.0)
        """An instant and its relative voltage: a meter and the lamp on it ask for the same one several times."""

    def add_sag(self, sag: Sag) -> None:
        """Schedule a sag; it must start no earlier than what has been asked of the world so far."""
        self.sags.append(sag)
        self.sags.sort(key=lambda each: each.start_s)
        self._latest = (math.nan, 1.0)

    def relative_voltage(self, at_s: float) -> float:
        """Voltage over nominal voltage at an instant."""
        latest_s, level = self._latest
        if at_s == latest_s:
            return level
        level = 1.0 + self.plan.offset_rel + self._voltage.value(at_s)
        for sag in self.sags:
            if sag.start_s <= at_s < sag.end_s:
                level *= sag.remaining
        self._latest = (at_s, level)
        return level

    def voltage_v(self, at_s: float) -> float:
        """Root-mean-square voltage at an instant."""
        return self.plan.nominal_v * self.relative_voltage(at_s)

    def frequency_hz(self, at_s: float) -> float:
        """Frequency at an instant."""
        return self.plan.nominal_hz + self._frequency.value(at_s)

    def cycles(self, at_s: float) -> float:
        """Mains cycles since time 0: the integral of the frequency."""
        return self.plan.nominal_hz * at_s + self._frequency.integral(at_s)
