"""A line on which almost everything goes wrong, and the judge of what a reader believes over it.

Each figure says which quantity it is of and when it was measured (:func:`told`), so that a reader's value can be judged
without knowing what went over the line. The wires are in ``line_study.py``.
"""

import random
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum, auto
from typing import Protocol

from lampwarden.drivers.links.base import SerialSettings
from lampwarden.drivers.links.inline import InlineByteLink, InlineUsbLink
from lampwarden.drivers.roles import Identity
from lampwarden.protocol.errors import LampwardenError

from .fakes import HandClock, Sent

PLACE = 10_000
"""Seconds of a study fit below it."""
STEP_S = 0.001
"""Figures have three decimals."""
TURNAROUND_S = 0.005
BINARY = bytes(range(256))
WELL_AGAIN_POLLS = 5
"""So many readings after the last fault one must have succeeded: an answer left over can spoil two, and a name learnt
wrong two more."""


def told(place: int, at_s: float) -> float:
    """A figure that says what it is of, and when it was measured."""
    return place * PLACE + at_s


class Kind(Enum):
    """What goes wrong with an answer."""

    LATE = auto()
    LOST = auto()
    CUT = auto()
    TORN = auto()
    TWICE = auto()
    STRAY = auto()
    BEFORE = auto()
    WITHIN = auto()
    AFTER = auto()


NOISE = (Kind.BEFORE, Kind.WITHIN, Kind.AFTER, Kind.LATE, Kind.TORN)
LOSING = (*NOISE, Kind.LOST, Kind.CUT)
ADDING = (*NOISE, Kind.TWICE, Kind.STRAY)


@dataclass(frozen=True)
class Manners:
    """What noise may look like on a wire without passing for something right."""

    alphabet: bytes
    within: bytes
    stray: bytes
    """An answer that nobody asked for."""
    cuts_head: bool = False


Pieces = list[tuple[float, bytes]]


class Line:
    """A serial line that keeps order and, while it is faulty, spoils a share of what goes over it."""

    def __init__(
        self,
        answer: Callable[[bytes, float], Sequence[bytes]],
        manners: Manners,
        drawn: random.Random,
        kinds: Sequence[Kind],
    ) -> None:
        self._answer = answer
        self._manners = manners
        self._drawn = drawn
        self._kinds = tuple(kinds)
        self.share = 0.0
        self.last_s = 0.0
        self.log: list[tuple[float, bytes, list[Sent]]] = []

    def receive(self, data: bytes, now_s: float) -> list[Sent]:
        out = []
        for answer in self._answer(data, now_s):
            for delay_s, piece in self._spoilt(answer):
                self.last_s = max(self.last_s, now_s + TURNAROUND_S + delay_s)
                out.append(Sent(self.last_s, piece))
        self.log.append((now_s, data, out))
        return out

    def line_break(self, now_s: float) -> list[Sent]:
        return []

    def _spoilt(self, answer: bytes) -> Pieces:
        drawn = self._drawn
        pieces = [(0.0, answer)]
        if drawn.random() < self.share:
            for kind in drawn.sample(self._kinds, drawn.choice([1, 1, 2])):
                pieces = self._spoil(kind, pieces)
        return pieces

    def _spoil(self, kind: Kind, pieces: Pieces) -> Pieces:
        drawn, manners = self._drawn, self._manners
        if kind is Kind.LOST or not pieces:
            return []
        delay_s, data = pieces[-1]
        place = drawn.randrange(1, max(2, len(data)))
        match kind:
            case Kind.LATE:
                late_s = drawn.uniform(0.0, 5.0)
                return [(at_s + late_s, piece) for at_s, piece in pieces]
            case Kind.CUT:
                return [
                    *pieces[:-1],
                    (delay_s, data[place:] if manners.cuts_head and drawn.random() < 0.5 else data[:place]),
                ]
            case Kind.TORN:
                return [*pieces[:-1], (delay_s, data[:place]), (delay_s + self._gap_s(5.0), data[place:])]
            case Kind.TWICE:
                after_s = delay_s - pieces[0][0] + self._gap_s(0.2)
                return self._joined([*pieces, *((at_s + after_s, piece) for at_s, piece in pieces)])
            case Kind.STRAY:
                return self._joined([(0.0, manners.stray), *self._later(pieces)])
            case Kind.BEFORE:
                return self._joined([(0.0, self._noise(manners.alphabet)), *self._later(pieces)])
            case Kind.AFTER:
                return self._joined([*pieces, (delay_s + self._gap_s(0.2), self._noise(manners.alphabet))])
            case _:
                alphabet = BINARY if data[:1] == b"#" else manners.within
                return [*pieces[:-1], (delay_s, data[:place] + self._noise(alphabet) + data[place:])]

    def _later(self, pieces: Pieces) -> Pieces:
        gap_s = self._gap_s(0.5)
        return [(at_s + gap_s, piece) for at_s, piece in pieces]

    def _gap_s(self, longest_s: float) -> float:
        return self._drawn.choice([0.0, self._drawn.uniform(0.0, 0.02), self._drawn.uniform(0.0, longest_s)])

    def _joined(self, pieces: Pieces) -> Pieces:
        """What follows without a gap comes in one piece, as a buffered port hands it over."""
        if self._drawn.random() < 0.5:
            return pieces
        out: Pieces = []
        for at_s, piece in pieces:
            if out and out[-1][0] == at_s:
                out[-1] = (at_s, out[-1][1] + piece)
            else:
                out.append((at_s, piece))
        return out

    def _noise(self, alphabet: bytes) -> bytes:
        return bytes(self._drawn.choices(alphabet, k=self._drawn.choice([1, 1, 2, 3, 8])))


