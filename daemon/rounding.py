"""How a quantity is written for people: rounded to its uncertainty here, and nowhere else."""

import math

from ..protocol.quantity import Quantity

SYMBOLS = {"umol/m2/s": "µmol m⁻² s⁻¹", "umol/J": "µmol/J", "Cel": "°C", "1": "", "s": "s", "{count}": ""}
"""UCUM as people write it."""


DECIMALS = {
    "umol/m2/s": 1,
    "umol/J": 3,
    "Cel": 1,
    "K": 1,
    "%": 1,
    "hPa": 1,
    "V": 1,
    "A": 2,
    "W": 1,
    "Hz": 2,
    "1": 3,
}
"""Of a figure whose uncertainty is not known: as many as instruments of such a bench commonly show (common practice, no
source); the panel has the same."""


def figure(quantity: Quantity, *, expanded: float | None = 2.0) -> str:
    """Value ± expanded uncertainty, rounded to two digits of the uncertainty (GUM 7.2.6), with unit."""
    symbol = SYMBOLS.get(quantity.unit, quantity.unit)
    if quantity.value is None:
        return f"not given: {quantity.reason}"
    u = quantity.u
    if u is None or u == 0.0 or expanded is None:
        decimals = DECIMALS.get(quantity.unit)
        plain = f"{quantity.value:.5g}" if decimals is None else f"{quantity.value:.{decimals}f}"
        return f"{plain} {symbol}".rstrip()
    wide = expanded * u
    digits = max(0, 1 - math.floor(math.log10(wide)))
    return f"{quantity.value:.{digits}f} ± {wide:.{digits}f} {symbol}".rstrip()
