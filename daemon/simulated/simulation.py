"""Where daemon and simulators meet: a simulated bench's configuration, and the operator who follows the prompts.

The simulators know nothing of the daemon; what they need is told here in their own words.
"""

import math
from collections.abc import AsyncIterator, Mapping
from datetime import datetime
from pathlib import Path
from typing import Final

import tomli_w

from ...protocol.records import StatusMessage
from ...protocol.setup import LampSetup, LampType
from ...simulators.bench import SimulatedBench
from ...simulators.operator import Prompt as OperatorPrompt
from ...simulators.scenario import Scenario
from ..calibration import SpectralCalibrationFile

Toml = dict[str, "TomlValue"]
TomlValue = str | int | float | bool | datetime | list["TomlValue"] | Toml

BENCH_ID: Final = "overwintering"
CALIBRATION_FILE: Final = "spectrometer-calibration.json"

INSTRUMENTS: Final[tuple[tuple[str, str, str, Toml], ...]] = (
    # name, role, profile, options
    ("quantum", "quantum_sensor", "sdi12-quantum", {"address": "0", "data_bits": 8, "parity": "N"}),
    ("mains", "power_meter", "modbus-meter", {"unit": 1}),
    ("air-in", "air_inside", "modbus-air", {"unit": 11}),
    ("air-out", "air_outside", "modbus-air", {"unit": 12}),
    ("spectrometer", "spectrometer", "scpi-spectrometer", {}),
    ("pedal", "foot_switch", "hid-foot-switch", {}),
)
"""The instruments of a simulated bench: its own names, and the shipped profiles that fit them. SDI-12 asks for 7E1, but
a pseudo-terminal takes no parity: it cannot be opened a second time with it."""


def bench_table(
    bench: SimulatedBench,
    ports: Mapping[str, str],
    *,
    now: datetime,
    bench_id: str = BENCH_ID,
    calibration_file: str | None = CALIBRATION_FILE,
    extra: Mapping[str, TomlValue] | None = None,
) -> Toml:
    """Contents of the ``bench.toml`` of a simulated bench.

    Args:
        bench: The bench.
        ports: By instrument name: where it is.
        now: Bench time, for the calibration dates.
        bench_id: Of the topics.
        calibration_file: Name of the spectrometer's calibration file; None leaves it out.
        extra: Further tables: ``clock``, ``broker``, ``journal``, ``procedure``.
    """
    scenario = bench.scenario
    certificates = bench.calibrations(now.date())
    plan = scenario.quantum
    nominal_v, nominal_hz = scenario.mains.nominal_v, scenario.mains.nominal_hz
    procedure: Toml = {"nominal_voltage_v": nominal_v, "nominal_frequency_hz": nominal_hz}
    if scenario.ripple.free_hz is not None:
        procedure["ripple_frequency_hz"] = scenario.ripple.free_hz
    keys = {"quantum": "quantum", "mains": "power_meter", "air-in": "air_inside", "air-out": "air_outside"}
    keys["spectrometer"] = "spectrometer"
    instruments: Toml = {}
    for name, role, profile, options in INSTRUMENTS:
        table: Toml = {"role": role, "profile": profile, "port": ports[name]}
        if options:
            table["options"] = dict(options)
        if name in keys:
            certificate = certificates[keys[name]]
            calibration: Toml = {
                "certificate": certificate.certificate,
                "factor": certificate.factor,
                "expanded_uncertainty_percent": 100.0 * certificate.expanded_rel,
                "calibrated_on": certificate.issued.isoformat(),
                "due_on": certificate.due.isoformat(),
            }
            if name == "quantum":
                calibration["resolution"] = plan.resolution_umol
            if name == "spectrometer" and calibration_file is not None:
                calibration["file"] = calibration_file
            table["calibration"] = calibration
        instruments[name] = table
    tables: Toml = {
        "bench": {"id": bench_id, "title": f"simulated: {scenario.name}", "simulated": True},
        "grid": {
            "columns": scenario.grid.columns,
            "rows": scenario.grid.rows,
            "pitch_x_mm": 1000.0 * scenario.grid.pitch_x_m,
            "pitch_y_mm": 1000.0 * scenario.grid.pitch_y_m,
            "reference": scenario.grid.reference,
        },
        "uncertainty": {
            "height_mm": 1000.0 * math.hypot(scenario.u_height_m, scenario.post.lift_m),
            "placement_mm": 1000.0 * scenario.post.position_m,
            "tilt_deg": 0.0,  # the simulated post stands level
            "cosine_percent": 100.0 * plan.u_cosine_rel,
            "mismatch_percent": 100.0 * plan.u_spectral_rel,
        },
        "procedure": procedure,
        "instruments": instruments,
    }
    for key, value in (extra or {}).items():
        present = tables.get(key)
        tables[key] = {**present, **value} if isinstance(present, dict) and isinstance(value, dict) else value
    return tables


