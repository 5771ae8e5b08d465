"""``bench.toml``: what is wrong is named with its key and what was expected."""

from pathlib import Path
from typing import Any

import pytest
import tomli_w
from lampwarden.daemon.config import BenchConfig, load_config, parse_config
from lampwarden.daemon.service import broker_address
from lampwarden.protocol.errors import ConfigurationError
from support.benches import bench_tables


def error_of(tables: dict[str, Any]) -> ConfigurationError:
    with pytest.raises(ConfigurationError) as caught:
        parse_config(tomli_w.dumps(tables), where="bench.toml")
    return caught.value


def changed(path: str, value: object) -> dict[str, Any]:
    """The tables with one key, named by its dotted path, replaced; None takes it out."""
    tables = bench_tables()
    *folders, key = path.split(".")
    table = tables
    for folder in folders:
        table = table.setdefault(folder, {})
    if value is None:
        del table[key]
    else:
        table[key] = value
    return tables


def test_a_minimal_bench_is_a_grid_and_a_light_instrument() -> None:
    config = parse_config(tomli_w.dumps(bench_tables(without=("mains", "spectrometer", "pedal"))), where="here")
    assert config.with_role("quantum_sensor") is not None
    assert config.with_role("power_meter") is None
    assert config.broker is None
    assert not config.bench.simulated


def test_the_defaults_are_those_of_the_design() -> None:
    """Warm-up 15 min, power and light steady over the last 5 min; settle 30 s."""
    procedure = BenchConfig.model_validate(bench_tables()).procedure
    assert (procedure.warm_up_minimum_s, procedure.warm_up_span_s) == (900.0, 300.0)
    assert procedure.settle_minimum_s == 30.0
    assert procedure.primary == "quantum_sensor"
    assert procedure.drift == "carry"


def test_what_is_said_of_the_broker_is_how_it_is_spoken_to() -> None:
    told = {"host": "broker.example", "port": 1884, "protocol": "5", "timeout_s": 4.0, "longest_wait_s": 12.0}
    address = broker_address(parse_config(tomli_w.dumps(changed("broker", told)), where="here"))
    assert {key: getattr(address, key) for key in told} == told


WRONG: list[tuple[str, object, str]] = [
    # key, value, what the message must say beside the key
    ("bench.id", None, "is missing"),
    ("bench.id", "North House", "pattern"),
    ("bench.id", "a/b", "pattern"),
    ("bench.colour", "red", "no such key; the keys here: id, title, simulated"),
    ("grid.columns", 0, "greater than or equal to 1"),
    ("grid.rows", "four", "integer"),
    ("grid.pitch_x_mm", -1.0, "greater than 0"),
    ("grid.reference", "b1", "pattern"),
    ("grid.pitch_y_mm", None, "is missing"),
    ("grid", None, "is missing"),
    ("procedure.window_s", 0.0, "greater than 0"),
    ("procedure.warm_up_minimum_s", -1.0, "greater than or equal to 0"),
    ("procedure.settle_tolerance_percent", 50.0, "less than or equal to 20"),
    ("procedure.warm_up_criterion", "quick", "'steady' or 'strict'"),
    ("procedure.drift", "both", "'carry' or 'correct'"),
    ("procedure.lit_power_fraction", 1.0, "less than 1"),
    ("procedure.attempts_before_moving_on", 0, "greater than or equal to 1"),
    ("procedure.warmup_minimum_s", 900.0, "no such key; did you mean warm_up_minimum_s?"),
    ("procedure.window", 10.0, "did you mean window_s?"),
    ("procedur", {}, "did you mean procedure?"),
    ("instruments.quantum.prot", "/dev/ttyS9", "did you mean port?"),
    ("broker.tls.ca_fil", "x.pem", "did you mean ca_file?"),
    ("uncertainty.height_mm", -1.0, "greater than or equal to 0"),
    ("broker.port", 0, "greater than or equal to 1"),
    ("embedded_broker.port", 65536, "less than or equal to 65535"),
    ("instruments.quantum.role", "photometer", "quantum_sensor"),
    ("instruments.quantum.port", "", "at least 1 character"),
    ("instruments.quantum.profile", None, "is missing"),
    ("instruments.quantum.poll_s", 0.0, "greater than or equal to 0.05"),
]


@pytest.mark.parametrize(("key", "value", "expected"), WRONG, ids=[f"{k}={v}" for k, v, _ in WRONG])
def test_a_wrong_key_is_named_with_what_is_expected(key: str, value: object, expected: str) -> None:
    tables = changed(key, value)
    if key.startswith("broker."):
        tables["broker"]["host"] = "h"
    error = error_of(tables)
    assert key in error.what
    assert expected in error.what
    assert error.where == "bench.toml"
    assert "\n" not in str(error)
    assert error.exit_code == 2


def test_what_was_found_is_shown() -> None:
    assert "got 'four'" in error_of(changed("grid.rows", "four")).what


