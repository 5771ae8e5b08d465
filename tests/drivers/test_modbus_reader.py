"""Modbus instruments over a scripted line: grouping, retries, faults. Frames: MODBUS V1.1b3, Serial Line V1.02."""

import struct

import pytest
from lampwarden.drivers.codecs.modbus import ByteOrder, NumberType, RegisterKind, encode_frame
from lampwarden.drivers.links.base import SerialSettings
from lampwarden.drivers.links.inline import InlineByteLink
from lampwarden.drivers.modbus_reader import TRIES, ModbusReader, ModbusUnit, RegisterField
from lampwarden.drivers.quantities import Conversion, Quantity
from lampwarden.drivers.roles import Identity
from lampwarden.protocol.errors import DeviceError, LinkError, LinkFault, WireError
from support.fakes import FunctionSerial, HandClock, ScriptedSerial, scripted

SETTINGS = SerialSettings(19200)


def field(
    quantity: Quantity, address: int, *, number: str = "f32", unit: str | None = None, **more: float
) -> RegisterField:
    conversion = Conversion(quantity, unit or quantity.unit, **more)
    return RegisterField(RegisterKind.INPUT, address, NumberType(number), ByteOrder.ABCD, None, conversion)


METER = [
    field(Quantity.VOLTAGE, 0),
    field(Quantity.CURRENT, 2),
    field(Quantity.POWER, 4),
]
GOOD = encode_frame(1, b"\x04\x0c" + struct.pack(">3f", 230.0, 1.25, 287.5))
NAMELESS = encode_frame(1, b"\xab\x01")


def answer_with(value: float) -> bytes:
    return encode_frame(1, b"\x04\x04" + struct.pack(">f", value))


def reader(device: ScriptedSerial | FunctionSerial, fields: list[RegisterField] = METER) -> ModbusReader:
    return ModbusReader(ModbusUnit(InlineByteLink(device, HandClock(), settings=SETTINGS), 1), fields)


def test_neighbouring_registers_are_read_in_one_request_so_that_they_belong_together() -> None:
    device = scripted(GOOD)
    assert reader(device).read() == {Quantity.VOLTAGE: 230.0, Quantity.CURRENT: 1.25, Quantity.POWER: 287.5}
    assert device.commands == [encode_frame(1, bytes.fromhex("0400000006"))]


def test_distant_registers_are_read_apart() -> None:
    device = scripted(answer_with(230.0), encode_frame(1, b"\x04\x02\x01\xf4"))
    fields = [field(Quantity.VOLTAGE, 0), field(Quantity.FREQUENCY, 1000, number="u16", scale=0.1)]
    assert reader(device, fields).read() == {Quantity.VOLTAGE: 230.0, Quantity.FREQUENCY: 50.0}
    assert len(device.commands) == 2


def test_group_never_exceeds_what_the_standard_allows() -> None:
    """V1.1b3, 6.4: 125 registers a request."""
    fields = [field(Quantity.VOLTAGE, 0, number="u16")] + [
        field(Quantity.POWER, address, number="u16") for address in range(8, 200, 8)
    ]
    asked: list[int] = []

    def answer(data: bytes) -> bytes:
        count = data[5]
        asked.append(count)
        return encode_frame(1, bytes((4, 2 * count)) + bytes(2 * count))

    reader(FunctionSerial(answer), fields).read()
    assert len(asked) == 2
    assert max(asked) <= 125


def test_bit_field_is_taken_out_before_it_is_scaled() -> None:
    one = RegisterField(
        RegisterKind.INPUT, 0, NumberType.U16, ByteOrder.ABCD, (4, 8), Conversion(Quantity.VOLTAGE, "V", 2.0)
    )
    device = scripted(encode_frame(1, b"\x04\x02\xf7\x3f"))
    assert reader(device, [one]).read() == {Quantity.VOLTAGE: 2.0 * 0x73}


