"""A look at a whole journal, and a checked copy of it; both beside a running daemon, and neither changes anything.

What to do about damage is :mod:`.recovery`'s.
"""

import sqlite3
from collections.abc import Iterable
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from ...protocol.errors import JournalError
from .archive import archives, read_archive
from .durable import put_in_place, sync_file
from .journal_file import JournalDamagedError, reading
from .journal_files import BLOCK, JournalPaths
from .journal_rows import rows_of


@dataclass(slots=True)
class Examination:
    """What a full look at a journal found; all lists empty: nothing is wrong."""

    records: int = 0
    tree: list[str] = field(default_factory=list)
    damaged: list[int] = field(default_factory=list)
    missing: list[int] = field(default_factory=list)
    archives: int = 0
    bad_archives: list[str] = field(default_factory=list)

    @property
    def sound(self) -> bool:
        """Whether nothing is wrong."""
        return not (self.tree or self.damaged or self.missing or self.bad_archives)


def ranges(numbers: Iterable[int]) -> str:
    """Numbers in words: ``3, 7–9``."""
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return ", ".join(str(a) if a == b else f"{a}–{b}" for a, b in runs)


def examine(path: Path) -> Examination:
    """Look at every page, every checksum, every number and every archive; also beside a running daemon.

    Raises:
        JournalError: It cannot be opened at all, or is of another version.
    """
    found = Examination()
    paths = JournalPaths(path)
    with closing(reading(path)) as db:
        try:
            found.tree = [str(t) for (t,) in db.execute("PRAGMA integrity_check(20)") if t != "ok"]
            db.execute("BEGIN")
            expected = None
            for row in rows_of(db, "ORDER BY seq", ()):
                found.records += 1
                if row.damaged:
                    found.damaged.append(row.seq)
                if expected is not None:
                    found.missing += range(expected, row.seq)
                expected = row.seq + 1
            last = 0 if expected is None else expected - 1
            mark = paths.read_mark()
            if mark is not None and mark.reserved - last > BLOCK:
                found.tree.append(f"ends at seq {last}, but numbers up to {mark.reserved} were given out")
        except sqlite3.Error as error:
            found.tree.append(str(error))
    for archive in archives(paths.archive):
        found.archives += 1
        try:
            read_archive(archive)
        except JournalError:
            found.bad_archives.append(archive.name)
    return found


def backup(path: Path, out: Path) -> int:
    """Write a checked copy of one moment of a journal, also beside a running daemon; returns its records.

    Raises:
        JournalError: There is such a file already, the disk refuses, or the copy is not sound.
    """
    if out.exists():
        raise JournalError("exists already", where=str(out), mend="name another file: a backup replaces nothing")
    made = out.with_name(f".{out.name}.part")
    try:
        made.unlink(missing_ok=True)
        with closing(reading(path)) as db:
            db.execute("VACUUM INTO ?", (str(made),))
        found = examine(made)
        if found.tree or found.damaged:
            raise JournalDamagedError("the journal is damaged: no backup was made", where=str(path))
        sync_file(made)
        put_in_place(made, out)
    except sqlite3.Error as error:
        raise JournalError(f"cannot be copied: {error}", where=str(path)) from error
    except OSError as error:
        raise JournalError(f"cannot be written: {error.strerror}", where=str(out)) from error
    finally:
        made.unlink(missing_ok=True)
    return found.records
