"""Modbus RTU instruments: one unit on a line that others may share.

Owns the exchange (silence before a request, time-out, retries) and the way from registers to quantities. Registers that
lie close together are read in one request, so that voltage, current and power belong to one moment.

A frame does not say which request it answers. After a silence, or noise before the answer, the answer may still come,
and would pass for that of another request for as many registers, or for a later one of the same: voltage would become
frequency, and what was be taken for what is. A line keeps the order of answers, and only one function answers who it is
(V1.1b3, 6.21; a device without it answers by an exception). So before the next request the unit is asked that: what was
still under way has come before the answer. Blocks of as many registers are read in a row and the same is asked at the
end: were an answer too many among theirs, it would come in its place. Some units keep silent at functions that they do
not know, against V1.1b3, 7 (common practice, no source): with them the time of an answer is waited instead, and what a
row gives is not confirmed.

What no reader can tell on this wire: an answer too many together with one that was lost in the same row; answers that
overtake others; and, where no two blocks are alike, the second of an answer that came twice, once the next reading has
begun.
"""

import contextlib
from collections.abc import Callable, Mapping, Sequence
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

    def __init__(
        self,
        link: ByteLink,
        unit: int,
        *,
        response_s: float = RESPONSE_S,
        has_echo: bool = False,
        tells_who: bool = True,
    ) -> None:
        self._link = link
        self._unit = unit
        self._response_s = response_s
        self._has_echo = has_echo
        self._silence_s = max(_SILENCE_FLOOR_S, _SILENCE_CHARACTERS * 11 / link.settings.baud)
        self._is_answer_owed = False
        """Whether an answer may still come that was given up."""
        self.tells_who = tells_who
        """Whether it answers when it is asked who it is, and be it by an exception."""

    @cached_property
    def where(self) -> str:
        """Port and unit, for errors."""
        return f"{self._link.port} unit {self._unit}"

    @cached_property
    def try_bound_s(self) -> float:
        """Longest wire time of one try of one exchange."""
        longest_frame_s = MAX_FRAME_BYTES * self._link.settings.character_s
        return self._response_s + _GAP_S + _BUSY_PAUSE_S + 2 * (longest_frame_s + self._silence_s)

    def ask(self, request: Request[T]) -> T:
        """Make one exchange; silence, broken answers and "busy" are tried again."""
        if not _asks_who(request):
            self._let_owed_answers_come()
        return self._try(lambda: self._ask_once(request))

    def ask_in_a_row(self, requests: Sequence[Request[T]]) -> list[T]:
        """Make exchanges whose answers look alike; if anything about one is not as it should be, try all again."""

        def ask_each_once() -> list[T]:
            self._let_owed_answers_come()
            answers = [self._ask_once(request, is_next=place > 0) for place, request in enumerate(requests)]
            if self.tells_who:
                with contextlib.suppress(DeviceError):
                    self._ask_once(WHO, is_next=True)
            return answers

        return self._try(ask_each_once)

    def _let_owed_answers_come(self) -> None:
        if self._is_answer_owed and self.tells_who:
            with contextlib.suppress(DeviceError):
                self._try(lambda: self._ask_once(WHO), tries=1)
        elif self._is_answer_owed:
            self._link.pause(self._response_s)
            self._is_answer_owed = False

    def _try(self, exchange: Callable[[], T], *, tries: int = TRIES) -> T:
        failure: Exception | None = None
        for _ in range(tries):
            try:
                return exchange()
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
        assert failure is not None  # noqa: S101  there is at least one try
        raise failure

    def _ask_once(self, request: Request[T], *, is_next: bool = False) -> T:
        """Make one try; where it is the next of a row, nothing may have come since the last answer."""
        link = self._link
        frame = encode_frame(self._unit, request.encode_pdu())
        is_owed_after = self._is_answer_owed and not _asks_who(request)
        self._is_answer_owed = True
        waiting = link.discard_input()
        if waiting and is_next:
            raise WireError("more came than was asked for", raw=waiting)
        link.pause(self._silence_s - link.quiet_s())  # last, so that the request goes out as soon as it may
        link.write(frame)
        receiver = RtuReceiver(self._unit, request)
        wait_s = self._response_s + len(frame) * link.settings.character_s
        echo = frame if self._has_echo else b""
        while True:
            data = link.read(len(echo) or MAX_FRAME_BYTES, wait_s)
            if not data:
                raise LinkError(LinkFault.SILENT, "no answer", where=self.where, mend=_MEND_SILENT)
            if echo:
                if not echo.startswith(data):
                    raise WireError("what comes first is not the request's echo", raw=data)
                echo = echo[len(data) :]
                continue
            receiver.feed(data)
            try:
                answer = receiver.next_message()
            except DeviceError:
                self._is_answer_owed = is_owed_after
                raise
            if answer is not NEED_DATA:
                self._is_answer_owed = is_owed_after
                return answer
            wait_s = _GAP_S


