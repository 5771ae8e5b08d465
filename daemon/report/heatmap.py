"""The light over the grid: cells in the colours of the ramp, the figure on each, and iso-lines through them.

Iso-lines are traced by marching squares over a surface that is linear between neighbouring spots (bilinear within each
mesh of four). They show no more than the spots do, and stop where a spot is missing.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from ...protocol.setup import Grid, spot_name
from ..colours import at as colour_at
from ..colours import ink_on, ramp
from .markup import Html, tag
from .plots import nice_ticks, svg

FINE = 8
"""Steps into which each mesh is cut: a line then looks smooth at the printed size."""
CELL = 92.0
CELL_HEIGHT = 66.0
EDGE = 26.0


@dataclass(frozen=True, slots=True)
class Cell:
    """One spot on the map."""

    value: float
    note: str = ""


Point = tuple[float, float]
Segment = tuple[Point, Point]


def heat_map(grid: Grid, cells: Mapping[str, Cell], unit: str) -> Html:
    """Draw the map; a spot that is not in ``cells`` stays white and says so."""
    values = [cell.value for cell in cells.values()]
    width, height = EDGE + grid.columns * CELL, EDGE + grid.rows * CELL_HEIGHT
    scale_height = 62.0
    parts: list[Html] = []
    low, high = (min(values), max(values)) if values else (0.0, 1.0)
    span = high - low if high > low else 1.0
    for column in range(grid.columns):
        letters = spot_name(column, 0).rstrip("0123456789")
        parts.append(tag("text", letters, x=EDGE + (column + 0.5) * CELL, y=16, text_anchor="middle"))
    for row in range(grid.rows):
        parts.append(tag("text", str(row + 1), x=10, y=EDGE + (row + 0.5) * CELL_HEIGHT + 4, text_anchor="middle"))
        for column in range(grid.columns):
            parts += _cell(grid, column, row, cells.get(spot_name(column, row)), low, span)
    if high > low:
        for level in nice_ticks(low, high, 7):
            parts += _iso_line(grid, cells, level)
    for row in range(grid.rows):
        for column in range(grid.columns):
            parts += _figure(grid, column, row, cells.get(spot_name(column, row)), low, span)
    if values:
        parts += _scale(EDGE, height + 14.0, low, high, unit)
    label = f"Light over the grid in {unit}: " + ", ".join(f"{s} {c.value:.1f}" for s, c in sorted(cells.items()))
    # A cell is printed 24 mm wide, or as much smaller as the paper asks.
    return svg(width + 2.0, height + scale_height, label, *parts, class_="map", width_mm=24.0 * (width / CELL))


def _corner(column: float, row: float) -> Point:
    return EDGE + column * CELL, EDGE + row * CELL_HEIGHT


def _cell(grid: Grid, column: int, row: int, cell: Cell | None, low: float, span: float) -> list[Html]:
    x, y = _corner(column, row)
    fill = "#ffffff" if cell is None else colour_at((cell.value - low) / span)
    parts = [tag("rect", x=x, y=y, width=CELL, height=CELL_HEIGHT, fill=fill, class_="cell")]
    if spot_name(column, row) == grid.reference:
        # A white and a black frame: one of the two stands out on any fill.
        parts += [
            tag("rect", x=x + i, y=y + i, width=CELL - 2 * i, height=CELL_HEIGHT - 2 * i, class_=name)
            for i, name in ((2.5, "frame-white"), (4.0, "frame-black"))
        ]
    return parts


def _figure(grid: Grid, column: int, row: int, cell: Cell | None, low: float, span: float) -> list[Html]:
    x, y = _corner(column + 0.5, row + 0.5)
    spot = spot_name(column, row)
    if cell is None:
        return [tag("text", f"{spot}: none", x=x, y=y + 4, text_anchor="middle")]
    fill = colour_at((cell.value - low) / span)
    ink = ink_on(fill)
    # A halo in the colour of the cell keeps a figure clear of the lines. As style: the sheet's rules beat attributes.
    style = f"fill:{ink};stroke:{fill};stroke-width:3px;paint-order:stroke"
    name = spot if spot != grid.reference else f"{spot}, reference"
    parts = [
        tag("text", name, x=x, y=y - 14, style=style, text_anchor="middle"),
        tag("text", f"{cell.value:.1f}", x=x, y=y + 5, style=f"{style};font-size:17px", text_anchor="middle"),
    ]
    if cell.note:
        parts.append(tag("text", cell.note, x=x, y=y + 20, style=style, text_anchor="middle"))
    return parts


def _scale(x: float, y: float, low: float, high: float, unit: str) -> list[Html]:
    steps = ramp(25)
    each = 8.0
    parts = [
        tag("rect", x=x + i * each, y=y, width=each + 0.5, height=12, fill=colour) for i, colour in enumerate(steps)
    ]
    parts.append(tag("text", f"{low:.1f}", x=x, y=y + 26))
    end = x + len(steps) * each
    parts.append(tag("text", f"{high:.1f}", x=end, y=y + 26, text_anchor="end"))
    parts.append(tag("text", f"{unit}; thin lines: equal light", x=x, y=y + 42))
    return parts


def _iso_line(grid: Grid, cells: Mapping[str, Cell], level: float) -> list[Html]:
    segments: list[Segment] = []
    for row in range(grid.rows - 1):
        for column in range(grid.columns - 1):
            corners = [cells.get(spot_name(column + dx, row + dy)) for dx, dy in ((0, 0), (1, 0), (0, 1), (1, 1))]
            known = [corner.value for corner in corners if corner is not None]
            if len(known) == 4:
                segments += mesh_line(known, column, row, level)
    if not segments:
        return []
    path = " ".join(
        f"M{ax:.1f} {ay:.1f}L{bx:.1f} {by:.1f}" for (ax, ay), (bx, by) in ((_place(a), _place(b)) for a, b in segments)
    )
    parts = [tag("path", d=path, class_="iso-under"), tag("path", d=path, class_="iso")]
    if len(segments) > FINE:
        x, y = _place(max((a for a, _ in segments), key=_off_the_figures))
        parts.append(tag("text", f"{level:g}", x=x, y=y + 3, class_="iso-name", text_anchor="middle"))
    return parts


def _off_the_figures(point: Point) -> float:
    """How far a point is from the nearest spot, whose figure stands there."""
    return math.hypot(point[0] - round(point[0]), point[1] - round(point[1]))


def _place(point: Point) -> Point:
    """Spots lie in the middle of their cells."""
    return _corner(point[0] + 0.5, point[1] + 0.5)


def mesh_line(corners: Sequence[float], column: int, row: int, level: float) -> list[Segment]:
    """The line of one level through one mesh.

    Args:
        corners: Values at (column, row), (column + 1, row), (column, row + 1), (column + 1, row + 1).
        column: Of the mesh's first corner.
        row: Of the mesh's first corner.
        level: Of the line.

    Returns:
        Short segments in units of columns and rows.
    """
    c00, c10, c01, c11 = corners

    def value(u: float, v: float) -> float:
        return c00 * (1 - u) * (1 - v) + c10 * u * (1 - v) + c01 * (1 - u) * v + c11 * u * v

    segments: list[Segment] = []
    if not min(corners) <= level <= max(corners):
        return segments
    for i in range(FINE):
        for j in range(FINE):
            ring = [(i / FINE, j / FINE), ((i + 1) / FINE, j / FINE)]
            ring += [((i + 1) / FINE, (j + 1) / FINE), (i / FINE, (j + 1) / FINE)]
            heights = [value(u, v) - level for u, v in ring]
            crossings = [
                _between(ring[k], ring[(k + 1) % 4], heights[k], heights[(k + 1) % 4])
                for k in range(4)
                if (heights[k] < 0) != (heights[(k + 1) % 4] < 0)
            ]
            # Two crossings are one piece of line; four are a saddle, whose two pieces are joined in the order found:
            # at this fineness either way is within a printed line's width.
            for a, b in zip(crossings[::2], crossings[1::2], strict=True):
                segments.append(((column + a[0], row + a[1]), (column + b[0], row + b[1])))
    return segments


def _between(a: Point, b: Point, height_a: float, height_b: float) -> Point:
    part = height_a / (height_a - height_b)
    assert math.isfinite(part)  # noqa: S101 - the heights differ in sign
    return a[0] + part * (b[0] - a[0]), a[1] + part * (b[1] - a[1])
