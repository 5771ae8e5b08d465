"""``watch`` and ``listen`` on a pipe say on standard error what they wait for, once, and go on when it comes."""

from pathlib import Path

import paho.mqtt.client as paho
import pytest
import tomli_w
from lampwarden.protocol.records import StatusMessage
from support.benches import bench_tables
from support.journals import BENCH
from support.mosquitto import mosquitto
from support.mqtt_reader import Reader
from support.processes import Program
from support.samples_of_records import live

pytestmark = [pytest.mark.slow, pytest.mark.timeout(180)]

AWAY, THERE = "the broker cannot be used", "the bench is there"
NO_STATUS = "the broker knows nothing of this bench: its daemon has never run; waiting for it"
OFFLINE = "the daemon is not running; waiting for it"


def config_for(folder: Path, port: int) -> Path:
    path = folder / "bench.toml"
    path.write_text(tomli_w.dumps(bench_tables(broker={"host": "127.0.0.1", "port": port})), encoding="utf-8")
    return path


def publish_status(client: paho.Client, *, online: bool) -> None:
    (status,) = (each for each in live() if isinstance(each, StatusMessage))
    body = status.model_copy(update={"online": online}).model_dump_json(by_alias=True)
    client.publish(f"lampwarden/1/{BENCH}/status", body, qos=1, retain=True)


def test_watch_says_that_no_broker_no_daemon_and_a_stopped_daemon_is_waited_for(tmp_path: Path) -> None:
    with mosquitto(tmp_path / "broker") as broker:
        broker.kill()
        with Program(
            ["watch", "--mute", "--config", str(config_for(tmp_path, broker.port))], tmp_path / "said"
        ) as watch:
            watch.wait_for(lambda: AWAY in watch.said(), "word of the broker")
            broker.start()
            watch.wait_for(lambda: NO_STATUS in watch.said(), "word of the daemon")
            reader = Reader(broker.port)
            try:
                publish_status(reader.client, online=False)
                watch.wait_for(lambda: OFFLINE in watch.said(), "word of the daemon that was stopped")
                publish_status(reader.client, online=True)
                watch.wait_for(lambda: THERE in watch.said(), "word of the daemon that is there")
            finally:
                reader.close()
            lines = watch.said().splitlines()
    assert [next(text for text in (AWAY, NO_STATUS, OFFLINE, THERE) if text in line) for line in lines] == [
        AWAY, NO_STATUS, OFFLINE, THERE
    ]  # fmt: skip


def test_listen_says_that_the_broker_is_waited_for(tmp_path: Path) -> None:
    with mosquitto(tmp_path / "broker") as broker:
        broker.kill()
        with Program(["listen", "--config", str(config_for(tmp_path, broker.port))], tmp_path / "said") as listen:
            listen.wait_for(lambda: AWAY in listen.said(), "word of the broker")
