"""What the instruments said lately: bounded series in bench time, written by workers, read by gates and windows."""

from collections import deque
from typing import Final, Generic, NamedTuple, TypeVar

from ..drivers.roles import AirSample, SupplySample

T = TypeVar("T")

KEPT: Final = 8192
"""Samples kept in a series: more than two hours at one a second, which covers the longest look-back of any gate."""


class Timed(NamedTuple, Generic[T]):
    """A sample and the exchange that brought it; when within the exchange the instrument measured is its secret.

    A tuple, for one is made at every poll.

    Attributes:
        time_s: Bench time at the middle of the exchange, the likeliest.
        sample: What was read.
        began_s: The sample is not older than this.
        ended_s: The sample is not newer than this.
    """

    time_s: float
    sample: T
    began_s: float
    ended_s: float

    @classmethod
    def over(cls, began_s: float, ended_s: float, sample: T) -> "Timed[T]":
        """Of an exchange from ``began_s`` to ``ended_s``."""
        return cls((began_s + ended_s) / 2.0, sample, began_s, ended_s)


class Series(Generic[T]):
    """Samples in the order of their times."""

    def __init__(self) -> None:
        self._samples: deque[Timed[T]] = deque(maxlen=KEPT)

    def add(self, timed: Timed[T]) -> None:
        """Take in a sample that is not older than the latest."""
        self._samples.append(timed)

    def latest(self) -> Timed[T] | None:
        """The newest sample, or None."""
        return self._samples[-1] if self._samples else None

    def fresh(self, now_s: float, max_age_s: float) -> T | None:
        """The newest sample, unless it is older than ``max_age_s``."""
        last = self.latest()
        return last.sample if last is not None and now_s - last.time_s <= max_age_s else None

    def between(self, from_s: float, to_s: float) -> list[Timed[T]]:
        """All samples with ``from_s <= time <= to_s``, oldest first; costs what is newer than ``from_s``."""
        found: list[Timed[T]] = []
        for timed in reversed(self._samples):
            if timed.time_s < from_s:
                break
            if timed.time_s <= to_s:
                found.append(timed)
        found.reverse()
        return found

    def ended_after(self, time_s: float) -> list[Timed[T]]:
        """All samples that came in after that time, oldest first: asked again and again, each is among them once."""
        found: list[Timed[T]] = []
        for timed in reversed(self._samples):
            if timed.ended_s <= time_s:
                break
            found.append(timed)
        found.reverse()
        return found

    def within(self, from_s: float, to_s: float) -> list[Timed[T]]:
        """The samples whose whole exchange lies between the times: what a window may count, for none can be early."""
        return [timed for timed in self.between(from_s, to_s) if timed.began_s >= from_s and timed.ended_s <= to_s]

    def clear(self) -> None:
        """Forget all."""
        self._samples.clear()


class Readings:
    """One series for each thing that is polled. Light is in µmol m⁻² s⁻¹, the calibration factor applied."""

    def __init__(self) -> None:
        self.light: Series[float] = Series()
        self.supply: Series[SupplySample] = Series()
        self.inside: Series[AirSample] = Series()
        self.outside: Series[AirSample] = Series()
