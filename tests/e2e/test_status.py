"""``lampwarden status`` tells a daemon that runs from one that was stopped, that crashed, that is stuck, that lost its
broker; and a broker's word that is true from one that is stale. Real processes, one after another."""

import json
import signal
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from support.mosquitto import mosquitto
from support.mqtt_reader import Reader
from support.processes import Finished, Program, change_toml, clean_of_escapes, run_command, simulated

pytestmark = [pytest.mark.slow, pytest.mark.timeout(240)]


@dataclass
class Seen:
    """What ``status`` said in each situation."""

    told: dict[str, dict[str, Any]] = field(default_factory=dict)
    codes: dict[str, int] = field(default_factory=dict)
    shown: dict[str, Finished] = field(default_factory=dict)

    def look(self, situation: str, config: Path) -> None:
        done = run_command("status", "--json", "--config", str(config))
        (line,) = done.out.splitlines()
        self.told[situation], self.codes[situation] = json.loads(line), done.code
        self.shown[situation] = run_command("status", "--config", str(config))

    def complaints(self, situation: str) -> str:
        return "; ".join(self.told[situation]["complaints"])


def told(reader: Reader, after: int, *, online: bool) -> bool:
    """Whether the bench's own word, not one that was retained, has come since."""
    fresh = [h for h in reader.snapshot()[after:] if h.topic.endswith("/status") and not h.retain]
    return bool(fresh) and fresh[-1].body["online"] is online


def start(config: Path, folder: Path, reader: Reader) -> Program:
    before = len(reader.snapshot())
    daemon = Program(["run", "--config", str(config)], folder / "run.log")

    def well() -> bool:
        states = {h.body["instrument"]: h.body["state"] for h in reader.snapshot() if "/instruments/" in h.topic}
        return told(reader, before, online=True) and len(states) == 6 and set(states.values()) == {"ok"}

    daemon.wait_for(well, "a bench that is well")
    return daemon


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Seen]:
    folder, found = tmp_path_factory.mktemp("status"), Seen()
    with (
        mosquitto(folder / "broker") as broker,
        simulated(folder / "bench", speed=20.0, port=broker.port, operator=False) as (_, config),
    ):
        change_toml(config, {"broker": {"host": "127.0.0.1", "port": broker.port}, "panel": {"enabled": False}})
        found.look("never", config)
        reader = Reader(broker.port)
        daemon = start(config, folder, reader)
        try:
            found.look("running", config)
            daemon.process.send_signal(signal.SIGSTOP)
            found.look("stuck", config)
            daemon.process.send_signal(signal.SIGCONT)
            broker.stop()
            found.look("broker away", config)
            heard = len(reader.snapshot())
            broker.start()
            reader.wait(lambda r: told(r, heard, online=True), "the daemon's return")
            heard = len(reader.snapshot())
            daemon.kill()
            reader.wait(lambda r: told(r, heard, online=False), "the last will")
            found.look("crashed", config)
            # As when both died and nobody was left to send the last will: the broker still has what it was told before.
            online = [h for h in reader.snapshot() if h.topic.endswith("/status") and h.body["online"]][-1]
            reader.client.publish(online.topic, json.dumps(online.body), 1, retain=True).wait_for_publish(60.0)
            found.look("stale", config)
            daemon.close()
            daemon = start(config, folder, reader)
            assert daemon.stop() == 0
            found.look("stopped", config)
        finally:
            daemon.close()
            reader.close()
        yield found


def test_a_bench_that_is_well_has_no_complaint_and_exit_code_0(seen: Seen) -> None:
    told = seen.told["running"]
    assert (told["daemon"], told["running"], told["state"], told["complaints"]) == ("runs", True, "idle", [])
    assert told["broker"] == "has the bench's status"
    assert told["last_seq"] >= 6
    assert set(told["instruments"]) == {"quantum", "mains", "air-in", "air-out", "spectrometer", "pedal"}
    assert all(text.startswith("ok") for text in told["instruments"].values())
    assert seen.codes["running"] == 0


def test_a_bench_that_never_ran_says_so(seen: Seen) -> None:
    told = seen.told["never"]
    assert (told["daemon"], told["running"], told["last_seq"]) == ("has never run", False, None)
    assert seen.codes["never"] == 1


def test_a_daemon_that_was_stopped_is_told_from_one_that_crashed(seen: Seen) -> None:
    assert seen.told["stopped"]["daemon"] == "was stopped"
    assert seen.told["crashed"]["daemon"] == "ended without a word"
    assert "killed" in seen.complaints("crashed")
    assert seen.told["stopped"]["broker"] == seen.told["crashed"]["broker"] == "says that the bench is offline"
    assert seen.codes["stopped"] == seen.codes["crashed"] == 1


def test_a_daemon_that_is_stuck_is_told_though_the_broker_says_online(seen: Seen) -> None:
    told = seen.told["stuck"]
    assert told["running"] is True
    assert told["daemon"] == "gives no sign of life"
    assert seen.codes["stuck"] == 1


def test_a_broker_that_is_away_is_told_and_the_journal_is_read_all_the_same(seen: Seen) -> None:
    told = seen.told["broker away"]
    assert told["daemon"] == "runs"
    assert told["broker"].startswith("not reached")
    assert "broker" in seen.complaints("broker away")
    assert told["last_seq"] >= 6
    assert len(told["instruments"]) == 6
    assert seen.codes["broker away"] == 1


def test_a_status_whose_daemon_is_dead_is_stale_and_not_taken_for_the_state(seen: Seen) -> None:
    told = seen.told["stale"]
    assert told["running"] is False
    assert told["state"] is None
    assert told["broker"].startswith("still has a status of ")
    assert "stale" in seen.complaints("stale")


def test_people_read_the_same(seen: Seen) -> None:
    for situation, done in seen.shown.items():
        assert done.code == seen.codes[situation], situation
        assert clean_of_escapes(done.out), situation
        assert seen.told[situation]["daemon"] in done.out, situation
        for complaint in seen.told[situation]["complaints"]:
            assert complaint[:40] in " ".join(done.out.split()), situation
