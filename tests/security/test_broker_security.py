"""The way to the broker: encrypted, checked both ways, with rights, as the sample files promise; a real Mosquitto."""

import json
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from lampwarden.daemon.mqtt.credentials import tls_context
from lampwarden.daemon.operations.deployment_files import Places, sample
from lampwarden.protocol.commands import Press
from support.certificates import Authority, Pair
from support.journals import BENCH
from support.mosquitto import Mosquitto, free_port, listens, mosquitto, program
from support.peers import need
from support.publishing import in_thread, publishing

BASE = f"lampwarden/1/{BENCH}"
PASSWORDS = {f"bench-{BENCH}": "daemon-pass", "operator": "operator-pass", "reader": "reader-pass"}


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("authority"))


@pytest.fixture(scope="module")
def server(authority: Authority) -> Pair:
    return authority.issue("broker", "IP:127.0.0.1,DNS:localhost")


def tls_listener(authority: Authority, server: Pair, *, client: bool = False) -> str:
    asked = "require_certificate true\n" if client else ""
    return f"cafile {authority.certificate}\ncertfile {server.certificate}\nkeyfile {server.key}\n{asked}"


async def test_records_reach_a_broker_over_tls(tmp_path: Path, authority: Authority, server: Pair) -> None:
    with mosquitto(tmp_path / "broker", listener=tls_listener(authority, server)) as broker:
        tls = tls_context(authority.certificate, None, None)
        async with publishing(tmp_path, broker.port, tls=tls) as running:
            await running.journal.append(running.book.notes(20, size=50_000))
            await running.drained()


async def test_a_broker_that_a_stranger_vouches_for_is_not_spoken_to(
    tmp_path: Path, authority: Authority, server: Pair
) -> None:
    stranger = Authority(tmp_path / "stranger", "stranger")
    with mosquitto(tmp_path / "broker", listener=tls_listener(authority, server)) as broker:
        tls = tls_context(stranger.certificate, None, None)
        async with publishing(tmp_path, broker.port, tls=tls) as running:
            await running.journal.append(running.book.notes(1))
            await running.until(lambda: running.publisher.state.trouble is not None)
            assert "certificate" in str(running.publisher.state.trouble).lower()
            assert running.journal.sent_through == 0


async def test_a_certificate_for_another_name_is_not_accepted(tmp_path: Path, authority: Authority) -> None:
    other = authority.issue("elsewhere", "DNS:elsewhere.example")
    with mosquitto(tmp_path / "broker", listener=tls_listener(authority, other)) as broker:
        tls = tls_context(authority.certificate, None, None)
        async with publishing(tmp_path, broker.port, tls=tls) as running:
            await running.until(lambda: running.publisher.state.trouble is not None)
            assert "IP address mismatch" in str(running.publisher.state.trouble)


async def test_a_broker_that_asks_for_a_certificate_gets_the_benchs(
    tmp_path: Path, authority: Authority, server: Pair
) -> None:
    mine = authority.issue(f"bench-{BENCH}")
    with mosquitto(tmp_path / "broker", listener=tls_listener(authority, server, client=True)) as broker:
        without = tls_context(authority.certificate, None, None)
        async with publishing(tmp_path / "without", broker.port, tls=without) as running:
            await running.until(lambda: running.publisher.state.trouble is not None)
            assert "does it ask for a certificate?" in str(running.publisher.state.trouble)
            assert running.publisher.state.connections == 0
        tls = tls_context(authority.certificate, mine.certificate, mine.key)
        async with publishing(tmp_path / "with", broker.port, tls=tls) as running:
            await running.journal.append(running.book.notes(3))
            await running.drained()


@pytest.fixture
def sample_broker(tmp_path: Path, authority: Authority, server: Pair) -> Iterator[Mosquitto]:
    """A Mosquitto with the sample files as they are written out, passwords made by mosquitto_passwd."""
    folder = tmp_path / "etc"
    folder.mkdir()
    store = tmp_path / "store"
    store.mkdir()
    port = free_port()
    places = Places(BENCH, folder=str(folder), persistence=str(store), tls_port=port)
    (folder / "acl").write_text(sample("acl", places))
    for name, source in (
        ("ca.crt", authority.certificate),
        ("broker.crt", server.certificate),
        ("broker.key", server.key),
    ):
        (folder / name).write_bytes(source.read_bytes())
    maker = need("mosquitto_passwd", "mosquitto")
    passwords = folder / "passwords"
    passwords.touch(mode=0o600)
    for user, password in PASSWORDS.items():
        subprocess.run([maker, "-b", str(passwords), user, password], check=True, capture_output=True)
    broker = Mosquitto(tmp_path, port, sample("mosquitto.conf", places) + "\nuser root\n", program())
    broker.start()
    assert listens(port)
    yield broker
    broker.kill()


