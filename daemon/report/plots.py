"""Plots as inline SVG: axes with round numbers, lines, intervals. Pure; knows no records.

All plots are drawn in a box of so many units and scaled by the page. They are black lines on white first: told apart by
dashes and by words at the line, not by colour.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from .markup import Html, tag

DASHES = ("", "7 4", "2 3", "9 3 2 3")
"""By which lines of one plot are told apart."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line: points in the order of x; a gap where y is None."""

    name: str
    points: Sequence[tuple[float, float | None]]


@dataclass(frozen=True, slots=True)
class Envelope:
    """What a line of means leaves out: lowest and highest at each x; a gap where either is None."""

    name: str
    points: Sequence[tuple[float, float | None, float | None]]


@dataclass(frozen=True, slots=True)
class Scale:
    """From figures to units of the drawing."""

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        """Where a figure is drawn."""
        return self.start + (value - self.low) / (self.high - self.low) * (self.end - self.start)


def nice_ticks(low: float, high: float, about: int = 5) -> list[float]:
    """Round numbers (1, 2 or 5 times a power of ten apart) within a range."""
    if not high > low:
        return [low]
    raw = (high - low) / about
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= raw * (1 - 1e-9))
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [i * step for i in range(first, last + 1)]


def widened(values: Sequence[float], least: float, part: float = 0.08) -> tuple[float, float]:
    """A range around values with some air, at least so wide."""
    low, high = min(values), max(values)
    pad = max(part * (high - low), (least - (high - low)) / 2.0, 1e-12)
    return low - pad, high + pad


def number(value: float, step: float) -> str:
    """A tick's figure, with as many decimals as its step needs."""
    digits = max(0, -math.floor(math.log10(step) + 1e-9)) if step > 0 else 0
    return f"{value:.{digits}f}"


def line_plot(
    lines: Sequence[Line],
    *,
    x_name: str,
    y_name: str,
    least: float,
    width: float = 640.0,
    height: float = 190.0,
    marks: Sequence[tuple[float, float]] = (),
    limits: Sequence[float] = (),
    envelope: Envelope | None = None,
    label: str,
) -> Html:
    """Lines over x.

    Args:
        lines: At least one with a point.
        x_name: With unit.
        y_name: With unit.
        least: Smallest range of y that is drawn, so that noise does not fill a plot.
        width: Of the drawing.
        height: Of the drawing.
        marks: Spans of x that are shaded.
        limits: Values of y with a dashed line each, where they lie within the range.
        envelope: From lowest to highest, drawn below the lines.
        label: What the plot shows, for those who cannot see it.
    """
    edges = [] if envelope is None else _edges(envelope)
    xs = [x for line in lines for x, _ in line.points]
    ys = [y for line in lines for _, y in line.points if y is not None]
    ys += [y for stretch in edges for _, y in stretch]
    if not ys:
        return tag("p", f"{label}: nothing was measured.")
    x_low, x_high = min(xs), max(*xs, min(xs) + 1e-9)
    y_low, y_high = widened(ys, least)
    left, right, top, bottom = 52.0, 8.0, 24.0, 36.0
    x = Scale(x_low, x_high, left, width - right)
    y = Scale(y_low, y_high, height - bottom, top)
    parts: list[Html] = [
        tag("rect", x=x.at(a), y=top, width=max(0.8, x.at(b) - x.at(a)), height=height - bottom - top, class_="mark")
        for a, b in ((max(x_low, a), min(x_high, b)) for a, b in marks)
        if b > a
    ]
    parts += y_axis(y, y_name, left, width - right)
    parts += x_axis(x, x_name, height - bottom, height)
    parts += [
        tag("line", x1=left, x2=width - right, y1=y.at(limit), y2=y.at(limit), class_="limit")
        for limit in limits
        if y_low < limit < y_high
    ]
    for stretch in edges:
        path = " ".join(f"{x.at(px):.1f},{y.at(py):.1f}" for px, py in stretch)
        parts.append(tag("polygon", points=path, class_="envelope"))
    for index, line in enumerate(lines):
        for points in _stretches(line.points):
            path = " ".join(f"{x.at(px):.1f},{y.at(py):.1f}" for px, py in points)
            parts.append(tag("polyline", points=path, class_="line", stroke_dasharray=DASHES[index % 4] or None))
    if len(lines) > 1 or edges:
        shade = envelope.name if envelope is not None and edges else None
        parts += _key([line.name for line in lines], shade, left + 8.0, top - 14.0)
    return svg(width, height, label, *parts)


