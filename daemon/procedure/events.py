"""What can happen to a test (events, in the past tense) and what a step asks of the shell (effects)."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from ...protocol.records import GateEvidence, GateName, IntegrationNote
from .progress import AttemptNote


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something happened at a bench time."""

    time_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Begun(Event):
    """The operator began the test."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Resumed(Event):
    """The daemon came back and found this test unfinished.

    Attributes:
        unwatched: Whether the machine was booted meanwhile and no power meter can say that the lamp burnt on.
    """

    unwatched: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Prepared(Event):
    """The readings with the lamp off are done."""

    ambient_umol: float | None
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ArcStruck(Event):
    """The power shows the arc, or its age is no longer believed and counts from now."""

    utc: datetime
    doubted: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ArcLost(Event):
    """The power shows that the arc is out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GatesOpened(Event):
    """All gates of this phase are open; the evidence says why."""

    evidence: tuple[GateEvidence, ...]
    steady_w: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Bumped(Event):
    """The signal jumped while it settled: ``time_s`` is when; the sensor was moved, though nobody pressed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GateHeld(Event):
    """A gate holds beyond its minimum time, or for another reason than before."""

    gate: GateName
    reason: str
    overdue: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Pressed(Event):
    """The foot switch, or what stands for it."""

    utc: datetime
    long: bool = False
    overdue: bool = False
    """Whether a gate holds beyond its longest wait; then a long press reads anyway."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RereadAsked(Event):
    """A spot is to be read again."""

    spot: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadAnywayAsked(Event):
    """The operator opens the gate that holds; allowed once it is ``overdue``, beyond its longest wait."""

    overdue: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ChoiceMade(Event):
    """The operator decides which attempt counts."""

    spot: str
    attempt: int
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AbandonAsked(Event):
    """The operator ends the test."""

    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TuningDone(Event):
    """The integration-time search has ended, in whatever way."""

    note: IntegrationNote


@dataclass(frozen=True, slots=True, kw_only=True)
class TuningFailed(Event):
    """The spectrometer failed the integration-time search, or was not there for it; the note says how."""

    note: IntegrationNote


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingDone(Event):
    """A window has been read, or was cut short."""

    note: AttemptNote


@dataclass(frozen=True, slots=True, kw_only=True)
class GridReviewed(Event):
    """All spots were read; these do not fit the whole grid: (spot, reason)."""

    doubtful: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Concluded(Event):
    """The summary is made."""

    text: str


class Tone(StrEnum):
    """Short signals; never the only one."""

    ACCEPTED = "accepted"
    DOUBTFUL = "doubtful"
    HOLD = "hold"
    NOT_YET = "not_yet"
    FINISHED = "finished"


@dataclass(frozen=True, slots=True)
class Effect:
    """Something for the shell to do."""


@dataclass(frozen=True, slots=True)
class Announce(Effect):
    """Write an event record, and sound a tone once it is on disk."""

    event: str
    text: str
    spot: str | None = None
    tone: Tone | None = None
    details: Mapping[str, str | int | float | bool | None] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Refuse(Effect):
    """What was asked does not fit; nothing has changed."""

    text: str


@dataclass(frozen=True, slots=True)
class StartPreparing(Effect):
    """Take the readings with the lamp off."""


@dataclass(frozen=True, slots=True)
class StartTuning(Effect):
    """Find the integration time, now or after a while."""

    after_s: float = 0.0


@dataclass(frozen=True, slots=True)
class WatchGates(Effect):
    """Wait for the gates of the phase that the step ends in."""


@dataclass(frozen=True, slots=True)
class OpenWindow(Effect):
    """Read all instruments over one window, now."""

    evidence: tuple[GateEvidence, ...]


@dataclass(frozen=True, slots=True)
class CutWindow(Effect):
    """End the window at once; what was read so far becomes a disturbed attempt."""

    reason: str


@dataclass(frozen=True, slots=True)
class StopJob(Effect):
    """Stop preparing, tuning or watching."""


@dataclass(frozen=True, slots=True)
class Conclude(Effect):
    """Make the summary."""
