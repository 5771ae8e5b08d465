"""The panel as a page: what it shows before a test, on a phone, in the dark, by keyboard, and when news stop."""

import signal
from pathlib import Path

import pytest
from lampwarden.daemon.report.typography import unbroken
from selenium import webdriver
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys
from support.browser import FORM, Page
from support.panel_bench import PanelBench, panel_bench

pytestmark = [pytest.mark.slow, pytest.mark.timeout(300)]

PHONE = {"width": 360, "height": 740, "deviceScaleFactor": 2, "mobile": True}


def press_keys(page: Page, *keys: str) -> None:
    for key in keys:
        ActionChains(page.driver).send_keys(key).perform()


def tab_to(page: Page, element_id_or_name: str) -> None:
    """Press Tab until the focus is there; fails when it never comes there."""
    for _ in range(120):
        press_keys(page, Keys.TAB)
        if page.script(
            "return [document.activeElement.id, document.activeElement.name].includes(arguments[0])",
            element_id_or_name,
        ):
            return
    raise AssertionError(f"{element_id_or_name} cannot be reached by Tab")


def test_before_a_test_the_page_tells_the_cautions_and_marks_the_bench_as_simulated(page: Page) -> None:
    assert page.shows("begin")
    cautions = page.one("#begin .cautions").text
    assert "licensed electrician come first" in cautions
    assert "residual-current" in cautions
    assert "eye protection" in cautions
    assert page.shows("simulated")
    assert "no value is real" in page.text("simulated")
    assert not page.shows("press")


def test_idle_page_has_no_accessibility_violation_in_light_and_dark(page: Page) -> None:
    assert page.accessibility() == []
    page.click("#theme")
    page.click("#theme")
    assert page.text("theme") == "Theme: dark"
    assert page.accessibility() == []
    page.reload()
    assert page.text("theme") == "Theme: dark"  # remembered


def test_page_breaks_no_content_security_policy_and_loads_nothing_from_outside(page: Page) -> None:
    page.reload()
    hosts = page.script("return performance.getEntriesByType('resource').map((r) => new URL(r.name).host)")
    assert hosts
    assert set(hosts) == {page.url.split("/")[2]}
    assert page.complaints() == []


def test_page_that_is_left_gives_its_connection_back_to_the_next(page: Page, browser: webdriver.Chrome) -> None:
    """A browser has six of them to one host, and waits a minute for the seventh."""
    browser.set_page_load_timeout(30)
    try:
        for _ in range(8):
            page.open()
    finally:
        browser.set_page_load_timeout(300)


def test_phone_shows_everything_without_scrolling_sideways(page: Page) -> None:
    page.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", PHONE)
    try:
        page.reload()
        assert page.script("return document.documentElement.scrollWidth <= innerWidth")
        assert page.script("return parseFloat(getComputedStyle(document.getElementById('prompt')).fontSize)") >= 24
        assert page.accessibility() == []
    finally:
        page.driver.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


def test_form_with_an_error_says_which_field_and_puts_the_focus_there(page: Page) -> None:
    page.begin(rated_power_w="")
    assert page.text("begin-error").startswith("Rated power, W:")
    field = page.one("#begin-form [name=rated_power_w]")
    assert field.get_attribute("aria-invalid") == "true"
    assert page.script("return document.activeElement.name") == "rated_power_w"
    assert page.accessibility() == []


def test_form_asks_to_have_the_cautions_read(page: Page) -> None:
    for name, value in FORM.items():
        page.one(f"#begin-form [name={name}]").send_keys(value)
    page.click("#begin-form button[type=submit]")
    assert page.script("return document.activeElement.name") == "read"
    assert page.text("begin-error") != ""


def test_light_readout_follows_the_sensor_and_keeps_the_highest(page: Page, idle_bench: PanelBench) -> None:
    page.until(lambda: page.text("light") not in ("–", ""), "a live reading")
    page.click("#reset-highest")
    page.until(lambda: page.text("share").endswith("%"), "the share of the highest")
    assert float(page.text("light")) <= float(page.text("highest"))


def test_instruments_are_listed_with_role_state_and_calibration(page: Page) -> None:
    listed = {item.text.split(" ", 1)[0]: item.text for item in page.all("#instrument-list li")}
    assert set(listed) == {"quantum", "mains", "air-in", "air-out", "spectrometer", "pedal"}
    assert "answers" in listed["quantum"]
    assert "calibrated until" in listed["quantum"]
    assert "SIMULATED" in listed["quantum"]


@pytest.mark.parametrize("width", [360, 390, 800, 1280])
def test_dates_stay_on_one_line(page: Page, width: int) -> None:
    page.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", {**PHONE, "width": width})
    try:
        lines = page.script("return [...document.querySelectorAll('.date')].map((d) => d.getClientRects().length)")
        assert lines == [1] * 5, "five instruments with a calibration, each date on one line"
    finally:
        page.driver.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


