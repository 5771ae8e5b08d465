"""What reports draw: iso-lines where the light is, round numbers at the axes, markup that cannot be broken out of."""

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lampwarden.daemon.report.heatmap import FINE, Cell, heat_map, mesh_line
from lampwarden.daemon.report.markup import escaped, joined, table, tag
from lampwarden.daemon.report.plots import Line, line_plot, nice_ticks, number
from lampwarden.protocol.setup import Grid

GRID = Grid(columns=3, rows=2, pitch_x_mm=100.0, pitch_y_mm=100.0, reference="B1")


@given(st.floats(-50, 50), st.floats(-50, 50), st.floats(0.05, 0.95))
def test_iso_line_of_a_slope_lies_on_the_slope(across: float, along: float, part: float) -> None:
    corners = [100.0, 100.0 + across, 100.0 + along, 100.0 + across + along]
    low, high = min(corners), max(corners)
    if high - low < 1.0:
        return
    level = low + part * (high - low)
    segments = mesh_line(corners, 0, 0, level)
    assert segments
    for ends in segments:
        for u, v in ends:
            assert 100.0 + across * u + along * v == pytest.approx(level, abs=1e-9 * abs(level))


def test_iso_line_of_a_curved_mesh_is_closer_than_a_printed_line() -> None:
    corners = [0.0, 100.0, 100.0, 0.0]  # a saddle: 100 (u + v - 2 u v)
    for (u0, v0), (u1, v1) in mesh_line(corners, 0, 0, 30.0):
        u, v = (u0 + u1) / 2, (v0 + v1) / 2
        # Between two points of the line the chord strays from it by less than a hundredth of a mesh.
        assert abs(100.0 * (u + v - 2 * u * v) - 30.0) < 100.0 * 0.01


def test_level_outside_of_a_mesh_draws_nothing() -> None:
    assert mesh_line([1.0, 2.0, 3.0, 4.0], 0, 0, 5.0) == []


def test_line_through_a_mesh_from_side_to_side_is_unbroken() -> None:
    segments = mesh_line([0.0, 10.0, 0.0, 10.0], 0, 0, 5.0)
    assert len(segments) == FINE
    ends = sorted(v for segment in segments for _, v in segment)
    assert (ends[0], ends[-1]) == (0.0, 1.0)
    assert all(u == pytest.approx(0.5) for segment in segments for u, _ in segment)


def test_map_shows_every_figure_and_says_which_spot_has_none() -> None:
    cells = {"A1": Cell(411.25), "B1": Cell(512.5, "confirmed"), "C1": Cell(380.0, "doubtful"), "A2": Cell(300.0)}
    text = heat_map(GRID, cells, "unit")
    for shown in ("411.2", "512.5", "380.0", "300.0", "confirmed", "doubtful", "B2: none", "C2: none", "B1, reference"):
        assert f">{shown}</text>" in text


def test_map_of_one_and_the_same_light_has_no_lines_and_no_division_by_zero() -> None:
    text = heat_map(GRID, {spot: Cell(400.0) for spot in GRID.spots()}, "unit")
    assert 'class="iso"' not in text
    assert text.count(">400.0</text>") >= 6


@given(st.floats(-1e6, 1e6), st.floats(1e-3, 1e6))
def test_ticks_are_round_within_the_range_and_not_too_many(low: float, span: float) -> None:
    ticks = nice_ticks(low, low + span)
    assert 2 <= len(ticks) <= 7
    assert all(low - 1e-6 * span <= tick <= low + span + 1e-6 * span for tick in ticks)
    step = ticks[1] - ticks[0]
    mantissa = step / 10.0 ** math.floor(math.log10(step) + 1e-6)
    assert min(abs(mantissa - m) for m in (1.0, 2.0, 5.0)) < 0.01


def test_ticks_figures_have_the_decimals_of_their_step() -> None:
    assert number(0.30000000000000004, 0.1) == "0.3"
    assert number(1500.0, 500.0) == "1500"
    assert number(49.95, 0.05) == "49.95"


def test_gap_in_a_series_breaks_its_line() -> None:
    text = line_plot(
        [Line("x", [(0.0, 1.0), (1.0, 2.0), (2.0, None), (3.0, 1.0), (4.0, 2.0)])],
        x_name="minutes",
        y_name="V",
        least=1.0,
        label="plot",
    )
    assert text.count("<polyline") == 2


def test_series_without_any_value_says_so_instead_of_drawing() -> None:
    text = line_plot([Line("x", [(0.0, None)])], x_name="m", y_name="V", least=1.0, label="Supply voltage")
    assert "Supply voltage: nothing was measured." in text


@given(st.text(), st.text())
def test_text_and_attributes_cannot_break_out_of_their_element(words: str, value: str) -> None:
    made = tag("p", words, title=value)
    assert len(re.findall(r"<", made)) == 2
    assert made.startswith('<p title="')
    inside = made[len('<p title="') :].split('">', 1)
    assert '"' not in inside[0]
    assert inside[1].endswith("</p>")


def test_markup_is_put_in_as_it_is_and_other_text_is_escaped() -> None:
    assert tag("p", tag("b", "x"), " < y") == "<p><b>x</b> &lt; y</p>"
    assert joined([tag("i", "a"), "&"], ", ") == "<i>a</i>, &amp;"
    assert escaped(escaped("<")) == "&lt;"
    assert '<th scope="row">A1</th><td>1</td>' in table(("spot", "n"), [("A1", "1")])


def test_words_of_a_plot_keep_clear_of_its_edge_and_of_its_ticks() -> None:
    # Values at which a tick lies at the very top of the range.
    drawn = line_plot(
        [Line("v", [(0.0, 0.04), (9.0, 4.0)])], x_name="minutes gone by", y_name="light", least=0.1, label="x"
    )
    box = re.search(r'viewBox="0 0 [\d.]+ ([\d.]+)"', drawn)
    assert box is not None
    height = float(box[1])
    at = {words: float(y) for y, words in re.findall(r'<text [^>]*?\by="([-\d.]+)"[^>]*>([^<]*)</text>', drawn)}
    assert at["minutes gone by"] <= height - 4, "a descender of 11 px type takes 3"
    top = min(y for words, y in at.items() if words != "light")
    assert top - at["light"] >= 11, "one line of type"
