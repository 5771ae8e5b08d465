"""Files that are whole or not there: written beside, synced, renamed, and the folder synced too.

POSIX promises that ``rename`` is atomic for readers; that it is on disk after a power cut it promises only once the
folder has been synced as well (fsync(2), notes of the Linux manual).
"""

import os
from collections.abc import Iterable
from pathlib import Path


def sync_folder(folder: Path) -> None:
    """Have the names in a folder on disk.

    Raises:
        OSError: The folder cannot be opened or synced.
    """
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sync_file(path: Path) -> None:
    """Have a file's contents on disk, whoever wrote them.

    Raises:
        OSError: The file cannot be opened or synced.
    """
    handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def put_in_place(made: Path, path: Path) -> None:
    """Let a complete, synced file take the place of another.

    Raises:
        OSError: As the system says.
    """
    made.replace(path)
    sync_folder(path.parent)


def write_durably(path: Path, pieces: Iterable[bytes], *, mode: int = 0o644) -> None:
    """Write a file so that after any crash it is the old one or the new one, never a part.

    Raises:
        OSError: It could not be written; the old file is as it was.
    """
    made = path.with_name(f".{path.name}.part")
    handle = os.open(made, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, mode)
    try:
        with os.fdopen(handle, "wb") as file:
            for piece in pieces:
                file.write(piece)
            file.flush()
            os.fsync(file.fileno())
        put_in_place(made, path)
    except BaseException:
        made.unlink(missing_ok=True)
        raise
