"""Journals for tests: records to put in, and a look at what a file holds without the code under test."""

import json
import sqlite3
from collections.abc import Iterable
from contextlib import closing
from pathlib import Path

from lampwarden.daemon.stamp import Stamp
from lampwarden.daemon.store.journal import Entry, JournalFile
from lampwarden.protocol.records import EventRecord, Record

from .benches import SetClock, ids

BENCH = "north-house"


class Notebook:
    """Makes records of one bench; each has an id of its own and a later time than the one before."""

    def __init__(self, seed: int = 1) -> None:
        self.clock = SetClock()
        self.stamp = Stamp(BENCH, self.clock, simulated=True, new_id=ids(seed))

    def note(self, text: str = "noted", *, test_id: str | None = None, event: str = "noted", size: int = 0) -> Record:
        self.clock.now_s += 1.0
        details = {"filler": "x" * size} if size else {}
        stamped = self.stamp.record(test_id=test_id)
        return EventRecord(**stamped, event=event, text=text, details=details)

    def notes(self, count: int, *, test_id: str | None = None, size: int = 0) -> list[Record]:
        return [self.note(f"note {n}", test_id=test_id, size=size) for n in range(count)]

    def whole_test(self, test_id: str, count: int, *, size: int = 0) -> list[Record]:
        """Records of a test that has ended."""
        end = self.note("test finished", test_id=test_id, event="test_finished")
        return [*self.notes(count - 1, test_id=test_id, size=size), end]


def put(file: JournalFile, records: Iterable[Record]) -> list[Record]:
    return file.commit([Entry(tuple(records))])[0]


def bodies(path: Path) -> dict[int, dict[str, object]]:
    """All records of a journal by ``seq``, read with plain SQLite."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
        return {seq: json.loads(body) for seq, body in db.execute("SELECT seq, body FROM record ORDER BY seq")}


def ids_of(path: Path) -> dict[int, str]:
    return {seq: str(body["record_id"]) for seq, body in bodies(path).items()}
