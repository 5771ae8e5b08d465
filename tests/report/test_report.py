"""A test's report says everything that the records say, in one file that needs nothing else."""

import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from lampwarden.daemon.report import report_of
from lampwarden.daemon.results.recall import known_tests, latest_test, recall
from lampwarden.protocol.commands import Abandon
from lampwarden.protocol.errors import JournalError
from lampwarden.simulators.scenario import Scenario
from selenium import webdriver
from support.browser import Page
from support.recorded import TEST_ID, recorded_test
from support.virtual_bench import Outcome, VirtualBench, small

VOID = {"meta"}
NBSP = "\u00a0"


class Reader(HTMLParser):
    """Text of a page, its elements, and whether everything that was opened was closed in order."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.names: list[str] = []
        self.links: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.names.append(tag)
        self.links += [value or "" for name, value in attrs if name in ("src", "href", "data", "action")]
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += f"{data.replace(NBSP, ' ')} "


def read(page: str) -> Reader:
    reader = Reader()
    reader.feed(page)
    assert reader.open == []
    return reader


@pytest.fixture(scope="module")
def page(journal: Path, outcome: Outcome) -> str:
    return report_of(journal, TEST_ID)


@pytest.fixture(scope="module")
def reader(page: str) -> Reader:
    return read(page)


def test_report_is_one_file_without_script_or_outside_resource(page: str, reader: Reader) -> None:
    assert "script" not in reader.names
    assert reader.links == []
    assert not re.search(r"@import|url\(|https?://", page)


def test_report_names_lamp_ballast_fixture_bench_and_every_instrument(reader: Reader, outcome: Outcome) -> None:
    setup = outcome.summary["setup"]
    for word in (setup["lamp"], setup["ballast"], setup["fixture"], outcome.summary["bench"], TEST_ID):
        assert word in reader.text
    for record in outcome.of("instrument"):
        assert record["instrument"] in reader.text
        if record["calibration"] is not None:
            assert record["calibration"]["certificate"] in reader.text


def test_report_has_a_line_for_every_attempt_the_doubtful_one_included(page: str, outcome: Outcome) -> None:
    rows = re.findall(r"<tr><th scope=\"row\">([A-Z]\d(?: \(\w+\))?)</th><td>(\d+)</td><td>\d\d:\d\d:\d\d</td>", page)
    told = [(spot.split(" ", 1)[0], int(attempt)) for spot, attempt in rows]
    assert told == [(spot["spot"], spot["attempt"]) for spot in outcome.spots]
    doubts = [doubt for spot in outcome.spots for doubt in spot["doubts"]]
    assert doubts
    assert all(doubt in read(page).text for doubt in doubts)


def test_report_has_every_flag_every_cause_of_the_budget_and_every_gate(reader: Reader, outcome: Outcome) -> None:
    for flag in outcome.summary["flags"]:
        assert flag in reader.text
    for line in outcome.summary["budget"]:
        assert line["cause"] in reader.text
    for spot in outcome.spots:
        for gate in spot["gates"]:
            assert gate["reason"] in reader.text


def test_report_gives_the_result_as_the_summary_has_it(reader: Reader, outcome: Outcome) -> None:
    average, expanded = outcome.summary["canopy_average"]["value"], outcome.summary["expanded_uncertainty"]["value"]
    assert f"{average:.0f} ± {expanded:.0f} µmol m⁻² s⁻¹" in reader.text
    assert f"{expanded:.3g}" in reader.text


def test_figures_stay_on_one_line_with_their_units(page: str, outcome: Outcome) -> None:
    """A line may end at a space, not at one that does not break (U+00A0)."""
    average, expanded = outcome.summary["canopy_average"]["value"], outcome.summary["expanded_uncertainty"]["value"]
    assert f"{average:.0f}~±~{expanded:.0f}~µmol~m⁻²~s⁻¹".replace("~", NBSP) in page
    assert "160~mm × 160~mm".replace("~", NBSP) in page
    assert not re.search(r">[^<]*(\d (µmol|V|W|Hz|°C|nm|mm|ms|s|min)\b|m⁻² s⁻¹)[^<]*</(p|td|dd|dt|li|th|h2)>", page)


def test_dip_that_the_means_hide_is_drawn_as_deep_as_the_log_names_it(page: str, outcome: Outcome) -> None:
    (held,) = outcome.events("gate_held")
    lowest = min(record["lowest"]["voltage"]["value"] for record in outcome.of("supply"))
    assert f"{lowest:.1f} V" in held["text"]
    means = [record["supply"]["voltage"]["value"] for record in outcome.of("supply")]
    assert min(means) > lowest + 3.0, "the mean of an interval hides most of the dip"
    (plot,) = re.findall(r'<svg[^>]*aria-label="Supply voltage over the test".*?</svg>', page)
    (band,) = re.findall(r'<polygon points="([^"]+)" class="envelope">', plot)
    (line,) = re.findall(r'<polyline points="([^"]+)"', plot)
    deepest = [max(float(point.split(",")[1]) for point in drawn.split(" ")) for drawn in (band, line)]
    assert deepest[0] > deepest[1] + 10.0, "y counts downwards"
    assert "lowest to highest reading" in plot
    assert "the band runs from its lowest to its highest single reading" in page


def test_mean_of_the_supply_lies_between_the_extremes_of_its_interval(outcome: Outcome) -> None:
    for record in outcome.of("supply"):
        low, mean, high = (record[part]["voltage"]["value"] for part in ("lowest", "supply", "highest"))
        assert low <= mean <= high


def test_gates_table_names_each_hold_with_how_long_and_why(reader: Reader, page: str, outcome: Outcome) -> None:
    (held,) = outcome.events("gate_held")
    (read,) = [spot for spot in outcome.spots if spot["spot"] == held["spot"]]
    lasted = round(read["window_opened_monotonic_s"] - held["monotonic_s"])
    assert lasted > 0
    gates = page.split("<h2>Gates</h2>", 1)[1].split("</section>", 1)[0].replace(NBSP, " ")
    (row,) = re.findall(r"<tr>(?:(?!</tr>).)*<td>held</td>.*?</tr>", gates)
    reason = held["text"].removeprefix("the supply holds: ")
    assert f'<th scope="row">{held["spot"]}</th><td>1</td><td>supply</td>' in row
    assert f"<td>{lasted} s</td>" in row
    assert reason in row
    assert "Readings held up: once (supply)" in reader.text


def test_light_instrument_that_is_the_ppfd_itself_has_no_column(page: str, outcome: Outcome) -> None:
    section = page.split("Every spot and attempt", 1)[1].split("</section>", 1)[0]
    assert all(spot["light"]["value"] == spot["quantum_ppfd"]["value"] for spot in outcome.spots)
    assert '<th scope="col">Sensor</th>' not in section
    assert '<th scope="col">Spectro-meter</th>' in section
    assert "by the primary instrument (quantum)" in section


def test_report_of_a_simulated_test_says_so_in_words_and_across_the_page(page: str, reader: Reader) -> None:
    assert "Simulated: no value in this report is real." in reader.text
    assert 'class="across"' in page


def test_report_has_the_map_the_spectrum_and_the_plots_over_time(page: str) -> None:
    labels = re.findall(r'aria-label="([^"]+)"', page)
    assert sum(label.startswith("Light over the grid") for label in labels) == 1
    assert sum(label.startswith("Spectral irradiance") for label in labels) == 1
    for what in ("Supply voltage", "Supply power", "Supply frequency", "Air temperature", "Air humidity"):
        assert any(label.startswith(what) for label in labels), what


def test_report_ends_with_the_cautions(reader: Reader) -> None:
    assert "licensed electrician come first" in reader.text


def test_what_was_not_measured_is_told(tmp_path: Path) -> None:
    recorded_test(tmp_path / "j.sqlite", without=("spectrometer", "air-out"))
    text = read(report_of(tmp_path / "j.sqlite", TEST_ID)).text
    assert "Not measured, no such instrument on the bench: the spectrum and the photon bands." in text
    assert "Not measured, no such instrument on the bench: the air outside." in text
    assert "Humidity outside: not given" in text
    assert "No reduced spectrum was taken." in text


def test_abandoned_test_gets_a_report_that_says_so_and_keeps_what_was_read(tmp_path: Path) -> None:
    async def give_up(bench: VirtualBench) -> None:
        await bench.until_state("await_press", "C1")
        await bench.command(Abandon(id="a-1", reason="the glass is cracked"))

    outcome = recorded_test(tmp_path / "j.sqlite", scenario=small(), script=give_up)
    text = read(report_of(tmp_path / "j.sqlite", TEST_ID)).text
    assert "No result: test abandoned: the glass is cracked." in text
    assert f"{outcome.spots[-1]['light']['value']:.1f}" in text
    test = recall(tmp_path / "j.sqlite", TEST_ID)
    assert test.setup is not None
    assert test.setup.lamp in text


def test_words_from_outside_stay_words(tmp_path: Path) -> None:
    nasty = "<script>alert('x')</script>"
    plan = small()
    hostile = Scenario(name="x", lamp=plan.lamp, grid=plan.grid, fixture=f"{nasty} & <b>")
    recorded_test(tmp_path / "j.sqlite", scenario=hostile)
    page = report_of(tmp_path / "j.sqlite", TEST_ID)
    assert nasty not in page
    assert "script" not in read(page).names
    assert f"{nasty} & <b>" in read(page).text


def test_unknown_test_is_refused_with_those_that_there_are(journal: Path, outcome: Outcome) -> None:
    with pytest.raises(JournalError, match=rf"has no test none-such .*{TEST_ID}"):
        report_of(journal, "none-such")
    assert latest_test(journal) == TEST_ID
    (known,) = known_tests(journal)
    assert known.lamp == outcome.summary["setup"]["lamp"]
    assert known.outcome.startswith("test finished")


@pytest.mark.slow
@pytest.mark.parametrize(("paper", "width_mm", "height_mm"), [("A4", 210.0, 297.0), ("Letter", 215.9, 279.4)])
def test_report_prints_within_the_margins(
    browser: webdriver.Chrome, page: str, tmp_path: Path, paper: str, width_mm: float, height_mm: float
) -> None:
    file = tmp_path / "report.html"
    file.write_text(page, encoding="utf-8")
    browser.get(file.as_uri())
    inner_px = round((width_mm - 28.0) / 25.4 * 96.0)  # the sheet's margins are 14 mm
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    metrics = {"width": inner_px, "height": 1000, "deviceScaleFactor": 1, "mobile": False}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    try:
        wide = browser.execute_script(
            "return [...document.querySelectorAll('main *')]"
            ".filter((e) => e.getBoundingClientRect().right > innerWidth + 1)"
            ".map((e) => `${e.tagName} ${e.textContent.slice(0, 60)}`)"
        )
        assert wide == []
        pdf = browser.execute_cdp_cmd(
            "Page.printToPDF",
            {"paperWidth": width_mm / 25.4, "paperHeight": height_mm / 25.4, "preferCSSPageSize": False},
        )
        assert len(pdf["data"]) > 10_000
    finally:
        browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})


@pytest.mark.slow
def test_report_has_no_accessibility_violation(browser: webdriver.Chrome, page: str, tmp_path: Path) -> None:
    file = tmp_path / "report.html"
    file.write_text(page, encoding="utf-8")
    browser.get(file.as_uri())
    assert Page(browser, file.as_uri()).accessibility() == []


def test_head_of_the_attempts_stays_short_and_the_factor_stands_in_the_note(page: str) -> None:
    section = page.split("Every spot and attempt", 1)[1].split("</section>", 1)[0]
    assert '<th scope="col">±</th>' in section
    assert "± for k = 2" in section.replace(NBSP, " ")
