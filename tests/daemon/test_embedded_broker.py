"""The embedded broker towards clients that are not ours: another MQTT, none at all, readers of retained messages."""

import contextlib
import logging
import queue
import socket
import struct
import subprocess
from collections.abc import Iterator

import paho.mqtt.client as paho
import pytest
from lampwarden.daemon.mqtt.broker import EmbeddedBroker
from paho.mqtt.enums import CallbackAPIVersion

from ..support.mosquitto import free_port
from ..support.peers import need

PATIENCE_S = 30.0
"""Generous; nothing is judged by it."""

CONNECT_311 = bytes.fromhex("100d 0004 4d515454 04 02 003c 0001 61")
"""MQTT 3.1.1, 3.1: clean session, keep-alive 60 s, client identifier "a"."""
CONNECT_5 = bytes.fromhex("100e 0004 4d515454 05 02 003c 00 0001 61")
"""MQTT 5.0, 3.1: the same, without properties."""
CONNECT_31 = bytes.fromhex("100f 0006 4d5149736470 03 02 003c 0001 61")
"""MQTT 3.1, 3.1: protocol name MQIsdp, version 3."""


def answer(port: int, sent: bytes) -> bytes:
    """What the broker says to these bytes until it closes; it must, within patience, though we do not."""
    heard = bytearray()
    with socket.create_connection(("127.0.0.1", port), PATIENCE_S) as client:
        client.sendall(sent)
        with contextlib.suppress(ConnectionResetError):
            while part := client.recv(100):
                heard += part
    return bytes(heard)


def serves(port: int) -> bool:
    """Whether it lets in a client with MQTT 3.1.1."""
    with socket.create_connection(("127.0.0.1", port), PATIENCE_S) as client:
        client.sendall(CONNECT_311)
        return client.recv(4) == b"\x20\x02\x00\x00"  # MQTT 3.1.1, 3.2: accepted


@pytest.mark.parametrize(
    ("sent", "wanted", "version"),
    [
        (CONNECT_5, "20 03 00 84 00", "MQTT 5"),  # MQTT 5.0, 3.2.2.2: 84h unsupported protocol version; no properties
        (CONNECT_31, "20 02 00 01", "MQTT 3.1"),  # MQTT 3.1.1, 3.2.2.3: 1 unacceptable protocol version
    ],
)
def test_a_client_with_another_mqtt_is_refused_at_once_and_one_line_says_so(
    sent: bytes, wanted: str, version: str, caplog: pytest.LogCaptureFixture
) -> None:
    port = free_port()
    with EmbeddedBroker(port):
        assert answer(port, sent) == bytes.fromhex(wanted)
    [line] = caplog.records
    assert line.levelno == logging.WARNING
    assert f"a client with {version} was refused" in line.getMessage()
    assert line.exc_info is None


def test_mosquitto_sub_with_mqtt_5_is_told_why_it_is_refused() -> None:
    program = need("mosquitto_sub", "mosquitto-clients")
    port = free_port()
    with EmbeddedBroker(port):
        told = subprocess.run(
            [program, "-V", "5", "-h", "127.0.0.1", "-p", str(port), "-t", "x"],
            capture_output=True,
            text=True,
            timeout=PATIENCE_S,
            check=False,
        )
    assert told.returncode != 0
    assert "unsupported protocol version" in told.stderr.lower()


@pytest.mark.parametrize(
    "sent",
    [
        b"GET / HTTP/1.1\r\n\r\n",
        bytes(30),
        b"\xff" * 20,
        b"\x10\xff\xff\xff\xff\xff",  # MQTT 3.1.1, 2.2.3: a length has four bytes at most
        bytes.fromhex("100c 0004 ffffffff 04 02 003c 0000"),  # a protocol name that is not UTF-8
        bytes.fromhex("100d 0004 4d515454 04 03 003c 0001 61"),  # MQTT-3.1.2-3: the reserved flag set
        bytes.fromhex("1010 0004 4d515454 04 42 003c 0001 61 0001 62"),  # MQTT-3.1.2-22: a password without a user name
    ],
)
@pytest.mark.parametrize("leaves", ["waits", "resets"])
def test_whatever_a_client_sends_the_connection_is_closed_and_no_traceback_logged(
    sent: bytes, leaves: str, caplog: pytest.LogCaptureFixture
) -> None:
    """More often than the broker has room for clients, so that no place is lost either."""
    port = free_port()
    with EmbeddedBroker(port):
        for _ in range(60):
            if leaves == "waits":
                answer(port, sent)
            else:
                with socket.create_connection(("127.0.0.1", port), PATIENCE_S) as client:
                    client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
                    client.sendall(sent)
        assert serves(port)
    assert not [line.getMessage() for line in caplog.records if line.exc_info or line.levelno > logging.WARNING]