class Person:
    """Somebody with a name and a password, over TLS; keeps what is told and what the broker says to requests."""

    def __init__(self, broker: Mosquitto, authority: Authority, user: str, *, topic: str = "lampwarden/1/#") -> None:
        self.heard: list[tuple[str, dict[str, object]]] = []
        self.codes: list[int] = []
        self._answered = threading.Event()
        client = self.client = paho.Client(paho.CallbackAPIVersion.VERSION2, client_id=user, protocol=paho.MQTTv5)
        client.tls_set(str(authority.certificate))
        client.username_pw_set(user, PASSWORDS.get(user, "wrong"))
        client.on_message = lambda _c, _d, m: self.heard.append((m.topic, json.loads(m.payload)))
        client.on_publish = lambda _c, _d, _m, code, _p: (self.codes.append(code.value), self._answered.set())
        client.connect("127.0.0.1", broker.port)
        client.loop_start()
        subscribed = threading.Event()
        client.on_subscribe = lambda *_: subscribed.set()
        wait_for(client.is_connected)
        client.subscribe(topic, 1)
        assert subscribed.wait(30)

    def publish(self, topic: str, payload: str = "{}") -> int:
        """Returns the broker's reason code."""
        self._answered.clear()
        self.client.publish(topic, payload, 1)
        assert self._answered.wait(30)
        return self.codes[-1]

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def wait_for(what: Callable[[], object]) -> None:
    until = time.monotonic() + 30
    while not what():
        assert time.monotonic() < until
        time.sleep(0.01)  # noqa: TID251 - a foreign client's thread is waited for


NOT_AUTHORISED = 0x87


async def test_with_the_sample_rights_readers_read_and_only_the_operator_commands(
    tmp_path: Path, authority: Authority, sample_broker: Mosquitto
) -> None:
    tls = tls_context(authority.certificate, None, None)
    login = {"username": f"bench-{BENCH}", "password": PASSWORDS[f"bench-{BENCH}"]}
    reader = Person(sample_broker, authority, "reader")
    operator = Person(sample_broker, authority, "operator")
    command = Press(id="p-1").model_dump_json()
    async with publishing(tmp_path, sample_broker.port, tls=tls, **login) as running:
        await running.journal.append(running.book.notes(5))
        await running.drained()
        assert running.publisher.outbox.held is None

        async def code(person: Person, topic: str, payload: str = "{}") -> int:
            found: list[int] = []
            await in_thread(lambda: found.append(person.publish(topic, payload)))
            return found[0]

        assert await code(reader, f"{BASE}/commands/press", command) == NOT_AUTHORISED
        for topic in ("status", "events", "replies", "commands/begin", "instruments/quantum", "tests/t/summary"):
            assert await code(reader, f"{BASE}/{topic}") == NOT_AUTHORISED
        for topic in ("status", "events", "replies", "tests/t/summary"):
            assert await code(operator, f"{BASE}/{topic}") == NOT_AUTHORISED
        assert await code(operator, "lampwarden/1/south-house/commands/press", command) == NOT_AUTHORISED
        assert running.bench.obeyed == []
        assert await code(operator, f"{BASE}/commands/press", command) < 0x80
        await running.until(lambda: len(running.bench.obeyed) == 1)
        await in_thread(lambda: wait_for(lambda: any(t == f"{BASE}/replies" for t, _ in operator.heard)))
        await in_thread(lambda: wait_for(lambda: sum("record_id" in b for _, b in reader.heard) == 5))
    reader.close()
    operator.close()


async def test_with_the_sample_rights_a_bench_cannot_speak_for_another(
    tmp_path: Path, authority: Authority, sample_broker: Mosquitto
) -> None:
    bench = Person(sample_broker, authority, f"bench-{BENCH}", topic=f"{BASE}/#")
    assert bench.publish("lampwarden/1/south-house/events") == NOT_AUTHORISED
    assert bench.publish("lampwarden/1/south-house/commands/press") == NOT_AUTHORISED
    assert bench.publish(f"{BASE}/events") < 0x80
    bench.close()


async def test_with_the_sample_configuration_nobody_comes_in_without_a_password(
    tmp_path: Path, authority: Authority, sample_broker: Mosquitto
) -> None:
    tls = tls_context(authority.certificate, None, None)
    for number, login in enumerate(
        ({}, {"username": "reader", "password": "wrong"}, {"username": "x", "password": "y"})
    ):
        async with publishing(tmp_path / str(number), sample_broker.port, tls=tls, **login) as running:
            await running.until(lambda running=running: running.publisher.state.trouble is not None)
            assert "refused" in str(running.publisher.state.trouble)
            assert running.publisher.state.connections == 0


async def test_the_sample_configuration_speaks_no_plain_text(tmp_path: Path, sample_broker: Mosquitto) -> None:
    async with publishing(tmp_path, sample_broker.port) as running:
        await running.until(lambda: running.publisher.state.trouble is not None)
        assert running.publisher.state.connections == 0


async def test_a_bench_without_rights_holds_its_records_and_says_so(
    tmp_path: Path, authority: Authority, sample_broker: Mosquitto
) -> None:
    """Logged in as a reader, the daemon may not write: nothing is skipped, and the reason is told."""
    tls = tls_context(authority.certificate, None, None)
    login = {"username": "reader", "password": PASSWORDS["reader"]}
    async with publishing(tmp_path, sample_broker.port, tls=tls, **login) as running:
        await running.journal.append(running.book.notes(2))
        await running.until(lambda: running.publisher.outbox.held is not None)
        assert "not authorised (87h; check the broker's access rules for this bench)" in str(
            running.publisher.outbox.held
        )
        assert running.journal.sent_through == 0