@pytest.mark.parametrize("width", [360, 390, 800, 1280])
def test_no_figure_runs_into_its_trend(page: Page, width: int) -> None:
    page.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", {**PHONE, "width": width})
    try:
        page.until(lambda: page.all(".trend"), "the trends")
        cut = page.script(
            "const now = document.querySelector('.trend[data-key=ppfd] .trend-now');"
            "now.textContent = '1576.5 µmol m⁻² s⁻¹';"  # full light under a strong lamp: the longest there is
            "return [now.scrollWidth - now.clientWidth, document.documentElement.scrollWidth - innerWidth];"
        )
        assert cut[0] <= 0, "the figure is wider than its place"
        assert cut[1] <= 0, "the page is wider than the screen"
    finally:
        page.driver.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


@pytest.mark.parametrize(
    ("told", "kept"),
    [
        ("585.6 µmol m⁻² s⁻¹", "585.6~µmol~m⁻²~s⁻¹"),
        ("407 ± 14 µmol m⁻² s⁻¹ (95 %)", "407~±~14~µmol~m⁻²~s⁻¹ (95~%)"),
        ("0.900 ± 0.031 µmol/J", "0.900~±~0.031~µmol/J"),
        ("found in 3 exposures, 5 whole periods", "found in 3 exposures, 5 whole periods"),
        ("15 min since the strike", "15~min since the strike"),
    ],
)
def test_panel_and_report_keep_the_same_figures_with_their_units(page: Page, told: str, kept: str) -> None:
    found = page.driver.execute_async_script(
        "const done = arguments[1]; import('/static/dom.js').then((m) => done(m.unbroken(arguments[0])));", told
    )
    assert found == unbroken(told) == kept.replace("~", "\u00a0")


def test_sound_is_off_until_asked_for_and_each_tone_is_played_once(page: Page) -> None:
    assert page.one("#sound").get_attribute("aria-pressed") == "false"
    page.script(
        "window.started = 0; const start = OscillatorNode.prototype.start;"
        "OscillatorNode.prototype.start = function (...a) { window.started += 1; return start.apply(this, a); };"
    )
    page.click("#sound")
    page.until(lambda: page.one("#sound").get_attribute("aria-pressed") == "true", "sound to be on")
    page.until(lambda: page.script("return window.started") == 2, "the two notes that say so")
    page.click("#sound")
    page.until(lambda: page.text("sound") == "Sound off", "sound to be off")


def test_keyboard_alone_begins_looks_and_abandons(browser: webdriver.Chrome, folder: Path) -> None:
    with panel_bench(folder) as bench:
        page = Page(browser, bench.url).open()
        browser.get_log("browser")
        for name, value in FORM.items():
            tab_to(page, name)
            press_keys(page, value)
        tab_to(page, "read")
        press_keys(page, " ", Keys.ENTER)
        page.until_prompt("the reference point")
        assert page.script("return document.activeElement.id") == "now"

        tab_to_cell = "return document.activeElement.classList.contains('cell')"
        for _ in range(40):
            press_keys(page, Keys.TAB)
            if page.script(tab_to_cell):
                break
        assert page.script("return document.activeElement.dataset.spot") == "A1"
        press_keys(page, Keys.ARROW_RIGHT, Keys.ARROW_DOWN, Keys.ENTER)
        assert page.script("return document.activeElement.dataset.spot") == "B2"
        assert "Spot B2" in page.text("spot")
        outline = page.script("return getComputedStyle(document.activeElement).outlineStyle")
        assert outline == "solid"  # the focus can be seen
        assert page.accessibility() == []

        page.script("document.getElementById('now').focus()")
        tab_to(page, "abandon")
        press_keys(page, Keys.ENTER, Keys.ESCAPE)
        assert page.script("return document.getElementById('abandon-dialog').open") is False
        press_keys(page, Keys.ENTER, Keys.TAB, Keys.ENTER)
        page.until(lambda: "test abandoned" in page.text("events"), "the test to be abandoned")


def test_page_says_that_it_is_stale_when_news_stop_and_recovers(browser: webdriver.Chrome, folder: Path) -> None:
    with panel_bench(folder) as bench:
        page = Page(browser, bench.url).open()
        page.until(lambda: page.text("light") not in ("–", ""), "a live reading")
        assert bench.daemon is not None
        bench.daemon.send_signal(signal.SIGSTOP)
        try:
            page.until(lambda: page.shows("stale"), "the notice that news have stopped")
            assert "No news from the bench for" in page.text("stale")
            assert page.accessibility() == []
        finally:
            bench.daemon.send_signal(signal.SIGCONT)
        page.until(lambda: not page.shows("stale"), "the notice to go away")


def test_inputs_beside_each_other_in_the_form_stand_on_one_line(page: Page) -> None:
    page.driver.execute_script("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    page.driver.set_window_size(1280, 900)
    uneven = page.driver.execute_script(
        "return [...document.querySelectorAll('fieldset')].flatMap((set) => {"
        " const boxes = [...set.querySelectorAll('label > input, label > select')]"
        "   .filter((box) => box.offsetParent).map((box) => [box.name, box.getBoundingClientRect().bottom]);"
        " return boxes.slice(1).filter(([, y], i) => { const step = Math.abs(y - boxes[i][1]);"
        "   return step > 1 && step < 34; }).map(([name]) => name); })"
    )
    assert uneven == []
    assert page.driver.execute_script("return document.getElementById('made-by').textContent").startswith("lampwarden ")
