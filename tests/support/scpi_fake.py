"""A SCPI conversation by script: what is asked, and what is answered."""

from collections.abc import Callable, Mapping
from typing import TypeVar

from lampwarden.drivers.codecs.scpi import Kind
from lampwarden.protocol.errors import LinkError, LinkFault

AnswerT = TypeVar("AnswerT")
Answer = str | bytes | Callable[[str], str | bytes]


class FakeMessages:
    """A message link that answers queries from a table; everything else is a command it takes down.

    A command or query that ``faulty`` names puts its error into the queue, as a device would, and is not answered.
    """

    def __init__(self, answers: Mapping[str, Answer], faulty: Mapping[str, str] | None = None) -> None:
        self.port = "fake"
        self.generation = 1
        self.answers = dict(answers)
        self.faulty = dict(faulty or {})
        self.errors: list[str] = []
        self.sent: list[str] = []
        self.timeouts_s: dict[str, float] = {}
        self.statuses = [0]
        """What the status byte is, look by look; the last one stays."""
        self.services = 0
        self.time_s = 0.0

    def send(self, message: bytes, timeout_s: float) -> None:
        for unit in message.decode().strip().split(";"):
            self._note(unit.lstrip(":"))

    def ask(self, message: bytes, kind: Kind, timeout_s: float, decode: Callable[[bytes], AnswerT]) -> AnswerT:
        unit = message.decode().strip()
        if unit == "SYST:ERR?":
            return decode((self.errors.pop(0) if self.errors else '0,"No error"').encode())
        self._note(unit)
        self.timeouts_s[unit] = timeout_s
        answer = self.answers.get(unit)
        if answer is None or unit in self.faulty:
            raise LinkError(LinkFault.SILENT, f"no answer to {unit}", where=self.port)
        found = answer(unit) if callable(answer) else answer
        return decode(found.encode() if isinstance(found, str) else found)

    def confirm(self) -> None: ...

    def read_status_byte(self) -> int:
        self.sent.append("(status byte)")
        return self.statuses.pop(0) if len(self.statuses) > 1 else self.statuses[0]

    def wait_service(self, timeout_s: float) -> None:
        self.services += 1
        self.pause(timeout_s)

    def pause(self, seconds: float) -> None:
        self.time_s += seconds

    def now_s(self) -> float:
        return self.time_s

    def close(self) -> None: ...

    def _note(self, unit: str) -> None:
        self.sent.append(unit)
        if unit in self.faulty:
            self.errors.append(self.faulty[unit])
