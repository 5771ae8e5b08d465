"""Devices that print lines: NMEA 0183 sentences with XDR groups, or text that a pattern or its columns take apart.

A device that talks by itself has printed while nobody listened: what waits in the port is thrown away first, so that a
value is never older than the question, and for text the first line after that as well, because it may be a tail. For a
device that is asked the same is done where a line was cut in two by that or by a time-out.

What no reader can tell on these wires: which question a line answers, and when its values were measured. A line that is
held up on its way, or an answer that comes later than the time-out, is taken for a fresh one, though always for its own
quantities; so is one that came twice. On a line without a checksum noise that leaves a line of the right form passes.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Protocol, TypeVar

from ..protocol.errors import DeviceError, LinkError, LinkFault, WireError
from .codecs.base import NEED_DATA, NeedDataType
from .codecs.nmea import XDR_UNITS, NmeaReceiver, Sentence, Transducer, decode_transducers
from .codecs.text import TextReceiver
from .links.base import ByteLink
from .quantities import Conversion, Quantity, is_same_unit
from .roles import Identity

# ruff: noqa: D102  reader.py documents the methods

M_co = TypeVar("M_co", covariant=True)
M = TypeVar("M")

# Broken lines in one reading before the line itself is called broken (common practice, no source).
_MAX_BROKEN: Final = 3
_READ_BYTES: Final = 4096


class _Receiver(Protocol[M_co]):
    def feed(self, data: bytes) -> None: ...
    def next_message(self) -> M_co | NeedDataType: ...
    def reset(self) -> None: ...


@dataclass(frozen=True, slots=True)
class TransducerField:
    """An XDR group that gives a quantity; ``name`` None takes the first of its type.

    ``letter`` is what the device writes for the profile's unit; None: as in :data:`~.codecs.nmea.XDR_UNITS`.
    """

    transducer: str
    name: str | None
    conversion: Conversion
    letter: str | None = None

    def names(self, group: Transducer) -> bool:
        """Whether the group is this quantity's, in whatever unit."""
        return group.type == self.transducer and self.name in {None, group.name}

    def is_in_unit(self, group: Transducer) -> bool:
        """Whether the group's value is in the profile's unit; a group without a letter does not say, and is believed.

        A value with another letter must not be read: 77 °F would become 77 °C.
        """
        if not group.unit:
            return True
        if self.letter is not None:
            return group.unit == self.letter
        unit = XDR_UNITS.get(group.type, {}).get(group.unit, "")
        return is_same_unit(self.conversion.quantity, unit, self.conversion.unit)


class Layout(Protocol):
    """How a line holds its numbers: :class:`~.codecs.text.Pattern` or :class:`~.codecs.text.Columns`."""

    def decode(self, text: str) -> Mapping[str, float] | None:
        """Return the numbers by quantity, None when the line does not fit."""
        ...


class _LineReader:
    """What the two readers share: listening within a bound, and skipping what is broken."""

    def __init__(self, link: ByteLink, *, request: str | None, interval_s: float) -> None:
        self._link = link
        self._request = request
        self._interval_s = interval_s
        self._is_within_line = False
        """Whether what was thrown away or read last did not end a line."""
        self._began_within_line = False

    @property
    def port(self) -> str:
        return self._link.port

    @property
    def bound_s(self) -> float:
        # A tail, then the line itself; each may take the whole interval.
        return 2 * self._interval_s + 1.0

    @property
    def identify_bound_s(self) -> float:
        return self.bound_s

    def _collect(self, receiver: _Receiver[M], take: Callable[[M], bool]) -> None:
        """Feed messages to ``take`` until it says that it has all, or the time is over."""
        link = self._link
        receiver.reset()
        self._note_end(link.discard_input())
        self._began_within_line = self._is_within_line
        self._ask()
        end_s = link.now_s() + 2 * self._interval_s
        broken = 0
        heard = False
        while True:
            try:
                message = receiver.next_message()
            except WireError as error:
                broken += 1
                if broken >= _MAX_BROKEN:
                    raise WireError(
                        error.what, raw=error.raw, offset=error.offset, where=self.port, mend="check line settings"
                    ) from None
                continue
            if message is not NEED_DATA:
                heard = True
                if take(message):
                    return
                continue
            left_s = end_s - link.now_s()
            data = link.read(_READ_BYTES, left_s) if left_s > 0 else b""
            if not data:
                break
            self._note_end(data)
            receiver.feed(data)
        if not heard:
            raise LinkError(
                LinkFault.SILENT, "no line came", where=self.port, mend="check power, cable and line settings"
            )

    def _ask(self) -> None:
        if self._request is not None:
            self._link.write(self._request.encode("ascii"))

    def _note_end(self, data: bytes) -> None:
        if data:
            self._is_within_line = not data.endswith(b"\n")


