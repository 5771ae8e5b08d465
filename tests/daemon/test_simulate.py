"""``lampwarden simulate``: what its standard input may be, and that a folder serves one bench at a time."""

import os
import socket
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TextIO

import pytest
from lampwarden.daemon.simulated.simulate import served_bench, stdin_or_none
from lampwarden.protocol.errors import LampwardenError
from support.virtual_bench import small

OPEN: list[int] = []


@pytest.fixture(autouse=True)
def closed_again() -> Iterator[None]:
    yield
    while OPEN:
        os.close(OPEN.pop())


def null(folder: Path) -> int:
    return os.open(os.devnull, os.O_RDONLY)


def regular_file(folder: Path) -> int:
    (folder / "lines").write_text("strike\n")
    return os.open(folder / "lines", os.O_RDONLY)


def pipe(folder: Path) -> int:
    read, write = os.pipe()
    os.close(write)
    return read


def connected_socket(folder: Path) -> int:
    ours, theirs = socket.socketpair()
    theirs.close()
    return ours.detach()


def terminal(folder: Path) -> int:
    controller, line = os.openpty()
    OPEN.append(controller)  # a terminal whose other end is gone is none
    return line


@pytest.mark.parametrize(
    ("made", "is_waited_on"),
    [(null, False), (regular_file, False), (pipe, True), (connected_socket, True), (terminal, True)],
    ids=lambda value: getattr(value, "__name__", None),
)
def test_only_an_input_that_can_be_waited_on_ends_the_bench(
    made: Callable[[Path], int], is_waited_on: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Anything else, as a service manager gives, lets the bench run until a signal."""
    with os.fdopen(made(tmp_path), encoding="utf-8") as given:
        monkeypatch.setattr(sys, "stdin", given)
        found: TextIO | None = stdin_or_none()
        assert (found is given) if is_waited_on else (found is None)


def test_second_bench_in_a_folder_is_refused_and_leaves_the_first_alone(tmp_path: Path) -> None:
    with served_bench(small(), 1, folder=tmp_path, speed=60.0) as first:
        written, links = first.config_path.read_bytes(), sorted(tmp_path.glob("tty-*"))
        assert links
        with (
            pytest.raises(LampwardenError, match=rf"another simulated bench serves here \(process {os.getpid()}\)"),
            served_bench(small(), 2, folder=tmp_path, speed=60.0),
        ):
            pass
        assert first.config_path.read_bytes() == written
        assert sorted(path for path in tmp_path.glob("tty-*") if path.exists()) == links
    with served_bench(small(), 2, folder=tmp_path, speed=60.0):
        pass  # the first has ended, so the folder is free