def test_every_mistake_is_told_by_itself() -> None:
    tables = changed("grid.rows", "four")
    tables["bench"]["id"] = "UPPER"
    del tables["instruments"]["quantum"]["port"]
    error = error_of(tables)
    assert [fault.split(":")[0] for fault in error.faults] == ["bench.id", "grid.rows", "instruments.quantum.port"]
    assert all(fault in error.what for fault in error.faults)


def test_a_reference_point_off_the_grid_is_refused() -> None:
    assert "grid.reference: Z9 is not a spot of this grid" in error_of(changed("grid.reference", "Z9")).what


def test_a_bench_without_light_instrument_is_refused() -> None:
    error = error_of(bench_tables(without=("quantum", "spectrometer")))
    assert "instruments: one with role quantum_sensor or spectrometer is expected" in error.what


def test_a_role_is_given_once() -> None:
    tables = bench_tables()
    tables["instruments"]["second"] = dict(tables["instruments"]["mains"])
    assert "the role power_meter is given 2 times, once is expected" in error_of(tables).what


def test_the_primary_instrument_must_be_there() -> None:
    tables = bench_tables(without=("spectrometer",), procedure={"primary": "spectrometer"})
    assert "procedure.primary: no instrument has the role spectrometer" in error_of(tables).what


def test_only_a_simulated_bench_has_a_clock_of_its_own() -> None:
    clock = {"speed": 60.0, "origin_monotonic_s": 1.0, "origin_utc": "2026-03-02T08:00:00Z"}
    error = error_of(bench_tables(clock=clock))
    assert "clock: only a simulated bench" in error.what
    parse_config(
        tomli_w.dumps(bench_tables(clock=clock, bench={"id": "b", "simulated": True})).replace(
            '"2026-03-02T08:00:00Z"', "2026-03-02T08:00:00Z"
        ),
        where="here",
    )


def test_an_origin_without_offset_is_refused() -> None:
    text = tomli_w.dumps(bench_tables(bench={"id": "b", "simulated": True}))
    text += "[clock]\nspeed = 60.0\norigin_monotonic_s = 1.0\norigin_utc = 2026-03-02T08:00:00\n"
    with pytest.raises(ConfigurationError, match=r"clock\.origin_utc: a time with an offset is expected"):
        parse_config(text, where="here")


@pytest.mark.parametrize("gate", ["warm_up", "settle"])
def test_a_longest_wait_is_not_shorter_than_the_minimum(gate: str) -> None:
    procedure = {f"{gate}_minimum_s": 100.0, f"{gate}_longest_s": 99.0}
    assert (
        f"{gate}_longest_s must not be shorter than {gate}_minimum_s"
        in error_of(bench_tables(procedure=procedure)).what
    )


def test_what_is_not_toml_is_told_with_its_place() -> None:
    with pytest.raises(ConfigurationError, match=r"not valid TOML.*line 2") as caught:
        parse_config("[bench]\nid = \n", where="bench.toml")
    assert caught.value.exit_code == 2


def test_a_file_that_is_not_there_is_told_with_a_way_out(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match="there is no such file") as caught:
        load_config(tmp_path / "bench.toml")
    assert "lampwarden simulate" in str(caught.value)
    assert caught.value.exit_code == 2


def test_a_file_that_is_no_text_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ConfigurationError, match=r"cannot be read: it is not UTF-8 text$"):
        load_config(path)


def test_a_folder_instead_of_a_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match=r"cannot be read: Is a directory$"):
        load_config(tmp_path)


def test_paths_are_relative_to_the_file(tmp_path: Path) -> None:
    tables = bench_tables(broker={"host": "h", "password_file": "secret.txt"}, journal={"path": "records/j.sqlite"})
    calibration = {"certificate": "K-1", "expanded_uncertainty_percent": 2.0, "file": "cal/s.json"}
    tables["instruments"]["spectrometer"]["calibration"] = calibration
    path = tmp_path / "bench.toml"
    path.write_text(tomli_w.dumps(tables), encoding="utf-8")
    config = load_config(path)
    folder = path.resolve().parent
    assert config.journal.path == folder / "records" / "j.sqlite"
    assert config.broker is not None
    assert config.broker.password_file == folder / "secret.txt"
    spectrometer = config.with_role("spectrometer")
    assert spectrometer is not None
    assert spectrometer[1].calibration is not None
    assert spectrometer[1].calibration.file == folder / "cal" / "s.json"


def test_an_absolute_path_stays(tmp_path: Path) -> None:
    tables = bench_tables(journal={"path": str(tmp_path / "elsewhere.sqlite")})
    path = tmp_path / "sub" / "bench.toml"
    path.parent.mkdir()
    path.write_text(tomli_w.dumps(tables), encoding="utf-8")
    assert load_config(path).journal.path == tmp_path / "elsewhere.sqlite"
