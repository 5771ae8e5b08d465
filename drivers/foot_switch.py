"""Foot switches: USB HID devices, and contacts on a serial port's modem lines.

Both feed :class:`~.codecs.contact.PressDetector`; its state outlives a call, so that a press which spans two calls is
whole. Time is the link's, so that it is bench time in line.
"""

import contextlib
from dataclasses import dataclass
from typing import Final, Literal

from ..protocol.errors import ConfigurationError, DeviceError, LinkError
from .codecs.contact import HID_SETTLE_S, LINE_SETTLE_S, LONG_PRESS_S, RELEASE_SETTLE_S, Contact, PressDetector
from .codecs.hid import BOOT_REPORT_BYTES, MAX_REPORT_BYTES, BootKeyboard, is_plain_down
from .links.base import ByteLink, ControlRequest, UsbLink
from .roles import Identity, Press

# ruff: noqa: D102  roles.py documents the methods

# HID 1.11, 7.2.4 and 7.2.6: report only changes; use the boot protocol's report.
_SET_IDLE: Final = 0x0A
_SET_PROTOCOL: Final = 0x0B
_TO_INTERFACE: Final = 0x21
# GET_STATUS of the device: USB 2.0, 9.4.5. Every device answers it, and its answer changes nothing.
_GET_STATUS: Final = ControlRequest(0x80, 0x00)
_STATUS_BYTES: Final = 2
_CONTROL_S: Final = 0.5
# The shortest wait that USB knows; less could be lost in the rounding of time and never pass a deadline.
_LEAST_WAIT_S: Final = 0.001
# Modem lines are looked at this often: four looks within the settle time.
_LINE_POLL_S: Final = 0.005
# A contact that never settles (a loose wire) must not hold a call for ever: past the hold of a long press it ends.
_CHATTER_S: Final = 1.0

# An adapter that starts, or a foot that rests on the switch, has let go by then (common practice, no source).
_STUCK_S: Final = 5.0

_PRESSES: Final = {Contact.SHORT: Press.SHORT, Contact.LONG: Press.LONG}

LineName = Literal["cts", "dsr", "ri", "cd"]


@dataclass(frozen=True, slots=True)
class HidSettings:
    """What is known of a HID foot switch.

    Attributes:
        key: Usage of the one key that counts, None for any (boot keyboards only).
        is_keyboard: Whether it sends boot keyboard reports; else any bit within ``mask`` means "down".
        mask: Bits of a report that count, b"" for all.
        long_press_s: Hold that makes a press long.
    """

    key: int | None = None
    is_keyboard: bool = True
    mask: bytes = b""
    long_press_s: float = LONG_PRESS_S


class HidFootSwitch:
    """A :class:`~.roles.FootSwitch` on a HID interface."""

    def __init__(self, link: UsbLink, settings: HidSettings) -> None:
        self._link = link
        self._settings = settings
        self._keyboard = BootKeyboard()
        self._detector = PressDetector(press_settle_s=HID_SETTLE_S, long_press_s=settings.long_press_s)
        self._generation = 0

    @property
    def bound_s(self) -> float:
        # Two class requests, three strings, a status, and the hold of a press (wait_press adds its own time-out).
        return 7 * _CONTROL_S + self._settings.long_press_s + _CHATTER_S

    def identify(self) -> Identity:
        found = self._link.read_identity()
        with contextlib.suppress(DeviceError):  # a stall is an answer
            # The link knows the strings by heart; whether the device still answers only the device can tell.
            self._link.control_in(_GET_STATUS, _STATUS_BYTES, _CONTROL_S)
        return Identity(
            found.manufacturer,
            found.product,
            found.serial,
            found.release,
            f"{found.vid:04x}:{found.pid:04x} {found.manufacturer} {found.product}",
        )

    def wait_press(self, timeout_s: float) -> Press | None:
        self._set_up()
        link, detector = self._link, self._detector
        end_s = link.now_s() + timeout_s
        last_s = end_s + self._settings.long_press_s + _CHATTER_S
        size = BOOT_REPORT_BYTES if self._settings.is_keyboard else MAX_REPORT_BYTES
        while True:
            pending_s = detector.deadline_s()
            until_s = end_s if pending_s is None else min(pending_s, last_s)
            report = link.interrupt_in(size, max(_LEAST_WAIT_S, until_s - link.now_s()))
            now_s = link.now_s()
            done = detector.update(is_down=self._is_down(report), at_s=now_s) if report else detector.poll(now_s)
            if done is not None:
                return _PRESSES[done]
            if now_s >= last_s or (now_s >= end_s and detector.deadline_s() is None):
                return None

    def close(self) -> None:
        self._keyboard.reset()
        self._detector.reset()

    def _is_down(self, report: bytes) -> bool:
        if not self._settings.is_keyboard:
            return is_plain_down(report, self._settings.mask)
        self._keyboard.feed(report)
        return bool(self._keyboard.down) if self._settings.key is None else self._settings.key in self._keyboard.down

    def _set_up(self) -> None:
        self._link.open()
        if self._generation == self._link.generation:
            return
        self._generation = self._link.generation
        self._keyboard.reset()
        self._detector.reset()
        index = self._link.read_endpoints().interface
        requests = [_SET_IDLE, _SET_PROTOCOL] if self._settings.is_keyboard else [_SET_IDLE]
        for request in requests:
            try:
                self._link.control_out(ControlRequest(_TO_INTERFACE, request, 0, index), b"", _CONTROL_S)
            except DeviceError:
                continue  # both are optional for what we need: many devices stall them


