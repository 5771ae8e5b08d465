"""Power meter and air loggers on Modbus RTU: Application Protocol V1.1b3, Serial Line V1.02."""

import struct

import crcmod.predefined
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lampwarden.simulators.meters import Supply
from lampwarden.simulators.modbus import ModbusLine, air_unit, crc_of, meter_unit
from lampwarden.simulators.tent import Air

reference_crc = crcmod.predefined.mkCrcFun("modbus")


def framed(body: str | bytes) -> bytes:
    raw = bytes.fromhex(body) if isinstance(body, str) else body
    return raw + reference_crc(raw).to_bytes(2, "little")


def line() -> ModbusLine:
    supply = Supply(230.0, 1.325, 277.4, 0.91, 50.0, 123.456)
    return ModbusLine(
        {
            1: meter_unit(lambda _now_s: supply),
            11: air_unit(lambda _now_s: Air(-3.25, 45.67, 1013.25)),
            12: air_unit(lambda _now_s: Air(21.5, 100.0, 998.04)),
        }
    )


def asked(request: str | bytes, now_s: float = 0.0) -> list[bytes]:
    return [item.data for item in line().receive(framed(request), now_s)]


@given(st.binary(max_size=64))
def test_crc_is_the_reference_librarys(frame: bytes) -> None:
    assert crc_of(frame) == reference_crc(frame).to_bytes(2, "little")


def test_crc_of_the_serial_line_guides_example() -> None:
    assert crc_of(bytes.fromhex("0207")).hex() == "4112"


def test_meter_gives_its_values_as_big_endian_floats() -> None:
    (answer,) = asked("01 04 0000 000C")
    assert answer == framed(answer[:-2])
    assert answer[:3].hex() == "010418"
    assert answer[3:7].hex() == "43660000"  # 230.0, IEEE 754
    assert answer[19:23].hex() == "42480000"  # 50.0
    assert answer[23:27].hex() == "42f6e979"  # 123.456
    assert struct.unpack(">f", answer[7:11])[0] == pytest.approx(1.325)


def test_single_register_can_be_read_from_the_middle() -> None:
    (answer,) = asked("01 04 0008 0001")
    assert answer == framed("01 04 02 4248")


def test_holding_registers_are_the_same() -> None:
    assert asked("01 03 0000 0002") == [framed("01 03 04 4366 0000")]


@pytest.mark.parametrize(("unit", "values"), [(11, (-325, 4567, 10132)), (12, (2150, 10000, 9980))])
def test_air_loggers_share_the_line(unit: int, values: tuple[int, int, int]) -> None:
    (answer,) = asked(bytes((unit,)) + bytes.fromhex("04 0000 0003"))
    assert struct.unpack(">hHH", answer[3:-2]) == values


@pytest.mark.parametrize(
    ("request_", "answer"),
    [
        ("01 04 000C 0001", "01 84 02"),  # illegal data address
        ("01 04 000B 0002", "01 84 02"),
        ("0B 04 0003 0001", "0B 84 02"),
        ("01 04 0000 0000", "01 84 03"),  # illegal data value
        ("01 04 0000 007E", "01 84 03"),
        ("01 06 0000 0001", "01 86 01"),  # illegal function
        ("01 10 0000 0001 02 0001", "01 90 01"),
        ("01 2B 0E 07 00", "01 AB 03"),
        ("01 2B 0E 04 05", "01 AB 02"),
        ("01 2B 0D 01 00", "01 AB 01"),
    ],
)
def test_wrong_request_gets_the_exception_of_the_standard(request_: str, answer: str) -> None:
    assert asked(request_) == [framed(answer)]


@pytest.mark.parametrize("request_", ["00 04 0000 0001", "02 04 0000 0001"])
def test_broadcast_and_other_units_get_no_answer(request_: str) -> None:
    assert asked(request_) == []


def test_identification_says_what_it_is_and_that_it_is_simulated() -> None:
    assert asked("01 2B 0E 01 00") == [
        framed(bytes.fromhex("012B0E01820000 03 00 05") + b"LWSIM\x01\x07MAINS-1\x02\x031.0")
    ]
    (regular,) = asked("0B 2B 0E 02 00")
    assert b"\x01\x05AIR-1" in regular
    assert regular[:-2].endswith(b"\x06\x09SIMULATED")
    assert asked("01 2B 0E 04 06") == [framed(bytes.fromhex("012B0E0482000001 06 09") + b"SIMULATED")]


def test_stream_from_an_object_in_the_middle_begins_there() -> None:
    (answer,) = asked("01 2B 0E 01 02")
    assert answer == framed(bytes.fromhex("012B0E01820000 01 02 03") + b"1.0")


@given(st.data())
def test_any_split_of_the_stream_gives_the_same_answers(data: st.DataObject) -> None:
    stream = framed("01 04 0000 000C") + framed("0C 04 0000 0003") + framed("01 2B 0E 01 00")
    cuts = sorted(data.draw(st.sets(st.integers(1, len(stream) - 1))))
    device, answers = line(), []
    for begin, end in zip([0, *cuts], [*cuts, len(stream)], strict=True):
        answers += [item.data for item in device.receive(stream[begin:end], 0.0)]
    assert answers == [item.data for item in line().receive(stream, 0.0)]
    assert len(answers) == 3


def test_request_behind_a_beginning_that_promises_a_long_frame_is_found() -> None:
    device = line()
    device.receive(bytes.fromhex("01 10 0000 0010 F0"), 0.0)
    assert len(device.receive(framed("0B 04 0000 0003"), 0.1)) == 1


@given(st.binary(max_size=40))
def test_request_behind_noise_is_answered_at_the_latest_when_repeated(noise: bytes) -> None:
    device, request = line(), framed("0B 04 0000 0003")
    device.receive(noise, 0.0)
    answers = [item.data for now_s in (0.1, 5.0) for item in device.receive(request, now_s)]
    assert framed("0B 04 06 FEBB 11D7 2794") in answers


def test_bad_crc_gets_no_answer_and_the_next_request_gets_one() -> None:
    device, request = line(), framed("0B 04 0000 0003")
    assert device.receive(request[:-1] + bytes((request[-1] ^ 1,)), 0.0) == []
    assert len(device.receive(request, 0.1)) == 1


def test_rest_of_a_torn_frame_is_forgotten() -> None:
    device, request = line(), framed("0B 04 0000 0003")
    device.receive(request[:5], 0.0)
    assert len(device.receive(request, 10.0)) == 1


def test_answer_takes_its_time_on_the_line() -> None:
    (answer,) = line().receive(framed("01 04 0000 000C"), 7.0)
    assert answer.due_s >= 7.0 + len(answer.data) * 10 / 19200
    assert line().line_break(0.0) == []
