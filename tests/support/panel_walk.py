"""The operator's way through a test with the panel in one hand: what the prompt says is done, and pressed."""

from .browser import Page
from .panel_bench import GRID, PanelBench


def walk(page: Page, bench: PanelBench, until_spots: int) -> None:
    """Go where the prompt says and press, until so many spots are read or the test is over."""
    said = ""
    while True:
        page.until(lambda before=said: page.prompt != before, "something new to do")
        said = page.prompt
        if said.startswith("The test is over"):
            return
        if not said.startswith("Put the sensor at"):
            continue
        if len([label for label in page.spots.values() if "not read" not in label]) >= until_spots:
            return
        place = said.removeprefix("Put the sensor at ").removesuffix(" and press.").removesuffix(" again")
        bench.carry(GRID.reference if place.startswith("the reference point") else place)
        page.click("#press")


def run_up(page: Page, bench: PanelBench) -> None:
    """From the form to the end of the opening reading."""
    page.begin()
    page.until_prompt("the reference point")
    bench.carry("reference")
    page.until_prompt("Strike the lamp")
    bench.strike()
    page.until_prompt("Wait: the lamp is warming up")
    page.until(lambda: "Warm-up" in page.text("waits"), "the warm-up's countdown")
    page.until_prompt("Put the sensor at A1")
