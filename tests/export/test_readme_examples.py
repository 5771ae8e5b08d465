"""The examples for readers of the data, as they stand in the README, are run on a recorded test."""

import contextlib
import io
import os
import re
import runpy
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from lampwarden.daemon.cli.hand_on import write_export
from lampwarden.daemon.mqtt.broker import EmbeddedBroker
from support.peers import need
from support.recorded import TEST_ID, recorded_test
from support.virtual_bench import Outcome

EXAMPLES = Path(__file__).parent / "examples"


@pytest.fixture(scope="module")
def outcome(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Outcome]:
    """A recorded test, exported as the README says, into the folder that the examples run in."""
    folder = tmp_path_factory.mktemp("examples")
    outcome = recorded_test(folder / "journal.sqlite")
    for kind in ("csv", "parquet"):
        write_export(folder / "journal.sqlite", [TEST_ID], folder / f"export-{TEST_ID}", kind=kind, spectra="long")
    (folder / f"export-{TEST_ID}").rename(folder / "tables")
    before = Path.cwd()
    os.chdir(folder)
    yield outcome
    os.chdir(before)


def printed(name: str) -> str:
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        runpy.run_path(str(EXAMPLES / name))
    return out.getvalue()


def test_pandas_example_prints_the_canopy_average(outcome: Outcome) -> None:
    average = outcome.summary["canopy_average"]["value"]
    assert f"{average:.1f}" in printed("with_pandas.py")


def test_duckdb_example_prints_every_spot_once(outcome: Outcome) -> None:
    text = printed("with_duckdb.py")
    for spot in outcome.summary["spots"]:
        assert re.search(rf"\b{spot['spot']}\b", text)


def test_r_example_prints_the_canopy_average(outcome: Outcome) -> None:
    done = subprocess.run(
        [need("Rscript", "r-base-core"), str(EXAMPLES / "with_r.R")], capture_output=True, text=True, check=True
    )
    average = outcome.summary["canopy_average"]["value"]
    assert f"canopy average {average:.1f} " in done.stdout


def test_command_line_client_example_follows_a_bench(tmp_path: Path) -> None:
    need("mosquitto_sub", "mosquitto-clients")
    example = (EXAMPLES / "with_a_command_line_client.sh").read_text()
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = str(probe.getsockname()[1])
    example = example.replace("18830", port)
    with EmbeddedBroker(int(port)):
        # The example waits for records; one is published once it listens.
        watcher = subprocess.Popen(
            ["sh", "-c", example.replace("mosquitto_sub", "timeout 60 mosquitto_sub -C 1")],
            stdout=subprocess.PIPE,
            text=True,
        )
        topic = "lampwarden/1/overwintering/tests/t-1/spots/C2"
        stop = threading.Event()

        def publish() -> None:
            while not stop.is_set():
                subprocess.run(["mosquitto_pub", "-p", port, "-t", topic, "-m", '{"spot":"C2"}'], check=True)
                time.sleep(0.2)  # noqa: TID251 - a process of its own is waited for

        speaker = threading.Thread(target=publish)
        speaker.start()
        try:
            out, _ = watcher.communicate(timeout=90)
        finally:
            stop.set()
            speaker.join()
    assert topic in out
    assert '{"spot":"C2"}' in out


def test_examples_stand_in_the_readme_word_by_word() -> None:
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    for example in sorted(EXAMPLES.iterdir()):
        assert example.read_text(encoding="utf-8").strip() in readme, example.name
