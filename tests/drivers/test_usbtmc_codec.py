"""USBTMC headers.

Sources: USBTMC 1.0, tables 1 to 9, 15, 16, 37; USB488 1.0, 4.3.1. The bytes of ``*IDN?`` are a check value.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lampwarden.drivers.codecs.base import NEED_DATA
from lampwarden.drivers.codecs.usbtmc import (
    HEADER_BYTES,
    MAX_TRANSFER_BYTES,
    Capabilities,
    InMessage,
    InReceiver,
    Status,
    decode_capabilities,
    decode_status,
    decode_status_byte,
    encode_out,
    encode_request_in,
    next_tag,
)
from lampwarden.protocol.errors import WireError
from support.streams import cuts, feed_in, split_gives_the_same


def transfer_in(tag: int, data: bytes, *, attributes: int = 1, padding: int = 0) -> bytes:
    """DEV_DEP_MSG_IN by the letter of table 9."""
    head = bytes((2, tag, 255 - tag, 0)) + len(data).to_bytes(4, "little") + bytes((attributes, 0, 0, 0))
    return head + data + bytes(padding)


def test_identification_query_out() -> None:
    wanted = "01 01 fe 00 06 00 00 00 01 00 00 00 2a 49 44 4e 3f 0a 00 00"
    assert encode_out(1, b"*IDN?\n") == bytes.fromhex(wanted)


def test_request_for_an_answer() -> None:
    assert encode_request_in(2, 64) == bytes.fromhex("02 02 fd 00 40 00 00 00 00 00 00 00")


def test_request_that_a_line_end_shall_end() -> None:
    """Bit 1 of byte 8, and the character in byte 9."""
    assert encode_request_in(2, 64, 0x0A) == bytes.fromhex("02 02 fd 00 40 00 00 00 02 0a 00 00")


def test_transfer_that_is_not_the_messages_last_says_so() -> None:
    assert encode_out(1, b"abcd", is_end=False)[8] == 0


def test_tag_runs_from_1_to_255_and_begins_again() -> None:
    tags = [1]
    for _ in range(255):
        tags.append(next_tag(tags[-1]))
    assert tags == [*range(1, 256), 1]


@given(st.integers(1, 255), st.binary(min_size=1, max_size=100))
def test_transfer_out_is_padded_to_four_and_says_its_true_size(tag: int, data: bytes) -> None:
    raw = encode_out(tag, data)
    assert len(raw) % 4 == 0
    assert int.from_bytes(raw[4:8], "little") == len(data)
    assert raw[HEADER_BYTES : HEADER_BYTES + len(data)] == data
    assert raw[1] ^ raw[2] == 0xFF


@pytest.mark.parametrize("tag", [0, 256])
def test_tag_outside_its_range_is_never_sent(tag: int) -> None:
    with pytest.raises(ValueError, match="bTag"):
        encode_out(tag, b"x")


def test_empty_transfer_is_never_sent() -> None:
    with pytest.raises(ValueError, match="at least one byte"):
        encode_out(1, b"")


class TestReceiver:
    """One transfer in."""

    def test_message_with_its_end(self) -> None:
        assert feed_in(InReceiver(2, 64), [transfer_in(2, b"1\n")]) == [InMessage(b"1\n", True, False)]

    def test_attributes_tell_the_end_and_the_termination_character(self) -> None:
        """Table 9, byte 8: bit 0 EOM, bit 1 ended by TermChar."""
        for attributes in range(4):
            [found] = feed_in(InReceiver(2, 64), [transfer_in(2, b"x", attributes=attributes)])
            assert found == InMessage(b"x", bool(attributes & 1), bool(attributes & 2))

    def test_padding_after_the_data_does_not_count(self) -> None:
        assert feed_in(InReceiver(2, 64), [transfer_in(2, b"1\n", padding=2)]) == [InMessage(b"1\n", True, False)]

    @pytest.mark.parametrize(
        ("raw", "what"),
        [
            (transfer_in(3, b"x"), "bTag 3 answers bTag 2"),
            (b"\x02\x02\x00" + transfer_in(2, b"x")[3:], "bTag 2 answers"),
            (b"\x01" + transfer_in(2, b"x")[1:], "MsgID 1"),
            (transfer_in(2, bytes(65)), "65 bytes come where 64"),
        ],
    )
    def test_header_that_answers_something_else_is_refused(self, raw: bytes, what: str) -> None:
        receiver = InReceiver(2, 64)
        receiver.feed(raw)
        with pytest.raises(WireError, match=what):
            receiver.next_message()
        assert receiver.next_message() is NEED_DATA

    @given(st.binary(max_size=200), cuts)
    def test_any_split_gives_the_same_data(self, data: bytes, at: list[int]) -> None:
        """A kernel may cut one transfer into several requests."""
        found = split_gives_the_same(lambda: InReceiver(9, 200), transfer_in(9, data), at)
        assert found == [InMessage(data, True, False)]

    @given(st.binary(max_size=300))
    def test_garbage_is_survived_within_the_bound(self, garbage: bytes) -> None:
        receiver = InReceiver(2, 64)
        feed_in(receiver, [garbage])
        assert len(receiver._buffer) <= HEADER_BYTES + 64 + 4
        receiver.reset()
        assert feed_in(receiver, [transfer_in(2, b"ok")]) == [InMessage(b"ok", True, False)]

    def test_what_is_missing_is_known_from_the_header_on(self) -> None:
        receiver = InReceiver(2, 64)
        assert receiver.missing == HEADER_BYTES + 64 + 4
        receiver.feed(transfer_in(2, bytes(40))[:20])
        assert receiver.missing == 32


def test_request_is_bounded() -> None:
    with pytest.raises(ValueError, match="bytes asked for"):
        encode_request_in(1, MAX_TRANSFER_BYTES + 1)


@pytest.mark.parametrize("status", Status)
def test_status_bytes_of_table_16(status: Status) -> None:
    assert decode_status(bytes((status, 0))) is status


def test_unknown_status_is_refused() -> None:
    with pytest.raises(WireError, match="status"):
        decode_status(b"\x33")
    with pytest.raises(WireError, match="status"):
        decode_status(b"")


def test_capabilities_tell_versions_and_subclass() -> None:
    raw = bytes((1, 0, 0x00, 0x01, 0x04, 0x01)) + bytes(6) + bytes((0x00, 0x01, 0x04, 0x0C)) + bytes(8)
    assert decode_capabilities(raw) == Capabilities("1.00", accepts_term_char=True, is_usb488=True)
    assert not decode_capabilities(raw[:12] + bytes(12)).is_usb488
    with pytest.raises(WireError, match="capabilities"):
        decode_capabilities(raw[:20])


def test_status_byte_must_echo_its_tag() -> None:
    assert decode_status_byte(b"\x01\x05\x44", 5) == 0x44
    for raw in (b"\x01\x06\x44", b"\x80\x05\x44", b"\x01\x05"):
        with pytest.raises(WireError, match=r"READ_STATUS_BYTE|status"):
            decode_status_byte(raw, 5)
