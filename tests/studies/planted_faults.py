"""How surely the doubts find a fault planted in a grid, and how often they cry without one.

Run it: ``python tests/studies/planted_faults.py``. Light fields of its own (a small source over a plane, one with a
reflector that spreads its light, a fixture off the middle, a long fixture), readings with noise and placement error by
both light instruments, and one fault in each grid: a shadow on both instruments, a sensor that was left tilted, a
spot read at its neighbour's place, a stray second lamp, a flickering window, a sag. The tests run a smaller number.
"""

import math
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from statistics import median

import numpy as np
from lampwarden.daemon.measure import doubt
from lampwarden.daemon.measure.estimate import Estimate
from lampwarden.daemon.measure.gates import SupplyLimits, SupplySample, supply
from lampwarden.daemon.measure.surface import GridPoint, fit_spots

NOISE, PLACEMENT_MM, WINDOW_SCATTER = 0.003, 3.0, 0.004
SENSOR_U, SPECTROMETER_U = 0.02, 0.02

Field = Callable[[np.ndarray, np.ndarray], np.ndarray]


def _source(x: np.ndarray, y: np.ndarray, height: float, power: float) -> np.ndarray:
    return (1.0 + (x * x + y * y) / height**2) ** -power


FIELDS: dict[str, Field] = {
    "bare lamp, 1 m": lambda x, y: _source(x, y, 1.0, 1.5),
    "Lambertian, 0.8 m": lambda x, y: _source(x, y, 0.8, 2.0),
    "reflector": lambda x, y: (1.0 + 0.6 * (x * x + y * y) / (1.0 + x * x + y * y)) * _source(x, y, 1.0, 2.0),
    "off the middle": lambda x, y: _source(x - 0.12, y + 0.08, 1.0, 1.8),
    "long fixture": lambda x, y: sum(_source(x - a, y, 0.9, 2.0) for a in (-0.3, 0.0, 0.3)) / 3.0,
}


@dataclass(frozen=True)
class Reading:
    """One spot: both instruments, scatter within the window, supply."""

    point: GridPoint
    sensor: Estimate
    spectrometer: Estimate
    scatter: float
    volts: float


def read_grid(field: Field, side: int, half_m: float, rng: np.random.Generator) -> list[Reading]:
    """Read ``side`` × ``side`` spots over ``± half_m``."""
    pitch = np.linspace(-half_m, half_m, side)
    # each instrument is off by its calibration and by its mismatch under this lamp, the same at every spot
    sensor_off = 1.0 + SENSOR_U * rng.standard_normal()
    spectrometer_off = 1.0 + SPECTROMETER_U * rng.standard_normal()
    readings = []
    for x in pitch:
        for y in pitch:
            at = [v + 1e-3 * PLACEMENT_MM * rng.standard_normal() for v in (x, y)]
            true = 800.0 * float(field(np.array(at[0]), np.array(at[1])))
            gradient = (
                abs(float(field(np.array(x + 0.01), np.array(y)) - field(np.array(x - 0.01), np.array(y)))) / 0.02
            )
            own = math.hypot(NOISE, 1e-3 * PLACEMENT_MM * 2.0 * gradient / float(field(np.array(x), np.array(y))))
            values = [true * off * (1.0 + NOISE * rng.standard_normal()) for off in (sensor_off, spectrometer_off)]
            readings.append(
                Reading(
                    GridPoint(f"{len(readings)}", 1e3 * float(x), 1e3 * float(y), values[0], own),
                    Estimate(values[0], NOISE * values[0], SENSOR_U * values[0]),
                    Estimate(values[1], NOISE * values[1], SPECTROMETER_U * values[1]),
                    WINDOW_SCATTER * math.sqrt(rng.chisquare(9) / 9.0),
                    230.0 * (1.0 + 0.002 * rng.standard_normal()),
                )
            )
    return readings


def scaled(reading: Reading, sensor: float, spectrometer: float = 1.0) -> Reading:
    """The reading with each instrument's light multiplied."""
    return replace(
        reading,
        point=replace(reading.point, value=reading.point.value * sensor),
        sensor=reading.sensor.scaled(sensor),
        spectrometer=reading.spectrometer.scaled(spectrometer),
    )


def doubted(readings: list[Reading], limits: SupplyLimits) -> set[str]:
    """Names of the spots that any check doubts, over a whole grid."""
    found = {name for name, fit in fit_spots([r.point for r in readings]).items() if not fit.fits}
    for i, reading in enumerate(readings):
        others = [r for j, r in enumerate(readings) if j != i]
        verdicts = [
            doubt.sensor_against_spectrometer(reading.sensor, reading.spectrometer),
            doubt.ratio_among_spots(
                reading.sensor,
                reading.spectrometer,
                [o.sensor.value / o.spectrometer.value for o in others],
                spots=len(readings),
            ),
            doubt.noisy_window(reading.scatter, [o.scatter for o in others]),
            doubt.supply_moved(
                supply([SupplySample(float(t), reading.volts, 50.0, None) for t in range(10)], 0.0, 9.0, limits=limits)
            ),
        ]
        if any(v.doubt is not None for v in verdicts):
            found.add(reading.point.spot)
    return found


