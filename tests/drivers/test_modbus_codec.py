"""Modbus RTU against the standard's worked bytes.

Sources: MODBUS Application Protocol V1.1b3 (6.3, 6.4, 6.21, 7) and Serial Line V1.02 (2.5.1, 6.2.2), from memory; the
frames' CRCs were checked with two other libraries (check values, section 5).
"""

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lampwarden.drivers.codecs.base import NEED_DATA
from lampwarden.drivers.codecs.modbus import (
    EXCEPTIONS,
    MAX_FRAME_BYTES,
    ByteOrder,
    DeviceObjects,
    NumberType,
    ReadDeviceIdentification,
    ReadRegisters,
    RegisterKind,
    RtuReceiver,
    crc,
    decode_number,
    encode_frame,
    take_bits,
)
from lampwarden.protocol.errors import DeviceError, WireError
from support.streams import cuts, feed_in, split_gives_the_same

HOLDING_3 = ReadRegisters(RegisterKind.HOLDING, 0x6B, 3)
HOLDING_3_ANSWER = bytes.fromhex("110306022b00000064c8ba")


def bitwise_crc(data: bytes) -> int:
    """The standard's description, step by step (serial line V1.02, 6.2.2), to judge the table."""
    register = 0xFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            carry = register & 1
            register >>= 1
            if carry:
                register ^= 0xA001
    return register


@pytest.mark.parametrize(
    ("data", "wanted"),
    [("313233343536373839", "374b"), ("0207", "4112"), ("1103006b0003", "7687"), ("010400080001", "b008")],
)
def test_crc_of_known_frames(data: str, wanted: str) -> None:
    """CRC-16/MODBUS check value 4B37h; 02 07 from 6.2.2; low byte first on the line."""
    assert crc(bytes.fromhex(data)).to_bytes(2, "little").hex() == wanted


@given(st.binary(max_size=256))
def test_crc_table_agrees_with_the_bitwise_description(data: bytes) -> None:
    assert crc(data) == bitwise_crc(data)


def test_request_for_three_holding_registers() -> None:
    """V1.1b3, 6.3: 03 00 6B 00 03, to unit 17."""
    assert encode_frame(17, HOLDING_3.encode_pdu()) == bytes.fromhex("1103006b00037687")


def test_answer_with_three_holding_registers() -> None:
    """V1.1b3, 6.3: 022B 0000 0064 = 555, 0, 100."""
    [data] = feed_in(RtuReceiver(17, HOLDING_3), [HOLDING_3_ANSWER])
    assert struct.unpack(">3H", data) == (555, 0, 100)


def test_answer_with_one_input_register() -> None:
    """V1.1b3, 6.4: 04 02 00 0A."""
    request = ReadRegisters(RegisterKind.INPUT, 8, 1)
    assert request.encode_pdu() == bytes.fromhex("0400080001")
    frame = encode_frame(1, bytes.fromhex("0402000a"))
    assert feed_in(RtuReceiver(1, request), [frame]) == [b"\x00\x0a"]


def test_exception_is_the_devices_error_with_its_number() -> None:
    """V1.1b3, 7: 83 02; unit 1: 01 83 02 C0 F1."""
    receiver = RtuReceiver(1, HOLDING_3)
    receiver.feed(bytes.fromhex("018302c0f1"))
    with pytest.raises(DeviceError, match="illegal data address") as caught:
        receiver.next_message()
    assert caught.value.code == 2


@pytest.mark.parametrize("code", [*EXCEPTIONS, 0x77])
def test_every_exception_has_a_text_the_unknown_too(code: int) -> None:
    receiver = RtuReceiver(1, HOLDING_3)
    receiver.feed(encode_frame(1, bytes((0x83, code))))
    with pytest.raises(DeviceError) as caught:
        receiver.next_message()
    assert caught.value.code == code
    assert f"{code:02X}h" in str(caught.value)


@pytest.mark.parametrize(
    ("order", "raw"), [("ABCD", "42f6e979"), ("CDAB", "e97942f6"), ("BADC", "f64279e9"), ("DCBA", "79e9f642")]
)
def test_float_in_each_byte_order(order: str, raw: str) -> None:
    """IEEE 754: 123.456 = 42F6E979h."""
    value = decode_number(bytes.fromhex(raw), NumberType.F32, ByteOrder(order))
    assert value == pytest.approx(123.456, rel=1e-7)


