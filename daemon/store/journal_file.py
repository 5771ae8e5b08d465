"""The blocking store of the journal: SQLite in a file, write-ahead log, ``synchronous=FULL``.

It gives out the gapless ``seq`` and holds, beside the records, the checkpoint of the running test, things kept for it,
the answers to commands, and how far records were sent and archived. It must not know threads, loops or clocks; one
thread at a time may use it, and which one is the caller's affair.

What SIGKILL cannot undo: whatever :meth:`JournalFile.commit` has returned from. What a power cut cannot undo either
rests on one fsync of the write-ahead log in each commit, and on a disk that tells the truth about it.

Damage is noticed in three ways: SQLite finds a broken tree, a body does not fit its checksum, or the file ends before
the numbers that its mark says were given out. All three raise :class:`JournalDamagedError`, and :mod:`.recovery` mends.
"""

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from ...protocol.errors import JournalError
from ...protocol.records import Record
from ...protocol.topics import Topics
from .journal_files import BLOCK, JournalLock, JournalPaths, Mark
from .journal_rows import Answered, Entry, Row, TestSpan, ends_a_test, insert_rows, row_of, rows_of
from .journal_schema import SCHEMA_VERSION, TABLES, checksum, migrate, version_of

BUSY_S: Final = 5.0
"""A reader never blocks the writer under WAL; only a checkpoint or a backup may, for moments."""
WHOLE_CHECK_BYTES: Final = 64 * 2**20
"""A journal up to this size is checked whole at the start: about 0.3 s. A larger one has its end checked."""
TAIL_RECORDS: Final = 1000
"""Records checked at the end of a large journal: several tests. ``lampwarden journal check`` looks at all."""
ANSWERS_KEPT: Final = 1000
"""A command that comes again comes soon; this many are hours of the busiest operator."""
WAL_LIMIT_BYTES: Final = 16 * 2**20
"""What the write-ahead log is cut back to after it had to grow, for instance behind a slow reader."""


class _AlreadyThereError(JournalError):
    """A record with this id is in the journal already."""


class JournalDamagedError(JournalError):
    """What is in the file is not what was written."""


def _text(raw: bytes) -> str:
    """Text that may be damaged: what is no UTF-8 shows in the checksum, not as an error of another kind."""
    return raw.decode("utf-8", "replace")


def reading(path: Path) -> sqlite3.Connection:
    """Open a journal for reading, beside a running daemon; the caller closes it.

    Raises:
        JournalError: There is no such journal, it cannot be read, or it is of another version.
    """
    where = str(path)
    if not path.is_file():
        raise JournalError("there is no such journal", where=where, mend="name the bench.toml of the bench")
    try:
        db = sqlite3.connect(f"file:{path}?mode=ro", uri=True, timeout=BUSY_S, isolation_level=None)
        db.text_factory = _text
        version = version_of(db)
    except sqlite3.Error as error:
        raise JournalError(f"cannot be read: {error}", where=where) from error
    if version != SCHEMA_VERSION:
        db.close()
        raise JournalError(
            f"is of schema {version}, {SCHEMA_VERSION} is known",
            where=where,
            mend="an older one is brought up to date when the daemon next starts on it",
        )
    return db


