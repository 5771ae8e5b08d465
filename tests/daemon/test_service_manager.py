"""What systemd sees: readiness, the watchdog, the way out; and a unit that systemd itself accepts."""

import asyncio
import re
import socket
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from lampwarden.daemon.operations import notify
from lampwarden.daemon.operations.deployment_files import Places, sample
from lampwarden.daemon.operations.notify import Notifier
from support.peers import need
from support.publishing import in_thread

LOWEST_EXPOSURE = 2.5
"""Of ``systemd-analyze security``, 0 to 10; "OK" begins below 5. Ours is 2.0 with systemd 252."""


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[tuple[socket.socket, str]]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as made:
        path = str(tmp_path / "notify")
        made.bind(path)
        made.settimeout(30)
        yield made, path


@pytest.mark.parametrize("alive", [True, False])
async def test_the_watchdog_is_fed_only_while_the_bench_is_alive(
    manager: tuple[socket.socket, str], alive: bool
) -> None:
    """sd_notify(3), sd_watchdog_enabled(3)."""
    listening, path = manager
    notifier = Notifier({"NOTIFY_SOCKET": path, "WATCHDOG_USEC": "90000"})
    task = asyncio.get_running_loop().create_task(notifier.keep_telling(lambda: alive, lambda: "idle"))
    heard: list[bytes] = []
    for _ in range(4):
        await in_thread(lambda: heard.append(listening.recv(4096)))
    task.cancel()
    await asyncio.wait({task})
    while b"STOPPING=1" not in heard[-1]:
        await in_thread(lambda: heard.append(listening.recv(4096)))
    assert heard[0].split(b"\n") == [b"READY=1", b"STATUS=idle"]
    assert any(b"WATCHDOG=1" in message for message in heard) is alive


async def test_what_the_bench_does_is_told_long_before_the_watchdog_is_due(
    manager: tuple[socket.socket, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A bench is ready before its broker has it: the first word must not stand until the next ping."""
    monkeypatch.setattr(notify, "STATUS_EVERY_S", 0.02)
    listening, path = manager
    notifier = Notifier({"NOTIFY_SOCKET": path, "WATCHDOG_USEC": "3600000000"})
    words = iter(["idle; no broker"])
    task = asyncio.get_running_loop().create_task(notifier.keep_telling(lambda: True, lambda: next(words, "idle")))
    heard: list[bytes] = []
    for _ in range(2):
        await in_thread(lambda: heard.append(listening.recv(4096)))
    task.cancel()
    await asyncio.wait({task})
    assert heard[0] == b"READY=1\nSTATUS=idle; no broker"
    assert b"STATUS=idle" in heard[1].split(b"\n")


async def test_an_abstract_socket_is_told_too() -> None:
    """A leading @ (sd_notify(3)), as systemd in a container uses it."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind("\0lampwarden-test-notify")
        listening.settimeout(30)
        Notifier({"NOTIFY_SOCKET": "@lampwarden-test-notify"}).send(READY="1", STATUS="a\nb")
        assert listening.recv(100) == b"READY=1\nSTATUS=a b"


@pytest.mark.parametrize(
    "environ",
    [
        {"NOTIFY_SOCKET": "/x", "WATCHDOG_USEC": "1000000", "WATCHDOG_PID": "1"},
        {"NOTIFY_SOCKET": "/x", "WATCHDOG_USEC": "soon"},
        {"NOTIFY_SOCKET": "/x"},
    ],
)
async def test_the_watchdog_of_another_process_is_not_fed(environ: dict[str, str]) -> None:
    assert Notifier(environ).watchdog_s is None


def test_a_manager_that_is_gone_stops_nobody(tmp_path: Path) -> None:
    Notifier({"NOTIFY_SOCKET": str(tmp_path / "nobody")}).send(READY="1")


async def test_without_a_manager_nothing_is_told() -> None:
    await Notifier({}).keep_telling(lambda: True, lambda: "idle")


class TestUnit:
    @pytest.fixture
    def unit(self, tmp_path: Path) -> Path:
        path = tmp_path / "lampwarden.service"
        path.write_text(sample("lampwarden.service", Places("north-house", executable="/bin/true")))
        return path

    def test_systemd_accepts_it_without_a_word(self, unit: Path) -> None:
        done = subprocess.run(
            [need("systemd-analyze", "systemd"), "verify", str(unit)], capture_output=True, check=False
        )
        assert (done.returncode, done.stdout, done.stderr) == (0, b"", b"")

    def test_systemd_would_notice_a_wrong_line(self, unit: Path) -> None:
        """Or the test above would prove nothing."""
        unit.write_text(unit.read_text().replace("ProtectSystem=strict", "ProtectSystem=perhaps"))
        done = subprocess.run(
            [need("systemd-analyze", "systemd"), "verify", str(unit)], capture_output=True, check=False
        )
        assert b"Failed to parse protect system value" in done.stderr

    def test_it_exposes_little_by_systemds_own_measure(self, unit: Path) -> None:
        analyze = need("systemd-analyze", "systemd")
        words = [analyze, "security", "--offline=true", "--no-pager", f"--threshold={int(LOWEST_EXPOSURE * 10)}"]
        done = subprocess.run([*words, str(unit)], capture_output=True, text=True, check=False)
        found = re.search(r"Overall exposure level for \S+: ([\d.]+)", done.stdout)
        assert found is not None, done.stderr
        assert float(found[1]) <= LOWEST_EXPOSURE
        assert done.returncode == 0

    def test_it_is_told_watched_not_root_and_stopped_in_time(self, unit: Path) -> None:
        lines = dict(line.split("=", 1) for line in unit.read_text().splitlines() if "=" in line and line[0] != "#")
        assert (lines["Type"], lines["User"], lines["NoNewPrivileges"]) == ("notify", "lampwarden", "yes")
        assert int(lines["WatchdogSec"]) > 0
        assert (lines["CapabilityBoundingSet"], lines["AmbientCapabilities"]) == ("", "")
        assert lines["RestartPreventExitStatus"] == "2", "wrong configuration is not mended by trying again"
