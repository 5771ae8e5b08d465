"""Exports are what the records say, and other people's readers take them as they are."""

import csv
import json
import subprocess
import sys
from datetime import datetime
from pathlib import Path

import duckdb
import openpyxl
import pandas as pd
import pytest
from lampwarden.daemon.cli.hand_on import write_export
from lampwarden.daemon.export.columns import Column, Table
from lampwarden.daemon.export.write import write_tables
from lampwarden.protocol.errors import ConfigurationError, JournalError
from support.peers import need
from support.recorded import TEST_ID, recorded_test
from support.virtual_bench import Outcome

TABLES = {
    "tests",
    "attempts",
    "budget",
    "gates",
    "supply",
    "air",
    "light",
    "events",
    "instruments",
    "spectra",
    "columns",
}


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("export") / "journal.sqlite"


@pytest.fixture(scope="module")
def outcome(journal: Path) -> Outcome:
    return recorded_test(journal)


@pytest.fixture(scope="module")
def folder(journal: Path, outcome: Outcome, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The test in all three formats, in one folder."""
    folder = tmp_path_factory.mktemp("tables")
    for kind in ("csv", "jsonl", "parquet"):
        write_export(journal, [TEST_ID], folder, kind=kind, spectra="long")
    return folder


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_every_table_is_there_and_every_column_is_in_the_dictionary(folder: Path) -> None:
    assert {path.stem for path in folder.glob("*.csv")} == TABLES
    described = {(row["table"], row["column"]): row for row in rows(folder / "columns.csv")}
    for name in TABLES - {"columns"}:
        with (folder / f"{name}.csv").open(encoding="utf-8", newline="") as file:
            head = next(csv.reader(file))
        assert len(head) == len(set(head))
        for column in head:
            assert described[name, column]["meaning"], (name, column)
    units = {row["unit"] for row in described.values()}
    assert {"umol/m2/s", "V", "W", "Hz", "Cel", "nm", "W/m2/nm", "UTC"} <= units


def test_attempts_are_the_records_one_row_each(folder: Path, outcome: Outcome) -> None:
    exported = rows(folder / "attempts.csv")
    assert len(exported) == len(outcome.spots)
    counting = {spot["record_id"] for spot in outcome.summary["spots"]}
    for row, spot in zip(exported, outcome.spots, strict=True):
        assert (row["spot"], row["leg"], row["attempt"]) == (spot["spot"], spot["leg"], str(spot["attempt"]))
        assert float(row["ppfd_umol"]) == spot["light"]["value"]
        assert float(row["ppfd_umol_u_own"]) == spot["light"]["u_own"]
        assert float(row["voltage_v"]) == spot["supply"]["voltage"]["value"]
        assert float(row["inside_temperature_c"]) == spot["air"]["inside_temperature"]["value"]
        assert float(row["red_600_700_umol"]) == spot["figures"]["red"]["value"]
        assert row["counts"] == ("TRUE" if spot["record_id"] in counting else "FALSE")
        assert datetime.fromisoformat(row["time"]) == datetime.fromisoformat(spot["time"])
        assert row["doubts"].strip() == "; ".join(spot["doubts"])


def test_averaging_the_counting_attempts_gives_the_canopy_average(folder: Path, outcome: Outcome) -> None:
    attempts = pd.read_csv(folder / "attempts.csv")
    counting = attempts[attempts["counts"]]
    assert counting["ppfd_umol"].mean() == pytest.approx(outcome.summary["canopy_average"]["value"], rel=1e-9)
    (test,) = pd.read_csv(folder / "tests.csv").to_dict("records")
    assert test["canopy_average_umol"] == pytest.approx(outcome.summary["canopy_average"]["value"])
    assert test["lamp"] == outcome.summary["setup"]["lamp"]


def test_pandas_reads_types_as_they_are(folder: Path) -> None:
    frame = pd.read_parquet(folder / "attempts.parquet")
    assert str(frame["time"].dtype).startswith("datetime64[")
    assert frame["counts"].dtype == bool
    assert frame["attempt"].dtype == "int64"
    assert frame["ppfd_umol"].dtype == "float64"
    lines = pd.read_json(folder / "attempts.jsonl", lines=True)
    assert lines["ppfd_umol"].tolist() == frame["ppfd_umol"].tolist()


def test_parquet_fields_carry_unit_and_meaning(folder: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    field = parquet.read_schema(folder / "attempts.parquet").field("ppfd_umol")
    assert field.metadata[b"unit"] == b"umol/m2/s"
    assert b"primary light instrument" in field.metadata[b"meaning"]


def test_duckdb_reads_all_three_formats_alike(folder: Path) -> None:
    found = []
    for kind in ("csv", "jsonl", "parquet"):
        query = f"SELECT count(*), round(avg(ppfd_umol), 6), sum(counts::int) FROM '{folder}/attempts.{kind}'"  # noqa: S608 - ours
        found += duckdb.sql(query).fetchall()
    assert len(found) == 3
    assert found[0] == found[1] == found[2]


def test_spectra_long_and_wide_hold_the_same_figures(
    folder: Path, journal: Path, outcome: Outcome, tmp_path: Path
) -> None:
    write_export(journal, [TEST_ID], tmp_path, kind="csv", spectra="wide")
    wide = pd.read_csv(tmp_path / "spectra.csv").set_index("wavelength_nm")
    long = pd.read_csv(folder / "spectra.csv")
    assert len(wide.columns) == len(outcome.of("spectrum"))
    one = long[(long["spot"] == "B4") & (long["attempt"] == 2)].set_index("wavelength_nm")["irradiance_w_m2_nm"]
    assert wide["B4_spot_2"].dropna().tolist() == one.tolist()
    assert wide.index.is_monotonic_increasing


@pytest.mark.filterwarnings("ignore:Workbook contains no default style")  # gnumeric writes none, openpyxl says so
def test_spreadsheet_takes_figures_as_figures_and_words_as_words(
    folder: Path, outcome: Outcome, tmp_path: Path
) -> None:
    ssconvert = need("ssconvert", "gnumeric")
    for name in ("attempts", "events"):
        command = [ssconvert, str(folder / f"{name}.csv"), str(tmp_path / f"{name}.xlsx")]
        subprocess.run(command, check=True, capture_output=True)
    head, *lines = openpyxl.load_workbook(tmp_path / "attempts.xlsx").active.iter_rows(values_only=True)
    light = head.index("ppfd_umol")
    assert [line[light] for line in lines] == [pytest.approx(s["light"]["value"]) for s in outcome.spots]
    doubts = [str(line[head.index("doubts")] or "").strip() for line in lines]
    assert doubts == ["; ".join(spot["doubts"]) for spot in outcome.spots]  # no formula, no error value
    texts = [line[-1] for line in openpyxl.load_workbook(tmp_path / "events.xlsx").active.iter_rows(values_only=True)]
    assert any("µmol m⁻² s⁻¹" in str(text) for text in texts)


def test_text_that_a_spreadsheet_would_take_for_a_formula_is_kept_from_it(tmp_path: Path) -> None:
    column = Column("text", "text", "", "words")
    words = ("=1+1", "+49", "-14 % from what its neighbours foretell", "@home", "plain", " spaced")
    write_tables([Table("words", "words", (column,), tuple((word,) for word in words))], tmp_path, "csv")
    assert [row["text"] for row in rows(tmp_path / "words.csv")] == [
        " =1+1",
        " +49",
        " -14 % from what its neighbours foretell",
        " @home",
        "plain",
        " spaced",
    ]


def test_truth_is_written_as_r_and_pandas_read_it_alike(folder: Path) -> None:
    """R's ``read.csv`` makes logical values of TRUE and FALSE, and text of true and false (tried with R 4.2.2)."""
    written = {row["counts"] for row in rows(folder / "attempts.csv")}
    assert written == {"TRUE", "FALSE"}
    assert pd.read_csv(folder / "attempts.csv")["counts"].dtype == bool


def test_quotes_line_ends_and_empty_values_survive_csv(tmp_path: Path) -> None:
    columns = (Column("a", "text", "", "a"), Column("b", "number", "V", "b"), Column("c", "truth", "", "c"))
    table = Table("t", "t", columns, (('say "no", twice\nor so', None, True), ("", 0.1, False)))
    write_tables([table], tmp_path, "csv")
    assert rows(tmp_path / "t.csv") == [
        {"a": 'say "no", twice\nor so', "b": "", "c": "TRUE"},
        {"a": "", "b": "0.1", "c": "FALSE"},
    ]


def test_several_tests_share_their_tables(journal: Path, outcome: Outcome, tmp_path: Path) -> None:
    write_export(journal, [TEST_ID, TEST_ID], tmp_path, kind="jsonl", spectra="none")
    lines = [json.loads(line) for line in (tmp_path / "tests.jsonl").read_text().splitlines()]
    assert [line["test_id"] for line in lines] == [TEST_ID]  # named twice, told once
    assert not (tmp_path / "spectra.jsonl").exists()


def test_unknown_format_and_unknown_test_are_refused_in_one_line(
    journal: Path, outcome: Outcome, tmp_path: Path
) -> None:
    with pytest.raises(ConfigurationError, match=r"--format: 'xls' is not known \(one of: csv, jsonl, parquet\)"):
        write_export(journal, [TEST_ID], tmp_path, kind="xls", spectra="long")
    with pytest.raises(JournalError, match="has no test none-such"):
        write_export(journal, ["none-such"], tmp_path, kind="csv", spectra="long")
    assert list(tmp_path.iterdir()) == []


def test_parquet_without_pyarrow_is_refused_with_how_to_get_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow.parquet", None)  # what Python does for a module that cannot be had
    with pytest.raises(ConfigurationError, match=r"pip install 'lampwarden\[parquet\]'"):
        write_tables([], tmp_path / "out", "parquet")
    assert not (tmp_path / "out").exists()


def test_command_line_writes_the_tables_and_prints_their_paths(journal: Path, outcome: Outcome, tmp_path: Path) -> None:
    config = tmp_path / "bench.toml"
    config.write_text(
        f'[bench]\nid = "{outcome.summary["bench"]}"\nsimulated = true\n[journal]\npath = "{journal}"\n'
        '[grid]\ncolumns = 6\nrows = 4\npitch_x_mm = 160\npitch_y_mm = 160\nreference = "C2"\n'
        '[instruments.q]\nrole = "quantum_sensor"\nprofile = "sdi12-quantum"\nport = "/dev/null"\n'
    )
    command = [sys.executable, "-m", "lampwarden.daemon.cli", "export", TEST_ID, "--config", str(config)]
    done = subprocess.run(
        [*command, "--spectra", "none", "--out", str(tmp_path / "out")], capture_output=True, text=True, check=True
    )
    assert {Path(line).stem for line in done.stdout.split()} == TABLES - {"spectra"}
    command[command.index("export")] = "report"
    done = subprocess.run([*command, "--out", str(tmp_path / "r.html")], capture_output=True, text=True, check=True)
    assert "<h1>" in Path(done.stdout.strip()).read_text()
