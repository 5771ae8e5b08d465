"""The collector's memory: which records it has, and which of them are not yet in a Parquet file.

Exactly once rests on two things. A record is acknowledged to the broker only after it is in this store (SQLite,
synced), and the store knows every ``record_id`` it ever took. And a Parquet file is written for a *batch*: which
records belong to it is on disk before the file is begun, its name follows from the batch, and the records leave the
store only after the file is whole and in place. So a collector that is killed at any instant writes the same file
again, word for word, over whatever is there.
"""

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from ...protocol.errors import JournalError

_TABLES: Final = """
CREATE TABLE IF NOT EXISTS seen (
    bench TEXT NOT NULL, seq INTEGER NOT NULL, record_id BLOB NOT NULL, stub INTEGER NOT NULL,
    PRIMARY KEY (bench, seq, record_id)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS batch (
    number INTEGER PRIMARY KEY AUTOINCREMENT, bench TEXT NOT NULL, test_id TEXT NOT NULL
);
CREATE TABLE IF NOT EXISTS pending (
    bench TEXT NOT NULL, seq INTEGER NOT NULL, record_id BLOB NOT NULL, test_id TEXT NOT NULL, body TEXT NOT NULL,
    batch INTEGER, PRIMARY KEY (bench, seq, record_id)
) WITHOUT ROWID;
CREATE INDEX IF NOT EXISTS pending_by_test ON pending (batch, bench, test_id);
"""


@dataclass(frozen=True, slots=True)
class Collected:
    """A record as it came."""

    bench: str
    seq: int
    record_id: bytes
    test_id: str
    body: str
    stub: bool


@dataclass(frozen=True, slots=True)
class Batch:
    """The records of one Parquet file."""

    number: int
    bench: str
    test_id: str


class CollectStore:
    """One file beside the data set. One collector at a time may use it: SQLite's own lock sees to that."""

    def __init__(self, path: Path) -> None:
        """Open or make a store.

        Raises:
            JournalError: Another collector has it, or it cannot be used.
        """
        self._where = str(path)
        try:
            self._db = sqlite3.connect(path, isolation_level=None, timeout=1.0, check_same_thread=False)
            self._db.execute("PRAGMA locking_mode=EXCLUSIVE")
            self._db.execute("PRAGMA journal_mode=WAL")
            self._db.execute("PRAGMA synchronous=FULL")
            self._db.executescript(_TABLES)
            self._db.execute("BEGIN IMMEDIATE")
            self._db.execute("COMMIT")
        except sqlite3.Error as error:
            mend = "stop the other collector, or collect into another folder"
            raise JournalError(f"cannot be used: {error}", where=self._where, mend=mend) from error

    def take(self, records: Iterable[Collected]) -> int:
        """Keep records, those that are new; on disk when this returns.

        Returns:
            How many were new.
        """
        new = 0
        with self._db:
            self._db.execute("BEGIN IMMEDIATE")
            for r in records:
                key = (r.bench, r.seq, r.record_id)
                if self._db.execute("INSERT OR IGNORE INTO seen VALUES (?, ?, ?, ?)", (*key, r.stub)).rowcount:
                    self._db.execute("INSERT INTO pending VALUES (?, ?, ?, ?, ?, NULL)", (*key, r.test_id, r.body))
                    new += 1
        return new

    def pending(self) -> int:
        """Records that are in no file yet."""
        (count,) = self._db.execute("SELECT COUNT(*) FROM pending").fetchone()
        return int(count)

    def form_batches(self, most: int) -> None:
        """Decide which records make the next files: those of one bench and test, at most ``most`` in each."""
        with self._db:
            self._db.execute("BEGIN IMMEDIATE")
            groups = self._db.execute(
                "SELECT bench, test_id FROM pending WHERE batch IS NULL GROUP BY bench, test_id"
            ).fetchall()
            for bench, test_id in groups:
                begun = self._db.execute("INSERT INTO batch (bench, test_id) VALUES (?, ?)", (bench, test_id))
                self._db.execute(
                    "UPDATE pending SET batch = ? WHERE (bench, seq, record_id) IN (SELECT bench, seq, record_id "
                    "FROM pending WHERE batch IS NULL AND bench = ? AND test_id = ? ORDER BY seq LIMIT ?)",
                    (begun.lastrowid, bench, test_id, most),
                )

    def batches(self) -> list[Batch]:
        """Batches whose file is not known to be in place."""
        return [Batch(*row) for row in self._db.execute("SELECT number, bench, test_id FROM batch ORDER BY number")]

    def bodies(self, batch: Batch) -> list[str]:
        """The records of a batch, in order."""
        rows = self._db.execute("SELECT body FROM pending WHERE batch = ? ORDER BY seq, record_id", (batch.number,))
        return [str(body) for (body,) in rows]

    def done(self, batch: Batch) -> None:
        """The batch's file is in place."""
        with self._db:
            self._db.execute("BEGIN IMMEDIATE")
            self._db.execute("DELETE FROM pending WHERE batch = ?", (batch.number,))
            self._db.execute("DELETE FROM batch WHERE number = ?", (batch.number,))

    def gaps(self) -> dict[str, list[tuple[int, int]]]:
        """By bench: runs of numbers that did not come, between the first and the last that did; a stub is a gap too."""
        found: dict[str, list[tuple[int, int]]] = {}
        rows = self._db.execute(
            "SELECT bench, seq + 1, next - 1 FROM (SELECT bench, seq, LEAD(seq) OVER (PARTITION BY bench ORDER BY seq) "
            "AS next FROM seen GROUP BY bench, seq HAVING MIN(stub) = 0) WHERE next > seq + 1 ORDER BY bench, seq"
        )
        for bench, first, last in rows:
            found.setdefault(bench, []).append((first, last))
        return found

    def counts(self) -> dict[str, int]:
        """By bench: how many records were ever taken."""
        return dict(self._db.execute("SELECT bench, COUNT(*) FROM seen GROUP BY bench").fetchall())

    def close(self) -> None:
        """Let another have it."""
        self._db.close()
