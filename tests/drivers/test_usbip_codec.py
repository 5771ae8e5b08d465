"""USB/IP messages against the capture in the Linux kernel's Documentation/usb/usbip_protocol.rst, section "EXAMPLE"."""

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lampwarden.drivers.codecs.base import NEED_DATA
from lampwarden.drivers.codecs.usbip import (
    DeviceListReceiver,
    ImportReceiver,
    ReturnReceiver,
    Submit,
    Submitted,
    Unlinked,
    encode_device_list_request,
    encode_import_request,
    encode_submit,
    encode_unlink,
)
from lampwarden.protocol.errors import WireError
from support.streams import cuts, feed_in, split_gives_the_same


def words(text: str) -> bytes:
    return bytes.fromhex(text.replace(" ", ""))


CMD_INTR_IN = words(
    "00000001 00000d05 0001000f 00000001 00000001 00000200 00000040 ffffffff 00000000 00000004 00000000 00000000"
)
CMD_INTR_OUT = words(
    "00000001 00000d06 0001000f 00000000 00000001 00000000 00000040 ffffffff 00000000 00000004 00000000 00000000"
)
OUT_DATA = words("ffffffff860008a784ce5ae212376300") + bytes(48)
RET_INTR_OUT = words(
    "00000003 00000d06 00000000 00000000 00000000 00000000 00000040 ffffffff 00000000 00000000 00000000 00000000"
)
RET_INTR_IN = words(
    "00000003 00000d05 00000000 00000000 00000000 00000000 00000040 ffffffff 00000000 00000000 00000000 00000000"
)
IN_DATA = words("ffffffff860011a784ce5ae2123763612891b1020100000400000000") + bytes(36)


def device(bus_id: bytes = b"1-1", interfaces: tuple[bytes, ...] = (b"\xfe\x03\x01\x00",)) -> bytes:
    head = b"/sys/devices/x".ljust(256, b"\0") + bus_id.ljust(32, b"\0") + struct.pack(">III", 1, 2, 3)
    numbers = struct.pack(">HHH", 0x1209, 0x0001, 0x0100)
    return head + numbers + bytes((0, 0, 0, 1, 1, len(interfaces))) + b"".join(interfaces)


def by_the_table(captured: bytes, *, flags: bytes) -> bytes:
    """The captured request with start_frame and number_of_packets as the same document's table has them.

    In the capture start_frame is FFFFFFFFh and number_of_packets 0; the table says 0 and FFFFFFFFh for transfers that
    are not isochronous. The flags of the capture (200h, URB_DIR_IN) are the kernel's own note of the direction.
    """
    assert captured[28:36] == bytes.fromhex("ffffffff00000000")
    return captured[:20] + flags + captured[24:28] + bytes.fromhex("00000000ffffffff") + captured[36:]


def test_interrupt_out_request_is_as_captured() -> None:
    request = Submit(0xD06, 0x1000F, 0x01, 64, OUT_DATA, interval=4)
    assert encode_submit(request) == by_the_table(CMD_INTR_OUT, flags=bytes(4)) + OUT_DATA


def test_interrupt_in_request_is_as_captured() -> None:
    request = Submit(0xD05, 0x1000F, 0x81, 64, interval=4)
    assert encode_submit(request) == by_the_table(CMD_INTR_IN, flags=bytes(4))


def test_captured_returns_are_told_apart_by_what_was_asked() -> None:
    receiver = ReturnReceiver()
    receiver.expect_in(0xD05, 64)
    found = feed_in(receiver, [RET_INTR_OUT + RET_INTR_IN + IN_DATA])
    assert found == [Submitted(0xD06, 0, 64, b""), Submitted(0xD05, 0, 64, IN_DATA)]


def test_control_request_takes_its_direction_from_the_setup_packet() -> None:
    into = Submit(1, 1, 0, 18, setup=bytes.fromhex("8006000100001200"))
    out = Submit(2, 1, 0, 0, setup=bytes.fromhex("0009010000000000"))
    assert into.is_in
    assert not out.is_in
    assert encode_submit(into)[40:48] == into.setup


