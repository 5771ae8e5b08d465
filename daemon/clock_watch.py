"""Watches the clocks: steps and drift of the system clock, and times in which the machine slept. Says so in records.

None of this touches a gate: bench time is ``CLOCK_BOOTTIME``, which nobody can set. What changes is what the records'
``time`` is worth, and whether a lamp was watched throughout.
"""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Final

LOOK_EVERY_S: Final = 5.0
"""Real seconds between two looks."""
STEP_S: Final = 0.25
"""A slewed clock gains at most 500 ppm (adjtimex(2)): 2.5 ms between two looks. A hundred times that is a step."""
DRIFT_S: Final = 1.0
"""What a slewed clock may gain on ours, all in all, before the records say so."""
SUSPEND_S: Final = 1.0
"""Below this it is the clocks' own grain, not a sleeping machine."""


class ClockEvent(StrEnum):
    """What happened to a clock; the names of the event records."""

    STEPPED = "clock_stepped"
    DRIFTED = "clock_drifted"
    RESUMED = "resumed_from_suspend"


@dataclass(frozen=True, slots=True)
class ClockChange:
    """One thing that happened, and by how many seconds."""

    event: ClockEvent
    by_s: float

    @property
    def text(self) -> str:
        """As a technician would write it."""
        match self.event:
            case ClockEvent.STEPPED:
                return f"the system clock was set by {self.by_s:+.1f} s; gates are not affected"
            case ClockEvent.DRIFTED:
                return f"the system clock has run away by {self.by_s:+.1f} s; gates are not affected"
            case ClockEvent.RESUMED:
                return f"the computer was suspended for {self.by_s:.0f} s"


class ClockWatch:
    """Compares the clocks with what they showed at the last look. Pure: it is told the times."""

    def __init__(self, utc: datetime, monotonic_s: float, suspended_s: float) -> None:
        """Begin from what the clocks show now; arguments as of :meth:`look`."""
        self._suspended_s = suspended_s
        self._offset_s = self._reference_s = utc.timestamp() - monotonic_s

    def look(self, utc: datetime, monotonic_s: float, suspended_s: float) -> list[ClockChange]:
        """Take in what the clocks show.

        Args:
            utc: Of the bench's clock, which follows the system's.
            monotonic_s: Of the bench's clock, which nobody can set.
            suspended_s: That the machine has slept since its boot.
        """
        changes: list[ClockChange] = []
        slept_s = suspended_s - self._suspended_s
        if slept_s > SUSPEND_S:
            changes.append(ClockChange(ClockEvent.RESUMED, slept_s))
        self._suspended_s = suspended_s
        offset_s = utc.timestamp() - monotonic_s
        step_s = offset_s - self._offset_s
        self._offset_s = offset_s
        if abs(step_s) > STEP_S:
            changes.append(ClockChange(ClockEvent.STEPPED, step_s))
            self._reference_s += step_s
        elif abs(offset_s - self._reference_s) > DRIFT_S:
            changes.append(ClockChange(ClockEvent.DRIFTED, offset_s - self._reference_s))
            self._reference_s = offset_s
        return changes
