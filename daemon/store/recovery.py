"""What to do about a journal that is not what was written: rebuild it, and say what is lost.

:func:`recover` makes a new journal from everything that can still be read: the rows that SQLite gives out, the rows
that :mod:`.salvage` finds page by page, and the archives of finished tests. Each number for which nothing is left gets
a *stub* in its place, so that ``seq`` stays gapless and a reader can see that the number is lost, not late. The damaged
file is set aside, never deleted.

The order of steps lets a crash at any point be followed by another recovery: the old file keeps its place until the
new one is complete and synced; and from before anything of it is moved until the new one has its place, the journal is
marked as suspect, so that no daemon takes what is there meanwhile for the whole of it.
"""

import logging
import os
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final
from uuid import NAMESPACE_URL, uuid5

from pydantic import JsonValue, TypeAdapter, ValidationError

from ...protocol.counts import counted
from ...protocol.errors import JournalError
from ...protocol.records import Catalogue, EventRecord, Record, StubRecord, schema_name
from ...protocol.topics import Topics
from ..stamp import Stamp
from .archive import archives, read_archive
from .durable import put_in_place, sync_file, write_durably
from .examination import ranges
from .journal_file import JournalDamagedError, JournalFile
from .journal_files import BLOCK, JournalLock, JournalPaths, Mark
from .journal_rows import Row, row_of, rows_of
from .journal_schema import SCHEMA_VERSION, TABLES, checksum, fill_tests, migrate, version_of
from .salvage import salvage

log = logging.getLogger("lampwarden.journal")

CHUNK: Final = 500
"""Numbers asked for at a time; where that fails, each is asked for by itself."""
_MODELS: Final[dict[str, type[Record]]] = {schema_name(model): model for model in Catalogue.DURABLE}
_OBJECT: Final = TypeAdapter(dict[str, JsonValue])


@dataclass(slots=True)
class Recovery:
    """What a recovery came to."""

    from_journal: int = 0
    from_archives: int = 0
    lost: list[int] = field(default_factory=list)
    """Numbers of which nothing is left, each with a stub in its place."""
    perhaps_unused_from: int | None = None
    """Numbers from here on may never have been given out: the damage hides where the journal ended."""
    test_kept: bool = False
    """Whether a stored state of a test was found."""
    set_aside: Path | None = None
    bad_archives: list[str] = field(default_factory=list)

    def text(self) -> str:
        """In one line, for log and operator."""
        parts = [f"{counted(self.from_journal, 'record')} kept"]
        if self.from_archives:
            parts.append(f"{self.from_archives} taken from archives")
        parts.append(f"lost: seq {ranges(self.lost)}" if self.lost else "nothing lost")
        if self.perhaps_unused_from is not None and self.lost:
            parts.append(f"of these, seq {self.perhaps_unused_from} and above were perhaps never used")
        if self.bad_archives:
            parts.append(f"archives that are damaged too: {', '.join(self.bad_archives)}")
        if self.set_aside is not None:
            parts.append(f"the former file is kept as {self.set_aside.name}")
        return "; ".join(parts)


def open_or_recover(path: Path, bench: str, stamp: Stamp) -> tuple[JournalFile, Recovery | None]:
    """Open a journal; one that is damaged is recovered first.

    Raises:
        JournalError: As :class:`JournalFile`, but for damage; or the recovery could not be written.
    """
    try:
        return JournalFile(path, bench), None
    except JournalDamagedError as error:
        log.error("journal: %s", error)  # noqa: TRY400 - the reason is in the error's words
        recovery = recover(path, bench, stamp)
        log.warning("journal: recovered: %s", recovery.text())
        return JournalFile(path, bench), recovery


def recover(path: Path, bench: str, stamp: Stamp) -> Recovery:
    """Rebuild a journal from what can be read of it and from the archives beside it.

    Args:
        path: Of the journal; it may be gone altogether.
        bench: Whose it is.
        stamp: Makes the stubs, and the event that says what happened.

    Raises:
        JournalError: A daemon works on it, or the disk refuses.
    """
    paths = JournalPaths(path)
    lock = JournalLock(paths)
    made = path.with_name(path.name + ".recovering")
    try:
        _take_back(paths)
        made.unlink(missing_ok=True)
        with closing(sqlite3.connect(made, isolation_level=None)) as db:
            db.execute("PRAGMA synchronous=FULL")
            recovery = _rebuild(db, paths, bench, stamp)
        sync_file(made)
        _swap(paths, made, recovery, stamp)
    except sqlite3.Error as error:
        raise JournalError(f"cannot be recovered: {error}", where=str(path), mend="check the disk: space") from error
    except OSError as error:
        raise JournalError(f"cannot be recovered: {error.strerror}", where=str(path), mend="check the disk") from error
    finally:
        with suppress(OSError):
            made.unlink(missing_ok=True)  # a part of it on a full disk would keep the disk full
        lock.release()
    return recovery


