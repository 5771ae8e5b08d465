"""The whole simulated bench: the world, the instruments in it, and the truth that nobody on a real bench knows.

:class:`SimulatedBench` puts the pieces together, takes what a person does (strike, move the sensor), and hands out
device cores that can be served on real ports or called directly. The truth (``true_…``) is what the lamp does to the
grid, without any instrument: a daemon's figures are compared with it.
"""

import math
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from itertools import pairwise
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from .camera import SpectrometerSignal
from .faults import FaultBox, FaultyPedal, FaultySerial, FaultyUsb, ModbusSpoiler, Sdi12Spoiler, UsbtmcSpoiler
from .field import incidence
from .hid import FootSwitch
from .lamp import Lamp
from .mains import Mains, Sag
from .meters import AirSignal, PowerSignal
from .modbus import ModbusLine, air_unit, meter_unit
from .post import SensorPost
from .quantum import QuantumSignal
from .ripple import Ripple
from .scenario import Scenario
from .scpi_spectrometer import SpectrometerCommands
from .sdi12 import QuantumSensor
from .seeds import stream
from .spectrum import arc_spectrum
from .tent import Tent
from .usbtmc import UsbSpectrometer

INSIDE_UNIT = 11
OUTSIDE_UNIT = 12
METER_UNIT = 1

INSTRUMENTS = (
    "quantum",
    "power_meter",
    "air_line",
    "air_inside",
    "air_outside",
    "spectrometer",
    "foot_switch",
)

TRUTH_STEP_S = 4.0
"""Step of the truth's mean over a window; light changes over minutes, and the edges of sags get steps of their own."""


@dataclass(frozen=True, slots=True, eq=False)
class Calibration:
    """What the certificate of one instrument says, in the form that a bench's configuration needs.

    Attributes:
        certificate: Its number; always begins with ``SIMULATED``.
        issued: Day of calibration.
        due: Day of the next.
        factor: Quantity = factor × reading.
        expanded_rel: Expanded uncertainty of the factor, k = 2, relative.
        components: Further standard uncertainties that the maker states, by name.
        irradiance_factors: For the spectrometer, W m⁻² nm⁻¹ per count per second, shape ``(pixel_count,)``.
    """

    certificate: str
    issued: date
    due: date
    factor: float
    expanded_rel: float
    components: Mapping[str, float] = field(default_factory=dict)
    irradiance_factors: NDArray[np.float64] | None = None


