"""A journal that is not what was written is noticed, recovered as far as it goes, and accounted for to the end."""

import errno
import random
import shutil
import sqlite3
from pathlib import Path

import pytest
from lampwarden.daemon.stamp import RecordStamp, Stamp
from lampwarden.daemon.store.archive import archive_test
from lampwarden.daemon.store.examination import backup, examine, ranges
from lampwarden.daemon.store.journal import Entry, JournalDamagedError, JournalFile, Sent
from lampwarden.daemon.store.journal_file import reading
from lampwarden.daemon.store.journal_files import BLOCK, JournalPaths
from lampwarden.daemon.store.recovery import Recovery, open_or_recover, recover
from lampwarden.daemon.store.salvage import salvage
from lampwarden.protocol.errors import JournalError
from support.journals import BENCH, Notebook, bodies, ids_of, put

PAGE = 4096
"""SQLite's page (its default since 3.12.0, from memory)."""


@pytest.fixture
def book() -> Notebook:
    return Notebook()


def journal_with_two_tests(path: Path, book: Notebook) -> dict[int, str]:
    """An archived test, one that runs, records of the bench between; some larger than a page. Returns ids by number."""
    file = JournalFile(path, BENCH)
    put(file, book.notes(20))
    put(file, book.whole_test("t-1", 60, size=700))
    put(file, book.notes(3, test_id="t-1", size=30_000))
    archive_test(path, JournalPaths(path).archive, "t-1")
    put(file, book.notes(40, test_id="t-2", size=300))
    put(file, book.notes(2, test_id="t-2", size=50_000))
    file.commit([Entry(checkpoint=("test", '{"phase":"settle"}'), kept=("t-2", "dark", "[1]"))])
    file.commit([Entry(sent=Sent(100, file.rewinds))])
    file.close()
    return ids_of(path)


def ruin(path: Path, page: int, seed: int) -> None:
    """Overwrite one page with noise, as a dying disk does."""
    with path.open("r+b") as file:
        file.seek(page * PAGE)
        file.write(random.Random(seed).randbytes(PAGE))  # noqa: S311


def reopened(path: Path, book: Notebook) -> tuple[JournalFile, Recovery | None]:
    return open_or_recover(path, BENCH, book.stamp)


def accounted(path: Path, before: dict[int, str], recovery: Recovery) -> None:
    """Every number from 1 on is there once: as it was, or as a stub that was told."""
    after = bodies(path)
    assert list(after) == list(range(1, len(after) + 1))
    for seq, record_id in before.items():
        if seq in recovery.lost:
            assert after[seq]["schema"] == "lampwarden.stub/1"
            assert "lost" in str(after[seq]["reason"])
        else:
            assert after[seq]["record_id"] == record_id
    told = list(after.values())[-1]
    assert told["event"] == "journal_recovered"
    details = told["details"]
    assert isinstance(details, dict)
    assert details["lost"] == ranges(recovery.lost)


def test_noise_in_any_page_is_recovered_and_every_lost_number_is_told(tmp_path: Path, book: Notebook) -> None:
    origin = tmp_path / "origin" / "journal.sqlite"
    origin.parent.mkdir()
    before = journal_with_two_tests(origin, book)
    of_archived_test = range(21, 84)
    pages = origin.stat().st_size // PAGE
    noticed = 0
    for page in [0, *random.Random(7).sample(range(1, pages), min(pages - 1, 40))]:  # noqa: S311
        folder = tmp_path / f"page-{page}"
        shutil.copytree(origin.parent, folder)
        path = folder / "journal.sqlite"
        ruin(path, page, seed=page)
        file, recovery = reopened(path, book)
        file.close()
        if recovery is None:
            continue  # the page is free: nothing of ours was in it
        noticed += 1
        accounted(path, before, recovery)
        assert not set(recovery.lost) & set(of_archived_test), "what an archive has is never lost"
        assert recovery.set_aside is not None
        assert recovery.set_aside.exists()
        shutil.rmtree(folder)
    assert noticed > 30


