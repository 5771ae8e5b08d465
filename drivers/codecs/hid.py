"""USB HID input reports: which keys went down and up.

From "Device Class Definition for Human Interface Devices (HID)", version 1.11, appendix B.1 (boot keyboard report:
modifiers, reserved, six usages) and "HID Usage Tables", 1.12, section 10 (keyboard page). A foot switch is either such
a keyboard or sends short reports of its own, in which any bit set means that it is down.
"""

from dataclasses import dataclass
from typing import Final

from ...protocol.errors import WireError

BOOT_REPORT_BYTES: Final = 8
# HID usage tables, section 10: usages below 4 are no keys; 01h in all six places says that too many keys are down.
_FIRST_KEY: Final = 0x04
_ROLL_OVER: Final = 0x01
_MODIFIER_BASE: Final = 0xE0
# The longest report we take of a foot switch of its own kind: full speed interrupt packets end at 64 bytes.
MAX_REPORT_BYTES: Final = 64


@dataclass(frozen=True, slots=True)
class KeyPressed:
    """A key went down; modifiers are E0h–E7h."""

    usage: int


@dataclass(frozen=True, slots=True)
class KeyReleased:
    """A key went up."""

    usage: int


KeyEvent = KeyPressed | KeyReleased


class BootKeyboard:
    """Boot keyboard reports in, key events out, in the order of usages: releases first.

    A report of the wrong length raises WireError and leaves the keys as they were.
    """

    def __init__(self) -> None:
        self._down: frozenset[int] = frozenset()

    @property
    def down(self) -> frozenset[int]:
        """Usages of the keys that are down."""
        return self._down

    def feed(self, report: bytes) -> tuple[KeyEvent, ...]:
        """Take one report and return what changed; a roll-over report changes nothing."""
        if len(report) != BOOT_REPORT_BYTES:
            raise WireError(f"a boot keyboard report of {len(report)} bytes", raw=report)
        if all(usage == _ROLL_OVER for usage in report[2:]):
            return ()
        keys = {usage for usage in report[2:] if usage >= _FIRST_KEY}
        keys.update(_MODIFIER_BASE + bit for bit in range(8) if report[0] >> bit & 1)
        released = tuple(KeyReleased(usage) for usage in sorted(self._down - keys))
        pressed = tuple(KeyPressed(usage) for usage in sorted(keys - self._down))
        self._down = frozenset(keys)
        return released + pressed

    def reset(self) -> None:
        """Forget which keys are down, as after the device was opened anew."""
        self._down = frozenset()


def is_plain_down(report: bytes, mask: bytes = b"") -> bool:
    """Whether a report that is no keyboard's says "down": any bit set, of those in ``mask`` where one is given."""
    if not 1 <= len(report) <= MAX_REPORT_BYTES:
        raise WireError(f"a report of {len(report)} bytes", raw=report[:MAX_REPORT_BYTES])
    if mask:
        return any(have & want for have, want in zip(report, mask, strict=False))
    return any(report)