def _swap(paths: JournalPaths, made: Path, recovery: Recovery, stamp: Stamp) -> None:
    """Let the new file take the old one's place; the old one gets another name first."""
    parts = paths.parts()
    if parts:
        write_durably(paths.suspect, [b"a recovery was under way\n"])
        name = f"{paths.journal.name}.damaged-{stamp.message()['time']:%Y%m%dT%H%M%S}"
        taken = len(list(paths.journal.parent.glob(f"{name}*")))
        aside = paths.journal.with_name(name if not taken else f"{name}-{taken}")
        for part in parts:
            suffix = part.name.removeprefix(paths.journal.name)
            if suffix == "":
                os.link(part, aside)
                recovery.set_aside = aside
            elif suffix == "-wal":
                part.replace(aside.with_name(aside.name + suffix))
            else:
                part.unlink()
    put_in_place(made, paths.journal)
    paths.suspect.unlink(missing_ok=True)


def _take_back(paths: JournalPaths) -> None:
    """Undo what a recovery did that died before the new file had its place: the old one's log belongs to it again.

    There is a log where somebody read the journal meanwhile: SQLite puts it into the file only as the last one closes.
    """
    wal = paths.journal.with_name(paths.journal.name + "-wal")
    for aside in _asides(paths):
        if paths.journal.exists() and aside.samefile(paths.journal):
            log_aside = aside.with_name(aside.name + "-wal")
            if log_aside.exists() and not (wal.exists() and wal.stat().st_size):
                log_aside.replace(wal)
            aside.unlink()


def _asides(paths: JournalPaths) -> list[Path]:
    """Damaged journals that earlier recoveries have set aside, without their logs."""
    found = sorted(paths.journal.parent.glob(paths.journal.name + ".damaged-*"))
    return [path for path in found if not path.name.endswith(("-wal", "-shm"))]


def _rebuild(db: sqlite3.Connection, paths: JournalPaths, bench: str, stamp: Stamp) -> Recovery:
    recovery = Recovery()
    db.executescript(TABLES)
    db.execute("BEGIN IMMEDIATE")
    old = _Old(paths.journal)
    with closing(old):
        mark = paths.read_mark()
        dropped = max(old.meta("dropped_through") or 0, mark.dropped_through if mark is not None else 0)
        highest = max(old.highest(), mark.reserved if mark is not None else 0)
        _take(db, old.rows(highest))
        for source in [paths.journal, *_asides(paths)]:
            if source.is_file() and (source == paths.journal or _gaps(db, dropped, highest)):
                _take(db, salvage(source))
        db.execute("DELETE FROM record WHERE seq <= ?", (dropped,))
        (recovery.from_journal,) = db.execute("SELECT COUNT(*) FROM record").fetchone()
        archived = _take_archives(db, paths, bench, dropped, recovery)
        (last,) = db.execute("SELECT COALESCE(MAX(seq), ?) FROM record", (dropped,)).fetchone()
        end = int(last)
        # An older copy that was put back is whole, and yet does not know what was given out after it was made.
        knows_its_end = old.whole and mark is not None and mark.reserved - old.highest() <= BLOCK
        if not knows_its_end and mark is not None and mark.reserved > end:
            recovery.perhaps_unused_from, end = end + 1, mark.reserved
        recovery.lost = _gaps(db, dropped, end)
        for seq in recovery.lost:
            _put(db, _lost_stub(seq, bench, stamp, unused=seq >= (recovery.perhaps_unused_from or end + 1)), bench)
        old.copy_rest(db)
        recovery.test_kept = db.execute("SELECT COUNT(*) FROM checkpoint").fetchone()[0] > 0
        _put(db, _told(recovery, stamp).model_copy(update={"seq": end + 1}), bench)
        sent = old.meta("sent_through")
        through = dropped if sent is None else max(dropped, min(sent, recovery.lost[0] - 1 if recovery.lost else sent))
    fill_tests(db)
    for test_id, archived_seq in archived.items():
        db.execute("UPDATE test SET archived_seq = ? WHERE test_id = ?", (archived_seq, test_id))
    for key, value in (
        ("schema_version", str(SCHEMA_VERSION)),
        ("bench", bench),
        ("sent_through", str(min(through, end))),
        ("dropped_through", str(dropped)),
    ):
        db.execute("INSERT OR REPLACE INTO meta VALUES (?, ?)", (key, value))
    db.execute("COMMIT")
    paths.write_mark(Mark(max(end + 1, mark.reserved if mark is not None else 0), dropped))
    return recovery


