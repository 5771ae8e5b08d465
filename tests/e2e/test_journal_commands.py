"""``lampwarden journal check | compact | backup | recover``, beside a running daemon and without one."""

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
import tomli_w
from lampwarden.daemon.store.archive import archive_test
from lampwarden.daemon.store.journal import Entry, JournalFile, Sent
from lampwarden.daemon.store.journal_files import JournalPaths
from support.benches import bench_tables
from support.journals import BENCH, Notebook, bodies, put
from support.processes import run_command

pytestmark = [pytest.mark.slow, pytest.mark.timeout(120)]


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """A bench whose journal has an archived test (1–20), a test that runs (21–40), and records of the bench."""
    path = tmp_path / "bench.toml"
    path.write_text(tomli_w.dumps(bench_tables(journal={"path": str(tmp_path / "journal.sqlite")})))
    journal, book = tmp_path / "journal.sqlite", Notebook()
    file = JournalFile(journal, BENCH)
    put(file, book.whole_test("t-1", 20, size=400))
    archive_test(journal, tmp_path / "archive", "t-1")
    put(file, book.notes(20, test_id="t-2", size=400))
    put(file, book.notes(5))
    file.close()
    return path


END = "test_abandoned"


def journal_of(config: Path) -> Path:
    return config.with_name("journal.sqlite")


@contextmanager
def daemon_works_on(journal: Path) -> Iterator[JournalFile]:
    """What a daemon has: the lock, and a connection that writes."""
    file = JournalFile(journal, BENCH)
    try:
        put(file, Notebook(seed=2).notes(1))
        yield file
    finally:
        file.close()


def spoil(journal: Path, *seqs: int) -> None:
    with closing(sqlite3.connect(journal)) as db, db:
        for seq in seqs:
            db.execute("UPDATE record SET body = replace(body, 'note', 'nose') WHERE seq = ?", (seq,))


def journal_command(verb: str, config: Path, *words: str) -> tuple[int, str, str]:
    done = run_command("journal", verb, *words, "--config", str(config))
    return done.code, done.out, done.err


def test_check_finds_a_sound_journal_sound_also_beside_its_daemon(config: Path) -> None:
    assert journal_command("check", config) == (0, "45 records, 1 archive\nall sound\n", "")
    with daemon_works_on(journal_of(config)):
        assert journal_command("check", config) == (0, "46 records, 1 archive\nall sound\n", "")


def test_check_names_what_is_damaged_and_what_to_do(config: Path) -> None:
    spoil(journal_of(config), 3, 30, 31)
    code, out, _ = journal_command("check", config)
    assert code == 1
    assert "damaged: seq 3, 30–31" in out
    assert "lampwarden journal recover" in out


def test_recover_takes_from_the_archives_and_names_every_number_that_is_lost(config: Path) -> None:
    journal = journal_of(config)
    before = bodies(journal)
    spoil(journal, 3, 30, 31)
    code, out, _ = journal_command("recover", config)
    assert code == 0
    assert "1 taken from archives" in out
    assert "lost: seq 30–31" in out
    after = bodies(journal)
    assert after[3] == before[3], "word for word"
    assert {seq for seq in before if after[seq] != before[seq]} == {30, 31}
    assert all(after[seq]["schema"] == "lampwarden.stub/1" for seq in (30, 31))
    assert journal_command("check", config)[0] == 0


def test_recover_of_a_journal_that_is_gone_has_the_archives(config: Path) -> None:
    journal = journal_of(config)
    before = bodies(journal)
    journal.unlink()
    code, out, _ = journal_command("recover", config)
    assert code == 0
    assert "20 taken from archives" in out
    assert "lost: seq 21–" in out
    after = bodies(journal)
    assert all(after[seq] == before[seq] for seq in range(1, 21))


def test_backup_beside_a_running_daemon_is_a_sound_journal_of_one_moment(config: Path, tmp_path: Path) -> None:
    out = tmp_path / "copy.sqlite"
    with daemon_works_on(journal_of(config)) as file:
        code, said, _ = journal_command("backup", config, str(out))
        put(file, Notebook(seed=3).notes(1))
    assert (code, said) == (0, f"46 records are in {out}\n")
    assert len(bodies(out)) == 46
    code, _, err = journal_command("backup", config, str(out))
    assert (code, len(err.splitlines())) == (1, 1)
    assert "exists already" in err


@pytest.mark.parametrize("verb", ["compact", "recover"])
def test_what_rewrites_the_file_is_refused_while_a_daemon_works_on_it(config: Path, verb: str) -> None:
    before = bodies(journal_of(config))
    with daemon_works_on(journal_of(config)):
        code, _, err = journal_command(verb, config)
    assert code == 1
    (line,) = err.splitlines()
    assert "another daemon (process " in line
    assert {seq: body for seq, body in bodies(journal_of(config)).items() if seq in before} == before


def test_compact_gives_space_back_and_keeps_every_record(config: Path) -> None:
    journal = journal_of(config)
    with closing(JournalFile(journal, BENCH)) as file:
        book = Notebook(seed=4)
        put(file, [*book.notes(39, test_id="t-2", size=50_000), book.note("test abandoned", test_id="t-2", event=END)])
        archive_test(journal, config.with_name("archive"), "t-2")
        for test_id, last in (("t-1", 20), ("t-2", 85)):
            file.mark_archived(test_id, last)
        put(file, book.notes(3))
        file.commit([Entry(sent=Sent(88, file.rewinds))])
        assert file.drop(85, 100) == 85
    before, size = bodies(journal), journal.stat().st_size
    code, out, _ = journal_command("compact", config)
    assert code == 0
    assert " MB before, " in out
    assert journal.stat().st_size < size / 2
    assert bodies(journal) == before


def test_compact_counts_what_a_killed_daemon_left_in_the_write_ahead_log(config: Path) -> None:
    """A daemon that was killed leaves nearly everything there: without it the journal would seem to grow."""
    journal = journal_of(config)
    with closing(JournalFile(journal, BENCH)) as file:
        put(file, Notebook(seed=6).notes(20, size=50_000))
        left = {path.name: path.read_bytes() for path in JournalPaths(journal).parts()}
    for name, data in left.items():
        journal.with_name(name).write_bytes(data)
    size_mb = sum(len(data) for data in left.values()) / 1e6
    code, out, _ = journal_command("compact", config)
    assert code == 0
    assert out.startswith(f"{size_mb:.1f} MB before, ")
    assert size_mb > 1.0


def test_a_second_process_reads_while_a_daemon_writes(config: Path) -> None:
    with daemon_works_on(journal_of(config)) as file:
        done = run_command("listen", "--config", str(config), "--since", "1", "--no-follow")
        put(file, Notebook(seed=5).notes(1))
    assert done.code == 0, done.err
    assert [json.loads(line)["seq"] for line in done.out.splitlines()] == list(range(1, 47))
