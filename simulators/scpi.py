"""SCPI, the instrument's side: headers of SCPI-99, status registers and common commands of IEEE 488.2.

Owns parsing of program messages (long and short forms, optional nodes, ``;`` chains with the path rule of SCPI-99
volume 1, 6.2.4), the status registers and the error queue. What an instrument measures is in :mod:`.scpi_spectrometer`
and :mod:`.scpi_meter`. It knows neither USB nor serial: a message goes in as text, a reply comes out with the time
from which it can be read.

Error numbers and texts: SCPI-99 volume 2, chapter 21. The error queue holds sixteen; the seventeenth becomes
``-350,"Queue overflow"``.
"""

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

QUEUE_LENGTH = 16

COMMAND_ERROR_BIT = 0x20
EXECUTION_ERROR_BIT = 0x10
DEVICE_ERROR_BIT = 0x08
QUERY_ERROR_BIT = 0x04
OPERATION_COMPLETE_BIT = 0x01

ERROR_TEXTS = {
    -102: "Syntax error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -213: "Init ignored",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
}


@dataclass(frozen=True, slots=True)
class Reply:
    """A response message, without its terminator, and the bench time from which it can be read."""

    data: bytes
    ready_s: float


class ScpiError(Exception):
    """An error that goes into the queue instead of being raised to anybody."""

    def __init__(self, code: int) -> None:
        self.code = code
        super().__init__(ERROR_TEXTS[code])