class NmeaReader(_LineReader):
    """A :class:`~.reader.Reader` for XDR sentences; the groups may be spread over several."""

    def __init__(
        self, link: ByteLink, fields: Sequence[TransducerField], *, request: str | None, interval_s: float
    ) -> None:
        super().__init__(link, request=request, interval_s=interval_s)
        self._fields = tuple(fields)
        self._receiver = NmeaReceiver()

    def identify(self) -> Identity:
        """The talker of the first sentence; sentences carry no other identity."""
        kinds: list[str] = []

        def take(sentence: Sentence) -> bool:
            kinds.append(sentence.kind)
            return True

        self._collect(self._receiver, take)
        return Identity("", "", "", "", f"talker {kinds[0][:2]}")

    def read(self) -> Mapping[Quantity, float]:
        values: dict[Quantity, float] = {}
        others: dict[Quantity, tuple[TransducerField, Transducer]] = {}

        def take(sentence: Sentence) -> bool:
            if sentence.kind[-3:] == "XDR":
                for group in decode_transducers(sentence):
                    for field in self._fields:
                        if not field.names(group) or group.value is None:
                            continue
                        if not field.is_in_unit(group):
                            others.setdefault(field.conversion.quantity, (field, group))
                            continue
                        values.setdefault(
                            field.conversion.quantity, field.conversion.convert(group.value, where=self.port)
                        )
            return len(values) == len(self._fields)

        self._collect(self._receiver, take)
        for field, group in (each for quantity, each in others.items() if quantity not in values):
            raise DeviceError(
                f"{field.conversion.quantity.value} comes with the unit letter {group.unit[:8]!r}, "
                f"the profile says {field.conversion.unit}",
                where=self.port,
                mend=f"correct unit in the profile, or name the device's letter for it: letter = {group.unit[:8]!r}",
            )
        if not values:
            raise DeviceError("its sentences hold none of the profile's transducers", where=self.port)
        return values


class TextReader(_LineReader):
    """A :class:`~.reader.Reader` for lines of text."""

    def __init__(
        self,
        link: ByteLink,
        layout: Layout,
        conversions: Sequence[Conversion],
        *,
        request: str | None,
        interval_s: float,
    ) -> None:
        super().__init__(link, request=request, interval_s=interval_s)
        self._layout = layout
        self._conversions = tuple(conversions)
        self._receiver = TextReceiver()

    def identify(self) -> Identity:
        """A line that fits is all the identity there is."""
        self.read()
        return Identity("", "", "", "", "")

    def read(self) -> Mapping[Quantity, float]:
        found: dict[str, float] = {}
        lines: list[str] = []

        def take(line: str) -> bool:
            lines.append(line)
            if len(lines) == 1 and (self._request is None or self._began_within_line):
                self._ask()  # in case it was the answer
                return False
            values = self._layout.decode(line)
            found.update(values or {})
            return values is not None

        self._collect(self._receiver, take)
        if not found:
            raise WireError("no line fits the profile", raw=lines[-1].encode(), where=self.port)
        return {
            each.quantity: each.convert(found[each.quantity.value], where=self.port)
            for each in self._conversions
            if each.quantity.value in found
        }
