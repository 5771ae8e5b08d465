"""An event that can be waited for within a time.

``asyncio.timeout`` around ``Event.wait`` says "nothing came" with a cancellation and two exceptions. Instruments that
nobody uses are looked at every two seconds for weeks, and nearly always nothing came.
"""

import asyncio


class Bell:
    """Rung when something is there, hushed by whoever took it."""

    def __init__(self) -> None:
        self.rings = False
        self._waiting: set[asyncio.Future[None]] = set()

    def ring(self) -> None:
        """Wake everybody who waits; who comes later need not wait."""
        self.rings = True
        for waiter in self._waiting:
            _let_go(waiter)

    def hush(self) -> None:
        """From now on there is something to wait for again."""
        self.rings = False

    async def heard_within(self, seconds: float) -> bool:
        """Whether it rings, at once or within so many seconds of the loop's time."""
        if not self.rings:
            loop = asyncio.get_running_loop()
            waiter = loop.create_future()
            timer = loop.call_later(seconds, _let_go, waiter)
            self._waiting.add(waiter)
            try:
                await waiter
            finally:
                self._waiting.discard(waiter)
                timer.cancel()
        return self.rings


def _let_go(waiter: asyncio.Future[None]) -> None:
    if not waiter.done():
        waiter.set_result(None)
