"""The reference of profile keys says what the models say."""

from pathlib import Path
from typing import get_args

import pytest
from lampwarden.daemon.cli.profiles_reference import profile_reference
from lampwarden.drivers.profile import Profile, TextTable
from lampwarden.drivers.profile_spectrometer import HandshakeTable

PAGE = Path(__file__).parents[2] / "drivers" / "PROFILES.md"


def of_wire(wire: str) -> str:
    """The part of the reference that is about one wire."""
    return profile_reference().split(f'## `wire = "{wire}"`\n', 1)[1].split("\n## ", 1)[0]


def test_page_is_current() -> None:
    assert PAGE.read_text(encoding="utf-8") == profile_reference(), "lampwarden profiles keys > drivers/PROFILES.md"


@pytest.mark.parametrize("model", get_args(Profile))
def test_every_table_and_key_of_every_wire_is_listed(model: type) -> None:
    text = of_wire(get_args(model.model_fields["wire"].annotation)[0])
    for name, field in model.model_fields.items():
        if name == "quantities":
            table = get_args(field.annotation)[1]
            heading = "### `[quantities.NAME]`"
        elif hasattr(field.annotation, "model_fields"):
            table, heading = field.annotation, f"### `[{name}]`"
        else:
            assert f"| `{name}` |" in text
            continue
        part = text.split(heading, 1)[1].split("\n### ", 1)[0]
        for key, inner in table.model_fields.items():
            if not any(hasattr(each, "model_fields") for each in (inner.annotation, *get_args(inner.annotation))):
                assert f"| `{key}` |" in part, (heading, key)


def test_tables_within_tables_are_listed() -> None:
    text = of_wire("scpi-spectrometer")
    part = text.split("### `[spectrometer.handshake]`", 1)[1].split("\n### ", 1)[0]
    for key in HandshakeTable.model_fields:
        assert f"| `{key}` |" in part
    assert "delimiter" in TextTable.model_fields


@pytest.mark.parametrize(
    ("wire", "line"),
    [
        ("sdi12", "| `baud` | whole number from 300 to 4000000 | `1200` |"),
        ("sdi12", '| `parity` | one of `"N"`, `"E"`, `"O"` | `"E"` |'),
        ("nmea", "| `baud` | whole number from 300 to 4000000 | `4800` |"),
        ("modbus", "| `baud` | whole number from 300 to 4000000 | `9600` |"),
    ],
)
def test_defaults_of_a_line_are_those_of_its_wire(wire: str, line: str) -> None:
    """SDI-12 v1.4, 3.3 and 4.1: 1200 Bd, 7E1."""
    assert line in of_wire(wire)
