"""The state machine of a lamp test.

:data:`TABLE` says, for each phase and each kind of event, which rule applies and in which phases it may end. A rule is
a pure function of (progress, event, settings); it returns the new progress and the effects for the shell. A request of
the operator that is not in the table is refused with the words of :data:`NOT_YET`; any other event that is not in the
table is late news and changes nothing.

:func:`step` is the only door. It must not know clocks, instruments, files or topics.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final, TypeVar, cast

from ...protocol.counts import counted
from ...protocol.records import GateName
from ..measure.doubt import confirmed as repeats
from ..measure.estimate import Estimate
from .events import (
    AbandonAsked,
    Announce,
    ArcLost,
    ArcStruck,
    Begun,
    Bumped,
    ChoiceMade,
    Conclude,
    Concluded,
    CutWindow,
    Effect,
    Event,
    GateHeld,
    GatesOpened,
    GridReviewed,
    OpenWindow,
    Prepared,
    Pressed,
    ReadAnywayAsked,
    ReadingDone,
    Refuse,
    RereadAsked,
    Resumed,
    StartPreparing,
    StartTuning,
    StopJob,
    Tone,
    TuningDone,
    TuningFailed,
    WatchGates,
)
from .progress import AttemptNote, Choice, Leg, Phase, Progress


@dataclass(frozen=True, slots=True)
class Settings:
    """What the rules need to know of the configuration."""

    warm_up_minimum_s: float
    attempts_before_moving_on: int
    has_power_meter: bool
    has_spectrometer: bool
    tuning_longest_s: float


TUNING_RETRY_S: Final = 2.0
"""Between two searches: as often as a spectrometer that nobody uses is looked at."""

Outcome = tuple[Progress, tuple[Effect, ...]]
Rule = Callable[[Progress, Event, Settings], Outcome]
E = TypeVar("E", bound=Event)
TypedRule = Callable[[Progress, E, Settings], Outcome]


def step(progress: Progress, event: Event, settings: Settings) -> Outcome:
    """Take one event in.

    Returns:
        The progress after it, and what the shell must do, in order.
    """
    row = TABLE.get((progress.phase, type(event)))
    if row is None:
        if isinstance(event, REQUESTS):
            return progress, (Refuse(_not_yet(progress, event, settings)),)
        return progress, ()
    after, effects = row.rule(progress, event, settings)
    if after.phase not in row.targets:
        raise AssertionError(f"{progress.phase} on {type(event).__name__} may not end in {after.phase}")
    return after, effects


def _to(progress: Progress, phase: Phase, **changes: object) -> Progress:
    return progress.model_copy(update={"phase": phase, **changes})


def _flagged(progress: Progress, *flags: str) -> tuple[str, ...]:
    return progress.flags + tuple(flag for flag in flags if flag not in progress.flags)


NOT_FOLLOWED: Final = "burn not followed throughout: warm-up begun again"
"""The flag of a test whose lamp was not watched from its strike on."""

# Beginning and lamp-off readings


def _begin(progress: Progress, event: Begun, settings: Settings) -> Outcome:
    setup = progress.setup
    text = (
        f"test begun: lamp {setup.lamp}, {setup.rated_power_w:g} W, {setup.burning_hours:g} h burnt, "
        f"ballast {setup.ballast} ({setup.ballast_setting}), fixture {setup.fixture}, {setup.height_mm:g} mm"
    )
    details = dict(setup.model_dump(mode="json"))
    details |= {f"grid_{key}": value for key, value in progress.grid.model_dump(mode="json").items()}
    return _to(progress, Phase.PREPARE), (Announce("test_begun", text, details=details), StartPreparing())


def _prepared(progress: Progress, event: Prepared, settings: Settings) -> Outcome:
    ambient = "not measured" if event.ambient_umol is None else f"{event.ambient_umol:.2f} µmol m⁻² s⁻¹"
    after = _to(progress, Phase.AWAIT_STRIKE, ambient_umol=event.ambient_umol, flags=_flagged(progress, *event.flags))
    return after, (Announce("lamp_off_read", f"lamp-off readings done: ambient light {ambient}"),)


def _struck(progress: Progress, event: ArcStruck, settings: Settings) -> Outcome:
    after = _to(progress, Phase.WARM_UP, strike_s=event.time_s, strike_utc=event.utc, pressed_s=None, granted=())
    if event.doubted:
        after = after.model_copy(update={"flags": _flagged(after, NOT_FOLLOWED)})
        text = "the lamp was not seen to burn throughout: warm-up begins again"
    else:
        text = "lamp struck: warm-up begins"
    return after, (Announce("lamp_struck", text), WatchGates())


def _struck_again(progress: Progress, event: ArcStruck, settings: Settings) -> Outcome:
    """The age of the burn is no longer believed while something else was going on."""
    after, effects = _struck(progress, event, settings)
    stop: tuple[Effect, ...] = (StopJob(),)
    if progress.phase is Phase.WINDOW:
        stop = (CutWindow("the age of the burn is in doubt"),)
    return after, (*stop, *effects)


def _struck_by_press(progress: Progress, event: Pressed, settings: Settings) -> Outcome:
    if settings.has_power_meter:
        return progress, (Refuse("not yet: strike the lamp; the power meter will see it"),)
    flags = _flagged(progress, "strike told by a press, not by a power meter")
    after = _to(
        progress, Phase.WARM_UP, strike_s=event.time_s, strike_utc=event.utc, strike_seen_by="press", flags=flags
    )
    return after, (Announce("lamp_struck", "lamp struck, by the operator's word: warm-up begins"), WatchGates())


def _lost(progress: Progress, event: ArcLost, settings: Settings) -> Outcome:
    stop: tuple[Effect, ...] = (StopJob(),)
    if progress.phase is Phase.WINDOW:
        stop = (CutWindow("the arc dropped out"),)
    after = _to(
        progress,
        Phase.COOL_DOWN,
        strike_s=None,
        pressed_s=None,
        granted=(),
        flags=_flagged(progress, "arc dropped out"),
    )
    text = "the arc dropped out: let the lamp cool, then it strikes again and the warm-up starts anew"
    return after, (*stop, Announce("arc_lost", text, tone=Tone.HOLD))


# Warm-up and tuning


def _warmed_up(progress: Progress, event: GatesOpened, settings: Settings) -> Outcome:
    flags = _flagged(
        progress, *(f"warm-up gate opened by the operator: {e.reason}" for e in event.evidence if e.read_anyway)
    )
    effects: tuple[Effect, ...] = (Announce("warmed_up", "; ".join(e.reason for e in event.evidence)),)
    after = progress.model_copy(update={"granted": (), "flags": flags, "steady_w": event.steady_w})
    missing = progress.integration is None or progress.integration.outcome == "not_available"
    if missing and settings.has_spectrometer:
        return _to(after, Phase.TUNE, tuning_since_s=None, tuning_trouble=None), (*effects, StartTuning())
    return _to_reading(after, effects)


def _tuned(progress: Progress, event: TuningDone, settings: Settings) -> Outcome:
    flags = progress.flags
    if event.note.outcome != "tuned":
        flags = _flagged(progress, f"no spectra: {event.note.text}")
    announce = Announce("tuned" if event.note.outcome == "tuned" else "not_tuned", event.note.text)
    after = _to(progress, progress.phase, integration=event.note, flags=flags, tuning_since_s=None, tuning_trouble=None)
    return _to_reading(after, (announce,))


def _tuning_failed(progress: Progress, event: TuningFailed, settings: Settings) -> Outcome:
    """The lamp is warm and stays so: a spectrometer that was away for a moment is waited for, and asked again."""
    since_s = event.time_s if progress.tuning_since_s is None else progress.tuning_since_s
    if event.time_s - since_s >= settings.tuning_longest_s:
        return _tuned(progress, TuningDone(time_s=event.time_s, note=event.note), settings)
    after = _to(progress, Phase.TUNE, tuning_since_s=since_s, tuning_trouble=event.note.text)
    again = StartTuning(after_s=TUNING_RETRY_S)
    if progress.tuning_trouble is not None:
        return after, (again,)
    text = f"the integration time waits for the spectrometer: {event.note.text}"
    return after, (Announce("tuning_waits", text, tone=Tone.HOLD), again)


def _to_reading(progress: Progress, effects: tuple[Effect, ...]) -> Outcome:
    """The opening reading needs no press: the sensor has stood at the reference point since the strike."""
    if progress.leg is Leg.OPENING:
        return _to(progress, Phase.SETTLE, pressed_s=None), (*effects, WatchGates())
    return _to(progress, Phase.AWAIT_PRESS, pressed_s=None), effects


def _held(progress: Progress, event: GateHeld, settings: Settings) -> Outcome:
    tail = "; wait, or read anyway" if event.overdue else ""
    kind = "gate_overdue" if event.overdue else "gate_held"
    details = {"gate": event.gate.value, "overdue": event.overdue}
    return progress, (
        Announce(
            kind,
            f"{_words(event.gate)} holds: {event.reason.removeprefix('not yet: ')}{tail}",
            _spot(progress),
            Tone.HOLD,
            details,
        ),
    )


def _read_anyway(progress: Progress, event: ReadAnywayAsked, settings: Settings) -> Outcome:
    if not event.overdue:
        return progress, (Refuse("not yet: a gate can be overruled only after its longest wait"),)
    return _overrule(progress)


def _overrule(progress: Progress) -> Outcome:
    gates = (GateName.WARM_UP,) if progress.phase is Phase.WARM_UP else (GateName.SETTLE, GateName.SUPPLY)
    after = _to(progress, progress.phase, granted=gates)
    return after, (
        Announce("read_anyway", "the operator reads anyway; the record says so", _spot(progress)),
        WatchGates(),
    )


def _pressed_while_warming(progress: Progress, event: Pressed, settings: Settings) -> Outcome:
    if event.long and event.overdue:
        return _overrule(progress)
    return progress, (Refuse(_not_yet(progress, event, settings)),)


# Spots


def _pressed(progress: Progress, event: Pressed, settings: Settings) -> Outcome:
    if event.long:
        last = next((note for note in reversed(progress.attempts) if note.leg is Leg.SPOT), None)
        if last is None:
            return progress, (Refuse("there is no spot yet that could be read again"),)
        progress = _aim(progress, last.spot)
    after = _put_down(progress, event)
    return after, (Announce("press_accepted", f"settling at {_place(after)}", after.spot), WatchGates())


def _put_down(progress: Progress, event: Pressed) -> Progress:
    """The operator has put the sensor down, and waits from now on."""
    return _to(progress, Phase.SETTLE, pressed_s=event.time_s, asked_s=event.time_s, granted=())


def _pressed_while_settling(progress: Progress, event: Pressed, settings: Settings) -> Outcome:
    if event.long and event.overdue:
        return _overrule(progress)
    if progress.leg is Leg.OPENING:
        return progress, (
            Refuse("not yet: the opening reading is being taken; leave the sensor at the reference point"),
        )
    after = _put_down(progress, event)
    text = f"settling again at {_place(after)}: pressed while settling, so the sensor was moved"
    return after, (Announce("settling_again", text, after.spot, Tone.HOLD), WatchGates())


def _bumped(progress: Progress, event: Bumped, settings: Settings) -> Outcome:
    if progress.leg is Leg.OPENING:
        return progress, ()
    after = _to(progress, Phase.SETTLE, pressed_s=event.time_s, granted=())
    text = f"settling again at {_place(after)}: the signal jumped, so the sensor was moved"
    return after, (Announce("settling_again", text, after.spot, Tone.HOLD), WatchGates())


def _pressed_in_window(progress: Progress, event: Pressed, settings: Settings) -> Outcome:
    if progress.leg is Leg.OPENING:
        after, effects = _to(progress, Phase.SETTLE, pressed_s=None), (WatchGates(),)
        text = "opening reading void: pressed during the window; it is taken again"
    else:
        after, effects = _put_down(progress, event), (WatchGates(),)
        text = f"attempt at {_place(progress)} void: pressed during the window; settling again"
    cut = CutWindow("pressed during the window")
    return after, (cut, Announce("attempt_voided", text, progress.spot, Tone.HOLD), *effects)


def _reread(progress: Progress, event: RereadAsked, settings: Settings) -> Outcome:
    if event.spot not in progress.grid.spots():
        return progress, (Refuse(f"{event.spot} is not a spot of this grid"),)
    if progress.leg is Leg.OPENING:
        return progress, (Refuse("not yet: the opening reading comes first"),)
    after = _to(_aim(progress, event.spot), Phase.AWAIT_PRESS, pressed_s=None, granted=())
    return after, (
        Announce("reread_asked", f"{event.spot} will be read again: place the sensor and press", event.spot),
    )


def _reread_while_busy(progress: Progress, event: RereadAsked, settings: Settings) -> Outcome:
    after, effects = _reread(progress, event, settings)
    if after is progress:
        return progress, effects
    if progress.phase is Phase.WINDOW:
        return after, (CutWindow("another spot was asked for"), *effects)
    return after, (StopJob(), *effects)


def _aim(progress: Progress, spot: str) -> Progress:
    """Put a spot before what was to be read next; the interrupted spot follows it."""
    queue = tuple(name for name in progress.queue if name != spot)
    if progress.leg is Leg.SPOT and progress.spot != spot and progress.counted(Leg.SPOT, progress.spot) is None:
        queue = (progress.spot, *queue)
    return progress.model_copy(update={"leg": Leg.SPOT, "spot": spot, "queue": queue})


def _gates_open(progress: Progress, event: GatesOpened, settings: Settings) -> Outcome:
    return _to(progress, Phase.WINDOW), (OpenWindow(event.evidence),)


def _late_reading(progress: Progress, event: ReadingDone, settings: Settings) -> Outcome:
    """A window that was cut short hands in what it had."""
    return progress.model_copy(update={"attempts": (*progress.attempts, event.note)}), ()


def _read(progress: Progress, event: ReadingDone, settings: Settings) -> Outcome:
    note = event.note
    after = progress.model_copy(update={"attempts": (*progress.attempts, note), "granted": (), "pressed_s": None})
    tries = len(after.attempts_at(note.leg, note.spot))
    if note.counts and not note.doubts:
        text = f"{_place(progress)}: {note.ppfd_umol:.1f} µmol m⁻² s⁻¹"
        return _onwards(after, (Announce("accepted", text, note.spot, Tone.ACCEPTED, _figures(note)),))
    if note.counts and _confirms(after.attempts_at(note.leg, note.spot)):
        text = f"{_place(progress)} confirmed: {note.ppfd_umol:.1f} µmol m⁻² s⁻¹ again, so it is real"
        known = note.leg is not Leg.SPOT or note.spot in after.confirmed
        confirmed = after.confirmed if known else (*after.confirmed, note.spot)
        after = after.model_copy(update={"confirmed": confirmed})
        return _onwards(after, (Announce("confirmed", text, note.spot, Tone.ACCEPTED, _figures(note)),))
    why = "; ".join(note.doubts) or "the attempt was disturbed"
    if tries >= settings.attempts_before_moving_on:
        text = f"{_place(progress)} stays doubtful after {counted(tries, 'attempt')}: {why}"
        after = after.model_copy(update={"flags": _flagged(after, f"{_place(progress)} stays doubtful: {why}")})
        return _onwards(after, (Announce("stays_doubtful", text, note.spot, Tone.DOUBTFUL, _figures(note)),))
    text = f"{_place(progress)} is doubtful: {why}; place the sensor again and press"
    if note.leg is Leg.OPENING:
        text = f"the opening reading is doubtful: {why}; it is taken again"
    return _again(after, (Announce("doubtful", text, note.spot, Tone.DOUBTFUL, _figures(note)),))


def _again(progress: Progress, effects: tuple[Effect, ...]) -> Outcome:
    if progress.leg is Leg.OPENING:
        return _to(progress, Phase.SETTLE), (*effects, WatchGates())
    return _to(progress, Phase.AWAIT_PRESS), effects


def _onwards(progress: Progress, effects: tuple[Effect, ...]) -> Outcome:
    """To the next spot, to the closing reading, or to the conclusion."""
    if progress.leg is Leg.CLOSING:
        return _to(progress, Phase.CONCLUDE), (*effects, Conclude())
    if progress.queue:
        spot, *rest = progress.queue
        return _to(progress, Phase.AWAIT_PRESS, leg=Leg.SPOT, spot=spot, queue=tuple(rest)), effects
    return _to(progress, Phase.AWAIT_PRESS, leg=Leg.CLOSING, spot=progress.grid.reference), effects


def _reviewed(progress: Progress, event: GridReviewed, settings: Settings) -> Outcome:
    """Spots that could not be judged when they were read are read again before the closing reading."""
    again = tuple(
        (spot, reason)
        for spot, reason in event.doubtful
        if len(progress.attempts_at(Leg.SPOT, spot)) < settings.attempts_before_moving_on
    )
    if progress.leg is not Leg.CLOSING or progress.attempts_at(Leg.CLOSING, progress.spot) or not again:
        return progress, ()
    spots = tuple(spot for spot, _ in again)
    after = _to(progress, Phase.AWAIT_PRESS, leg=Leg.SPOT, spot=spots[0], queue=spots[1:])
    text = "doubtful, now that the whole grid is read: " + "; ".join(f"{spot} {reason}" for spot, reason in again)
    return after, (Announce("doubtful_in_hindsight", f"{text}; read again", spots[0], Tone.DOUBTFUL),)


def _confirms(notes: tuple[AttemptNote, ...]) -> bool:
    """Whether the last attempt repeats an earlier undisturbed one within their own uncertainties."""
    *earlier, last = notes
    return last.ppfd_umol is not None and any(
        note.counts
        and note.ppfd_umol is not None
        and repeats(Estimate(note.ppfd_umol, note.u_own_umol), Estimate(last.ppfd_umol, last.u_own_umol))
        for note in earlier
    )


# Operator's word, end, resume


def _choose(progress: Progress, event: ChoiceMade, settings: Settings) -> Outcome:
    notes = progress.attempts_at(Leg.SPOT, event.spot)
    note = next((n for n in notes if n.attempt == event.attempt), None)
    if note is None:
        return progress, (
            Refuse(f"{event.spot} has {counted(len(notes), 'attempt')}; there is no attempt {event.attempt}"),
        )
    if note.ppfd_umol is None:
        return progress, (Refuse(f"attempt {event.attempt} at {event.spot} has no light reading"),)
    choice = Choice(spot=event.spot, attempt=event.attempt, reason=event.reason)
    after = progress.model_copy(
        update={
            "choices": (*progress.choices, choice),
            "flags": _flagged(progress, f"{event.spot}: the operator chose attempt {event.attempt}: {event.reason}"),
        }
    )
    return after, (
        Announce("choice_made", f"attempt {event.attempt} counts for {event.spot}: {event.reason}", event.spot),
    )


def _abandon(progress: Progress, event: AbandonAsked, settings: Settings) -> Outcome:
    stop: tuple[Effect, ...] = (StopJob(),)
    if progress.phase is Phase.WINDOW:
        stop = (CutWindow("the test was abandoned"),)
    return _to(progress, Phase.ABANDONED), (*stop, Announce("test_abandoned", f"test abandoned: {event.reason}"))


def _concluded(progress: Progress, event: Concluded, settings: Settings) -> Outcome:
    return _to(progress, Phase.DONE), (Announce("test_finished", event.text, tone=Tone.FINISHED),)


def _resume(progress: Progress, event: Resumed, settings: Settings) -> Outcome:
    """Come back into the phase, or into a safe earlier one."""
    effects: tuple[Effect, ...] = ()
    after = progress
    match progress.phase:
        case phase if event.unwatched and phase in _BURNING:
            # What took the machine's power may have taken the lamp's: only the operator can say that it burns.
            flags = _flagged(progress, NOT_FOLLOWED)
            after = _to(progress, Phase.COOL_DOWN, strike_s=None, pressed_s=None, granted=(), flags=flags)
            text = "nobody saw the lamp while the computer was off: press when it burns, and the warm-up begins again"
        case Phase.PREPARE:
            text, effects = "the lamp-off readings are taken again", (StartPreparing(),)
        case Phase.AWAIT_STRIKE | Phase.AWAIT_PRESS:
            text = "nothing was lost"
        case Phase.COOL_DOWN:
            text = "the lamp is cooling"
        case Phase.WARM_UP:
            text, effects = "the warm-up goes on if the lamp burnt throughout", (WatchGates(),)
        case Phase.TUNE:
            text, effects = "the integration time is looked for again", (StartTuning(),)
        case Phase.CONCLUDE:
            text, effects = "the summary is made again", (Conclude(),)
        case _ if progress.leg is Leg.OPENING:
            after, text, effects = _to(progress, Phase.SETTLE), "the opening reading is taken again", (WatchGates(),)
        case _:
            after = _to(progress, Phase.AWAIT_PRESS, pressed_s=None, granted=())
            text = f"{_place(progress)} was being read: place the sensor there and press again"
    return after, (Announce("test_resumed", f"test resumed: {text}"), *effects)


def _figures(note: AttemptNote) -> Mapping[str, float | int | None]:
    return {"ppfd_umol": note.ppfd_umol, "u_own_umol": note.u_own_umol, "attempt": note.attempt}


def _words(gate: GateName) -> str:
    return {"warm_up": "warm-up", "settle": "settling", "supply": "the supply"}[gate.value]


def _place(progress: Progress) -> str:
    match progress.leg:
        case Leg.OPENING:
            return "the reference point (opening)"
        case Leg.CLOSING:
            return "the reference point (closing)"
        case _:
            return progress.spot


def _spot(progress: Progress) -> str | None:
    return progress.spot if progress.phase in (Phase.SETTLE, Phase.WINDOW, Phase.AWAIT_PRESS) else None


REQUESTS: Final = (Pressed, RereadAsked, ReadAnywayAsked, ChoiceMade, AbandonAsked)
"""Events that somebody waits to be answered."""

NOT_YET: Final[dict[Phase, str]] = {
    Phase.PREPARE: "not yet: the readings with the lamp off are being taken",
    Phase.AWAIT_STRIKE: "not yet: the lamp is not burning",
    Phase.WARM_UP: "not yet: the lamp is warming up",
    Phase.COOL_DOWN: "not yet: the lamp is out and must cool and strike again",
    Phase.TUNE: "not yet: the integration time is being found",
    Phase.AWAIT_PRESS: "there is nothing that holds: place the sensor and press",
    Phase.SETTLE: "the signal is settling",
    Phase.WINDOW: "the window is being read",
    Phase.CONCLUDE: "the test is over: the result is being made",
    Phase.DONE: "the test is over",
    Phase.ABANDONED: "the test was abandoned",
}
"""Why a request that has no row in the table is refused."""


def _not_yet(progress: Progress, event: Event, settings: Settings) -> str:
    text = NOT_YET[progress.phase]
    if progress.phase is Phase.WARM_UP and progress.strike_s is not None:
        left_s = progress.strike_s + settings.warm_up_minimum_s - event.time_s
        if left_s > 0:
            text += f", {int(left_s // 60)} min {int(left_s % 60)} s to go"
    return text


@dataclass(frozen=True, slots=True)
class Row:
    """What happens, and where it may end."""

    rule: Rule
    targets: frozenset[Phase]


def _row(rule: TypedRule[E], *targets: Phase) -> Row:
    # The table's key fixes the event's type, which the type of a dict cannot say.
    return Row(cast("Rule", rule), frozenset(targets))


_BURNING: Final = (Phase.WARM_UP, Phase.TUNE, Phase.AWAIT_PRESS, Phase.SETTLE, Phase.WINDOW)
_OPEN: Final = tuple(phase for phase in Phase if phase not in (Phase.DONE, Phase.ABANDONED))
_MEASURING: Final = (Phase.SETTLE, Phase.WINDOW)
_READ_ENDS: Final = (Phase.SETTLE, Phase.AWAIT_PRESS, Phase.CONCLUDE)

TABLE: Final[dict[tuple[Phase, type[Event]], Row]] = {
    (Phase.PREPARE, Begun): _row(_begin, Phase.PREPARE),
    (Phase.PREPARE, Prepared): _row(_prepared, Phase.AWAIT_STRIKE),
    (Phase.AWAIT_STRIKE, ArcStruck): _row(_struck, Phase.WARM_UP),
    (Phase.AWAIT_STRIKE, Pressed): _row(_struck_by_press, Phase.AWAIT_STRIKE, Phase.WARM_UP),
    (Phase.COOL_DOWN, ArcStruck): _row(_struck, Phase.WARM_UP),
    (Phase.COOL_DOWN, Pressed): _row(_struck_by_press, Phase.COOL_DOWN, Phase.WARM_UP),
    (Phase.WARM_UP, GatesOpened): _row(_warmed_up, Phase.TUNE, Phase.SETTLE, Phase.AWAIT_PRESS),
    (Phase.WARM_UP, GateHeld): _row(_held, Phase.WARM_UP),
    (Phase.WARM_UP, Pressed): _row(_pressed_while_warming, Phase.WARM_UP),
    (Phase.WARM_UP, ReadAnywayAsked): _row(_read_anyway, Phase.WARM_UP),
    (Phase.TUNE, TuningDone): _row(_tuned, Phase.SETTLE, Phase.AWAIT_PRESS),
    (Phase.TUNE, TuningFailed): _row(_tuning_failed, Phase.TUNE, Phase.SETTLE, Phase.AWAIT_PRESS),
    (Phase.AWAIT_PRESS, Pressed): _row(_pressed, Phase.SETTLE, Phase.AWAIT_PRESS),
    (Phase.AWAIT_PRESS, RereadAsked): _row(_reread, Phase.AWAIT_PRESS),
    (Phase.AWAIT_PRESS, GridReviewed): _row(_reviewed, Phase.AWAIT_PRESS),
    (Phase.SETTLE, Pressed): _row(_pressed_while_settling, Phase.SETTLE),
    (Phase.SETTLE, Bumped): _row(_bumped, Phase.SETTLE),
    (Phase.SETTLE, GatesOpened): _row(_gates_open, Phase.WINDOW),
    (Phase.SETTLE, GateHeld): _row(_held, Phase.SETTLE),
    (Phase.SETTLE, ReadAnywayAsked): _row(_read_anyway, Phase.SETTLE),
    (Phase.SETTLE, RereadAsked): _row(_reread_while_busy, Phase.SETTLE, Phase.AWAIT_PRESS),
    (Phase.WINDOW, Pressed): _row(_pressed_in_window, Phase.SETTLE),
    (Phase.WINDOW, ReadingDone): _row(_read, *_READ_ENDS),
    (Phase.WINDOW, RereadAsked): _row(_reread_while_busy, Phase.WINDOW, Phase.AWAIT_PRESS),
    (Phase.CONCLUDE, Concluded): _row(_concluded, Phase.DONE),
    **{(phase, ArcStruck): _row(_struck_again, Phase.WARM_UP) for phase in _BURNING},
    **{(phase, ArcLost): _row(_lost, Phase.COOL_DOWN) for phase in _BURNING},
    **{(phase, ReadingDone): _row(_late_reading, phase) for phase in Phase if phase is not Phase.WINDOW},
    **{(phase, ChoiceMade): _row(_choose, phase) for phase in _OPEN},
    **{(phase, AbandonAsked): _row(_abandon, Phase.ABANDONED) for phase in _OPEN},
    **{(phase, Resumed): _row(_resume, phase) for phase in _OPEN if phase not in _BURNING},
    **{(phase, Resumed): _row(_resume, phase, Phase.COOL_DOWN) for phase in _BURNING if phase not in _MEASURING},
    **{(phase, Resumed): _row(_resume, Phase.SETTLE, Phase.AWAIT_PRESS, Phase.COOL_DOWN) for phase in _MEASURING},
}
"""The machine: (phase, kind of event) → rule and the phases it may end in."""
