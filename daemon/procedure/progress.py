"""Where a test stands: everything that a daemon needs to go on after it was killed.

Times are bench seconds (monotonic); the journal stores the boot they belong to.
"""

from enum import StrEnum
from uuid import UUID

from pydantic import Field

from ...protocol.quantity import Frozen, UtcTime
from ...protocol.records import GateName, IntegrationNote
from ...protocol.setup import Grid, LampSetup, SpotName, TestId


class Phase(StrEnum):
    """States of a test."""

    PREPARE = "prepare"
    AWAIT_STRIKE = "await_strike"
    WARM_UP = "warm_up"
    COOL_DOWN = "cool_down"
    TUNE = "tune"
    AWAIT_PRESS = "await_press"
    SETTLE = "settle"
    WINDOW = "window"
    CONCLUDE = "conclude"
    DONE = "done"
    ABANDONED = "abandoned"


class Leg(StrEnum):
    """Which part of the grid walk a reading belongs to."""

    OPENING = "opening"
    SPOT = "spot"
    CLOSING = "closing"


class AttemptNote(Frozen):
    """What the procedure must remember of an attempt; the spot record holds the rest."""

    leg: Leg
    spot: SpotName
    attempt: int = Field(ge=1)
    record_id: UUID
    read_s: float = Field(description="middle of the window")
    ppfd_umol: float | None
    u_own_umol: float = 0.0
    u_common_umol: float = 0.0
    undisturbed: bool
    doubts: tuple[str, ...] = ()
    scatter_relative: float | None = Field(default=None, description="of the samples within the window")
    sensor_over_spectrometer: float | None = None

    @property
    def counts(self) -> bool:
        """Whether it can stand for its spot: it has a value and nothing spoilt it."""
        return self.undisturbed and self.ppfd_umol is not None


class Choice(Frozen):
    """The operator decided which attempt counts."""

    spot: SpotName
    attempt: int
    reason: str


class Progress(Frozen):
    """Where a test stands."""

    test_id: TestId
    setup: LampSetup
    grid: Grid
    phase: Phase = Phase.PREPARE
    started: UtcTime
    strike_s: float | None = None
    strike_utc: UtcTime | None = None
    strike_seen_by: str = Field(default="power_meter", description="or press, without a power meter")
    steady_w: float | None = Field(default=None, description="power when the warm-up gate opened")
    leg: Leg = Leg.OPENING
    spot: SpotName
    queue: tuple[SpotName, ...] = Field(description="spots still to be read after the present one")
    pressed_s: float | None = Field(
        default=None, description="when the sensor was put down: the press, or a bump since"
    )
    asked_s: float | None = Field(default=None, description="the operator's own press; the longest wait counts from it")
    granted: tuple[GateName, ...] = Field(default=(), description="gates that the operator has opened for this reading")
    integration: IntegrationNote | None = None
    tuning_since_s: float | None = Field(default=None, description="since when the search waits for the spectrometer")
    tuning_trouble: str | None = Field(default=None, description="why it waits")
    attempts: tuple[AttemptNote, ...] = ()
    choices: tuple[Choice, ...] = ()
    confirmed: tuple[SpotName, ...] = ()
    ambient_umol: float | None = None
    flags: tuple[str, ...] = ()

    def attempts_at(self, leg: Leg, spot: str) -> tuple[AttemptNote, ...]:
        """All attempts at a spot in a leg, in the order they were made."""
        return tuple(note for note in self.attempts if note.leg is leg and note.spot == spot)

    def next_attempt(self) -> int:
        """The number that the next attempt at the present spot gets."""
        return len(self.attempts_at(self.leg, self.spot)) + 1

    def counted(self, leg: Leg, spot: str) -> AttemptNote | None:
        """The attempt that counts: the operator's choice, else the last undisturbed one, never the higher one."""
        notes = self.attempts_at(leg, spot)
        if leg is Leg.SPOT:
            for choice in reversed(self.choices):
                if choice.spot == spot:
                    return next((note for note in notes if note.attempt == choice.attempt), None)
        return next((note for note in reversed(notes) if note.counts), None)

    def counting(self) -> list[AttemptNote]:
        """The attempt that counts at each spot of the grid that has one, in the grid's order.

        Looks at each attempt once, where :meth:`counted` for every spot would look at all of them for each.
        """
        chosen = {choice.spot: choice.attempt for choice in self.choices}
        found: dict[str, AttemptNote] = {}
        for note in self.attempts:
            if note.leg is Leg.SPOT and (note.attempt == chosen[note.spot] if note.spot in chosen else note.counts):
                found[note.spot] = note
        return [found[spot] for spot in self.grid.spots() if spot in found]

    def spots_done(self) -> int:
        """How many spots of the grid have an attempt that counts."""
        return len(self.counting())

    @property
    def over(self) -> bool:
        """Whether the test has ended."""
        return self.phase in (Phase.DONE, Phase.ABANDONED)


def shifted(progress: Progress, by_s: float) -> Progress:
    """The same progress told in a monotonic time that differs by ``by_s`` (after the machine was booted again)."""

    def move(time_s: float | None) -> float | None:
        return None if time_s is None else time_s + by_s

    return progress.model_copy(
        update={
            "strike_s": move(progress.strike_s),
            "pressed_s": move(progress.pressed_s),
            "asked_s": move(progress.asked_s),
            "tuning_since_s": move(progress.tuning_since_s),
            "attempts": tuple(n.model_copy(update={"read_s": n.read_s + by_s}) for n in progress.attempts),
        }
    )
