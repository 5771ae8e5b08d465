"""SCPI and IEEE 488.2 messages.

Sources: IEEE 488.2-1992, 8.7.9 and 8.7.10 (blocks; second example of a device manual, judged by pyvisa as well);
SCPI-99 volume 1, 7.2.1 (numbers) and volume 2, 21.8 (error queue).
"""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lampwarden.drivers.codecs.base import NEED_DATA
from lampwarden.drivers.codecs.scpi import (
    MAX_LINE_BYTES,
    ErrorEntry,
    Kind,
    RealFormat,
    ResponseReceiver,
    decode_array,
    decode_block,
    decode_error_entry,
    decode_integer,
    decode_number,
    decode_numbers,
    decode_text,
    encode_block,
    encode_message,
    format_number,
)
from lampwarden.protocol.errors import WireError
from support.streams import cut, cuts, feed_in


class Lines:
    """The receiver as one that expects lines."""

    kind = Kind.LINE

    def __init__(self) -> None:
        self._receiver = ResponseReceiver()

    def feed(self, data: bytes) -> None:
        self._receiver.feed(data)

    def next_message(self) -> object:
        return self._receiver.next_message(self.kind)


class Blocks(Lines):
    """The receiver as one that expects blocks."""

    kind = Kind.BLOCK


@pytest.mark.parametrize(
    ("message", "data"),
    [
        (b"#15HELLO", b"HELLO"),
        (b"#15HELLO\n", b"HELLO"),
        (b"#800000080" + bytes(80), bytes(80)),
        (b"#10", b""),
        (b"#10\n", b""),
        (b"#13a\nb\n", b"a\nb"),
        (b"#0AB\n", b"AB"),
        (b"#0A\nB\n", b"A\nB"),
        (b"#0", b""),
    ],
)
def test_blocks_of_the_standard_are_taken_out(message: bytes, data: bytes) -> None:
    assert decode_block(message) == data


@pytest.mark.parametrize(
    ("message", "what"),
    [
        (b"", "cut off within its header"),
        (b"#", "cut off within its header"),
        (b"#3", "cut off within its header"),
        (b"#15HELL", "4 of 5 bytes"),
        (b"#15HELLOX", "bytes follow"),
        (b"HELLO", "begin with '#'"),
        (b"#xHELLO", "no count of digits"),
        (b"#2a5HELLO", "not a number"),
        (b"#9999999999", "refused"),
    ],
)
def test_broken_block_says_what_is_wrong(message: bytes, what: str) -> None:
    with pytest.raises(WireError, match=what):
        decode_block(message)


def test_definite_block_is_written_with_the_fewest_digits() -> None:
    assert encode_block(b"HELLO") == b"#15HELLO"
    assert encode_block(b"") == b"#10"


@given(st.binary(max_size=300))
def test_block_survives_the_way_there_and_back(data: bytes) -> None:
    assert decode_block(encode_block(data) + b"\n") == data


@given(st.binary(max_size=40))
def test_garbage_is_a_block_or_the_one_right_error(data: bytes) -> None:
    try:
        decode_block(data)
    except WireError:
        return
    assert data[:1] == b"#"


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("1", 1.0),
        ("+1.5", 1.5),
        ("-2.", -2.0),
        (".5E-3", 5e-4),
        ("1.000000000E+01", 10.0),
        (" 42 ", 42.0),
        ("1 E 3", 1000.0),
    ],
)
def test_numbers_in_all_three_forms(text: str, value: float) -> None:
    """NR1, NR2, NR3 of IEEE 488.2, 8.7.2 to 8.7.4."""
    assert decode_number(text) == value


def test_stand_ins_for_infinity_and_not_a_number() -> None:
    """SCPI-99 volume 1, 7.2.1.4 and 7.2.1.5."""
    assert decode_number("9.9E37") == math.inf
    assert decode_number("-9.9E+37") == -math.inf
    assert math.isnan(decode_number("9.91E+37"))


@pytest.mark.parametrize("text", ["", "ON", "1,2", "1V", "0x10", "1e", "nan", "inf", "--1", "١"])
def test_what_is_no_number_is_refused(text: str) -> None:
    with pytest.raises(WireError, match="number"):
        decode_number(text)


def test_numbers_come_separated_by_commas() -> None:
    assert decode_numbers("3.2E+02, 1.5E-1,-2E-06") == (320.0, 0.15, -2e-06)


def test_integer_has_no_point() -> None:
    assert decode_integer("2048\r") == 2048
    with pytest.raises(WireError, match="integer"):
        decode_integer("2048.5")


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-1e30, max_value=1e30))
def test_number_for_a_device_reads_back_the_same(value: float) -> None:
    assert decode_number(format_number(value)) == value


def test_number_that_is_none_never_goes_to_a_device() -> None:
    with pytest.raises(ValueError, match="finite"):
        format_number(math.nan)