def svg(
    width: float, height: float, label: str, *parts: Html, class_: str | None = None, width_mm: float | None = None
) -> Html:
    """A drawing; as wide as the page lets it be, unless a width in millimetres is given."""
    style = None if width_mm is None else f"width:{width_mm:.0f}mm"
    box = f"0 0 {width:g} {height:g}"
    return tag("svg", *parts, viewBox=box, role="img", aria_label=label, class_=class_, style=style)


def y_axis(y: Scale, name: str, left: float, right: float) -> list[Html]:
    """Ticks with hairlines over the whole width, and the axis' name above."""
    ticks = nice_ticks(min(y.low, y.high), max(y.low, y.high), 4)
    step = ticks[1] - ticks[0] if len(ticks) > 1 else 1.0
    parts = [tag("text", name, x=0, y=10, class_="name")]
    for tick in ticks:
        at = y.at(tick)
        parts.append(tag("line", x1=left, x2=right, y1=at, y2=at, class_="hair"))
        parts.append(tag("text", number(tick, step), x=left - 5, y=at + 4, text_anchor="end"))
    return parts


def x_axis(x: Scale, name: str, at: float, height: float) -> list[Html]:
    """The axis with ticks, and its name at the right."""
    ticks = nice_ticks(x.low, x.high, 8)
    step = ticks[1] - ticks[0] if len(ticks) > 1 else 1.0
    parts = [tag("line", x1=x.start, x2=x.end, y1=at, y2=at, class_="axis")]
    for tick in ticks:
        here = x.at(tick)
        parts.append(tag("line", x1=here, x2=here, y1=at, y2=at + 4, class_="axis"))
        parts.append(tag("text", number(tick, step), x=here, y=at + 15, text_anchor="middle"))
    parts.append(tag("text", name, x=x.end, y=height - 5, text_anchor="end", class_="name"))
    return parts


def _edges(envelope: Envelope) -> list[list[tuple[float, float]]]:
    """Outlines: along the highest, back along the lowest."""
    found: list[list[tuple[float, float, float]]] = [[]]
    for x, low, high in envelope.points:
        if low is None or high is None:
            found.append([])
        else:
            found[-1].append((x, low, high))
    return [
        [(x, high) for x, _, high in stretch] + [(x, low) for x, low, _ in reversed(stretch)]
        for stretch in found
        if len(stretch) > 1
    ]


def _key(names: Sequence[str], shade: str | None, x: float, y: float) -> list[Html]:
    parts: list[Html] = []
    at = x + 150.0
    if shade is not None:
        parts.append(tag("rect", x=at, y=y - 4, width=26, height=8, class_="envelope"))
        parts.append(tag("text", shade, x=at + 31, y=y + 4))
        at += 46.0 + 5.6 * len(shade)
    for index, name in enumerate(names):
        dash = DASHES[index % 4] or None
        parts.append(tag("line", x1=at, x2=at + 26, y1=y, y2=y, class_="line", stroke_dasharray=dash))
        parts.append(tag("text", name, x=at + 31, y=y + 4))
        at += 46.0 + 6.6 * len(name)
    return parts


def _stretches(points: Sequence[tuple[float, float | None]]) -> list[list[tuple[float, float]]]:
    found: list[list[tuple[float, float]]] = [[]]
    for x, y in points:
        if y is None:
            found.append([])
        else:
            found[-1].append((x, y))
    return [stretch for stretch in found if stretch]
