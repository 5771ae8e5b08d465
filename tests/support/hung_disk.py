"""``lampwarden run`` on a disk that stops answering: a call of the store never returns, as one in fsync(2) does not.

``python hung_disk.py bench.toml WHERE NOTE``: WHERE is ``open``, ``commit`` (the first one of a test's record) or
``close``; the file NOTE is made as the call begins to hang.
"""

import sys
import threading
from collections.abc import Sequence
from pathlib import Path

from lampwarden.daemon.cli.tools import finish, load
from lampwarden.daemon.operations.logs import set_up
from lampwarden.daemon.operations.stop import run_until_signal
from lampwarden.daemon.service import Daemon, Opener
from lampwarden.daemon.stamp import Stamp
from lampwarden.daemon.store.journal import Entry, JournalFile
from lampwarden.drivers.registry import Registry
from lampwarden.protocol.records import Record

WHERE, NOTE = sys.argv[2], Path(sys.argv[3])


def hang() -> None:
    NOTE.touch()
    threading.Event().wait()


class HangingFile(JournalFile):
    """A store whose disk is gone."""

    def commit(self, entries: Sequence[Entry]) -> list[list[Record]]:
        if WHERE == "commit" and any(record.test_id is not None for entry in entries for record in entry.records):
            hang()
        return super().commit(entries)

    def close(self) -> None:
        if WHERE == "close":
            hang()
        super().close()


def opened(path: Path, bench: str, _: Stamp) -> tuple[JournalFile, None]:
    if WHERE == "open":
        hang()
    return HangingFile(path, bench), None


if __name__ == "__main__":
    set_up()
    daemon = Daemon(load(Path(sys.argv[1])), Opener(Registry()), open_journal=opened)
    finish(run_until_signal(daemon.run, daemon))
