"""Tables of the journal, their versions, and how an older file becomes a newer one.

Version 2 (against 1): how far the outbox has come is one number (``meta.sent_through``) instead of a mark on each
record, since records go out in order; every row carries a CRC-32, because SQLite notices a broken tree but not a
changed letter; ``test`` says which tests have ended and how far each is archived; answers to commands are numbered, so
that only the newest need be kept.

A migration runs in one transaction: a daemon that is killed in it finds the old version again.
"""

import sqlite3
import zlib
from collections.abc import Callable
from typing import Final

SCHEMA_VERSION: Final = 2

TABLES: Final = """
CREATE TABLE IF NOT EXISTS meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS record (
    seq INTEGER PRIMARY KEY,
    record_id TEXT NOT NULL UNIQUE,
    schema TEXT NOT NULL,
    test_id TEXT,
    topic TEXT NOT NULL,
    retain INTEGER NOT NULL,
    body TEXT NOT NULL,
    crc INTEGER NOT NULL
);
CREATE INDEX IF NOT EXISTS record_by_test ON record (test_id, schema);
CREATE INDEX IF NOT EXISTS record_retained ON record (schema, topic, seq) WHERE retain = 1;
CREATE TABLE IF NOT EXISTS test (
    test_id TEXT PRIMARY KEY,
    first_seq INTEGER NOT NULL,
    last_seq INTEGER NOT NULL,
    ended INTEGER NOT NULL DEFAULT 0,
    archived_seq INTEGER NOT NULL DEFAULT 0
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS checkpoint (name TEXT PRIMARY KEY, body TEXT NOT NULL, crc INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS kept (
    test_id TEXT NOT NULL, name TEXT NOT NULL, body TEXT NOT NULL, crc INTEGER NOT NULL, PRIMARY KEY (test_id, name)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS answered (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    command_id TEXT NOT NULL UNIQUE,
    fingerprint TEXT NOT NULL,
    reply TEXT NOT NULL
);
"""

ENDS_A_TEST: Final = ("test_finished", "test_abandoned")
"""Events after which a test is over and can be archived."""


def checksum(*parts: str | int | None) -> int:
    """CRC-32 of what belongs together in a row (zlib; the polynomial of ISO 3309, section 8.1.1.6.2, from memory)."""
    return zlib.crc32("\x00".join("" if part is None else str(part) for part in parts).encode())


def version_of(db: sqlite3.Connection) -> int | None:
    """The version of a file, or None for an empty one."""
    (tables,) = db.execute("SELECT count(*) FROM sqlite_schema WHERE name = 'meta'").fetchone()
    if not tables:
        return None
    row = db.execute("SELECT value FROM meta WHERE key = 'schema_version'").fetchone()
    return None if row is None else int(row[0])


def _to_2(db: sqlite3.Connection) -> None:
    """From version 1."""
    db.create_function("checksum", -1, checksum, deterministic=True)
    sent = "SELECT COALESCE(MIN(seq) - 1, (SELECT COALESCE(MAX(seq), 0) FROM record)) FROM record WHERE sent = 0"
    (sent_through,) = db.execute(sent).fetchone()
    db.execute("INSERT OR REPLACE INTO meta VALUES ('sent_through', ?)", (str(sent_through),))
    db.execute("DROP INDEX record_unsent")
    db.execute("ALTER TABLE record DROP COLUMN sent")
    db.execute("ALTER TABLE record ADD COLUMN crc INTEGER NOT NULL DEFAULT 0")
    db.execute("UPDATE record SET crc = checksum(seq, record_id, schema, test_id, topic, retain, body)")
    db.execute("CREATE INDEX record_retained ON record (schema, topic, seq) WHERE retain = 1")
    for table, keys, crc in (
        ("checkpoint", "name", "checksum(name, body)"),
        ("kept", "test_id, name", "checksum(test_id, name, body)"),
    ):
        db.execute(f"ALTER TABLE {table} RENAME TO old_{table}")
        _create(db, table)
        db.execute(f"INSERT INTO {table} SELECT {keys}, body, {crc} FROM old_{table}")  # noqa: S608 - constants
        db.execute(f"DROP TABLE old_{table}")
    db.execute("ALTER TABLE answered RENAME TO old_answered")
    _create(db, "answered")
    # An answer of version 1 does not say to which words it was given: the id alone must do.
    db.execute("INSERT INTO answered (command_id, fingerprint, reply) SELECT command_id, '', reply FROM old_answered")
    db.execute("DROP TABLE old_answered")
    _create(db, "test")
    fill_tests(db)


def _create(db: sqlite3.Connection, table: str) -> None:
    db.execute(next(part for part in TABLES.split(";") if f"EXISTS {table} (" in part))


def fill_tests(db: sqlite3.Connection) -> None:
    """Make the table of tests from the records; nothing counts as archived."""
    db.execute(
        "INSERT OR REPLACE INTO test (test_id, first_seq, last_seq) "
        "SELECT test_id, MIN(seq), MAX(seq) FROM record WHERE test_id IS NOT NULL GROUP BY test_id"
    )
    db.execute(
        "UPDATE test SET ended = 1 WHERE test_id IN (SELECT test_id FROM record WHERE schema = 'lampwarden.event/1' "
        "AND json_valid(body) AND json_extract(body, '$.event') IN (?, ?))",
        ENDS_A_TEST,
    )


MIGRATIONS: Final[dict[int, Callable[[sqlite3.Connection], None]]] = {1: _to_2}
"""From each older version to the next one."""


def migrate(db: sqlite3.Connection, version: int) -> None:
    """Bring a file to :data:`SCHEMA_VERSION`, all steps in one transaction.

    Raises:
        sqlite3.Error: It could not be written; the file is as it was.
    """
    if version >= SCHEMA_VERSION:
        return
    db.execute("BEGIN IMMEDIATE")
    try:
        for step in range(version, SCHEMA_VERSION):
            MIGRATIONS[step](db)
        db.execute("UPDATE meta SET value = ? WHERE key = 'schema_version'", (str(SCHEMA_VERSION),))
        db.execute("COMMIT")
    except BaseException:
        db.execute("ROLLBACK")
        raise
