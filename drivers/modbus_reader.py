"""Modbus RTU instruments: one unit on a line that others may share.

Owns the exchange (silence before a request, time-out, retries) and the way from registers to quantities. Registers that
lie close together are read in one request, so that voltage, current and power belong to one moment.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final, TypeVar

from ..protocol.errors import DeviceError, LinkError, LinkFault, WireError
from .codecs.base import NEED_DATA
from .codecs.modbus import (
    BUSY_CODES,
    MAX_FRAME_BYTES,
    MAX_REGISTERS,
    ByteOrder,
    NumberType,
    ReadDeviceIdentification,
    ReadRegisters,
    RegisterKind,
    Request,
    RtuReceiver,
    decode_number,
    encode_frame,
    take_bits,
)
from .links.base import ByteLink
from .quantities import Conversion, Quantity
from .roles import Identity

T = TypeVar("T")

# ruff: noqa: D102  reader.py documents the methods

# Serial line V1.02, 2.5.1.1: 3.5 characters of silence between frames, of 11 bits; above 19200 Bd fixed at 1.75 ms.
_SILENCE_CHARACTERS: Final = 3.5
_SILENCE_FLOOR_S: Final = 0.00175
# Time for the answer to begin. The standard leaves it to the application ("1 s to several seconds at 9600 Bd",
# serial line V1.02, 2.4.1); meters answer within 100 ms, and three tries of half a second find a slow one as well.
RESPONSE_S: Final = 0.5
TRIES: Final = 3
# V1.1b3, 6.21: these refuse device identification, its code or an object of it; the others tell of trouble.
_NAMELESS_CODES: Final = frozenset({0x01, 0x02, 0x03})
# A gap within an answer: USB adapters hold bytes back for up to 16 ms (their latency timer), gateways longer.
_GAP_S: Final = 0.1
# Exceptions 05h and 06h ask for patience.
_BUSY_PAUSE_S: Final = 0.1
# Two registers this far apart are cheaper in one request than in two: a request and its answer's frame cost some
# thirteen bytes and the device's turnaround.
_BRIDGE_REGISTERS: Final = 8


@dataclass(frozen=True, slots=True)
class RegisterField:
    """Where a quantity is found; ``bits`` takes ``(first, count)`` out of an unsigned number."""

    kind: RegisterKind
    address: int
    number: NumberType
    order: ByteOrder
    bits: tuple[int, int] | None
    conversion: Conversion


class ModbusUnit:
    """One server on a line."""

    def __init__(self, link: ByteLink, unit: int, *, response_s: float = RESPONSE_S, has_echo: bool = False) -> None:
        self._link = link
        self._unit = unit
        self._response_s = response_s
        self._has_echo = has_echo
        self._silence_s = max(_SILENCE_FLOOR_S, _SILENCE_CHARACTERS * 11 / link.settings.baud)
        # A frame does not say which request it answers. After a time-out, or noise before the answer, the answer may
        # still come, and would pass for that of another request for as many registers: such a request waits until this
        # time. The same one need not.
        self._unanswered = b""
        self._late_until_s = -math.inf

    @cached_property
    def where(self) -> str:
        """Port and unit, for errors."""
        return f"{self._link.port} unit {self._unit}"

    @cached_property
    def exchange_bound_s(self) -> float:
        """Longest wire time of one exchange with all its tries."""
        longest_frame_s = MAX_FRAME_BYTES * self._link.settings.character_s
        a_try_s = self._response_s + _GAP_S + _BUSY_PAUSE_S + 2 * (longest_frame_s + self._silence_s)
        return TRIES * a_try_s + self._response_s

    def ask(self, request: Request[T]) -> T:
        """Make one exchange; silence, broken answers and "busy" are tried again."""
        failure: Exception | None = None
        for _ in range(TRIES):
            try:
                return self._ask_once(request)
            except WireError as error:
                failure = WireError(error.what, raw=error.raw, offset=error.offset, where=self.where, mend=_MEND_NOISE)
                self._link.pause(self._silence_s)  # the rest of a broken frame is on its way, and would spoil another
            except LinkError as error:
                if error.fault is not LinkFault.SILENT:
                    raise
                failure = error
            except DeviceError as error:
                failure = DeviceError(error.what, code=error.code, where=self.where, mend=_MEND_EXCEPTION)
                if error.code not in BUSY_CODES:
                    raise failure from None
                self._link.pause(_BUSY_PAUSE_S)
        assert failure is not None  # noqa: S101  TRIES is at least one
        raise failure

    def _ask_once(self, request: Request[T]) -> T:
        link = self._link
        frame = encode_frame(self._unit, request.encode_pdu())
        if self._unanswered and frame != self._unanswered:
            link.pause(self._late_until_s - link.now_s())
        link.discard_input()
        link.pause(self._silence_s - link.quiet_s())  # last, so that the request goes out as soon as it may
        link.write(frame)
        receiver = RtuReceiver(self._unit, request)
        wait_s = self._response_s + len(frame) * link.settings.character_s
        echo = frame if self._has_echo else b""
        while True:
            data = link.read(len(echo) or MAX_FRAME_BYTES, wait_s)
            if not data:
                self._expect_late_answer(frame)
                raise LinkError(LinkFault.SILENT, "no answer", where=self.where, mend=_MEND_SILENT)
            if echo:
                if not echo.startswith(data):
                    self._expect_late_answer(frame)
                    raise WireError("what comes first is not the request's echo", raw=data)
                echo = echo[len(data) :]
                continue
            receiver.feed(data)
            try:
                answer = receiver.next_message()
            except WireError:
                self._expect_late_answer(frame)
                raise
            if answer is not NEED_DATA:
                return answer
            wait_s = _GAP_S

    def _expect_late_answer(self, frame: bytes) -> None:
        self._unanswered = frame
        self._late_until_s = self._link.now_s() + self._response_s


_MEND_SILENT: Final = "check power, wiring (A and B), unit number and line settings"
_MEND_NOISE: Final = "check line settings, termination and screening"
_MEND_EXCEPTION: Final = "check the register map in the profile"


class ModbusReader:
    """A :class:`~.reader.Reader` for one Modbus unit."""

    def __init__(self, unit: ModbusUnit, fields: Sequence[RegisterField]) -> None:
        self._unit = unit
        self._blocks = _group(fields)

    @property
    def port(self) -> str:
        return self._unit.where

    @cached_property
    def bound_s(self) -> float:
        # Identification may take a second request when its objects do not fit one frame.
        return max(2, len(self._blocks)) * self._unit.exchange_bound_s

    def identify(self) -> Identity:
        """Read device identification; a device without it is nameless, which is no error."""
        objects: dict[int, str] = {}
        try:
            answer = self._unit.ask(ReadDeviceIdentification())
            objects.update(answer.objects)
            if answer.next_object is not None:
                objects.update(self._unit.ask(ReadDeviceIdentification(object_id=answer.next_object)).objects)
        except DeviceError as error:
            if error.code not in _NAMELESS_CODES:
                raise  # a dead unit behind a gateway, or a busy one, is not a nameless device
            return Identity("", "", "", "", "")
        raw = ", ".join(text for _, text in sorted(objects.items()))
        return Identity(objects.get(0, ""), objects.get(1, ""), "", objects.get(2, ""), raw)

    def read(self) -> Mapping[Quantity, float]:
        where = self.port
        values = {}
        for block, fields in self._blocks:
            data = self._unit.ask(block)
            for start, end, field in fields:
                raw = decode_number(data[start:end], field.number, field.order)
                if field.bits is not None:
                    raw = take_bits(int(raw), *field.bits)
                conversion = field.conversion
                values[conversion.quantity] = conversion.convert(raw, where=where)
        return values


def _group(fields: Sequence[RegisterField]) -> list[tuple[ReadRegisters, list[tuple[int, int, RegisterField]]]]:
    """Put fields of one table that lie close together into one request; before each, its bytes in the answer."""
    groups: list[list[RegisterField]] = []
    for field in sorted(fields, key=lambda each: (each.kind.value, each.address)):
        last = groups[-1] if groups else []
        end = max((each.address + each.number.words for each in last), default=0)
        if (
            last
            and last[0].kind is field.kind
            and field.address <= end + _BRIDGE_REGISTERS
            and field.address + field.number.words - last[0].address <= MAX_REGISTERS
        ):
            last.append(field)
        else:
            groups.append([field])
    blocks = []
    for group in groups:
        first = group[0].address
        count = max(each.address + each.number.words for each in group) - first
        starts = [2 * (each.address - first) for each in group]
        places = [(start, start + 2 * each.number.words, each) for start, each in zip(starts, group, strict=True)]
        blocks.append((ReadRegisters(group[0].kind, first, count), places))
    return blocks