def test_scaled_signed_register_becomes_degrees() -> None:
    device = scripted(encode_frame(1, b"\x04\x02" + struct.pack(">h", -521)))
    one = field(Quantity.TEMPERATURE, 0, number="s16", scale=0.01)
    assert reader(device, [one]).read()[Quantity.TEMPERATURE] == pytest.approx(-5.21)


def test_value_beyond_the_devices_range_is_its_fault_and_never_a_value() -> None:
    device = scripted(encode_frame(1, b"\x04\x02" + struct.pack(">h", -32768)))
    one = field(Quantity.TEMPERATURE, 0, number="s16", scale=0.01, low=-60.0, high=125.0)
    with pytest.raises(DeviceError, match=r"temperature of -327\.68 Cel is not within -60 to 125"):
        reader(device, [one]).read()


def test_not_a_number_is_never_a_value() -> None:
    device = scripted(encode_frame(1, b"\x04\x04" + struct.pack(">f", float("nan"))))
    with pytest.raises(DeviceError):
        reader(device, [field(Quantity.VOLTAGE, 0)]).read()


@pytest.mark.parametrize("bad", [b"", GOOD[:-1] + b"\xff", encode_frame(2, GOOD[1:-2]), GOOD[:5]])
def test_one_bad_answer_is_asked_again(bad: bytes) -> None:
    device = scripted(bad, GOOD)
    assert reader(device).read()[Quantity.VOLTAGE] == 230.0
    assert len(device.commands) == 2


def test_rest_of_a_broken_frame_does_not_spoil_the_next_answer() -> None:
    """Two characters come 1.2 ms behind what showed that the frame is broken; the line is silent for 2 ms."""
    device = scripted([(0.01, GOOD[:-1] + b"\xff"), (0.0112, b"\x55\x55")], GOOD)
    assert reader(device).read()[Quantity.VOLTAGE] == 230.0
    assert len(device.commands) == 2


def test_silence_is_told_after_all_tries_and_within_the_bound() -> None:
    device = scripted()
    clock = HandClock()
    unit = ModbusUnit(InlineByteLink(device, clock, settings=SETTINGS), 1)
    one = ModbusReader(unit, METER)
    with pytest.raises(LinkError, match="unit 1: no answer") as caught:
        one.read()
    assert caught.value.fault is LinkFault.SILENT
    assert len(device.commands) == TRIES
    assert unit._link.now_s() - clock.now_s <= one.bound_s


def test_noise_on_every_try_is_told_with_its_bytes() -> None:
    with pytest.raises(WireError, match="unit 171 answers for unit 1") as caught:
        reader(scripted(*[b"\xab\xcd"] * TRIES)).read()
    assert caught.value.raw == b"\xab\xcd"


def test_exception_is_final_but_for_busy() -> None:
    device = scripted(encode_frame(1, b"\x84\x02"), GOOD)
    with pytest.raises(DeviceError, match="illegal data address") as caught:
        reader(device).read()
    assert caught.value.code == 2
    assert len(device.commands) == 1
    busy = scripted(encode_frame(1, b"\x84\x06"), GOOD)
    assert reader(busy).read()[Quantity.VOLTAGE] == 230.0


def test_line_is_silent_between_frames_for_three_and_a_half_characters() -> None:
    """Serial line V1.02, 2.5.1.1; above 19200 Bd 1.75 ms."""
    device = scripted(GOOD, GOOD)
    link = InlineByteLink(device, HandClock(), settings=SerialSettings(1200))
    one = ModbusReader(ModbusUnit(link, 1), METER)
    one.read()
    ended_s = link.now_s()
    one.read()
    assert device.received[1][0] - ended_s >= 3.5 * 11 / 1200 - 1e-9