def _misplaced(readings: list[Reading], i: int, side: int) -> Reading:
    """Spot i read at the place of the one beside it that differs most."""
    row, column = divmod(i, side)
    beside = [
        (row + a) * side + column + b
        for a, b in ((1, 0), (-1, 0), (0, 1), (0, -1))
        if 0 <= row + a < side and 0 <= column + b < side
    ]
    other = max(beside, key=lambda j: abs(math.log(readings[j].point.value / readings[i].point.value)))
    factor = readings[other].point.value / readings[i].point.value
    return scaled(readings[i], factor, factor)


#: Faults by name: what becomes of reading i, given all readings and the side of the grid.
FAULTS: dict[str, Callable[[list[Reading], int, int], Reading]] = {
    "shadow of 40 % on both": lambda r, i, _: scaled(r[i], 0.6, 0.6),
    "shadow of 15 % on both": lambda r, i, _: scaled(r[i], 0.85, 0.85),
    "shadow of 10 % on both": lambda r, i, _: scaled(r[i], 0.90, 0.90),
    "sensor tilted, 6 % less": lambda r, i, _: scaled(r[i], 0.94),
    "second lamp, 20 % more on both": lambda r, i, _: scaled(r[i], 1.2, 1.2),
    "spot mistaken for its neighbour": _misplaced,
    "flicker in the window": lambda r, i, _: replace(r[i], scatter=0.03),
    "supply 4 % low": lambda r, i, _: replace(r[i], volts=r[i].volts * 0.96),
}


@dataclass(frozen=True)
class Row:
    """One fault over many grids: how many were found, and how many grids cried without it."""

    grid: str
    fault: str
    grids: int
    found: int
    wrong_spot: int
    false_alarms: int


def run(grids: int, side: int = 5, half_m: float = 0.6, seed: int = 1) -> list[Row]:
    """Every fault in so many grids of each field, one fault a grid; false alarms on the same grids without it."""
    limits = SupplyLimits(tolerance_v_relative=0.02)
    rows = []
    for field_name, field in FIELDS.items():
        counts = {name: [0, 0, 0] for name in FAULTS}
        alarms = 0
        for k in range(grids):
            rng = np.random.default_rng([seed, side, k, list(FIELDS).index(field_name)])
            readings = read_grid(field, side, half_m, rng)
            alarms += bool(doubted(readings, limits))
            for name, plant in FAULTS.items():
                i = int(rng.integers(len(readings)))
                planted = list(readings)
                planted[i] = plant(readings, i, side)
                if abs(math.log(planted[i].point.value / readings[i].point.value)) < 0.10 and plant is _misplaced:
                    continue  # in the flat middle of the field the neighbour shows nearly the same: no fault to find
                found = doubted(planted, limits)
                counts[name][0] += 1
                counts[name][1] += readings[i].point.spot in found
                counts[name][2] += bool(found - {readings[i].point.spot})
        rows += [
            Row(f"{side} × {side}, {field_name}", name, tried, found, wrong, alarms)
            for name, (tried, found, wrong) in counts.items()
        ]
    return rows


def report(rows: list[Row], grids: int) -> str:
    """The table, and one line over all."""
    lines = [f"{'grid and light':28s} {'fault':34s} found            other spots doubted"]
    lines += [
        f"{r.grid:28s} {r.fault:34s} {r.found:4d} of {r.grids:4d} {r.found / max(r.grids, 1):6.1%} {r.wrong_spot:10d}"
        for r in rows
    ]
    by_fault: dict[str, list[Row]] = {}
    for row in rows:
        by_fault.setdefault(row.fault, []).append(row)
    lines += [
        f"{name:34s} {sum(r.found for r in some) / max(sum(r.grids for r in some), 1):6.1%}"
        for name, some in by_fault.items()
    ]
    alarms = {r.grid: r.false_alarms for r in rows}
    total = sum(alarms.values())
    lines.append(
        f"grids without a fault that were doubted: {total} of {grids * len(alarms)} "
        f"({total / (grids * len(alarms)):.2%}; median over lights {median(alarms.values()):g} of {grids})"
    )
    return "\n".join(lines)


def main() -> None:
    """Print the report."""
    grids = 200
    for side in (4, 5, 7):
        sys.stdout.write(report(run(grids, side), grids) + "\n\n")


if __name__ == "__main__":
    main()
