"""What every stream codec must hold, as functions that property tests call."""

from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise
from typing import Protocol

from hypothesis import strategies as st
from lampwarden.drivers.codecs.base import NEED_DATA
from lampwarden.protocol.errors import DeviceError, WireError


class Receiver(Protocol):
    def feed(self, data: bytes) -> None: ...
    def next_message(self) -> object: ...


def take_all(receiver: Receiver) -> list[object]:
    """All messages that are there, an error as its class; ends, because each step takes bytes or says NEED_DATA."""
    found: list[object] = []
    while True:
        try:
            message = receiver.next_message()
        except (WireError, DeviceError) as error:
            found.append(type(error))
            continue
        if message is NEED_DATA:
            return found
        found.append(message)


def feed_in(receiver: Receiver, pieces: Iterable[bytes]) -> list[object]:
    found: list[object] = []
    for piece in pieces:
        receiver.feed(piece)
        found.extend(take_all(receiver))
    return found


def cut(data: bytes, at: Sequence[int]) -> list[bytes]:
    """Cut bytes at the given places."""
    places = sorted({0, len(data), *(place % (len(data) + 1) for place in at)})
    return [data[start:end] for start, end in pairwise(places)]


cuts = st.lists(st.integers(min_value=0), max_size=12)
"""Places to cut a stream at; :func:`cut` brings them into its length."""


def split_gives_the_same(make: Callable[[], Receiver], data: bytes, at: Sequence[int]) -> list[object]:
    """Assert that whole, cut anywhere, and byte by byte give the same messages; return them."""
    whole = feed_in(make(), [data])
    assert feed_in(make(), cut(data, at)) == whole
    assert feed_in(make(), [data[i : i + 1] for i in range(len(data))]) == whole
    return whole
