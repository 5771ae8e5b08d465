"""What is handed on as files: reports, campaign pages, exports, and the list of tests to choose from."""

from collections.abc import Sequence
from pathlib import Path
from typing import Literal, cast

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from ...protocol.errors import ConfigurationError, LampwardenError
from ...protocol.records import SummaryRecord
from ..export.tables import all_tables
from ..export.write import Format, write_tables
from ..report import report_of
from ..report.campaign import campaign_page
from ..results.comparison import Comparison, check_lamp
from ..results.recall import known_tests, latest_test, recall


def show_tests(journal: Path, console: Console) -> None:
    """Print the tests of a bench.

    Raises:
        JournalError: The journal cannot be read.
    """
    table = Table()
    for column in ("test", "begun (UTC)", "lamp", "outcome"):
        table.add_column(column, overflow="fold")
    for test in known_tests(journal):
        outcome = f"{test.outcome}; simulated" if test.simulated else test.outcome
        table.add_row(escape(test.test_id), f"{test.begun:%Y-%m-%d %H:%M}", escape(test.lamp), escape(outcome))
    console.print(table)


def write_report(journal: Path, test_id: str | None, out: Path | None) -> Path:
    """Write a test's report; returns its path.

    Raises:
        JournalError: There is no such test.
        LampwardenError: The file cannot be written.
    """
    name = test_id or latest_test(journal)
    return _written(out or Path(f"report-{name}.html"), report_of(journal, name))


def write_campaign(out: Path, comparison: Comparison, summaries: Sequence[SummaryRecord], check: str | None) -> Path:
    """Write the campaign page; returns its path.

    Args:
        out: The file.
        comparison: What is ranked.
        summaries: All tests of the bench, in which the check lamp's are looked for.
        check: The check lamp; None leaves its charts out.

    Raises:
        MeasurementError: Too few tests of the check lamp.
        LampwardenError: The file cannot be written.
    """
    charts = None
    if check is not None:
        mine = sorted((s for s in summaries if s.setup.lamp == check), key=lambda s: s.finished)
        values = [s.canopy_average.value for s in mine if s.canopy_average.value is not None]
        charts = (check, check_lamp(summaries, check), values)
    return _written(out, campaign_page(comparison, check=charts))


def write_export(journal: Path, test_ids: Sequence[str], out: Path | None, *, kind: str, spectra: str) -> list[Path]:
    """Write tests as tables; returns the paths.

    Raises:
        ConfigurationError: No such format, or the one for Parquet is not installed.
        JournalError: There is no such test.
        LampwardenError: A file cannot be written.
    """
    for given, option, known in (
        (kind, "--format", ("csv", "jsonl", "parquet")),
        (spectra, "--spectra", ("long", "wide", "none")),
    ):
        if given not in known:
            raise ConfigurationError(f"{given!r} is not known", where=option, mend=f"one of: {', '.join(known)}")
    names = list(test_ids) or [latest_test(journal)]
    tests = [recall(journal, name) for name in dict.fromkeys(names)]
    folder = out or Path(f"export-{names[0] if len(names) == 1 else f'{len(names)}-tests'}")
    tables = all_tables(tests, cast("Literal['long', 'wide', 'none']", spectra))
    return write_tables(tables, folder, cast("Format", kind))


def _written(path: Path, text: str) -> Path:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise LampwardenError(f"cannot be written: {error.strerror}", where=str(path)) from None
    return path
