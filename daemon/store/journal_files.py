"""What stands beside the journal: its lock, its mark, its archives, and the word that it needs a full look.

============================ ===========================================================================================
``journal.sqlite``           the records (and ``-wal``, ``-shm``, which belong to it)
``journal.sqlite.lock``      held by the one daemon that writes; says which process that is, until it ends cleanly
``journal.sqlite.mark``      up to which number ``seq`` was given out, outside of the file that may be damaged
``journal.sqlite.suspect``   damage was seen while running: the next start looks at everything
``archive/<test>.jsonl``     each finished test, one record a line
``journal.sqlite.damaged-…`` a journal that was set aside by a recovery
============================ ===========================================================================================
"""

import fcntl
import json
import os
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from ...protocol.errors import JournalError
from .durable import write_durably

BLOCK: Final = 256
"""Numbers are reserved in blocks, so that the mark is written once for so many records; after a damage that hides the
journal's end at most so many numbers are unaccounted for, and each of them is then told as lost or never used."""
LOCK_TRIES: Final = 5
LOCK_PAUSE_S: Final = 0.02
"""Somebody who only asks (:func:`is_held`) has the lock for microseconds; a daemon has it for good."""


@dataclass(frozen=True, slots=True)
class Mark:
    """What the mark says.

    Attributes:
        reserved: No number above it was ever given out.
        dropped_through: Retention has dropped all records up to this one.
    """

    reserved: int
    dropped_through: int = 0


@dataclass(frozen=True, slots=True)
class JournalPaths:
    """All paths of one journal."""

    journal: Path

    def _beside(self, suffix: str) -> Path:
        return self.journal.with_name(self.journal.name + suffix)

    @property
    def lock(self) -> Path:
        """See the module."""
        return self._beside(".lock")

    @property
    def mark(self) -> Path:
        """See the module."""
        return self._beside(".mark")

    @property
    def suspect(self) -> Path:
        """See the module."""
        return self._beside(".suspect")

    @property
    def archive(self) -> Path:
        """The folder of the archives."""
        return self.journal.with_name("archive")

    def parts(self) -> list[Path]:
        """The files that SQLite calls one database, where they exist."""
        return [p for p in (self.journal, self._beside("-wal"), self._beside("-shm")) if p.exists()]

    def read_mark(self) -> Mark | None:
        """The mark, or None where there is none that can be read."""
        try:
            table = json.loads(self.mark.read_text(encoding="ascii"))
            return Mark(int(table["reserved"]), int(table["dropped_through"]))
        except (OSError, ValueError, KeyError, TypeError):
            return None

    def write_mark(self, mark: Mark) -> None:
        """Put a mark on disk.

        Raises:
            OSError: It cannot be written.
        """
        text = json.dumps({"reserved": mark.reserved, "dropped_through": mark.dropped_through})
        write_durably(self.mark, [text.encode("ascii")])


class JournalLock:
    """Held by the one who may write; the system lets go of it when its process dies, however it dies."""

    def __init__(self, paths: JournalPaths) -> None:
        """Take the lock.

        Raises:
            JournalError: Somebody has it, or the folder cannot be used.
        """
        where = str(paths.journal)
        self._mine = False
        try:
            paths.journal.parent.mkdir(parents=True, exist_ok=True)
            self._file: int | None = os.open(paths.lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except OSError as error:
            raise JournalError(
                f"cannot be opened: {error.strerror}",
                where=where,
                mend="the folder must be writable by the user who runs the daemon",
            ) from error
        if not self._taken():
            holder = os.pread(self._file, 32, 0).decode("ascii", "replace").strip() or "unknown"
            self.release()
            raise JournalError(
                f"another daemon (process {holder}) works on this journal",
                where=where,
                mend="stop it first, or give this bench a journal of its own",
            )
        self._mine = True
        try:
            os.ftruncate(self._file, 0)
            os.pwrite(self._file, str(os.getpid()).encode(), 0)
        except OSError:
            # A full disk: the lock holds all the same, only its holder's number is missing.
            return

    def _taken(self) -> bool:
        assert self._file is not None  # noqa: S101 - opened just before
        for _ in range(LOCK_TRIES):
            try:
                fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                time.sleep(LOCK_PAUSE_S)  # noqa: TID251 - at the start, before there is a loop to wait on
            else:
                return True
        return False

    def release(self) -> None:
        """Let another have it; idempotent."""
        if self._file is not None:
            if self._mine:
                with suppress(OSError):
                    os.ftruncate(self._file, 0)
            os.close(self._file)
            self._file = None


def left_by(journal: Path) -> str | None:
    """The process that held the journal and did not let go of it: it was killed, or the machine's power was cut.

    Returns:
        None where a daemon holds it now, where the last one ended cleanly, or where there was none.
    """
    if is_held(journal):
        return None
    try:
        return JournalPaths(journal).lock.read_text(encoding="ascii").strip() or None
    except (OSError, ValueError):
        return None


def held_since_s(journal: Path) -> float | None:
    """When the daemon that works on this journal now took it, in seconds since 1970; None where there is none."""
    if not is_held(journal):
        return None
    try:
        return JournalPaths(journal).lock.stat().st_mtime
    except OSError:
        return None


def is_held(journal: Path) -> bool:
    """Whether a daemon works on this journal now."""
    lock = JournalPaths(journal).lock
    if not lock.exists():
        return False
    try:
        handle = os.open(lock, os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError:
        return True
    finally:
        os.close(handle)
    return False
