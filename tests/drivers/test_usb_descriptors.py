"""USB descriptors: USB 2.0, section 9.6; HID descriptor between interface and endpoint as in HID 1.11, 7.1 (memory)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lampwarden.drivers.codecs.usb_descriptors import decode_configuration, decode_device
from lampwarden.protocol.errors import WireError

DEVICE = bytes.fromhex("12010002000000400912010000010102030 1".replace(" ", ""))
CONFIGURATION = bytes.fromhex(
    "09022900010100 80320904000002 0301 01000921110100 01223f0007058103080 00a0705010240 0000".replace(" ", "")
)


def test_device_fields_have_their_places() -> None:
    found = decode_device(DEVICE)
    assert (found.idVendor, found.idProduct, found.bcdDevice) == (0x1209, 0x0001, 0x0100)
    assert (found.iManufacturer, found.iProduct, found.iSerialNumber, found.bNumConfigurations) == (1, 2, 3, 1)
    assert found.bMaxPacketSize0 == 64


def test_configuration_is_a_tree_with_class_descriptors_where_they_belong() -> None:
    found = decode_configuration(CONFIGURATION)
    assert found.bConfigurationValue == 1
    interface = found.interface(0, 0)
    assert (interface.bInterfaceClass, interface.bInterfaceSubClass, interface.bInterfaceProtocol) == (3, 1, 1)
    assert bytes(interface.extra_descriptors) == bytes.fromhex("092111010001223f00")
    assert [each.bEndpointAddress for each in interface.endpoints] == [0x81, 0x01]
    assert [each.wMaxPacketSize for each in interface.endpoints] == [8, 64]


def test_interface_that_is_not_there_is_an_index_error_as_pyusb_expects() -> None:
    with pytest.raises(IndexError):
        decode_configuration(CONFIGURATION).interface(1, 0)
    with pytest.raises(IndexError):
        decode_configuration(CONFIGURATION).interface(0, 1)


@pytest.mark.parametrize("raw", [b"", DEVICE[:17], b"\x12\x02" + DEVICE[2:]])
def test_what_is_no_device_descriptor_is_refused(raw: bytes) -> None:
    with pytest.raises(WireError, match="device descriptor"):
        decode_device(raw)


@given(st.binary(max_size=120))
def test_any_tail_is_survived(tail: bytes) -> None:
    found = decode_configuration(CONFIGURATION[:9] + tail)
    assert found.bLength == 9


@given(st.binary(max_size=60))
def test_garbage_is_a_configuration_or_the_one_right_error(raw: bytes) -> None:
    try:
        decode_configuration(raw)
    except WireError:
        return
    assert raw[1] == 2
