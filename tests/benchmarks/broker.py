"""Mosquitto for benchmarks, and the bare loop that the publisher is measured beside."""

import asyncio
import contextlib
import shutil
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

import aiomqtt
from lampwarden.daemon.mqtt.connection import WINDOW

MOSQUITTO = shutil.which("mosquitto", path="/usr/sbin:/usr/bin:/usr/local/sbin:/usr/local/bin")


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextlib.contextmanager
def mosquitto() -> Iterator[int]:
    """Run a Mosquitto that queues without bound and grants our whole window; yields its port."""
    assert MOSQUITTO is not None, "mosquitto is not installed"
    port = free_port()
    with tempfile.TemporaryDirectory(prefix="lampwarden-bench-") as name:
        config = Path(name) / "mosquitto.conf"
        config.write_text(
            f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\nlog_dest none\n"
            f"max_inflight_messages {WINDOW}\nmax_queued_messages 0\n",
            encoding="utf-8",
        )
        with subprocess.Popen([MOSQUITTO, "-c", str(config)], stderr=subprocess.DEVNULL) as process:
            try:
                _wait_for(port)
                yield port
            finally:
                process.terminate()
                process.wait(5)


def _wait_for(port: int) -> None:
    until = time.monotonic() + 10.0
    while time.monotonic() < until:
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 1.0):
            return
        time.sleep(0.02)  # noqa: TID251 - a benchmark waits in real time
    raise RuntimeError("mosquitto did not start")


async def bare_loop(port: int, messages: Sequence[tuple[str, str]]) -> float:
    """Seconds that plain aiomqtt takes for the same messages at QoS 1 with the same window; it has no journal."""
    slots = asyncio.Semaphore(WINDOW)
    async with aiomqtt.Client(
        "127.0.0.1",
        port,
        identifier="bare-loop",
        protocol=aiomqtt.ProtocolVersion.V5,
        max_inflight_messages=WINDOW,
        max_queued_outgoing_messages=0,
    ) as client:
        client.pending_calls_threshold = 10 * WINDOW  # else it logs that calls are pending, which is the point

        async def publish(topic: str, body: str) -> None:
            try:
                await client.publish(topic, body, qos=1)
            finally:
                slots.release()

        began = time.perf_counter()
        async with asyncio.TaskGroup() as group:
            for topic, body in messages:
                await slots.acquire()
                group.create_task(publish(topic, body))
        return time.perf_counter() - began