@pytest.mark.parametrize(("raw", "value"), [("43660000", 230.0), ("42480000", 50.0), ("447d5000", 1013.25)])
def test_floats_of_a_bench_are_exact(raw: str, value: float) -> None:
    """IEEE 754 single precision."""
    assert decode_number(bytes.fromhex(raw), NumberType.F32) == value


_FORMATS = {"u16": "H", "s16": "h", "u32": "I", "s32": "i", "u64": "Q", "s64": "q", "f32": "f", "f64": "d"}


def _reorder(raw: bytes, order: ByteOrder) -> bytes:
    """The four orders by their names: pick letters of each four-byte pattern, said apart from the codec's way."""
    words = [raw[i : i + 2] for i in range(0, len(raw), 2)]
    if order in {ByteOrder.CDAB, ByteOrder.DCBA}:
        words.reverse()
    if order in {ByteOrder.BADC, ByteOrder.DCBA}:
        words = [bytes((word[1], word[0])) for word in words]
    return b"".join(words)


@given(st.sampled_from(NumberType), st.sampled_from(ByteOrder), st.data())
def test_numbers_survive_every_type_and_order(number: NumberType, order: ByteOrder, data: st.DataObject) -> None:
    form = _FORMATS[number.value]
    size = struct.calcsize(form)
    assert size == 2 * number.words
    if form in "fd":
        value: float = data.draw(st.floats(width=8 * size, allow_nan=False))
    else:
        low = 0 if form.isupper() else -(1 << (8 * size - 1))
        value = data.draw(st.integers(low, low + (1 << (8 * size)) - 1))
    assert decode_number(_reorder(struct.pack(">" + form, value), order), number, order) == value


def test_number_of_the_wrong_length_is_refused() -> None:
    with pytest.raises(ValueError, match="f32 needs 4 bytes"):
        decode_number(b"\x00\x00", NumberType.F32)


@pytest.mark.parametrize(
    ("value", "first", "count", "wanted"), [(0b1011_0100, 2, 3, 0b101), (0x8001, 15, 1, 1), (0xFFFF, 0, 16, 0xFFFF)]
)
def test_bit_field_is_counted_from_the_least_significant(value: int, first: int, count: int, wanted: int) -> None:
    assert take_bits(value, first, count) == wanted


@pytest.mark.parametrize(("address", "count"), [(0, 0), (0, 126), (65535, 2), (-1, 1)])
def test_request_that_no_device_may_answer_is_never_made(address: int, count: int) -> None:
    """V1.1b3, 6.3: 1 to 125 registers; addresses 0 to FFFFh."""
    with pytest.raises(ValueError, match="register"):
        ReadRegisters(RegisterKind.INPUT, address, count)


def test_unit_outside_the_standards_range_is_never_addressed() -> None:
    """Serial line V1.02, 2.2: 1 to 247."""
    with pytest.raises(ValueError, match="unit"):
        encode_frame(248, b"\x03")


