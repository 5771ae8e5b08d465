"""Every ``type: ignore`` names the rule that it breaks, and says on the same line why it may."""

import io
import re
import tokenize
from collections.abc import Iterator
from pathlib import Path

import pytest
from support.source_tree import ROOT, package_files

IGNORE = re.compile(r"#\s*type:\s*ignore")
EXPLAINED = re.compile(r"# type: ignore\[[a-z, -]+\]  # (?!noqa)\w.*")


def unexplained(source: str) -> Iterator[tuple[int, str]]:
    """Line and comment of each that does not; comments only, so that a text about them is none."""
    if not IGNORE.search(source):
        return
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type == tokenize.COMMENT and IGNORE.search(token.string) and not EXPLAINED.fullmatch(token.string):
            yield token.start[0], token.string


@pytest.mark.parametrize(
    "comment",
    ["# type: ignore", "# type: ignore[misc]", "# type: ignore  # why", "# type: ignore[misc]  # noqa: E501"],
)
def test_an_ignore_without_rule_or_reason_is_found(comment: str) -> None:
    assert list(unexplained(f"x = 1\ny = f(x)  {comment}\n")) == [(2, comment)]


@pytest.mark.parametrize(
    "line", ["y = f(x)  # type: ignore[arg-type]  # it has no types", 'y = "# type: ignore"', "y = f(x)  # a type"]
)
def test_an_ignore_with_its_reason_and_a_text_about_one_are_let_pass(line: str) -> None:
    assert list(unexplained(line + "\n")) == []


def test_every_ignore_has_a_reason() -> None:
    files: list[Path] = [*package_files(), *(ROOT / "tests").rglob("*.py")]
    assert len(files) > 300
    found = [
        f"{path.relative_to(ROOT)}:{line}: {comment}"
        for path in files
        for line, comment in unexplained(path.read_text(encoding="utf-8"))
    ]
    assert not found
