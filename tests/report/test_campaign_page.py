"""The campaign page: shared places, intervals, pairs, and the check lamp's chart."""

from pathlib import Path

import pytest
from lampwarden.daemon.cli.hand_on import write_campaign
from lampwarden.daemon.results.comparison import Comparison, check_lamp, compare
from lampwarden.protocol.errors import MeasurementError
from lampwarden.protocol.records import SummaryRecord
from selenium import webdriver
from support.browser import Page
from support.recorded import summary_of


@pytest.fixture(scope="module")
def summaries() -> list[SummaryRecord]:
    """Two lamps that the bench cannot tell apart, and one that is brighter by a third."""
    return [
        summary_of(1, lamp="HPS-01", test_id="t-1", minutes=0),
        summary_of(2, lamp="HPS-02", test_id="t-2", minutes=10),
        summary_of(3, lamp="HPS-03", test_id="t-3", minutes=20, brighter=1.33),
    ]


@pytest.fixture(scope="module")
def comparison(summaries: list[SummaryRecord]) -> Comparison:
    return compare(summaries)


@pytest.fixture(scope="module")
def checks() -> list[SummaryRecord]:
    return [summary_of(seed, lamp="CHECK", test_id=f"c-{seed}", minutes=seed) for seed in range(1, 7)]


def test_lamps_that_cannot_be_told_apart_share_a_range_of_places(comparison: Comparison, tmp_path: Path) -> None:
    page = write_campaign(tmp_path / "campaign.html", comparison, comparison.summaries, None).read_text()
    first, second, third = comparison.ranking.lamps
    assert (first.lamp, first.place, first.last_place) == ("HPS-03", 1, 1)
    assert (second.place, second.last_place) == (third.place, third.last_place) == (2, 3)
    assert '<th scope="row">1</th><td>HPS-03</td>' in page
    assert page.count('<th scope="row">2–3</th>') == 2
    assert "not told apart" in page


def test_page_draws_an_interval_for_every_lamp_and_lists_every_pair_and_test(
    comparison: Comparison, tmp_path: Path
) -> None:
    page = write_campaign(tmp_path / "campaign.html", comparison, comparison.summaries, None).read_text()
    assert page.count('class="dot"') == 3
    assert page.count('class="shared"') == 3
    assert page.count(" over HPS-") == 3
    assert all(f">{summary.test_id}</th>" in page for summary in comparison.summaries)
    assert "Simulated: no value in this report is real." in page
    assert "<script" not in page


def test_check_lamp_has_a_chart_with_its_limits(
    comparison: Comparison, checks: list[SummaryRecord], tmp_path: Path
) -> None:
    page = write_campaign(tmp_path / "campaign.html", comparison, checks, "CHECK").read_text()
    found = check_lamp(checks, "CHECK")
    assert found.limits is not None
    assert f"upper limit {found.limits.upper:.1f}" in page
    assert f"centre {found.limits.centre:.1f}" in page
    assert "Check lamp CHECK" in page
    assert page.count('class="dot"') + page.count('class="out"') == 3 + len(checks)


def test_check_lamp_without_tests_is_refused(comparison: Comparison, tmp_path: Path) -> None:
    with pytest.raises(MeasurementError, match="two at least are needed"):
        write_campaign(tmp_path / "campaign.html", comparison, comparison.summaries, "CHECK")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.slow
def test_page_has_no_accessibility_violation(
    browser: webdriver.Chrome, comparison: Comparison, checks: list[SummaryRecord], tmp_path: Path
) -> None:
    file = write_campaign(tmp_path / "campaign.html", comparison, checks, "CHECK")
    browser.get(file.as_uri())
    assert Page(browser, file.as_uri()).accessibility() == []
