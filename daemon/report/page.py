"""A test's report as one self-contained HTML file: no script, no outside resource, made for A4 and Letter alike.

Owns the order of the parts and the plots over time and over wavelength. Pure.
"""

from collections.abc import Callable, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Final

import numpy as np

from ... import __version__
from ...protocol import units
from ...protocol.counts import counted
from ...protocol.quantity import Quantity
from ...protocol.records import Message, SpectrumRecord, Supply, SupplyRecord
from ..results.recall import TestRecords
from . import sections
from .figures import symbol
from .gates import gates
from .markup import Html, tag
from .plots import Envelope, Line, Scale, line_plot, svg, widened, x_axis, y_axis

BANDS: Final = ((400.0, 500.0, "blue"), (500.0, 600.0, "green"), (600.0, 700.0, "red"), (700.0, 800.0, "far-red"))
SPECTRUM_FROM_NM: Final = 350.0
SPECTRUM_TO_NM: Final = 850.0
_STYLE: Final = Path(__file__).with_name("report.css")


def document(title: str, *parts: str, simulated: bool) -> str:
    """A whole HTML file."""
    marks = [tag("div", class_="across", aria_hidden="true")] if simulated else []
    head = tag(
        "head",
        Html('<meta charset="utf-8">'),
        Html('<meta name="viewport" content="width=device-width, initial-scale=1">'),
        tag("title", title),
        tag("style", Html(_STYLE.read_text(encoding="utf-8"))),
    )
    body = tag("body", *marks, tag("main", *parts), class_="is-simulated" if simulated else None)
    return f"<!doctype html>\n{tag('html', head, body, lang='en')}\n"


def report_page(test: TestRecords) -> str:
    """The report of a test."""
    summary = test.summary
    parts: list[Html] = [sections.head(test)]
    if summary is not None:
        parts.append(sections.result(summary))
    parts += [sections.flags(test), sections.grid_map(test), sections.identity(test), sections.instruments(test)]
    if summary is not None:
        parts.append(sections.budget(summary))
    parts += [
        spectrum(test),
        over_time(test),
        sections.missing(test),
        sections.attempts(test),
        gates(test),
        sections.events(test),
        sections.foot(test, __version__),
    ]
    return document(f"Lamp test {test.test_id}", *parts, simulated=test.simulated)


def spectrum(test: TestRecords) -> Html:
    """Mean spectral irradiance over the canopy, and the reference point's, with the bands."""
    counting = {s.record_id for s in test.summary.spots} if test.summary is not None else None
    used = {s.spectrum_id for s in test.spots if s.spectrum_id and (counting is None or s.record_id in counting)}
    canopy = [s for s in test.spectra if s.record_id in used and s.leg == "spot"]
    opening = [s for s in test.spectra if s.leg == "opening"]
    lines: list[Line] = []
    if mean := _mean(canopy):
        lines.append(Line(f"canopy, mean of {counted(len(canopy), 'spot')}", mean))
    if reference := _mean(opening[-1:]):
        lines.append(Line("reference point, opening", reference))
    if not lines:
        return tag("section", tag("h2", "Spectrum"), tag("p", "No reduced spectrum was taken."))
    figures = test.summary.figures if test.summary is not None else None
    dark = sorted({s.dark_source.replace("_", " ") for s in test.spectra})
    exposures = sorted({f"{1000 * s.integration_s:.4g} ms" for s in test.spectra})
    saturated = [f"{s.spot} ({s.attempt})" for s in test.spectra if s.saturated]
    calibration = test.spectra[-1].calibration
    told = f"Integration time {', '.join(exposures)}; dark: {', '.join(dark)}; calibration: {calibration}."
    return tag(
        "section",
        tag("h2", "Spectrum"),
        _spectrum_plot(lines),
        tag("p", told, class_="quiet"),
        *([tag("p", f"Saturated, without figures: {', '.join(saturated)}.")] if saturated else []),
        *([sections.bands(figures)] if figures is not None else []),
        class_="whole",
    )


def _mean(spectra: Sequence[SpectrumRecord]) -> list[tuple[float, float | None]]:
    reduced = [s for s in spectra if s.irradiance_w_m2_nm is not None]
    if not reduced:
        return []
    wavelength = reduced[0].wavelength_nm
    same = [s for s in reduced if s.wavelength_nm == wavelength]
    mean = np.mean([s.irradiance_w_m2_nm or [] for s in same], axis=0)
    return [
        (nm, 1000.0 * value)
        for nm, value in zip(wavelength, mean.tolist(), strict=True)
        if SPECTRUM_FROM_NM <= nm <= SPECTRUM_TO_NM
    ]


