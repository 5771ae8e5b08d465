"""Secrets stay where they are: files that others can read are refused, and nothing of them comes out anywhere."""

import asyncio
import logging
import socket
import sqlite3
from pathlib import Path

import aiomqtt
import pytest
from lampwarden.daemon.config import load_config, parse_config
from lampwarden.daemon.mqtt.broker import EmbeddedBroker
from lampwarden.daemon.mqtt.client import BenchClient
from lampwarden.daemon.mqtt.credentials import read_secret, tls_context
from lampwarden.daemon.mqtt.publisher import BrokerAddress, reply_topic
from lampwarden.daemon.service import broker_address
from lampwarden.protocol.commands import Press
from lampwarden.protocol.errors import BrokerError, ConfigurationError
from lampwarden.protocol.topics import Topics
from support.certificates import Authority
from support.journals import BENCH
from support.mosquitto import free_port, mosquitto
from support.publishing import publishing

SECRET = "correct-horse-7431"  # noqa: S105 - invented, and looked for where it must not be


def secret_file(folder: Path, mode: int = 0o600, text: str = SECRET + "\n") -> Path:
    path = folder / "password"
    path.write_text(text)
    path.chmod(mode)
    return path


@pytest.mark.parametrize("mode", [0o644, 0o640, 0o660, 0o604, 0o602, 0o610])
def test_a_password_file_that_others_can_read_or_change_is_refused_with_the_mend(tmp_path: Path, mode: int) -> None:
    path = secret_file(tmp_path, mode)
    with pytest.raises(ConfigurationError, match=rf"mode {mode:04o}.*chmod 600"):
        read_secret(path, "broker.password_file")


@pytest.mark.parametrize("mode", [0o600, 0o400])
def test_a_password_file_of_its_owner_alone_is_read_without_its_line_end(tmp_path: Path, mode: int) -> None:
    assert read_secret(secret_file(tmp_path, mode), "broker.password_file") == SECRET


@pytest.mark.parametrize("text", ["", "\n", "x" * 5000])
def test_an_empty_or_endless_password_file_is_refused(tmp_path: Path, text: str) -> None:
    with pytest.raises(ConfigurationError, match="one line with the secret"):
        read_secret(secret_file(tmp_path, text=text), "broker.password_file")


def test_a_folder_or_a_missing_file_is_no_password_file(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match="is not a file"):
        read_secret(tmp_path, "broker.password_file")
    with pytest.raises(ConfigurationError, match="cannot be read"):
        read_secret(tmp_path / "none", "broker.password_file")


def test_a_key_that_others_can_read_is_refused(tmp_path: Path) -> None:
    pair = Authority(tmp_path).issue("bench")
    pair.key.chmod(0o640)
    with pytest.raises(ConfigurationError, match=r"broker\.tls\.key_file.*chmod 600"):
        tls_context(None, pair.certificate, pair.key)


CONFIG = """
[bench]
id = "north-house"
[grid]
columns = 1
rows = 1
pitch_x_mm = 100
pitch_y_mm = 100
reference = "A1"
[instruments.quantum]
role = "quantum_sensor"
profile = "sdi12-quantum"
port = "/dev/ttyS0"
"""


@pytest.mark.parametrize("host", ["0.0.0.0", "192.0.2.7", "::", "bench.example"])  # noqa: S104 - refused ones
def test_the_embedded_broker_beyond_loopback_needs_a_password(host: str) -> None:
    with pytest.raises(ConfigurationError, match="password_file is needed"):
        parse_config(f'{CONFIG}[embedded_broker]\nhost = "{host}"\n', where="bench.toml")
    parse_config(f'{CONFIG}[embedded_broker]\nhost = "{host}"\npassword_file = "p"\n', where="bench.toml")


async def test_the_embedded_broker_is_on_loopback_unless_told_otherwise() -> None:
    assert parse_config(CONFIG, where="bench.toml").embedded_broker.host == "127.0.0.1"
    port = free_port()
    with EmbeddedBroker(port):
        async with aiomqtt.Client("127.0.0.1", port, timeout=5):
            pass
        others = {info[4][0] for info in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)}
        for address in others - {"127.0.0.1"}:
            with socket.socket() as probe:
                assert probe.connect_ex((str(address), port)) != 0


