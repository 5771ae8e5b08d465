"""How well the daemon keeps time: real clock, real ports, real broker, one spot after the other.

The bench's lamp is warm at once and its operator is always there; gates are as short as the wires allow. All times are
CLOCK_MONOTONIC of this machine: the records carry the daemon's, a listener of ours notes when each record arrived.
"""

import json
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from served import HURRIED, serving
from table import Row, median, ms, quantile


class Listener:
    """Notes everything that any bench publishes, and when it came; its own thread, so nothing waits for us."""

    def __init__(self, port: int) -> None:
        self.messages: list[tuple[float, str, dict[str, Any]]] = []
        self._news = threading.Condition()
        self._client = paho.Client(CallbackAPIVersion.VERSION2, client_id="benchmark-listener", protocol=paho.MQTTv5)
        self._client.on_message = self._take
        self._client.connect("127.0.0.1", port)
        self._client.subscribe("lampwarden/1/#", qos=1)
        self._client.loop_start()

    def _take(self, _client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        now_s = time.monotonic()
        if message.retain:
            return  # told before we came
        body = json.loads(message.payload)
        with self._news:
            self.messages.append((now_s, message.topic, body))
            self._news.notify_all()

    def wait_for(self, found: Any, timeout_s: float) -> bool:
        """Wait until a message fits; False if none does in time."""
        seen = 0
        until_s = time.monotonic() + timeout_s
        while True:
            with self._news:
                if any(found(topic, body) for _, topic, body in self.messages[seen:]):
                    return True
                seen = len(self.messages)
                left_s = until_s - time.monotonic()
                if left_s <= 0 or not self._news.wait_for(lambda seen=seen: len(self.messages) > seen, left_s):
                    return False

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@contextmanager
def daemons(configs: list[str], *, log: int | Any = subprocess.DEVNULL) -> Iterator[list[subprocess.Popen[bytes]]]:
    """Run ``lampwarden run`` for each configuration."""
    running = [
        subprocess.Popen(
            [sys.executable, "-m", "lampwarden.daemon.cli", "run", "--config", config], stdout=log, stderr=log
        )
        for config in configs
    ]
    try:
        yield running
    finally:
        for process in running:
            process.terminate()
        for process in running:
            try:
                process.wait(10)
            except subprocess.TimeoutExpired:
                process.kill()


def finished(topic: str, _body: dict[str, Any]) -> bool:
    return topic.endswith("/summary")


def rows(port: int, *, short: bool) -> list[Row]:
    """Read a grid of spots and look at each reading's times."""
    columns, lines = (2, 2) if short else (12, 10)
    settings = {"broker_port": port, "columns": columns, "rows": lines, "procedure": HURRIED}
    listener = Listener(port)
    try:
        with (
            serving("benches", **settings) as served,
            tempfile.TemporaryFile() as log,
            daemons(served["configs"], log=log),
        ):
            if not listener.wait_for(finished, 90.0 if short else 900.0):
                log.seek(0)
                raise RuntimeError(f"the test did not end: {log.read().decode()[-2000:]}")
    finally:
        listener.close()
    origin_s = served["origins"][0]
    return judge(listener.messages, origin_s)


def judge(messages: list[tuple[float, str, dict[str, Any]]], origin_s: float) -> list[Row]:
    late, beyond, held = [], [], 0
    for came_s, topic, body in messages:
        if "/spots/" not in topic or body["leg"] != "spot" or not body["undisturbed"]:
            continue
        settle = next(gate for gate in body["gates"] if gate["gate"] == "settle")
        due_s = body["pressed_monotonic_s"] + settle["minimum_s"]
        opened_s = body["window_opened_monotonic_s"]
        if any(other["gate"] == "settle" and other["waited_s"] > other["minimum_s"] + 0.25 for other in body["gates"]):
            held += 1  # the signal was not steady yet: the gate opened later than its minimum
            late.append(opened_s - (body["pressed_monotonic_s"] + settle["waited_s"]))
        else:
            late.append(opened_s - due_s)
        # Every reading owes its window; what is beyond settle and window is the daemon's.
        beyond.append(came_s - origin_s - opened_s - HURRIED["window_s"] + late[-1])
    n = len(late)
    early = sum(value < 0 for value in late)
    return [
        Row(
            "settle gate",
            "settle gate: how late a reading starts after its gate opens, p99",
            1000.0 * quantile(late, 0.99),
            "ms",
            5.0,
            False,
            f"median {ms(median(late))}, longest {ms(max(late))}, earliest {ms(min(late))}; held by drift: {held}",
            n,
            never=f"{early} readings early" if early else "",
        ),
        Row(
            "spot",
            "one spot: time beyond settle + window until durable, announced and published, median",
            1000.0 * median(beyond),
            "ms",
            50.0,
            False,
            f"median {ms(median(beyond))}, longest {ms(max(beyond))}",
            n,
        ),
        Row(
            "spot p99",
            "the same, p99",
            1000.0 * quantile(beyond, 0.99),
            "ms",
            150.0,
            False,
            f"shortest {ms(min(beyond))}",
            n,
        ),
    ]
