"""Bench time: real, faster, or virtual. The only module that reads the machine's clocks.

*Real and faster.* :class:`ScaledClock` maps ``CLOCK_BOOTTIME`` to bench time with an origin and a speed. The origin is
shared through ``bench.toml``, so a simulated bench in a process of its own lives in the same time; and since
``CLOCK_BOOTTIME`` is one for the whole machine until it is booted again, a daemon that is killed and started again
finds its lamp's age where it left it.

*Virtual.* :class:`VirtualLoop` is an event loop whose time jumps to the next timer when nothing is ready. Every sleep
and time-out of asyncio follows it, so the same code runs a test of an hour in a fraction of a second.
"""

import asyncio
import ctypes
import heapq
import sys
import time
from collections import deque
from collections.abc import Callable, Coroutine
from contextvars import Context
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import cache
from itertools import count
from pathlib import Path
from typing import Final, TypeVar, TypeVarTuple

from ..protocol.errors import ConfigurationError

T = TypeVar("T")
Ts = TypeVarTuple("Ts")

_SYNCHRONISATION_CHECK_S: Final = 60.0
"""How often the kernel is asked whether its clock is synchronised; it changes over minutes (common practice)."""

SLICE_S: Final = 5.0
"""Longest real wait without a look at the clock: a gate is late by at most so much after the machine slept."""

_SAME_S: Final = 1e-9
"""Timers within this span of virtual time are one: what rounding makes of the same instant."""

_TIME_ERROR: Final = 5
"""``TIME_ERROR`` of adjtimex(2): the clock is not synchronised."""


def machine_s() -> float:
    """Seconds since the machine was booted, also while it was suspended; never steps.

    ``CLOCK_BOOTTIME`` of Linux. ``CLOCK_MONOTONIC`` stands still in a suspend: a lamp that was off for an hour then
    would seem to have been unseen for a second, and its burn would be believed.
    """
    if hasattr(time, "CLOCK_BOOTTIME"):
        return time.clock_gettime(time.CLOCK_BOOTTIME)
    return time.monotonic()


def suspended_s() -> float:
    """Seconds that the machine has spent suspended since it was booted; 0 where it cannot say."""
    if hasattr(time, "CLOCK_BOOTTIME"):
        return time.clock_gettime(time.CLOCK_BOOTTIME) - time.clock_gettime(time.CLOCK_MONOTONIC)
    return 0.0


@dataclass(frozen=True, slots=True)
class ClockOrigin:
    """Where bench time starts and how fast it runs, in the machine's own clocks.

    Attributes:
        monotonic_s: ``CLOCK_BOOTTIME`` at bench time 0.
        utc: UTC at bench time 0; None: UTC is the system clock's (speed 1 only).
        speed: Bench seconds in a real second.
    """

    monotonic_s: float = 0.0
    utc: datetime | None = None
    speed: float = 1.0

    @classmethod
    def now(cls, speed: float) -> "ClockOrigin":
        """Bench time 0 is now."""
        return cls(monotonic_s=machine_s(), utc=datetime.now(UTC), speed=speed)  # noqa: TID251 - the clock


class ScaledClock:
    """Bench time as a multiple of real time; speed 1 is the clock of a real bench."""

    def __init__(self, origin: ClockOrigin | None = None, *, machine: Callable[[], float] = machine_s) -> None:
        """Make a clock.

        Args:
            origin: Where bench time starts and how fast it runs.
            machine: Seconds that never step; another than the machine's where time itself is simulated.

        Raises:
            ConfigurationError: The speed is not positive, or is not 1 without an origin in UTC.
        """
        self.origin = origin or ClockOrigin()
        if self.origin.speed <= 0 or (self.origin.utc is None and self.origin.speed != 1.0):
            raise ConfigurationError(
                f"a clock cannot run at speed {self.origin.speed:g} without an origin in UTC",
                where="[clock]",
                mend="leave the table out on a real bench",
            )
        self._machine = machine
        self._synchronised = False
        self._checked_s = float("-inf")

    @property
    def speed(self) -> float:
        """Bench seconds in a real second."""
        return self.origin.speed

    @property
    def synchronised(self) -> bool:
        """Whether the kernel holds the system clock for synchronised; looked up at most once a minute."""
        now = self._machine()
        if now - self._checked_s > _SYNCHRONISATION_CHECK_S:
            self._synchronised = system_clock_synchronised()
            self._checked_s = now
        return self._synchronised

    def utc(self) -> datetime:
        """Now, in UTC."""
        if self.origin.utc is None:
            return datetime.now(UTC)  # noqa: TID251 - the clock
        return self.origin.utc + timedelta(seconds=self.monotonic())

    def monotonic(self) -> float:
        """Bench seconds since the origin."""
        return (self._machine() - self.origin.monotonic_s) * self.origin.speed

    async def sleep(self, seconds: float) -> None:
        """Wait for bench seconds, and never less: a timer that fires a little early is waited for again."""
        deadline = self.monotonic() + seconds
        left = max(0.0, seconds)
        while True:
            # In slices: the timers of asyncio stand still while the machine is suspended, bench time does not.
            await asyncio.sleep(min(SLICE_S, left / self.origin.speed))  # noqa: TID251 - the clock
            left = deadline - self.monotonic()
            if left <= 0:
                return


