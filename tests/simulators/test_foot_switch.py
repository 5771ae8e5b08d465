"""The foot switch as a HID boot keyboard: HID 1.11."""

import struct

from lampwarden.simulators.device import Outgoing
from lampwarden.simulators.hid import HID_DESCRIPTOR, REPORT_DESCRIPTOR, FootSwitch


def control(switch: FootSwitch, kind: int, request: int, value: int, now_s: float = 0.0) -> bytes | None:
    return switch.control(struct.pack("<BBHHH", kind, request, value, 0, 64), b"", now_s)


def test_press_is_the_usage_of_b_and_then_nothing() -> None:
    switch, seen = FootSwitch(), []
    switch.on_unprompted = seen.extend
    assert switch.press(5.0) == seen
    assert seen == [
        Outgoing(5.0, bytes.fromhex("0000050000000000"), 0x81),
        Outgoing(5.08, bytes(8), 0x81),
    ]


def test_long_press_is_released_after_more_than_a_second() -> None:
    assert [report.due_s for report in FootSwitch().press(5.0, long=True)] == [5.0, 6.2]


def test_descriptors_agree_with_each_other() -> None:
    switch = FootSwitch()
    assert control(switch, 0x81, 6, 0x2200) == REPORT_DESCRIPTOR
    assert control(switch, 0x81, 6, 0x2100) == HID_DESCRIPTOR == switch.class_descriptors
    assert HID_DESCRIPTOR[0] == len(HID_DESCRIPTOR) == 9
    assert int.from_bytes(HID_DESCRIPTOR[7:9], "little") == len(REPORT_DESCRIPTOR) == 63  # HID 1.11, B.1


def test_report_descriptor_adds_up_to_eight_bytes_in_and_one_out() -> None:
    size = number = bits_in = bits_out = 0
    at = 0
    while at < len(REPORT_DESCRIPTOR):
        item, length = REPORT_DESCRIPTOR[at] & 0xFC, REPORT_DESCRIPTOR[at] & 3
        value = int.from_bytes(REPORT_DESCRIPTOR[at + 1 : at + 1 + length], "little")
        if item == 0x74:
            size = value
        elif item == 0x94:
            number = value
        elif item == 0x80:
            bits_in += size * number
        elif item == 0x90:
            bits_out += size * number
        at += 1 + length
    assert (bits_in, bits_out) == (64, 8)


def test_requests_of_the_class_are_answered_and_others_stall() -> None:
    switch = FootSwitch()
    assert control(switch, 0x21, 0x0A, 0x0400) == b""
    assert control(switch, 0xA1, 0x02, 0) == b"\x04"
    assert control(switch, 0xA1, 0x03, 0) == b"\x01"
    assert control(switch, 0x21, 0x0B, 0) == b""
    assert control(switch, 0xA1, 0x03, 0) == b"\x00"
    assert control(switch, 0x21, 0x09, 0x0200) == b""
    switch.press(1.0)
    assert control(switch, 0xA1, 0x01, 0x0100, 1.01) == bytes.fromhex("0000050000000000")
    assert control(switch, 0xA1, 0x01, 0x0100, 2.0) == bytes(8)
    assert control(switch, 0xC0, 0x42, 0) is None
