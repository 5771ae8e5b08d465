"""From the journal's writer to the outbox without the way over the disk: the newest rows, word for word.

The disk is the truth, and a row is here only once it is there. An outbox that keeps up takes its rows from here; one
that is behind (a broker that was away, a start, a replay) reads them from the disk until it has caught up. It must not
know who reads or writes: all of it happens on one thread, the loop's.
"""

from collections import deque
from collections.abc import Sequence
from itertools import islice
from typing import Final

from .journal_rows import Row

HAND_OVER_BYTES: Final = 4 * 2**20
"""Bodies that are kept: some forty spectra or thousands of small records, more than a window of the outbox."""


class HandOver:
    """The newest rows, without gaps, within a bound; what is too much is dropped from the front."""

    def __init__(self, last_seq: int, most_bytes: int = HAND_OVER_BYTES) -> None:
        self._rows: deque[Row] = deque()
        self._bytes = 0
        self._last_seq = last_seq
        self._most_bytes = most_bytes

    def put(self, rows: Sequence[Row], last_seq: int) -> None:
        """Take what a commit has put on disk.

        Args:
            rows: All of it, in order; none where it is not known word for word, and then nothing older is kept either.
            last_seq: The highest number on disk.
        """
        if not rows or rows[0].seq != self._last_seq + 1:
            self._rows.clear()
            self._bytes = 0
        self._rows += rows
        self._bytes += sum(len(row.body) for row in rows)
        self._last_seq = last_seq
        while self._bytes > self._most_bytes:
            self._drop_first()

    def take(self, after_seq: int, limit: int) -> list[Row] | None:
        """The next rows above a number, in order, and forget those before them; None: they must be read from disk."""
        while self._rows and self._rows[0].seq <= after_seq:
            self._drop_first()
        if after_seq >= self._last_seq or (self._rows and self._rows[0].seq == after_seq + 1):
            return list(islice(self._rows, limit))
        return None

    def _drop_first(self) -> None:
        self._bytes -= len(self._rows.popleft().body)
