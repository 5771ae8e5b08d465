"""One idle bench and one browser for all tests that only look; tests that run a test have their own."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from selenium import webdriver
from support.browser import Page, chromium, needs_browser
from support.panel_bench import PanelBench, panel_bench


@pytest.fixture(scope="session")
def browser() -> Iterator[webdriver.Chrome]:
    needs_browser()
    with chromium() as driver:
        yield driver


@pytest.fixture(scope="module")
def idle_bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PanelBench]:
    needs_browser()
    with panel_bench(tmp_path_factory.mktemp("idle")) as bench:
        yield bench


@pytest.fixture
def page(browser: webdriver.Chrome, idle_bench: PanelBench) -> Page:
    """The panel of a bench on which no test runs, freshly opened, with nothing remembered."""
    browser.set_window_size(1280, 900)
    page = Page(browser, idle_bench.url).open()
    page.script("localStorage.clear()")
    page.reload()
    browser.get_log("browser")
    return page


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "bench"