class TestIdentification:
    """V1.1b3, 6.21."""

    REQUEST = ReadDeviceIdentification()

    def answer(self, objects: dict[int, bytes], *, more: int | None = None) -> bytes:
        body = b"".join(bytes((number, len(text))) + text for number, text in objects.items())
        return bytes((0x2B, 0x0E, 2, 0x82, 0xFF if more is not None else 0, more or 0, len(objects))) + body

    def test_request_is_mei_type_0e(self) -> None:
        assert self.REQUEST.encode_pdu() == bytes.fromhex("2b0e0200")

    def test_objects_are_read_with_their_own_lengths(self) -> None:
        pdu = self.answer({0: b"LWSIM", 1: b"MAINS-1", 2: b"1.0", 6: b"SIMULATED"})
        [found] = feed_in(RtuReceiver(1, self.REQUEST), [encode_frame(1, pdu)])
        assert found == DeviceObjects(((0, "LWSIM"), (1, "MAINS-1"), (2, "1.0"), (6, "SIMULATED")), None)

    def test_next_object_is_told_when_not_all_fit(self) -> None:
        [found] = feed_in(RtuReceiver(1, self.REQUEST), [encode_frame(1, self.answer({0: b"A"}, more=1))])
        assert found == DeviceObjects(((0, "A"),), 1)

    def test_answer_that_begins_with_another_object_is_that_of_another_request(self) -> None:
        receiver = RtuReceiver(1, self.REQUEST)
        receiver.feed(encode_frame(1, self.answer({1: b"MAINS-1"})))
        with pytest.raises(WireError, match="object 1 comes first where 0 was asked for"):
            receiver.next_message()

    @given(st.dictionaries(st.integers(0, 255), st.binary(max_size=30), max_size=6), cuts)
    def test_any_split_gives_the_same_objects(self, objects: dict[int, bytes], at: list[int]) -> None:
        frame = encode_frame(5, self.answer(objects))
        request = ReadDeviceIdentification(object_id=next(iter(objects), 0))
        [found] = split_gives_the_same(lambda: RtuReceiver(5, request), frame, at)
        assert isinstance(found, DeviceObjects)
        assert [number for number, _ in found.objects] == list(objects)


class TestReceiver:
    """Frames out of a stream."""

    @pytest.mark.parametrize(
        ("raw", "what"),
        [
            ("120306022b00000064c8ba", "unit 18 answers"),
            ("110406022b00000064c8ba", "function 04h answers"),
            ("110306022b00000064c8bb", "CRC"),
            ("110306022b00000064c8ba00", "bytes follow"),
            ("1103ff", "longer than 256"),
        ],
    )
    def test_broken_answer_is_one_error_that_says_what(self, raw: str, what: str) -> None:
        receiver = RtuReceiver(17, HOLDING_3)
        receiver.feed(bytes.fromhex(raw))
        with pytest.raises(WireError, match=what):
            receiver.next_message()
        assert receiver.next_message() is NEED_DATA
        assert feed_in(receiver, [HOLDING_3_ANSWER]) == [HOLDING_3_ANSWER[3:9]]

    def test_answer_for_another_count_is_refused_even_with_a_right_crc(self) -> None:
        frame = encode_frame(17, bytes.fromhex("0304022b0000"))
        receiver = RtuReceiver(17, HOLDING_3)
        receiver.feed(frame)
        with pytest.raises(WireError, match="4 bytes came for 3 registers"):
            receiver.next_message()

    @given(st.integers(1, 247), st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=125), cuts)
    def test_any_split_gives_the_same_registers(self, unit: int, registers: list[int], at: list[int]) -> None:
        request = ReadRegisters(RegisterKind.INPUT, 0, len(registers))
        body = struct.pack(f">{len(registers)}H", *registers)
        frame = encode_frame(unit, bytes((4, len(body))) + body)
        assert split_gives_the_same(lambda: RtuReceiver(unit, request), frame, at) == [body]

    @given(st.binary(min_size=1, max_size=600))
    def test_garbage_never_becomes_registers(self, garbage: bytes) -> None:
        """Without a right CRC nothing comes out but errors; hypothesis does not find one in sixteen random bits."""
        receiver = RtuReceiver(17, HOLDING_3)
        found = feed_in(receiver, [garbage])
        if garbage != HOLDING_3_ANSWER:
            assert all(each is WireError or each is DeviceError for each in found)
        assert len(receiver._buffer) <= MAX_FRAME_BYTES + 1

    @given(st.integers(0, 8 * len(HOLDING_3_ANSWER) - 1), st.integers(0, 8 * len(HOLDING_3_ANSWER) - 1))
    def test_two_wrong_bits_never_pass_as_registers(self, first: int, second: int) -> None:
        """The polynomial finds all double errors in frames this short."""
        spoilt = bytearray(HOLDING_3_ANSWER)
        for bit in {first, second}:
            spoilt[bit // 8] ^= 1 << bit % 8
        receiver = RtuReceiver(17, HOLDING_3)
        found = feed_in(receiver, [bytes(spoilt)])
        assert HOLDING_3_ANSWER[3:9] not in found
        assert not [each for each in found if isinstance(each, bytes)]
