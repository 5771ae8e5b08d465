"""The demonstration as a user starts it: embedded broker, MQTT 3.1.1, one JSON document on standard output."""

import json
import sqlite3
import subprocess
import time
import tomllib
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from jsonschema import Draft202012Validator, FormatChecker
from lampwarden.protocol.schema import json_schemas
from support.judging import assert_average_from_records, assert_durable, assert_never_early
from support.mqtt_reader import Reader
from support.processes import Finished, command, environment, processes_with, run_command

pytestmark = [pytest.mark.slow, pytest.mark.timeout(300)]

PATIENCE_S = 180.0


@dataclass
class Demo:
    """What the demonstration printed, left and published."""

    folder: Path
    done: Finished
    left_behind: list[int]
    heard: list[dict[str, Any]]
    records: list[dict[str, Any]]
    """From the journal that it was asked to keep."""

    def of(self, schema: str) -> list[dict[str, Any]]:
        return [r for r in self.records if r["schema"] == f"lampwarden.{schema}/1"]


def embedded_port(folder: Path) -> int | None:
    path = folder / "bench.toml"
    try:
        return int(tomllib.loads(path.read_text(encoding="utf-8"))["embedded_broker"]["port"])
    except (OSError, KeyError, tomllib.TOMLDecodeError):
        return None


def reader_of(port: int) -> Reader | None:
    try:
        return Reader(port, version=paho.MQTTv311)
    except OSError:
        return None


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    folder = tmp_path_factory.mktemp("demo") / "kept"
    words = command("demo", "--json", "--speed", "120", "--seed", "3", "--out", str(folder))
    reader = None
    with subprocess.Popen(
        words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment()
    ) as process:
        until = time.monotonic() + PATIENCE_S
        while reader is None and process.poll() is None and time.monotonic() < until:
            port = embedded_port(folder)
            reader = reader_of(port) if port is not None else None
            time.sleep(0.02)  # noqa: TID251 - waits for another process
        out, err = process.communicate(timeout=PATIENCE_S)
    assert reader is not None, err
    heard = [h.body for h in reader.snapshot()]
    reader.client.loop_stop()
    with closing(sqlite3.connect(f"file:{folder / 'journal.sqlite'}?mode=ro", uri=True)) as db:
        records = [json.loads(body) for (body,) in db.execute("SELECT body FROM record ORDER BY seq")]
    return Demo(folder, Finished(process.returncode, out, err), processes_with(str(folder)), heard, records)


def test_it_ends_well(demo: Demo) -> None:
    assert demo.done.code == 0, demo.done.err
    assert "Traceback" not in demo.done.err


def test_standard_output_is_one_json_document_and_nothing_else(demo: Demo) -> None:
    summary = json.loads(demo.done.out)
    assert summary["schema"] == "lampwarden.summary/1"
    Draft202012Validator(json_schemas()["lampwarden.summary/1"], format_checker=FormatChecker()).validate(summary)


def test_it_is_the_summary_of_the_journal(demo: Demo) -> None:
    (summary,) = demo.of("summary")
    assert json.loads(demo.done.out) == summary


def test_no_process_is_left_behind(demo: Demo) -> None:
    assert demo.left_behind == []


def test_every_record_says_that_it_is_simulated(demo: Demo) -> None:
    assert_durable(demo.records, simulated=True)
    assert json.loads(demo.done.out)["simulated"] is True


def test_no_reading_was_early(demo: Demo) -> None:
    assert_never_early(demo.of("spot"))


def test_the_result_can_be_made_again_from_the_spot_records(demo: Demo) -> None:
    assert_average_from_records(json.loads(demo.done.out), demo.of("spot"))


def test_the_whole_grid_was_read(demo: Demo) -> None:
    summary = json.loads(demo.done.out)
    assert len(summary["spots"]) == 24
    assert summary["missing_spots"] == []


def test_events_are_told_while_it_runs(demo: Demo) -> None:
    for words in ("test begun", "lamp struck", "B4 is doubtful"):
        assert words in demo.done.err


def test_a_reader_of_mqtt_3_1_1_hears_the_bench_on_the_embedded_broker(demo: Demo) -> None:
    """It keeps nothing for absent readers: what came before this one connected is not there."""
    by_seq = {
        body["seq"]: body for body in demo.heard if "record_id" in body and body["schema"] != "lampwarden.instrument/1"
    }
    written = {record["seq"]: record for record in demo.records}
    assert len(by_seq) > 200
    assert all(written[seq] == body for seq, body in by_seq.items())
    numbers = sorted(by_seq)
    missing = set(range(numbers[0], numbers[-1] + 1)) - set(numbers)
    assert all(written[seq]["schema"] == "lampwarden.instrument/1" for seq in missing), "no gap once it listened"


def test_the_journal_that_was_kept_can_be_read_as_any_bench(demo: Demo) -> None:
    done = run_command("listen", "--config", str(demo.folder / "bench.toml"), "--since", "1", "--no-follow")
    assert done.code == 0, done.err
    assert len(done.out.splitlines()) == len(demo.records)
