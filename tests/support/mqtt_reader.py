"""An independent reader: paho-mqtt on its own thread, a session that outlives cuts, everything kept as it came."""

import json
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

PATIENCE_S = 60.0


@dataclass(frozen=True)
class Heard:
    """One message."""

    topic: str
    body: dict[str, Any]
    retain: bool
    dup: bool
    qos: int
    properties: dict[str, Any]
    at_s: float = 0.0
    """When it came, by ``time.monotonic()``."""


class Reader:
    """Subscribes to everything of all benches at QoS 1."""

    def __init__(
        self, port: int, *, name: str = "reader", topic: str = "lampwarden/1/#", version: int = paho.MQTTv5
    ) -> None:
        self.heard: list[Heard] = []
        self.ready = threading.Event()
        self.subscriptions = 0
        """How often the broker confirmed: a broker that was killed has forgotten, and must be asked again first."""
        self.newest: dict[str, Heard] = {}
        """The latest message of each topic."""
        self._topic = topic
        self._lock = threading.Lock()
        client = self.client = paho.Client(
            paho.CallbackAPIVersion.VERSION2,
            client_id=name,
            protocol=version,
            clean_session=None if version == paho.MQTTv5 else False,
        )
        client.on_connect = self._connected
        client.on_subscribe = self._subscribed
        client.on_message = self._message
        client.reconnect_delay_set(1, 2)
        if version == paho.MQTTv5:
            properties = Properties(PacketTypes.CONNECT)
            properties.SessionExpiryInterval = 3600
            client.connect("127.0.0.1", port, clean_start=False, properties=properties)
        else:
            client.connect("127.0.0.1", port)
        client.loop_start()
        assert self.ready.wait(PATIENCE_S)

    def _subscribed(self, *_: Any) -> None:
        self.subscriptions += 1
        self.ready.set()

    def _connected(self, client: paho.Client, *_: Any) -> None:
        client.subscribe(self._topic, qos=1)

    def _message(self, _client: paho.Client, _data: Any, message: paho.MQTTMessage) -> None:
        try:
            body = json.loads(message.payload)
        except ValueError:
            body = {}
        properties = message.properties.json() if message.properties is not None else {}
        heard = Heard(message.topic, body, message.retain, message.dup, message.qos, properties, time.monotonic())
        with self._lock:
            self.heard.append(heard)
        self.newest[message.topic] = heard

    def snapshot(self) -> list[Heard]:
        with self._lock:
            return list(self.heard)

    def records(self) -> list[Heard]:
        """Durable records as they came, repeats included."""
        return [h for h in self.snapshot() if "record_id" in h.body]

    def by_seq(self) -> dict[int, str]:
        """Record id by number; fails if a number came with two ids, which a stub alone may have."""
        found: dict[int, str] = {}
        for heard in self.records():
            seq, record_id = heard.body["seq"], heard.body["record_id"]
            assert found.setdefault(seq, record_id) == record_id, f"seq {seq} came as two records"
        return found

    def wait(self, what: "Callable[[Reader], bool]", text: str) -> None:
        until = time.monotonic() + PATIENCE_S
        while not what(self):
            assert time.monotonic() < until, f"waited in vain for {text}; heard {len(self.heard)}"
            time.sleep(0.02)  # noqa: TID251

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()