def test_a_ruined_root_page_costs_nothing_that_is_in_the_leaves(tmp_path: Path, book: Notebook) -> None:
    path = tmp_path / "journal.sqlite"
    before = journal_with_two_tests(path, book)
    db = sqlite3.connect(path)
    (root,) = db.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'record'").fetchone()
    db.close()
    ruin(path, root - 1, seed=3)
    shutil.rmtree(JournalPaths(path).archive)
    file, recovery = reopened(path, book)
    file.close()
    assert recovery is not None
    accounted(path, before, recovery)
    assert set(recovery.lost) <= set(range(len(before) + 1, len(before) + 2 * BLOCK))


def test_one_changed_letter_is_noticed_although_sqlite_sees_nothing(tmp_path: Path, book: Notebook) -> None:
    path = tmp_path / "journal.sqlite"
    journal_with_two_tests(path, book)
    raw = path.read_bytes()
    at = raw.index(b"note 17")
    path.write_bytes(raw[:at] + b"nose 17" + raw[at + 7 :])
    db = sqlite3.connect(path)
    assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    db.close()
    with pytest.raises(JournalDamagedError, match="record 18 is not what was written"):
        JournalFile(path, BENCH)


def test_a_changed_letter_of_an_archived_record_comes_back_from_the_archive(tmp_path: Path, book: Notebook) -> None:
    path = tmp_path / "journal.sqlite"
    before = journal_with_two_tests(path, book)
    original = bodies(path)[30]
    db = sqlite3.connect(path)
    db.execute("UPDATE record SET body = replace(body, 'note', 'nose') WHERE seq = 30")
    db.commit()
    db.close()
    file, recovery = reopened(path, book)
    file.close()
    assert recovery is not None
    assert (recovery.from_archives, recovery.lost) == (1, [])
    assert bodies(path)[30] == original
    accounted(path, before, recovery)


def test_a_changed_letter_outside_of_archives_is_lost_and_named(tmp_path: Path, book: Notebook) -> None:
    path = tmp_path / "journal.sqlite"
    before = journal_with_two_tests(path, book)
    db = sqlite3.connect(path)
    db.execute("UPDATE record SET body = replace(body, 'note', 'nose') WHERE seq IN (5, 6, 90)")
    db.commit()
    db.close()
    file, recovery = reopened(path, book)
    assert recovery is not None
    assert recovery.lost == [5, 6, 90]
    assert "lost: seq 5–6, 90" in recovery.text()
    # Readers must hear of the stubs: sending begins again at the first of them.
    assert file.sent_through == 4
    file.close()
    accounted(path, before, recovery)


def test_the_stored_state_of_the_test_survives_a_recovery(tmp_path: Path, book: Notebook) -> None:
    path = tmp_path / "journal.sqlite"
    journal_with_two_tests(path, book)
    db = sqlite3.connect(path)
    db.execute("UPDATE record SET body = '{}' WHERE seq = 5")
    db.commit()
    db.close()
    file, recovery = reopened(path, book)
    assert recovery is not None
    assert recovery.test_kept
    assert file.checkpoint("test") == '{"phase":"settle"}'
    assert file.kept("t-2", "dark") == "[1]"
    file.close()


def test_an_older_copy_put_back_is_noticed_and_filled_from_archives(tmp_path: Path, book: Notebook) -> None:
    path = tmp_path / "journal.sqlite"
    file = JournalFile(path, BENCH)
    put(file, book.notes(10))
    file.close()
    backup(path, tmp_path / "copy.sqlite")
    file = JournalFile(path, BENCH)
    put(file, book.whole_test("t-1", 2 * BLOCK))
    put(file, book.notes(5))
    file.close()
    before = ids_of(path)
    archive_test(path, JournalPaths(path).archive, "t-1")
    for part in JournalPaths(path).parts():
        part.unlink()
    shutil.copy(tmp_path / "copy.sqlite", path)
    file, recovery = reopened(path, book)
    file.close()
    assert recovery is not None
    assert recovery.from_archives == 2 * BLOCK
    assert recovery.lost[:5] == [523, 524, 525, 526, 527]
    assert recovery.perhaps_unused_from is None or recovery.perhaps_unused_from == 523
    accounted(path, before, recovery)


