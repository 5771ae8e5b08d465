"""A simulated bench with a daemon of its own process, and hands that do what only hands can do.

The bench is served by this process on real pseudo-terminals and a virtual USB bus; the daemon is ``lampwarden run`` as
a user starts it, so it can be killed and started again. Nobody presses: that is the panel's part.
"""

import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from lampwarden.daemon.simulated.simulate import Simulation, served_bench
from lampwarden.simulators.field import GridPlan
from lampwarden.simulators.scenario import Scenario

PATIENCE_S = 60.0
"""Longest wait for anything: generous, as the machine may be busy; nothing is judged by how long it took."""
SPEED = 60.0
GRID = GridPlan(columns=3, rows=2, reference="B1")
PROCEDURE = {"warm_up_minimum_s": 600.0, "warm_up_span_s": 120.0, "settle_minimum_s": 20.0, "window_s": 8.0}


@dataclass
class PanelBench:
    """What a test may touch."""

    served: Simulation
    folder: Path
    daemon: "subprocess.Popen[str] | None" = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.served.config.panel.port}/"

    def start(self) -> None:
        """Start the daemon and wait until its panel answers."""
        log = (self.folder / "daemon.log").open("a", encoding="utf-8")
        command = [sys.executable, "-m", "lampwarden.daemon.cli", "run", "--config", str(self.served.config_path)]
        with log:
            self.daemon = subprocess.Popen(command, stdout=log, stderr=log, text=True)
        wait_for(self._answers, "the daemon's panel to answer")

    def _answers(self) -> bool:
        assert self.daemon is not None
        assert self.daemon.poll() is None, (self.folder / "daemon.log").read_text()
        try:
            return bool(get(self.url))
        except urllib.error.URLError:
            return False

    def kill(self) -> None:
        """SIGKILL: the daemon says no goodbye."""
        assert self.daemon is not None
        self.daemon.kill()
        self.daemon.wait()
        self.daemon = None

    def stop(self) -> None:
        if self.daemon is not None:
            self.daemon.terminate()
            self.daemon.wait(PATIENCE_S)
            self.daemon = None

    # What only hands can do.

    def strike(self) -> None:
        self.served.bench.strike(self.served.clock.monotonic())

    def switch_off(self) -> None:
        self.served.bench.switch_off(self.served.clock.monotonic())

    def carry(self, where: str) -> None:
        self.served.bench.place_sensor(where, self.served.clock.monotonic())


@contextmanager
def panel_bench(folder: Path, *, scenario: Scenario | None = None, **extra: Any) -> Iterator[PanelBench]:
    """Serve a bench and run its daemon.

    Args:
        folder: Gets all files.
        scenario: What is simulated; the demonstration's bench on a small grid when left out.
        extra: Further tables of ``bench.toml``, or keys for tables that are there.
    """
    plan = scenario or replace(Scenario.demo(), grid=GRID, sags=(), disturbances=())
    tables = {"procedure": dict(PROCEDURE), **extra}
    with served_bench(plan, 1, folder=folder, speed=SPEED, extra=tables) as served:
        bench = PanelBench(served, folder)
        bench.start()
        try:
            yield bench
        finally:
            bench.stop()


def get(url: str) -> str:
    """A page of the panel."""
    with urllib.request.urlopen(url, timeout=30) as response:  # noqa: S310 - the panel's own address
        return str(response.read().decode())


def wait_for(is_true: Callable[[], object], what: str, patience_s: float = PATIENCE_S) -> None:
    """Look again and again until something is true."""
    until = time.monotonic() + patience_s
    while not is_true():
        assert time.monotonic() < until, f"waited in vain for {what}"
        time.sleep(0.05)  # noqa: TID251 - a browser and a process of its own are waited for