class Status:
    """Event status register, service request enable, error queue (IEEE 488.2, 11; SCPI-99 volume 1, 9)."""

    def __init__(self) -> None:
        self.event_status = 0x80  # power on
        self.event_enable = 0
        self.service_enable = 0
        self.message_available = False
        self._errors: list[tuple[int, str]] = []

    def raise_error(self, code: int) -> None:
        """Queue an error and set its bit in the event status register."""
        bit = {1: COMMAND_ERROR_BIT, 2: EXECUTION_ERROR_BIT, 3: DEVICE_ERROR_BIT, 4: QUERY_ERROR_BIT}[-code // 100]
        self.event_status |= bit
        if len(self._errors) < QUEUE_LENGTH:
            self._errors.append((code, ERROR_TEXTS[code]))
        else:
            self._errors[-1] = (-350, ERROR_TEXTS[-350])

    def next_error(self) -> str:
        """Take the oldest error out of the queue."""
        code, text = self._errors.pop(0) if self._errors else (0, "No error")
        return f'{code},"{text}"'

    def clear(self) -> None:
        """``*CLS``."""
        self.event_status = 0
        self._errors.clear()

    def status_byte(self) -> int:
        """Status byte: error queue (bit 2), message available (4), event summary (5), service request (6)."""
        byte = 0x04 if self._errors else 0
        byte |= 0x10 if self.message_available else 0
        byte |= 0x20 if self.event_status & self.event_enable else 0
        return byte | (0x40 if byte & self.service_enable & ~0x40 else 0)


def _pattern(header: str) -> re.Pattern[str]:
    """Turn ``SENSe:AVERage:COUNt?`` or ``SYSTem:ERRor[:NEXT]?`` into a pattern of all its spellings."""
    out = ""
    for optional, node, query in re.findall(r"\[:(\w+)\]|(\*?\w+)|(\?)", header):
        if query:
            out += r"\?"
            continue
        name = optional or node
        short = re.match(r"[A-Z*]+", name)
        spelled = name.upper() if short is None else f"(?:{re.escape(short.group())}|{re.escape(name.upper())})"
        prefix = ":" if out else ""
        out += f"(?:{prefix}{spelled})?" if optional else prefix + spelled
    return re.compile(out + r"\Z")


def decode_number(text: str, low: float, high: float, default: float) -> float:
    """Return a number within its limits; MIN, MAX, DEF and units of time are understood (SCPI-99 volume 1, 7.2)."""
    words = {"MIN": low, "MINIMUM": low, "MAX": high, "MAXIMUM": high, "DEF": default, "DEFAULT": default}
    if text.upper() in words:
        return words[text.upper()]
    match = re.fullmatch(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(US|MS|S)?", text, re.IGNORECASE)
    if match is None:
        raise ScpiError(-104)
    value = float(match.group(1)) * {"": 1.0, "S": 1.0, "MS": 1e-3, "US": 1e-6}[(match.group(2) or "").upper()]
    if not low <= value <= high:
        raise ScpiError(-222)
    return value


Handler = Callable[[str, float], bytes | Reply | None]
"""What a header does: takes its parameters and the bench time; a query returns its answer."""


class ScpiInstrument:
    """The common part of an instrument's command language.

    An instrument adds its headers and says until when an operation goes on (``done_s``).
    """

    idn = ""
    queries_with_parameters: frozenset[str] = frozenset()

    def __init__(self, headers: Sequence[tuple[str, Handler]]) -> None:
        self.status = Status()
        self._completes_s = math.inf
        common: list[tuple[str, Handler]] = [
            ("*IDN?", lambda _p, _t: self.idn.encode("ascii")),
            ("*RST", lambda _p, _t: self.reset()),
            ("*CLS", lambda _p, _t: self._clear_status()),
            ("*ESR?", lambda _p, _t: self._take_event_status()),
            ("*ESE?", lambda _p, _t: b"%d" % self.status.event_enable),
            ("*ESE", self._set_event_enable),
            ("*SRE?", lambda _p, _t: b"%d" % self.status.service_enable),
            ("*SRE", self._set_service_enable),
            ("*STB?", lambda _p, now: b"%d" % self.status_byte(now)),
            ("*OPC?", lambda _p, now: Reply(b"1", self.done_s(now))),
            ("*OPC", lambda _p, now: self._announce_completion(now)),
            ("*WAI", lambda _p, _t: None),
            ("*TST?", lambda _p, _t: b"0"),
            ("SYSTem:ERRor[:NEXT]?", lambda _p, _t: self.status.next_error().encode("ascii")),
            ("SYSTem:VERSion?", lambda _p, _t: b"1999.0"),
        ]
        self._handlers = [(_pattern(header), header, handler) for header, handler in (*common, *headers)]
        self._known: dict[str, tuple[str, Handler]] = {}

    def reset(self) -> None:
        """``*RST``."""

    def done_s(self, now_s: float) -> float:
        """When the operation that is going on will be over; now, where there is none."""
        return now_s

    def status_byte(self, now_s: float) -> int:
        """The status byte at that time."""
        self._let_complete(now_s)
        return self.status.status_byte()

    def service_due(self, now_s: float) -> tuple[float, int] | None:
        """When an operation's completion will first request service, and with which status byte; None for never."""
        self._let_complete(now_s)
        if self._completes_s == math.inf or self.status.status_byte() & 0x40:
            return None
        before = self.status.event_status
        self.status.event_status |= OPERATION_COMPLETE_BIT
        then = self.status.status_byte()
        self.status.event_status = before
        return (self._completes_s, then) if then & 0x40 else None

    def execute(self, message: str, now_s: float) -> Reply | None:
        """Carry out one program message; errors go into the queue.

        Returns:
            The response message of its queries, joined by ``;``, or None when it asked nothing.
        """
        self._let_complete(now_s)
        answers: list[bytes] = []
        ready_s = now_s
        path = ""
        for unit in _units(message):
            try:
                header, path, answer = self._execute_unit(unit, path, now_s)
            except ScpiError as error:
                self.status.raise_error(error.code)
                if -error.code // 100 == 1:
                    break  # after a command error the rest of the message is not understood (IEEE 488.2, 6.1.7)
                continue
            if header.endswith("?") and answer is not None:
                answers.append(answer.data)
                ready_s = max(ready_s, answer.ready_s)
        return Reply(b";".join(answers), ready_s) if answers else None

    def _execute_unit(self, unit: str, path: str, now_s: float) -> tuple[str, str, Reply | None]:
        header, _, parameters = unit.partition(" ")
        header = header.upper()
        if header.startswith("*"):
            full = header
        elif header.startswith(":"):
            full = header[1:]
        else:
            full = path + header
        found = self._known.get(full)
        if found is None:
            found = next(((h, f) for pattern, h, f in self._handlers if pattern.match(full)), None)
            if found is None:
                raise ScpiError(-113)
            self._known[full] = found
        spelled, handler = found
        parameters = parameters.strip()
        if parameters and spelled.endswith("?") and spelled not in self.queries_with_parameters:
            raise ScpiError(-108)
        if not header.startswith("*"):
            path = full.rpartition(":")[0] + ":" if ":" in full else ""
        result = handler(parameters, now_s)
        answer = Reply(result, now_s) if isinstance(result, bytes) else result
        return spelled, path, answer

    def _announce_completion(self, now_s: float) -> None:
        """``*OPC`` (IEEE 488.2, 10.18): sets its bit when what was begun is done, which may be at once."""
        self._completes_s = self.done_s(now_s)
        self._let_complete(now_s)

    def _let_complete(self, now_s: float) -> None:
        if self._completes_s <= now_s:
            self._completes_s = math.inf
            self.status.event_status |= OPERATION_COMPLETE_BIT

    def _clear_status(self) -> None:
        """``*CLS`` (IEEE 488.2, 10.3): an announced completion is forgotten as well."""
        self._completes_s = math.inf
        self.status.clear()

    def _take_event_status(self) -> bytes:
        value, self.status.event_status = self.status.event_status, 0
        return b"%d" % value

    def _set_event_enable(self, text: str, _now_s: float) -> None:
        self.status.event_enable = _byte(text)

    def _set_service_enable(self, text: str, _now_s: float) -> None:
        self.status.service_enable = _byte(text) & ~0x40


def _units(message: str) -> list[str]:
    """Split a program message into its units."""
    return [unit.strip() for unit in message.split(";") if unit.strip()]


def given(text: str) -> str:
    """Return a parameter that must be there."""
    if not text:
        raise ScpiError(-109)
    return text


def _byte(text: str) -> int:
    return round(decode_number(given(text), 0, 255, 0))


def choice(text: str, choices: dict[str, bool]) -> bool:
    """Return what a word stands for."""
    try:
        return choices[text.upper()]
    except KeyError:
        raise ScpiError(-224) from None
