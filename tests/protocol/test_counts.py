"""Counts in words."""

import pytest
from lampwarden.protocol.counts import counted


@pytest.mark.parametrize(("count", "words"), [(0, "0 archives"), (1, "1 archive"), (2, "2 archives")])
def test_one_thing_is_not_told_in_the_plural(count: int, words: str) -> None:
    assert counted(count, "archive") == words


def test_a_noun_whose_plural_is_its_own_is_given_both() -> None:
    assert [counted(n, "entry", "entries") for n in (1, 2)] == ["1 entry", "2 entries"]
