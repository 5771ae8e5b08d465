"""The changelog's *Records and topics* names what the code emits: every event, and every schema."""

import ast
import re
from pathlib import Path

import pytest
from lampwarden.daemon.clock_watch import ClockEvent
from lampwarden.protocol.records import Catalogue, schema_name
from support.source_tree import ROOT


def section() -> str:
    text = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    (found,) = re.findall(r"^### Records and topics\n(.*?)(?=^##|\Z)", text, re.MULTILINE | re.DOTALL)
    return str(found)


def words_of(node: ast.expr) -> set[str]:
    """All outcomes of a text that is written out, or is one of two."""
    if isinstance(node, ast.IfExp):
        return words_of(node.body) | words_of(node.orelse)
    return {node.value} if isinstance(node, ast.Constant) and isinstance(node.value, str) else set()


def emitted(path: Path) -> set[str]:
    """Names that a module gives to an announcement or an event record."""
    found: set[str] = set()
    tree = ast.parse(path.read_text(encoding="utf-8"))
    kinds = {
        target.id: words_of(node.value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Assign)
        for target in node.targets
        if isinstance(target, ast.Name)
    }
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Name):
            continue
        named: list[ast.expr] = []
        if node.func.id == "Announce":
            named = node.args[:1]
        elif node.func.id == "EventRecord":
            named = [k.value for k in node.keywords if k.arg == "event"]
        for each in named:
            found |= kinds.get(each.id, set()) if isinstance(each, ast.Name) else words_of(each)
    return found


EVENTS = sorted(
    {name for path in (ROOT / "daemon").rglob("*.py") for name in emitted(path)} | {e.value for e in ClockEvent}
)


def test_the_names_of_the_events_are_found_in_the_code() -> None:
    some = {"test_begun", "lamp_struck", "not_tuned", "gate_held", "gate_overdue", "burn_counted", "journal_recovered"}
    assert some <= set(EVENTS)


@pytest.mark.parametrize("event", EVENTS)
def test_each_event_that_the_code_emits_stands_in_the_changelog(event: str) -> None:
    assert f"`{event}`" in section()


@pytest.mark.parametrize("name", [schema_name(m) for m in (*Catalogue.DURABLE, *Catalogue.LIVE)])
def test_each_schema_stands_in_the_changelog(name: str) -> None:
    assert f"`{name.removeprefix('lampwarden.')}`" in section()