def test_late_answer_is_never_taken_for_that_of_other_registers() -> None:
    """A Modbus RTU frame does not say which request it answers: voltage must not become frequency."""
    device = scripted([], [], [(0.9, answer_with(230.0))], [(0.45, NAMELESS)], NAMELESS, answer_with(50.0))
    link = InlineByteLink(device, HandClock(), settings=SETTINGS)
    unit = ModbusUnit(link, 1)
    with pytest.raises(LinkError):
        ModbusReader(unit, [field(Quantity.VOLTAGE, 0)]).read()
    frequency = ModbusReader(unit, [field(Quantity.FREQUENCY, 8)])
    with pytest.raises(WireError, match="function 04h answers function 2Bh"):
        frequency.read()
    link.pause(1.0)
    assert frequency.read() == {Quantity.FREQUENCY: 50.0}


def test_answer_of_an_earlier_reading_is_never_taken_for_that_of_a_new_one() -> None:
    """It is of the right registers, and older than the question."""
    device = scripted(*[[]] * (TRIES - 1), [(0.9, answer_with(230.0))], [(0.5, NAMELESS)])
    one = reader(device, [field(Quantity.VOLTAGE, 0)])
    with pytest.raises(LinkError):
        one.read()
    with pytest.raises(WireError, match="function 04h answers function 2Bh"):
        one.read()


def test_answer_that_came_twice_is_never_taken_for_that_of_other_registers() -> None:
    """Its copy comes while the next block is asked for; what is left over comes when the unit is asked who it is."""
    voltage, current, power = answer_with(230.0), answer_with(1.25), answer_with(287.5)
    moved = [(0.01, voltage), (0.03, current)]
    device = scripted(voltage, moved, [(0.1, power)], b"", NAMELESS, voltage, current, power, NAMELESS)
    fields = [field(Quantity.VOLTAGE, 0), field(Quantity.CURRENT, 20), field(Quantity.POWER, 40)]
    assert reader(device, fields).read() == {Quantity.VOLTAGE: 230.0, Quantity.CURRENT: 1.25, Quantity.POWER: 287.5}


def test_copy_of_an_answer_that_waits_when_the_next_block_is_asked_for_begins_the_row_anew() -> None:
    device = scripted(
        [(0.01, answer_with(230.0)), (0.01, answer_with(230.0))],
        NAMELESS,
        answer_with(230.0),
        answer_with(50.0),
        NAMELESS,
    )
    fields = [field(Quantity.VOLTAGE, 0), field(Quantity.FREQUENCY, 1000)]
    assert reader(device, fields).read() == {Quantity.VOLTAGE: 230.0, Quantity.FREQUENCY: 50.0}


def test_answer_that_noise_came_before_is_never_taken_for_that_of_other_registers() -> None:
    """Each try ends at the noise; what was asked then answers, while the next question is under way."""
    noise = (0.01, b"\x01\x04\x04\x00\x00\x00\x00\x00\x00")
    device = scripted(
        [noise], [noise], [noise, (0.3, answer_with(230.0))], [(0.4, NAMELESS)], NAMELESS, answer_with(50.0)
    )
    unit = ModbusUnit(InlineByteLink(device, HandClock(), settings=SETTINGS), 1)
    with pytest.raises(WireError):
        ModbusReader(unit, [field(Quantity.VOLTAGE, 0)]).read()
    frequency = ModbusReader(unit, [field(Quantity.FREQUENCY, 8)])
    with pytest.raises(WireError):
        frequency.read()
    unit._link.pause(1.0)
    assert frequency.read() == {Quantity.FREQUENCY: 50.0}


def test_repeated_request_need_not_wait_for_a_late_answer() -> None:
    device = scripted([], answer_with(230.0))
    link = InlineByteLink(device, HandClock(), settings=SETTINGS)
    ModbusReader(ModbusUnit(link, 1), [field(Quantity.VOLTAGE, 0)]).read()
    assert device.received[1][0] - device.received[0][0] < 0.6


def test_echo_of_a_two_wire_adapter_is_taken_off_in_any_pieces() -> None:
    request = encode_frame(1, bytes.fromhex("0400000006"))
    for pieces in ([(0.01, request + GOOD)], [(0.01, request[:3]), (0.02, request[3:]), (0.1, GOOD)]):
        link = InlineByteLink(scripted(pieces), HandClock(), settings=SETTINGS)
        one = ModbusReader(ModbusUnit(link, 1, has_echo=True), METER)
        assert one.read()[Quantity.VOLTAGE] == 230.0


