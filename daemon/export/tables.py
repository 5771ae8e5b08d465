"""The tables of an export: every column with its unit and meaning, and the rows from a test's records. Pure.

Units stand in the column names and, in full, in the dictionary. What could not be measured is empty; the records say
why. ``u_own`` and ``u_common`` are standard uncertainties (k = 1): independent of, and shared with, the other rows.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Generic, Literal, TypeVar

from ...protocol import units
from ...protocol.quantity import Quantity
from ...protocol.records import AirRecord, EventRecord, InstrumentRecord, LightRecord, SpotRecord, Supply, SupplyRecord
from ...protocol.setup import spot_indices
from ..results.recall import TestRecords
from .columns import (
    Column,
    From,
    Table,
    Value,
    air_columns,
    attribute_of,
    band_columns,
    build,
    integer,
    joined,
    moment,
    number,
    quantity,
    supply_columns,
    text,
    truth,
)

S = TypeVar("S")


@dataclass(frozen=True, slots=True)
class _Of(Generic[S]):
    """A record and its test."""

    test: TestRecords
    record: S


def _each(tests: Sequence[TestRecords], of: Callable[[TestRecords], Sequence[S]]) -> list[_Of[S]]:
    return [_Of(test, record) for test in tests for record in of(test)]


def _who() -> list[From[_Of[S]]]:
    return [
        text("test_id", "id of the test", lambda o: o.test.test_id),
        truth("simulated", "whether anything in it was simulated", lambda o: o.test.simulated),
    ]


def tests_table(tests: Sequence[TestRecords]) -> Table:
    """One row a test: what was tested, and what it came to."""
    rows = [_Of(test, test) for test in tests]
    columns: list[From[_Of[TestRecords]]] = []
    columns += _who()
    columns.append(text("bench", "id of the bench", lambda o: o.test.bench))
    columns += [
        text(name, meaning, _setup(name))
        for name, meaning in (
            ("lamp", "id of the lamp"),
            ("lamp_type", "kind of lamp"),
            ("ballast", "ballast"),
            ("ballast_setting", "dial or tap of the ballast"),
            ("fixture", "fixture"),
            ("burning_position", "how the lamp's axis lies"),
            ("fan", "fan setting"),
        )
    ]
    columns += [
        number(name, unit, meaning, _setup(name))
        for name, unit, meaning in (
            ("rated_power_w", units.WATT, "rated power of the lamp"),
            ("burning_hours", units.HOUR, "hours burnt before the test"),
            ("height_mm", units.MILLIMETRE, "lamp centre above the sensor plane"),
            ("rotation_deg", "deg", "lamp about its axis, against its mark"),
        )
    ]
    columns += [
        moment("started", "test begun", lambda o: _summary(o.test, "started")),
        moment("struck", "arc first seen", lambda o: _summary(o.test, "struck")),
        moment("finished", "closing reading done", lambda o: _summary(o.test, "finished")),
    ]
    for name, attribute, unit, meaning in (
        ("canopy_average_umol", "canopy_average", units.PPFD, "canopy average of PPFD"),
        ("expanded_uncertainty_umol", "expanded_uncertainty", units.PPFD, "half the 95 % interval of the average"),
        ("uniformity_ratio", "uniformity_ratio", units.ONE, "highest over lowest spot"),
        ("minimum_to_average", "minimum_to_average", units.ONE, "lowest spot over average"),
        ("coefficient_of_variation", "coefficient_of_variation", units.ONE, "spread over the grid"),
        ("drift_percent", "drift", units.PERCENT, "closing minus opening reading, of opening"),
        (
            "photons_per_joule_umol",
            "photons_per_joule",
            units.PHOTON_EFFICACY,
            "photons at the canopy plane for each joule",
        ),
    ):
        columns += quantity(name, unit, meaning, attribute_of(_summary_of, attribute, attribute))
    columns += [
        number(
            "coverage_factor", units.ONE, "k of the average's interval", lambda o: _summary(o.test, "coverage_factor")
        ),
        number("integration_s", units.SECOND, "integration time of the test", lambda o: _integration(o.test)),
        integer("readings_taken", "all attempts", lambda o: len(o.test.spots)),
        text("missing_spots", "spots without a reading that counts", lambda o: _lines(o.test, "missing_spots")),
        text("flags", "every flag, separated by semicolons", lambda o: _lines(o.test, "flags")),
    ]
    return build("tests", "one row a test: what was tested and what it came to", columns, rows)


def _setup(key: str) -> Callable[[_Of[TestRecords]], Value]:
    def value(of: _Of[TestRecords]) -> Value:
        found: Value = None if of.test.setup is None else getattr(of.test.setup, key)
        return str(found) if isinstance(found, str) else found

    return value


def _summary_of(of: _Of[TestRecords]) -> object:
    return of.test.summary


def _summary(test: TestRecords, key: str) -> Value:
    return None if test.summary is None else getattr(test.summary, key)


def _lines(test: TestRecords, key: str) -> str:
    return "" if test.summary is None else joined(getattr(test.summary, key))


def _integration(test: TestRecords) -> Value:
    return None if test.summary is None else test.summary.integration.integration_s


def _position(o: _Of[SpotRecord], axis: int) -> Value:
    return None if o.test.grid is None else o.test.grid.position_mm(o.record.spot)[axis]


def _settled(record: SpotRecord) -> Value:
    return next((gate.waited_s for gate in record.gates if gate.gate.value == "settle"), None)


def attempts_table(tests: Sequence[TestRecords]) -> Table:
    """One row for each attempt at each spot."""
    columns: list[From[_Of[SpotRecord]]] = []
    columns += _who()
    columns += [
        text("spot", "column letter and row number", lambda o: o.record.spot),
        text("leg", "opening, spot or closing", lambda o: o.record.leg),
        integer("attempt", "counts from 1 per spot and leg", lambda o: o.record.attempt),
        integer("grid_column", "from 0", lambda o: spot_indices(o.record.spot)[0]),
        integer("grid_row", "from 0", lambda o: spot_indices(o.record.spot)[1]),
        number("x_mm", units.MILLIMETRE, "from A1 along columns", lambda o: _position(o, 0)),
        number("y_mm", units.MILLIMETRE, "from A1 along rows", lambda o: _position(o, 1)),
        truth("counts", "whether the result uses it", lambda o: o.test.counted(o.record)),
        truth("undisturbed", "false when something spoilt it", lambda o: o.record.undisturbed),
        text("doubts", "why it is doubtful, separated by semicolons", lambda o: joined(o.record.doubts)),
        text("flags", "separated by semicolons", lambda o: joined(o.record.flags)),
        moment("time", "end of the window", lambda o: o.record.time),
        number("window_opened_s", units.SECOND, "monotonic bench time", lambda o: o.record.window_opened_monotonic_s),
        number("window_closed_s", units.SECOND, "monotonic bench time", lambda o: o.record.window_closed_monotonic_s),
        number("pressed_s", units.SECOND, "monotonic bench time", lambda o: o.record.pressed_monotonic_s),
        number("strike_s", units.SECOND, "monotonic bench time", lambda o: o.record.strike_monotonic_s),
        number("settled_s", units.SECOND, "from press to window", lambda o: _settled(o.record)),
        text("light_instrument", "the primary light instrument", lambda o: o.record.light_instrument),
    ]
    columns += quantity("ppfd_umol", units.PPFD, "PPFD by the primary light instrument", lambda o: o.record.light)
    columns += quantity("quantum_ppfd_umol", units.PPFD, "PPFD by the quantum sensor", lambda o: o.record.quantum_ppfd)
    columns += quantity("spectral_ppfd_umol", units.PPFD, "PPFD by the spectrometer", lambda o: o.record.spectral_ppfd)
    columns += [
        integer("samples", "readings of the quantum sensor in the window", lambda o: o.record.samples),
    ]
    columns += band_columns(lambda o: o.record.figures)
    columns += supply_columns(lambda o: o.record.supply)
    columns += air_columns(lambda o: o.record.air)
    columns += [
        text("record_id", "of the spot record", lambda o: str(o.record.record_id)),
        text("spectrum_id", "record_id of the spectrum", lambda o: _id(o.record.spectrum_id)),
    ]
    return build("attempts", "one row an attempt at a spot, nothing left out", columns, _each(tests, lambda t: t.spots))


def _id(value: object) -> str | None:
    return None if value is None else str(value)


def budget_table(tests: Sequence[TestRecords]) -> Table:
    """Causes of uncertainty of the canopy average and of each attempt."""
    names = (
        Column("test_id", "text", "", "id of the test"),
        Column("of", "text", "", "canopy average, or spot, leg and attempt"),
        Column("cause", "text", "", "cause of uncertainty"),
        Column("u_own_umol", "number", units.PPFD, "standard uncertainty, independent from spot to spot"),
        Column("u_common_umol", "number", units.PPFD, "standard uncertainty, shared by all spots"),
        Column("degrees_of_freedom", "number", units.ONE, "empty: infinitely many"),
    )
    rows: list[tuple[Value, ...]] = []
    for test in tests:
        parts = [("canopy average", test.summary.budget)] if test.summary is not None else []
        parts += [(f"{s.spot} {s.leg} {s.attempt}", s.budget) for s in test.spots]
        rows += [
            (test.test_id, of, line.cause, line.u_own, line.u_common, line.degrees_of_freedom)
            for of, budget in parts
            for line in budget
        ]
    return Table("budget", "causes of uncertainty", names, tuple(rows))


def gates_table(tests: Sequence[TestRecords]) -> Table:
    """Evidence of every gate of every attempt."""
    names = (
        Column("test_id", "text", "", "id of the test"),
        Column("spot", "text", "", "column letter and row number"),
        Column("leg", "text", "", "opening, spot or closing"),
        Column("attempt", "integer", units.ONE, "counts from 1 per spot and leg"),
        Column("gate", "text", "", "warm_up, settle or supply"),
        Column("open", "truth", "", "whether its condition held"),
        Column("read_anyway", "truth", "", "the operator opened it"),
        Column("waited_s", "number", units.SECOND, "from strike or press; supply: span watched"),
        Column("minimum_s", "number", units.SECOND, "least wait"),
        Column("reason", "text", "", "in words"),
    )
    rows: list[tuple[Value, ...]] = [
        (
            test.test_id,
            spot.spot,
            spot.leg,
            spot.attempt,
            gate.gate.value,
            gate.open,
            gate.read_anyway,
            gate.waited_s,
            gate.minimum_s,
            gate.reason,
        )
        for test in tests
        for spot in test.spots
        for gate in spot.gates
    ]
    return Table("gates", "why each reading was taken when it was", names, tuple(rows))


def _when() -> list[From[_Of[S]]]:
    return [
        moment("time", "bench time", lambda o: getattr(o.record, "time", None)),
        number("monotonic_s", units.SECOND, "monotonic bench time", lambda o: getattr(o.record, "monotonic_s", None)),
    ]


def _extreme(of: _Of[SupplyRecord], *, which: str, what: str) -> float | None:
    supply: Supply | None = getattr(of.record, which)
    if supply is None:
        return None
    figure: Quantity = getattr(supply, what)
    return figure.value


def conditions_tables(tests: Sequence[TestRecords]) -> list[Table]:
    """Supply, air and warm-up light over time; the log."""
    of_supply: list[From[_Of[SupplyRecord]]] = []
    of_supply += _who()
    of_supply += _when()
    of_supply += supply_columns(lambda o: o.record.supply)
    for name, unit in (("voltage_v", units.VOLT), ("power_w", units.WATT), ("frequency_hz", units.HERTZ)):
        what, suffix = name.split("_")
        for which in ("lowest", "highest"):
            told = f"{which} single reading of the {what} in the interval"
            of_supply.append(number(f"{what}_{which}_{suffix}", unit, told, partial(_extreme, which=which, what=what)))
    meaning = "supply over time, means over the interval"
    supply = build("supply", meaning, of_supply, _each(tests, lambda t: t.supply))
    of_air: list[From[_Of[AirRecord]]] = []
    of_air += _who()
    of_air += _when()
    of_air.append(text("place", "inside or outside", lambda o: o.record.place))
    of_air += quantity("temperature_c", units.CELSIUS, "temperature", lambda o: o.record.temperature)
    of_air += quantity("humidity_percent", units.PERCENT, "relative humidity", lambda o: o.record.humidity)
    of_air += quantity("pressure_hpa", units.HECTOPASCAL, "pressure", lambda o: o.record.pressure)
    air = build("air", "air over time, means over the interval", of_air, _each(tests, lambda t: t.air))
    of_light: list[From[_Of[LightRecord]]] = []
    of_light += _who()
    of_light += _when()
    of_light.append(text("purpose", "warm_up or ambient", lambda o: o.record.purpose))
    of_light += quantity("ppfd_umol", units.PPFD, "PPFD", lambda o: o.record.ppfd)
    meaning = "light at the reference point while warming up"
    light = build("light", meaning, of_light, _each(tests, lambda t: t.light))
    of_events: list[From[_Of[EventRecord]]] = []
    of_events += _who()
    of_events += _when()
    of_events += [
        text("event", "kind", lambda o: o.record.event),
        text("spot", "where it belongs to one", lambda o: o.record.spot),
        text("text", "what happened", lambda o: o.record.text),
    ]
    events = build("events", "the log", of_events, _each(tests, lambda t: t.events))
    return [supply, air, light, events]


def spectra_long(tests: Sequence[TestRecords]) -> Table:
    """One row for each pixel of each spectrum."""
    names = (
        Column("test_id", "text", "", "id of the test"),
        Column("spot", "text", "", "column letter and row number"),
        Column("leg", "text", "", "opening, spot or closing"),
        Column("attempt", "integer", units.ONE, "counts from 1 per spot and leg"),
        Column("integration_s", "number", units.SECOND, "integration time"),
        Column("saturated", "truth", "", "whether any pixel was at full scale"),
        Column("wavelength_nm", "number", units.NANOMETRE, "of the pixel, in air"),
        Column("counts", "number", units.COUNT, "mean over the averages, dark included"),
        Column("dark_counts", "number", units.COUNT, "dark at this integration time"),
        Column("irradiance_w_m2_nm", "number", units.SPECTRAL_IRRADIANCE, "spectral irradiance; empty if saturated"),
        Column("u_own_w_m2_nm", "number", units.SPECTRAL_IRRADIANCE, "its standard uncertainty, independent"),
    )
    rows: list[tuple[Value, ...]] = []
    for test in tests:
        for s in test.spectra:
            n = len(s.wavelength_nm)
            none: list[float | None] = [None] * n
            dark = s.dark_counts or none
            irradiance, u_own = s.irradiance_w_m2_nm or none, s.u_own_w_m2_nm or none
            rows += [
                (test.test_id, s.spot, s.leg, s.attempt, s.integration_s, s.saturated, *pixel)
                for pixel in zip(s.wavelength_nm, s.counts, dark, irradiance, u_own, strict=True)
            ]
    return Table("spectra", "one row a pixel of a spectrum", names, tuple(rows))


def spectra_wide(tests: Sequence[TestRecords]) -> Table:
    """One row for each wavelength, one column for each spectrum's irradiance; spectra of other pixels get rows too."""
    columns = [Column("wavelength_nm", "number", units.NANOMETRE, "of the pixel, in air")]
    found: list[Mapping[float, float]] = []
    for test in tests:
        for s in test.spectra:
            if s.irradiance_w_m2_nm is None:
                continue
            name = f"{s.spot}_{s.leg}_{s.attempt}"
            name = name if len(tests) == 1 else f"{test.test_id}_{name}"
            meaning = f"test {test.test_id}, spot {s.spot}, {s.leg}, attempt {s.attempt}"
            columns.append(Column(name, "number", units.SPECTRAL_IRRADIANCE, meaning))
            found.append(dict(zip(s.wavelength_nm, s.irradiance_w_m2_nm, strict=True)))
    wavelengths = sorted({nm for spectrum in found for nm in spectrum})
    rows = tuple((nm, *(spectrum.get(nm) for spectrum in found)) for nm in wavelengths)
    return Table("spectra", "spectral irradiance, one column a spectrum", tuple(columns), rows)


