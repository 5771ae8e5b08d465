"""Everything that makes one simulated bench differ from another, as one frozen value.

A scenario describes the kind of things (how noisy, how uncertain, how the lamp hangs); what chance makes of it, for
instance the true error of a calibration, is drawn by :class:`.bench.SimulatedBench` from its seed. The same scenario
and seed give the same bench, byte for byte.
"""

from dataclasses import dataclass, field, replace

from .camera import SpectrometerPlan
from .field import FieldPlan, GridPlan
from .lamp import Ballast, LampPlan, metal_halide_plan, sodium_plan
from .mains import MainsPlan
from .meters import AirLoggerPlan, PowerMeterPlan
from .post import Disturbance, PostPlan
from .quantum import QuantumPlan
from .seeds import stream
from .tent import TentPlan


@dataclass(frozen=True, slots=True, kw_only=True)
class SagPlan:
    """A sag of the supply that something sets off.

    Attributes:
        after: ``"strike"``, or the spot at which the sensor is put down.
        occasion: The how-many-th time that this happens, from 1.
        delay_s: From then to the sag.
        duration_s: How long it lasts.
        remaining: Voltage that is left, over what it would be.
    """

    after: str
    occasion: int = 1
    delay_s: float
    duration_s: float
    remaining: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RipplePlan:
    """Ripple of the light: relative depth, and its frequency where it is not twice that of the mains."""

    depth: float = 0.8
    free_hz: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class OperatorPlan:
    """How quick the person at the bench is: delays in bench seconds, drawn evenly between the two."""

    shortest_s: float = 2.0
    longest_s: float = 6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """One bench, one lamp, one day.

    Attributes:
        name: For people.
        lamp: The lamp and its ballast.
        fixture: What it hangs in.
        u_height_m: Standard uncertainty with which the lamp is hung at the stated height.
        ambient_umol: Daylight that leaks in; it is there when the lamp is off, and the truth does not count it.
    """

    name: str
    lamp: LampPlan
    fixture: str = "enclosed reflector, clear glass"
    u_height_m: float = 0.002
    ambient_umol: float = 0.4
    grid: GridPlan = field(default_factory=GridPlan)
    light_field: FieldPlan = field(default_factory=FieldPlan)
    mains: MainsPlan = field(default_factory=MainsPlan)
    ripple: RipplePlan = field(default_factory=RipplePlan)
    tent: TentPlan = field(default_factory=TentPlan)
    post: PostPlan = field(default_factory=PostPlan)
    quantum: QuantumPlan = field(default_factory=QuantumPlan)
    spectrometer: SpectrometerPlan = field(default_factory=SpectrometerPlan)
    power_meter: PowerMeterPlan = field(default_factory=PowerMeterPlan)
    air_logger: AirLoggerPlan = field(default_factory=AirLoggerPlan)
    operator: OperatorPlan = field(default_factory=OperatorPlan)
    sags: tuple[SagPlan, ...] = ()
    disturbances: tuple[Disturbance, ...] = ()

    @staticmethod
    def demo() -> "Scenario":
        """Return the bench of the demonstration.

        An overwintering house of a botanical garden: a seasoned 250 W sodium lamp on a magnetic ballast, 0.6 m over a
        grid of 24 spots. While D3 is read for the first time the supply sags for some seconds, and a leaf lies over the
        sensor when it is first put on B4.
        """
        return Scenario(
            name="overwintering house",
            lamp=replace(sodium_plan("HPS-07"), burning_hours=312.0, starts=96, drift_per_hour=-0.006),
            light_field=FieldPlan(peak_ppfd_umol=590.0, height_m=0.6, lobe=0.25, lopsided=0.04, rotation_deg=25.0),
            mains=MainsPlan(wander_rel=0.0008),
            sags=(SagPlan(after="D3", delay_s=27.0, duration_s=9.0, remaining=0.94),),
            disturbances=(Disturbance(spot="B4", visit=1, factor=0.85),),
        )

    @staticmethod
    def ideal() -> "Scenario":
        """Return a bench without noise, error, ripple, wander, shadow or last digits, to check the physics with."""
        lamp = replace(sodium_plan("IDEAL"), drift_per_hour=0.0)
        return Scenario(
            name="ideal bench",
            u_height_m=0.0,
            lamp=lamp,
            ambient_umol=0.0,
            light_field=FieldPlan(lopsided=0.0, x_m=-0.08, y_m=-0.08),
            mains=MainsPlan(wander_rel=0.0, frequency_wander_hz=0.0),
            ripple=RipplePlan(depth=0.0),
            tent=TentPlan(outside_swing_c=0.0, pressure_swing_hpa=0.0),
            post=PostPlan(position_m=0.0, lift_m=0.0, shadow_s=0.0),
            quantum=QuantumPlan(
                factor=1.0,
                u_calibration_rel=0.0,
                u_cosine_rel=0.0,
                u_spectral_rel=0.0,
                noise_rel=0.0,
                noise_umol=0.0,
                zero_umol=0.0,
            ),
            spectrometer=SpectrometerPlan(
                u_wavelength_nm=0.0,
                u_level_rel=0.0,
                u_shape_rel=0.0,
                u_cosine_rel=0.0,
                read_noise=0.0,
                electrons_per_count=0.0,
            ),
            power_meter=PowerMeterPlan(u_voltage_rel=0.0, u_current_rel=0.0, u_power_rel=0.0, noise_rel=0.0),
            air_logger=AirLoggerPlan(
                u_temperature_c=0.0,
                u_humidity_percent=0.0,
                u_pressure_hpa=0.0,
                noise_temperature_c=0.0,
                noise_humidity_percent=0.0,
                noise_pressure_hpa=0.0,
            ),
        )

    @staticmethod
    def random(seed: int) -> "Scenario":
        """Return a plausible bench drawn from a seed: either lamp type, either ballast, 50 or 60 Hz.

        Nothing goes wrong on it (no sag, no disturbance): it varies what a campaign is meant to average over or tell
        apart.
        """
        draw = stream(seed, "scenario")
        sodium = bool(draw.random() < 0.5)
        ballast = Ballast.MAGNETIC if draw.random() < 0.6 else Ballast.ELECTRONIC
        watts = float(draw.choice([150.0, 250.0, 400.0]))
        number = int(draw.integers(1, 100))
        make = sodium_plan if sodium else metal_halide_plan
        lamp = make(f"{'HPS' if sodium else 'MH'}-{number:02d}", watts, ballast)
        lamp = replace(
            lamp,
            burning_hours=float(draw.uniform(100.0, 3000.0)),
            starts=int(draw.integers(10, 800)),
            light_rise_s=lamp.light_rise_s * float(draw.uniform(0.85, 1.15)),
            drift_per_hour=float(draw.normal(0.0, 0.006)),
        )
        american = bool(draw.random() < 0.3)
        height_m = float(draw.uniform(0.5, 0.9))
        depth = float(draw.uniform(0.5, 0.9)) if ballast is Ballast.MAGNETIC else float(draw.uniform(0.01, 0.06))
        return Scenario(
            name=f"random bench {seed}",
            lamp=lamp,
            ambient_umol=float(draw.uniform(0.0, 1.5)),
            light_field=FieldPlan(
                peak_ppfd_umol=watts * float(draw.uniform(0.8, 1.1)) / height_m**2,
                height_m=height_m,
                lobe=float(draw.uniform(0.0, 1.0)),
                lopsided=float(draw.uniform(0.0, 0.08)),
                rotation_deg=float(draw.uniform(0.0, 360.0)),
                x_m=float(draw.uniform(-0.08, -0.03)),
                y_m=float(draw.uniform(-0.08, -0.03)),
            ),
            mains=MainsPlan(
                nominal_v=120.0 if american else 230.0,
                nominal_hz=60.0 if american else 50.0,
                offset_rel=float(draw.uniform(-0.004, 0.004)),
                wander_rel=float(draw.uniform(0.0002, 0.0012)),
            ),
            ripple=RipplePlan(
                depth=depth,
                free_hz=None if ballast is Ballast.MAGNETIC else float(draw.uniform(90.0, 400.0)),
            ),
            tent=TentPlan(
                outside_c=float(draw.uniform(10.0, 24.0)),
                pressure_hpa=float(draw.uniform(985.0, 1030.0)),
                outside_humidity_percent=float(draw.uniform(40.0, 75.0)),
            ),
            post=PostPlan(
                position_m=float(draw.uniform(0.001, 0.005)),
                lift_m=float(draw.uniform(0.0005, 0.002)),
                shadow_s=float(draw.uniform(3.0, 9.0)),
            ),
            quantum=QuantumPlan(
                factor=float(draw.uniform(0.97, 1.03)),
                lag_s=float(draw.uniform(2.0, 4.0)),
                noise_rel=float(draw.uniform(0.0004, 0.0015)),
                zero_umol=float(draw.uniform(0.0, 0.6)),
            ),
        )
