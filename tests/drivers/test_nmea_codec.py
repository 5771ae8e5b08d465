"""NMEA 0183 sentences.

Sources: checksum examples of public descriptions (GLL, VTG: check values, section 5); XDR at
www.catb.org/gpsd/NMEA.html, section "XDR".
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lampwarden.drivers.codecs.nmea import (
    MAX_SENTENCE_BYTES,
    NmeaReceiver,
    Sentence,
    Transducer,
    checksum,
    decode_transducers,
    encode_sentence,
)
from lampwarden.protocol.errors import WireError
from support.streams import cuts, feed_in, split_gives_the_same

EXAMPLES = [
    "$GPGLL,5057.970,N,00146.110,E,142451,A*27",
    "$GPVTG,089.0,T,,,15.2,N,,*7F",
    "$GPGLL,4916.45,N,12311.12,W,225444,A,*1D",
    "$IIXDR,P,1.02481,B,Barometer*29",
]


@pytest.mark.parametrize("line", EXAMPLES)
def test_published_sentences_have_the_right_checksum(line: str) -> None:
    body, _, given_sum = line[1:].partition("*")
    assert f"{checksum(body.encode()):02X}" == given_sum
    kind, *fields = body.split(",")
    sentence = Sentence(kind, tuple(fields))
    assert feed_in(NmeaReceiver(), [line.encode() + b"\r\n"]) == [sentence]
    assert encode_sentence(sentence) == line.encode() + b"\r\n"


def test_transducers_come_in_groups_of_four() -> None:
    sentence = Sentence("WIXDR", ("C", "21.5", "C", "AIR", "H", "48.2", "P", "", "P", "", "B", "BARO"))
    assert decode_transducers(sentence) == (
        Transducer("C", 21.5, "C", "AIR"),
        Transducer("H", 48.2, "P", ""),
        Transducer("P", None, "B", "BARO"),
    )


def test_value_may_have_a_sign_and_no_digit_on_one_side_of_the_point() -> None:
    sentence = Sentence("WIXDR", ("C", "-.5", "C", "", "C", "+21.", "C", ""))
    assert [each.value for each in decode_transducers(sentence)] == [-0.5, 21.0]


@pytest.mark.parametrize(
    "fields",
    [
        ("C", "21.5", "C"),
        *(("C", value, "C", "AIR") for value in ("warm", "1_0", "nan", "inf", " 12 ", "1e999", "0x1")),
    ],
)
def test_broken_groups_are_refused(fields: tuple[str, ...]) -> None:
    with pytest.raises(WireError, match="XDR"):
        decode_transducers(Sentence("WIXDR", fields))


def test_other_sentence_has_no_transducers() -> None:
    with pytest.raises(WireError, match="XDR"):
        decode_transducers(Sentence("GPGLL", ()))


@pytest.mark.parametrize(
    "line",
    [
        b"GPGLL,1*27",
        b"$GPGLL,1",
        b"$GPGLL,1*2",
        b"$GPGLL,1*ZZ",
        b"$GPGLL,5057.970,N,00146.110,E,142451,A*28",
        b"$A\xff*41",
    ],
)
def test_sentence_without_a_right_checksum_is_refused_once(line: bytes) -> None:
    found = feed_in(NmeaReceiver(), [line + b"\r\n" + EXAMPLES[3].encode() + b"\r\n"])
    assert found[0] is WireError
    assert len(found) == 2


def test_tail_of_a_sentence_before_the_next_is_dropped() -> None:
    """After opening in mid-sentence."""
    assert len(feed_in(NmeaReceiver(), [b"46.110,E" + EXAMPLES[3].encode() + b"\r\n"])) == 1


def test_endless_line_is_dropped_at_the_bound() -> None:
    receiver = NmeaReceiver()
    assert feed_in(receiver, [b"$" * (MAX_SENTENCE_BYTES + 1)]) == [WireError]
    assert len(feed_in(receiver, [EXAMPLES[0].encode() + b"\r\n"])) == 1


FIELDS = st.text(st.characters(min_codepoint=32, max_codepoint=126, exclude_characters="$*!,"), max_size=8)


@given(st.lists(st.tuples(st.from_regex(r"[A-Z]{5}", fullmatch=True), st.lists(FIELDS, max_size=8)), max_size=3), cuts)
def test_any_split_gives_the_same_sentences(given_lines: list[tuple[str, list[str]]], at: list[int]) -> None:
    sentences = [Sentence(kind, tuple(fields)) for kind, fields in given_lines]
    data = b"".join(encode_sentence(sentence) for sentence in sentences)
    assert split_gives_the_same(NmeaReceiver, data, at) == sentences


@given(st.binary(max_size=500))
def test_garbage_is_survived_and_a_sentence_after_it_is_read(garbage: bytes) -> None:
    receiver = NmeaReceiver()
    feed_in(receiver, [garbage, b"\r\n"])
    assert len(feed_in(receiver, [EXAMPLES[0].encode() + b"\r\n"])) == 1


def test_field_that_would_break_the_sentence_is_never_sent() -> None:
    with pytest.raises(ValueError, match="field"):
        encode_sentence(Sentence("WIXDR", ("a*b",)))
