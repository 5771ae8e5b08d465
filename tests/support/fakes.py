"""Fakes for drivers and runners: a clock that is moved by hand, and a device that says what a script says."""

import threading
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from lampwarden.daemon.clock import wire_sleep
from lampwarden.drivers.links.base import ControlRequest, UsbEndpoints, UsbIdentity


async def until(condition: Callable[[], object]) -> None:
    """Let other tasks and threads run until something holds; the test's own time-out bounds it."""
    while not condition():
        await wire_sleep(0.001)


class HandClock:
    """Bench time that only sleeping moves, and that lets other tasks run while it does; stopped, a sleep lasts."""

    synchronised = True

    def __init__(self, start_s: float = 100.0) -> None:
        self.now_s = start_s
        self.slept_s: list[float] = []
        self.is_stopped = False

    def utc(self) -> datetime:
        return datetime(2026, 1, 1, tzinfo=UTC) + timedelta(seconds=self.now_s)

    def monotonic(self) -> float:
        return self.now_s

    async def sleep(self, seconds: float) -> None:
        self.slept_s.append(seconds)
        await wire_sleep(0)
        await until(lambda: not self.is_stopped)
        self.now_s += max(0.0, seconds)


@dataclass(frozen=True)
class Sent:
    """What a scripted device sends; the shape that in-line links ask for."""

    due_s: float
    data: bytes
    endpoint: int = 0


@dataclass
class ScriptedSerial:
    """A serial device that answers the n-th write with the n-th entry: ``(delay_s, data)`` pieces."""

    answers: deque[Sequence[tuple[float, bytes]]]
    received: list[tuple[float, bytes]] = field(default_factory=list)
    breaks_s: list[float] = field(default_factory=list)

    def receive(self, data: bytes, now_s: float) -> list[Sent]:
        self.received.append((now_s, data))
        pieces = self.answers.popleft() if self.answers else ()
        return [Sent(now_s + delay_s, piece) for delay_s, piece in pieces]

    def line_break(self, now_s: float) -> list[Sent]:
        self.breaks_s.append(now_s)
        return []

    @property
    def commands(self) -> list[bytes]:
        return [data for _, data in self.received]


def scripted(*answers: bytes | Sequence[tuple[float, bytes]]) -> ScriptedSerial:
    """One answer a write: bytes come 10 ms later, b"" is silence."""
    return ScriptedSerial(
        deque(((0.01, each),) if isinstance(each, bytes) and each else each or () for each in answers)
    )


class FunctionSerial:
    """A serial device that is one function of what it is sent: bytes 10 ms later, or ``(delay_s, data)`` pieces."""

    def __init__(self, answer: Callable[[bytes], bytes | Sequence[tuple[float, bytes]]]) -> None:
        self._answer = answer
        self.received: list[bytes] = []

    def receive(self, data: bytes, now_s: float) -> list[Sent]:
        self.received.append(data)
        answer = self._answer(data)
        pieces = [(0.01, answer)] if isinstance(answer, bytes) else answer
        return [Sent(now_s + delay_s, piece) for delay_s, piece in pieces if piece]

    def line_break(self, now_s: float) -> list[Sent]:
        return []


class FakeLink:
    """A link for runners: counts what is asked of it; ``reset`` lets a hung call go on when told to."""

    def __init__(self, *, reset_releases: bool = True) -> None:
        self.port = "fake"
        self.generation = 0
        self.is_open = False
        self.resets = 0
        self.closes = 0
        self.claims: list[int] = []
        self.hanging = threading.Event()
        self.release = threading.Event()
        self._reset_releases = reset_releases

    def now_s(self) -> float:
        return 0.0

    def open(self) -> None:
        self.generation += 1
        self.is_open = True

    def pause(self, seconds: float) -> None: ...

    def claim(self) -> None:
        self.claims.append(threading.get_ident())

    def reset(self) -> None:
        self.resets += 1
        if self._reset_releases:
            self.release.set()

    def close(self) -> None:
        self.closes += 1
        self.is_open = False

    def hang(self) -> str:
        """A call that does not return before somebody releases it."""
        self.hanging.set()
        self.release.wait(30)
        return "came back"


class FakeUsbLink:
    """A USB link whose every transfer is a script's next entry: bytes, None (time-out) or an error to raise."""

    def __init__(self, incoming: Sequence[bytes | Exception | None] = (), *, packet: int = 64) -> None:
        self.port = "fake usb"
        self.generation = 1
        self.is_open = True
        self.identity = UsbIdentity(0x1209, 0x0001, "M", "P", "S", "1.00")
        self.endpoints = UsbEndpoints(0, 0x01, 0x81, 0x82, packet)
        self.incoming = deque(incoming)
        self.controls: dict[tuple[int, int], deque[bytes | Exception]] = {}
        self.sent: list[bytes] = []
        self.asked: list[ControlRequest] = []
        self.cleared: list[int] = []
        self.reads: list[int] = []
        self.time_s = 0.0

    def now_s(self) -> float:
        return self.time_s

    def open(self) -> None: ...
    def claim(self) -> None: ...
    def reset(self) -> None: ...
    def close(self) -> None: ...

    def pause(self, seconds: float) -> None:
        self.time_s += seconds

    def read_identity(self) -> UsbIdentity:
        return self.identity

    def read_endpoints(self) -> UsbEndpoints:
        return self.endpoints

    def bulk_out(self, data: bytes, timeout_s: float) -> None:
        self.sent.append(data)

    def bulk_in(self, max_bytes: int, timeout_s: float) -> bytes:
        self.reads.append(max_bytes)
        data = self._next()
        assert data is not None
        return data

    def bulk_exchange(self, outgoing: Sequence[bytes], max_bytes: int, timeout_s: float) -> bytes:
        for each in outgoing:
            self.bulk_out(each, timeout_s)
        return self.bulk_in(max_bytes, timeout_s)

    def interrupt_in(self, max_bytes: int, timeout_s: float) -> bytes | None:
        self.time_s += 0.0 if self.incoming else timeout_s
        return self._next() if self.incoming else None

    def control_in(self, request: ControlRequest, length: int, timeout_s: float) -> bytes:
        self.asked.append(request)
        answers = self.controls.get((request.request_type, request.request))
        answer = answers.popleft() if answers else b"\x01" + bytes(length - 1)
        if isinstance(answer, Exception):
            raise answer
        return answer

    def control_out(self, request: ControlRequest, data: bytes, timeout_s: float) -> None:
        self.asked.append(request)

    def clear_halt(self, endpoint: int) -> None:
        self.cleared.append(endpoint)

    def _next(self) -> bytes | None:
        entry = self.incoming.popleft()
        if isinstance(entry, Exception):
            raise entry
        return entry
