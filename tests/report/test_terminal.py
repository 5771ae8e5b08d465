"""The summary in a terminal: names and marks as everywhere else."""

import io
import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from lampwarden.daemon.cli.show import show_summary
from lampwarden.daemon.report.page import report_page
from lampwarden.daemon.results.recall import recall
from lampwarden.daemon.results.register import LampEntry, show_register
from lampwarden.daemon.rounding import figure
from lampwarden.protocol.quantity import Quantity
from lampwarden.protocol.records import SummaryRecord
from rich.console import Console
from support.recorded import TEST_ID
from support.virtual_bench import Outcome


def printed(summary: SummaryRecord, width: int = 160) -> str:
    told = io.StringIO()
    show_summary(summary, Console(file=told, width=width))
    return told.getvalue()


def test_terminal_names_and_marks_things_as_report_and_watch_do(outcome: Outcome) -> None:
    told = io.StringIO()
    show_summary(SummaryRecord.model_validate(outcome.summary), Console(file=told, width=160))
    text = told.getvalue()
    assert "Area-weighted average" in text
    assert re.search(r"by cause, *\nµmol m⁻² s⁻¹ \(k = 1\)", text)
    assert "? doubtful" in text
    assert "Integration time" in text
    assert "integration time " not in text, "the label says it already"


@pytest.mark.parametrize("factor", [1.96, 2.78, None])
def test_terminal_and_report_state_the_same_figures(journal: Path, outcome: Outcome, factor: float | None) -> None:
    """2.78 is t for four degrees of freedom and 95 % (JCGM 100:2008, table G.2): few enough to show."""
    summary = SummaryRecord.model_validate(outcome.summary).model_copy(update={"coverage_factor": factor})
    page = report_page(replace(recall(journal, TEST_ID), summary=summary)).replace("\u00a0", " ")
    rows = dict(re.findall(r"<dt>([^<]*)</dt><dd>([^<]*)</dd>", page))
    rows["Canopy average"] = re.findall(r"Canopy average <strong>([^<]*)<", page)[0]
    text = printed(summary)
    for name in ("Canopy average", "Area-weighted average", "Uniformity ratio (max/min)", "Opening reading"):
        assert re.search(rf"{re.escape(name)} +│ {re.escape(rows[name])} +│", text), name
    u = summary.area_weighted_average.u
    assert u is not None
    digits = rows["Area-weighted average"].split(" ± ")[1].split(" ")[0]
    assert float(digits) == pytest.approx((factor or 2.0) * u, rel=0.05)


def test_what_has_no_uncertainty_has_the_decimals_of_its_instrument(outcome: Outcome) -> None:
    text = printed(SummaryRecord.model_validate(outcome.summary))
    assert re.search(r"│ \d+\.\d °C, \d+\.\d %, \d+\.\d hPa, warmed by \d\.\d K +│", text)
    assert re.search(r" W, \d\d\.\d\d Hz +│", text)
    assert figure(Quantity(value=49.999771, unit="Hz")) == "50.00 Hz"
    assert figure(Quantity(value=0.93917, unit="K")) == "0.9 K"


def test_register_is_readable_at_80_columns() -> None:
    lamps = {
        name: LampEntry(
            name,
            lamp_type="high_pressure_sodium",
            rated_power_w=1000.0,
            stated_hours=hours,
            counted_starts=117,
            tests=24,
            last_seen=datetime(2026, 3, 2, 8, 36, tzinfo=UTC),
        )
        for name, hours in (("HPS-07", 23456.78), ("HPS-1000-north-12", 12.0))
    }
    told = io.StringIO()
    show_register(lamps, Console(file=told, width=80), watched=False)
    lines = told.getvalue().splitlines()
    assert max(len(line) for line in lines) <= 80
    assert "…" not in told.getvalue()
    (row,) = [line for line in lines if line.lstrip().startswith("HPS-07 ")]
    for figures in ("1000", "23456.78", "117", "24", "2026-03-02 08:36"):
        assert figures in row
    assert "HPS-1000-north-12: not seasoned: below 100 h" in lines
