"""The spectrometer's command language, the instrument's side: settings, exposures, blocks (SCPI-99, IEEE 488.2).

Two kinds: one that answers ``READ?`` and ``FETCh?`` when the exposure is over, and one that must not be asked before,
so that its host has to find out: by the status byte, by a service request, by ``STATus:OPERation:CONDition?`` or by
``*OPC?``.
"""

import re

from .camera import Exposures
from .scpi import Handler, Reply, ScpiError, ScpiInstrument, choice, decode_number, given

DEFAULT_APERTURE_S = 0.1
MOST_AVERAGES = 10_000

MEASURING_BIT = 0x10
"""Of the operation status register (SCPI-99 volume 1, 9.3; from memory)."""


class SpectrometerCommands(ScpiInstrument):
    """The spectrometer as its command language sees it."""

    idn = "LWSIM,SPECTRO-1,SIM0001,1.0 SIMULATED"
    queries_with_parameters = frozenset({"SENSe:APERture?", "SENSe:AVERage:COUNt?"})

    def __init__(self, signal: Exposures) -> None:
        self.signal = signal
        self._captured: Reply | None = None
        self.reset()
        super().__init__(self._headers())

    def _headers(self) -> list[tuple[str, Handler]]:
        signal = self.signal
        return [
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
            ("STATus:OPERation:CONDition?", lambda _p, now: b"%d" % (MEASURING_BIT * (self.done_s(now) > now))),
            ("READ?", lambda _p, now: self._read(now)),
            ("ABORt", lambda _p, _t: self._abort()),
        ]

    def reset(self) -> None:
        """``*RST``."""
        self.aperture_s = DEFAULT_APERTURE_S
        self.averages = 1
        self.shutter_open = True
        self.little_endian = True
        self._captured = None

    def _abort(self) -> None:
        self._captured = None

    def _get_aperture(self, text: str, _now_s: float) -> bytes:
        plan = self.signal.plan
        value = self.aperture_s
        if text:
            value = decode_number(text, plan.min_integration_s, plan.max_integration_s, DEFAULT_APERTURE_S)
        return b"%.9E" % value

    def _set_aperture(self, text: str, _now_s: float) -> None:
        plan = self.signal.plan
        self.aperture_s = decode_number(given(text), plan.min_integration_s, plan.max_integration_s, DEFAULT_APERTURE_S)

    def _get_averages(self, text: str, _now_s: float) -> bytes:
        return b"%d" % (decode_number(text, 1, MOST_AVERAGES, 1) if text else self.averages)

    def _set_averages(self, text: str, _now_s: float) -> None:
        self.averages = round(decode_number(given(text), 1, MOST_AVERAGES, 1))

    def _polynomial(self) -> bytes:
        return ",".join(f"{each:.9E}" for each in self.signal.plan.wavelength_nm).encode("ascii")

    def _set_shutter(self, text: str, _now_s: float) -> None:
        self.shutter_open = choice(given(text), {"ON": True, "1": True, "OFF": False, "0": False})

    def _set_border(self, text: str, _now_s: float) -> None:
        self.little_endian = choice(given(text), {"SWAP": True, "SWAPPED": True, "NORM": False, "NORMAL": False})

    @staticmethod
    def _set_format(text: str, _now_s: float) -> None:
        choice(re.sub(r"\s", "", given(text)), {"REAL": True, "REAL,32": True})

    def done_s(self, now_s: float) -> float:
        """When the exposure that is going on will be over."""
        return max(now_s, self._captured.ready_s) if self._captured is not None else now_s

    def _initiate(self, now_s: float) -> None:
        begin_s = self.done_s(now_s)
        counts = self.signal.counts(begin_s, self.aperture_s, self.averages, open_=self.shutter_open)
        payload = counts.astype("<f4" if self.little_endian else ">f4").tobytes()
        length = b"%d" % len(payload)
        block = b"#%d" % len(length) + length + payload
        self._captured = Reply(block, begin_s + self.signal.duration_s(self.aperture_s, self.averages))

    def _fetch(self, now_s: float) -> Reply:
        if self._captured is None:
            raise ScpiError(-230)
        return Reply(self._captured.data, max(now_s, self._captured.ready_s))

    def _read(self, now_s: float) -> Reply:
        self._initiate(now_s)
        return self._fetch(now_s)


class TriggeredSpectrometerCommands(SpectrometerCommands):
    """A spectrometer that has no data before they are ready, and one exposure at a time.

    ``READ?`` is unknown to it, ``FETCh?`` during an exposure is an error without an answer, and ``INITiate`` during one
    is ignored, with an error.
    """

    idn = "LWSIM,SPECTRO-2,SIM0004,1.0 SIMULATED"

    def _headers(self) -> list[tuple[str, Handler]]:
        return [each for each in super()._headers() if each[0] != "READ?"]

    def _initiate(self, now_s: float) -> None:
        if self.done_s(now_s) > now_s:
            raise ScpiError(-213)
        super()._initiate(now_s)

    def _fetch(self, now_s: float) -> Reply:
        if self.done_s(now_s) > now_s:
            raise ScpiError(-230)
        return super()._fetch(now_s)
