"""Names of spots and the way through the grid."""

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lampwarden.protocol.setup import Grid, spot_indices, spot_name
from pydantic import ValidationError

COLUMNS, ROWS = st.integers(1, 52), st.integers(1, 99)


def grid(columns: int = 6, rows: int = 4) -> Grid:
    return Grid(columns=columns, rows=rows, pitch_x_mm=160.0, pitch_y_mm=150.0, reference="A1")


@pytest.mark.parametrize(
    ("column", "row", "name"), [(0, 0, "A1"), (2, 1, "C2"), (25, 98, "Z99"), (26, 0, "AA1"), (51, 0, "AZ1")]
)
def test_letters_count_columns_and_digits_rows(column: int, row: int, name: str) -> None:
    assert spot_name(column, row) == name
    assert spot_indices(name) == (column, row)


def test_every_name_is_read_as_the_spot_that_it_names() -> None:
    names = {spot_name(c, r): (c, r) for c in range(52) for r in range(99)}
    assert len(names) == 52 * 99
    for name, place in names.items():
        assert spot_indices(name) == place


@pytest.mark.parametrize(
    "name", ["", "A", "1", "A0", "A01", "A100", "a1", "1A", "AB", "AAA1", "A1 ", " A1", "A-1", "Á1", "A1\n", "C²"]
)
def test_what_is_no_spot_is_refused_with_an_example(name: str) -> None:
    with pytest.raises(ValueError, match="as in C2"):
        spot_indices(name)


def test_columns_end_at_az() -> None:
    with pytest.raises(ValueError, match="end at AZ"):
        spot_indices("BA1")


@given(columns=COLUMNS, rows=ROWS)
def test_the_walk_visits_each_spot_once(columns: int, rows: int) -> None:
    walk = grid(columns, rows).spots()
    assert len(walk) == columns * rows
    assert len(set(walk)) == columns * rows


@given(columns=COLUMNS, rows=ROWS)
def test_each_step_of_the_walk_is_to_a_neighbour(columns: int, rows: int) -> None:
    g = grid(columns, rows)
    places = [g.position_mm(spot) for spot in g.spots()]
    for (x, y), (x2, y2) in itertools.pairwise(places):
        assert math.hypot((x2 - x) / 160.0, (y2 - y) / 150.0) == pytest.approx(1.0)


def test_the_walk_of_a_small_grid() -> None:
    assert grid(3, 2).spots() == ("A1", "B1", "C1", "C2", "B2", "A2")


def test_positions_count_from_a1() -> None:
    assert grid().position_mm("A1") == (0.0, 0.0)
    assert grid().position_mm("C2") == (320.0, 150.0)


@pytest.mark.parametrize("spot", ["G1", "A5"])
def test_a_spot_off_the_grid_is_refused(spot: str) -> None:
    with pytest.raises(ValueError, match=f"{spot} is not on a grid of 6 columns and 4 rows"):
        grid().position_mm(spot)


@pytest.mark.parametrize(
    ("key", "value"), [("columns", 0), ("columns", 53), ("rows", 100), ("pitch_x_mm", 0.0), ("reference", "c2")]
)
def test_a_grid_that_cannot_be_is_refused(key: str, value: object) -> None:
    with pytest.raises(ValidationError, match=key):
        Grid.model_validate(grid().model_dump() | {key: value})
