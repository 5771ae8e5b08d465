"""SDI-12 messages against the examples of SDI-12 v1.4 (section beside each)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lampwarden.drivers.codecs.base import NEED_DATA
from lampwarden.drivers.codecs.sdi12 import (
    MAX_RESPONSE_BYTES,
    Announcement,
    Identification,
    Response,
    Sdi12Receiver,
    check_crc,
    crc,
    crc_characters,
    decode_announcement,
    decode_identification,
    decode_values,
    encode_command,
    is_service_request,
)
from lampwarden.protocol.errors import WireError
from support.streams import cuts, feed_in, split_gives_the_same

# 4.4.12.3 and 4.4.8.1: responses whose last three characters are their CRC.
CRC_EXAMPLES = [
    ("0+3.14OqZ", (3.14,)),
    ("0+3.14+2.718+1.414Ipz", (3.14, 2.718, 1.414)),
    ("0+1.11+2.22+3.33+4.44+5.55+6.66I]q", (1.11, 2.22, 3.33, 4.44, 5.55, 6.66)),
    ("0+7.77+8.88+9.99IvW", (7.77, 8.88, 9.99)),
    ("0+3.14+2.718IWO", (3.14, 2.718)),
    ("0AP@", ()),
]

ADDRESSES = st.sampled_from("0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz")


def response(text: str) -> Response:
    return Response(text[0], text[1:])


def test_crc_is_the_one_known_as_arc() -> None:
    """Check value of CRC-16/ARC, which is 4.4.12's: "123456789" gives BB3Dh."""
    assert crc(b"123456789") == 0xBB3D


@pytest.mark.parametrize(("text", "values"), CRC_EXAMPLES)
def test_crc_of_the_standards_examples_fits(text: str, values: tuple[float, ...]) -> None:
    assert crc_characters(text[:-3].encode()) == text[-3:].encode()
    assert decode_values(check_crc(response(text))) == values


@pytest.mark.parametrize("text", [text for text, _ in CRC_EXAMPLES])
def test_one_wrong_bit_is_found_by_the_crc(text: str) -> None:
    raw = text.encode()
    for position in range(len(raw)):
        for bit in range(7):
            spoilt = bytearray(raw)
            spoilt[position] ^= 1 << bit
            with pytest.raises(WireError, match="CRC"):
                check_crc(response(spoilt.decode("ascii")))


@pytest.mark.parametrize(
    ("text", "wait_s", "count"),
    [
        ("00053", 5, 3),
        ("00101", 10, 1),
        ("00001", 0, 1),
        ("00359", 35, 9),
        ("001020", 10, 20),  # concurrent: two digits of count
    ],
)
def test_announcements_of_the_standards_tables(text: str, wait_s: int, count: int) -> None:
    """Tables 5 to 11."""
    assert decode_announcement(response(text)) == Announcement(wait_s, count)


@pytest.mark.parametrize("text", ["0", "0001", "00a11", "0+1.1", "00000001"])
def test_what_is_no_announcement_is_refused(text: str) -> None:
    with pytest.raises(WireError, match="announcement"):
        decode_announcement(response(text))


def test_identification_is_taken_apart_by_its_columns() -> None:
    """4.4.2; the maker and model of the example are ours."""
    found = decode_identification(response("014LWSIM   QUANT1100SIMULATED"))
    assert found == Identification("1.4", "LWSIM", "QUANT1", "100", "SIMULATED")


@pytest.mark.parametrize("text", ["0", "014LWSIM", "0xxLWSIM   QUANT1100", "014" + "x" * 40])
def test_what_is_no_identification_is_refused(text: str) -> None:
    with pytest.raises(WireError, match="identification"):
        decode_identification(response(text))


@pytest.mark.parametrize(
    ("address", "body", "wanted"),
    [
        ("0", "M", b"0M!"),
        ("a", "MC9", b"aMC9!"),
        ("Z", "RC0", b"ZRC0!"),
        ("?", "", b"?!"),
        ("0", "", b"0!"),
        ("3", "D0", b"3D0!"),
        ("0", "A5", b"0A5!"),
    ],
)
def test_commands_are_written_as_the_standard_has_them(address: str, body: str, wanted: bytes) -> None:
    assert encode_command(address, body) == wanted


@pytest.mark.parametrize(
    ("address", "body"), [("10", "M"), ("!", "M"), ("", "M"), ("0", "M0"), ("0", "X1"), ("?", "M")]
)
def test_what_is_no_command_is_never_sent(address: str, body: str) -> None:
    with pytest.raises(ValueError, match=r"SDI-12|only the empty"):
        encode_command(address, body)


def test_bare_address_is_a_service_request_or_an_abort() -> None:
    assert is_service_request(response("0"))
    assert not is_service_request(response("0+1"))


