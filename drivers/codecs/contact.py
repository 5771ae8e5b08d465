"""From a bouncing contact to presses, pure.

A press begins once the contact has been closed for ``press_settle_s`` and ends once it has been open for
``release_settle_s``: chatter during a press is bridged. It is LONG as soon as it has lasted ``long_press_s``, while
still held, so that the operator hears at once that it took; otherwise SHORT when it ends. Time is passed in. The same
logic serves HID keys and modem lines; they differ in the first figure:

- A line that is polled sees every spike, and an igniter makes spikes: a press must last (``LINE_SETTLE_S``).
- A HID device has looked at its contact already, and its reports may reach us late and all at once; a press must not be
  lost because its two reports were read in the same millisecond (``HID_SETTLE_S``).
"""

from dataclasses import dataclass, field
from enum import Enum
from typing import Final

# Mechanical contacts bounce for 1 to 20 ms (common practice, no source); no foot makes a shorter press than this.
LINE_SETTLE_S: Final = 0.02
HID_SETTLE_S: Final = 0.0
RELEASE_SETTLE_S: Final = 0.02
# Between a firm press (some 0.2 s) and the 1.2 s that a deliberate one takes (common practice, no source).
LONG_PRESS_S: Final = 0.8


class Contact(Enum):
    """What a press turned out to be."""

    SHORT = "short"
    LONG = "long"


@dataclass(slots=True)
class PressDetector:
    """State of one contact: call ``update`` at each look, ``poll`` when ``deadline_s`` has come without a change."""

    press_settle_s: float = LINE_SETTLE_S
    release_settle_s: float = RELEASE_SETTLE_S
    long_press_s: float = LONG_PRESS_S
    _raw: bool = field(default=False, init=False)
    _raw_since_s: float = field(default=0.0, init=False)
    _is_down: bool = field(default=False, init=False)
    _down_since_s: float = field(default=0.0, init=False)
    _told: bool = field(default=False, init=False)

    @property
    def is_busy(self) -> bool:
        """Whether a press is going on or may be beginning."""
        return self._raw or self._is_down

    def deadline_s(self) -> float | None:
        """When to poll at the latest: a change will have lasted, or a press will be long. None: nothing pends."""
        if self._raw != self._is_down:
            return self._settled_s()
        if self._is_down and not self._told:
            return self._down_since_s + self.long_press_s
        return None

    def update(self, *, is_down: bool, at_s: float) -> Contact | None:
        """Take one look at the contact; returns a press that this completes."""
        done = self.poll(at_s)
        if is_down != self._raw:
            self._raw = is_down
            self._raw_since_s = at_s
            done = done or self.poll(at_s)
        return done

    def poll(self, at_s: float) -> Contact | None:
        """Let time pass; returns a press that this completes."""
        if not self._is_down and self._raw and at_s >= self._settled_s():
            self._is_down = True
            self._down_since_s = self._raw_since_s
            self._told = False
        done: Contact | None = None
        if self._is_down and not self._told:
            # A release that began before the threshold makes the press short, however late it is looked at.
            held_until_s = at_s if self._raw else self._raw_since_s
            if held_until_s >= self._down_since_s + self.long_press_s:
                self._told = True
                done = Contact.LONG
        if self._is_down and not self._raw and at_s >= self._settled_s():
            self._is_down = False
            if not self._told:
                done = Contact.SHORT
        return done

    def reset(self) -> None:
        """Forget everything: the contact is open."""
        self._raw = self._is_down = self._told = False

    def _settled_s(self) -> float:
        return self._raw_since_s + (self.press_settle_s if self._raw else self.release_settle_s)