class Reader:
    """A client with MQTT 3.1.1 and a queue of what it got: topic and whether as retained."""

    def __init__(self, port: int, name: str) -> None:
        self.got: queue.Queue[tuple[str, bool]] = queue.Queue()
        self.acknowledged: queue.Queue[int] = queue.Queue()
        self.connected: queue.Queue[bool] = queue.Queue()
        self.client = paho.Client(CallbackAPIVersion.VERSION2, client_id=name, clean_session=name != "kept")
        self.client.on_connect = lambda *_: self.connected.put(True)
        self.client.on_subscribe = lambda _c, _u, mid, *_: self.acknowledged.put(mid)
        self.client.on_message = lambda _c, _u, message: self.got.put((message.topic, message.retain))
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        assert self.connected.get(timeout=PATIENCE_S)

    def retain(self, *topics: str) -> None:
        for topic in topics:
            self.client.publish(topic, b"x", qos=1, retain=True).wait_for_publish(PATIENCE_S)

    def subscribe(self, topic: str) -> None:
        self.client.subscribe(topic, qos=1)
        self.acknowledged.get(timeout=PATIENCE_S)

    def until(self, last: str) -> list[tuple[str, bool]]:
        """All that it got up to the message that is known to come last."""
        heard = []
        while (one := self.got.get(timeout=PATIENCE_S))[0] != last:
            heard.append(one)
        return heard

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture
def bench() -> Iterator[tuple[int, Reader]]:
    """A broker with retained messages and a reader that subscribes to all, as the bench's own readers do."""
    port = free_port()
    with EmbeddedBroker(port):
        writer = Reader(port, "writer")
        writer.subscribe("bench/#")
        writer.retain("bench/status", "bench/instruments/meter")
        yield port, writer
        writer.close()


def test_a_client_gets_only_the_retained_messages_of_its_own_subscription_and_once(bench: tuple[int, Reader]) -> None:
    """MQTT 3.1.1, 3.3.1.3: sent when a subscription is established; amqtt sends those of all clients' filters too."""
    port, writer = bench
    reader = Reader(port, "reader")
    reader.subscribe("nothing/here")
    reader.subscribe("bench/status")
    reader.subscribe("end")
    writer.retain("end")
    assert reader.until("end") == [("bench/status", True)]
    reader.close()


def test_a_client_that_comes_back_to_its_session_gets_no_retained_message_anew(bench: tuple[int, Reader]) -> None:
    """MQTT 3.1.1, 3.8.4: they come with a SUBSCRIBE, and the session had its own."""
    port, writer = bench
    first = Reader(port, "kept")
    first.subscribe("bench/status")
    first.subscribe("end")
    first.close()
    again = Reader(port, "kept")
    writer.retain("end")
    assert again.until("end") == []
    again.subscribe("bench/status")
    assert again.got.get(timeout=PATIENCE_S) == ("bench/status", True)
    again.close()


def test_a_broker_that_stops_with_a_client_logs_no_traceback(caplog: pytest.LogCaptureFixture) -> None:
    """The client has said nothing yet, which is where the stop finds its connection."""
    port = free_port()
    with contextlib.ExitStack() as stays, EmbeddedBroker(port):
        stays.enter_context(socket.create_connection(("127.0.0.1", port), PATIENCE_S))
        assert serves(port)  # a later client is served: the first one's connection is open by then
    assert not [line.getMessage() for line in caplog.records if line.exc_info or line.levelno > logging.WARNING]


@pytest.mark.parametrize("said", [b"", CONNECT_311[:1], CONNECT_311[:6], CONNECT_311[:-1]])
def test_a_client_that_does_not_introduce_itself_is_let_go(said: bytes, caplog: pytest.LogCaptureFixture) -> None:
    """MQTT 3.1.1, 3.1: a server should close where no CONNECT comes within a reasonable amount of time."""
    port = free_port()
    with EmbeddedBroker(port, connect_bound_s=0.2):
        assert answer(port, said) == b""
        assert serves(port)
    [line] = caplog.records
    assert "did not introduce itself within 0.2 s" in line.getMessage()
    assert line.exc_info is None


def test_silent_clients_keep_nobody_out_for_longer_than_they_may_be_silent() -> None:
    port = free_port()
    with EmbeddedBroker(port, places=3, connect_bound_s=0.5), contextlib.ExitStack() as stack:
        silent = [stack.enter_context(socket.create_connection(("127.0.0.1", port), PATIENCE_S)) for _ in range(3)]
        for client in silent:
            assert client.recv(1) == b"", "let go of"
        assert serves(port)


def test_who_finds_all_places_taken_is_turned_away_and_let_in_when_there_is_room(
    caplog: pytest.LogCaptureFixture,
) -> None:
    port = free_port()
    with EmbeddedBroker(port, places=1, connect_bound_s=0.2):
        with socket.create_connection(("127.0.0.1", port), PATIENCE_S) as first:
            first.sendall(CONNECT_311)
            assert first.recv(4) == b"\x20\x02\x00\x00"
            assert answer(port, b"") == answer(port, b"") == b""
            assert [line.getMessage() for line in caplog.records] == [
                "embedded broker: a client was turned away, all 1 places are taken"
            ]
            first.sendall(b"\xe0\x00")  # MQTT 3.1.1, 3.14: DISCONNECT
            assert first.recv(1) == b""
        assert serves(port)


def test_more_clients_than_may_wait_are_turned_away_at_once() -> None:
    port = free_port()
    with EmbeddedBroker(port, places=1, connect_bound_s=10 * PATIENCE_S), contextlib.ExitStack() as stack:
        for _ in range(2):
            stack.enter_context(socket.create_connection(("127.0.0.1", port), PATIENCE_S))
        assert answer(port, b"") == b"", "the first is heard, the second waits, the third is not"