class JournalFile:
    """The store. All methods raise :class:`~lampwarden.protocol.errors.JournalError`."""

    def __init__(self, path: Path | None, bench: str) -> None:
        """Open or make a journal; None keeps it in memory.

        Raises:
            JournalDamagedError: It needs a recovery.
            JournalError: Held by another daemon, of another bench, of a newer version, or the disk refuses.
        """
        self._path = path
        self._where = str(path) if path is not None else "journal in memory"
        self._topics = Topics(bench)
        self._bench = bench
        self._paths = None if path is None else JournalPaths(path)
        self._lock = None if self._paths is None else JournalLock(self._paths)
        self._db: sqlite3.Connection | None = None
        self._reserved = 0
        self.rewinds = 0
        """How often :meth:`rewind` was called."""
        self.fresh_rows: list[Row] = []
        """What the last commit put on disk, word for word; empty where that is not certain."""
        try:
            self._start()
        except BaseException:
            self.close()
            raise

    # Opening

    def _start(self) -> None:
        if self._paths is not None and self._paths.suspect.exists():
            raise self._damaged("damage was seen while it was in use")
        with self._translated():
            self._open()
            self._check()
        self._adopt_mark()

    def _open(self) -> None:
        db = self._db = sqlite3.connect(
            self._path if self._path is not None else ":memory:",
            isolation_level=None,
            check_same_thread=False,
            timeout=BUSY_S,
        )
        db.text_factory = _text
        db.execute("PRAGMA journal_mode=WAL")
        db.execute("PRAGMA synchronous=FULL")
        db.execute(f"PRAGMA journal_size_limit={WAL_LIMIT_BYTES}")
        version = version_of(db)
        if version is not None and version > SCHEMA_VERSION:
            raise JournalError(
                f"was written by a newer version (schema {version}, known {SCHEMA_VERSION})",
                where=self._where,
                mend="update lampwarden",
            )
        if version is None:
            db.executescript(TABLES)
            db.execute("INSERT OR IGNORE INTO meta VALUES ('schema_version', ?)", (str(SCHEMA_VERSION),))
            db.execute("INSERT OR IGNORE INTO meta VALUES ('bench', ?)", (self._bench,))
        else:
            migrate(db, version)
        found = self._meta("bench")
        if found != self._bench:
            raise JournalError(
                f"belongs to bench {found!r}, not {self._bench!r}",
                where=self._where,
                mend="each bench needs a journal of its own ([journal] path)",
            )
        (highest,) = db.execute("SELECT COALESCE(MAX(seq), 0) FROM record").fetchone()
        self._last_seq = max(int(highest), int(self._meta("dropped_through") or 0))
        self._sent_through = int(self._meta("sent_through") or 0)

    def reopen(self) -> None:
        """Close and open again after the disk refused: a handle may go on failing after the disk is mended."""
        if self._path is None:
            return
        with self._translated():
            if self._db is not None:
                self._db.close()
            self._open()

    def _check(self) -> None:
        """Look for damage, within a bound: a journal of years must not delay the start."""
        db = self._connection
        (pages,), (page_bytes,) = db.execute("PRAGMA page_count").fetchone(), db.execute("PRAGMA page_size").fetchone()
        condition, parameters = "ORDER BY seq", ()
        if pages * page_bytes <= WHOLE_CHECK_BYTES:
            (verdict,) = db.execute("PRAGMA quick_check(1)").fetchone()
            if verdict != "ok":
                raise self._damaged(str(verdict).splitlines()[0])
        else:
            condition = f"WHERE seq > {self._last_seq - TAIL_RECORDS} ORDER BY seq"
        for row in rows_of(db, condition, parameters):
            if row.damaged:
                raise self._damaged(f"record {row.seq} is not what was written")
        for name, body, crc in db.execute("SELECT name, body, crc FROM checkpoint"):
            if crc != checksum(name, body):
                raise self._damaged(f"checkpoint {name} is not what was written")

    def _adopt_mark(self) -> None:
        """Compare the end of the journal with the numbers that were given out."""
        self._reserved = self._last_seq
        if self._paths is None:
            return
        mark = self._paths.read_mark()
        if mark is not None:
            if mark.reserved - self._last_seq > BLOCK:
                raise self._damaged(
                    f"ends at seq {self._last_seq}, but numbers up to {mark.reserved} were given out: "
                    "an older copy, or it has lost its end"
                )
            self._reserved = max(mark.reserved, self._last_seq)

    @property
    def _connection(self) -> sqlite3.Connection:
        if self._db is None:
            raise JournalError("is closed", where=self._where)
        return self._db

    def _meta(self, key: str) -> str | None:
        row = self._connection.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
        return None if row is None else str(row[0])

    def _set_meta(self, key: str, value: int) -> None:
        self._connection.execute("INSERT OR REPLACE INTO meta VALUES (?, ?)", (key, str(value)))

    # Facts

    @property
    def path(self) -> Path | None:
        """Where it is; None in memory."""
        return self._path

    @property
    def last_seq(self) -> int:
        """The highest sequence number given out."""
        return self._last_seq

    @property
    def sent_through(self) -> int:
        """All records up to this one have been taken by the broker."""
        return self._sent_through

    def first_seq(self) -> int:
        """The oldest record that is still here; one above the last where there is none."""
        with self._translated():
            (lowest,) = self._connection.execute("SELECT MIN(seq) FROM record").fetchone()
        return self._last_seq + 1 if lowest is None else int(lowest)

    def size_bytes(self) -> int:
        """Bytes in use, without pages that wait to be used again."""
        with self._translated():
            db = self._connection
            pages, free, size = (
                int(db.execute(f"PRAGMA {name}").fetchone()[0])
                for name in ("page_count", "freelist_count", "page_size")
            )
        return (pages - free) * size

    # Writing

    def commit(self, entries: Sequence[Entry]) -> list[list[Record]]:
        """Write entries in one transaction and give their records their numbers.

        Returns:
            For each entry its records, numbered.
        """
        seq = self._last_seq
        numbered: list[list[Record]] = []
        self.fresh_rows = []
        sent = (entry.sent for entry in entries if entry.sent is not None and entry.sent.rewinds == self.rewinds)
        sent_through = max((each.through_seq for each in sent), default=0)
        self._reserve(seq + sum(len(entry.records) for entry in entries))
        try:
            with self._transaction():
                for entry in entries:
                    mine: list[Record] = []
                    for draft in entry.records:
                        seq += 1
                        mine.append(draft.model_copy(update={"seq": seq}))
                    numbered.append(mine)
                    self._put(entry)
                if sent_through > self._sent_through:
                    self._set_meta("sent_through", sent_through)
                fresh = [record for mine in numbered for record in mine]
                rows = [row_of(each, self._topics) for each in fresh]
                insert_rows(self._connection, list(zip(rows, map(ends_a_test, fresh), strict=True)))
        except _AlreadyThereError:
            return self._commit_rest(entries)
        self._last_seq = seq
        self._sent_through = max(self._sent_through, sent_through)
        self.fresh_rows = rows
        return numbered

    def _commit_rest(self, entries: Sequence[Entry]) -> list[list[Record]]:
        """After a commit that was reported as failed and was not: what was added since is still to be written."""
        there = [bool(entry.records) and self._has(entry.records[0]) for entry in entries]
        count = len(there) - there[::-1].index(True) if any(there) else 0
        numbered = [[self._found(record) for record in entry.records] for entry in entries[:count]]
        rest = entries[count:]
        if not count:
            raise AssertionError("a record id was given to two records")
        return [*numbered, *self.commit(rest)] if rest else numbered

    def _has(self, draft: Record) -> bool:
        return bool(self._rows("WHERE record_id = ?", (str(draft.record_id),)))

    def _found(self, draft: Record) -> Record:
        """A record with its number, as the disk has it."""
        (row,) = self._rows("WHERE record_id = ?", (str(draft.record_id),)) or (None,)
        record = None if row is None else draft.model_copy(update={"seq": row.seq})
        if row is None or record is None or row.body != record.model_dump_json(by_alias=True):
            raise AssertionError(f"record id {draft.record_id} was given to two records")
        return record

    def _reserve(self, seq: int) -> None:
        if self._paths is None or seq <= self._reserved:
            return
        reserved = seq + BLOCK
        mark = self._paths.read_mark()
        try:
            self._paths.write_mark(Mark(reserved, 0 if mark is None else mark.dropped_through))
        except OSError as error:
            raise JournalError(
                f"cannot be written: {error.strerror}", where=self._where, mend="check the disk: space, permission"
            ) from error
        self._reserved = reserved

    def _put(self, entry: Entry) -> None:
        db = self._connection
        if entry.checkpoint is not None:
            name, body = entry.checkpoint
            if body is None:
                db.execute("DELETE FROM checkpoint WHERE name = ?", (name,))
            else:
                db.execute("INSERT OR REPLACE INTO checkpoint VALUES (?, ?, ?)", (name, body, checksum(name, body)))
        if entry.answered is not None:
            answered = entry.answered
            db.execute(
                "INSERT OR REPLACE INTO answered (command_id, fingerprint, reply) VALUES (?, ?, ?)",
                (answered.command_id, answered.fingerprint, answered.reply),
            )
            db.execute("DELETE FROM answered WHERE number <= (SELECT MAX(number) FROM answered) - ?", (ANSWERS_KEPT,))
        if entry.kept is not None:
            db.execute("INSERT OR REPLACE INTO kept VALUES (?, ?, ?, ?)", (*entry.kept, checksum(*entry.kept)))

    # Reading

    def unsent(self, after_seq: int, limit: int) -> list[Row]:
        """The oldest records above a number, in order; damaged ones too, marked."""
        return self._rows("WHERE seq > ? ORDER BY seq LIMIT ?", (after_seq, limit))

    def since(self, seq: int, limit: int) -> list[Row]:
        """Records from ``seq`` on, in order; damaged ones too, marked."""
        return self._rows("WHERE seq >= ? ORDER BY seq LIMIT ?", (seq, limit))

    def retained(self, summaries: int) -> list[Row]:
        """The newest record of each retained topic, of summaries only the newest so many; in order."""
        return self._rows(
            "WHERE seq IN (SELECT MAX(seq) FROM record WHERE retain = 1 AND schema <> 'lampwarden.summary/1' "
            "GROUP BY topic) OR seq IN (SELECT * FROM (SELECT MAX(seq) FROM record WHERE retain = 1 "
            "AND schema = 'lampwarden.summary/1' GROUP BY topic ORDER BY 1 DESC LIMIT ?)) ORDER BY seq",
            (summaries,),
        )

    def of_test(self, test_id: str, schema: str) -> list[str]:
        """Bodies (JSON) of a test's records of one schema, in order.

        Raises:
            JournalDamagedError: One of them is not what was written.
        """
        rows = self._rows("WHERE test_id = ? AND schema = ? ORDER BY seq", (test_id, schema))
        for row in rows:
            if row.damaged:
                raise self._damaged(f"record {row.seq} is not what was written", seen_in_use=True)
        return [row.body for row in rows]

    def _rows(self, where: str, parameters: tuple[int | str, ...]) -> list[Row]:
        with self._translated():
            rows = list(rows_of(self._connection, where, parameters))
        if any(row.damaged for row in rows):
            self.tell_suspect(f"record {next(row.seq for row in rows if row.damaged)} is not what was written")
        return rows

    def checkpoint(self, name: str) -> str | None:
        """What was stored under a name, or None."""
        return self._checked("SELECT body, crc FROM checkpoint WHERE name = ?", name)

    def kept(self, test_id: str, name: str) -> str | None:
        """What was kept for a test, or None."""
        return self._checked("SELECT body, crc FROM kept WHERE test_id = ? AND name = ?", test_id, name)

    def _checked(self, statement: str, *keys: str) -> str | None:
        with self._translated():
            row = self._connection.execute(statement, keys).fetchone()
        if row is None:
            return None
        body, crc = row
        if crc != checksum(*keys, body):
            raise self._damaged(f"what was kept as {'/'.join(keys)} is not what was written", seen_in_use=True)
        return str(body)

    def answered(self, command_id: str) -> Answered | None:
        """The answer that a command got, or None."""
        with self._translated():
            row = self._connection.execute(
                "SELECT command_id, fingerprint, reply FROM answered WHERE command_id = ?", (command_id,)
            ).fetchone()
        return None if row is None else Answered(*map(str, row))

    def tests(self, where: str = "") -> list[TestSpan]:
        """The tests of the journal, oldest first."""
        statement = f"SELECT test_id, first_seq, last_seq, ended, archived_seq FROM test {where} ORDER BY first_seq"  # noqa: S608 - constants
        with self._translated():
            found = self._connection.execute(statement).fetchall()
        return [TestSpan(str(t), int(first), int(last), bool(ended), int(a)) for t, first, last, ended, a in found]

    def unarchived(self) -> list[TestSpan]:
        """Tests that have ended and have records that their archive has not."""
        return self.tests("WHERE ended AND archived_seq < last_seq")

    # Sent, archived, dropped

    def rewind(self, from_seq: int) -> int:
        """Publish again from a number on; returns how many records that are."""
        with self._transaction():
            through = min(self._sent_through, max(0, from_seq - 1))
            self._set_meta("sent_through", through)
            (count,) = self._connection.execute("SELECT COUNT(*) FROM record WHERE seq >= ?", (from_seq,)).fetchone()
        self._sent_through = through
        self.rewinds += 1
        return int(count)

    def mark_archived(self, test_id: str, through_seq: int) -> None:
        """A test's records up to a number are in its archive; what was kept for it is needed no more."""
        with self._transaction():
            db = self._connection
            db.execute("UPDATE test SET archived_seq = ? WHERE test_id = ?", (through_seq, test_id))
            db.execute("DELETE FROM kept WHERE test_id = ?", (test_id,))

    def droppable_through(self) -> int:
        """Up to where records may be dropped: sent, and of no test that runs or is not archived."""
        with self._translated():
            (held,) = self._connection.execute(
                "SELECT MIN(first_seq) FROM test WHERE NOT ended OR archived_seq < last_seq"
            ).fetchone()
        return self._sent_through if held is None else min(self._sent_through, int(held) - 1)

    def drop(self, through_seq: int, limit: int) -> int:
        """Drop the oldest records, at most ``limit`` and none above ``through_seq``; returns how many."""
        through = min(through_seq, self.droppable_through(), self.first_seq() + limit - 1)
        if self._paths is not None:
            try:
                self._paths.write_mark(Mark(self._reserved, through))
            except OSError as error:
                raise self._error(sqlite3.OperationalError(str(error.strerror))) from error
        with self._transaction():
            db = self._connection
            count = db.execute("DELETE FROM record WHERE seq <= ?", (through,)).rowcount
            self._set_meta("dropped_through", max(through, int(self._meta("dropped_through") or 0)))
            db.execute("DELETE FROM test WHERE last_seq <= ? AND ended", (through,))
        return count

    def compact(self) -> None:
        """Give free space back to the disk; reads and writes all of it."""
        with self._translated():
            self._connection.execute("VACUUM")
            self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")

    # Ends and errors

    def close(self) -> None:
        """Close the file and let another daemon have it; idempotent."""
        if self._db is not None:
            self._db.close()
            self._db = None
        if self._lock is not None:
            self._lock.release()
            self._lock = None

    def tell_suspect(self, what: str) -> None:
        """Have the next start look at everything; best effort, since the disk may be the trouble."""
        if self._paths is not None:
            try:
                self._paths.suspect.write_text(what + "\n", encoding="utf-8")
            except OSError:
                return

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        db = self._connection
        with self._translated():
            db.execute("BEGIN IMMEDIATE")
            try:
                yield
                db.execute("COMMIT")
            except BaseException:
                if db.in_transaction:
                    db.execute("ROLLBACK")
                raise

    @contextmanager
    def _translated(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise self._error(error) from error

    def _damaged(self, what: str, *, seen_in_use: bool = False) -> JournalDamagedError:
        if seen_in_use:
            self.tell_suspect(what)
        return JournalDamagedError(
            f"damaged: {what}", where=self._where, mend="the next start of the daemon recovers what can be had"
        )

    def _error(self, error: sqlite3.Error) -> JournalError:
        code = getattr(error, "sqlite_errorcode", 0) & 0xFF
        if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
            return self._damaged(str(error), seen_in_use=True)
        if code == sqlite3.SQLITE_CONSTRAINT:
            return _AlreadyThereError(str(error), where=self._where)
        if code == sqlite3.SQLITE_FULL:
            return JournalError("the disk is full", where=self._where, mend="make room; the daemon goes on by itself")
        if code in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_IOERR):
            return JournalError(
                f"the disk does not take it: {error}",
                where=self._where,
                mend="check the disk: space, permission, health; the daemon goes on by itself",
            )
        return JournalError(f"{error}", where=self._where, mend="check the disk: space, permission, health")
