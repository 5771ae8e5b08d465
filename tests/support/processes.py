"""Our programs as a user runs them: processes of their own, judged by what they print, leave and publish."""

import contextlib
import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

PATIENCE_S = 60.0
"""Longest wait for anything that takes a moment: generous, nothing is judged by it."""


def command(*words: str) -> list[str]:
    """The command line program, from the same installation as the tests import."""
    return [sys.executable, "-m", "lampwarden.daemon.cli", *words]


def environment() -> dict[str, str]:
    """Without colours and with plain widths, so that what is printed can be read."""
    return {**os.environ, "NO_COLOR": "1", "TERM": "dumb", "COLUMNS": "200", "PYTHONWARNINGS": "ignore"}


@dataclass(frozen=True)
class Finished:
    """A command that has ended."""

    code: int
    out: str
    err: str

    def one_line(self) -> str:
        """What was said of a failure: exactly one line, and never a traceback."""
        assert "Traceback" not in self.err + self.out, self.err
        lines = [line for line in self.err.splitlines() if line.strip()]
        assert len(lines) == 1, self.err
        return lines[0]


def run_command(*words: str, within_s: float = PATIENCE_S, given: str | None = None) -> Finished:
    """Run one command to its end."""
    done = subprocess.run(
        command(*words), capture_output=True, text=True, timeout=within_s, env=environment(), input=given, check=False
    )
    return Finished(done.returncode, done.stdout, done.stderr)


@dataclass
class Program:
    """A program that goes on until it is stopped; its standard error is kept in a file."""

    words: Sequence[str]
    log: Path
    with_input: bool = False
    process: "subprocess.Popen[str]" = field(init=False)
    lines: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                command(*self.words),
                stdin=subprocess.PIPE if self.with_input else subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=log,
                text=True,
                env=environment(),
            )
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.append(line.rstrip("\n"))

    def said(self) -> str:
        return self.log.read_text(encoding="utf-8", errors="replace")

    def wait_for(self, what: Callable[[], Any], text: str) -> Any:
        """Wait until something is so; fails when the program ends before."""
        until = time.monotonic() + PATIENCE_S
        while True:
            found = what()
            if found:
                return found
            assert self.process.poll() is None, f"ended with {self.process.returncode} before {text}: {self.said()}"
            assert time.monotonic() < until, f"waited in vain for {text}: {self.said()[-3000:]}"
            time.sleep(0.01)  # noqa: TID251 - waits for another process

    def tell(self, line: str) -> str:
        """Write a line to standard input and return the line that is answered."""
        assert self.process.stdin is not None
        before = len(self.lines)
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()
        self.wait_for(lambda: len(self.lines) > before, f"an answer to {line!r}")
        return self.lines[before]

    def kill(self) -> None:
        """SIGKILL: nothing can be tidied up."""
        self.process.kill()
        self.process.wait(PATIENCE_S)

    def stop(self) -> int:
        """SIGTERM; returns the exit code."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        with contextlib.suppress(BrokenPipeError, OSError):
            if self.process.stdin is not None:
                self.process.stdin.close()
        return self.process.wait(PATIENCE_S)

    def __enter__(self) -> "Program":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """End it by force, if it has not ended, and let go of its pipes; idempotent."""
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(PATIENCE_S)
        self._reader.join(PATIENCE_S)
        for pipe in (self.process.stdin, self.process.stdout):
            if pipe is not None:
                with contextlib.suppress(BrokenPipeError, OSError):
                    pipe.close()


@contextlib.contextmanager
def simulated(
    folder: Path, *, speed: float, seed: int = 1, port: int, operator: bool = True, scenario: str = "demo"
) -> Iterator[tuple[Program, Path]]:
    """A simulated bench in a process of its own; yields it and its ``bench.toml``."""
    words = ["simulate", "--out", str(folder), "--speed", str(speed), "--seed", str(seed), "--port", str(port)]
    words += ["--scenario", scenario, "--operator" if operator else "--no-operator"]
    with Program(words, folder.parent / "simulate.log", with_input=True) as bench:
        first = bench.wait_for(lambda: bench.lines, "the path of bench.toml")[0]
        yield bench, Path(first)


def truth_of(bench: Program) -> dict[str, Any]:
    """What the simulated lamp does to the grid at this moment."""
    told: dict[str, Any] = json.loads(bench.tell("truth"))
    assert told["simulated"] is True
    return told


def change_toml(path: Path, tables: Mapping[str, Mapping[str, object]]) -> None:
    """Set keys of tables of a ``bench.toml``; a table that is not there is added."""
    import tomllib

    import tomli_w

    found = tomllib.loads(path.read_text(encoding="utf-8"))
    for name, keys in tables.items():
        found.setdefault(name, {}).update(keys)
    path.write_text(tomli_w.dumps(found), encoding="utf-8")


def processes_with(text: str) -> list[int]:
    """Ids of processes whose command line has this text in it, ours aside."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit() and int(entry.name) != os.getpid():
            with contextlib.suppress(OSError):
                words = (entry / "cmdline").read_bytes().replace(b"\0", b" ").decode("utf-8", "replace")
                if text in words:
                    found.append(int(entry.name))
    return found


def clean_of_escapes(text: str) -> bool:
    """Whether no control sequence reached the terminal."""
    return re.search(r"[\x00-\x08\x0b-\x1f\x7f]", text) is None