class LineFootSwitch:
    """A :class:`~.roles.FootSwitch` wired between a modem line and a powered one of the same port.

    Args:
        link: The port.
        line: Which line.
        active: State of the line while the switch is pressed.
        long_press_s: Hold that makes a press long.
    """

    def __init__(
        self, link: ByteLink, line: LineName, *, active: bool = True, long_press_s: float = LONG_PRESS_S
    ) -> None:
        if line not in {"cts", "dsr", "ri", "cd"}:
            raise ConfigurationError(f"{line!r} is no modem line", mend="cts, dsr, ri or cd")
        self._link = link
        self._line = line
        self._active = active
        self._long_press_s = long_press_s
        self._detector = PressDetector(press_settle_s=LINE_SETTLE_S, long_press_s=long_press_s)
        self._generation = 0
        self._opened_s = 0.0
        self._is_armed = False
        self._open_since_s: float | None = None

    @property
    def bound_s(self) -> float:
        return _CONTROL_S + self._long_press_s + _CHATTER_S

    def identify(self) -> Identity:
        """A contact has no name; looking at the line proves that the port has it."""
        self._look()
        return Identity("", f"contact on {self._line.upper()}", "", "", "")

    def wait_press(self, timeout_s: float) -> Press | None:
        link, detector = self._link, self._detector
        end_s = link.now_s() + timeout_s
        last_s = end_s + self._long_press_s + _CHATTER_S
        while True:
            is_down = self._look()
            now_s = link.now_s()
            done = detector.update(is_down=is_down, at_s=now_s)
            if done is not None:
                return _PRESSES[done]
            if now_s >= last_s or (now_s >= end_s and detector.deadline_s() is None):
                return None
            link.pause(_LINE_POLL_S)

    def close(self) -> None:
        self._detector.reset()

    def _look(self) -> bool:
        """Whether the switch is pressed.

        A contact that is closed when the port is opened was not closed by a foot: the adapter is starting, the cable is
        not there, or the state of rest is the other one. It counts from when it was seen open once.
        """
        is_down = self._is_down()
        now_s = self._link.now_s()
        if self._generation != self._link.generation:
            self._generation = self._link.generation
            self._detector.reset()
            self._opened_s = now_s
            self._is_armed = False
            self._open_since_s = None
        if self._is_armed:
            return is_down
        if is_down:
            self._open_since_s = None
            if now_s - self._opened_s > _STUCK_S:
                raise DeviceError(
                    f"the contact on {self._line.upper()} is closed ever since the port was opened",
                    where=self._link.port,
                    mend="check the cable, and whether the switch closes or opens when pressed (active)",
                )
        elif self._open_since_s is None:
            self._open_since_s = now_s
        elif now_s - self._open_since_s >= RELEASE_SETTLE_S:
            self._is_armed = True
        return False

    def _is_down(self) -> bool:
        try:
            lines = self._link.modem_lines()
        except LinkError:
            self._detector.reset()
            raise
        states = {"cts": lines.cts, "dsr": lines.dsr, "ri": lines.ri, "cd": lines.cd}
        return states[self._line] is self._active
