"""Whole messages to and from an instrument: SCPI over a serial line or socket; USBTMC is in ``usbtmc_session.py``.

Knows where a message ends, not what it says.
"""

from typing import Final, Protocol

from ..protocol.errors import LinkError, LinkFault
from .codecs.base import NEED_DATA
from .codecs.scpi import Kind, ResponseReceiver
from .links.base import ByteLink

# A gap within a response: USB adapters hold bytes back for up to 16 ms, terminal servers longer.
_GAP_S: Final = 0.5
_READ_BYTES: Final = 64 * 1024
# Recovery ends when nothing has come for this long: twice the adapter's latency and some.
_QUIET_S: Final = 0.05
_QUIET_TRIES: Final = 40


class MessageLink(Protocol):
    """Messages both ways, each call bounded by its ``timeout_s`` plus the time that the bytes take."""

    @property
    def port(self) -> str:
        """For errors."""
        ...

    @property
    def generation(self) -> int:
        """Changes when the device may have lost its settings; 0 before the first use."""
        ...

    def send(self, message: bytes, timeout_s: float) -> None:
        """Send a message that is not answered."""
        ...

    def ask(self, message: bytes, kind: Kind, timeout_s: float) -> bytes:
        """Send a message and return its response, which must begin within ``timeout_s``; a line comes without NL.

        Raises:
            LinkError: SILENT when nothing came; the way is clear again for the next message.
            WireError: What came is no response; likewise.
        """
        ...

    def close(self) -> None:
        """Forget the conversation; idempotent."""
        ...


class SerialMessageLink:
    """A :class:`MessageLink` over a byte stream."""

    def __init__(self, link: ByteLink) -> None:
        self._link = link
        self._receiver = ResponseReceiver()

    @property
    def port(self) -> str:
        """See :class:`MessageLink`."""
        return self._link.port

    @property
    def generation(self) -> int:
        """See :class:`MessageLink`."""
        return self._link.generation

    def send(self, message: bytes, timeout_s: float) -> None:  # noqa: ARG002  the link bounds its writes itself
        """See :class:`MessageLink`."""
        self._link.write(message)

    def ask(self, message: bytes, kind: Kind, timeout_s: float) -> bytes:
        """See :class:`MessageLink`."""
        self._receiver.reset()
        self._link.discard_input()
        self._link.write(message)
        try:
            return self._receive(kind, timeout_s + len(message) * self._link.settings.character_s, message)
        except BaseException:
            self._drain()
            raise

    def close(self) -> None:
        """See :class:`MessageLink`."""
        self._receiver.reset()

    def _receive(self, kind: Kind, wait_s: float, message: bytes) -> bytes:
        while (response := self._receiver.next_message(kind)) is NEED_DATA:
            data = self._link.read(_READ_BYTES, wait_s)
            if not data:
                raise LinkError(
                    LinkFault.SILENT,
                    f"no answer to {message[:40].decode('ascii', 'replace').strip()}",
                    where=self.port,
                    mend="check power, cable and line settings",
                )
            self._receiver.feed(data)
            wait_s = _GAP_S
        return response

    def _drain(self) -> None:
        """Let a broken response run out, so that its rest is not taken for the next one's beginning."""
        self._receiver.reset()
        for _ in range(_QUIET_TRIES):
            if not self._link.read(_READ_BYTES, _QUIET_S):
                return