def _spectrum_plot(lines: Sequence[Line]) -> Html:
    width, height, left, top, bottom = 640.0, 246.0, 52.0, 32.0, 36.0
    ys = [y for line in lines for _, y in line.points if y is not None]
    x = Scale(SPECTRUM_FROM_NM, SPECTRUM_TO_NM, left, width - 8.0)
    y = Scale(*widened([0.0, *ys], 0.0, 0.04), height - bottom, top)
    parts: list[Html] = []
    for index, (low, high, name) in enumerate(BANDS):
        shade = "band" if index % 2 else "band odd"
        parts.append(
            tag("rect", x=x.at(low), y=top, width=x.at(high) - x.at(low), height=height - bottom - top, class_=shade)
        )
        parts.append(tag("text", name, x=x.at((low + high) / 2), y=top - 4, text_anchor="middle"))
    parts += y_axis(y, "mW m⁻² nm⁻¹", left, width - 8.0)
    parts += x_axis(x, "wavelength in air, nm", height - bottom, height)
    for index, line in enumerate(lines):
        points = " ".join(f"{x.at(px):.1f},{y.at(py):.1f}" for px, py in line.points if py is not None)
        parts.append(tag("polyline", points=points, class_="line", stroke_dasharray=None if index == 0 else "2 3"))
        at = top + 16 + 16 * index
        parts.append(
            tag(
                "line",
                x1=left + 10,
                x2=left + 36,
                y1=at,
                y2=at,
                class_="line",
                stroke_dasharray=None if index == 0 else "2 3",
            )
        )
        parts.append(tag("text", line.name, x=left + 42, y=at + 4))
    label = f"Spectral irradiance over wavelength: {', '.join(line.name for line in lines)}"
    return svg(width, height, label, *parts)


def over_time(test: TestRecords) -> Html:
    """Light while warming up, supply and air over the test; the windows are shaded."""
    if not test.events:
        return Html("")
    start = test.events[0]
    windows = sections.spans(test.spots, start.monotonic_s)

    def minute(record: Message) -> float:
        return (record.monotonic_s - start.monotonic_s) / 60.0

    plots: list[Html] = []
    x_name = "minutes since the test was begun"
    warming = [(minute(r), r.ppfd.value) for r in test.light if r.purpose == "warm_up"]
    if warming:
        plots.append(
            line_plot(
                [Line("light", warming)],
                x_name=x_name,
                y_name=f"light at the reference point while warming up, {symbol(units.PPFD)}",
                least=5.0,
                label="Light at the reference point while warming up",
            )
        )
    if test.supply:
        for name, unit, least, attribute in (
            ("voltage", "V", 4.0, "voltage"),
            ("power", "W", 4.0, "power"),
            ("frequency", "Hz", 0.2, "frequency"),
        ):
            points = [(minute(r), getattr(r.supply, attribute).value) for r in test.supply]
            plots.append(
                line_plot(
                    [Line("mean", points)],
                    x_name=x_name,
                    y_name=f"{name} at the ballast's input, {unit}",
                    least=least,
                    height=150.0,
                    marks=windows,
                    envelope=Envelope("lowest to highest reading", _extremes(test.supply, attribute, minute)),
                    label=f"Supply {name} over the test",
                )
            )
    inside = [r for r in test.air if r.place == "inside"]
    outside = [r for r in test.air if r.place == "outside"]
    for attribute, name, unit, least in (("temperature", "temperature", "°C", 1.0), ("humidity", "humidity", "%", 2.0)):
        lines = [
            Line(place, [(minute(r), getattr(r, attribute).value) for r in records])
            for place, records in (("inside", inside), ("outside", outside))
            if any(getattr(r, attribute).value is not None for r in records)
        ]
        if lines:
            plots.append(
                line_plot(
                    lines,
                    x_name=x_name,
                    y_name=f"air {name}, {unit}",
                    least=least,
                    height=150.0,
                    marks=windows,
                    label=f"Air {name} over the test",
                )
            )
    body = [tag("div", plot, class_="whole") for plot in plots] or [tag("p", "Nothing was recorded over time.")]
    told = f"Shaded: the windows of the readings.{_told_of_extremes(test.supply)}"
    return tag("section", tag("h2", "Supply and air over time"), *body, tag("p", told, class_="quiet"))


def _extremes(
    records: Sequence[SupplyRecord], attribute: str, minute: Callable[[Message], float]
) -> list[tuple[float, float | None, float | None]]:
    def of(supply: Supply | None) -> float | None:
        figure: Quantity | None = getattr(supply, attribute, None)
        return None if figure is None else figure.value

    return [(minute(r), of(r.lowest), of(r.highest)) for r in records]


def _told_of_extremes(records: Sequence[SupplyRecord]) -> str:
    """What the supply's band is, and what neither band nor line can show."""
    if not records:
        return ""
    if all(record.lowest is None for record in records):
        return " Of the supply only means over the intervals were recorded: a short dip is drawn smaller than it was."
    steps = sorted(b.monotonic_s - a.monotonic_s for a, b in pairwise(records))
    span = f" of {steps[len(steps) // 2]:.0f} s" if steps else ""
    return (
        f" Supply: the line is the mean of each interval{span}, the band runs from its lowest to its highest single "
        "reading; what is shorter than the meter's own readings shows in neither."
    )
