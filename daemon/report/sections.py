"""The parts of a test's report, each from the records alone. Pure: records in, markup out."""

import math
from collections.abc import Sequence
from typing import Final

from ...protocol import units
from ...protocol.quantity import Quantity
from ...protocol.records import BudgetLine, PhotonFigures, SpotRecord, SummaryRecord
from ...protocol.setup import Grid, LampSetup, LampType
from ..cautions import CAUTIONS, FIRST
from ..results.recall import TestRecords
from ..results.stated import average_factor, factor_words, stated
from .figures import figure, fixed, percent_of, symbol
from .heatmap import Cell, heat_map
from .markup import Html, joined, pairs, table, tag
from .words import where

LEGS: Final = {"opening": "opening", "spot": "spot", "closing": "closing"}


def head(test: TestRecords) -> Html:
    """What this is a report of, and what it came to in one line."""
    summary = test.summary
    lamp = test.setup.lamp if test.setup is not None else "unknown"
    parts = [tag("p", "Lamp test", class_="kind"), tag("h1", f"{lamp}: test {test.test_id}")]
    if test.simulated:
        parts.append(tag("p", "Simulated: no value in this report is real.", class_="simulated"))
    if summary is None:
        outcome = next(
            (e.text for e in reversed(test.events) if e.event == "test_abandoned"), "the test is not finished"
        )
        parts.append(tag("p", f"No result: {outcome}. What was read is told below.", class_="outcome"))
    return joined(parts)


def result(summary: SummaryRecord) -> Html:
    """The figures with their uncertainties."""
    (_, average), *rows = stated(summary)
    return tag(
        "section",
        tag("h2", "Result"),
        tag("p", "Canopy average ", tag("strong", average), class_="average"),
        tag("p", f"± is the expanded uncertainty: {factor_words(summary)}.", class_="quiet"),
        tag("div", pairs(rows), class_="two"),
    )


def flags(test: TestRecords) -> Html:
    """Every flag."""
    found = [] if test.summary is None else test.summary.flags
    found = found or [f"{where(s)}, attempt {s.attempt}: {flag}" for s in test.spots for flag in s.flags]
    body = tag("ul", *(tag("li", flag) for flag in found)) if found else tag("p", "None.")
    return tag("section", tag("h2", "Flags"), body)


def missing(test: TestRecords) -> Html:
    """What was not measured, and why."""
    lines: list[str] = []
    summary = test.summary
    if summary is not None and summary.missing_spots:
        lines.append(f"Spots without a reading that counts: {', '.join(summary.missing_spots)}.")
    roles = {record.role for record in test.instruments}
    for role, what in (
        ("quantum_sensor", "PPFD by a quantum sensor"),
        ("spectrometer", "the spectrum and the photon bands"),
        ("power_meter", "the supply; the strike was told by a press"),
        ("air_inside", "the air inside"),
        ("air_outside", "the air outside"),
    ):
        if role not in roles:
            lines.append(f"Not measured, no such instrument on the bench: {what}.")
    if summary is not None:
        lines += [f"{name}: not given, {q.reason}." for name, q in _all_figures(summary) if q.value is None]
    without = [s for s in test.spots if "spectrometer" in roles and s.spectrum_id is None]
    if without:
        lines.append("Attempts without a spectrum: " + ", ".join(f"{where(s)} ({s.attempt})" for s in without) + ".")
    lines.append("Not part of this test: ultraviolet, the lamp's own temperature, its life.")
    return tag("section", tag("h2", "What was not measured"), tag("ul", *(tag("li", line) for line in lines)))


def _all_figures(summary: SummaryRecord) -> list[tuple[str, Quantity]]:
    supply, air = summary.supply, summary.air
    return [
        ("Canopy average", summary.canopy_average),
        ("Uniformity ratio", summary.uniformity_ratio),
        ("Drift", summary.drift),
        ("Photons at the canopy plane", summary.photons_per_joule),
        ("Current", supply.current),
        ("Power factor", supply.power_factor),
        ("Humidity inside", air.inside_humidity),
        ("Pressure inside", air.inside_pressure),
        ("Humidity outside", air.outside_humidity),
        ("Pressure outside", air.outside_pressure),
    ]


def identity(test: TestRecords) -> Html:
    """What was tested, where, when, how it hung."""
    rows: list[tuple[str, str]] = [("Bench", test.bench), ("Test", test.test_id)]
    summary = test.summary
    if summary is not None:
        struck = "not seen" if summary.struck is None else _moment(summary.struck.isoformat())
        rows += [
            ("Begun (UTC)", _moment(summary.started.isoformat())),
            ("Struck (UTC)", struck),
            ("Finished (UTC)", _moment(summary.finished.isoformat())),
            ("Primary light instrument", summary.primary_instrument),
            ("Integration time", summary.integration.text.removeprefix("integration time ")),
        ]
    elif test.events:
        rows.append(("Begun (UTC)", _moment(test.events[0].time.isoformat())))
    if test.setup is not None:
        rows += _setup(test.setup)
    if test.grid is not None:
        rows.append(("Grid", _grid_words(test.grid)))
    clock = "yes" if all(event.clock_synchronised for event in test.events) else "not throughout: times may be off"
    rows.append(("System clock synchronised", clock))
    return tag("section", tag("h2", "Lamp, ballast, fixture, bench"), pairs(rows))


