"""HID reports: HID 1.11, appendix B.1; HID usage tables 1.12, section 10 (from memory)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lampwarden.drivers.codecs.hid import BootKeyboard, KeyPressed, KeyReleased, is_plain_down
from lampwarden.protocol.errors import WireError

RELEASED = bytes(8)
B_DOWN = bytes.fromhex("0000050000000000")
ROLL_OVER = bytes.fromhex("0000010101010101")


def test_press_and_release_of_b() -> None:
    keyboard = BootKeyboard()
    assert keyboard.feed(B_DOWN) == (KeyPressed(0x05),)
    assert keyboard.feed(RELEASED) == (KeyReleased(0x05),)


@pytest.mark.parametrize("usage", [0x28, 0x2C, 0x4B, 0x4E])
def test_keys_that_foot_switches_send(usage: int) -> None:
    """Enter 28h, Space 2Ch, PageUp 4Bh, PageDown 4Eh."""
    assert BootKeyboard().feed(bytes((0, 0, usage, 0, 0, 0, 0, 0))) == (KeyPressed(usage),)


def test_repeated_report_is_no_new_press() -> None:
    keyboard = BootKeyboard()
    keyboard.feed(B_DOWN)
    assert keyboard.feed(B_DOWN) == ()


def test_roll_over_changes_nothing() -> None:
    """Six times 01h: too many keys at once; the keys that were down still are."""
    keyboard = BootKeyboard()
    keyboard.feed(B_DOWN)
    assert keyboard.feed(ROLL_OVER) == ()
    assert keyboard.down == {0x05}


def test_modifiers_are_keys_too() -> None:
    """Bits of byte 0 are usages E0h to E7h."""
    assert BootKeyboard().feed(b"\x82" + bytes(7)) == (KeyPressed(0xE1), KeyPressed(0xE7))


def test_report_of_another_length_is_refused_and_changes_nothing() -> None:
    keyboard = BootKeyboard()
    keyboard.feed(B_DOWN)
    for raw in (b"", bytes(7), bytes(9)):
        with pytest.raises(WireError, match="boot keyboard report"):
            keyboard.feed(raw)
    assert keyboard.down == {0x05}


@given(st.lists(st.binary(min_size=8, max_size=8), max_size=30))
def test_presses_and_releases_of_any_reports_stay_in_balance(reports: list[bytes]) -> None:
    keyboard = BootKeyboard()
    down: set[int] = set()
    for report in reports:
        for event in keyboard.feed(report):
            if isinstance(event, KeyPressed):
                assert event.usage not in down
                down.add(event.usage)
            else:
                down.remove(event.usage)
        assert keyboard.down == down
    keyboard.reset()
    assert keyboard.down == set()


def test_plain_report_is_down_when_any_bit_is() -> None:
    assert is_plain_down(b"\x00\x40")
    assert not is_plain_down(b"\x00\x00")


def test_mask_picks_the_bits_that_count() -> None:
    assert is_plain_down(b"\x01\x40", b"\x00\x40")
    assert not is_plain_down(b"\x01\x00", b"\x00\x40")
    assert not is_plain_down(b"\x01", b"\x00\x40")


def test_empty_plain_report_is_refused() -> None:
    with pytest.raises(WireError, match="0 bytes"):
        is_plain_down(b"")