def spectral_file(bench: SimulatedBench, now: datetime) -> SpectralCalibrationFile:
    """The calibration file of the simulated spectrometer, as its certificate states it."""
    certificate = bench.calibrations(now.date())["spectrometer"]
    plan = bench.scenario.spectrometer
    factors = certificate.irradiance_factors
    assert factors is not None  # noqa: S101 - the spectrometer's certificate always has them
    return SpectralCalibrationFile(
        schema_="lampwarden.spectral-calibration/1",
        certificate=certificate.certificate,
        calibrated_on=certificate.issued,
        simulated=True,
        factor_w_m2_nm_per_count_s=[float(f"{f:.7g}") for f in factors.tolist()],
        u_scale_percent=100.0 * math.hypot(plan.u_level_rel, plan.u_cosine_rel),
        u_shape_percent=100.0 * plan.u_shape_rel,
        wavelength_u_nm=plan.u_wavelength_nm,
        bandwidth_nm=plan.fwhm_nm,
        read_noise_counts=plan.read_noise,
        electrons_per_count=plan.electrons_per_count or None,
    )


def write_bench(folder: Path, tables: Toml, file: SpectralCalibrationFile) -> Path:
    """Write ``bench.toml`` and the calibration file into a folder; returns the path of ``bench.toml``."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / CALIBRATION_FILE).write_text(file.model_dump_json(by_alias=True), encoding="utf-8")
    path = folder / "bench.toml"
    path.write_text("# A simulated bench: no value of it is real.\n" + tomli_w.dumps(tables), encoding="utf-8")
    return path


def lamp_setup(scenario: Scenario) -> LampSetup:
    """The lamp of a scenario, as an operator would enter it."""
    lamp = scenario.lamp
    return LampSetup(
        lamp=lamp.lamp_id,
        lamp_type=LampType(lamp.type.value.replace("-", "_").replace(" ", "_")),
        rated_power_w=lamp.rated_power_w,
        burning_hours=lamp.burning_hours,
        ballast=f"{lamp.ballast.value} ballast, simulated",
        ballast_setting=f"{lamp.rated_power_w:g} W",
        fixture=f"{scenario.fixture}, simulated",
        rotation_deg=scenario.light_field.rotation_deg % 360.0,
        height_mm=1000.0 * scenario.light_field.height_m,
    )


def operator_prompt(status: StatusMessage) -> OperatorPrompt | None:
    """What a status asks of the simulated operator, in the operator's words."""
    prompt = status.prompt
    if not status.online or prompt is None:
        return None
    return OperatorPrompt(prompt.action.value, prompt.spot or "", prompt.attempt or 0, prompt.number)


async def operator_prompts(statuses: AsyncIterator[StatusMessage]) -> AsyncIterator[OperatorPrompt]:
    """The prompts of a bench, as they change. Ends when the test is over."""
    async for status in statuses:
        prompt = operator_prompt(status)
        if prompt is not None:
            yield prompt
