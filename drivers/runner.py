"""Where blocking driver code runs: on a thread of its own, or in line.

:class:`ThreadRunner` owns one daemon thread for one link. Calls queue up; each is bounded in real time from
the moment it starts. A call that outlasts its bound is reported as ``LinkError(HUNG)`` at that moment, its thread
is abandoned, and a new thread first asks the link to reset its handle and then goes on with the queue. Not
``asyncio.to_thread``: its pool is joined at exit, so that one hung device holds the whole program.

What a cancelled caller leaves behind: a call that had not started is dropped; one that had started runs to its end or
its bound, its result is dropped, and the next call waits for it. Nobody can know how far the device got.

:class:`InlineRunner` calls the function at once and then sleeps the link's debt of bench time.

Each job's state changes under a lock, and only ``RUNNING → DONE`` (by the worker) or ``RUNNING → ABANDONED`` (by the
timer on the loop) can happen: whichever comes first decides, so that a result and a time-out never both count.
"""

import asyncio
import threading
from collections import deque
from collections.abc import Callable
from enum import Enum, auto
from functools import partial
from typing import Final, Generic, Protocol, TypeVar

from ..protocol.clock import Clock
from ..protocol.errors import LampwardenError, LinkError, LinkFault
from .links.base import Link
from .links.inline import InlineLink

# ruff: noqa: D102  the Protocol Runner documents the methods

T = TypeVar("T")

# Closing a handle under a hung call: a system's close() of a serial port may wait for its output queue to drain, 30 s
# at worst (Linux closing_wait); we do not wait that long for a port that is stuck anyway.
RESET_BOUND_S: Final = 2.0
CLOSE_BOUND_S: Final = 2.0
# Threads that are stuck in the system and never came back. Each holds a stack and perhaps a port; a device that takes
# this many with it needs a person, not another try.
MAX_ABANDONED: Final = 8


class Runner(Protocol):
    """Executes a link's blocking calls, one at a time, in the order asked."""

    @property
    def link(self) -> Link:
        """The link that this runner serves."""
        ...

    @property
    def stuck(self) -> int:
        """Number of abandoned calls that have not come back: a port that may still be held."""
        ...

    async def call(self, fn: Callable[[], T], timeout_s: float) -> T:
        """Run ``fn`` and return what it returns or raise what it raises.

        Raises:
            LinkError: HUNG when it took longer than ``timeout_s``; LOST when the runner is closed.
        """
        ...

    async def input_ready(self, within_s: float) -> bool:
        """Return whether it is worth asking the device for unprompted input, such as a press; wait for it so long.

        In line: when a simulated device has sent something. On a thread: at once, because there the asking call
        itself waits without cost to anybody.
        """
        ...

    async def close(self) -> None:
        """Close the link and end, within a bound; idempotent."""
        ...


class _State(Enum):
    QUEUED = auto()
    RUNNING = auto()
    DONE = auto()
    ABANDONED = auto()
    DROPPED = auto()


class _Job(Generic[T]):
    """One call on its way from the loop to the worker and back."""

    def __init__(self, fn: Callable[[], T], timeout_s: float, loop: asyncio.AbstractEventLoop) -> None:
        self.fn = fn
        self.timeout_s = timeout_s
        self.loop = loop
        self.future: asyncio.Future[T] = loop.create_future()
        self.state = _State.QUEUED
        self.timer: asyncio.TimerHandle | None = None

    def post(self, callback: Callable[[], None]) -> None:
        """Have ``callback`` run on the loop; a loop that is closed has nobody left to tell."""
        try:
            self.loop.call_soon_threadsafe(callback)
        except RuntimeError:
            if not self.loop.is_closed():
                raise

    def resolve(self, result: T) -> None:
        self._stop_timer()
        if not self.future.done():
            self.future.set_result(result)

    def fail(self, error: Exception) -> None:
        self._stop_timer()
        if not self.future.done():
            self.future.set_exception(error)

    def _stop_timer(self) -> None:
        if self.timer is not None:
            self.timer.cancel()
            self.timer = None


class _AnyJob(Protocol):
    """A job whatever its result type."""

    timeout_s: float
    state: _State
    timer: asyncio.TimerHandle | None
    loop: asyncio.AbstractEventLoop

    def post(self, callback: Callable[[], None]) -> None: ...
    def fail(self, error: Exception) -> None: ...


