"""A running test as a person looks at it: the grid with what counts, what is doubtful and why, and the result so far.

Owns the step from :class:`~.procedure.progress.Progress` to words and figures for eyes; panel and terminal share it, so
that they cannot disagree. Pure. It must not know HTML, terminals or topics.

The figures "so far" are of the spots that have been read and say so: they are no result, and differ from it in that
drift is not known yet and in that degrees of freedom are taken as infinite.
"""

from collections.abc import Sequence
from enum import StrEnum

from ..protocol import units
from ..protocol.errors import MeasurementError
from ..protocol.quantity import Frozen, Quantity, UtcTime
from ..protocol.records import IntegrationNote
from ..protocol.setup import Grid, LampSetup, spot_indices
from .measure.estimate import Estimate, mean, ratio
from .measure.summary import stated
from .procedure.progress import AttemptNote, Leg, Progress


class SpotState(StrEnum):
    """How a spot stands."""

    UNREAD = "unread"
    ACCEPTED = "accepted"
    DOUBTFUL = "doubtful"
    CONFIRMED = "confirmed"
    VOID = "void"


class AttemptView(Frozen):
    """One attempt. ``why`` says what is wrong with it; empty when nothing is."""

    attempt: int
    ppfd_umol: float | None
    u_umol: float
    counts: bool
    why: str


class SpotView(Frozen):
    """One spot of the grid."""

    spot: str
    column: int
    row: int
    state: SpotState
    ppfd_umol: float | None
    u_umol: float | None
    chosen: bool
    why: str
    attempts: list[AttemptView]


class SoFar(Frozen):
    """What the spots that count come to, until now. ``expanded`` is half the 95 % interval."""

    spots: int
    of: int
    average: Quantity
    average_expanded: float | None
    uniformity: Quantity
    uniformity_expanded: float | None


class GridView(Frozen):
    """A test with its grid."""

    test_id: str
    setup: LampSetup
    grid: Grid
    phase: str
    leg: str
    now: str | None
    following: list[str]
    over: bool
    started: UtcTime
    struck: UtcTime | None
    struck_s: float | None
    integration: IntegrationNote | None
    spots: list[SpotView]
    opening: AttemptView | None
    closing: AttemptView | None
    so_far: SoFar
    flags: list[str]


def grid_view(progress: Progress) -> GridView:
    """The view of a test."""
    spots = progress.grid.spots()
    return GridView(
        test_id=progress.test_id,
        setup=progress.setup,
        grid=progress.grid,
        phase=progress.phase.value,
        leg=progress.leg.value,
        now=None if progress.over else progress.spot,
        following=list(progress.queue),
        over=progress.over,
        started=progress.started,
        struck=progress.strike_utc,
        struck_s=progress.strike_s,
        integration=progress.integration,
        spots=[_spot(progress, spot) for spot in spots],
        opening=_reference(progress, Leg.OPENING),
        closing=_reference(progress, Leg.CLOSING),
        so_far=so_far(progress.counting(), len(spots)),
        flags=list(progress.flags),
    )


def so_far(notes: Sequence[AttemptNote], of: int) -> SoFar:
    """Average and uniformity over the attempts that count.

    Args:
        notes: One for each spot that has one.
        of: Spots of the grid.
    """
    estimates = [Estimate(n.ppfd_umol, n.u_own_umol, n.u_common_umol) for n in notes if n.ppfd_umol is not None]
    none = "no spot has been read yet"
    average, average_expanded = Quantity.missing(units.PPFD, none), None
    uniformity, uniformity_expanded = Quantity.missing(units.ONE, none), None
    if estimates:
        figure = stated(mean(estimates))
        average, average_expanded = _figure(figure.estimate, figure.coverage_factor, units.PPFD)
        uniformity = Quantity.missing(units.ONE, "one spot has no uniformity")
    if len(estimates) > 1:
        highest = max(estimates, key=lambda e: e.value)
        lowest = min(estimates, key=lambda e: e.value)
        try:
            figure = stated(ratio(highest, lowest))
            uniformity, uniformity_expanded = _figure(figure.estimate, figure.coverage_factor, units.ONE)
        except MeasurementError as error:
            uniformity = Quantity.missing(units.ONE, error.what)
    return SoFar(
        spots=len(estimates),
        of=of,
        average=average,
        average_expanded=average_expanded,
        uniformity=uniformity,
        uniformity_expanded=uniformity_expanded,
    )


def _figure(estimate: Estimate | None, k: float | None, unit: str) -> tuple[Quantity, float | None]:
    if estimate is None or k is None:
        return Quantity.missing(unit, "cannot be computed"), None
    figure = Quantity(value=estimate.value, unit=unit, u_own=estimate.u_own, u_common=estimate.u_common)
    return figure, k * estimate.u


def _spot(progress: Progress, spot: str) -> SpotView:
    notes = progress.attempts_at(Leg.SPOT, spot)
    counted = progress.counted(Leg.SPOT, spot)
    column, row = spot_indices(spot)
    state = SpotState.UNREAD
    if counted is None and notes:
        state = SpotState.VOID
    elif spot in progress.confirmed:
        state = SpotState.CONFIRMED
    elif counted is not None:
        state = SpotState.DOUBTFUL if counted.doubts else SpotState.ACCEPTED
    attempts = [_attempt(note, counts=note is counted) for note in notes]
    told = counted if counted is not None else notes[-1] if notes else None
    return SpotView(
        spot=spot,
        column=column,
        row=row,
        state=state,
        ppfd_umol=None if counted is None else counted.ppfd_umol,
        u_umol=None if counted is None or counted.ppfd_umol is None else _combined(counted),
        chosen=any(choice.spot == spot for choice in progress.choices),
        why="" if told is None else _why(told),
        attempts=attempts,
    )


def _reference(progress: Progress, leg: Leg) -> AttemptView | None:
    note = progress.counted(leg, progress.grid.reference)
    return None if note is None else _attempt(note, counts=True)


def _attempt(note: AttemptNote, *, counts: bool) -> AttemptView:
    return AttemptView(
        attempt=note.attempt, ppfd_umol=note.ppfd_umol, u_umol=_combined(note), counts=counts, why=_why(note)
    )


def _combined(note: AttemptNote) -> float:
    return Estimate(note.ppfd_umol or 0.0, note.u_own_umol, note.u_common_umol).u


def _why(note: AttemptNote) -> str:
    if note.ppfd_umol is None:
        return "no light reading"
    if not note.undisturbed:
        return "disturbed: it does not count"
    return "; ".join(note.doubts)
