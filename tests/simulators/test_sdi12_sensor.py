"""The quantum sensor's side of SDI-12 v1.4: tables 5–11, section 4.4.12."""

import crcmod.predefined
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lampwarden.simulators.sdi12 import QuantumSensor, crc_of, format_value

IDENTIFICATION = b"014LWSIM   QUANT1100SIMULATED\r\n"


def sensor(value: float = 412.34, **options: bool) -> QuantumSensor:
    return QuantumSensor(lambda _now_s: value, **options)


def texts(device: QuantumSensor, command: bytes, now_s: float = 0.0) -> list[bytes]:
    return [item.data for item in device.receive(command, now_s)]


@pytest.mark.parametrize(
    ("text", "crc"),
    # SDI-12 v1.4, 4.4.12.3 and 4.4.8.1
    [
        (b"0+3.14", b"OqZ"),
        (b"0+3.14+2.718+1.414", b"Ipz"),
        (b"0+1.11+2.22+3.33+4.44+5.55+6.66", b"I]q"),
        (b"0+7.77+8.88+9.99", b"IvW"),
        (b"0+3.14+2.718", b"IWO"),
        (b"0", b"AP@"),
    ],
)
def test_crc_is_that_of_the_standards_examples(text: bytes, crc: bytes) -> None:
    assert crc_of(text) == crc


@given(st.binary(max_size=80))
def test_crc_is_crc_16_arc_in_six_bit_pieces(text: bytes) -> None:
    value = crcmod.predefined.mkCrcFun("crc-16")(text)
    assert crc_of(text) == bytes((0x40 | value >> 12, 0x40 | value >> 6 & 0x3F, 0x40 | value & 0x3F))


@pytest.mark.parametrize(
    ("command", "answer"),
    [
        (b"?!", b"0\r\n"),
        (b"0!", b"0\r\n"),
        (b"0I!", IDENTIFICATION),
        (b"0R0!", b"0+412.3\r\n"),
        (b"0M1!", b"00000\r\n"),
        (b"0C9!", b"000000\r\n"),
        (b"0V!", b"00001\r\n"),
        (b"0R1!", b"0\r\n"),
    ],
)
def test_command_gets_the_response_of_the_tables(command: bytes, answer: bytes) -> None:
    assert texts(sensor(), command) == [answer]


@pytest.mark.parametrize("command", [b"1!", b"1M!", b"!", b"0X!", b"0M0!", b"0R!", b"0VC!", b"0D!", b"0M10!", b"0AB1!"])
def test_what_is_not_a_command_for_it_gets_no_answer(command: bytes) -> None:
    assert texts(sensor(), command) == []


def test_identification_has_the_lengths_of_the_standard() -> None:
    body = IDENTIFICATION.decode()[:-2]
    assert (body[0], body[1:3], body[3:11], body[11:17], body[17:20]) == ("0", "14", "LWSIM   ", "QUANT1", "100")
    assert body[20:] == "SIMULATED"
    assert len(body[20:]) <= 13


def test_measurement_announces_itself_asks_for_service_and_delivers() -> None:
    device = sensor()
    announced, service = device.receive(b"0M!", 100.0)
    assert announced.data == b"00011\r\n"
    assert announced.due_s < 100.1
    assert service.data == b"0\r\n"
    assert service.due_s == pytest.approx(101.0, abs=0.1)
    assert texts(device, b"0D0!", 101.1) == [b"0+412.3\r\n"]
    assert texts(device, b"0D0!", 109.0) == [b"0+412.3\r\n"], "data stay until the next measurement"
    assert texts(device, b"0D1!", 109.0) == [b"0\r\n"]


