"""Commands for finished tests: lists, ranking, register, reports, exports."""

from pathlib import Path
from typing import Annotated, Final

import typer

from ...protocol.errors import LampwardenError
from .tools import BENCH, ConfigOption, guarded, load

# ruff: noqa: PLC0415  commands import what they need when they run, so that --help is quick

PANEL: Final = "Finished tests"
commands = typer.Typer()


@commands.command(rich_help_panel=PANEL)
def rank(
    tests: Annotated[list[str] | None, typer.Argument(help="Test ids or files of summaries; none: all.")] = None,
    config: ConfigOption = BENCH,
    json: Annotated[bool, typer.Option("--json", help="Print the ranking as one JSON document.")] = False,
    out: Annotated[Path | None, typer.Option(help="Write the campaign page (HTML) here.")] = None,
    check_lamp: Annotated[str | None, typer.Option(help="With --out: show this check lamp's charts.")] = None,
) -> None:
    """Rank the lamps of finished tests; lamps that the bench cannot tell apart share a place."""
    from rich.console import Console

    from ..results.comparison import compare, load_summaries, ranking_json, show_ranking

    def work() -> None:
        names = tests or []
        journals = [] if names and all(name.endswith(".json") for name in names) else [load(config).journal.path]
        comparison = compare(load_summaries(journals, names))
        if out is not None:
            from .hand_on import write_campaign

            typer.echo(write_campaign(out, comparison, load_summaries(journals, []) if journals else [], check_lamp))
        elif json:
            typer.echo(ranking_json(comparison))
        else:
            show_ranking(comparison, Console())

    guarded(work)


@commands.command(rich_help_panel=PANEL)
def checklamp(lamp: Annotated[str, typer.Argument(help="Id of the check lamp.")], config: ConfigOption = BENCH) -> None:
    """Say from a check lamp's tests whether the bench itself has drifted; exit 1 when it has."""
    from rich.console import Console

    from ..results.comparison import check_lamp, load_summaries, show_check

    def work() -> None:
        summaries = load_summaries([load(config).journal.path], [])
        found = check_lamp(summaries, lamp)
        show_check(found, summaries, lamp, Console())
        if found.in_control is False:
            raise typer.Exit(1)

    guarded(work)


@commands.command(rich_help_panel=PANEL)
def lamp(
    lamp_id: Annotated[str | None, typer.Argument(help="One lamp; none: all.")] = None, config: ConfigOption = BENCH
) -> None:
    """Show the lamp register: hours and starts from the power meter, a burn that goes on, lamps not yet seasoned."""
    from rich.console import Console

    from ..results.register import read_register, show_register
    from ..store.journal_files import is_held

    def work() -> None:
        path = load(config).journal.path
        lamps = read_register(path)
        if lamp_id is not None:
            if lamp_id not in lamps:
                raise LampwardenError("the journal knows no such lamp", where=lamp_id)
            lamps = {lamp_id: lamps[lamp_id]}
        show_register(lamps, Console(), watched=is_held(path))

    guarded(work)


@commands.command(rich_help_panel=PANEL, name="tests")
def list_tests(config: ConfigOption = BENCH) -> None:
    """List the tests that this bench has, oldest first."""
    from rich.console import Console

    from .hand_on import show_tests

    guarded(lambda: show_tests(load(config).journal.path, Console()))


@commands.command(rich_help_panel=PANEL)
def report(
    test_id: Annotated[str | None, typer.Argument(help="Id of the test; none: the latest.")] = None,
    out: Annotated[Path | None, typer.Option(help="The HTML file; left out: report-TEST.html.")] = None,
    config: ConfigOption = BENCH,
) -> None:
    """Write the report of a test: one HTML file to hand over, print or keep."""
    from .hand_on import write_report

    guarded(lambda: typer.echo(write_report(load(config).journal.path, test_id, out)))


@commands.command(rich_help_panel=PANEL)
def export(
    test_ids: Annotated[list[str] | None, typer.Argument(help="Ids of tests; none: the latest.")] = None,
    kind: Annotated[str, typer.Option("--format", help="csv, jsonl or parquet.")] = "csv",
    out: Annotated[Path | None, typer.Option(help="Folder for the tables; left out: export-TEST.")] = None,
    spectra: Annotated[str, typer.Option(help="long, wide or none.")] = "long",
    config: ConfigOption = BENCH,
) -> None:
    """Write tests as flat tables with a dictionary of their columns."""
    from .hand_on import write_export

    def work() -> None:
        for path in write_export(load(config).journal.path, test_ids or [], out, kind=kind, spectra=spectra):
            typer.echo(path)

    guarded(work)
