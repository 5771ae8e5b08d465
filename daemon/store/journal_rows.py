"""What goes into the journal and comes out of it: entries, rows, and the statements that write and read rows.

It knows the table of records and nothing of files, transactions or numbers: these are :mod:`.journal_file`'s.
"""

import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

from ...protocol.records import EventRecord, Record
from ...protocol.topics import Topics, is_retained
from .journal_schema import ENDS_A_TEST, checksum

CHECKPOINT: Final = "test"
"""The name under which the state of the running test, or of the last one, is stored."""


@dataclass(frozen=True, slots=True)
class Row:
    """A record as it is published; ``damaged`` when its body does not fit its checksum."""

    seq: int
    topic: str
    retain: bool
    schema: str
    body: str
    record_id: str
    test_id: str | None = None
    damaged: bool = False

    @property
    def crc(self) -> int:
        """The checksum that belongs to these words."""
        return checksum(self.seq, self.record_id, self.schema, self.test_id, self.topic, int(self.retain), self.body)


@dataclass(frozen=True, slots=True)
class Answered:
    """The reply to a command, and the words it was given to."""

    command_id: str
    fingerprint: str
    reply: str


@dataclass(frozen=True, slots=True)
class Sent:
    """The broker has all records up to a number; void when sending again was asked for in the meantime."""

    through_seq: int
    rewinds: int


@dataclass(frozen=True, slots=True)
class Entry:
    """What belongs together in one transaction: all of it is on disk, or none."""

    records: tuple[Record, ...] = ()
    checkpoint: tuple[str, str | None] | None = None
    answered: Answered | None = None
    kept: tuple[str, str, str] | None = None
    sent: Sent | None = None


@dataclass(frozen=True, slots=True)
class TestSpan:
    """A test in the journal."""

    __test__ = False  # the name is not pytest's

    test_id: str
    first_seq: int
    last_seq: int
    ended: bool
    archived_seq: int


_COLUMNS: Final = "seq, topic, retain, schema, body, record_id, test_id, crc"


def rows_of(db: sqlite3.Connection, where: str, parameters: tuple[int | str, ...]) -> Iterator[Row]:
    """Records that fit a condition, each checked against its checksum.

    Args:
        db: A journal of the present version.
        where: What follows the table's name; constants of ours only.
        parameters: For the question marks in it.

    Raises:
        sqlite3.Error: The file cannot be read.
    """
    cursor = db.execute(f"SELECT {_COLUMNS} FROM record {where}", parameters)  # noqa: S608 - constants
    for seq, topic, retain, schema, body, record_id, test_id, crc in cursor:
        row = Row(seq, str(topic), bool(retain), str(schema), str(body), str(record_id), test_id)
        yield row if crc == row.crc else replace(row, damaged=True)


def row_of(record: Record, topics: Topics) -> Row:
    """A numbered record as it is stored."""
    body = record.model_dump_json(by_alias=True)
    retain = is_retained(record)
    return Row(record.seq, topics.of(record), retain, record.schema_, body, str(record.record_id), record.test_id)


def insert_rows(db: sqlite3.Connection, rows: Sequence[tuple[Row, bool]]) -> None:
    """Put records in, and keep the table of tests; inside a transaction of the caller's.

    Args:
        db: The journal.
        rows: In the order of their numbers, each with whether its test is over with it.

    Raises:
        sqlite3.Error: One cannot be written, or is there already.
    """
    db.executemany(
        f"INSERT INTO record ({_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",  # noqa: S608 - constants
        [(r.seq, r.topic, int(r.retain), r.schema, r.body, r.record_id, r.test_id, r.crc) for r, _ in rows],
    )
    spans: dict[str, tuple[int, int, bool]] = {}
    for row, ends_test in rows:
        if row.test_id is not None:
            first_seq, _, ended = spans.get(row.test_id, (row.seq, row.seq, False))
            spans[row.test_id] = (first_seq, row.seq, ended or ends_test)
    db.executemany(
        "INSERT INTO test (test_id, first_seq, last_seq, ended) VALUES (?, ?, ?, ?) "
        "ON CONFLICT (test_id) DO UPDATE SET last_seq = excluded.last_seq, ended = MAX(ended, excluded.ended)",
        [(test_id, *span) for test_id, span in spans.items()],
    )


def ends_a_test(record: Record) -> bool:
    """Whether a test is over with this record."""
    return isinstance(record, EventRecord) and record.event in ENDS_A_TEST
