"""What goes wrong on the command line is one clear line and the right exit code, never a traceback."""

import contextlib
import json
import os
import signal
import socket
import sqlite3
import threading
import tty
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
import tomli_w
from lampwarden.daemon.cli.app import app
from lampwarden.daemon.mqtt.broker import EmbeddedBroker
from lampwarden.simulators.faults import FaultBox, FaultySerial
from lampwarden.simulators.ports import PtyPort
from lampwarden.simulators.sdi12 import QuantumSensor
from rich import markup
from support.benches import bench_tables
from support.mosquitto import free_port
from support.mqtt_reader import Reader
from support.processes import Program, clean_of_escapes, run_command
from support.time_source import FastTime
from typer.main import get_command

pytestmark = [pytest.mark.slow, pytest.mark.timeout(120)]

LAMP = (
    "--lamp", "HPS-07", "--rated-power", "250", "--hours", "312", "--ballast", "b", "--fixture", "f", "--height", "600",
)  # fmt: skip


def bench_file(folder: Path, text: str | None = None, **tables: Any) -> str:
    """A bench whose instruments are not there; its panel is off and its broker's port is free."""
    made = bench_tables(**{"panel": {"enabled": False}, "embedded_broker": {"port": free_port()}, **tables})
    for name, table in made["instruments"].items():
        if table["port"].startswith("/dev/ttyS"):
            table["port"] = str(folder / f"no-such-{name}")
    path = folder / "bench.toml"
    path.write_text(tomli_w.dumps(made) if text is None else text, encoding="utf-8")
    return str(path)


class TestConfiguration:
    @pytest.mark.parametrize("words", [("run",), ("press",), ("listen",)], ids=lambda w: w[0])
    def test_a_file_that_is_not_there(self, words: tuple[str, ...], tmp_path: Path) -> None:
        done = run_command(*words, "--config", str(tmp_path / "bench.toml"))
        assert done.code == 2
        line = done.one_line()
        assert line.startswith("lampwarden: ")
        assert "there is no such file" in line
        assert "lampwarden simulate" in line

    def test_a_wrong_key_is_named(self, tmp_path: Path) -> None:
        done = run_command("run", "--config", bench_file(tmp_path, procedure={"warmup": 900}))
        assert done.code == 2
        assert "procedure.warmup" in done.one_line()
        assert done.out == ""

    def test_each_wrong_key_has_a_line_of_its_own(self, tmp_path: Path) -> None:
        wrong = bench_file(tmp_path, procedure={"warmup": 900, "a\nb": 1}, panel={"prot": 1})
        done = run_command("check", "--config", wrong)
        assert done.code == 2
        first, *others = done.err.splitlines()
        assert first.startswith("lampwarden: ")
        assert "bench.toml: 3 faults" in first
        assert len(others) == 3
        assert any("panel.prot: no such key; did you mean port?" in line for line in others)
        assert any("procedure.a\\x0ab: no such key" in line for line in others)

    def test_what_is_not_toml(self, tmp_path: Path) -> None:
        done = run_command("run", "--config", bench_file(tmp_path, text="[bench\n"))
        assert done.code == 2
        assert "not valid TOML" in done.one_line()

    def test_control_characters_of_a_file_do_not_reach_the_terminal(self, tmp_path: Path) -> None:
        done = run_command("run", "--config", bench_file(tmp_path, bench={"id": "\x1b]0;owned\x07\x1b[31m"}))
        assert done.code == 2
        assert clean_of_escapes(done.one_line())

    @pytest.mark.parametrize(
        ("key", "value", "words"),
        [
            ("profile", "no-such-profile", "no-such-profile"),
            ("port", "gopher://somewhere", "gopher://somewhere"),
            ("port", "usb:xyz", "usb:xyz"),
            ("port", "socket://host-without-port", "socket://host-without-port"),
            ("port", "usbip://127.0.0.1:1/1209", "usbip://"),
            ("options", {"address": "no address"}, "address"),
        ],
        ids=["profile", "scheme", "usb", "socket", "usbip", "option"],
    )
    @pytest.mark.parametrize("command", ["run", "check"])
    def test_an_instrument_that_cannot_be_meant_is_named(
        self, command: str, key: str, value: Any, words: str, tmp_path: Path
    ) -> None:
        tables = bench_tables()["instruments"]
        tables["quantum"][key] = value
        done = run_command(command, "--config", bench_file(tmp_path, instruments=tables))
        assert done.code == 2
        line = done.one_line()
        assert "instruments.quantum" in line
        if key != "options":
            assert f"instruments.quantum.{key}: " in line
        assert words in line


