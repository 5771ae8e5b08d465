"""Units of records are UCUM (2.2, 2024-06), as an independent reader of UCUM (PyPI ``ucumvert``) understands them."""

import json

import pytest
from lampwarden.protocol import units
from lampwarden.protocol.records import Message
from support.samples_of_records import live, records
from ucumvert import PintUcumRegistry
from ucumvert.parser import InvalidUcumError

UNITS = {name: value for name, value in vars(units).items() if name.isupper()}

DIMENSIONS = {
    # What each name promises, so that a spelling that is valid but means something else is found too.
    "PPFD": "[substance] / [length] ** 2 / [time]",
    "IRRADIANCE": "[mass] / [time] ** 3",
    "SPECTRAL_IRRADIANCE": "[mass] / [length] / [time] ** 3",
    "PHOTON_EFFICACY": "[substance] * [time] ** 2 / [length] ** 2 / [mass]",
    "CELSIUS": "[temperature]",
    "KELVIN": "[temperature]",
    "PERCENT": "",
    "HECTOPASCAL": "[mass] / [length] / [time] ** 2",
    "VOLT": "[mass] * [length] ** 2 / [current] / [time] ** 3",
    "AMPERE": "[current]",
    "WATT": "[mass] * [length] ** 2 / [time] ** 3",
    "HERTZ": "1 / [time]",
    "SECOND": "[time]",
    "NANOMETRE": "[length]",
    "MILLIMETRE": "[length]",
    "HOUR": "[time]",
    "ONE": "",
}


@pytest.fixture(scope="module")
def ucum() -> PintUcumRegistry:
    return PintUcumRegistry()


@pytest.mark.parametrize("name", DIMENSIONS)
def test_a_unit_is_ucum_and_means_what_its_name_says(ucum: PintUcumRegistry, name: str) -> None:
    assert ucum.from_ucum(UNITS[name]).check(DIMENSIONS[name])


def test_every_unit_is_looked_at() -> None:
    assert set(UNITS) == {*DIMENSIONS, "COUNT"}


def test_a_count_is_a_ucum_annotation(ucum: PintUcumRegistry) -> None:
    """UCUM 2.2, section 6: an annotation in curly braces alone is the unity."""
    assert str(ucum.from_ucum(units.COUNT)) == "{count}"


@pytest.mark.parametrize("spelling", ["µmol/m2/s", "degC", "%RH", "sec", "umol m-2 s-1"])
def test_the_reader_refuses_what_is_no_ucum(ucum: PintUcumRegistry, spelling: str) -> None:
    with pytest.raises(InvalidUcumError):
        ucum.from_ucum(spelling)


def units_in(value: object) -> set[str]:
    if isinstance(value, dict):
        mine = {value["unit"]} if isinstance(value.get("unit"), str) else set()
        return mine.union(*(units_in(v) for v in value.values()))
    if isinstance(value, list):
        return set().union(*(units_in(v) for v in value))
    return set()


@pytest.mark.parametrize("message", [*records(), *live()], ids=lambda m: type(m).__name__)
def test_records_spell_units_as_the_project_does(message: Message) -> None:
    assert units_in(json.loads(message.model_dump_json())) <= set(UNITS.values())


def test_the_project_spells_each_unit_once() -> None:
    assert len(set(UNITS.values())) == len(UNITS)