class VirtualClock:
    """Bench time of a :class:`VirtualLoop`; starts at 0 with a UTC that the caller states."""

    synchronised = True
    speed = 1.0
    """Bench seconds in a second of wire time: in virtual time the two are one."""

    def __init__(self, loop: "VirtualLoop", start_utc: datetime) -> None:
        self._loop = loop
        self._start_utc = start_utc

    def utc(self) -> datetime:
        """The stated start plus what has passed."""
        return self._start_utc + timedelta(seconds=self._loop.time())

    def monotonic(self) -> float:
        """Bench seconds since the loop was made."""
        return self._loop.now_s

    async def sleep(self, seconds: float) -> None:
        """Wait for bench seconds; costs next to no real time."""
        if seconds > 0.0:
            await self._loop.passed(seconds)
        else:
            await asyncio.sleep(0)  # noqa: TID251 - the clock


class VirtualLoop(asyncio.SelectorEventLoop):
    """An event loop in virtual time. It serves no sockets and no threads.

    What is ready runs as on any loop, turn by turn; where that would wait for its selector, time jumps to the next
    timer instead. So nothing is ever selected, and timers stand in a heap of tuples, which the interpreter compares
    without our help: a campaign is made of timers.
    """

    def __init__(self) -> None:
        super().__init__()
        self.now_s = 0.0
        """Virtual seconds since the loop was made."""
        self._timers: list[tuple[float, int, asyncio.TimerHandle | asyncio.Future[None]]] = []
        self._order = count()
        self._ready: deque[asyncio.Handle]
        self._stopping: bool

    def time(self) -> float:
        """Virtual seconds since the loop was made."""
        return self.now_s

    def call_at(
        self, when: float, callback: Callable[[*Ts], object], *args: *Ts, context: Context | None = None
    ) -> asyncio.TimerHandle:
        """Call when the time has come; of two at the same time, the one asked for first comes first."""
        timer = asyncio.TimerHandle(when, callback, args, self, context)
        heapq.heappush(self._timers, (when, next(self._order), timer))
        return timer

    def call_soon(
        self, callback: Callable[[*Ts], object], *args: *Ts, context: Context | None = None
    ) -> asyncio.Handle:
        """Call in the next turn."""
        handle = asyncio.Handle(callback, args, self, context)
        self._ready.append(handle)
        return handle

    def passed(self, seconds: float) -> asyncio.Future[None]:
        """A future that is done when so many seconds have passed."""
        future: asyncio.Future[None] = self.create_future()
        heapq.heappush(self._timers, (self.now_s + seconds, next(self._order), future))
        return future

    def _run_once(self) -> None:
        """One turn, in place of the base class's."""
        ready, timers = self._ready, self._timers
        if not ready and not self._stopping:
            while timers and timers[0][2].cancelled():
                heapq.heappop(timers)
            if not timers:
                # Nothing is scheduled and nothing can arrive from outside: a deadlock in the caller's tasks.
                raise RuntimeError("virtual time stands still: every task waits for something that cannot happen")
            self.now_s = max(self.now_s, timers[0][0])
        end_s = self.now_s + _SAME_S
        while timers and timers[0][0] < end_s:
            timer = heapq.heappop(timers)[2]
            if isinstance(timer, asyncio.TimerHandle):
                ready.append(timer)
            elif not timer.done():
                timer.set_result(None)
        for _ in range(len(ready)):
            handle = ready.popleft()
            if not handle._cancelled:  # noqa: SLF001 - as the base class does, for the same reason: it is the core
                handle._run()  # noqa: SLF001 - likewise


def run_virtual(main: Callable[[VirtualClock], Coroutine[object, object, T]], start_utc: datetime) -> T:
    """Run a coroutine function to its end in virtual time.

    Args:
        main: Gets the clock of the loop it runs in.
        start_utc: UTC at virtual time 0.
    """
    loops: list[VirtualLoop] = []

    def make() -> VirtualLoop:
        loops.append(VirtualLoop())
        return loops[-1]

    with asyncio.Runner(loop_factory=make) as runner:
        runner.get_loop()
        return runner.run(main(VirtualClock(loops[-1], start_utc)))


class _Timex(ctypes.Structure):
    """Room for ``struct timex`` of adjtimex(2); only the call's return value is used."""

    _fields_ = (("modes", ctypes.c_uint), ("rest", ctypes.c_char * 252))


async def wire_sleep(seconds: float) -> None:
    """Wait for real seconds: back-off of links and of the broker. Under a :class:`VirtualLoop` they are virtual."""
    await asyncio.sleep(seconds)  # noqa: TID251 - wire time


def system_clock_synchronised() -> bool:
    """Whether the kernel says that its clock is synchronised (adjtimex(2), read only); False where it cannot say."""
    if not sys.platform.startswith("linux"):
        return False
    try:
        state = ctypes.CDLL(None).adjtimex(ctypes.byref(_Timex()))
    except (OSError, AttributeError):
        return False
    return isinstance(state, int) and 0 <= state < _TIME_ERROR


def wall_s() -> float:
    """Wire time as seconds since 1970, by the system clock: for the expiry of sessions only."""
    return time.time()  # noqa: TID251 - the clock


def bench_today() -> date:
    """Today, UTC, by the system clock: for due dates only."""
    return datetime.now(UTC).date()  # noqa: TID251 - the clock


@cache
def boot_id() -> str:
    """Identity of the machine's present boot; monotonic times of another boot mean nothing. Empty if unknown."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return ""
