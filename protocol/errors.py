"""The one hierarchy of errors.

Every error that may reach a person says three things: *what* happened, *where* (a key, a port, an instrument) and
how to *mend* it. Only links translate ``OSError`` and ``USBError``; only codecs raise :class:`WireError`; the command
line prints ``str(error)`` on one line, several faults of a configuration on a line each, and exits with
``error.exit_code``.

::

    LampwardenError
    ├── ConfigurationError      bench.toml or an option is wrong             exit 2
    ├── LinkError               the way to a device: ABSENT, BUSY, DENIED, SILENT, LOST, HUNG
    ├── WireError               bytes that break the wire's rules
    ├── DeviceError             the device understood and refused, or reports a fault
    ├── CommandRefusedError     a command that does not fit the state of the test
    ├── MeasurementError        a figure cannot be computed from what is there
    ├── JournalError            the store of records
    └── BrokerError             the MQTT broker
"""

from enum import Enum


class LampwardenError(Exception):
    """Root of all errors that are meant for a person to read."""

    exit_code = 1

    def __init__(self, what: str, *, where: str = "", mend: str = "") -> None:
        self.what = what
        self.where = where
        self.mend = mend
        super().__init__(what)

    def __str__(self) -> str:
        where = f"{self.where}: " if self.where else ""
        mend = f" ({self.mend})" if self.mend else ""
        return f"{where}{self.what}{mend}"


def reason_of(error: Exception) -> str:
    """What an error says, without its number, which tells a person nothing, and without the name that stands there."""
    if isinstance(error, UnicodeDecodeError):
        return "it is not UTF-8 text"
    words: object = getattr(error, "strerror", None)
    return (words if isinstance(words, str) else str(error)) or type(error).__name__


class ConfigurationError(LampwardenError):
    """A configuration file or command line option is wrong; ``faults`` holds each fault where there are several."""

    exit_code = 2

    def __init__(self, what: str, *, where: str = "", mend: str = "", faults: tuple[str, ...] = ()) -> None:
        self.faults = faults
        super().__init__(what, where=where, mend=mend)


class LinkFault(Enum):
    """Why a device cannot be reached, so that the caller can say what to do."""

    ABSENT = "absent"
    BUSY = "busy"
    DENIED = "denied"
    SILENT = "silent"
    LOST = "lost"
    HUNG = "hung"


class LinkError(LampwardenError):
    """The way to a device failed; ``fault`` says how."""

    def __init__(self, fault: LinkFault, what: str, *, where: str = "", mend: str = "") -> None:
        self.fault = fault
        super().__init__(what, where=where, mend=mend)


class WireError(LampwardenError):
    """Bytes from a device break the rules of its wire; ``raw`` holds them, ``offset`` where it went wrong."""

    def __init__(self, what: str, *, raw: bytes = b"", offset: int = 0, where: str = "", mend: str = "") -> None:
        self.raw = raw
        self.offset = offset
        super().__init__(what, where=where, mend=mend)

    def __str__(self) -> str:
        shown = self.raw[:32].hex(" ") + (" …" if len(self.raw) > 32 else "")
        return super().__str__() + (f" [bytes {shown}]" if self.raw else "")


class DeviceError(LampwardenError):
    """The device answered with an error of its own; ``code`` is the device's or the standard's number."""

    def __init__(self, what: str, *, code: int | None = None, where: str = "", mend: str = "") -> None:
        self.code = code
        super().__init__(what, where=where, mend=mend)


class CommandRefusedError(LampwardenError):
    """A command does not fit the present state."""


class MeasurementError(LampwardenError):
    """A figure cannot be computed from what was measured."""


class JournalError(LampwardenError):
    """The journal cannot be opened, read or written."""


class BrokerError(LampwardenError):
    """The MQTT broker is absent, refuses, or broke the rules."""
