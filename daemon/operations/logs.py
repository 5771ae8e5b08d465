"""Logs: one line for each event that a technician would write in a notebook.

Nothing in them is secret, and no device can start a line of its own.

============================ ========================================================================================
``lampwarden.bench``         what happens in a test
``lampwarden.instruments``   how the instruments are
``lampwarden.journal``       recoveries, trouble with the disk, archives
``lampwarden.publisher``     the broker: connected, lost, refused, commands
``lampwarden.wire``          bytes of the wires, only with ``LAMPWARDEN_WIRE=1``
``lampwarden.mqtt``          packets of the MQTT library; never shown below WARNING, so no credentials either
============================ ========================================================================================

Text goes to standard error (systemd's journal keeps and bounds it), or to a file that is rotated; as lines for people,
or as one JSON object a line.
"""

import json
import logging
import os
import sys
from datetime import UTC, datetime
from logging.handlers import RotatingFileHandler
from pathlib import Path
from typing import Final

from ...protocol.errors import ConfigurationError
from ...protocol.quantity import format_utc

FILE_BYTES: Final = 5_000_000
FILES: Final = 5
"""Beside the one that is written, so 30 MB in all: at 150 bytes a line and a line every ten seconds in a test, most of
a year."""
QUIET: Final = ("asyncio", "lampwarden.mqtt", "lampwarden.wire", "aiohttp.access")


def one_line(text: str) -> str:
    """Text with everything that is not printable written out: a device cannot start a line of its own."""
    return "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text)


class PlainFormatter(logging.Formatter):
    """Lines for people; a traceback, which is a fault of ours, follows on lines of its own."""

    def __init__(self) -> None:
        super().__init__("%(asctime)s %(levelname)s %(name)s: %(message)s")

    def formatMessage(self, record: logging.LogRecord) -> str:  # noqa: N802 - the library's name
        """One line."""
        record.message = one_line(record.message)
        return super().formatMessage(record)


class JsonFormatter(logging.Formatter):
    """One JSON object a line: ``time``, ``level``, ``logger``, ``message``, and ``exception`` where there is one."""

    def format(self, record: logging.LogRecord) -> str:
        """One line."""
        entry = {
            "time": format_utc(datetime.fromtimestamp(record.created, UTC)),
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": record.getMessage(),
        }
        if record.exc_info:
            entry["exception"] = self.formatException(record.exc_info)
        return json.dumps(entry, ensure_ascii=False)


def set_up(
    *, level: int = logging.INFO, as_json: bool = False, file: Path | None = None, file_bytes: int = FILE_BYTES
) -> None:
    """Send logs where they are wanted; what was set up before is replaced.

    Args:
        level: Of everything but the wires and libraries.
        as_json: One JSON object a line.
        file: Instead of standard error; rotated, so that it and its :data:`FILES` elders are bounded.
        file_bytes: How large it may become.

    Raises:
        ConfigurationError: The file cannot be written.
    """
    handler: logging.Handler
    if file is None:
        handler = logging.StreamHandler(sys.stderr)
    else:
        try:
            handler = RotatingFileHandler(file, maxBytes=file_bytes, backupCount=FILES, encoding="utf-8")
        except OSError as error:
            raise ConfigurationError(f"cannot be written: {error.strerror}", where=f"--log-file {file}") from None
    handler.setFormatter(JsonFormatter() if as_json else PlainFormatter())
    logging.basicConfig(level=level, handlers=[handler], force=True)
    for name in QUIET:
        logging.getLogger(name).setLevel(logging.WARNING)
    if os.environ.get("LAMPWARDEN_WIRE") == "1":
        logging.getLogger("lampwarden.wire").setLevel(logging.DEBUG)