class _Old:
    """The damaged journal, as far as SQLite still reads it."""

    def __init__(self, path: Path) -> None:
        self.whole = False
        """Whether its tree is whole, so that its end is known."""
        self._db: sqlite3.Connection | None = None
        if not path.exists():
            return
        db = sqlite3.connect(path, isolation_level=None)
        db.text_factory = lambda raw: raw.decode("utf-8", "replace")
        try:
            version = version_of(db)
            if version is not None:
                migrate(db, version)
                self._db = db
                (verdict,) = db.execute("PRAGMA quick_check(1)").fetchone()
                self.whole = verdict == "ok"
        except sqlite3.Error:
            self.whole = False
        if self._db is None:
            db.close()

    def close(self) -> None:
        if self._db is not None:
            self._db.close()

    def meta(self, key: str) -> int | None:
        rows = list(self._read("SELECT value FROM meta WHERE key = ?", (key,)))
        try:
            return int(str(rows[0][0])) if rows else None
        except ValueError:
            return None

    def highest(self) -> int:
        rows = list(self._read("SELECT COALESCE(MAX(seq), 0) FROM record", ()))
        return int(rows[0][0]) if rows else 0

    def rows(self, highest: int) -> Iterator[Row]:
        if self._db is None:
            return
        for first in range(1, highest + 1, CHUNK):
            try:
                yield from list(rows_of(self._db, "WHERE seq BETWEEN ? AND ?", (first, first + CHUNK - 1)))
            except sqlite3.Error:
                for seq in range(first, first + CHUNK):
                    try:
                        yield from list(rows_of(self._db, "WHERE seq = ?", (seq,)))
                    except sqlite3.Error:
                        continue

    def copy_rest(self, db: sqlite3.Connection) -> None:
        """What is not records, as far as it can be read and is what was written."""
        for name, body, crc in self._read("SELECT name, body, crc FROM checkpoint", ()):
            if crc == checksum(name, body):
                db.execute("INSERT OR IGNORE INTO checkpoint VALUES (?, ?, ?)", (name, body, crc))
        for test_id, name, body, crc in self._read("SELECT test_id, name, body, crc FROM kept", ()):
            if crc == checksum(test_id, name, body):
                db.execute("INSERT OR IGNORE INTO kept VALUES (?, ?, ?, ?)", (test_id, name, body, crc))
        for row in self._read("SELECT number, command_id, fingerprint, reply FROM answered", ()):
            db.execute("INSERT OR IGNORE INTO answered VALUES (?, ?, ?, ?)", row)

    def _read(self, statement: str, parameters: tuple[str, ...]) -> Iterator[tuple[str | int, ...]]:
        if self._db is None:
            return
        try:
            yield from self._db.execute(statement, parameters).fetchall()
        except sqlite3.Error:
            return


def _take(db: sqlite3.Connection, rows: Iterable[Row]) -> None:
    for row in rows:
        if not row.damaged:
            db.execute(
                "INSERT OR IGNORE INTO record (seq, record_id, schema, test_id, topic, retain, body, crc) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                (row.seq, row.record_id, row.schema, row.test_id, row.topic, int(row.retain), row.body, row.crc),
            )


def _put(db: sqlite3.Connection, record: Record, bench: str) -> None:
    _take(db, [row_of(record, Topics(bench))])


def _gaps(db: sqlite3.Connection, after: int, end: int) -> list[int]:
    present = {seq for (seq,) in db.execute("SELECT seq FROM record WHERE seq > ? AND seq <= ?", (after, end))}
    return [seq for seq in range(after + 1, end + 1) if seq not in present]


def _take_archives(
    db: sqlite3.Connection, paths: JournalPaths, bench: str, dropped: int, recovery: Recovery
) -> dict[str, int]:
    """Fill up from the archives; returns up to where each test is archived."""
    topics = Topics(bench)
    archived: dict[str, int] = {}
    for path in archives(paths.archive):
        try:
            archive = read_archive(path)
        except JournalError:
            recovery.bad_archives.append(path.name)
            continue
        archived[archive.test_id] = max(archive.bodies)
        for seq, body in archive.bodies.items():
            if seq <= dropped or db.execute("SELECT 1 FROM record WHERE seq = ?", (seq,)).fetchone():
                continue
            record = _record(body)
            if record is not None:
                row = row_of(record, topics)
                # Word for word as it was, not as today's model would write it.
                _take(db, [Row(seq, row.topic, row.retain, row.schema, body, row.record_id, row.test_id)])
                recovery.from_archives += 1
    return archived


def _record(body: str) -> Record | None:
    try:
        schema = _OBJECT.validate_json(body).get("schema")
        model = _MODELS.get(str(schema))
        return None if model is None else model.model_validate_json(body)
    except ValidationError:
        return None


def _lost_stub(seq: int, bench: str, stamp: Stamp, *, unused: bool) -> StubRecord:
    reason = "lost: the journal was damaged, and no archive has it"
    if unused:
        reason = "lost, or never used: the journal's end was damaged, and numbers are reserved in blocks"
    record_id = uuid5(NAMESPACE_URL, f"urn:lampwarden:{bench}:{seq}:lost")
    return StubRecord(
        **stamp.record(record_id=record_id), of_schema=None, of_record_id=None, size_bytes=None, reason=reason
    ).model_copy(update={"seq": seq})


def _told(recovery: Recovery, stamp: Stamp) -> EventRecord:
    return EventRecord(
        **stamp.record(),
        event="journal_recovered",
        text=f"the journal was damaged and has been recovered: {recovery.text()}",
        details={
            "from_journal": recovery.from_journal,
            "from_archives": recovery.from_archives,
            "lost": ranges(recovery.lost),
            "lost_count": len(recovery.lost),
        },
    )