@pytest.mark.parametrize(
    ("login", "lets_in"),
    [
        ({}, False),
        ({"username": "bench"}, False),
        ({"username": "bench", "password": "wrong"}, False),
        ({"username": "other", "password": SECRET}, False),
        ({"username": "bench", "password": SECRET}, True),
    ],
)
async def test_the_embedded_broker_lets_in_only_with_its_login(login: dict[str, str], lets_in: bool) -> None:
    port = free_port()
    with EmbeddedBroker(port, login=("bench", SECRET)):
        if lets_in:
            async with aiomqtt.Client("127.0.0.1", port, timeout=5, **login):
                pass
        else:
            with pytest.raises(aiomqtt.MqttError):
                async with aiomqtt.Client("127.0.0.1", port, timeout=5, **login):
                    pass


async def test_daemon_and_commands_use_the_embedded_brokers_login(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    port = free_port()
    path.write_text(f'{CONFIG}[embedded_broker]\nport = {port}\npassword_file = "password"\n')
    secret_file(tmp_path)
    config = load_config(path)
    address = broker_address(config)
    assert (address.username, address.password) == ("bench", SECRET)
    login = {"username": address.username or "", "password": address.password or ""}
    with EmbeddedBroker(port, login=("bench", SECRET)):
        async with publishing(tmp_path, port, protocol="3.1.1", **login) as running:
            await running.publisher.connected.wait()
            reply = await BenchClient(BENCH, address).command(Press(id="p-1"))
        assert reply.accepted
        stranger = BrokerAddress("127.0.0.1", port, protocol="3.1.1", timeout_s=5)
        with pytest.raises(BrokerError):
            await BenchClient(BENCH, stranger).command(Press(id="p-2"))


async def test_a_password_is_in_no_log_no_record_and_no_message(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """At the most talkative level, with a broker that refuses it and one that takes it."""
    caplog.set_level(logging.DEBUG)
    with mosquitto(tmp_path / "broker") as broker:
        login = {"username": "bench", "password": SECRET}
        async with publishing(tmp_path, broker.port, **login) as running:
            await running.journal.append(running.book.notes(3))
            await running.drained()
            shown = [str(running.publisher.state), repr(running.publisher._address), str(running.publisher._address)]
        broker.stop()
        broker.config = broker.config.replace("allow_anonymous true", "allow_anonymous false\npassword_file /dev/null")
        broker.start()
        async with publishing(tmp_path, broker.port, **login) as running:
            await running.until(lambda: running.publisher.state.trouble is not None)
            shown.append(str(running.publisher.state))
    assert SECRET not in caplog.text
    assert all(SECRET not in text for text in shown)
    with sqlite3.connect(tmp_path / "journal.sqlite") as db:
        assert not [1 for (body,) in db.execute("SELECT body FROM record") if SECRET in body]
    assert SECRET.encode() not in (tmp_path / "journal.sqlite").read_bytes()


@pytest.mark.parametrize(
    ("asked", "used"),
    [
        ("lampwarden/replies/operator/1", True),
        ("anything/else", True),
        ("lampwarden/1/north-house/replies/7", True),
        ("lampwarden/1/north-house/status", False),
        ("lampwarden/1/north-house/commands/press", False),
        ("lampwarden/1/north-house/replies", False),
        ("lampwarden/1/south-house/commands/press", False),
        ("$SYS/broker/x", False),
        ("a/+/b", False),
        ("a/#", False),
        ("", False),
        ("x" * 300, False),
        (7, False),
    ],
)
def test_nobody_makes_the_bench_write_where_only_the_bench_may(asked: object, used: bool) -> None:
    assert (reply_topic(asked, Topics("north-house")) == asked) is used


async def test_a_stop_is_not_held_by_a_name_server_or_a_broker_that_never_answers(tmp_path: Path) -> None:
    listener = socket.socket()
    listener.bind(("127.0.0.1", 0))
    listener.listen(1)
    async with publishing(tmp_path, listener.getsockname()[1], timeout_s=60.0) as running:
        await running.journal.append(running.book.notes(1))
        await asyncio.sleep(0.2)  # noqa: TID251 - lets it begin to connect
        async with asyncio.timeout(2.0):
            running.task.cancel()
            await asyncio.wait({running.task})
    listener.close()
