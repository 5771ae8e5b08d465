"""A disk that forgets: what a power cut leaves of the files of a process, from its system calls under strace.

The model is what POSIX promises and no more. A write, a truncation and a new, moved or removed name are in the cache;
they are on disk for certain once fsync or fdatasync of the file has returned, names once their folder was synced. What
was not synced may have reached the disk or not: :meth:`Disk.left` gives the two ends (none of it, all of it) and, with
a random generator, anything between, down to single sectors of a write.

The shared memory of SQLite's log (``-shm``) is left out: it is made anew from the log.
"""

import random
import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from .peers import need

SECTOR = 512
CALLS = "openat,pwrite64,write,fsync,fdatasync,ftruncate,unlink,unlinkat,rename,renameat,renameat2"
_LINE = re.compile(r"^(?:\d+ +)?(\w+)\((.*)\) += (-?\d+)")
_TEXT = re.compile(r'"((?:\\x[0-9a-f]{2})*)"(\.\.\.)?')


@dataclass
class _File:
    """Contents as the process sees them, contents for certain on disk, and what lies between."""

    cache: bytearray = field(default_factory=bytearray)
    synced: bytes = b""
    pending: list[tuple[int, bytes] | int] = field(default_factory=list)
    """Writes as (offset, data), truncations as a length, since the last sync."""


def _apply(content: bytearray, change: tuple[int, bytes] | int) -> None:
    if isinstance(change, int):
        content[change:] = b"" if change <= len(content) else b"\0" * (change - len(content))
        return
    at, data = change
    content.extend(b"\0" * (at - len(content)))
    content[at : at + len(data)] = data


class Disk:
    """The files of one folder, and the folders in it."""

    def __init__(self) -> None:
        self._names: dict[str, _File] = {}
        self._names_on_disk: dict[str, _File] = {}
        self.syncs = 0

    def left(self, chance: random.Random | None = None, *, everything: bool = False) -> dict[str, bytes]:
        """What a power cut now leaves, by path.

        Args:
            chance: Each change that was not synced, and each sector of it, may be on disk or not; None: none is.
            everything: All of them are.
        """
        names = self._names if everything or (chance and chance.random() < 0.5) else self._names_on_disk
        found: dict[str, bytes] = {}
        for path, file in names.items():
            content = bytearray(file.cache if everything else file.synced)
            if chance is not None:
                for change in file.pending:
                    for piece in _sectors(change):
                        if chance.random() < 0.5:
                            _apply(content, piece)
            found[path] = bytes(content)
        return found

    # What calls do.

    def opened(self, path: str, flags: str) -> None:
        if "O_CREAT" in flags and path not in self._names:
            self._names[path] = _File()
        if "O_TRUNC" in flags and path in self._names:
            self.truncated(path, 0)

    def written(self, path: str, at: int | None, data: bytes) -> None:
        file = self._names.get(path)
        if file is None:
            return  # written through a handle whose name is gone: it will never be found again
        change = (len(file.cache) if at is None else at, data)
        _apply(file.cache, change)
        file.pending.append(change)

    def truncated(self, path: str, length: int) -> None:
        file = self._names.get(path)
        if file is not None:
            _apply(file.cache, length)
            file.pending.append(length)

    def synced(self, path: str) -> None:
        self.syncs += 1
        file = self._names.get(path)
        if file is not None:
            file.synced, file.pending = bytes(file.cache), []
            return
        inside = path.rstrip("/") + "/"  # a folder: its names
        here = {name for name in (*self._names, *self._names_on_disk) if str(Path(name).parent) + "/" == inside}
        for name in here:
            if name in self._names:
                self._names_on_disk[name] = self._names[name]
            else:
                self._names_on_disk.pop(name, None)

    def moved(self, old: str, new: str) -> None:
        if old in self._names:
            self._names[new] = self._names.pop(old)

    def removed(self, path: str) -> None:
        self._names.pop(path, None)


def _sectors(change: tuple[int, bytes] | int) -> Iterator[tuple[int, bytes] | int]:
    if isinstance(change, int):
        yield change
        return
    at, data = change
    for begin in range(0, len(data), SECTOR):
        yield at + begin, data[begin : begin + SECTOR]


def trace(child: str, folder: Path, *arguments: str) -> Path:
    """Run Python code under strace; returns the path of what was seen. The code gets ``folder`` and the arguments."""
    seen = folder.with_name(folder.name + ".trace")
    strace = [need("strace", "strace"), "-f", "-y", "-xx", "-s", "1000000", "-e", f"trace={CALLS}", "-o", str(seen)]
    paths = [str(Path(__file__).parent.parent), *sys.path]
    subprocess.run(
        [*strace, sys.executable, "-c", child, str(folder), *arguments],
        check=True,
        capture_output=True,
        env={"PYTHONPATH": ":".join(p for p in paths if p)},
    )
    return seen


def replay(seen: Path, folder: Path, disk: Disk, said: Callable[[bytes], None]) -> Iterator[str]:
    """Let the calls on files below a folder happen to a disk, one by one; yields the name of each after it.

    Args:
        seen: From :func:`trace`.
        folder: Of the files that count.
        disk: Where they happen.
        said: Gets what the process wrote to its standard output.
    """
    for line in seen.read_text().splitlines():
        found = _LINE.match(line)
        if found is None or int(found[3]) < 0:
            continue
        call, arguments, result = found[1], found[2], int(found[3])
        assert '"...' not in arguments, "strace has cut a write short"
        texts = [bytes.fromhex(text.replace("\\x", "")) for text, _ in _TEXT.findall(arguments)]
        handle = re.match(r"(\d+)<((?:\\x[0-9a-f]{2})*)>", arguments)
        path = bytes.fromhex(handle[2].replace("\\x", "")).decode() if handle else ""
        if call == "write" and handle and handle[1] == "1":
            said(texts[0])
            yield "said"
            continue
        if call in ("openat", "unlink", "unlinkat", "rename", "renameat", "renameat2"):
            path = texts[0].decode()
        if not (path + "/").startswith(str(folder) + "/") or path.endswith("-shm"):
            continue
        match call:
            case "openat":
                disk.opened(path, arguments)
            case "pwrite64":
                disk.written(path, int(arguments.rsplit(", ", 1)[1]), texts[0][:result])
            case "write":
                disk.written(path, None, texts[0][:result])
            case "ftruncate":
                disk.truncated(path, int(arguments.rsplit(", ", 1)[1], 0))
            case "fsync" | "fdatasync":
                disk.synced(path)
            case "unlink" | "unlinkat":
                disk.removed(path)
            case _:
                disk.moved(path, texts[1].decode())
        yield call
