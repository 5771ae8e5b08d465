"""A journal of an older version becomes one of the present version, and nothing in it changes."""

import json
import sqlite3
from pathlib import Path

import pytest
from lampwarden.daemon.store.examination import examine
from lampwarden.daemon.store.journal import JournalFile
from lampwarden.daemon.store.journal_schema import SCHEMA_VERSION
from lampwarden.protocol.errors import JournalError
from support.journals import BENCH, Notebook, bodies, put

VERSION_1 = """
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE record (
    seq INTEGER PRIMARY KEY,
    record_id TEXT NOT NULL UNIQUE,
    schema TEXT NOT NULL,
    test_id TEXT,
    topic TEXT NOT NULL,
    retain INTEGER NOT NULL,
    sent INTEGER NOT NULL DEFAULT 0,
    body TEXT NOT NULL
);
CREATE INDEX record_by_test ON record (test_id, schema);
CREATE INDEX record_unsent ON record (seq) WHERE sent = 0;
CREATE TABLE checkpoint (name TEXT PRIMARY KEY, body TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE kept (
    test_id TEXT NOT NULL, name TEXT NOT NULL, body TEXT NOT NULL, PRIMARY KEY (test_id, name)
) WITHOUT ROWID;
CREATE TABLE answered (command_id TEXT PRIMARY KEY, reply TEXT NOT NULL) WITHOUT ROWID;
INSERT INTO meta VALUES ('schema_version', '1'), ('bench', 'north-house');
"""
"""The tables of version 1, as its daemon made them."""


def journal_of_version_1(path: Path, *, sent: int) -> list[str]:
    """Two tests, one of them over; the first ``sent`` records are marked as sent. Returns the bodies."""
    book = Notebook()
    records = [*book.whole_test("t-1", 5), *book.notes(3, test_id="t-2"), book.note("of the bench")]
    db = sqlite3.connect(path)
    db.execute("PRAGMA journal_mode=WAL")
    db.executescript(VERSION_1)
    written = []
    for seq, draft in enumerate(records, start=1):
        record = draft.model_copy(update={"seq": seq})
        body = record.model_dump_json(by_alias=True)
        written.append(body)
        row = (seq, str(record.record_id), record.schema_, record.test_id, f"topic/{seq}", 0, seq <= sent, body)
        db.execute("INSERT INTO record VALUES (?, ?, ?, ?, ?, ?, ?, ?)", row)
    db.execute("INSERT INTO checkpoint VALUES ('test', '{\"phase\":\"settle\"}')")
    db.execute("INSERT INTO kept VALUES ('t-2', 'dark', '[1, 2]')")
    db.execute("INSERT INTO answered VALUES ('c-1', '{\"text\":\"done\"}')")
    db.commit()
    db.close()
    return written


def test_a_journal_of_version_1_opens_with_every_record_word_for_word(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    before = journal_of_version_1(path, sent=4)
    file = JournalFile(path, BENCH)
    assert [row.body for row in file.since(1, 100)] == before
    assert not any(row.damaged for row in file.since(1, 100))
    assert file.last_seq == len(before)
    file.close()
    assert examine(path).sound


@pytest.mark.parametrize(("sent", "first_unsent"), [(0, 1), (4, 5), (9, None)])
def test_what_version_1_had_not_sent_is_still_to_be_sent(tmp_path: Path, sent: int, first_unsent: int | None) -> None:
    path = tmp_path / "journal.sqlite"
    journal_of_version_1(path, sent=sent)
    file = JournalFile(path, BENCH)
    rows = file.unsent(file.sent_through, 1)
    assert (rows[0].seq if rows else None) == first_unsent
    file.close()


def test_stored_state_kept_things_and_answers_survive_the_migration(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    journal_of_version_1(path, sent=0)
    file = JournalFile(path, BENCH)
    assert file.checkpoint("test") == '{"phase":"settle"}'
    assert file.kept("t-2", "dark") == "[1, 2]"
    answered = file.answered("c-1")
    assert answered is not None
    assert json.loads(answered.reply) == {"text": "done"}
    file.close()


def test_the_migration_knows_which_tests_are_over(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    journal_of_version_1(path, sent=0)
    file = JournalFile(path, BENCH)
    assert [(s.test_id, s.first_seq, s.last_seq, s.ended) for s in file.tests()] == [
        ("t-1", 1, 5, True),
        ("t-2", 6, 8, False),
    ]
    file.close()


def test_a_daemon_killed_in_the_migration_finds_version_1_again(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    before = journal_of_version_1(path, sent=4)
    db = sqlite3.connect(path, isolation_level=None)
    # What a kill leaves: everything the migration does up to its commit, and then nobody who commits.
    db.execute("BEGIN IMMEDIATE")
    db.execute("DROP INDEX record_unsent")
    db.execute("ALTER TABLE record DROP COLUMN sent")
    db.close()
    file = JournalFile(path, BENCH)
    assert [row.body for row in file.since(1, 100)] == before
    assert file.sent_through == 4
    file.close()


def test_writing_goes_on_with_the_next_number_after_the_migration(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    before = journal_of_version_1(path, sent=0)
    file = JournalFile(path, BENCH)
    (record,) = put(file, [Notebook(seed=2).note("after")])
    file.close()
    assert record.seq == len(before) + 1
    assert list(bodies(path)) == list(range(1, len(before) + 2))


def test_a_journal_of_a_newer_version_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    file = JournalFile(path, BENCH)
    put(file, Notebook().notes(2))
    file.close()
    db = sqlite3.connect(path)
    db.execute("UPDATE meta SET value = ? WHERE key = 'schema_version'", (str(SCHEMA_VERSION + 1),))
    db.commit()
    db.close()
    before = path.read_bytes()
    with pytest.raises(JournalError, match=r"newer version.*update lampwarden"):
        JournalFile(path, BENCH)
    assert path.read_bytes() == before


def test_a_journal_of_another_bench_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    JournalFile(path, BENCH).close()
    with pytest.raises(JournalError, match="belongs to bench 'north-house', not 'south-house'"):
        JournalFile(path, "south-house")
