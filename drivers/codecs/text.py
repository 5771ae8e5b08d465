"""Lines of text, for devices that print their values: framing, and numbers by a pattern's groups or by columns."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from ...protocol.errors import WireError
from .base import NEED_DATA, LineBuffer, NeedDataType, finite_number

# Loggers print some tens of characters a line; 4 KiB holds any table row (common practice, no source).
MAX_LINE_BYTES: Final = 4096


class TextReceiver:
    """Bytes of a line in, text without its end out; LF or CR LF ends a line, empty lines are dropped.

    A line that is too long or not UTF-8 raises WireError once and is gone.
    """

    def __init__(self) -> None:
        self._lines = LineBuffer(MAX_LINE_BYTES)

    def feed(self, data: bytes) -> None:
        """Add bytes of the line."""
        self._lines.feed(data)

    def next_message(self) -> str | NeedDataType:
        """Return the next line that is not empty, or NEED_DATA."""
        while True:
            try:
                line = self._lines.next_line()
            except OverflowError as error:
                raise WireError(f"a line longer than {MAX_LINE_BYTES} bytes", raw=error.args[0]) from None
            if line is None:
                return NEED_DATA
            try:
                text = line.decode("utf-8").strip()
            except UnicodeDecodeError as error:
                raise WireError("a line is not UTF-8 text", raw=line, offset=error.start) from None
            if text:
                return text

    def reset(self) -> None:
        """Forget an unfinished line."""
        self._lines.reset()


def decode_fields(text: str, pattern: re.Pattern[str]) -> dict[str, float]:
    """Return the numbers of the pattern's named groups, found anywhere in the line; unused groups are left out.

    Raises:
        WireError: The pattern does not match, or a group is no finite number.
    """
    raw = text.encode("utf-8")
    match = pattern.search(text)
    if match is None:
        raise WireError("the line does not fit the profile's pattern", raw=raw)
    values = {}
    for name, field in match.groupdict().items():
        if field is None:
            continue
        number = finite_number(field.strip().replace(",", "."))
        if number is None:
            raise WireError(f"{name} is no number: {field[:16]!r}", raw=raw, offset=match.start(name))
        values[name] = number
    return values


@dataclass(frozen=True, slots=True)
class Pattern:
    """Lines that a pattern takes apart."""

    pattern: re.Pattern[str]

    def decode(self, text: str) -> dict[str, float] | None:
        """Return the numbers of a line, None when it does not fit; see :func:`decode_fields`."""
        return None if self.pattern.search(text) is None else decode_fields(text, self.pattern)


@dataclass(frozen=True, slots=True)
class Columns:
    """Lines of columns between delimiters; a blank stands for any white space.

    The number of columns belongs to the form: where a delimiter was lost on the line, the numbers behind it would pass
    for those of their neighbours.
    """

    delimiter: str
    count: int
    positions: Mapping[str, int]
    """Which column, from 0, holds what."""

    def decode(self, text: str) -> dict[str, float] | None:
        """Return the numbers of a line, empty columns left out.

        None when it does not fit: another number of columns, no numbers at all, or a text where a number belongs, as
        in a table's head.
        """
        fields = text.split(None if self.delimiter == " " else self.delimiter)
        if len(fields) != self.count:
            return None
        values = {}
        for name, position in self.positions.items():
            field = fields[position].strip()
            if not field:
                continue
            number = finite_number(field if self.delimiter == "," else field.replace(",", "."))
            if number is None:
                return None
            values[name] = number
        return values or None
