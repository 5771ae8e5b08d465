"""One recorded test for all that only read it."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from selenium import webdriver
from support.browser import chromium, needs_browser
from support.recorded import recorded_test
from support.virtual_bench import Outcome


@pytest.fixture(scope="session")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("recorded") / "journal.sqlite"


@pytest.fixture(scope="session")
def outcome(journal: Path) -> Outcome:
    return recorded_test(journal)


@pytest.fixture(scope="session")
def browser() -> Iterator[webdriver.Chrome]:
    needs_browser()
    with chromium() as driver:
        yield driver