def _setup(setup: LampSetup) -> list[tuple[str, str]]:
    position, turned = _words(setup.burning_position.value), f"turned by {setup.rotation_deg:g}°"
    hung = f"{setup.height_mm:g} mm above the sensor plane, {position}, {turned}"
    return [
        ("Lamp", f"{setup.lamp}, {lamp_type(setup)}, {setup.rated_power_w:g} W rated"),
        ("Burnt before this test", f"{setup.burning_hours:g} h"),
        ("Ballast", f"{setup.ballast}, {setup.ballast_setting}"),
        ("Fixture", setup.fixture),
        ("Hung", hung),
        ("Fan", setup.fan),
    ]


def lamp_type(setup: LampSetup) -> str:
    """As people write it."""
    return "LED" if setup.lamp_type is LampType.LED else _words(setup.lamp_type.value).replace("high ", "high-")


def _grid_words(grid: Grid) -> str:
    return (
        f"{grid.columns} × {grid.rows} spots, {grid.pitch_x_mm:g} mm × {grid.pitch_y_mm:g} mm apart, "
        f"reference point {grid.reference}"
    )


def instruments(test: TestRecords) -> Html:
    """Who measured, and where its trust comes from."""
    rows = []
    for record in test.instruments:
        note = record.calibration
        told = ["–", "–", "–"]
        if note is not None:
            due = tag("span", note.due_on or "–", class_="date")
            told = [
                f"{note.certificate}, factor {note.factor:.5g}",
                f"{note.expanded_uncertainty_percent:.2g} %",
                joined([due, ": overdue"]) if note.overdue else due,
            ]
        rows.append([record.instrument, _words(record.role), record.identity or "not identified", *told])
    names = ("Instrument", "Role", "Says of itself", "Calibration", "U (k = 2)", "Due")
    return tag("section", tag("h2", "Instruments and calibrations"), table(names, rows, class_="wide"))


def grid_map(test: TestRecords) -> Html:
    """The heat map of what counts; without a result, of each spot's last undisturbed attempt."""
    if test.grid is None:
        return Html("")
    cells: dict[str, Cell] = {}
    if test.summary is not None:
        for spot in test.summary.spots:
            if spot.ppfd.value is not None:
                note = "confirmed" if spot.confirmed else "doubtful" if spot.doubts else ""
                note = "chosen" if spot.chosen_by_operator else note
                cells[spot.spot] = Cell(spot.ppfd.value, note)
    else:
        for record in test.spots:
            if record.leg == "spot" and record.undisturbed and record.light.value is not None:
                cells[record.spot] = Cell(record.light.value, "doubtful" if record.doubts else "")
    return tag(
        "section",
        tag("h2", "Light over the grid"),
        heat_map(test.grid, cells, f"PPFD in {symbol(units.PPFD)}"),
        tag(
            "p",
            "Lines of equal light run straight between neighbouring spots and show no more than those.",
            class_="quiet",
        ),
        class_="whole",
    )


def budget(summary: SummaryRecord) -> Html:
    """The uncertainty budget of the canopy average."""
    average = summary.canopy_average
    if average.value is None:
        return tag("section", tag("h2", "Uncertainty budget"), tag("p", f"No average: {average.reason}."))
    value = average.value
    rows = [
        [line.cause, _u(line.u_own), _u(line.u_common), percent_of(_both(line), value), _dof(line)]
        for line in summary.budget
    ]
    u = average.u or 0.0
    rows.append(
        ["combined", _u(average.u_own or 0.0), _u(average.u_common or 0.0), percent_of(u, value), _total_dof(summary)]
    )
    names = (
        "Cause",
        f"Own of each spot, averaged down, {symbol(units.PPFD)}",
        f"Shared by all spots, {symbol(units.PPFD)}",
        "Of the average",
        "Degrees of freedom",
    )
    expanded = summary.expanded_uncertainty
    tail = (
        ""
        if expanded.value is None
        else (f"Expanded: {average_factor(summary):.2f} × {u:.3g} = {expanded.value:.3g} {symbol(units.PPFD)}. ")
    )
    return tag(
        "section",
        tag("h2", "Uncertainty budget of the canopy average (standard uncertainties, k = 1)"),
        table(names, rows, class_="figures"),
        tag("p", f"{tail}After JCGM 100:2008; ratios over the grid by Monte Carlo (JCGM 101:2008).", class_="quiet"),
    )


