"""Units of devices to units of records.

Sources: UCUM 2.2; standard atmosphere 1013.25 hPa and millimetre of mercury 133.322387415 Pa (conventional,
ISO 80000-4); 1.02481 bar = 1024.81 hPa (NMEA XDR example); 32 °F = 0 °C, 212 °F = 100 °C, 0 °C = 273.15 K by
definition.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lampwarden.drivers.quantities import ROLE_QUANTITIES, Conversion, Quantity, units_for
from lampwarden.protocol.errors import DeviceError


@pytest.mark.parametrize(
    ("quantity", "unit", "raw", "wanted"),
    [
        (Quantity.TEMPERATURE, "[degF]", 212.0, 100.0),
        (Quantity.TEMPERATURE, "[degF]", 32.0, 0.0),
        (Quantity.TEMPERATURE, "[degF]", -40.0, -40.0),
        (Quantity.TEMPERATURE, "K", 273.15, 0.0),
        (Quantity.PRESSURE, "bar", 1.02481, 1024.81),
        (Quantity.PRESSURE, "Pa", 101325.0, 1013.25),
        (Quantity.PRESSURE, "kPa", 101.325, 1013.25),
        (Quantity.PRESSURE, "atm", 1.0, 1013.25),
        (Quantity.PRESSURE, "mm[Hg]", 760.0, 1013.25),
        (Quantity.PRESSURE, "[in_i'Hg]", 29.9213, 1013.25),
        (Quantity.PPFD, "mol/m2/d", 86.4, 1000.0),
        (Quantity.PPFD, "mmol/m2/s", 0.5, 500.0),
        (Quantity.HUMIDITY, "1", 0.482, 48.2),
        (Quantity.POWER, "kW", 0.2875, 287.5),
        (Quantity.CURRENT, "mA", 1250.0, 1.25),
        (Quantity.POWER_FACTOR, "%", 91.0, 0.91),
        (Quantity.FREQUENCY, "mHz", 50000.0, 50.0),
    ],
)
def test_units_that_devices_use(quantity: Quantity, unit: str, raw: float, wanted: float) -> None:
    assert Conversion(quantity, unit).convert(raw, where="x") == pytest.approx(wanted, rel=2e-6, abs=1e-9)


@pytest.mark.parametrize("quantity", Quantity)
def test_the_records_own_unit_is_taken_as_it_is(quantity: Quantity) -> None:
    assert quantity.unit in units_for(quantity)
    assert Conversion(quantity, quantity.unit).convert(12.5, where="x") == 12.5


@pytest.mark.parametrize("unit", ["µmol/m2/s", "degC", "lx", ""])
def test_unit_of_another_kind_or_spelling_is_refused(unit: str) -> None:
    with pytest.raises(ValueError, match="no unit of"):
        Conversion(Quantity.PPFD, unit)


def test_scale_and_offset_come_before_the_unit() -> None:
    """4–20 mA style: raw 0..4095 is −40..60 °C."""
    conversion = Conversion(Quantity.TEMPERATURE, "Cel", scale=100 / 4095, offset=-40.0, low=-40.0, high=60.0)
    assert conversion.convert(0, where="x") == -40.0
    assert conversion.convert(4095, where="x") == pytest.approx(60.0)


@given(st.floats())
def test_what_comes_out_is_within_the_range_or_an_error(raw: float) -> None:
    conversion = Conversion(Quantity.HUMIDITY, "%", low=0.0, high=105.0)
    if 0.0 <= raw <= 105.0:
        assert conversion.convert(raw, where="logger") == raw
    elif not -1e-6 < raw < 105.0 + 1e-6:  # between lies what rounding may put beyond an edge
        with pytest.raises(DeviceError, match="logger"):
            conversion.convert(raw, where="logger")


def test_each_role_may_give_what_it_must() -> None:
    for may, must in ROLE_QUANTITIES.values():
        assert must <= may
