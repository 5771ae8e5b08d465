"""Which drivers there are, where they come from, and what a wrong name or option says."""

from collections.abc import Mapping
from dataclasses import replace
from importlib.metadata import EntryPoint
from pathlib import Path

import pytest
from lampwarden.drivers.plan import Driver, Plan
from lampwarden.drivers.registry import ENTRY_POINT_GROUP, Registry, user_profile_folder
from lampwarden.drivers.roles import POWER_METER
from lampwarden.protocol.errors import ConfigurationError
from pydantic import JsonValue

METER = """
role = "power_meter"
wire = "modbus"
title = "{title}"
[quantities.power]
kind = "holding"
address = 0
type = "u16"
unit = "W"
"""


def _plan(options: Mapping[str, object]) -> Plan:
    return Plan()


OUTSIDE = Driver("outside", POWER_METER, "Somebody else's", _plan)
NOT_A_DRIVER = object()


def entry(name: str, value: str) -> EntryPoint:
    return EntryPoint(name, value, ENTRY_POINT_GROUP)


def registry(tmp_path: Path, *entries: EntryPoint, bench: Path | None = None) -> Registry:
    return Registry(bench, user_folder=tmp_path / "user", entries=entries)


def put(folder: Path, name: str, text: str) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{name}.toml").write_text(text, encoding="utf-8")


def test_profiles_of_the_package_are_known(tmp_path: Path) -> None:
    names = registry(tmp_path).names()
    assert {"sdi12-quantum", "modbus-meter", "modbus-air", "scpi-spectrometer", "hid-foot-switch"} <= set(names)


def test_unknown_name_lists_the_known(tmp_path: Path) -> None:
    with pytest.raises(
        ConfigurationError, match=r"no profile 'sdi13'.*known are .*modbus-meter.*sdi12-quantum"
    ) as caught:
        registry(tmp_path).find("sdi13")
    assert caught.value.exit_code == 2


def test_nearer_profile_wins(tmp_path: Path) -> None:
    put(tmp_path / "user", "modbus-meter", METER.format(title="the user's"))
    put(tmp_path / "user", "mine", METER.format(title="the user's own"))
    assert registry(tmp_path).find("modbus-meter").title == "the user's"
    put(tmp_path / "bench" / "profiles", "modbus-meter", METER.format(title="the bench's"))
    found = registry(tmp_path, bench=tmp_path / "bench")
    assert found.find("modbus-meter").title == "the bench's"
    assert found.find("mine").title == "the user's own"
    assert found.find("mine").source.endswith("mine.toml")


def test_users_folder_follows_xdg(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    assert user_profile_folder() == tmp_path / "lampwarden" / "profiles"
    monkeypatch.setenv("XDG_CONFIG_HOME", "relative")
    monkeypatch.setenv("HOME", str(tmp_path))
    assert user_profile_folder() == tmp_path / ".config" / "lampwarden" / "profiles"


def test_broken_profile_stops_only_whoever_names_it(tmp_path: Path) -> None:
    put(tmp_path / "user", "broken", "role = ")
    found = registry(tmp_path)
    assert found.find("modbus-meter")
    with pytest.raises(ConfigurationError, match=r"broken\.toml: not valid TOML"):
        found.find("broken")
    wrong = dict(found.describe())["broken"]
    assert isinstance(wrong, ConfigurationError)


def test_driver_of_another_distribution_is_found_by_its_entry_point(tmp_path: Path) -> None:
    found = registry(tmp_path, entry("outside", f"{__name__}:OUTSIDE"))
    assert "outside" in found.names()
    assert found.find("outside") == replace(OUTSIDE, is_foreign=True)


@pytest.mark.parametrize(
    ("value", "what"),
    [
        (f"{__name__}:NOT_A_DRIVER", "is a object, not a Driver"),
        ("no_such_module:x", "cannot be loaded"),
        (f"{__name__}:nothing", "cannot be loaded"),
    ],
)
def test_broken_entry_point_is_named(tmp_path: Path, value: str, what: str) -> None:
    with pytest.raises(ConfigurationError, match=f"entry point outside .*{what}"):
        registry(tmp_path, entry("outside", value)).find("outside")


@pytest.mark.parametrize(
    ("driver", "options", "what"),
    [
        ("modbus-meter", {"unit": 300}, "unit: 247 at most is expected, got 300"),
        ("modbus-meter", {"unti": 3}, "unti: there is no such key here"),
        ("modbus-meter", {"baud": "fast"}, "baud: a whole number is expected, got 'fast'"),
        ("sdi12-quantum", {"address": "##"}, r"address: a text of the form \^\[0-9A-Za-z\]\$ is expected"),
        ("sdi12-quantum", {"command": "M10"}, "command: a text of the form "),
        ("hid-foot-switch", {"long_press_s": 0}, "long_press_s: a number above 0.05 is expected"),
        ("line-foot-switch", {"line": "rts"}, "line: .*'cts', 'dsr', 'ri' or 'cd'"),
        ("scpi-spectrometer", {"unit": 1}, "unit: there is no such key here"),
    ],
)
def test_wrong_option_names_driver_key_and_what_it_has(
    tmp_path: Path, driver: str, options: dict[str, JsonValue], what: str
) -> None:
    with pytest.raises(ConfigurationError, match=f"options of driver {driver}: {what}") as caught:
        registry(tmp_path).find(driver).plan(options)
    assert "its options are: " in str(caught.value)


def test_option_overrides_the_profile(tmp_path: Path) -> None:
    plan = registry(tmp_path).find("sdi12-quantum").plan({"data_bits": 8, "parity": "N"})
    assert plan.serial is not None
    assert str(plan.serial.settings) == "1200 Bd 8N1"
