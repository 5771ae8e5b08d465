"""What the panel shows and offers while a gate holds, and when a spot is read again."""

from pathlib import Path

import pytest
from selenium import webdriver
from support.browser import Page
from support.panel_bench import PROCEDURE, panel_bench
from support.panel_walk import run_up, walk

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]


def test_gate_that_holds_tells_why_and_until_when_and_then_lets_the_operator_read_anyway(
    browser: webdriver.Chrome, folder: Path
) -> None:
    # The bench is told of another nominal voltage than its supply has, so the supply gate holds for good.
    procedure = {**PROCEDURE, "nominal_voltage_v": 245.0, "settle_longest_s": 900.0, "supply_longest_s": 900.0}
    with panel_bench(folder, procedure=procedure) as bench:
        page = Page(browser, bench.url).open()
        page.begin()
        page.until_prompt("the reference point")
        bench.carry("reference")
        page.until_prompt("Strike the lamp")
        bench.strike()
        page.until(lambda: "Supply holds:" in page.text("waits"), "the supply gate to hold")
        assert "from 245 V" in page.text("waits")
        assert page.prompt == "Settling at B1. Keep clear of the light."  # short enough to be read from afar
        assert not page.shows("press")  # the opening reading needs none
        page.until(lambda: page.shows("read-anyway"), "the offer to read anyway")
        assert page.accessibility() == []
        page.click("#read-anyway")
        page.until(lambda: "the operator reads anyway" in page.text("events"), "the log to tell of it")


def test_spot_is_read_again_and_the_operator_lets_the_first_attempt_count(
    browser: webdriver.Chrome, folder: Path
) -> None:
    with panel_bench(folder) as bench:
        page = Page(browser, bench.url).open()
        run_up(page, bench)
        walk(page, bench, until_spots=2)
        page.click("#grid-table [data-spot=A1]")
        page.click("#reread")
        page.until_prompt("Put the sensor at A1 again")
        bench.carry("A1")
        page.click("#press")
        page.until(lambda: "Attempt 2" in page.text("spot"), "the second attempt")
        page.click("#spot [data-choose='1']")  # without a reason nothing is sent
        assert "chosen" not in page.spots["A1"]
        page.one("#choose-reason").send_keys("the pot stood in the light")
        page.click("#spot [data-choose='1']")
        page.until(lambda: "chosen" in page.spots["A1"], "the cell to say that it was chosen")
        assert "Attempt 1" in page.one("#spot li").text
        assert "(counts)" in page.one("#spot li").text
        page.until(lambda: "the pot stood in the light" in page.text("flags"), "the flag with the reason")


def test_press_before_its_time_is_answered_with_the_reason_and_a_tone(browser: webdriver.Chrome, folder: Path) -> None:
    with panel_bench(folder) as bench:
        page = Page(browser, bench.url).open()
        page.begin()
        page.until_prompt("the reference point")
        bench.carry("reference")
        page.until_prompt("Strike the lamp")
        bench.strike()
        page.until_prompt("the lamp is warming up")
        bench.served.bench.foot_switch.press(bench.served.clock.monotonic())  # the real pedal, not the page
        page.until(lambda: page.text("answer").startswith("not yet: the lamp is warming up"), "the answer")
        assert page.script("return document.documentElement.dataset.lastTone") == "not_yet"
