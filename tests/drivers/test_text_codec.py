"""Lines of text and the numbers in them."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lampwarden.drivers.codecs.text import MAX_LINE_BYTES, Columns, TextReceiver, decode_fields
from lampwarden.protocol.errors import WireError
from support.streams import cuts, feed_in, split_gives_the_same

PATTERN = re.compile(r"T=(?P<temperature>\S+)\s+RH=(?P<humidity>\S+)(?:\s+P=(?P<pressure>\S+))?")


def test_named_groups_become_numbers() -> None:
    assert decode_fields("12:00 T=21.5 RH=48,2 P=1013.25", PATTERN) == {
        "temperature": 21.5,
        "humidity": 48.2,
        "pressure": 1013.25,
    }


def test_group_that_is_not_there_is_left_out() -> None:
    assert decode_fields("T=21.5 RH=48", PATTERN) == {"temperature": 21.5, "humidity": 48.0}


@pytest.mark.parametrize(
    "line", ["T=--- RH=48", "T=nan RH=48", "T=inf RH=1", "T=1.2.3 RH=1", "T=2_1 RH=1", "T=٢١ RH=1"]
)
def test_what_is_no_number_is_refused_and_never_becomes_one(line: str) -> None:
    with pytest.raises(WireError, match="temperature is no number"):
        decode_fields(line, PATTERN)


def test_line_that_does_not_fit_is_refused() -> None:
    with pytest.raises(WireError, match="pattern"):
        decode_fields("booting", PATTERN)


AIR = Columns(",", 4, {"temperature": 1, "humidity": 2})


def test_columns_become_numbers() -> None:
    assert AIR.decode("12:00:03, 21.5,48.2,ok") == {"temperature": 21.5, "humidity": 48.2}


def test_empty_column_is_left_out() -> None:
    assert AIR.decode("12:00:03,,48.2,ok") == {"humidity": 48.2}


@pytest.mark.parametrize(
    "line",
    [
        "time,temperature,humidity,state",
        "21.5,48.2,ok",
        "12:00:03,21.5,48.2,ok,0",
        "12:00:03,---,48.2,ok",
        "12:00:03,nan,48.2,ok",
        "12:00:03,,,ok",
        "booting",
    ],
)
def test_line_of_other_columns_does_not_fit(line: str) -> None:
    """A line with a lost character must not shift its columns: their number is part of the form."""
    assert AIR.decode(line) is None


def test_blank_as_delimiter_is_any_white_space() -> None:
    assert Columns(" ", 3, {"ppfd": 2}).decode("a \t 7   512,5") == {"ppfd": 512.5}
    assert Columns("\t", 3, {"ppfd": 2}).decode("a\t\t512.5") == {"ppfd": 512.5}


def test_comma_is_a_decimal_sign_only_where_it_separates_nothing() -> None:
    assert Columns(";", 2, {"ppfd": 1}).decode("1;512,5") == {"ppfd": 512.5}


def test_line_that_is_not_utf8_is_one_error_and_the_next_is_read() -> None:
    assert feed_in(TextReceiver(), [b"\xff\xfe\n21.5\r\n\r\n"]) == [WireError, "21.5"]


def test_endless_line_is_dropped_at_the_bound() -> None:
    receiver = TextReceiver()
    assert feed_in(receiver, [b"x" * (MAX_LINE_BYTES + 1)]) == [WireError]
    assert feed_in(receiver, [b"1\n"]) == ["1"]


@given(st.lists(st.text(st.characters(codec="utf-8", exclude_characters="\r\n"), max_size=20), max_size=5), cuts)
def test_any_split_gives_the_same_lines(lines: list[str], at: list[int]) -> None:
    data = b"".join(line.encode() + b"\r\n" for line in lines)
    assert split_gives_the_same(TextReceiver, data, at) == [line.strip() for line in lines if line.strip()]


@given(st.binary(max_size=300))
def test_garbage_is_survived(garbage: bytes) -> None:
    receiver = TextReceiver()
    feed_in(receiver, [garbage, b"\n"])
    assert feed_in(receiver, [b"21.5\n"]) == ["21.5"]