@pytest.mark.parametrize(
    ("text", "entry"),
    [
        ('0,"No error"', ErrorEntry(0, "No error")),
        ('-113,"Undefined header"', ErrorEntry(-113, "Undefined header")),
        ('+0, "No error"', ErrorEntry(0, "No error")),
        ('-222,"Data out of range;SENS:APER ""5"""', ErrorEntry(-222, 'Data out of range;SENS:APER "5"')),
        ('-350,"Queue overflow"\n', ErrorEntry(-350, "Queue overflow")),
    ],
)
def test_error_entries_of_the_queue(text: str, entry: ErrorEntry) -> None:
    """SCPI-99 volume 2, 21.8."""
    assert decode_error_entry(text) == entry


@pytest.mark.parametrize("text", ["", "0", '"No error"', '0,"No error', "0,No error"])
def test_what_is_no_error_entry_is_refused(text: str) -> None:
    with pytest.raises(WireError, match="error queue"):
        decode_error_entry(text)


@pytest.mark.parametrize(
    ("units", "message"),
    [
        (("*IDN?",), b"*IDN?\n"),
        (("SENS:APER 0.1", "SENS:AVER:COUN 4"), b"SENS:APER 0.1;:SENS:AVER:COUN 4\n"),
        (("SENS:APER?", "*OPC?", ":SYST:ERR?"), b"SENS:APER?;*OPC?;:SYST:ERR?\n"),
    ],
)
def test_units_of_a_message_start_at_the_root_of_the_tree(units: tuple[str, ...], message: bytes) -> None:
    """SCPI-99 volume 1, 6.2.4: without the colon the second unit would be looked up beside the first."""
    assert encode_message(*units) == message


@pytest.mark.parametrize("unit", ["", "A\nB", "SENS:µ", "A\r"])
def test_message_that_would_break_the_wire_is_never_made(unit: str) -> None:
    with pytest.raises(ValueError, match="unit"):
        encode_message(unit)


def test_text_that_is_not_ascii_is_refused() -> None:
    with pytest.raises(WireError, match="ASCII"):
        decode_text(b"LW\xb5")


@given(st.sampled_from(RealFormat), st.lists(st.integers(0, 60000), max_size=20))
def test_arrays_survive_every_format(form: RealFormat, values: list[int]) -> None:
    raw = np.asarray(values, dtype=np.dtype(form.value)).tobytes()
    assert decode_array(raw, form).tolist() == values


def test_array_of_a_broken_length_is_refused() -> None:
    with pytest.raises(WireError, match="whole number"):
        decode_array(b"\x00" * 7, RealFormat.REAL32_SWAPPED)


class TestReceiver:
    """Responses out of a stream."""

    @given(st.lists(st.binary(max_size=30).map(lambda b: b.replace(b"\n", b"").replace(b"\r", b"")), max_size=5), cuts)
    def test_any_split_gives_the_same_lines(self, lines: list[bytes], at: list[int]) -> None:
        data = b"".join(line + b"\n" for line in lines)
        assert feed_in(Lines(), [data]) == lines
        assert feed_in(Lines(), cut(data, at)) == lines

    @given(st.lists(st.binary(max_size=60), max_size=4), cuts)
    def test_any_split_gives_the_same_blocks(self, blocks: list[bytes], at: list[int]) -> None:
        data = b"".join(encode_block(block) + b"\r\n" for block in blocks)
        for pieces in ([data], cut(data, at), [data[i : i + 1] for i in range(len(data))]):
            found = feed_in(Blocks(), pieces)
            assert [decode_block(each) if isinstance(each, bytes) else each for each in found] == blocks

    def test_line_end_within_a_block_does_not_end_it(self) -> None:
        assert feed_in(Blocks(), [b"#13a\n", b"b\n"]) == [b"#13a\nb"]

    def test_indefinite_block_is_refused_because_nothing_would_end_it(self) -> None:
        assert feed_in(Blocks(), [b"#0AB\n"]) == [WireError]

    def test_endless_line_is_dropped_at_the_bound(self) -> None:
        receiver = Lines()
        assert feed_in(receiver, [b"x" * (MAX_LINE_BYTES + 1)]) == [WireError]
        assert feed_in(receiver, [b"1\n"]) == [b"1"]

    @given(st.binary(max_size=200), st.sampled_from([Lines, Blocks]))
    def test_garbage_is_survived(self, garbage: bytes, make: type[Lines]) -> None:
        receiver = make()
        feed_in(receiver, [garbage])
        receiver._receiver.reset()
        assert feed_in(receiver, [b"#111\n"]) == [b"#111"]

    def test_nothing_yet_is_said_as_such(self) -> None:
        assert ResponseReceiver().next_message(Kind.BLOCK) is NEED_DATA