def test_echo_that_does_not_come_is_told() -> None:
    link = InlineByteLink(scripted(*[GOOD] * TRIES), HandClock(), settings=SETTINGS)
    with pytest.raises(WireError, match="not the request's echo"):
        ModbusReader(ModbusUnit(link, 1, has_echo=True), METER).read()


def test_identification_is_collected_over_several_answers() -> None:
    first = b"\x2b\x0e\x02\x82\xff\x01\x01" + b"\x00\x05LWSIM"
    second = b"\x2b\x0e\x02\x82\x00\x00\x03" + b"\x01\x07MAINS-1" + b"\x02\x031.0" + b"\x06\x09SIMULATED"
    identity = reader(scripted(encode_frame(1, first), encode_frame(1, second))).identify()
    assert (identity.maker, identity.model, identity.firmware) == ("LWSIM", "MAINS-1", "1.0")
    assert identity.simulated


@pytest.mark.parametrize("code", [0x04, 0x05, 0x06, 0x08, 0x0A, 0x0B])
def test_unit_that_fails_or_is_not_reached_is_not_nameless(code: int) -> None:
    """V1.1b3, section 7: 04h server failure, 06h busy, 0Ah and 0Bh a gateway without path or answer."""
    device = scripted(*[encode_frame(1, bytes((0xAB, code)))] * TRIES)
    with pytest.raises(DeviceError) as caught:
        reader(device).identify()
    assert caught.value.code == code


@pytest.mark.parametrize("code", [0x01, 0x02, 0x03])
def test_device_without_identification_is_nameless_and_not_simulated(code: int) -> None:
    """V1.1b3, 6.21: 01h, 02h and 03h answer a function, an object or a code that the device does not have."""
    identity = reader(scripted(encode_frame(1, bytes((0xAB, code))))).identify()
    assert identity.model == ""
    assert not identity.simulated


def test_device_that_keeps_silent_when_asked_who_it_is_is_nameless_where_the_profile_says_so() -> None:
    """Against V1.1b3, section 7, and met all the same; its late answers are waited for instead."""
    answers = {0x2B: b"", 0x04: GOOD}
    device = FunctionSerial(lambda asked: answers[asked[1]])
    link = InlineByteLink(device, HandClock(), settings=SETTINGS)
    one = ModbusReader(ModbusUnit(link, 1, tells_who=False), METER)
    assert one.identify() == Identity("", "", "", "", "")
    assert one.read()[Quantity.VOLTAGE] == 230.0
    answers[0x04] = b""
    for ask in (one.read, one.identify):
        with pytest.raises(LinkError, match="no answer"):
            ask()
    answers[0x04] = GOOD
    began_s = link.now_s()
    assert one.read()[Quantity.VOLTAGE] == 230.0
    assert link.now_s() - began_s > 0.5, "the time of an answer that may still come"
    assert {frame[1] for frame in device.received} == {0x04}


def test_device_that_answers_all_but_who_it_is_is_told_with_what_to_set() -> None:
    device = FunctionSerial(lambda asked: GOOD if asked[1] == 0x04 else b"")
    link = InlineByteLink(device, HandClock(), settings=SETTINGS)
    one = ModbusReader(ModbusUnit(link, 1), METER)
    began_s = link.now_s()
    with pytest.raises(LinkError, match=r"not when it is asked who it is .*identification = false"):
        one.identify()
    assert link.now_s() - began_s < one.identify_bound_s


def test_device_that_answers_nothing_is_silent() -> None:
    link = InlineByteLink(FunctionSerial(lambda _asked: b""), HandClock(), settings=SETTINGS)
    one = ModbusReader(ModbusUnit(link, 1), METER)
    began_s = link.now_s()
    with pytest.raises(LinkError, match="no answer") as caught:
        one.identify()
    assert caught.value.fault is LinkFault.SILENT
    assert link.now_s() - began_s < one.identify_bound_s
