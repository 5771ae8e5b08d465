"""Units, spelled after UCUM (The Unified Code for Units of Measure, 2.2, case sensitive form).

Constants are the only spelling that the project uses in a record. Conversions exist for what profiles of instruments
need, from a unit a device may report into the unit of the record.
"""

from typing import Final

PPFD: Final = "umol/m2/s"
IRRADIANCE: Final = "W/m2"
SPECTRAL_IRRADIANCE: Final = "W/m2/nm"
PHOTON_EFFICACY: Final = "umol/J"
CELSIUS: Final = "Cel"
KELVIN: Final = "K"
PERCENT: Final = "%"
HECTOPASCAL: Final = "hPa"
VOLT: Final = "V"
AMPERE: Final = "A"
WATT: Final = "W"
HERTZ: Final = "Hz"
SECOND: Final = "s"
NANOMETRE: Final = "nm"
MILLIMETRE: Final = "mm"
HOUR: Final = "h"
ONE: Final = "1"
COUNT: Final = "{count}"
