"""What is under test and where: the lamp as it hangs, and the grid it is read over."""

import re
from enum import StrEnum
from functools import lru_cache
from typing import Annotated

from pydantic import Field

from .quantity import Frozen

SpotName = Annotated[str, Field(pattern=r"^[A-Z]{1,2}[1-9][0-9]?$", description="column letter and row number, as C2")]
BenchId = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9_-]{0,62}$")]
TestId = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,95}$")]
Label = Annotated[str, Field(min_length=1, max_length=120, pattern=r"^[^\x00-\x1f\x7f]*$")]


class LampType(StrEnum):
    """Kinds of lamp whose run-up and restrike differ enough to matter to the gates."""

    HIGH_PRESSURE_SODIUM = "high_pressure_sodium"
    METAL_HALIDE = "metal_halide"
    MERCURY = "mercury"
    FLUORESCENT = "fluorescent"
    LED = "led"
    OTHER = "other"


class BurningPosition(StrEnum):
    """How the lamp's axis lies."""

    BASE_UP = "base_up"
    BASE_DOWN = "base_down"
    HORIZONTAL = "horizontal"
    UNIVERSAL = "universal"


class LampSetup(Frozen):
    """One lamp on one ballast in one fixture at one height: what a test is a test of."""

    lamp: Label = Field(description="id of the very lamp, as marked on it")
    lamp_type: LampType
    rated_power_w: float = Field(gt=0, le=5000)
    burning_hours: float = Field(ge=0, description="hours burnt before this test")
    ballast: Label
    ballast_setting: Label = "as supplied"
    fixture: Label
    rotation_deg: float = Field(default=0.0, ge=0, lt=360, description="lamp about its axis, against its mark")
    burning_position: BurningPosition = BurningPosition.HORIZONTAL
    height_mm: float = Field(gt=0, description="lamp centre above the sensor plane")
    fan: Label = "off"


class Grid(Frozen):
    """The marked canopy grid: letters count columns, digits count rows, A1 is a corner."""

    columns: int = Field(ge=1, le=52)
    rows: int = Field(ge=1, le=99)
    pitch_x_mm: float = Field(gt=0)
    pitch_y_mm: float = Field(gt=0)
    reference: SpotName = Field(description="the marked reference point, normally the brightest spot")

    def spots(self) -> tuple[str, ...]:
        """All spots in walking order: along the columns, every second row backwards, so that steps stay short."""
        return _walk(self.columns, self.rows)

    def position_mm(self, spot: str) -> tuple[float, float]:
        """Where a spot lies from A1, along columns and along rows.

        Raises:
            ValueError: The spot is not on this grid.
        """
        column, row = spot_indices(spot)
        if column >= self.columns or row >= self.rows:
            raise ValueError(f"spot {spot} is not on a grid of {self.columns} columns and {self.rows} rows")
        return column * self.pitch_x_mm, row * self.pitch_y_mm

    def node_weights(self) -> dict[str, float]:
        """Share of area of each spot, relative, when the spots are the nodes of a mesh (trapezoidal rule)."""

        def along(index: int, count: int) -> float:
            return 0.5 if count > 1 and index in (0, count - 1) else 1.0

        return {
            spot_name(column, row): along(column, self.columns) * along(row, self.rows)
            for row in range(self.rows)
            for column in range(self.columns)
        }


@lru_cache(maxsize=16)  # asked for with every status
def _walk(columns: int, rows: int) -> tuple[str, ...]:
    names: list[str] = []
    for row in range(rows):
        along = range(columns) if row % 2 == 0 else reversed(range(columns))
        names += [spot_name(column, row) for column in along]
    return tuple(names)


def spot_name(column: int, row: int) -> str:
    """Name of a spot from indices that count from 0: (2, 1) is C2, (26, 0) is AA1."""
    letters = chr(ord("A") + column) if column < 26 else "A" + chr(ord("A") + column - 26)
    return f"{letters}{row + 1}"


def spot_indices(spot: str) -> tuple[int, int]:
    """Column and row, from 0, of a spot's name.

    Raises:
        ValueError: Not a column letter and a row number.
    """
    match = re.fullmatch(r"([A-Z]{1,2})([1-9][0-9]?)", spot)
    if match is None:
        raise ValueError(f"{spot!r} is not a spot: a column letter and a row number are expected, as in C2")
    letters, digits = match.groups()
    column = ord(letters[-1]) - ord("A") + (26 if len(letters) == 2 else 0)
    if len(letters) == 2 and letters[0] != "A":
        raise ValueError(f"{spot!r} is not a spot: columns end at AZ")
    return column, int(digits) - 1