def _asks_who(request: object) -> bool:
    return isinstance(request, ReadDeviceIdentification)


WHO: Final = ReadDeviceIdentification()
_NAMELESS: Final = Identity("", "", "", "", "")
_MEND_SILENT: Final = "check power, wiring (A and B), unit number and line settings"
_MEND_NOISE: Final = "check line settings, termination and screening"
_MEND_EXCEPTION: Final = "check the register map in the profile"


class ModbusReader:
    """A :class:`~.reader.Reader` for one Modbus unit."""

    def __init__(self, unit: ModbusUnit, fields: Sequence[RegisterField]) -> None:
        self._unit = unit
        self._blocks = _group(fields)
        self._are_alike = len({(block.kind, block.count) for block, _ in self._blocks}) < len(self._blocks)

    @property
    def port(self) -> str:
        return self._unit.where

    @cached_property
    def bound_s(self) -> float:
        # Before each block, and after a row of blocks, who it is may be asked.
        blocks = len(self._blocks)
        tries = TRIES * (blocks + 2) if self._are_alike else blocks * (TRIES + 1)
        return tries * self._unit.try_bound_s

    @cached_property
    def identify_bound_s(self) -> float:
        # Its objects may take two frames; where it keeps silent a block is asked for, after a wait.
        return (2 * TRIES + 1) * self._unit.try_bound_s

    def identify(self) -> Identity:
        """Read device identification; a device without it is nameless, which is no error."""
        if not self._unit.tells_who:
            self._unit.ask(self._blocks[0][0])  # to see whether it is there
            return _NAMELESS
        try:
            return self._identification()
        except LinkError as error:
            if error.fault is LinkFault.SILENT and self._is_there():
                what = "it answers, but not when it is asked who it is (function 43)"
                mend = "if it never does, set identification = false in the profile or the options"
                raise LinkError(error.fault, what, where=self.port, mend=mend) from None
            raise

    def _is_there(self) -> bool:
        """Whether a unit that kept silent answers another question."""
        self._unit.tells_who = False
        try:
            self._unit.ask(self._blocks[0][0])
        except DeviceError:
            return True
        except (LinkError, WireError):
            return False
        finally:
            self._unit.tells_who = True
        return True

    def _identification(self) -> Identity:
        objects: dict[int, str] = {}
        try:
            answer = self._unit.ask(WHO)
            objects.update(answer.objects)
            if answer.next_object is not None:
                objects.update(self._unit.ask(ReadDeviceIdentification(object_id=answer.next_object)).objects)
        except DeviceError as error:
            if error.code not in _NAMELESS_CODES:
                raise  # a dead unit behind a gateway, or a busy one, is not a nameless device
            return _NAMELESS
        raw = ", ".join(text for _, text in sorted(objects.items()))
        return Identity(objects.get(0, ""), objects.get(1, ""), "", objects.get(2, ""), raw)

    def read(self) -> Mapping[Quantity, float]:
        where = self.port
        values = {}
        blocks = [block for block, _ in self._blocks]
        answers = self._unit.ask_in_a_row(blocks) if self._are_alike else [self._unit.ask(block) for block in blocks]
        for data, (_, fields) in zip(answers, self._blocks, strict=True):
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
