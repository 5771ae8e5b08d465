"""Commands that need no instrument: a simulated bench, the demonstration, campaigns in virtual time."""

import logging
import sys
from pathlib import Path
from typing import Annotated, Final

import typer

from .tools import finish, guarded, log_to_stderr

# ruff: noqa: PLC0415  commands import what they need when they run, so that --help is quick

PANEL: Final = "Without instruments"
commands = typer.Typer()


@commands.command(rich_help_panel=PANEL)
def simulate(
    out: Annotated[Path, typer.Option(help="Gets bench.toml and the simulated ports.")] = Path("simulated-bench"),
    scenario: Annotated[str, typer.Option(help="demo, ideal or random.")] = "demo",
    speed: Annotated[float, typer.Option(min=0.1, max=1000, help="Bench seconds in a real second.")] = 1.0,
    seed: Annotated[int, typer.Option(min=0, help="Of all chance.")] = 1,
    operator: Annotated[bool, typer.Option(help="Let a simulated operator follow the daemon's prompts.")] = True,
    port: Annotated[int, typer.Option(min=0, max=65535, help="Of the broker that run will start; 0 finds one.")] = 0,
) -> None:
    """Serve a simulated bench; prints the path of the bench.toml that run accepts, and goes on until input ends.

    Where standard input is a file or /dev/null, it goes on until SIGINT or SIGTERM.
    Lines on standard input act on the bench: strike, off, move SPOT, press, long, bump, truth, quit.
    """
    from ..operations.stop import run_until_signal
    from ..simulated.simulate import attend, scenario_by_name, served_bench, stdin_or_none

    def work() -> None:
        with served_bench(
            scenario_by_name(scenario, seed), seed, folder=out, speed=speed, broker_port=port or None
        ) as served:
            typer.echo(served.config_path)
            sys.stdout.flush()
            finish(
                run_until_signal(
                    lambda: attend(served, with_operator=operator, commands=stdin_or_none(), say=typer.echo)
                )
            )

    guarded(work)


@commands.command(rich_help_panel=PANEL)
def demo(
    speed: Annotated[float, typer.Option(min=1, max=240, help="Bench seconds in a real second.")] = 60.0,
    seed: Annotated[int, typer.Option(min=0, help="Of all chance.")] = 1,
    json: Annotated[bool, typer.Option("--json", help="Print the summary record alone on standard output.")] = False,
    out: Annotated[Path | None, typer.Option(help="Keep the bench's files and journal here.")] = None,
) -> None:
    """Run a whole test on a simulated bench: real serial and USB paths, a real broker, time made faster."""
    from rich.console import Console

    from ..simulated.demo import folder_or_temporary, run_demo
    from .progress_view import ProgressView
    from .show import show_summary

    log_to_stderr(verbose=False, level=logging.ERROR)

    def work() -> None:
        with folder_or_temporary(out) as folder, ProgressView(Console(stderr=True)) as view:
            summary = finish(
                run_demo(
                    folder.resolve(),
                    speed=speed,
                    seed=seed,
                    on_status=view.status,
                    on_event=view.event,
                    on_panel=lambda url: typer.echo(f"Panel, while it runs: {url}", err=True),
                )
            )
        if json:
            typer.echo(summary.model_dump_json(by_alias=True))
        else:
            show_summary(summary, Console())

    guarded(work)


@commands.command(rich_help_panel=PANEL)
def campaign(
    tests: Annotated[int, typer.Option(min=1, help="How many whole tests.")] = 10,
    seed: Annotated[int, typer.Option(min=0, help="Of all chance.")] = 1,
    json: Annotated[bool, typer.Option("--json", help="One JSON line a test, then one for all.")] = False,
    faults: Annotated[bool, typer.Option("--faults", help="Let instruments fail at random.")] = False,
) -> None:
    """Run whole tests on random simulated benches in virtual time and compare the results with the truth.

    Exit code 1 when a reading was lost, one was taken before its gates, or a test did not come to its end.
    """
    from rich.console import Console

    from .campaign_view import run_campaign

    log_to_stderr(verbose=False, level=logging.ERROR)

    def work() -> None:
        console = Console(stderr=True)
        if not run_campaign(tests, seed, as_json=json, console=console, say=typer.echo, with_faults=faults):
            raise typer.Exit(1)

    guarded(work)
