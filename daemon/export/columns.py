"""What a table of an export is made of: columns with unit and meaning, and how each gets its value. Pure.

A record's figure becomes three columns: the value and its two standard uncertainties. Supply, air and photon bands are
spelled once here, so that every table that has them calls them the same.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Generic, Literal, TypeVar

from ...protocol import units
from ...protocol.quantity import Quantity
from ...protocol.records import PhotonFigures, SpotAir, Supply

Value = str | int | float | bool | datetime | None
Kind = Literal["text", "number", "integer", "truth", "time"]
S = TypeVar("S")


@dataclass(frozen=True, slots=True)
class Column:
    """One column: UCUM unit (empty where there is none) and meaning."""

    name: str
    kind: Kind
    unit: str
    meaning: str


@dataclass(frozen=True, slots=True)
class Table:
    """One table; each row has a value for each column."""

    name: str
    meaning: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Value, ...], ...]


@dataclass(frozen=True, slots=True)
class From(Generic[S]):
    """A column and where its value comes from."""

    column: Column
    value: Callable[[S], Value]


def text(name: str, meaning: str, value: Callable[[S], Value]) -> From[S]:
    """A column of words."""
    return From(Column(name, "text", "", meaning), value)


def integer(name: str, meaning: str, value: Callable[[S], Value]) -> From[S]:
    """A column of whole numbers."""
    return From(Column(name, "integer", units.ONE, meaning), value)


def truth(name: str, meaning: str, value: Callable[[S], Value]) -> From[S]:
    """A column of true and false."""
    return From(Column(name, "truth", "", meaning), value)


def moment(name: str, meaning: str, value: Callable[[S], Value]) -> From[S]:
    """A column of moments in UTC."""
    return From(Column(name, "time", "UTC", meaning), value)


def number(name: str, unit: str, meaning: str, value: Callable[[S], Value]) -> From[S]:
    """A column of figures."""
    return From(Column(name, "number", unit, meaning), value)


def quantity(name: str, unit: str, meaning: str, of: Callable[[S], Quantity | None]) -> list[From[S]]:
    """Three columns: value and its two uncertainties."""

    def part(attribute: str) -> Callable[[S], Value]:
        def value(source: S) -> Value:
            figure = of(source)
            return None if figure is None else getattr(figure, attribute)

        return value

    return [
        number(name, unit, meaning, part("value")),
        number(f"{name}_u_own", unit, f"{meaning}: standard uncertainty, independent", part("u_own")),
        number(f"{name}_u_common", unit, f"{meaning}: standard uncertainty, shared", part("u_common")),
    ]


def build(name: str, meaning: str, columns: Sequence[From[S]], sources: Iterable[S]) -> Table:
    """A table from columns and what its rows are made of."""
    return Table(
        name,
        meaning,
        tuple(c.column for c in columns),
        tuple(tuple(c.value(source) for c in columns) for source in sources),
    )


# Parts that several tables share.


def supply_columns(of: Callable[[S], Supply]) -> list[From[S]]:
    """Mains at the ballast's input."""
    found: list[From[S]] = []
    for name, unit, meaning in (
        ("voltage_v", units.VOLT, "supply voltage at the ballast's input"),
        ("current_a", units.AMPERE, "supply current"),
        ("power_w", units.WATT, "active power"),
        ("power_factor", units.ONE, "power factor"),
        ("frequency_hz", units.HERTZ, "supply frequency"),
    ):
        found += quantity(name, unit, meaning, attribute_of(of, name.removesuffix(f"_{name.rsplit('_', 1)[-1]}"), name))
    return found


def attribute_of(of: Callable[[S], object], short: str, name: str) -> Callable[[S], Quantity | None]:
    """A figure of a part of a record: by its short name, or by the whole one."""

    def value(source: S) -> Quantity | None:
        part = of(source)
        found = getattr(part, name, None) or getattr(part, short, None)
        return found if isinstance(found, Quantity) else None

    return value


def air_columns(of: Callable[[S], SpotAir]) -> list[From[S]]:
    """Air at both places."""
    found: list[From[S]] = []
    for place in ("inside", "outside"):
        for what, suffix, unit in (
            ("temperature", "c", units.CELSIUS),
            ("humidity", "percent", units.PERCENT),
            ("pressure", "hpa", units.HECTOPASCAL),
        ):
            name = f"{place}_{what}"
            found += quantity(f"{name}_{suffix}", unit, f"air {place}: {what}", attribute_of(of, name, name))
    return found


_BANDS: Final = (
    ("epar", "epar_400_750_umol", units.PPFD, "photon flux density 400–750 nm"),
    ("blue", "blue_400_500_umol", units.PPFD, "photon flux density 400–500 nm"),
    ("green", "green_500_600_umol", units.PPFD, "photon flux density 500–600 nm"),
    ("red", "red_600_700_umol", units.PPFD, "photon flux density 600–700 nm"),
    ("far_red", "far_red_700_800_umol", units.PPFD, "photon flux density 700–800 nm"),
    ("red_to_far_red", "red_to_far_red", units.ONE, "photons 655–665 nm over 725–735 nm"),
)


def band_columns(of: Callable[[S], PhotonFigures | None]) -> list[From[S]]:
    """Photon bands from the spectrum."""
    found: list[From[S]] = []
    for attribute, name, unit, meaning in _BANDS:
        found += quantity(name, unit, meaning, attribute_of(of, attribute, attribute))
    return found


def joined(lines: Sequence[str]) -> str:
    """Several texts in one cell."""
    return "; ".join(lines)