def _u(value: float) -> str:
    return f"{value:.3f}" if value else ""


def _both(line: BudgetLine) -> float:
    return math.hypot(line.u_own, line.u_common)


def _dof(line: BudgetLine) -> str:
    return _degrees(line.degrees_of_freedom)


def _total_dof(summary: SummaryRecord) -> str:
    return _degrees(summary.effective_degrees_of_freedom)


def _degrees(number: float | None) -> str:
    """Beyond a thousand the number says nothing more."""
    return "∞" if number is None else "> 1000" if number > 1000.0 else f"{number:.0f}"


def bands(figures: PhotonFigures) -> Html:
    """Photon figures of the canopy."""
    rows = [
        ("PPFD by the spectrometer, 400–700 nm", figure(figures.ppfd)),
        ("ePAR, 400–750 nm", figure(figures.epar)),
        ("Blue, 400–500 nm", figure(figures.blue)),
        ("Green, 500–600 nm", figure(figures.green)),
        ("Red, 600–700 nm", figure(figures.red)),
        ("Far-red, 700–800 nm", figure(figures.far_red)),
        ("Red to far-red, 655–665 / 725–735 nm", figure(figures.red_to_far_red)),
    ]
    return pairs(rows)


def attempts(test: TestRecords) -> Html:
    """Every spot and attempt, nothing left out; an instrument whose readings are the PPFD itself gets no column."""
    rows = []
    for record in test.spots:
        why = "; ".join([*record.doubts, *record.flags])
        if not record.undisturbed:
            why = why or "disturbed"
        expanded = "–" if record.light.u is None or record.light.value is None else f"{2 * record.light.u:.1f}"
        rows.append(
            {
                "Spot": where(record),
                "Attempt": str(record.attempt),
                "UTC": f"{record.time:%H:%M:%S}",
                "PPFD": fixed(record.light, 1),
                "±": expanded,
                "Sensor": fixed(record.quantum_ppfd, 1),
                "Spectro-meter": fixed(record.spectral_ppfd, 1),
                "Samples": str(record.samples),
                "V": fixed(record.supply.voltage, 1),
                "W": fixed(record.supply.power, 1),
                "°C": fixed(record.air.inside_temperature, 1),
                "Use": _use(test, record),
                "Doubts, flags": why,
            }
        )
    same = [name for name in _LIGHT_COLUMNS if rows and all(row[name] == row["PPFD"] for row in rows)]
    by = ", ".join(dict.fromkeys(record.light_instrument for record in test.spots))
    told = f"PPFD is the light that counts, by the primary instrument ({by})"
    told += "; the other light instrument has a column of its own" if len(same) < len(_LIGHT_COLUMNS) else ""
    names = [name for name in rows[0] if name not in same] if rows else []
    return tag(
        "section",
        tag("h2", "Every spot and attempt"),
        tag(
            "p",
            f"Light in {symbol(units.PPFD)}, ± for k = 2; {told}. Supply and air inside are means over the window.",
            class_="quiet",
        ),
        table(names, [[row[name] for name in names] for row in rows], class_="figures small"),
    )


_LIGHT_COLUMNS: Final = ("Sensor", "Spectro-meter")


def _use(test: TestRecords, record: SpotRecord) -> str:
    if record.leg != "spot":
        return record.leg
    return "counts" if test.counted(record) else ""


def events(test: TestRecords) -> Html:
    """The log."""
    rows = [[f"{event.time:%H:%M:%S}", event.text] for event in test.events if event.event != "press_accepted"]
    return tag("section", tag("h2", "Log (UTC)"), table(("Time", "What happened"), rows, class_="small log"))


def foot(test: TestRecords, version: str) -> Html:
    """Cautions, and where the figures come from."""
    seqs = [record.seq for record in (*test.events, *test.spots)]
    last = test.summary.seq if test.summary is not None else max(seqs, default=0)
    source = f"Made by lampwarden {version} from records {min(seqs, default=0)} to {last} of bench {test.bench}."
    return tag(
        "footer",
        tag("h2", "Cautions"),
        tag("p", FIRST),
        tag("ul", *(tag("li", caution) for caution in CAUTIONS)),
        tag("p", source, class_="quiet"),
    )


def _words(name: str) -> str:
    return name.replace("_", " ")


def _moment(iso: str) -> str:
    return iso[:19].replace("T", " ")


def spans(records: Sequence[SpotRecord], start_s: float) -> list[tuple[float, float]]:
    """Windows as minutes since a moment."""
    return [
        ((r.window_opened_monotonic_s - start_s) / 60.0, (r.window_closed_monotonic_s - start_s) / 60.0)
        for r in records
    ]