def test_a_deleted_journal_does_not_give_the_same_numbers_twice(tmp_path: Path, book: Notebook) -> None:
    path = tmp_path / "journal.sqlite"
    file = JournalFile(path, BENCH)
    given = put(file, book.notes(BLOCK + 10))
    file.close()
    for part in JournalPaths(path).parts():
        part.unlink()
    file, recovery = reopened(path, book)
    (fresh,) = put(file, [book.note("after")])
    file.close()
    assert recovery is not None
    assert fresh.seq > given[-1].seq
    assert set(recovery.lost) >= {record.seq for record in given}


def test_a_daemon_killed_in_a_recovery_recovers_at_the_next_start(
    tmp_path: Path, book: Notebook, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "journal.sqlite"
    before = journal_with_two_tests(path, book)
    ruin(path, 3, seed=1)

    class Killed(BaseException):
        pass

    def die(*_: object) -> None:
        raise Killed

    for instant in ("lampwarden.daemon.store.recovery.sync_file", "lampwarden.daemon.store.recovery.put_in_place"):
        with monkeypatch.context() as patch:
            patch.setattr(instant, die)
            with pytest.raises(Killed):
                open_or_recover(path, BENCH, book.stamp)
    file, recovery = reopened(path, book)
    file.close()
    assert recovery is not None
    accounted(path, before, recovery)


def test_a_recovery_beside_a_reader_that_dies_takes_nothing_along(
    tmp_path: Path, book: Notebook, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With a reader, the newest records are in SQLite's log alone; a recovery that dies has moved the log, and the file
    without it looks whole: a daemon would go on from there and give the numbers again."""
    path = tmp_path / "journal.sqlite"
    file = JournalFile(path, BENCH)
    put(file, book.notes(60))
    file.compact()
    reader = reading(path)
    reader.execute("BEGIN")
    reader.execute("SELECT COUNT(*) FROM record").fetchone()
    put(file, book.notes(30))
    file.commit([Entry(checkpoint=("test", '{"phase":"settle"}'))])
    before = ids_of(path)
    file.close()

    class Killed(BaseException):
        pass

    def die(*_: object) -> None:
        raise Killed

    with monkeypatch.context() as patch:
        patch.setattr("lampwarden.daemon.store.recovery.put_in_place", die)
        with pytest.raises(Killed):
            recover(path, BENCH, book.stamp)
    reader.close()
    file, _ = reopened(path, book)
    (fresh,) = put(file, [book.note("after")])
    stored = file.checkpoint("test")
    file.close()
    after = ids_of(path)
    assert before.items() <= after.items()
    assert fresh.seq > max(before)
    assert stored == '{"phase":"settle"}'


def test_a_recovery_that_the_disk_refuses_leaves_everything_as_it_was(tmp_path: Path, book: Notebook) -> None:
    path = tmp_path / "journal.sqlite"
    before = journal_with_two_tests(path, book)

    class OnFullDisk(Stamp):
        def record(self, **_: object) -> RecordStamp:
            raise OSError(errno.ENOSPC, "No space left on device")

    with pytest.raises(JournalError, match="No space left on device"):
        recover(path, BENCH, OnFullDisk(BENCH, book.clock, simulated=True))
    assert not list(tmp_path.glob("*.recovering*")), "what was made of the new file would keep the disk full"
    assert ids_of(path) == before


def test_damage_met_while_reading_makes_the_next_start_look_at_everything(tmp_path: Path, book: Notebook) -> None:
    path = tmp_path / "journal.sqlite"
    file = JournalFile(path, BENCH)
    put(file, book.notes(30, test_id="t-1"))
    other = sqlite3.connect(path)
    other.execute("UPDATE record SET body = '{}' WHERE seq = 7")
    other.commit()
    other.close()
    with pytest.raises(JournalDamagedError, match="record 7"):
        file.of_test("t-1", "lampwarden.event/1")
    file.close()
    assert JournalPaths(path).suspect.exists()
    file, recovery = reopened(path, book)
    file.close()
    assert recovery is not None
    assert recovery.lost == [7]
    assert not JournalPaths(path).suspect.exists()


def test_salvage_reads_what_was_committed_to_the_log_and_not_what_was_not(tmp_path: Path, book: Notebook) -> None:
    path = tmp_path / "journal.sqlite"
    file = JournalFile(path, BENCH)
    put(file, book.notes(5))
    db = file._connection
    db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    put(file, book.notes(4, size=9_000))
    # A transaction that outgrows the cache is spilt to the log before its commit.
    db.execute("PRAGMA cache_size = 5")
    db.execute("BEGIN IMMEDIATE")
    db.execute("UPDATE record SET retain = 7")
    for n in range(60):
        db.execute("INSERT INTO kept VALUES ('x', ?, ?, 0)", (str(n), "y" * 4000))
    assert {row.seq for row in salvage(path)} == set(range(1, 10))
    db.execute("ROLLBACK")
    file.close()


def test_a_full_look_finds_nothing_wrong_with_a_sound_journal_beside_its_daemon(tmp_path: Path, book: Notebook) -> None:
    path = tmp_path / "journal.sqlite"
    journal_with_two_tests(path, book)
    file = JournalFile(path, BENCH)
    found = examine(path)
    assert found.sound
    assert (found.records, found.archives) == (125, 1)
    file.close()


def test_a_full_look_names_damaged_records_missing_numbers_and_bad_archives(tmp_path: Path, book: Notebook) -> None:
    path = tmp_path / "journal.sqlite"
    journal_with_two_tests(path, book)
    db = sqlite3.connect(path)
    db.execute("UPDATE record SET topic = 'elsewhere' WHERE seq = 11")
    db.execute("DELETE FROM record WHERE seq IN (50, 51)")
    db.commit()
    db.close()
    archive = JournalPaths(path).archive / "t-1.jsonl"
    archive.write_bytes(archive.read_bytes().replace(b"note 3", b"note 4", 1))
    found = examine(path)
    assert (found.damaged, found.missing, found.bad_archives) == ([11], [50, 51], ["t-1.jsonl"])


def test_a_backup_beside_a_running_daemon_holds_one_moment_and_replaces_nothing(tmp_path: Path, book: Notebook) -> None:
    path = tmp_path / "journal.sqlite"
    file = JournalFile(path, BENCH)
    put(file, book.notes(10))
    out = tmp_path / "copy.sqlite"
    assert backup(path, out) == 10
    assert ids_of(out) == ids_of(path)
    with pytest.raises(JournalError, match="exists already"):
        backup(path, out)
    file.close()


def test_a_recovery_is_refused_while_a_daemon_works(tmp_path: Path, book: Notebook) -> None:
    path = tmp_path / "journal.sqlite"
    file = JournalFile(path, BENCH)
    with pytest.raises(JournalError, match="another daemon"):
        recover(path, BENCH, book.stamp)
    file.close()


def test_a_large_journal_is_not_read_whole_at_the_start(tmp_path: Path, book: Notebook) -> None:
    path = tmp_path / "journal.sqlite"
    file = JournalFile(path, BENCH)
    for _ in range(5):
        put(file, book.notes(300, size=60_000))
    size = file.size_bytes()
    file.close()
    assert size > 64 * 2**20
    db = sqlite3.connect(path)
    db.execute("UPDATE record SET body = '{}' WHERE seq = 3")
    db.commit()
    db.close()
    # The bound: an old record's damage is left to the full look; the end of the journal is always looked at.
    JournalFile(path, BENCH).close()
    assert examine(path).damaged == [3]
    db = sqlite3.connect(path)
    db.execute("UPDATE record SET body = '{}' WHERE seq = 1400")
    db.commit()
    db.close()
    with pytest.raises(JournalDamagedError, match="record 1400"):
        JournalFile(path, BENCH)
