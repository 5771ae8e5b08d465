"""The clocks of a bench PC in virtual time: a system clock that is set and drifts, a machine that sleeps or boots anew.

:class:`MachineTime` is the daemon's own :class:`~lampwarden.daemon.clock.ScaledClock` on clocks that a test moves, as
Linux has them: ``CLOCK_BOOTTIME`` counts on in a suspend, the timers of asyncio (``CLOCK_MONOTONIC``) do not.
"""

import asyncio
from datetime import datetime, timedelta

from lampwarden.daemon.clock import ClockOrigin, ScaledClock
from lampwarden.daemon.lamp import shifted as lamp_shifted
from lampwarden.daemon.procedure.checkpoint import Checkpoint
from lampwarden.daemon.procedure.progress import shifted as progress_shifted


class MachineTime(ScaledClock):
    """Bench time of a PC; what goes wrong with its clocks is done by the methods."""

    def __init__(self, loop: asyncio.AbstractEventLoop, start_utc: datetime) -> None:
        super().__init__(ClockOrigin(0.0, start_utc, 1.0), machine=lambda: loop.time() + self.slept_s)
        self.slept_s = 0.0
        self._start_utc = start_utc
        self._set_s = 0.0
        self._rate = 0.0
        self._rate_since_s = 0.0
        self.is_synchronised = True

    @property
    def synchronised(self) -> bool:
        return self.is_synchronised

    def utc(self) -> datetime:
        return self._start_utc + timedelta(seconds=self.monotonic() + self._gained_s())

    def _gained_s(self) -> float:
        return self._set_s + self._rate * (self.monotonic() - self._rate_since_s)

    def suspended(self) -> float:
        return self.slept_s

    def set_by(self, seconds: float) -> None:
        """Somebody sets the system clock."""
        self._set_s += seconds

    def run_fast(self, rate: float) -> None:
        """From now on the system clock gains ``rate`` seconds a second."""
        self._set_s, self._rate, self._rate_since_s = self._gained_s(), rate, self.monotonic()

    def suspend(self, seconds: float) -> None:
        """The machine has slept for so long: its timers stood still, the world did not."""
        self.slept_s += seconds


EARLIER_BOOT = "0b1f6c9e-0000-4000-8000-000000000000"


def as_of_an_earlier_boot(stored: str, *, origin_s: float = 7_000_000.0, synchronised: bool = True) -> str:
    """A stored test as a daemon of another boot would have left it, ``origin_s`` into that boot's bench time."""
    found = Checkpoint.model_validate_json(stored)
    moved = found.model_copy(
        update={
            "boot": EARLIER_BOOT,
            "monotonic_s": found.monotonic_s + origin_s,
            "synchronised": synchronised,
            "progress": progress_shifted(found.progress, origin_s),
            "lamp": lamp_shifted(found.lamp, origin_s),
        }
    )
    return moved.model_dump_json()