def test_unlink_names_the_request_it_takes_back() -> None:
    raw = encode_unlink(7, 0x1000F, 6)
    assert raw == words("00000002 00000007 0001000f 00000000 00000000 00000006") + bytes(24)


def test_unlinked_carries_its_status() -> None:
    raw = words("00000004 00000007 00000000 00000000 00000000 ffffff98") + bytes(24)
    assert feed_in(ReturnReceiver(), [raw]) == [Unlinked(7, -104)]  # -ECONNRESET


def test_requests_for_list_and_import() -> None:
    assert encode_device_list_request() == bytes.fromhex("0111800500000000")
    assert encode_import_request("1-1") == bytes.fromhex("0111800300000000") + b"1-1".ljust(32, b"\0")
    with pytest.raises(ValueError, match="31 characters"):
        encode_import_request("x" * 32)


@given(st.lists(st.lists(st.binary(min_size=3, max_size=3), max_size=3), max_size=3), cuts)
def test_any_split_gives_the_same_list(interfaces: list[list[bytes]], at: list[int]) -> None:
    raw = struct.pack(">HHII", 0x0111, 0x0005, 0, len(interfaces))
    raw += b"".join(device(interfaces=tuple(part + b"\0" for part in each)) for each in interfaces)
    receiver = DeviceListReceiver()
    found: object = NEED_DATA
    for index in range(len(raw)):
        assert found is NEED_DATA
        receiver.feed(raw[index : index + 1])
        found = receiver.next_message()
    assert isinstance(found, tuple)
    assert [each.interfaces for each in found] == [tuple(tuple(part) for part in each) for each in interfaces]
    assert all((each.vid, each.pid, each.device_id) == (0x1209, 0x0001, 0x10002) for each in found)


def test_import_leaves_what_follows_to_the_transfers() -> None:
    receiver = ImportReceiver()
    receiver.feed(struct.pack(">HHI", 0x0111, 0x0003, 0) + device(interfaces=())[:312] + b"rest")
    found = receiver.next_message()
    assert found is not None
    assert found is not NEED_DATA
    assert receiver.rest == b"rest"


def test_refused_import_is_none() -> None:
    receiver = ImportReceiver()
    receiver.feed(struct.pack(">HHI", 0x0111, 0x0003, 1))
    assert receiver.next_message() is None


@pytest.mark.parametrize(
    "raw",
    [
        struct.pack(">HHII", 0x0100, 0x0005, 0, 0),
        struct.pack(">HHII", 0x0111, 0x0003, 0, 0),
        struct.pack(">HHII", 0x0111, 0x0005, 1, 0),
        struct.pack(">HHII", 0x0111, 0x0005, 0, 100_000),
    ],
)
def test_reply_of_something_else_is_refused(raw: bytes) -> None:
    receiver = DeviceListReceiver()
    receiver.feed(raw)
    with pytest.raises(WireError):
        receiver.next_message()


def test_more_data_than_was_asked_for_is_refused() -> None:
    receiver = ReturnReceiver()
    receiver.expect_in(0xD05, 63)
    receiver.feed(RET_INTR_IN)
    with pytest.raises(WireError, match="fewer were asked for"):
        receiver.next_message()


@given(st.lists(st.tuples(st.booleans(), st.binary(max_size=40)), max_size=5), cuts)
def test_any_split_gives_the_same_returns(returns: list[tuple[bool, bytes]], at: list[int]) -> None:
    raw = b""
    for sequence, (is_in, data) in enumerate(returns):
        raw += struct.pack(">IIIIIiIIII8x", 3, sequence, 0, 0, 0, 0, len(data), 0, 0xFFFFFFFF, 0)
        raw += data if is_in else b""

    def make() -> ReturnReceiver:
        receiver = ReturnReceiver()
        for sequence, (is_in, data) in enumerate(returns):
            if is_in:
                receiver.expect_in(sequence, len(data))
        return receiver

    wanted = [Submitted(n, 0, len(data), data if is_in else b"") for n, (is_in, data) in enumerate(returns)]
    assert split_gives_the_same(make, raw, at) == wanted
