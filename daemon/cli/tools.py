"""What the commands of the command line share: options, loading, and how an error becomes a line and an exit code."""

import asyncio
import logging
import sys
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final, NoReturn, TypeVar

import typer

from ...protocol.errors import ConfigurationError, LampwardenError

if TYPE_CHECKING:
    from ..config import BenchConfig

# ruff: noqa: PLC0415  commands import what they need when they run, so that --help is quick

T = TypeVar("T")

ConfigOption = Annotated[
    Path, typer.Option("--config", "-c", help="The bench's configuration.", envvar="LAMPWARDEN_CONFIG")
]
VerboseOption = Annotated[bool, typer.Option("--verbose", "-v", help="Tell more; wire bytes with LAMPWARDEN_WIRE=1.")]
BENCH: Final = Path("bench.toml")


def load(path: Path) -> "BenchConfig":
    """The configuration, or the end of the program."""
    from ..config import load_config

    try:
        return load_config(path)
    except LampwardenError as error:
        fail(error)


def guarded(work: Callable[[], None]) -> None:
    """Run to the end; an error of ours becomes one line and an exit code."""
    try:
        work()
    except LampwardenError as error:
        fail(error)


def finish(work: Coroutine[object, object, T]) -> T:
    """Run to the end; an error of ours becomes one line and an exit code, an interrupt ends quietly."""
    try:
        return asyncio.run(work)
    except KeyboardInterrupt:
        raise typer.Exit(130) from None
    except LampwardenError as error:
        fail(error)
    except BaseExceptionGroup as group:
        ours = _first_of_ours(group)
        if ours is None:
            raise
        fail(ours)


def _first_of_ours(group: BaseExceptionGroup[BaseException]) -> LampwardenError | None:
    for error in group.exceptions:
        if isinstance(error, LampwardenError):
            return error
        if isinstance(error, BaseExceptionGroup) and (found := _first_of_ours(error)) is not None:
            return found
    return None


def fail(error: LampwardenError) -> NoReturn:
    """Say what is wrong on one line, several faults of a configuration on a line each, and end the program."""
    lines = [str(error)]
    if isinstance(error, ConfigurationError) and len(error.faults) > 1:
        head = ConfigurationError(f"{len(error.faults)} faults", where=error.where, mend=error.mend)
        lines = [str(head), *error.faults]
    for number, text in enumerate(lines):
        typer.echo(("  " if number else "lampwarden: ") + _printable(text), err=True)
    raise typer.Exit(error.exit_code)


def remark(text: str) -> None:
    """Say on standard error what is not an answer, nor the end of the program."""
    typer.echo(f"lampwarden: {_printable(text)}", err=True)


def _printable(text: str) -> str:
    """Without anything that a terminal would obey, or that would begin a line of its own."""
    return "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text)


def log_to_stderr(*, verbose: bool, level: int = logging.INFO) -> None:
    """Log for a person at the terminal."""
    from ..operations.logs import set_up

    set_up(level=logging.DEBUG if verbose else level)


def line(text: str) -> None:
    """One line of standard output, at once: somebody may be reading along at the other end of a pipe."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()
