"""Trying a profile on the device at hand: a simulated one, behind a real pseudo-terminal."""

from importlib.resources import files
from pathlib import Path

import pytest
from lampwarden.daemon.cli.app import app
from lampwarden.daemon.cli.profiles_view import profile_of_file, show_profile, show_profiles, try_profile
from lampwarden.protocol.errors import ConfigurationError
from lampwarden.simulators.bench import SimulatedBench
from lampwarden.simulators.ports import PtyPort
from lampwarden.simulators.scenario import Scenario
from rich.console import Console
from support.time_source import FastTime
from typer.testing import CliRunner


@pytest.fixture
def meter(tmp_path: Path) -> object:
    bench = SimulatedBench(Scenario.demo(), 1)
    with PtyPort(bench.power_meter, FastTime(20.0), tmp_path / "tty-meter") as port:
        yield port.url


@pytest.mark.slow
async def test_trying_a_profile_shows_bytes_and_values_side_by_side(meter: str, tmp_path: Path) -> None:
    lines: list[str] = []
    assert await try_profile(Path("modbus-meter"), meter, {"unit": "1"}, lines.append, folder=tmp_path)
    assert any(">> 01 04 00 00" in line for line in lines)  # read input registers, Modbus V1.1b3 section 6.4
    assert any("<< 01 04 14" in line for line in lines)
    assert any("SIMULATED" in line for line in lines)
    assert any(line.strip().startswith("voltage_v 23") for line in lines)


@pytest.mark.slow
async def test_trying_a_profile_that_does_not_fit_says_so_and_fails(meter: str, tmp_path: Path) -> None:
    lines: list[str] = []
    assert not await try_profile(Path("modbus-air"), meter, {"unit": "7"}, lines.append, folder=tmp_path)
    assert any("no answer" in line or "no reply" in line or "silent" in line.lower() for line in lines), lines


def test_profile_file_with_a_wrong_key_is_refused_by_file_key_and_expectation(tmp_path: Path) -> None:
    path = tmp_path / "meter.toml"
    path.write_text('role = "power_meter"\nwire = "modbus"\ntitle = "x"\n[quantities.power]\nkind = "holding"\n')
    with pytest.raises(ConfigurationError) as refused:
        profile_of_file(path, tmp_path)
    assert str(path) in str(refused.value)
    assert "quantities.power" in str(refused.value)


@pytest.fixture
def bench_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A bench with a profile of its own, seen from another folder."""
    folder = tmp_path / "bench"
    (folder / "profiles").mkdir(parents=True)
    shipped = files("lampwarden.drivers") / "profiles" / "modbus-meter.toml"
    (folder / "profiles" / "my-meter.toml").write_text(shipped.read_text(encoding="utf-8"), encoding="utf-8")
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    monkeypatch.chdir(elsewhere)
    monkeypatch.delenv("LAMPWARDEN_CONFIG", raising=False)
    return folder


@pytest.mark.parametrize("order", ["{c} show my-meter", "show my-meter {c}"])
def test_profile_beside_the_named_bench_is_shown(bench_folder: Path, order: str) -> None:
    arguments = ["profiles", *order.format(c=f"-c {bench_folder / 'bench.toml'}").split()]
    result = CliRunner().invoke(app, arguments)
    assert result.exit_code == 0, result.output
    assert "quantities.voltage" in result.output


@pytest.mark.parametrize("order", ["{c} try my-meter {port}", "try my-meter {port} {c}"])
def test_profile_beside_the_named_bench_is_tried(bench_folder: Path, order: str) -> None:
    text = order.format(c=f"-c {bench_folder / 'bench.toml'}", port="http://nowhere")
    result = CliRunner().invoke(app, ["profiles", *text.split()])
    assert "is no port" in result.output, "the profile was found; the port is what is wrong"
    assert result.exit_code == 2


@pytest.mark.slow
async def test_port_may_be_named_from_where_one_stands(
    meter: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    lines: list[str] = []
    assert await try_profile(Path("modbus-meter"), Path(meter).name, {}, lines.append, folder=tmp_path), lines


def test_list_shows_shipped_profiles_and_marks_a_broken_one(tmp_path: Path) -> None:
    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles" / "mine.toml").write_text("role = 3")
    console = Console(record=True, width=160)
    show_profiles(tmp_path, console)
    text = console.export_text()
    assert "sdi12-quantum" in text
    assert "mine" in text
    assert "unusable" in text


def test_a_profile_is_shown_with_its_own_text(tmp_path: Path) -> None:
    lines: list[str] = []
    show_profile(tmp_path, "modbus-meter", lines.append)
    assert "quantities.voltage" in "\n".join(lines)
