"""Bytes on a wire, for whoever writes a profile or looks for a fault: a logger of its own, formatted if heard."""

import logging
from typing import Final

LOG: Final = logging.getLogger("lampwarden.wire")
_SHOWN: Final = 64
"""A spectrum has thousands of bytes; its head tells the block's form."""


def sent(port: str, data: bytes) -> None:
    """Bytes that went to a device."""
    if LOG.isEnabledFor(logging.DEBUG):
        LOG.debug("%s >> %s", port, _show(data))


def received(port: str, data: bytes) -> None:
    """Bytes that came from a device."""
    if data and LOG.isEnabledFor(logging.DEBUG):
        LOG.debug("%s << %s", port, _show(data))


def _show(data: bytes) -> str:
    head = data[:_SHOWN]
    text = "".join(chr(byte) if 0x20 <= byte < 0x7F else "·" for byte in head)
    more = f" … {len(data)} bytes" if len(data) > _SHOWN else ""
    return f"{head.hex(' ')}  |{text}|{more}"