def _calibration(key: str) -> Callable[[_Of[InstrumentRecord]], Value]:
    def value(of: _Of[InstrumentRecord]) -> Value:
        note = of.record.calibration
        found: Value = None if note is None else getattr(note, key)
        return found

    return value


def instruments_table(tests: Sequence[TestRecords]) -> Table:
    """Who measured."""
    columns: list[From[_Of[InstrumentRecord]]] = []
    columns += _who()
    columns += [
        text("instrument", "name on this bench", lambda o: o.record.instrument),
        text("role", "what it reads", lambda o: o.record.role),
        text("identity", "what it says of itself", lambda o: o.record.identity),
        text("port", "where it was", lambda o: o.record.port),
        text("certificate", "of its calibration", _calibration("certificate")),
        number("factor", units.ONE, "multiplies the reading", _calibration("factor")),
        number(
            "expanded_uncertainty_percent",
            units.PERCENT,
            "of the calibration, k = 2",
            _calibration("expanded_uncertainty_percent"),
        ),
        text("calibrated_on", "date", _calibration("calibrated_on")),
        text("due_on", "date", _calibration("due_on")),
    ]
    return build(
        "instruments", "who measured, and by which calibration", columns, _each(tests, lambda t: t.instruments)
    )


def all_tables(tests: Sequence[TestRecords], spectra: Literal["long", "wide", "none"]) -> list[Table]:
    """Every table of some tests, the dictionary of their columns last."""
    found = [
        tests_table(tests),
        attempts_table(tests),
        budget_table(tests),
        gates_table(tests),
        *conditions_tables(tests),
        instruments_table(tests),
    ]
    if spectra != "none":
        found.append(spectra_long(tests) if spectra == "long" else spectra_wide(tests))
    return [*found, dictionary(found)]


def dictionary(tables: Sequence[Table]) -> Table:
    """The dictionary: one row a column of any table."""
    names = (
        Column("table", "text", "", "name of the table"),
        Column("column", "text", "", "name of the column"),
        Column("kind", "text", "", "text, number, integer, truth or time"),
        Column("unit", "text", "", "UCUM; empty where there is none"),
        Column("meaning", "text", "", "in words"),
    )
    rows = tuple((t.name, c.name, c.kind, c.unit, c.meaning) for t in tables for c in t.columns)
    return Table("columns", "what every column means", names, rows)
