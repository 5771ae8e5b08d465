"""NMEA 0183 sentences, as far as weather instruments need them: framing, checksum, ``XDR`` transducer groups.

From memory of NMEA 0183 version 3 and from its public description at www.catb.org/gpsd/NMEA.html (sections on sentence
structure and XDR). A sentence is at most 82 characters, ``$`` and line end included.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import reduce
from typing import Final

from ...protocol.errors import WireError
from .base import NEED_DATA, LineBuffer, NeedDataType, finite_number

# 82 by the standard; instruments with many XDR groups are known to exceed it (common practice), so four times that.
MAX_SENTENCE_BYTES: Final = 328

# Unit letters of XDR groups by transducer type, as UCUM units. The first of each type stands in the table of XDR at
# www.catb.org/gpsd/NMEA.html; the others are common practice of weather instruments.
XDR_UNITS: Final[Mapping[str, Mapping[str, str]]] = {
    "C": {"C": "Cel", "F": "[degF]", "K": "K"},
    "P": {"B": "bar", "P": "Pa", "H": "hPa", "M": "mm[Hg]", "I": "[in_i'Hg]"},
    "H": {"P": "%", "%": "%"},
    "U": {"V": "V"},
    "I": {"A": "A"},
    "F": {"H": "Hz"},
}


@dataclass(frozen=True, slots=True)
class Sentence:
    """A sentence with its checksum proven: ``kind`` is talker and type, such as ``IIXDR``."""

    kind: str
    fields: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Transducer:
    """One XDR group: type letter, value, unit letter, name; ``value`` is None where the field is empty."""

    type: str
    value: float | None
    unit: str
    name: str


def checksum(body: bytes) -> int:
    """Exclusive or of the bytes between ``$`` and ``*``."""
    return reduce(lambda total, byte: total ^ byte, body, 0)


def encode_sentence(sentence: Sentence) -> bytes:
    """Return the sentence's bytes, checksum and line end included."""
    body = ",".join((sentence.kind, *sentence.fields)).encode("ascii")
    if any(byte in b"$*!\r\n" for byte in body):
        raise ValueError("a field must not hold $, *, ! or a line end")
    return b"$%s*%02X\r\n" % (body, checksum(body))


class NmeaReceiver:
    """Bytes of a line in, :class:`Sentence` out.

    Text before ``$`` on a line is dropped, as after opening in mid-sentence. A line without ``$``, with a wrong or
    missing checksum, or too long raises WireError once and is gone.
    """

    def __init__(self) -> None:
        self._lines = LineBuffer(MAX_SENTENCE_BYTES)

    def feed(self, data: bytes) -> None:
        """Add bytes of the line."""
        self._lines.feed(data)

    def next_message(self) -> Sentence | NeedDataType:
        """Return the next sentence, or NEED_DATA."""
        try:
            line = self._lines.next_line()
        except OverflowError as error:
            raise WireError(f"a sentence longer than {MAX_SENTENCE_BYTES} bytes", raw=error.args[0]) from None
        if line is None:
            return NEED_DATA
        start = line.rfind(b"$")
        body, star, given = line[start + 1 :].partition(b"*")
        if start < 0 or not star or len(given) != 2:
            raise WireError("not an NMEA sentence with a checksum", raw=line)
        if given.upper() != b"%02X" % checksum(body):
            raise WireError(f"NMEA checksum does not fit: {checksum(body):02X} wanted", raw=line, offset=len(line) - 2)
        if not body.isascii():
            raise WireError("an NMEA sentence is not ASCII", raw=line)
        kind, *fields = body.decode("ascii").split(",")
        return Sentence(kind, tuple(fields))

    def reset(self) -> None:
        """Forget an unfinished sentence."""
        self._lines.reset()


def decode_transducers(sentence: Sentence) -> tuple[Transducer, ...]:
    """Decode the groups of four of an XDR sentence; anything else is a WireError."""
    raw = ",".join((sentence.kind, *sentence.fields)).encode("ascii")
    if sentence.kind[-3:] != "XDR" or len(sentence.fields) % 4:
        raise WireError("not an XDR sentence of whole groups", raw=raw)
    groups = []
    for start in range(0, len(sentence.fields), 4):
        kind, value, unit, name = sentence.fields[start : start + 4]
        number = finite_number(value)
        if value and number is None:
            raise WireError(f"XDR value {value[:16]!r} is no number", raw=raw)
        groups.append(Transducer(kind, number, unit, name))
    return tuple(groups)