class SimulatedBench:
    """A bench, its lamp and its instruments.

    The seed decides what stays from test to test, such as the true errors of the calibrations; ``run`` is the number of
    the test on that bench and decides what is new each time. Tests of one campaign share the seed and differ in the
    scenario's lamp and in the run. The spectral error of the quantum sensor belongs to the lamp's id.

    Attributes:
        quantum: Quantum sensor on its SDI-12 line.
        power_meter: Power meter on a Modbus line of its own.
        air_line: Both air loggers on one Modbus line.
        air_inside: The inner one alone on a line.
        air_outside: The outer one alone on a line.
        spectrometer: Spectrometer on the USB bus.
        foot_switch: Foot switch on the USB bus.
        faults: The fault box of each of these, by its attribute's name.
        lock: Held by ports while they ask a device, and by what a person does, because ports have threads.
    """

    def __init__(self, scenario: Scenario, seed: int, run: int = 0) -> None:
        self.scenario = scenario
        self.seed = seed
        self.run = run
        self.lock = threading.RLock()

        def chance(part: str) -> np.random.Generator:
            return stream(seed, part, run)

        self.mains = Mains(scenario.mains, chance("mains"))
        self.lamp = Lamp(scenario.lamp, self.mains, chance("lamp"))
        ripple_phase = float(chance("ripple").uniform(0.0, 2.0 * math.pi))
        self.ripple = Ripple(scenario.ripple.depth, scenario.ripple.free_hz, self.mains, ripple_phase)
        self.tent = Tent(scenario.tent, self.lamp, chance("tent"))
        self.post = SensorPost(
            scenario.post,
            scenario.grid,
            scenario.light_field,
            scenario.disturbances,
            chance("post"),
            hangs_low_m=scenario.u_height_m * float(chance("hanging").standard_normal()),
        )
        self._strikes = 0
        self._quantum_signal = QuantumSignal(
            scenario.quantum,
            post=self.post,
            lamp=self.lamp,
            ambient_umol=scenario.ambient_umol,
            truth=stream(seed, "quantum truth"),
            mismatch=stream(seed, f"spectral mismatch {scenario.lamp.lamp_id}"),
            noise=chance("quantum noise"),
        )
        self._spectrometer_signal = SpectrometerSignal(
            scenario.spectrometer,
            post=self.post,
            lamp=self.lamp,
            ripple=self.ripple,
            ambient_umol=scenario.ambient_umol,
            truth=stream(seed, "spectrometer truth"),
            noise=chance("spectrometer noise"),
        )
        power = PowerSignal(
            scenario.power_meter,
            self.mains,
            self.lamp,
            stream(seed, "power meter truth"),
            chance("power meter noise"),
        )
        inside, outside = (
            AirSignal(scenario.air_logger, stream(seed, f"air {where} truth"), chance(f"air {where} noise"))
            for where in ("inside", "outside")
        )
        inner = air_unit(lambda now_s: inside.reading(self.tent.inside(now_s)))
        outer = air_unit(lambda now_s: outside.reading(self.tent.outside(now_s)))
        self.faults: Mapping[str, FaultBox] = MappingProxyType({name: FaultBox(seed) for name in INSTRUMENTS})
        boxes, rtu = self.faults, ModbusSpoiler()
        self.quantum = FaultySerial(QuantumSensor(self._quantum_signal.reading_umol), boxes["quantum"], Sdi12Spoiler())
        self.power_meter = FaultySerial(ModbusLine({METER_UNIT: meter_unit(power.reading)}), boxes["power_meter"], rtu)
        self.air_line = FaultySerial(ModbusLine({INSIDE_UNIT: inner, OUTSIDE_UNIT: outer}), boxes["air_line"], rtu)
        self.air_inside = FaultySerial(ModbusLine({INSIDE_UNIT: inner}), boxes["air_inside"], rtu)
        self.air_outside = FaultySerial(ModbusLine({OUTSIDE_UNIT: outer}), boxes["air_outside"], rtu)
        self.spectrometer = FaultyUsb(
            UsbSpectrometer(SpectrometerCommands(self._spectrometer_signal)), boxes["spectrometer"], UsbtmcSpoiler()
        )
        self.foot_switch = FaultyPedal(FootSwitch(), boxes["foot_switch"])

    # What a person does

    def strike(self, now_s: float) -> None:
        """Switch the lamp on."""
        with self.lock:
            if not self.lamp.switched_on:
                self._strikes += 1
                self.lamp.switch_on(now_s)
                self._set_off_sags("strike", self._strikes, now_s)

    def switch_off(self, now_s: float) -> None:
        """Switch the lamp off."""
        with self.lock:
            self.lamp.switch_off(now_s)

    def place_sensor(self, where: str, now_s: float) -> None:
        """Put the light sensors on a spot, on ``"reference"``, or ``"aside"``."""
        with self.lock:
            self.post.place(where, now_s)
            self._set_off_sags(self.post.where, self.post.visits(self.post.where), now_s)

    def stands_at(self, where: str) -> bool:
        """Whether the light sensors stand on a spot, on ``"reference"``, or ``"aside"``."""
        return self.post.where == (self.scenario.grid.reference if where == "reference" else where)

    def bump(self, now_s: float) -> None:
        """Knock against the light sensors."""
        with self.lock:
            self.post.bump(now_s)

    def _set_off_sags(self, what: str, occasion: int, now_s: float) -> None:
        for plan in self.scenario.sags:
            if (plan.after, plan.occasion) == (what, occasion):
                self.mains.add_sag(Sag(now_s + plan.delay_s, plan.duration_s, plan.remaining))
                self.lamp.lay_out()

    # The truth

    def true_ppfd_umol(self, spot: str, start_s: float, end_s: float) -> float:
        """Mean PPFD that the lamp alone, hung at its stated height, makes at a spot, from ``start_s`` to ``end_s``."""
        return self._full_ppfd_umol(spot) * self._mean_light(start_s, end_s)

    def true_canopy_average_umol(self, spots: Sequence[str], start_s: float, end_s: float) -> float:
        """Mean of :meth:`true_ppfd_umol` over spots."""
        return sum(map(self._full_ppfd_umol, spots)) / len(spots) * self._mean_light(start_s, end_s)

    def true_uniformity_ratio(self, spots: Sequence[str]) -> float:
        """Largest over smallest PPFD of the spots; it does not depend on time."""
        levels = [self._full_ppfd_umol(spot) for spot in spots]
        return max(levels) / min(levels)

    def true_photon_bands_umol(
        self, spot: str, start_s: float, end_s: float, bands_nm: Sequence[tuple[float, float]]
    ) -> tuple[float, ...]:
        """Mean photon flux density of the lamp's light at a spot, for each band (low, high) in nm."""
        ppfd_umol = self.true_ppfd_umol(spot, start_s, end_s)
        spectrum = arc_spectrum(self.scenario.lamp.type)
        return tuple(ppfd_umol * spectrum.photon_flux_umol(low, high) for low, high in bands_nm)

    def _full_ppfd_umol(self, spot: str) -> float:
        """PPFD at a spot if the lamp gave all its light."""
        return incidence(self.scenario.light_field, *self.scenario.grid.position_m(spot)).ppfd_umol

    def _mean_light(self, start_s: float, end_s: float) -> float:
        if end_s <= start_s:
            return self.lamp.relative_light(start_s)
        marks = {start_s, end_s}
        for sag in self.mains.sags:
            marks.update(edge for edge in (sag.start_s, sag.end_s) if start_s < edge < end_s)
        for burn in self.lamp.burns:
            marks.update(edge for edge in (burn.start_s, burn.end_s) if start_s < edge < end_s)
        edges = sorted(marks)
        total = 0.0
        for begin, end in pairwise(edges):
            pieces = max(1, math.ceil((end - begin) / TRUTH_STEP_S))
            step_s = (end - begin) / pieces
            total += step_s * sum(self.lamp.relative_light(begin + (piece + 0.5) * step_s) for piece in range(pieces))
        return total / (end_s - start_s)

    # What a configuration needs

    def calibrations(self, today: date) -> Mapping[str, Calibration]:
        """Return the certificates of all instruments, calibrated some months before ``today``."""
        issued = today - timedelta(days=120)
        due = issued + timedelta(days=365)
        plan = self.scenario

        def certificate(
            name: str,
            factor: float,
            u_rel: float,
            components: Mapping[str, float],
            factors: NDArray[np.float64] | None = None,
        ) -> Calibration:
            number = f"SIMULATED-{name.upper()}-{self.seed:04d}"
            return Calibration(number, issued, due, factor, 2.0 * u_rel, MappingProxyType(dict(components)), factors)

        light = {"cosine_rel": plan.quantum.u_cosine_rel, "spectral_mismatch_rel": plan.quantum.u_spectral_rel}
        spectral = {
            "shape_rel": plan.spectrometer.u_shape_rel,
            "wavelength_nm": plan.spectrometer.u_wavelength_nm,
            "cosine_rel": plan.spectrometer.u_cosine_rel,
        }
        meter = {
            "voltage_rel": plan.power_meter.u_voltage_rel,
            "current_rel": plan.power_meter.u_current_rel,
            "power_rel": plan.power_meter.u_power_rel,
        }
        air = {
            "temperature_c": plan.air_logger.u_temperature_c,
            "humidity_percent": plan.air_logger.u_humidity_percent,
            "pressure_hpa": plan.air_logger.u_pressure_hpa,
        }
        return MappingProxyType(
            {
                "quantum": certificate("quantum", plan.quantum.factor, plan.quantum.u_calibration_rel, light),
                "spectrometer": certificate(
                    "spectrometer",
                    1.0,
                    plan.spectrometer.u_level_rel,
                    spectral,
                    self._spectrometer_signal.irradiance_factors,
                ),
                "power_meter": certificate("power", 1.0, plan.power_meter.u_power_rel, meter),
                "air_inside": certificate("air-inside", 1.0, 0.0, air),
                "air_outside": certificate("air-outside", 1.0, 0.0, air),
            }
        )