class ThreadRunner:
    """A runner with one own daemon thread."""

    def __init__(self, link: Link) -> None:
        self._link = link
        self._lock = threading.Lock()
        self._wake = threading.Condition(self._lock)
        self._jobs: deque[tuple[_AnyJob, Callable[[], None]]] = deque()
        self._worker: threading.Thread | None = None
        self._abandoned: list[threading.Thread] = []
        self._closing = False
        self._closed = False
        self._threads_made = 0

    @property
    def link(self) -> Link:
        return self._link

    @property
    def stuck(self) -> int:
        with self._lock:
            self._abandoned = [thread for thread in self._abandoned if thread.is_alive()]
            return len(self._abandoned)

    async def call(self, fn: Callable[[], T], timeout_s: float) -> T:
        if self._closing:
            raise LinkError(LinkFault.LOST, "the link was closed", where=self._link.port)
        if self.stuck >= MAX_ABANDONED:
            raise LinkError(
                LinkFault.HUNG,
                f"{MAX_ABANDONED} calls hang in the system and never came back",
                where=self._link.port,
                mend="unplug the device and restart the daemon",
            )
        return await self._submit(fn, timeout_s, first=False)

    async def input_ready(self, within_s: float) -> bool:  # noqa: ARG002  see there
        return True

    async def close(self) -> None:
        if self._closing:
            return
        self._closing = True
        error = LinkError(LinkFault.LOST, "the link was closed", where=self._link.port)
        with self._lock:
            waiting = [job for job, _ in self._jobs]
            self._jobs.clear()
        for job in waiting:
            job.fail(error)
        try:
            async with asyncio.timeout(CLOSE_BOUND_S):
                await self._submit(self._link.close, CLOSE_BOUND_S, first=True)
        except (TimeoutError, LampwardenError):
            # A call is still running: close the handle under it. The helper is a daemon thread, waited for by nobody.
            threading.Thread(target=self._reset_quietly, name=f"reset {self._link.port}", daemon=True).start()
        finally:
            with self._lock:
                self._closed = True
                self._wake.notify_all()

    async def _submit(self, fn: Callable[[], T], timeout_s: float, *, first: bool) -> T:
        job = _Job(fn, timeout_s, asyncio.get_running_loop())

        def run() -> None:
            self._run(job)

        with self._lock:
            if first:
                self._jobs.appendleft((job, run))
            else:
                self._jobs.append((job, run))
            if self._worker is None:
                self._start_worker(reset_first=False)
            self._wake.notify()
        try:
            return await job.future
        finally:
            # Cancelled before it started: never start it.
            with self._lock:
                if job.state is _State.QUEUED:
                    job.state = _State.DROPPED

    def _start_worker(self, *, reset_first: bool) -> None:
        self._threads_made += 1
        self._worker = threading.Thread(
            target=self._serve,
            args=(reset_first,),
            name=f"link {self._link.port} #{self._threads_made}",
            daemon=True,
        )
        self._worker.start()

    def _serve(self, reset_first: bool) -> None:
        me = threading.current_thread()
        if reset_first:
            self._reset_bounded()
        self._link.claim()
        while True:
            with self._lock:
                while not self._jobs and not self._closed and self._worker is me:
                    self._wake.wait()
                if self._worker is not me or (self._closed and not self._jobs):
                    return
                job, run = self._jobs.popleft()
                if job.state is not _State.QUEUED:
                    continue
                job.state = _State.RUNNING
            job.post(partial(self._watch, job))
            run()

    def _watch(self, job: _AnyJob) -> None:
        """On the loop: start the job's bound, unless it is over already."""
        if job.state is _State.RUNNING:
            job.timer = job.loop.call_later(job.timeout_s, self._expire, job)

    def _run(self, job: _Job[T]) -> None:
        """On the worker: run the job and hand its outcome over, unless it was abandoned meanwhile."""
        try:
            result = job.fn()
        except StopIteration as error:
            failure: Exception = RuntimeError(f"driver code raised {error!r}")  # a future cannot carry StopIteration
        except Exception as error:  # noqa: BLE001  whatever it is, it belongs to the caller
            failure = error
        else:
            if self._finish(job):
                job.post(lambda: job.resolve(result))
            return
        if self._finish(job):
            job.post(lambda: job.fail(failure))

    def _finish(self, job: _AnyJob) -> bool:
        with self._lock:
            if job.state is not _State.RUNNING:
                return False
            job.state = _State.DONE
            return True

    def _expire(self, job: _AnyJob) -> None:
        """On the loop: the job's bound has passed."""
        with self._lock:
            if job.state is not _State.RUNNING:
                return
            job.state = _State.ABANDONED
            if self._worker is not None:
                self._abandoned.append(self._worker)
            self._start_worker(reset_first=True)
        job.fail(
            LinkError(
                LinkFault.HUNG,
                f"no return within {job.timeout_s:g} s; the call was abandoned and the port reset",
                where=self._link.port,
                mend="if it repeats: check the cable, unplug the device and plug it in again",
            )
        )

    def _reset_bounded(self) -> None:
        """Reset the link from a thread of its own, so that a close() that blocks cannot take the new worker too."""
        helper = threading.Thread(target=self._reset_quietly, name=f"reset {self._link.port}", daemon=True)
        helper.start()
        helper.join(RESET_BOUND_S)
        if helper.is_alive():
            with self._lock:
                self._abandoned.append(helper)

    def _reset_quietly(self) -> None:
        try:
            self._link.reset()
        except LampwardenError:
            return  # the handle is gone either way; the next call finds out what the port thinks of it


class InlineRunner:
    """A runner on bench time, without threads."""

    def __init__(self, link: InlineLink, clock: Clock) -> None:
        self._link = link
        self._clock = clock
        self._turn = asyncio.Lock()
        self._closed = False

    @property
    def link(self) -> Link:
        return self._link

    @property
    def stuck(self) -> int:
        return 0

    async def call(self, fn: Callable[[], T], timeout_s: float) -> T:
        link, clock = self._link, self._clock
        await self._turn.acquire()  # by hand: `async with` makes two coroutines more, at every poll
        try:
            if self._closed:
                raise LinkError(LinkFault.LOST, "the link was closed", where=link.port)
            if (left_s := link.owed_s) > 0.0:  # by a caller that was cancelled
                await clock.sleep(left_s)
            try:
                result = fn()
            except LampwardenError:
                await clock.sleep(min(link.owed_s, timeout_s))
                raise
            owed_s = link.owed_s
            if owed_s > timeout_s:
                await clock.sleep(timeout_s)
                raise LinkError(LinkFault.HUNG, f"no return within {timeout_s:g} s", where=link.port)
            if owed_s > 0.0:
                await clock.sleep(owed_s)
            return result
        finally:
            self._turn.release()

    async def input_ready(self, within_s: float) -> bool:
        return await self._link.input_arrived.heard_within(within_s)

    async def close(self) -> None:
        if not self._closed:
            self._closed = True
            self._link.close()