@pytest.mark.parametrize("text", ["0+1234567", "0+.5", "0-0.000001", "0+123456.", "0+1+2-3"])
def test_values_of_up_to_seven_digits_are_read(text: str) -> None:
    """4.4: a sign, up to seven digits, one point."""
    assert decode_values(response(text))


@pytest.mark.parametrize("text", ["01.5", "0+", "0+12345678", "0+1.2.3", "0+1.2345678", "0+1e5", "0+1 +2", "0+1x"])
def test_what_is_no_value_is_refused_rather_than_half_read(text: str) -> None:
    with pytest.raises(WireError, match="value"):
        decode_values(response(text))


class TestReceiver:
    """Lines out of a stream."""

    def test_response_ends_with_cr_lf(self) -> None:
        assert feed_in(Sdi12Receiver(), [b"0+3.14Oq", b"Z\r", b"\n"]) == [response("0+3.14OqZ")]

    def test_echo_of_the_command_is_taken_off(self) -> None:
        assert feed_in(Sdi12Receiver(), [b"0MC1!00011\r\n"]) == [response("00011")]
        assert feed_in(Sdi12Receiver(), [b"?!0\r\n"]) == [response("0")]

    def test_exclamation_mark_in_a_makers_own_text_is_no_echo(self) -> None:
        line = "014LWSIM   QUANT1100WOW! NEW"
        assert feed_in(Sdi12Receiver(), [line.encode() + b"\r\n"]) == [response(line)]

    def test_zero_byte_of_a_break_is_taken_off(self) -> None:
        assert feed_in(Sdi12Receiver(), [b"\x00\x000\r\n"]) == [response("0")]

    def test_crc_may_hold_the_one_character_that_does_not_print(self) -> None:
        assert feed_in(Sdi12Receiver(), [b"0+1\x7f\x7f\x7f\r\n"]) == [response("0+1\x7f\x7f\x7f")]

    @pytest.mark.parametrize("line", [b"\r\n", b"+3.14\r\n", b"0\xb13.14\r\n", b"\x01\r\n", b"0\x05\r\n"])
    def test_bad_line_is_one_error_and_the_next_is_read(self, line: bytes) -> None:
        assert feed_in(Sdi12Receiver(), [line + b"0+1\r\n"]) == [WireError, response("0+1")]

    def test_endless_line_is_dropped_at_the_bound(self) -> None:
        receiver = Sdi12Receiver()
        assert feed_in(receiver, [b"0" * (MAX_RESPONSE_BYTES + 1)]) == [WireError]
        assert feed_in(receiver, [b"0+1\r\n"]) == [response("0+1")]

    def test_reset_forgets_an_unfinished_response(self) -> None:
        receiver = Sdi12Receiver()
        receiver.feed(b"0+3")
        receiver.reset()
        assert feed_in(receiver, [b"0+1\r\n"]) == [response("0+1")]

    @given(
        st.lists(st.tuples(ADDRESSES, st.text("+-.0123456789@ABCz", max_size=40)), max_size=4),
        cuts,
    )
    def test_any_split_gives_the_same_responses(self, lines: list[tuple[str, str]], at: list[int]) -> None:
        data = b"".join(f"{address}{body}\r\n".encode() for address, body in lines)
        found = split_gives_the_same(Sdi12Receiver, data, at)
        assert found == [Response(address, body) for address, body in lines]

    @given(st.binary(max_size=400), cuts)
    def test_garbage_is_survived_and_a_response_after_it_is_read(self, garbage: bytes, at: list[int]) -> None:
        receiver = Sdi12Receiver()
        feed_in(receiver, [garbage[start:] for start in at[:1]])
        receiver.feed(garbage)
        feed_in(receiver, [b"\r\n"])
        receiver.reset()
        assert feed_in(receiver, [b"0+3.14OqZ\r\n"]) == [response("0+3.14OqZ")]

    @given(st.lists(st.binary(max_size=60), max_size=40))
    def test_buffer_never_grows_past_its_bound(self, pieces: list[bytes]) -> None:
        receiver = Sdi12Receiver()
        for piece in pieces:
            feed_in(receiver, [piece])
            assert len(receiver._lines.held) <= MAX_RESPONSE_BYTES

    def test_nothing_yet_is_said_as_such(self) -> None:
        assert Sdi12Receiver().next_message() is NEED_DATA


@given(ADDRESSES, st.lists(st.decimals(-9999, 9999, places=3).map(lambda d: f"{d:+}"), min_size=1, max_size=9))
def test_values_survive_the_way_there_and_back(address: str, values: list[str]) -> None:
    body = (address + "".join(values)).encode()
    [found] = feed_in(Sdi12Receiver(), [body + crc_characters(body) + b"\r\n"])
    assert isinstance(found, Response)
    assert decode_values(check_crc(found)) == tuple(float(value) for value in values)
