"""A disk that does not answer cannot hold a stop, and takes nothing along that was announced.

Real processes, signals and broker; the call of the store that hangs never ends, so a daemon that waits for it never
does either.
"""

import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import tomli_w
from lampwarden.daemon.store.examination import examine
from lampwarden.protocol.commands import Begin
from support import mosquitto as brokers
from support.benches import bench_tables
from support.journals import BENCH, ids_of
from support.mqtt_reader import Reader
from support.processes import PATIENCE_S, environment
from support.samples_of_records import setup

pytestmark = [pytest.mark.slow, pytest.mark.timeout(180)]

PROGRAM = Path(__file__).parent.parent / "support" / "hung_disk.py"
LAST_WORDS = "stopped without the disk, which does not answer; not known to be on it: "
ANSWERS_NOT = f"socket://127.0.0.1:{brokers.free_port()}"


def until(what: Callable[[], bool], text: str) -> None:
    end_s = time.monotonic() + PATIENCE_S
    while not what():
        assert time.monotonic() < end_s, f"waited in vain for {text}"
        time.sleep(0.02)  # noqa: TID251 - waits for another process


@contextmanager
def daemon(folder: Path, broker_port: int, where: str) -> Iterator["subprocess.Popen[str]"]:
    tables = bench_tables(
        instruments={"quantum": {"role": "quantum_sensor", "profile": "sdi12-quantum", "port": ANSWERS_NOT}},
        broker={"host": "127.0.0.1", "port": broker_port},
        panel={"enabled": False},
        journal={"path": "journal.sqlite"},
    )
    (folder / "bench.toml").write_text(tomli_w.dumps(tables), encoding="utf-8")
    words = [sys.executable, str(PROGRAM), str(folder / "bench.toml"), where, str(folder / "hangs")]
    with subprocess.Popen(words, stderr=subprocess.PIPE, text=True, env=environment()) as process:
        try:
            yield process
        finally:
            process.kill()


def told_to_stop(process: "subprocess.Popen[str]") -> tuple[int, list[str]]:
    process.send_signal(signal.SIGTERM)
    _, said = process.communicate(timeout=PATIENCE_S)
    return process.returncode, said.splitlines()


def test_a_record_that_the_disk_does_not_take_holds_no_stop_and_was_not_announced(tmp_path: Path) -> None:
    with brokers.mosquitto(tmp_path / "broker") as broker:
        reader = Reader(broker.port)
        try:
            with daemon(tmp_path, broker.port, "commit") as process:
                reader.wait(lambda r: bool(r.records()) and online(r), "a daemon that has announced something")
                begin = Begin(id="c-1", setup=setup(), test_id="t-1").model_dump_json(by_alias=True)
                reader.client.publish(f"lampwarden/1/{BENCH}/commands/begin", begin, qos=1)
                until((tmp_path / "hangs").exists, "the disk to hang")
                code, said = told_to_stop(process)
            announced = reader.by_seq()
        finally:
            reader.close()
    assert code == 1
    (last_words,) = (line for line in said if LAST_WORDS in line)
    assert "1 record (lampwarden.event/1); nothing of it was announced" in last_words
    kept = ids_of(tmp_path / "journal.sqlite")
    assert announced.items() <= kept.items(), "what was announced is on disk"
    assert examine(tmp_path / "journal.sqlite").sound


def online(reader: Reader) -> bool:
    status = reader.newest.get(f"lampwarden/1/{BENCH}/status")
    return status is not None and bool(status.body["online"])


@pytest.mark.parametrize(("where", "what"), [("open", "the start of the journal"), ("close", "no records")])
def test_a_start_or_an_end_on_a_disk_that_hangs_holds_no_stop(tmp_path: Path, where: str, what: str) -> None:
    with brokers.mosquitto(tmp_path / "broker") as broker:
        reader = Reader(broker.port)
        try:
            with daemon(tmp_path, broker.port, where) as process:
                if where == "open":
                    until((tmp_path / "hangs").exists, "the disk to hang")
                else:
                    reader.wait(online, "a daemon that runs")
                code, said = told_to_stop(process)
        finally:
            reader.close()
    assert code == 1
    (last_words,) = (line for line in said if LAST_WORDS in line)
    assert what in last_words


def test_a_disk_that_answers_is_waited_for(tmp_path: Path) -> None:
    with brokers.mosquitto(tmp_path / "broker") as broker:
        reader = Reader(broker.port)
        try:
            with daemon(tmp_path, broker.port, "nowhere") as process:
                reader.wait(online, "a daemon that runs")
                code, said = told_to_stop(process)
        finally:
            reader.close()
    assert code == 0
    assert not [line for line in said if LAST_WORDS in line]