class TestBroker:
    @pytest.mark.parametrize(
        "words",
        [("press",), ("begin", *LAMP), ("live",)],
        ids=lambda w: w[0],
    )
    def test_a_broker_that_is_not_there(self, words: tuple[str, ...], tmp_path: Path) -> None:
        config = bench_file(tmp_path, broker={"host": "127.0.0.1", "port": free_port()})
        done = run_command(*words, "--config", config)
        assert done.code == 1
        assert "broker" in done.one_line()

    def test_a_bench_that_is_not_there(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """A broker, but no daemon behind it: the command waits its bound and says so."""
        port = free_port()
        config = bench_file(tmp_path, broker={"host": "127.0.0.1", "port": port})
        with EmbeddedBroker(port):
            done = run_command("press", "--config", config)
        assert done.code == 1
        assert "is the daemon running?" in done.one_line()

    def test_the_daemon_works_without_its_broker_and_keeps_everything(self, tmp_path: Path) -> None:
        config = bench_file(tmp_path, broker={"host": "127.0.0.1", "port": free_port()})
        with Program(["run", "--config", config], tmp_path / "run.log") as daemon:
            daemon.wait_for(lambda: "cannot connect" in daemon.said(), "a word about the broker")
            daemon.wait_for(lambda: "unreachable" in daemon.said(), "a word about the instruments")
            assert daemon.stop() == 0
            assert "Traceback" not in daemon.said()
        with closing(sqlite3.connect(f"file:{tmp_path / 'journal.sqlite'}?mode=ro", uri=True)) as db:
            rows = [json.loads(body) for (body,) in db.execute("SELECT body FROM record ORDER BY seq")]
        assert {row["state"] for row in rows} == {"unreachable"}
        assert [row["seq"] for row in rows] == list(range(1, len(rows) + 1))

    def test_a_port_that_is_taken(self, tmp_path: Path) -> None:
        with socket.socket() as taken:
            taken.bind(("127.0.0.1", 0))
            taken.listen()
            port = taken.getsockname()[1]
            done = run_command("run", "--config", bench_file(tmp_path, embedded_broker={"port": port}))
        assert done.code == 1
        last = done.err.strip().splitlines()[-1]
        assert "Traceback" not in done.err
        assert "the embedded broker cannot start" in last
        assert str(port) in last

    def test_a_broker_that_knows_no_mqtt_5_is_spoken_to_in_3_1_1(self, tmp_path: Path) -> None:
        """The embedded broker, addressed as if it were somebody else's, with ``protocol = "auto"``."""
        port = free_port()
        config = bench_file(tmp_path, broker={"host": "127.0.0.1", "port": port, "protocol": "auto", "timeout_s": 2.0})
        with EmbeddedBroker(port):
            reader = Reader(port, version=paho.MQTTv311)
            try:
                with Program(["run", "--config", config], tmp_path / "run.log") as daemon:
                    daemon.wait_for(
                        lambda: any(h.topic.endswith("/status") and h.body["online"] for h in reader.snapshot()),
                        "an online status",
                    )
                    daemon.wait_for(lambda: len(reader.by_seq()) >= 3, "records")
                    assert run_command("press", "--config", config).one_line().endswith("no test is running")
                    assert daemon.stop() == 0
                    assert "MQTT 3.1.1" in daemon.said()
            finally:
                reader.close()

    def test_a_broker_that_must_be_5_and_is_not_is_told(self, tmp_path: Path) -> None:
        port = free_port()
        config = bench_file(tmp_path, broker={"host": "127.0.0.1", "port": port, "protocol": "5", "timeout_s": 2.0})
        with EmbeddedBroker(port), Program(["run", "--config", config], tmp_path / "run.log") as daemon:
            daemon.wait_for(lambda: "cannot connect" in daemon.said(), "a word about the broker")
            assert daemon.stop() == 0


@contextlib.contextmanager
def pseudo_terminal(answer: bytes) -> Iterator[str]:
    """A serial device that answers everything with the same bytes."""
    master, slave = os.openpty()
    tty.setraw(slave)
    over = threading.Event()

    def serve() -> None:
        while not over.is_set():
            with contextlib.suppress(OSError):
                if os.read(master, 1024):
                    os.write(master, answer)

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield os.ttyname(slave)
    finally:
        over.set()
        os.close(slave)
        os.close(master)
        thread.join(5.0)


class TestInstruments:
    def test_a_port_that_is_not_there_is_told_and_stops_nobody(self, tmp_path: Path) -> None:
        done = run_command("check", "--config", bench_file(tmp_path))
        assert done.code == 1
        assert "Traceback" not in done.err
        for name in ("quantum", "mains", "spectrometer", "pedal"):
            assert name in done.out
        assert "bad" in done.out

    @pytest.mark.parametrize(
        "nonsense", [b"\x00\xff" * 20, b"hello there\r\n", b"\x1b[31mred\x07\r\n"], ids=["noise", "words", "escapes"]
    )
    def test_a_device_that_answers_nonsense_is_bad_and_harms_nobody(self, nonsense: bytes, tmp_path: Path) -> None:
        with pseudo_terminal(nonsense) as port:
            instruments = bench_tables(without=("mains", "spectrometer", "pedal"))["instruments"]
            instruments["quantum"]["port"] = port
            done = run_command("check", "--config", bench_file(tmp_path, instruments=instruments))
        assert done.code == 1
        assert "Traceback" not in done.err
        assert "bad" in done.out
        assert clean_of_escapes(done.out)

    def test_a_daemon_with_such_a_device_goes_on(self, tmp_path: Path) -> None:
        with pseudo_terminal(b"hello there\r\n") as port:
            instruments = bench_tables(without=("mains", "spectrometer", "pedal"))["instruments"]
            instruments["quantum"]["port"] = port
            config = bench_file(tmp_path, instruments=instruments)
            with Program(["run", "--config", config], tmp_path / "run.log") as daemon:
                daemon.wait_for(lambda: "quantum: faulty" in daemon.said(), "a word about the device")
                assert daemon.stop() == 0
                assert "Traceback" not in daemon.said()


class TestCheckBesideADaemon:
    """The instruments are left to it: it is asked how they are, and what they read last."""

    @pytest.mark.parametrize("overdue", [False, True], ids=["good", "overdue"])
    def test_the_verdict_is_that_of_a_look(self, overdue: bool, tmp_path: Path) -> None:
        due_on = "2001-01-01" if overdue else "2999-01-01"
        sensor = QuantumSensor(lambda _now_s: 512.3)
        with PtyPort(FaultySerial(sensor, FaultBox()), FastTime(1.0), tmp_path / "quantum") as port:
            quantum = {
                **bench_tables()["instruments"]["quantum"],
                "port": port.url,
                "options": {"data_bits": 8, "parity": "N"},
                "calibration": {"certificate": "K-1", "expanded_uncertainty_percent": 2.0, "due_on": due_on},
            }
            bench = {"id": "north-house", "simulated": True}
            config = bench_file(tmp_path, bench=bench, instruments={"quantum": quantum})
            with Program(["run", "--config", config], tmp_path / "run.log") as daemon:
                daemon.wait_for(lambda: "quantum: ok" in daemon.said(), "the sensor")
                done = run_command("check", "--config", config)
                assert daemon.stop() == 0
        assert "A daemon runs on this bench" in done.out
        assert "µmol m⁻² s⁻¹" in done.out or overdue
        assert ("calibration overdue" in done.out) is overdue
        assert done.code == (1 if overdue else 0)

    def test_a_daemon_whose_broker_is_away_is_told_for_each_instrument(self, tmp_path: Path) -> None:
        broker = {"host": "127.0.0.1", "port": free_port()}
        config = bench_file(tmp_path, broker=broker)
        with Program(["run", "--config", config], tmp_path / "run.log") as daemon:
            daemon.wait_for(lambda: "quantum: unreachable" in daemon.said(), "the absence of the sensor")
            done = run_command("check", "--config", config)
            assert daemon.stop() == 0
        assert done.code == 1
        assert done.out.count("the daemon cannot be asked") == 4
        assert done.out.count("bad") == 4


class TestOptions:
    @pytest.mark.parametrize(
        ("words", "says"),
        [
            (("begin", *LAMP, "--lamp-type", "candle"), "lamp_type"),
            (("begin", *LAMP[:2], "--rated-power", "-5", *LAMP[4:]), "rated_power_w"),
            (("reread", "Z0"), "spot"),
            (("choose", "A1", "1", "--reason", ""), "reason"),
            (("abandon", "--reason", "x" * 200), "reason"),
        ],
        ids=lambda w: w[0] if isinstance(w, tuple) else w,
    )
    def test_a_command_that_cannot_be_meant_is_refused_before_it_is_sent(
        self, words: tuple[str, ...], says: str, tmp_path: Path
    ) -> None:
        done = run_command(*words, "--config", bench_file(tmp_path))
        assert done.code == 2
        assert says in done.one_line()

    def test_a_height_in_metres_is_refused_as_the_panel_refuses_it(self, tmp_path: Path) -> None:
        done = run_command("begin", *LAMP[:-1], "0.6", "--config", bench_file(tmp_path))
        assert done.code == 2
        assert "--height" in done.err
        assert "greater than or equal to 1" in " ".join(done.err.replace("│", " ").split())

    @pytest.mark.parametrize("word", ["LED", "Metal_Halide"])
    def test_a_lamp_type_is_understood_in_capitals(self, word: str, tmp_path: Path) -> None:
        """It gets as far as the broker, which is not there."""
        config = bench_file(tmp_path, broker={"host": "127.0.0.1", "port": free_port()})
        done = run_command("begin", *LAMP, "--lamp-type", word, "--config", config)
        assert done.code == 1
        assert "broker" in done.one_line()

    def test_a_scenario_that_nobody_knows(self, tmp_path: Path) -> None:
        done = run_command("simulate", "--scenario", "moon", "--out", str(tmp_path / "bench"))
        assert done.code == 2
        assert "one of: demo, ideal, random" in done.one_line()

    @pytest.mark.parametrize(
        "words",
        [
            ("fly",),
            ("demo", "--speed", "0"),
            ("campaign", "--tests", "0"),
            ("choose", "A1"),
            ("collect", "--host", "127.0.0.1", "--port", "65536", "--out", "/dev/null/x"),
            ("simulate", "--port", "65536", "--out", "/dev/null/x"),
        ],
    )
    def test_wrong_usage_is_exit_code_2(self, words: tuple[str, ...]) -> None:
        done = run_command(*words)
        assert done.code == 2
        assert "Traceback" not in done.err

    def test_a_journal_that_is_not_there(self, tmp_path: Path) -> None:
        done = run_command("listen", "--config", bench_file(tmp_path), "--since", "1", "--no-follow")
        assert done.code == 1
        assert "there is no such journal" in done.one_line()

    @pytest.mark.parametrize("verb", ["simulate", "demo"])
    @pytest.mark.parametrize("out", ["file", "file/bench", "x" * 300])
    def test_a_bench_in_a_folder_that_cannot_be(self, verb: str, out: str, tmp_path: Path) -> None:
        (tmp_path / "file").write_text("")
        done = run_command(verb, "--out", str(tmp_path / out))
        assert done.code == 1
        line = done.one_line()
        assert "cannot be written: " in line
        assert "--out" in line

    def test_documents_that_cannot_be_written(self, tmp_path: Path) -> None:
        (tmp_path / "file").write_text("")
        done = run_command("schema", "--out", str(tmp_path / "file" / "contract"))
        assert done.code == 1
        assert "cannot be written" in done.one_line()

    def test_schema_writes_every_document_and_names_it(self, tmp_path: Path) -> None:
        done = run_command("schema", "--out", str(tmp_path / "contract"))
        assert done.code == 0
        named = {Path(line).name for line in done.out.splitlines()}
        assert named == {path.name for path in (tmp_path / "contract").iterdir()}
        assert "asyncapi.json" in named

    def test_help_loses_no_word_in_brackets(self) -> None:
        """Square brackets are marks of style there: what stands between them is not shown."""

        def texts(command: Any) -> Iterator[str]:
            yield command.help or ""
            yield from (getattr(parameter, "help", None) or "" for parameter in command.params)
            for sub in getattr(command, "commands", {}).values():
                yield from texts(sub)

        told = [text for text in texts(get_command(app)) if text]
        assert len(told) > 100
        assert [text for text in told if markup.render(text).plain != text] == []

    def test_help_and_version(self) -> None:
        assert run_command("--help").code == 0
        assert run_command("--version").out.startswith("lampwarden ")


class TestStopping:
    @pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM], ids=["Ctrl-C", "SIGTERM"])
    def test_the_daemon_stops_cleanly(self, number: signal.Signals, tmp_path: Path) -> None:
        config = bench_file(tmp_path)
        with Program(["run", "--config", config], tmp_path / "run.log") as daemon:
            daemon.wait_for(lambda: "connected, MQTT" in daemon.said(), "the broker")
            daemon.process.send_signal(number)
            assert daemon.process.wait(30.0) == 0
            assert "Traceback" not in daemon.said()

    def test_a_simulated_bench_ends_with_its_standard_input(self, tmp_path: Path) -> None:
        words = ["simulate", "--out", str(tmp_path / "bench"), "--speed", "60", "--no-operator"]
        with Program(words, tmp_path / "simulate.log", with_input=True) as bench:
            bench.wait_for(lambda: bench.lines, "the path")
            assert Path(bench.lines[0]).is_file()
            assert bench.tell("fly").startswith("what? one of:")
            assert bench.tell("move Z9") != "done"
            assert bench.tell("move A1") == "done"
            assert bench.process.stdin is not None
            bench.process.stdin.close()
            assert bench.process.wait(30.0) == 0
            assert "Traceback" not in bench.said()
