"""The fan-out: what the conductor and the journal tell, handed to any number of watchers that may be slow.

Owns the queues between those who must not wait (the conductor, the writer of the journal) and those who may be slow or
gone (a browser on a phone in a tent). :meth:`Bus.publish` returns at once, whatever the watchers do. It must not know
what is told: a :class:`Notice` has a kind, perhaps a key, and a body.

Every queue is bounded. A notice with a key replaces an older one of the same key that was not yet taken: of a status
only the newest counts, and a queue of them cannot grow. A notice without a key counts by itself (an event, a tone); a
watcher that has :data:`LONGEST` of those waiting is *overrun*: its queue is emptied and it is told to begin again from
the present state, which costs less than a backlog that nobody wants to read.
"""

import asyncio
from collections import OrderedDict
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Final, Generic, TypeVar

T = TypeVar("T")

LONGEST: Final = 256
"""Notices without a key that may wait in one queue: minutes of events, and well under a megabyte."""
MOST_WATCHERS: Final = 32
"""More watchers than people in a house; bounds the memory that strangers can take."""


@dataclass(frozen=True, slots=True)
class Notice(Generic[T]):
    """One thing that is told; of those with the same ``key`` only the newest counts."""

    kind: str
    body: T
    key: str | None = None


class Overrun(Exception):  # noqa: N818 - a message to the watcher, as StopAsyncIteration is
    """The watcher was too slow: what it has is no longer the whole story."""


class BusFullError(Exception):
    """There are too many watchers already."""


class Subscription(Generic[T]):
    """One watcher's queue."""

    def __init__(self) -> None:
        self._waiting: OrderedDict[str | int, Notice[T]] = OrderedDict()
        self._number = 0
        self._unkeyed = 0
        self._overrun = False
        self._news = asyncio.Event()
        self._closed = False

    def put(self, notice: Notice[T]) -> None:
        """Take a notice in; never waits."""
        if self._overrun or self._closed:
            return
        if notice.key is not None:
            self._waiting.pop(notice.key, None)
            self._waiting[notice.key] = notice
        elif self._unkeyed >= LONGEST:
            self._overrun = True
            self._waiting.clear()
        else:
            self._number += 1
            self._unkeyed += 1
            self._waiting[self._number] = notice
        self._news.set()

    def close(self) -> None:
        """No more will come."""
        self._closed = True
        self._news.set()

    async def next(self) -> list[Notice[T]]:
        """All that waits, in the order in which it came; empty once the bus has closed.

        Raises:
            Overrun: Notices were dropped: begin again from the present state.
        """
        await self._news.wait()
        self._news.clear()
        if self._overrun:
            raise Overrun
        found = list(self._waiting.values())
        self._waiting.clear()
        self._unkeyed = 0
        if self._closed:
            self._news.set()
        return found


class Bus(Generic[T]):
    """Hands notices to all who have subscribed."""

    def __init__(self) -> None:
        self._subscriptions: set[Subscription[T]] = set()
        self._closed = False

    @property
    def watchers(self) -> int:
        """How many listen."""
        return len(self._subscriptions)

    def publish(self, notice: Notice[T]) -> None:
        """Tell; returns at once."""
        for subscription in self._subscriptions:
            subscription.put(notice)

    @contextmanager
    def subscribed(self) -> Iterator[Subscription[T]]:
        """Listen for as long as the block lasts.

        Raises:
            BusFullError: There are :data:`MOST_WATCHERS` already.
        """
        if len(self._subscriptions) >= MOST_WATCHERS:
            raise BusFullError
        subscription: Subscription[T] = Subscription()
        if self._closed:
            subscription.close()
        self._subscriptions.add(subscription)
        try:
            yield subscription
        finally:
            self._subscriptions.discard(subscription)

    def close(self) -> None:
        """End all subscriptions: the daemon stops."""
        self._closed = True
        for subscription in self._subscriptions:
            subscription.close()
