"""The command line. Thin: each command imports what it needs when it runs, so that ``--help`` is quick.

Exit codes: 0 done; 1 something went wrong while running; 2 wrong configuration or options; 130 interrupted.
"""

from contextlib import suppress
from typing import Annotated

import typer

from ... import __version__
from . import bench_commands, results_commands, service_commands, setup_commands, simulated_commands

app = typer.Typer(
    name="lampwarden",
    help="Bench daemon for comparing horticultural lamps: timed, gated, durable readings with uncertainty.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    add_completion=True,
)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"lampwarden {__version__}")
        raise typer.Exit


@app.callback()
def common(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    """Common to all commands."""
    del version


for group in (service_commands, bench_commands, results_commands, setup_commands, simulated_commands):
    app.add_typer(group.commands)


def main() -> None:
    """Entry point."""
    with suppress(BrokenPipeError):
        app()
