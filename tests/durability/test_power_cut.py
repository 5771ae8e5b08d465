"""What a power cut leaves: for certain only what a sync had confirmed. SIGKILL cannot show this, since the kernel keeps
what a killed process wrote.

A process writes a journal under strace, and says after each commit which record may be announced. From its system calls
the disk is rebuilt as a power cut would leave it after *each* of them, see :mod:`support.power_cut`: without anything
that was not synced, and with random parts of it. SQLite, without our code, must find every announced record in it. The
same look at a journal that does not sync, or not each commit, must fail, or this test would prove nothing.

What remains assumed: that the disk does what fsync promises. Only a power cut on the very machine shows that.
"""

import json
import random
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from lampwarden.daemon.store.recovery import open_or_recover
from support.journals import BENCH, Notebook
from support.power_cut import Disk, replay, trace

pytestmark = pytest.mark.slow

RECORDS = 24
CHILD = f"""
import os, sys
from pathlib import Path
from lampwarden.daemon.store.journal import JournalFile
from support.journals import BENCH, Notebook, put
folder, synchronous, checkpoint_pages = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
folder.mkdir()
file = JournalFile(folder / "journal.sqlite", BENCH)
file._connection.execute(f"PRAGMA synchronous={{synchronous}}")
file._connection.execute(f"PRAGMA wal_autocheckpoint={{checkpoint_pages}}")
book = Notebook()
for number in range(1, {RECORDS} + 1):
    put(file, [book.note(f"{{number}}", size=2000)])
    os.write(1, b"%d\\n" % number)
file.close()
"""
RARELY, OFTEN = 1000, 4
"""Pages of the log after which SQLite copies it into the file: the first never happens here, the second after each
record or two, so that cuts fall into copying too."""


@dataclass
class Look:
    """What was found at the cuts."""

    announced: int = 0
    cuts: int = 0
    syncs: int = 0
    losses: list[str] = field(default_factory=list)


def put_down(folder: Path, left: dict[str, bytes], origin: Path) -> Path:
    """Make the files that a cut has left; returns the journal's path."""
    for old in sorted(folder.rglob("*"), reverse=True):
        old.rmdir() if old.is_dir() else old.unlink()
    for path, content in left.items():
        copy = folder / Path(path).relative_to(origin)
        copy.parent.mkdir(parents=True, exist_ok=True)
        copy.write_bytes(content)
    return folder / "journal.sqlite"


def found(journal: Path) -> set[str] | None:
    """Texts of the records that SQLite finds in a whole database; None: there is none, or it is not whole."""
    if not journal.exists():
        return None
    try:
        with closing(sqlite3.connect(journal)) as db:
            bodies = [json.loads(body)["text"] for (body,) in db.execute("SELECT body FROM record")]
            return set(bodies) if db.execute("PRAGMA integrity_check").fetchone() == ("ok",) else None
    except sqlite3.Error:
        return None


def cuts(tmp_path: Path, synchronous: str, checkpoint_pages: int) -> Iterator[tuple[Look, Disk, str]]:
    """The disk after each call of the process, and what was announced by then."""
    origin = tmp_path / f"journal-{synchronous}-{checkpoint_pages}"
    seen = trace(CHILD, origin, synchronous, str(checkpoint_pages))
    look, disk = Look(), Disk()

    def said(line: bytes) -> None:
        look.announced = int(line)

    for call in replay(seen, origin, disk, said):
        look.cuts += 1
        look.syncs = disk.syncs
        yield look, disk, call


def losses(tmp_path: Path, synchronous: str, checkpoint_pages: int, *, chance: random.Random | None = None) -> Look:
    """Cut the power after each call, and look what is missing of what was announced."""
    origin = tmp_path / f"journal-{synchronous}-{checkpoint_pages}"
    folder = tmp_path / "cut"
    folder.mkdir(exist_ok=True)
    look = Look()
    for look, disk, call in cuts(tmp_path, synchronous, checkpoint_pages):
        there = found(put_down(folder, disk.left(chance), origin))
        if look.announced and (there is None or {str(n) for n in range(1, look.announced + 1)} - there):
            look.losses.append(f"after {look.announced} were announced, at {call}")
    return look


@pytest.mark.parametrize("checkpoint_pages", [RARELY, OFTEN])
def test_every_announced_record_is_there_after_a_power_cut_at_any_instant(
    tmp_path: Path, checkpoint_pages: int
) -> None:
    look = losses(tmp_path, "FULL", checkpoint_pages)
    assert look.losses == []
    assert look.announced == RECORDS
    assert look.cuts > 3 * RECORDS
    assert look.syncs >= RECORDS


@pytest.mark.parametrize("seed", range(3))
def test_and_whatever_parts_of_unsynced_writes_have_reached_the_disk(tmp_path: Path, seed: int) -> None:
    look = losses(tmp_path, "FULL", OFTEN, chance=random.Random(seed))  # noqa: S311
    assert look.losses == []
    assert look.announced == RECORDS


@pytest.mark.parametrize("synchronous", ["OFF", "NORMAL"])
def test_a_journal_that_does_not_sync_each_commit_loses_records_in_the_same_cuts(
    tmp_path: Path, synchronous: str
) -> None:
    """NORMAL syncs the log only before it is copied into the file (sqlite.org/pragma.html#pragma_synchronous)."""
    look = losses(tmp_path, synchronous, RARELY)
    assert look.announced == RECORDS
    assert len(look.losses) > RECORDS


def test_a_daemon_that_starts_after_the_cut_finds_what_was_announced_and_goes_on_without_a_gap(tmp_path: Path) -> None:
    origin, folder = tmp_path / f"journal-FULL-{OFTEN}", tmp_path / "cut"
    folder.mkdir()
    chance = random.Random(1)  # noqa: S311
    starts = 0
    for look, disk, call in cuts(tmp_path, "FULL", OFTEN):
        if call != "said":
            continue
        journal = put_down(folder, disk.left(chance), origin)
        book = Notebook()
        file, recovery = open_or_recover(journal, BENCH, book.stamp)
        with closing(file):
            assert recovery is None, recovery
            rows = file.since(1, 1000)
            assert [row.seq for row in rows] == list(range(1, len(rows) + 1))
            assert [json.loads(row.body)["text"] for row in rows[: look.announced]] == [
                str(n) for n in range(1, look.announced + 1)
            ]
        starts += 1
    assert starts == RECORDS


def test_the_model_forgets_what_was_not_synced() -> None:
    """The judge is judged: a write, a name and a move are there for certain only after their syncs."""
    disk = Disk()
    disk.opened("/j/a", "O_WRONLY|O_CREAT")
    disk.written("/j/a", 0, b"one")
    disk.synced("/j/a")
    assert disk.left() == {}
    assert disk.left(everything=True) == {"/j/a": b"one"}
    disk.synced("/j")
    disk.written("/j/a", None, b"two")
    disk.moved("/j/a", "/j/b")
    assert disk.left() == {"/j/a": b"one"}
    disk.synced("/j/b")
    assert disk.left() == {"/j/a": b"onetwo"}
    disk.synced("/j")
    assert disk.left() == {"/j/b": b"onetwo"}
    disk.truncated("/j/b", 1)
    disk.removed("/j/b")
    assert disk.left() == {"/j/b": b"onetwo"}
    assert disk.left(everything=True) == {}
