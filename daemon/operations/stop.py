"""The end of a program that runs until it is told to stop: in order where it can be, in time where it cannot.

SIGINT and SIGTERM cancel the work, and it ends by itself: what is being written is waited for, the broker is told,
files are closed. One thing can hold that for ever: a disk that does not answer. A thread in fsync(2) cannot be
cancelled, and an interpreter that ends waits for it. So a thread of its own looks on, and after a bounded wait says in
one line what is not known to be on disk, and leaves with ``os._exit``: nothing less ends a process one of whose threads
is in such a call. Nothing announced is lost by it, for what is announced was on disk before; to the journal it is a
kill, which it is made for.

Only a call that does not end is left behind, not a machine that is merely slow. Where the kernel itself cannot
interrupt the call (a local disk that is gone, state D in ps(1)), the process goes when the kernel lets it go: nothing
that a process can do changes that.
"""

import asyncio
import logging
import os
import signal
import threading
from collections.abc import Callable, Coroutine
from typing import Final, Protocol

log = logging.getLogger("lampwarden")

FIRST_LOOK_S: Final = 0.8
LOOK_EVERY_S: Final = 0.8
"""A call that is the same at two looks is not waited for: the stop is over in 1.6 s, and 0.4 s are left for the rest of
the two that are promised. A sync of a sound disk takes milliseconds, of a worn card some tenths of a second."""
LOG_BOUND_S: Final = 0.3
"""The log may be on the same disk."""
EXIT_CODE: Final = 1


class Disk(Protocol):
    """What may be held by a disk; asked from another thread than its own."""

    def at_disk(self) -> object | None:
        """What is under way at the disk, another object for each call; None when nothing is."""
        ...

    def not_on_disk(self) -> str:
        """What is not known to be on disk, in words."""
        ...


async def run_until_signal(work: Callable[[], Coroutine[object, object, None]], disk: Disk | None = None) -> None:
    """Run something until it ends, or until SIGINT or SIGTERM asks for a clean stop.

    Args:
        work: Ends soon after it is cancelled, unless the disk holds it.
        disk: Of the work; None where a stop waits for no disk.
    """
    loop = asyncio.get_running_loop()
    stop = asyncio.Event()
    over = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    try:
        async with asyncio.TaskGroup() as group:
            main = group.create_task(work(), name="daemon")
            stopper = group.create_task(stop.wait(), name="signals")
            await asyncio.wait({main, stopper}, return_when=asyncio.FIRST_COMPLETED)
            if disk is not None and not main.done():
                threading.Thread(target=_look_on, args=(disk, loop, over), name="stop", daemon=True).start()
            main.cancel()
            stopper.cancel()
    finally:
        over.set()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.remove_signal_handler(number)


def _look_on(disk: Disk, loop: asyncio.AbstractEventLoop, over: threading.Event) -> None:
    """Until the stop is over, or a call at the disk, or one in the loop's own thread, is seen not to end."""
    held: object | None = None
    turned = threading.Event()
    wait_s = FIRST_LOOK_S
    while not over.wait(wait_s):
        now = disk.at_disk()
        if held is not None and (now is held or not turned.is_set()):
            _leave(disk)
        held, wait_s = now if now is not None else object(), LOOK_EVERY_S
        turned.clear()
        try:
            loop.call_soon_threadsafe(turned.set)
        except RuntimeError:  # the loop has closed: the stop is over
            return


def _leave(disk: Disk) -> None:
    text = f"stopped without the disk, which does not answer; not known to be on it: {disk.not_on_disk()}"

    def say() -> None:
        log.error("%s; nothing of it was announced", text)
        logging.shutdown()

    words = threading.Thread(target=say, name="last words", daemon=True)
    words.start()
    words.join(LOG_BOUND_S)
    os._exit(EXIT_CODE)
