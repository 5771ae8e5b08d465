"""Bench time for ports under test: real time, many times faster, so that no test waits for an exposure."""

import time


class FastTime:
    """Bench time that runs ``speed`` times as fast as the machine's and starts at ``begin_s``."""

    def __init__(self, speed: float = 50.0, begin_s: float = 0.0) -> None:
        self.speed = speed
        self._begin_s = begin_s
        self._zero_s = time.monotonic()

    def monotonic(self) -> float:
        return self._begin_s + (time.monotonic() - self._zero_s) * self.speed