class TalkingLine(Line):
    """The same with a device that prints by itself, twice a second."""

    _said_s = 0.0

    def next_s(self, now_s: float) -> float:
        return max(self._said_s + 0.5, now_s)

    def talk(self, until_s: float) -> list[Sent]:
        if until_s < self._said_s + 0.5:
            return []
        self._said_s = until_s
        return super().receive(b"", until_s)

    def receive(self, data: bytes, now_s: float) -> list[Sent]:
        return []


class Subject(Protocol):
    """A reader beside its instrument, as the study uses it."""

    def identify(self) -> Identity: ...
    def read(self) -> Mapping[int, float]:
        """Figures by the place that each must be of."""
        ...


@dataclass
class Wire:
    """One wire of the study."""

    answer: Callable[[bytes, float], Sequence[bytes]]
    manners: Manners
    build: Callable[[InlineByteLink], Subject]
    kinds: Sequence[Sequence[Kind]] = (LOSING, ADDING)
    has_time: bool = True
    settings: SerialSettings = field(default_factory=lambda: SerialSettings(19200))


@dataclass
class Figures:
    """What one or more seeds came to."""

    seeds: int = 0
    polls: int = 0
    believed: int = 0
    of_another: list[str] = field(default_factory=list)
    stale: list[str] = field(default_factory=list)
    lost: list[str] = field(default_factory=list)
    """Seeds after whose faults no reading came back."""

    @property
    def failures(self) -> list[str]:
        return [*self.of_another, *self.stale, *self.lost]


class Poller:
    """Reads as the daemon does: after a failure it asks for the name before it reads again."""

    def __init__(
        self, subject: Subject, link: InlineByteLink | InlineUsbLink, clock: HandClock, *, has_time: bool
    ) -> None:
        self._subject, self._link, self._clock, self._has_time = subject, link, clock, has_time
        self._is_well = False
        self._names: set[str] = set()

    def poll(self, pause_s: float, figures: Figures, name: str) -> bool:
        self._clock.now_s = self._link.now_s() + pause_s
        figures.polls += 1
        began_s = self._clock.now_s
        try:
            if not self._is_well:
                name_found = self._subject.identify().raw
                self._names.add(name_found)
                if len(self._names) > 1:
                    figures.of_another.append(f"{name}: {name_found!r} where {self._names} was")
            began_s = self._link.now_s()
            found = self._subject.read()
        except LampwardenError:
            self._is_well = False
            return False
        for place, value in found.items():
            of, at_s = divmod(value, PLACE)
            if of != place:
                figures.of_another.append(f"{name}: {value:.3f} for place {place}, asked at {began_s:.3f}")
            elif self._has_time and at_s < began_s - STEP_S:
                figures.stale.append(f"{name}: {value:.3f} measured {began_s - at_s:.3f} s before the question")
        self._is_well = True
        figures.believed += 1
        return True


class Faulty(Protocol):
    """What has a share of faults."""

    share: float
    last_s: float


Made = tuple[Subject, InlineByteLink | InlineUsbLink, Faulty, bool]
Maker = Callable[[random.Random, HandClock], Made]


def run_seed(name: str, make: Maker, seed: int, figures: Figures, *, polls: int = 12) -> None:
    """Let one seed's faults come and go, three times."""
    drawn = random.Random(f"{name} {seed}")  # noqa: S311  no secret
    clock = HandClock()
    subject, link, line, has_time = make(drawn, clock)
    one = Poller(subject, link, clock, has_time=has_time)
    figures.seeds += 1
    for _ in range(3):
        line.share = drawn.choice([0.05, 0.2, 0.5])
        for _ in range(polls):
            one.poll(drawn.uniform(0.25, 1.0), figures, f"{name} seed {seed}")
        line.share = 0.0
        clock.now_s = max(link.now_s(), line.last_s)
        if sum(one.poll(1.0, figures, f"{name} seed {seed}") for _ in range(WELL_AGAIN_POLLS)) == 0:
            figures.lost.append(f"{name} seed {seed}: not well again at {clock.now_s:.3f}")
