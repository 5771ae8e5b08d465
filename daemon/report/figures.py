"""Figures of a report as text: rounded here and nowhere else, with unit and uncertainty, or why there is none."""

import math

from ...protocol.quantity import Quantity
from ..rounding import SYMBOLS, figure

__all__ = ["figure", "fixed", "minutes", "percent_of", "symbol"]


def symbol(unit: str) -> str:
    """UCUM as people write it."""
    return SYMBOLS.get(unit, unit)


def fixed(quantity: Quantity, digits: int) -> str:
    """For a column of a table whose head names the unit: the value alone, or a dash."""
    return "–" if quantity.value is None else f"{quantity.value:.{digits}f}"


def percent_of(part: float, whole: float) -> str:
    """A part in percent of a whole, two digits."""
    if whole == 0.0:
        return "–"
    percent = 100.0 * abs(part / whole)
    digits = 2 if percent == 0.0 else max(0, 1 - math.floor(math.log10(percent)))
    return f"{percent:.{digits}f} %"


def minutes(seconds: float) -> str:
    """A span as ``12 min 30 s``."""
    whole = round(seconds)
    return f"{whole // 60} min {whole % 60} s" if whole >= 60 else f"{whole} s"