def test_measurement_with_crc_carries_it_also_when_there_are_no_data() -> None:
    device = sensor(3.14)
    device.receive(b"0MC!", 0.0)
    assert texts(device, b"0D0!", 1.2) == [b"0+3.1" + crc_of(b"0+3.1") + b"\r\n"]
    assert texts(device, b"0D1!", 1.2) == [b"0AP@\r\n"]  # 4.4.8.1
    assert texts(device, b"0RC0!", 2.0) == [b"0+3.1" + crc_of(b"0+3.1") + b"\r\n"]


def test_value_is_taken_when_the_measurement_ends() -> None:
    device = QuantumSensor(lambda now_s: now_s)
    device.receive(b"0M!", 10.0)
    assert texts(device, b"0D0!", 11.5) == [b"0+11.0\r\n"]


def test_asking_before_the_data_are_there_gives_none_up() -> None:
    device = sensor()
    device.receive(b"0M!", 0.0)
    assert texts(device, b"0D0!", 0.3) == [b"0\r\n"]
    assert texts(device, b"0D0!", 2.0) == [b"0\r\n"], "the measurement was aborted"


def test_break_aborts_a_measurement_and_a_half_received_command() -> None:
    device = sensor()
    device.receive(b"0M!", 0.0)
    device.receive(b"0D", 0.4)
    assert device.line_break(0.5) == []
    assert texts(device, b"0!") == [b"0\r\n"]
    assert texts(device, b"0D0!", 2.0) == [b"0\r\n"]


def test_concurrent_measurement_survives_a_break_and_asks_for_no_service() -> None:
    device = sensor()
    assert texts(device, b"0C!") == [b"000101\r\n"]
    device.line_break(0.5)
    assert texts(device, b"0D0!", 1.5) == [b"0+412.3\r\n"]


def test_address_changes_and_keeps() -> None:
    device = sensor()
    assert texts(device, b"0Ab!") == [b"b\r\n"]
    assert texts(device, b"0!") == []
    assert texts(device, b"bI!") == [b"b" + IDENTIFICATION[1:]]
    assert texts(device, b"bA*!") == [b"b\r\n"], "not an address: refused by answering with the old one"


def test_sleeping_sensor_needs_a_break() -> None:
    device = sensor(needs_break=True)
    assert texts(device, b"0!", 1.0) == []
    device.line_break(1.0)
    assert texts(device, b"0!", 1.05) == [b"0\r\n"]
    assert texts(device, b"0!", 5.0) == [], "asleep again"


def test_reply_starts_within_15_ms_and_takes_its_time_on_the_line() -> None:
    (answer,) = sensor().receive(b"0I!", 50.0)
    on_the_line_s = len(answer.data) * 10 / 1200
    assert 50.0 < answer.due_s - on_the_line_s <= 50.015


def test_bytes_with_parity_in_bit_7_are_understood() -> None:
    assert texts(sensor(), bytes(byte | 0x80 for byte in b"0I!")) == [IDENTIFICATION]


@given(st.data())
def test_any_split_of_the_stream_gives_the_same_answers(data: st.DataObject) -> None:
    stream = b"?!0I!0R0!0RC0!1M!0M!0D0!"
    cuts = sorted(data.draw(st.sets(st.integers(1, len(stream) - 1))))
    device, answers = sensor(), []
    for begin, end in zip([0, *cuts], [*cuts, len(stream)], strict=True):
        answers += texts(device, stream[begin:end])
    assert answers == texts(sensor(), stream)


@given(st.binary(max_size=200))
def test_noise_never_stops_it(noise: bytes) -> None:
    device = sensor()
    device.receive(noise.replace(b"A", b"a"), 0.0)  # not an address change
    device.line_break(1.0)
    assert texts(device, b"0R0!", 1.01) == [b"0+412.3\r\n"]


@pytest.mark.parametrize(
    ("value", "text"), [(0.0, "+0.0"), (-0.04, "-0.0"), (1234.56, "+1234.6"), (99999999.0, "+9999999"), (-3.25, "-3.2")]
)
def test_values_have_a_sign_and_at_most_nine_characters(value: float, text: str) -> None:
    assert format_value(value) == text
