"""Lines of text, for devices that print their values: framing, and numbers by the named groups of a pattern."""

import re
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
