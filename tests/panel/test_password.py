"""The panel with a password, as a person meets it: made on the command line, asked for once, kept over a restart."""

from pathlib import Path

import pytest
from lampwarden.daemon.cli.app import app
from lampwarden.daemon.panel.guard import load_password_file, write_password_file
from lampwarden.daemon.simulated.simulate import free_port
from selenium import webdriver
from support.browser import Page
from support.panel_bench import panel_bench
from typer.testing import CliRunner

WORD = "correct horse"


@pytest.mark.filterwarnings("ignore:Can not control echo")  # the prompt has no terminal here
def test_command_line_makes_the_file_from_a_word_given_twice(tmp_path: Path) -> None:
    file = tmp_path / "panel-password.json"
    done = CliRunner().invoke(app, ["password", str(file)], input=f"{WORD}\n{WORD}\n")
    assert done.exit_code == 0, done.output
    assert load_password_file(file).fits(WORD)
    assert WORD not in done.output


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_page_asks_for_the_password_once_and_a_restart_logs_nobody_out(browser: webdriver.Chrome, folder: Path) -> None:
    folder.mkdir(parents=True)
    file = folder / "panel-password.json"
    write_password_file(file, WORD)
    with panel_bench(folder, panel={"port": free_port(), "password_file": str(file)}) as bench:
        page = Page(browser, bench.url)
        page.driver.get("about:blank")
        page.driver.get(bench.url)
        page.until(lambda: page.one("#password").is_displayed(), "the login page")
        assert page.accessibility() == []
        page.one("#password").send_keys("wrong horse")
        page.click("#login button")
        page.until(lambda: "That is not the password." in page.text("login-error"), "the refusal")
        page.one("#password").clear()
        page.one("#password").send_keys(WORD)
        page.click("#login button")
        page.until_ready()
        assert page.shows("begin")

        bench.kill()
        page.until(lambda: page.shows("stale"), "the notice of the loss")
        bench.start()
        page.until(lambda: not page.shows("stale"), "the page to be back without a new login")
        page.begin()
        page.until_prompt("the reference point")
