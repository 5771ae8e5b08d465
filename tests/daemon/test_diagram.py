"""The state diagram in the documentation is the table's."""

import re

from lampwarden.daemon.procedure.diagram import BEGIN, END, fenced, mermaid
from lampwarden.daemon.procedure.progress import Phase
from lampwarden.daemon.procedure.table import TABLE
from support.source_tree import ROOT


def test_the_diagram_in_the_documentation_is_that_of_the_table() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert text.count(BEGIN) == text.count(END) == 1
    found = text[text.index(BEGIN) : text.index(END) + len(END)]
    assert found == fenced(), "print it anew: python -m lampwarden.daemon.procedure.diagram"


def test_the_diagram_shows_every_change_of_phase_and_no_other() -> None:
    drawn = {(a, b) for a, b in re.findall(r"^    (\w+) --> (\w+): ", mermaid(), re.MULTILINE)}
    meant = {(phase.value, target.value) for (phase, _), row in TABLE.items() for target in row.targets - {phase}}
    assert drawn == meant


def test_a_test_begins_with_preparing_and_ends_done_or_abandoned() -> None:
    lines = mermaid().splitlines()
    assert f"    [*] --> {Phase.PREPARE.value}" in lines
    assert [line.strip() for line in lines if line.endswith("--> [*]")] == ["abandoned --> [*]", "done --> [*]"]
