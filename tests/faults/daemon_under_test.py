"""``lampwarden run`` with one thing added: its system clock can be set, by writing seconds into a file.

The machine's own clock is left alone: others live by it.
"""

import sys
from datetime import datetime, timedelta
from pathlib import Path

from lampwarden.daemon.cli.tools import finish, load
from lampwarden.daemon.clock import ScaledClock
from lampwarden.daemon.operations.logs import set_up
from lampwarden.daemon.operations.stop import run_until_signal
from lampwarden.daemon.service import Daemon, Opener, bench_clock
from lampwarden.drivers.registry import Registry


class SetClock(ScaledClock):
    """Bench time whose UTC is off by what a file says; its monotonic time is not."""

    def __init__(self, clock: ScaledClock, file: Path) -> None:
        super().__init__(clock.origin)
        self._file = file

    def utc(self) -> datetime:
        text = self._file.read_text().strip() if self._file.exists() else ""
        return super().utc() + timedelta(seconds=float(text or 0))


def main() -> None:
    config_path, offset_file = Path(sys.argv[1]), Path(sys.argv[2])
    set_up(as_json=True)
    config = load(config_path)
    clock = SetClock(bench_clock(config), offset_file)
    daemon = Daemon(config, Opener(Registry(config_path.parent)), clock)
    finish(run_until_signal(daemon.run, daemon))


if __name__ == "__main__":
    main()
