"""Archives: each finished test as one file of JSON lines beside the journal, whole or not there.

A file has every record of its test, one a line, in the order of ``seq`` and word for word as in the journal, and a last
line that says how many there are and what they hash to (``lampwarden.archive/1``). Archives outlive the journal:
retention drops a test from the journal only after it is here, and :mod:`.recovery` takes from here what a damaged
journal has lost. The daemon never deletes one.
"""

import hashlib
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from pydantic import Field, JsonValue, TypeAdapter, ValidationError

from ...protocol.errors import JournalError
from ...protocol.quantity import Frozen
from ...protocol.setup import TestId
from .durable import write_durably
from .journal_file import JournalDamagedError, reading
from .journal_rows import rows_of

_OBJECT: Final = TypeAdapter(dict[str, JsonValue])


class Seal(Frozen):
    """The last line of an archive."""

    schema_: Literal["lampwarden.archive/1"] = Field(default="lampwarden.archive/1", alias="schema")
    test_id: TestId
    records: int = Field(ge=1)
    first_seq: int
    last_seq: int
    sha256: str = Field(description="of all lines before this one, line ends included")


@dataclass(frozen=True, slots=True)
class Archive:
    """What is in an archive: bodies by ``seq``, in order."""

    test_id: str
    bodies: dict[int, str]


def seq_of(body: str) -> int:
    """The number in a record's JSON.

    Raises:
        ValidationError: Not a JSON object.
        KeyError: It has no number.
    """
    seq = _OBJECT.validate_json(body)["seq"]
    if not isinstance(seq, int):
        raise KeyError("seq")
    return seq


def archive_path(folder: Path, test_id: str) -> Path:
    """Where a test's archive is; a test id has no characters that a path minds."""
    return folder / f"{test_id}.jsonl"


def archive_test(journal: Path, folder: Path, test_id: str) -> int:
    """Write a test's archive from a second connection, beside the running daemon; replaces an older archive of it.

    Records that an older archive has and the journal no longer has are kept.

    Returns:
        The highest ``seq`` that is in it.

    Raises:
        JournalDamagedError: A record is not what was written.
        JournalError: The journal cannot be read.
        OSError: The archive cannot be written; an older one is as it was.
    """
    bodies: dict[int, str] = {}
    path = archive_path(folder, test_id)
    if path.exists():
        bodies.update(read_archive(path).bodies)
    with closing(reading(journal)) as db:
        try:
            rows = list(rows_of(db, "WHERE test_id = ? ORDER BY seq", (test_id,)))
        except sqlite3.Error as error:
            raise JournalError(f"cannot be read: {error}", where=str(journal)) from error
    for row in rows:
        if row.damaged:
            raise JournalDamagedError(f"record {row.seq} is not what was written", where=str(journal))
        bodies[row.seq] = row.body
    if not bodies:
        raise JournalError(f"has no test {test_id}", where=str(journal))
    folder.mkdir(parents=True, exist_ok=True)
    write_durably(path, _lines(test_id, dict(sorted(bodies.items()))))
    return max(bodies)


def _lines(test_id: str, bodies: dict[int, str]) -> Iterator[bytes]:
    digest = hashlib.sha256()
    for body in bodies.values():
        line = body.encode() + b"\n"
        digest.update(line)
        yield line
    seal = Seal(
        test_id=test_id,
        records=len(bodies),
        first_seq=min(bodies),
        last_seq=max(bodies),
        sha256=digest.hexdigest(),
    )
    yield seal.model_dump_json(by_alias=True).encode() + b"\n"


def read_archive(path: Path) -> Archive:
    """Read an archive and check its seal.

    Raises:
        JournalError: It cannot be read, or it is not what was written.
    """
    try:
        *lines, last = path.read_bytes().splitlines(keepends=True)
        seal = Seal.model_validate_json(last)
        digest = hashlib.sha256(b"".join(lines)).hexdigest()
        if digest != seal.sha256 or len(lines) != seal.records:
            raise JournalError("the archive is not what was written", where=str(path))
        bodies = {seq_of(text): text for text in (line.decode().rstrip("\n") for line in lines)}
    except OSError as error:
        raise JournalError(f"cannot be read: {error.strerror}", where=str(path)) from error
    except (ValidationError, ValueError, KeyError) as error:
        raise JournalError("the archive is not what was written", where=str(path)) from error
    return Archive(seal.test_id, bodies)


def archives(folder: Path) -> Iterator[Path]:
    """All archives of a folder, by name."""
    return iter(sorted(folder.glob("*.jsonl")) if folder.is_dir() else [])


def archived_bodies(folder: Path, schema: str, test_id: str | None) -> Iterator[tuple[int, str]]:
    """Number and body of all archived records of one schema, perhaps of one test only.

    Raises:
        JournalError: An archive cannot be read or is not what was written.
    """
    paths = archives(folder) if test_id is None else iter([archive_path(folder, test_id)])
    for path in paths:
        if path.exists():
            for seq, body in read_archive(path).bodies.items():
                if _OBJECT.validate_json(body).get("schema") == schema:
                    yield seq, body
