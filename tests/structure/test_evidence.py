"""What the documents name exists, and the table of wires names tests."""

import ast
import re
from pathlib import Path

import pytest
from support.source_tree import ROOT

TESTS = ROOT / "tests"
QUOTED = re.compile(r"`([^`\n]+)`")
FOLDERS = ("daemon/", "drivers/", "protocol/", "simulators/", "tests/")


def rows_of_evidence() -> list[tuple[str, str, str]]:
    """Wire, feature and what proves it, of each row of the contributors' table."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = text.split("## Wires, features, and what proves them", 1)[1].split("\n## ", 1)[0]
    rows = [line.strip("|").split(" | ") for line in section.splitlines() if line.startswith("|")]
    return [(wire.strip(), feature.strip(), proof.strip()) for wire, feature, proof in rows[2:]]


def files_of(name: str) -> list[Path]:
    """The test files that a name below ``tests/`` stands for: a file, a folder or a pattern."""
    return sorted(TESTS.glob(f"{name}test_*.py" if name.endswith("/") else name))


def functions_in(path: Path) -> list[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"), str(path))
    functions = (ast.FunctionDef, ast.AsyncFunctionDef)
    return [node.name for node in ast.walk(tree) if isinstance(node, functions) and node.name.startswith("test_")]


@pytest.mark.parametrize(("wire", "feature", "proof"), rows_of_evidence())
def test_every_claim_about_a_wire_names_tests_that_exist(wire: str, feature: str, proof: str) -> None:
    names = [name.removeprefix("tests/") for name in QUOTED.findall(proof)]
    assert names, f"{wire} {feature}: nothing proves it"
    for name in names:
        files = files_of(name)
        assert files, f"{name} is not there"
        for path in files:
            assert functions_in(path), f"{path.name} holds no test"


def test_every_codec_has_a_test_over_any_bytes() -> None:
    """The table says "property tests" of each; ``given`` is Hypothesis's word for one."""
    without = [path.name for path in files_of("drivers/test_*_codec.py") if "@given(" not in path.read_text("utf-8")]
    assert not without


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md"])
def test_paths_in_a_document_exist(document: str) -> None:
    named = set(QUOTED.findall((ROOT / document).read_text(encoding="utf-8")))
    paths = {name for name in named if name.startswith(FOLDERS) and not set(name) & set(" <")}
    assert paths
    missing = {name for name in paths if not list(ROOT.glob(name)) and not list(TESTS.glob(name))}
    assert not missing
