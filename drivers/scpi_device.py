"""SCPI instruments: identity, error queue, and the reader for scalar ones."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, TypeVar

from ..protocol.counts import counted
from ..protocol.errors import DeviceError, LinkError, LinkFault, WireError
from .codecs.scpi import (
    ErrorEntry,
    Kind,
    decode_error_entry,
    decode_numbers,
    decode_text,
    encode_message,
)
from .message_link import QUERY_S, MessageLink
from .quantities import Conversion, Quantity
from .roles import Identity

AnswerT = TypeVar("AnswerT")

# ruff: noqa: D102  reader.py documents the methods

# Queues hold ten to some tens of entries; a device that goes on reporting after that reports in a circle.
MAX_QUEUED_ERRORS: Final = 32


class ScpiDevice:
    """Questions and commands to one instrument, with its error queue looked at."""

    def __init__(self, link: MessageLink) -> None:
        self._link = link

    @property
    def port(self) -> str:
        return self._link.port

    @property
    def generation(self) -> int:
        """See :class:`~.message_link.MessageLink`."""
        return self._link.generation

    def query(self, *units: str, decode: Callable[[str], AnswerT], timeout_s: float = QUERY_S) -> AnswerT:
        """Ask for a line of text and return what it says.

        A device that reports an error instead of answering raises it. An answer that ``decode`` refuses with a
        WireError is not believed to have been one: the way is cleared before the next question.
        """
        return self._ask(units, Kind.LINE, lambda line: decode(decode_text(line)), timeout_s)

    def query_block(self, *units: str, decode: Callable[[bytes], AnswerT], timeout_s: float) -> AnswerT:
        """Ask for a block and return what the whole response says; otherwise as :meth:`query`."""
        return self._ask(units, Kind.BLOCK, decode, timeout_s)

    def _ask(self, units: Sequence[str], kind: Kind, decode: Callable[[bytes], AnswerT], timeout_s: float) -> AnswerT:
        try:
            return self._link.ask(encode_message(*units), kind, timeout_s, decode)
        except LinkError as error:
            if error.fault is LinkFault.SILENT:
                self.raise_errors(units[0])
            raise

    def send(self, *units: str) -> None:
        """Send commands and do not look at the error queue, for a device that must not be asked now."""
        self._link.send(encode_message(*units), QUERY_S)

    def confirm(self) -> None:
        """See :class:`~.message_link.MessageLink`."""
        self._link.confirm()

    def read_status_byte(self) -> int:
        """See :class:`~.message_link.MessageLink`."""
        return self._link.read_status_byte()

    def wait_service(self, timeout_s: float) -> None:
        """See :class:`~.message_link.MessageLink`."""
        self._link.wait_service(timeout_s)

    def pause(self, seconds: float) -> None:
        """See :class:`~.message_link.MessageLink`."""
        self._link.pause(seconds)

    def now_s(self) -> float:
        """Wire time."""
        return self._link.now_s()

    def command(self, *units: str) -> None:
        """Send commands, then look at the error queue."""
        self._link.send(encode_message(*units), QUERY_S)
        self.raise_errors(units[0])

    def drain_errors(self) -> tuple[ErrorEntry, ...]:
        """Empty the error queue, oldest first."""
        entries = []
        for _ in range(MAX_QUEUED_ERRORS):
            entry = self._link.ask(encode_message("SYST:ERR?"), Kind.LINE, QUERY_S, _error_entry)
            if entry.code == 0:
                break
            entries.append(entry)
        return tuple(entries)

    def raise_errors(self, about: str) -> None:
        """Raise what stands in the error queue: the oldest entry leads, the others follow in the text."""
        entries = self.drain_errors()
        if entries:
            text = "; ".join(f"{entry.code} {entry.text}" for entry in entries)
            raise DeviceError(f"after {about}: {text}", code=entries[0].code, where=self.port)

    def identify(self) -> Identity:
        """``*IDN?``: maker, model, serial number, firmware (IEEE 488.2, 10.14)."""
        return self.query("*IDN?", decode=self._identity)

    def _identity(self, raw: str) -> Identity:
        fields = [field.strip() for field in raw.split(",", 3)]
        if len(fields) < 2:
            raise WireError("not an identification", raw=raw.encode("ascii"), where=self.port)
        maker, model, serial, firmware = (*fields, "", "")[:4]
        return Identity(maker, model, "" if serial == "0" else serial, "" if firmware == "0" else firmware, raw)

    def close(self) -> None:
        self._link.close()


def _error_entry(line: bytes) -> ErrorEntry:
    return decode_error_entry(decode_text(line))


@dataclass(frozen=True, slots=True)
class QueryField:
    """Which number of a query's answer gives a quantity; ``index`` counts from 0."""

    query: str
    index: int
    conversion: Conversion


class ScpiReader:
    """A :class:`~.reader.Reader` for a SCPI instrument.

    Args:
        device: The instrument.
        fields: Queries and what they give; a query that serves several fields is asked once.
        setup: Commands that are sent once after each opening.
        response_s: Time the longest query may take.
    """

    def __init__(
        self, device: ScpiDevice, fields: Sequence[QueryField], *, setup: Sequence[str], response_s: float
    ) -> None:
        self._device = device
        self._fields = tuple(fields)
        self._queries = tuple(dict.fromkeys(field.query for field in fields))
        self._setup = tuple(setup)
        self._response_s = response_s
        self._set_up_generation = 0

    @property
    def port(self) -> str:
        return self._device.port

    @property
    def bound_s(self) -> float:
        # Each query, the error queue after a silent one, the setup, the confirmation, and USBTMC's own clearing.
        return len(self._queries) * self._response_s + (len(self._setup) + MAX_QUEUED_ERRORS / 8 + 3) * QUERY_S

    @property
    def identify_bound_s(self) -> float:
        return self.bound_s

    def identify(self) -> Identity:
        return self._device.identify()

    def read(self) -> Mapping[Quantity, float]:
        if self._setup and (self._device.generation == 0 or self._set_up_generation != self._device.generation):
            for command in self._setup:
                self._device.command(command)
            self._set_up_generation = self._device.generation
        answers = {
            query: self._device.query(query, decode=decode_numbers, timeout_s=self._response_s)
            for query in self._queries
        }
        self._device.confirm()
        values = {}
        for field in self._fields:
            numbers = answers[field.query]
            if field.index >= len(numbers):
                raise DeviceError(
                    f"{field.query} gave {counted(len(numbers), 'number')}; number {field.index + 1} is wanted",
                    where=self.port,
                    mend="correct the index in the profile",
                )
            values[field.conversion.quantity] = field.conversion.convert(numbers[field.index], where=self.port)
        return values
