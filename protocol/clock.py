"""The interface of bench time.

Bench time is what gates, procedure, lamp and simulators live in; the demo runs it faster, a campaign lets it jump.
Wire time (time-outs of links and of the broker) is real time and never comes from here.
"""

from datetime import datetime
from typing import Protocol


class Clock(Protocol):
    """Where bench time comes from."""

    @property
    def synchronised(self) -> bool:
        """Whether the system clock behind :meth:`utc` was synchronised when last looked at."""
        ...

    def utc(self) -> datetime:
        """Now, in UTC, time zone aware. May step; never used to time a gate."""
        ...

    def monotonic(self) -> float:
        """Bench seconds since an arbitrary origin; never goes back, never steps with the system clock."""
        ...

    async def sleep(self, seconds: float) -> None:
        """Wait for so many bench seconds, and never less; zero or less yields once to other tasks."""
        ...
