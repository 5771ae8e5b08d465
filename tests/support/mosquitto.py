"""A real Mosquitto on loopback, killed, paused and started again at will."""

import contextlib
import random
import signal
import socket
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from .peers import find, need

PORTS = (12_000, 32_000)
PATIENCE_S = 30.0
"""Longest wait for a broker to listen: generous, nothing is judged by it."""


def free_port() -> int:
    """A port that nobody listens on, below those that systems give to outgoing connections.

    Among those a client that tries a broker that is away may be given the very port, and then connects to itself.
    """
    while True:
        port = random.SystemRandom().randrange(*PORTS)  # one that no test seeds
        with contextlib.suppress(OSError), socket.socket() as probe:
            probe.bind(("127.0.0.1", port))
            return port


def listens(port: int) -> bool:
    with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 1.0):
        return True
    return False


@dataclass
class Mosquitto:
    """One broker with a folder of its own."""

    folder: Path
    port: int
    config: str
    program: str
    process: "subprocess.Popen[bytes] | None" = None
    ports: list[int] = field(default_factory=list)

    def start(self) -> None:
        path = self.folder / "mosquitto.conf"
        path.write_text(self.config)
        with (self.folder / "mosquitto.log").open("ab") as log:
            self.process = subprocess.Popen([self.program, "-c", str(path)], stdout=log, stderr=log)
        until = time.monotonic() + PATIENCE_S
        while not listens(self.port):
            assert self.process.poll() is None, self.log()
            assert time.monotonic() < until, self.log()
            time.sleep(0.02)  # noqa: TID251

    def kill(self) -> None:
        """SIGKILL; what it has not saved is gone."""
        self._end(signal.SIGKILL)

    def stop(self) -> None:
        """SIGTERM; it saves its store."""
        self._end(signal.SIGTERM)

    def _end(self, number: int) -> None:
        if self.process is not None:
            with contextlib.suppress(ProcessLookupError):
                self.process.send_signal(signal.SIGCONT)
            self.process.send_signal(number)
            self.process.wait(PATIENCE_S)
            self.process = None

    def pause(self) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGSTOP)

    def go_on(self) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGCONT)

    def forget(self) -> None:
        """Lose the store; the broker must not run."""
        assert self.process is None
        for path in self.folder.glob("*.db*"):
            path.unlink()

    def log(self) -> str:
        path = self.folder / "mosquitto.log"
        return path.read_text(errors="replace") if path.exists() else ""


def plain_config(folder: Path, port: int, *, more: str = "", listener: str = "") -> str:
    """Anonymous, persistent, on loopback."""
    return (
        f"listener {port} 127.0.0.1\n{listener}\nallow_anonymous true\npersistence true\n"
        f"persistence_location {folder}/\nuser root\nmax_queued_messages 0\n{more}\n"
    )


def program() -> str:
    return need("mosquitto", "mosquitto")


def found() -> str | None:
    return find("mosquitto")


@contextlib.contextmanager
def mosquitto(folder: Path, *, more: str = "", listener: str = "", config: str | None = None) -> Iterator[Mosquitto]:
    """A broker that runs as long as the block lasts."""
    folder.mkdir(parents=True, exist_ok=True)
    port = free_port()
    text = (
        config.format(port=port, folder=folder) if config else plain_config(folder, port, more=more, listener=listener)
    )
    broker = Mosquitto(folder, port, text, program())
    broker.start()
    try:
        yield broker
    finally:
        broker.kill()


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with mosquitto(tmp_path / "broker") as running:
        yield running
