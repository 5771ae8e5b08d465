"""A whole simulated test by the panel alone: hands carry the sensor and strike the lamp, everything else is clicks."""

import re
from pathlib import Path

import pytest
from selenium import webdriver
from support.browser import Page
from support.panel_bench import get, panel_bench, wait_for
from support.panel_walk import run_up, walk

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]


def test_whole_test_from_the_form_to_the_result_by_the_panel_alone(browser: webdriver.Chrome, folder: Path) -> None:
    with panel_bench(folder) as bench:
        page = Page(browser, bench.url).open()
        run_up(page, bench)

        walk(page, bench, until_spots=2)
        before = {spot: label for spot, label in page.spots.items() if "not read" not in label}
        page.reload()  # in mid-test: the page has it all again
        after = page.spots
        assert {spot: label.split()[1] for spot, label in before.items()} == {s: after[s].split()[1] for s in before}
        assert any("lamp struck" in event.text for event in page.all("#events li"))
        assert page.shows("press")
        assert "2 of 6" in page.text("figures")

        walk(page, bench, until_spots=7)
        page.until_prompt("The test is over")
        page.until(lambda: page.text("result-title") == "Result", "the result")
        assert "Canopy average" in page.text("figures")
        assert "±" in page.text("figures")
        assert page.text("log-title") == "Log"
        key = page.text("grid-key")
        assert re.fullmatch(r"least \d+\.\d +most \d+\.\d µmol m⁻² s⁻¹", key), "as many decimals at both ends"
        assert all("not read" not in label for label in page.spots.values())
        assert page.script("return document.documentElement.dataset.lastTone") == "finished"
        assert page.complaints() == []

        href = page.one("#report").get_attribute("href")
        report = get(str(href))
        assert "Simulated: no value in this report is real." in report
        assert page.accessibility() == []


def test_open_page_finds_the_restarted_daemon_and_the_test_goes_on(browser: webdriver.Chrome, folder: Path) -> None:
    with panel_bench(folder) as bench:
        page = Page(browser, bench.url).open()
        run_up(page, bench)
        walk(page, bench, until_spots=1)

        bench.kill()
        page.until(
            lambda: page.shows("stale") and "No connection" in page.text("stale"), "the notice of the lost daemon"
        )
        assert "What you see is from" in page.text("stale")
        bench.start()
        page.until(lambda: not page.shows("stale"), "the notice to go away")
        page.until(lambda: "test resumed" in page.text("events"), "the log to tell of the resumed test")
        assert "lamp struck" in page.text("events")  # what this daemon has not seen itself comes from the journal
        assert "not read" not in page.spots["A1"]

        walk(page, bench, until_spots=2)
        assert "not read" not in page.spots["B1"]


def test_command_whose_answer_was_lost_is_carried_out_once(browser: webdriver.Chrome, folder: Path) -> None:
    with panel_bench(folder) as bench:
        page = Page(browser, bench.url).open()
        # The first answer of the bench is thrown away on its way back; the page asks again with the same id.
        page.script(
            """
            const real = window.fetch;
            window.sent = [];
            window.fetch = async (where, how) => {
              if (!String(where).startsWith("/commands/")) return real(where, how);
              window.sent.push(JSON.parse(how.body).id);
              const response = await real(where, how);
              if (window.sent.length === 1) throw new TypeError("connection lost");
              return response;
            };
            """
        )
        page.begin()
        page.until_prompt("the reference point")
        wait_for(lambda: len(page.script("return window.sent")) == 2, "the command to be sent twice")
        first, second = page.script("return window.sent")
        assert first == second
        assert "has begun" in page.text("answer")
        begun = [event for event in page.all("#events li") if "test begun" in event.text]
        assert len(begun) == 1


def test_abandoning_asks_first_and_then_says_why_in_the_log(browser: webdriver.Chrome, folder: Path) -> None:
    with panel_bench(folder) as bench:
        page = Page(browser, bench.url).open()
        page.begin(test_id="to-be-abandoned")
        page.until_prompt("the reference point")
        page.click("#abandon")
        assert page.script("return document.activeElement.value") == "no"
        page.click("#abandon-dialog button[value=no]")
        assert page.shows("abandon")
        page.click("#abandon")
        reason = page.one("#abandon-reason")
        reason.clear()
        reason.send_keys("wrong lamp")
        page.click("#abandon-dialog button[value=yes]")
        page.until(lambda: "test abandoned: wrong lamp" in page.text("events"), "the log to say why")
        page.until(lambda: page.shows("begin"), "the form")
        assert page.one("#begin-form [name=lamp]").get_attribute("value") == "HPS-07"  # last values
