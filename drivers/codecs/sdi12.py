"""SDI-12 messages: commands out, responses in.

From "SDI-12, A Serial-Digital Interface Standard for Microprocessor-Based Sensors", version 1.4 (sections cited beside
the code). Knows no line, no break and no retry: timing belongs to the session in ``drivers/sdi12_sensor.py``.
"""

import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Final, NamedTuple

from ...protocol.errors import WireError
from .base import NEED_DATA, LineBuffer, NeedDataType, crc16

# Table 5 ff.: the commands that a sensor measures or identifies by. Extended commands (X) are a maker's own: not ours.
_COMMAND: Final = re.compile(r"|I|V|A[0-9A-Za-z]|M[1-9]?|MC[1-9]?|C[1-9]?|CC[1-9]?|D[0-9]|R[0-9]|RC[0-9]")
_ADDRESS: Final = re.compile(r"[0-9A-Za-z]")
# 4.4: a value is a sign, up to seven digits and a decimal point somewhere among them: nine characters at most.
_VALUE: Final = re.compile(r"[+-](?:\d{1,7}\.?(?![\d.])|(?=[\d.]{2,8}(?![\d.]))\d*\.\d+)")
# Some RS-232 and USB adapters echo the command, which has no line end (common practice).
_ECHO: Final = re.compile(r"[0-9A-Za-z?](?:|I|V|A[0-9A-Za-z]|(?:M|C|R)C?[0-9]?|D[0-9])!")
# 4.3.1 asks for printable ASCII; a CRC character may be 7Fh as well (4.4.12.2: 40h + six bits).
_TEXT: Final = re.compile(r"[\x20-\x7f]*")
# Longest response: address, 75 characters of values (4.4.5: after C and R), three of CRC. Rounded up.
MAX_RESPONSE_BYTES: Final = 96


class Response(NamedTuple):
    """A sensor's response: who answers, and the text after the address, CRC included where there is one."""

    address: str
    body: str


@dataclass(frozen=True, slots=True)
class Announcement:
    """Answer to a start of measurement: ``count`` values will be ready within ``wait_s`` seconds (4.4.6, 4.4.7)."""

    wait_s: int
    count: int


@dataclass(frozen=True, slots=True)
class Identification:
    """Answer to ``aI!`` (4.4.2)."""

    version: str
    maker: str
    model: str
    firmware: str
    free: str


def crc(data: bytes) -> int:
    """CRC-16 of 4.4.12: initial value 0, polynomial A001h, reflected (also known as CRC-16/ARC)."""
    return crc16(data, 0)


def crc_characters(data: bytes) -> bytes:
    """The CRC as three printable characters (4.4.12.2)."""
    value = crc(data)
    return bytes((0x40 | value >> 12, 0x40 | value >> 6 & 0x3F, 0x40 | value & 0x3F))


@lru_cache(maxsize=256)  # a poll sends the same command every time
def encode_command(address: str, body: str) -> bytes:
    """Return a command's bytes; ``body`` is what stands between address and ``!``.

    Raises:
        ValueError: Not an address, or not a command of the standard. The query ``?!`` is written
            ``encode_command("?", "")``.
    """
    if address == "?":
        if body:
            raise ValueError("only the empty command may go to '?'")
    elif not _ADDRESS.fullmatch(address):
        raise ValueError(f"{address!r} is no SDI-12 address: one of 0–9, A–Z, a–z")
    if not _COMMAND.fullmatch(body):
        raise ValueError(f"{body!r} is no SDI-12 command")
    return f"{address}{body}!".encode("ascii")


class Sdi12Receiver:
    """Bytes of a line in, :class:`Response` out.

    A bad line (not ASCII, no address, too long) raises WireError once and is gone; the next line is read normally.
    """

    def __init__(self) -> None:
        self._lines = LineBuffer(MAX_RESPONSE_BYTES)

    def feed(self, data: bytes) -> None:
        """Add bytes of the line."""
        self._lines.feed(data)

    def next_message(self) -> Response | NeedDataType:
        """Return the next response, or NEED_DATA."""
        try:
            line = self._lines.next_line()
        except OverflowError as error:
            raise WireError(f"SDI-12 response longer than {MAX_RESPONSE_BYTES} bytes", raw=error.args[0]) from None
        if line is None:
            return NEED_DATA
        # A break leaves one or more zero bytes in many receivers (common practice).
        text = line.lstrip(b"\x00").decode("ascii", errors="replace")
        echo = _ECHO.match(text)
        if echo:
            text = text[echo.end() :]
        if not text or not _ADDRESS.fullmatch(text[0]) or not _TEXT.fullmatch(text):
            raise WireError("not an SDI-12 response", raw=line)
        return Response(text[0], text[1:])

    def reset(self) -> None:
        """Forget an unfinished response."""
        self._lines.reset()


def decode_announcement(response: Response) -> Announcement:
    """Decode ``atttn`` (after M, MC, V) and ``atttnn`` (after C, CC)."""
    body = response.body
    if len(body) not in {4, 5} or not body.isdigit():
        raise WireError("not the announcement of a measurement", raw=_raw(response), offset=1)
    return Announcement(int(body[:3]), int(body[3:]))


def is_service_request(response: Response) -> bool:
    """Whether this is ``a<CR><LF>``: values are ready early, or as an answer to D0 the measurement was aborted."""
    return response.body == ""


def check_crc(response: Response) -> Response:
    """Return the response without its CRC characters, or raise WireError when they do not fit."""
    raw = _raw(response)
    if len(response.body) < 3 or crc_characters(raw[:-3]) != raw[-3:]:
        raise WireError("SDI-12 CRC does not fit", raw=raw, offset=max(0, len(raw) - 3))
    return Response(response.address, response.body[:-3])


def decode_values(response: Response) -> tuple[float, ...]:
    """Decode the values of a response to D or R, CRC already taken off; empty when it has none."""
    values = []
    position = 0
    while position < len(response.body):
        match = _VALUE.match(response.body, position)
        if match is None:
            raise WireError("not an SDI-12 value", raw=_raw(response), offset=position + 1)
        values.append(float(match.group()))
        position = match.end()
    return tuple(values)


def decode_identification(response: Response) -> Identification:
    """Decode the answer to ``aI!``: version 2, maker 8, model 6, firmware 3 characters, then up to 13 free ones."""
    body = response.body
    if not 19 <= len(body) <= 32 or not body[:2].isdigit():
        raise WireError("not an SDI-12 identification", raw=_raw(response), offset=1)
    return Identification(f"{body[0]}.{body[1]}", body[2:10].strip(), body[10:16].strip(), body[16:19], body[19:])


def _raw(response: Response) -> bytes:
    return (response.address + response.body).encode("ascii")
