"""The campaign page: shared places, intervals, pairs, and the check lamp's chart."""

import io
from pathlib import Path

import pytest
from lampwarden.daemon.cli.hand_on import write_campaign
from lampwarden.daemon.measure.budget import Term
from lampwarden.daemon.measure.compare import ComparedTest, rank
from lampwarden.daemon.results.comparison import Comparison, check_lamp, compare, show_ranking
from lampwarden.protocol.errors import MeasurementError
from lampwarden.protocol.records import SummaryRecord
from rich.console import Console
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


def one(test_id: str, lamp: str, value: float, **u: float) -> ComparedTest:
    """A test with relative standard uncertainties by cause."""
    terms = [Term(cause.replace("_", " "), u_common=each * value) for cause, each in u.items()]
    return ComparedTest(test_id, lamp, value, (*terms, Term("noise", u_own=0.001 * value)))


def verdicts(*tests: ComparedTest, page_of: Comparison, out: Path) -> tuple[str, str]:
    """The campaign's page, and what the terminal shows of the same ranking."""
    shown = Comparison(rank(tests), page_of.summaries)
    console = Console(file=io.StringIO(), width=240)
    show_ranking(shown, console)
    assert isinstance(console.file, io.StringIO)
    page = write_campaign(out / "campaign.html", shown, page_of.summaries, None).read_text()
    return page.replace("\u00a0", " "), console.file.getvalue()


def test_a_pair_not_told_apart_says_how_many_tests_would_tell(comparison: Comparison, tmp_path: Path) -> None:
    tests = (one("1", "a", 500.0, height=0.01), one("2", "b", 490.0, height=0.01))
    page, shown = verdicts(*tests, page_of=comparison, out=tmp_path)
    assert "<td>4 tests of each</td>" in page
    assert "not told apart; 4 tests of each would tell" in shown


def test_a_pair_that_no_repeats_would_tell_apart_says_what_keeps_it_so(comparison: Comparison, tmp_path: Path) -> None:
    """Mismatch and cosine response are the same in every test of a lamp, and so do not average down."""
    tests = (one("1", "a", 500.0, spectral_mismatch=0.02), one("2", "b", 490.0, spectral_mismatch=0.02))
    page, shown = verdicts(*tests, page_of=comparison, out=tmp_path)
    assert "<td>no repeats: ±5.66 % is the same in every test of a lamp</td>" in page
    assert "no repeats would tell: ±5.66 % is the same in every test of a lamp" in shown


def test_a_pair_of_equal_averages_needs_more_tests_than_are_looked_at(comparison: Comparison, tmp_path: Path) -> None:
    tests = (one("1", "a", 500.01, height=0.01), one("2", "b", 500.0, height=0.01))
    page, shown = verdicts(*tests, page_of=comparison, out=tmp_path)
    assert "<td>more than 100 tests of each</td>" in page
    assert "more than 100 tests of each would tell" in shown


def test_a_page_on_which_all_pairs_are_told_apart_has_no_empty_column(comparison: Comparison, tmp_path: Path) -> None:
    page, _ = verdicts(one("1", "a", 600.0), one("2", "b", 490.0), page_of=comparison, out=tmp_path)
    assert "told apart" in page
    assert "What would tell" not in page


def test_a_page_of_one_lamp_has_no_empty_table_of_pairs(comparison: Comparison, tmp_path: Path) -> None:
    page, _ = verdicts(one("1", "a", 600.0), one("2", "a", 604.0), page_of=comparison, out=tmp_path)
    assert ">Places</h2>" in page
    assert ">Pairs</h2>" not in page


def test_nothing_to_rank_and_a_test_named_twice_are_told_as_such(summaries: list[SummaryRecord]) -> None:
    with pytest.raises(MeasurementError, match=r"^rank: there is no finished test with an average"):
        compare([])
    with pytest.raises(MeasurementError, match=r"^rank: named twice: t-2 \(name each test once\)$"):
        compare([*summaries, summaries[1]])


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
