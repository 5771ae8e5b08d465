"""Virtual time beside a real world: sockets, files and threads are real, and time waits for them.

As in :class:`lampwarden.daemon.clock.VirtualLoop`, time jumps to the next timer when nothing is ready; but not while
something real is under way: work on a thread, a message that a broker has not acknowledged, a connection that is being
made. So a daemon can live through weeks with a real Mosquitto, each of whose answers takes no bench time at all, and
what time does to it is the same in every run.
"""

import asyncio
import selectors
import threading
import time
from collections.abc import Callable, Coroutine
from concurrent.futures import Executor
from typing import Any, TypeVar

T = TypeVar("T")

LOOK_REAL_S = 0.02
PATIENCE_REAL_S = 60.0
"""Longest wait for anything real: generous, nothing is judged by it."""
OWN_THREADS = frozenset({"archiver", "broker connect", "journal start", "parquet"})
"""Threads of the daemon that post a result to the loop."""


class _WaitingSelector(selectors.DefaultSelector):
    """Jumps instead of waiting, unless something real is under way."""

    def __init__(self, busy: Callable[[], bool]) -> None:
        super().__init__()
        self.now_s = 0.0
        self._busy = busy
        self._waiting_since: float | None = None

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        # Asked before looking for events: what a thread has posted before it ended is then among them.
        busy = timeout is None or (timeout > 0 and self._busy())
        events = super().select(0)
        if events or timeout == 0:
            self._waiting_since = None
            return events
        if timeout is None or busy:
            real_s = time.monotonic()
            if self._waiting_since is None:
                self._waiting_since = real_s
            assert real_s - self._waiting_since < PATIENCE_REAL_S, "something real is under way and does not end"
            events = super().select(LOOK_REAL_S)
            if events:
                self._waiting_since = None
            return events
        self._waiting_since = None
        self.now_s += timeout
        return []


class WorldLoop(asyncio.SelectorEventLoop):
    """An event loop in virtual time that serves real sockets and threads."""

    def __init__(self) -> None:
        self._jobs = 0
        self.under_way: list[Callable[[], bool]] = []
        """What else time must wait for."""
        self._waiting = _WaitingSelector(self._busy)
        super().__init__(self._waiting)
        self._clock_resolution = 1e-9  # as in VirtualLoop

    def time(self) -> float:
        """Virtual seconds since the loop was made."""
        return self._waiting.now_s

    def run_in_executor(self, executor: Executor | None, func: Callable[..., Any], *args: Any) -> Any:
        """Time waits for the work."""
        self._jobs += 1
        future = super().run_in_executor(executor, func, *args)
        future.add_done_callback(self._done)
        return future

    def _done(self, _: Any) -> None:
        self._jobs -= 1

    def _busy(self) -> bool:
        if self._jobs > 0 or any(each() for each in self.under_way):
            return True
        return threading.active_count() > 2 and any(t.name in OWN_THREADS for t in threading.enumerate())


def run_in_world(main: Callable[[WorldLoop], Coroutine[Any, Any, T]]) -> T:
    """Run a coroutine function to its end."""
    loops: list[WorldLoop] = []

    def make() -> WorldLoop:
        loops.append(WorldLoop())
        return loops[-1]

    with asyncio.Runner(loop_factory=make) as runner:
        runner.get_loop()
        return runner.run(main(loops[-1]))
