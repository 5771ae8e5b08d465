"""Whole messages to and from an instrument: SCPI over a serial line or socket; USBTMC is in ``usbtmc_session.py``.

Knows where a message ends, not what it says.
"""

import re
from collections.abc import Callable, Iterator
from typing import Final, Protocol, TypeVar

from ..protocol.errors import LinkError, LinkFault, WireError
from .codecs.base import NEED_DATA
from .codecs.scpi import Kind, ResponseReceiver, decode_integer, decode_text
from .links.base import ByteLink

AnswerT = TypeVar("AnswerT")

# A query that only looks something up is answered within milliseconds; instruments that are busy with a measurement
# may take a second or two (common practice, no source).
QUERY_S: Final = 2.0
# A gap within a response: USB adapters hold bytes back for up to 16 ms, terminal servers longer.
_GAP_S: Final = 0.5
_READ_BYTES: Final = 64 * 1024
_IDENTIFY: Final = b"*IDN?\n"
# A device that is there answers *IDN? within a second or two (common practice, no source); answers that were held up
# follow one another without such a pause.
_SYNCHRONISE_S: Final = 2.0
_QUIET_S: Final = 0.25


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

    def ask(self, message: bytes, kind: Kind, timeout_s: float, decode: Callable[[bytes], AnswerT]) -> AnswerT:
        """Send a message and return what its response says; it must begin within ``timeout_s``.

        Args:
            message: One that is answered.
            kind: How the response ends; a line comes without NL.
            timeout_s: Until the response begins.
            decode: Makes sense of the response. What makes none was perhaps not the response.

        Raises:
            LinkError: SILENT when nothing came; the way is clear again for the next message.
            WireError: What came is no response, or ``decode`` made no sense of it; likewise.
        """
        ...

    def confirm(self) -> None:
        """Make sure that the answers since the last time were those to their questions; before, none is believed.

        Raises:
            LinkError, WireError: As :meth:`ask`; there was perhaps one too many, and then each stood for another.
        """
        ...

    def read_status_byte(self) -> int:
        """Read the status byte (IEEE 488.2, 11.2), by whatever the wire has for a serial poll."""
        ...

    def wait_service(self, timeout_s: float) -> None:
        """Wait until the device requests service, or for the whole time where it does not or the wire has no such."""
        ...

    def pause(self, seconds: float) -> None:
        """Let wire time pass."""
        ...

    def now_s(self) -> float:
        """Wire time."""
        ...

    def close(self) -> None:
        """Forget the conversation; idempotent."""
        ...


class SerialMessageLink:
    """A :class:`MessageLink` over a byte stream, for devices that know ``*IDN?`` (IEEE 488.2, 10.14, mandatory).

    Lines do not say which question they answer. After a silence, or a line that made no sense and was perhaps noise
    before the answer, an answer may still come, and would pass for that of the next question: power would become
    voltage. So before the next message ``*IDN?`` is asked, everything up to its known answer is dropped, and what may
    follow as well; only such answers can follow, because nothing else was asked meanwhile. The same is done after each
    opening, when an earlier program's answers may still be under way.

    Noise that makes sense, or an answer that came twice, moves each answer to the next question and is not noticed.
    So :meth:`confirm` asks ``*IDN?`` after the last question: the answer that is left over comes in its place. The
    identity itself is believed when it came twice alike.

    What no reader can tell on this wire: noise within a number that leaves a number, bytes of a block that became
    others, and one answer too many together with one that was lost before the same :meth:`confirm`.
    """

    def __init__(self, link: ByteLink) -> None:
        self._link = link
        self._receiver = ResponseReceiver()
        self._identity = b""
        self._synchronised_generation = 0
        self._is_confirmed = False
        """Whether nothing was asked since the last confirmation."""

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
        self._synchronise()
        self._link.write(message)

    def ask(self, message: bytes, kind: Kind, timeout_s: float, decode: Callable[[bytes], AnswerT]) -> AnswerT:
        """See :class:`MessageLink`."""
        self._synchronise()
        try:
            self._receiver.reset()
            waiting = self._link.discard_input()
            if not self._is_confirmed:
                self._expect_nothing(waiting.strip())
            self._is_confirmed = False
            self._link.write(message)
            response = self._receive(kind, timeout_s + len(message) * self._link.settings.character_s, message)
            if message == _IDENTIFY and response != self._identity:
                self._expect_nothing(response)
            return decode(response)
        except BaseException:
            self._synchronised_generation = 0
            raise

    def confirm(self) -> None:
        """See the class."""
        self.ask(_IDENTIFY, Kind.LINE, QUERY_S, bytes)
        self._is_confirmed = True

    def read_status_byte(self) -> int:
        """``*STB?`` (IEEE 488.2, 10.36): a serial line has no serial poll."""
        return self.ask(b"*STB?\n", Kind.LINE, QUERY_S, self._status_byte)

    def wait_service(self, timeout_s: float) -> None:
        """A serial line knows no service request: the time passes."""
        self._link.pause(timeout_s)

    def pause(self, seconds: float) -> None:
        """See :class:`MessageLink`."""
        self._link.pause(seconds)

    def now_s(self) -> float:
        """See :class:`MessageLink`."""
        return self._link.now_s()

    def close(self) -> None:
        """See :class:`MessageLink`."""
        self._receiver.reset()

    def _expect_nothing(self, more: bytes) -> None:
        if more:
            raise WireError(
                "more came than was asked for: one answer was perhaps noise",
                raw=more[:64],
                where=self.port,
                mend="check line settings and screening",
            )

    def _status_byte(self, line: bytes) -> int:
        answer = decode_integer(decode_text(line))
        if not 0 <= answer <= 0xFF:
            raise WireError(f"{answer} is no status byte", where=self.port)
        return answer

    def _synchronise(self) -> None:
        self._link.open()
        if self._synchronised_generation == self._link.generation:
            return
        link, receiver = self._link, self._receiver
        receiver.reset()
        link.discard_input()
        link.write(_IDENTIFY)
        found: bytes | None = None
        end_s = link.now_s() + _SYNCHRONISE_S
        while (left_s := end_s - link.now_s()) > 0:
            data = link.read(_READ_BYTES, left_s if found is None else min(left_s, _QUIET_S))
            if not data:
                break
            receiver.feed(data)
            for line in self._whole_lines():
                if line == self._identity or (not self._identity and _may_be_identity(line)):
                    found = line
        if found is None:
            self._identity = b""  # in case it was none: learn it anew
            raise LinkError(
                LinkFault.SILENT, "no answer to *IDN?", where=self.port, mend="check power, cable and line settings"
            )
        self._identity = found
        self._synchronised_generation = link.generation
        self._is_confirmed = True

    def _whole_lines(self) -> Iterator[bytes]:
        """Lines of what has come; what is none (the rest of a block) is dropped."""
        while True:
            try:
                line = self._receiver.next_message(Kind.LINE)
            except WireError:
                continue
            if line is NEED_DATA:
                return
            yield line

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
        rest = self._receiver.unread
        # A block after which another NL comes was perhaps found too short by a byte of noise.
        self._expect_nothing(rest if kind is Kind.BLOCK and b"\n" in rest else rest.strip())
        return response


def _may_be_identity(line: bytes) -> bool:
    """Four fields by the standard, some devices give fewer; a row of numbers is the answer to something else."""
    return line.count(b",") >= 1 and not re.fullmatch(rb"[-+0-9.eE, ]*", line)
