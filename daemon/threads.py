"""Blocking work on a thread of its own that nobody waits for at exit.

Not ``asyncio.to_thread``: its pool is joined when the program ends, so that one call that hangs in the system (a name
server, a dead disk) would hold the whole daemon.
"""

import asyncio
import threading
from collections.abc import Callable
from functools import partial
from typing import TypeVar

T = TypeVar("T")


async def on_own_thread(work: Callable[[], T], name: str) -> T:
    """Run ``work`` on a new daemon thread and return what it returns or raise what it raises.

    A caller that is cancelled leaves the thread to run to its end; its result is dropped. So this is only for work
    that may be done twice or not at all.
    """
    loop = asyncio.get_running_loop()
    future: asyncio.Future[T] = loop.create_future()

    def post(finish: Callable[[], None]) -> None:
        try:
            loop.call_soon_threadsafe(finish)
        except RuntimeError:  # the loop has closed: there is nobody left to tell
            return

    def succeed(result: T) -> None:
        if not future.done():
            future.set_result(result)

    def fail(error: Exception) -> None:
        if not future.done():
            future.set_exception(error)

    def run() -> None:
        try:
            result = work()
        except Exception as error:  # noqa: BLE001 - whatever it is, it belongs to the caller
            post(partial(fail, error))
        else:
            post(lambda: succeed(result))

    threading.Thread(target=run, name=name, daemon=True).start()
    return await future


async def wait_out(work: "asyncio.Future[T]") -> asyncio.CancelledError | None:
    """Wait for the end of work that must not be left, however often the caller is cancelled meanwhile.

    Returns:
        The cancel, which the caller raises when it has seen to what came of the work; None without one.
    """
    cancelled: asyncio.CancelledError | None = None
    while not work.done():
        try:
            await asyncio.wait([work])
        except asyncio.CancelledError as error:
            cancelled = error
    return cancelled
