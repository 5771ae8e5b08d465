"""The spectrometer's command language, the instrument's side: SCPI-99 headers, IEEE 488.2 status and blocks.

Owns parsing of program messages (long and short forms, optional nodes, ``;`` chains with the path rule of SCPI-99
volume 1, 6.2.4), the status registers and error queue of IEEE 488.2, and the settings of the spectrometer. It
knows neither USB nor serial: a message goes in as text, a reply comes out with the time from which it can be read.

Error numbers and texts: SCPI-99 volume 2, chapter 21. The error queue holds sixteen; the seventeenth becomes
``-350,"Queue overflow"``.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass

from .camera import SpectrometerSignal

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
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
}

DEFAULT_APERTURE_S = 0.1
MOST_AVERAGES = 10_000


@dataclass(frozen=True, slots=True)
class Reply:
    """A response message, without its terminator, and the bench time from which it can be read."""

    data: bytes
    ready_s: float


class _ScpiError(Exception):
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


def _number(text: str, low: float, high: float, default: float) -> float:
    words = {"MIN": low, "MINIMUM": low, "MAX": high, "MAXIMUM": high, "DEF": default, "DEFAULT": default}
    if text.upper() in words:
        return words[text.upper()]
    match = re.fullmatch(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(US|MS|S)?", text, re.IGNORECASE)
    if match is None:
        raise _ScpiError(-104)
    value = float(match.group(1)) * {"": 1.0, "S": 1.0, "MS": 1e-3, "US": 1e-6}[(match.group(2) or "").upper()]
    if not low <= value <= high:
        raise _ScpiError(-222)
    return value


class SpectrometerCommands:
    """The spectrometer as its command language sees it."""

    idn = "LWSIM,SPECTRO-1,SIM0001,1.0 SIMULATED"

    def __init__(self, signal: SpectrometerSignal) -> None:
        self.signal = signal
        self.status = Status()
        self._captured: Reply | None = None
        self._reset()
        handlers: list[tuple[str, Callable[[str, float], bytes | Reply | None]]] = [
            ("*IDN?", lambda _p, _t: self.idn.encode("ascii")),
            ("*RST", lambda _p, _t: self._reset()),
            ("*CLS", lambda _p, _t: self.status.clear()),
            ("*ESR?", lambda _p, _t: self._take_event_status()),
            ("*ESE?", lambda _p, _t: b"%d" % self.status.event_enable),
            ("*ESE", self._set_event_enable),
            ("*SRE?", lambda _p, _t: b"%d" % self.status.service_enable),
            ("*SRE", self._set_service_enable),
            ("*STB?", lambda _p, _t: b"%d" % self.status.status_byte()),
            ("*OPC?", lambda _p, now: Reply(b"1", self._done_s(now))),
            ("*OPC", lambda _p, _t: self._operation_complete()),
            ("*WAI", lambda _p, _t: None),
            ("*TST?", lambda _p, _t: b"0"),
            ("SYSTem:ERRor[:NEXT]?", lambda _p, _t: self.status.next_error().encode("ascii")),
            ("SYSTem:VERSion?", lambda _p, _t: b"1999.0"),
            ("SENSe:APERture?", self._get_aperture),
            ("SENSe:APERture", self._set_aperture),
            ("SENSe:AVERage:COUNt?", self._get_averages),
            ("SENSe:AVERage:COUNt", self._set_averages),
            ("SENSe:PIXel:COUNt?", lambda _p, _t: b"%d" % signal.plan.pixel_count),
            ("SENSe:RANGe:UPPer?", lambda _p, _t: b"%d" % signal.plan.full_scale),
            ("CALibration:WAVelength:POLynomial?", lambda _p, _t: self._polynomial()),
            ("INPut[:STATe]?", lambda _p, _t: b"1" if self.shutter_open else b"0"),
            ("INPut[:STATe]", self._set_shutter),
            ("FORMat[:DATA]?", lambda _p, _t: b"REAL,32"),
            ("FORMat[:DATA]", self._set_format),
            ("FORMat:BORDer?", lambda _p, _t: b"SWAP" if self.little_endian else b"NORM"),
            ("FORMat:BORDer", self._set_border),
            ("INITiate[:IMMediate]", lambda _p, now: self._initiate(now)),
            ("FETCh?", lambda _p, now: self._fetch(now)),
            ("READ?", lambda _p, now: self._read(now)),
            ("ABORt", lambda _p, _t: self._abort()),
        ]
        self._handlers = [(_pattern(header), header, handler) for header, handler in handlers]
        self._known: dict[str, tuple[str, Callable[[str, float], bytes | Reply | None]]] = {}

    def execute(self, message: str, now_s: float) -> Reply | None:
        """Carry out one program message; errors go into the queue.

        Returns:
            The response message of its queries, joined by ``;``, or None when it asked nothing.
        """
        answers: list[bytes] = []
        ready_s = now_s
        path = ""
        for unit in _units(message):
            try:
                header, path, answer = self._execute_unit(unit, path, now_s)
            except _ScpiError as error:
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
                raise _ScpiError(-113)
            self._known[full] = found
        spelled, handler = found
        parameters = parameters.strip()
        if parameters and spelled.endswith("?") and spelled not in {"SENSe:APERture?", "SENSe:AVERage:COUNt?"}:
            raise _ScpiError(-108)
        if not header.startswith("*"):
            path = full.rpartition(":")[0] + ":" if ":" in full else ""
        result = handler(parameters, now_s)
        answer = Reply(result, now_s) if isinstance(result, bytes) else result
        return spelled, path, answer

    def _reset(self) -> None:
        self.aperture_s = DEFAULT_APERTURE_S
        self.averages = 1
        self.shutter_open = True
        self.little_endian = True
        self._captured = None

    def _abort(self) -> None:
        self._captured = None

    def _take_event_status(self) -> bytes:
        value, self.status.event_status = self.status.event_status, 0
        return b"%d" % value

    def _operation_complete(self) -> None:
        self.status.event_status |= OPERATION_COMPLETE_BIT

    def _set_event_enable(self, text: str, _now_s: float) -> None:
        self.status.event_enable = _byte(text)

    def _set_service_enable(self, text: str, _now_s: float) -> None:
        self.status.service_enable = _byte(text) & ~0x40

    def _get_aperture(self, text: str, _now_s: float) -> bytes:
        plan = self.signal.plan
        value = self.aperture_s
        if text:
            value = _number(text, plan.min_integration_s, plan.max_integration_s, DEFAULT_APERTURE_S)
        return b"%.9E" % value

    def _set_aperture(self, text: str, _now_s: float) -> None:
        plan = self.signal.plan
        self.aperture_s = _number(_given(text), plan.min_integration_s, plan.max_integration_s, DEFAULT_APERTURE_S)

    def _get_averages(self, text: str, _now_s: float) -> bytes:
        return b"%d" % (_number(text, 1, MOST_AVERAGES, 1) if text else self.averages)

    def _set_averages(self, text: str, _now_s: float) -> None:
        self.averages = round(_number(_given(text), 1, MOST_AVERAGES, 1))

    def _polynomial(self) -> bytes:
        return ",".join(f"{each:.9E}" for each in self.signal.plan.wavelength_nm).encode("ascii")

    def _set_shutter(self, text: str, _now_s: float) -> None:
        self.shutter_open = _choice(_given(text), {"ON": True, "1": True, "OFF": False, "0": False})

    def _set_border(self, text: str, _now_s: float) -> None:
        self.little_endian = _choice(_given(text), {"SWAP": True, "SWAPPED": True, "NORM": False, "NORMAL": False})

    @staticmethod
    def _set_format(text: str, _now_s: float) -> None:
        _choice(re.sub(r"\s", "", _given(text)), {"REAL": True, "REAL,32": True})

    def _done_s(self, now_s: float) -> float:
        return max(now_s, self._captured.ready_s) if self._captured is not None else now_s

    def _initiate(self, now_s: float) -> None:
        begin_s = self._done_s(now_s)
        counts = self.signal.counts(begin_s, self.aperture_s, self.averages, open_=self.shutter_open)
        payload = counts.astype("<f4" if self.little_endian else ">f4").tobytes()
        length = b"%d" % len(payload)
        block = b"#%d" % len(length) + length + payload
        self._captured = Reply(block, begin_s + self.signal.duration_s(self.aperture_s, self.averages))

    def _fetch(self, now_s: float) -> Reply:
        if self._captured is None:
            raise _ScpiError(-230)
        return Reply(self._captured.data, max(now_s, self._captured.ready_s))

    def _read(self, now_s: float) -> Reply:
        self._initiate(now_s)
        return self._fetch(now_s)


def _units(message: str) -> list[str]:
    """Split a program message into its units."""
    return [unit.strip() for unit in message.split(";") if unit.strip()]


def _given(text: str) -> str:
    if not text:
        raise _ScpiError(-109)
    return text


def _byte(text: str) -> int:
    return round(_number(_given(text), 0, 255, 0))


def _choice(text: str, choices: dict[str, bool]) -> bool:
    try:
        return choices[text.upper()]
    except KeyError:
        raise _ScpiError(-224) from None
