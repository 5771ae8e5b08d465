"""A real headless Chromium, and the panel's page as a person meets it.

Debian's packages ``chromium`` and ``chromium-driver``; axe-core from npm, whose file is not part of this project:
``npm install --prefix build/axe axe-core`` puts it where :func:`axe_source` looks.
"""

import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from selenium import webdriver
from selenium.common.exceptions import StaleElementReferenceException, WebDriverException
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By
from selenium.webdriver.remote.webelement import WebElement

from .panel_bench import PATIENCE_S, wait_for
from .peers import missing

CHROMIUM = "/usr/bin/chromium"
DRIVER = "/usr/bin/chromedriver"
AXE = Path(__file__).parents[2] / "build/axe/node_modules/axe-core/axe.min.js"
_SWITCHES = (
    "--headless=new",
    "--no-sandbox",  # CI runs as root
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--no-first-run",
    # Nothing is looked up outside of this machine.
    "--disable-quic",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--lang=en",
)

FORM = {
    "lamp": "HPS-07",
    "rated_power_w": "250",
    "burning_hours": "312",
    "ballast": "magnetic, two",
    "fixture": "reflector A",
    "height_mm": "600",
}


def needs_browser() -> None:
    """Skip where there is no Chromium; where peers are required its absence is a failure."""
    if not Path(CHROMIUM).exists() or not Path(DRIVER).exists():
        missing("Debian's chromium and chromium-driver")


def axe_source() -> str:
    """axe-core as text; skip where it is not installed; where peers are required its absence is a failure."""
    if not AXE.is_file():
        missing("axe-core (npm install --prefix build/axe axe-core)")
    return AXE.read_text(encoding="utf-8")


@contextmanager
def chromium(width: int = 1280, height: int = 900) -> Iterator[webdriver.Chrome]:
    """A browser with nothing in its memory."""
    profile = tempfile.mkdtemp(prefix="lampwarden-chromium-")
    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM
    for switch in (*_SWITCHES, f"--window-size={width},{height}", f"--user-data-dir={profile}"):
        options.add_argument(switch)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(DRIVER))
    driver.set_script_timeout(PATIENCE_S)
    driver.set_page_load_timeout(PATIENCE_S)
    try:
        yield driver
    finally:
        driver.quit()
        shutil.rmtree(profile, ignore_errors=True)


class Page:
    """The panel in a browser."""

    def __init__(self, driver: webdriver.Chrome, url: str) -> None:
        self.driver = driver
        self.url = url

    def open(self) -> "Page":
        self.driver.get("about:blank")  # ends what another page was doing, and its complaints
        self.driver.get_log("browser")
        self.driver.get(self.url)
        self.until_ready()
        return self

    def reload(self) -> None:
        self.driver.refresh()
        self.until_ready()

    def until_ready(self) -> None:
        """Until the page has the present state."""
        self.until(lambda: self.script("return document.documentElement.dataset.ready") == "yes", "the present state")

    def until(self, is_true: Callable[[], object], what: str) -> None:
        def look() -> object:
            try:
                return is_true()
            except (StaleElementReferenceException, WebDriverException):
                return False

        try:
            wait_for(look, what)
        except AssertionError as error:
            raise AssertionError(f"{error}; the page says: {self.text('prompt')!r} {self.text('answer')!r}") from None

    def script(self, text: str, *arguments: object) -> Any:
        return self.driver.execute_script(text, *arguments)

    def one(self, css: str) -> WebElement:
        return self.driver.find_element(By.CSS_SELECTOR, css)

    def all(self, css: str) -> list[WebElement]:
        return self.driver.find_elements(By.CSS_SELECTOR, css)

    def text(self, element_id: str) -> str:
        """What an element says; spaces that do not break are spaces."""
        text = self.script("return document.getElementById(arguments[0])?.textContent ?? ''", element_id)
        return str(text).replace("\u00a0", " ")

    def shows(self, element_id: str) -> bool:
        return self.one(f"#{element_id}").is_displayed()

    def click(self, css: str) -> None:
        """Bring into sight and click, as a person would; waits until that is possible."""

        def try_it() -> bool:
            element = self.one(css)
            self.script("arguments[0].scrollIntoView({block: 'center'})", element)
            element.click()
            return True

        self.until(try_it, f"{css} to be clicked")

    @property
    def prompt(self) -> str:
        return self.text("prompt")

    def until_prompt(self, part: str) -> None:
        self.until(lambda: part in self.prompt, f"the prompt to say {part!r}")

    @property
    def spots(self) -> dict[str, str]:
        """What each cell of the grid says, read aloud."""
        found: dict[str, str] = self.script(
            "return Object.fromEntries([...document.querySelectorAll('#grid-table .cell')]"
            ".map((cell) => [cell.dataset.spot, cell.textContent]))"
        )
        return found

    def begin(self, **changes: str) -> None:
        """Fill the form in and send it."""
        for name, value in {**FORM, **changes}.items():
            field = self.one(f"#begin-form [name={name}]")
            field.clear()
            field.send_keys(value)
        self.click("#begin-form [name=read]")
        self.click("#begin-form button[type=submit]")

    def complaints(self) -> list[str]:
        """What the browser's console has of errors: policy violations, failed loads, exceptions."""
        return [str(e["message"]) for e in self.driver.get_log("browser") if e["level"] == "SEVERE"]

    def accessibility(self) -> list[str]:
        """Violations of WCAG 2.2 A and AA that axe-core finds."""
        self.script(axe_source())
        found = self.driver.execute_async_script(
            """
            const done = arguments[arguments.length - 1];
            const tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"];
            const tell = (node) => `${node.html} ${node.failureSummary}`;
            axe.run(document, {runOnly: {type: "tag", values: tags}}).then(
              (r) => done(r.violations.map((v) => `${v.id}: ${v.help}: ${v.nodes.map(tell).join(" | ")}`)),
              (e) => done([String(e)]),
            );
            """
        )
        return [str(violation) for violation in found]
