"""The summary in a terminal: names and marks as everywhere else."""

import io

from lampwarden.daemon.cli.show import show_summary
from lampwarden.protocol.records import SummaryRecord
from rich.console import Console
from support.virtual_bench import Outcome


def test_terminal_names_and_marks_things_as_report_and_watch_do(outcome: Outcome) -> None:
    told = io.StringIO()
    show_summary(SummaryRecord.model_validate(outcome.summary), Console(file=told, width=160))
    text = told.getvalue()
    assert "Area-weighted average" in text
    assert "? doubtful" in text
    assert "Integration time" in text
    assert "integration time " not in text, "the label says it already"
