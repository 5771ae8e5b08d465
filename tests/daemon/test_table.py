"""The state machine of a lamp test: every pair of phase and event, and the claims of the design about the procedure."""

import itertools
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from typing import Any, ClassVar

import pytest
from lampwarden.daemon.procedure.events import (
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
from lampwarden.daemon.procedure.progress import Leg, Phase, Progress
from lampwarden.daemon.procedure.table import NOT_YET, REQUESTS, TABLE, Settings, step
from lampwarden.protocol.records import GateEvidence, GateName, IntegrationNote
from support.benches import START, note, progress

FULL = Settings(
    warm_up_minimum_s=900.0,
    attempts_before_moving_on=3,
    has_power_meter=True,
    has_spectrometer=True,
    tuning_longest_s=300.0,
)
NO_METER = replace(FULL, has_power_meter=False, has_spectrometer=False)
SPOTS = progress().grid.spots()
TUNED = IntegrationNote(
    outcome="tuned",
    integration_s=0.14,
    whole_ripple_periods=14,
    fraction_of_full_scale=0.8,
    residual_ripple_percent=0.0,
    exposures=3,
    text="integration time 140 ms",
)
TOO_WEAK = TUNED.model_copy(update={"outcome": "too_weak", "integration_s": None, "text": "too weak: no light"})
AWAY = TUNED.model_copy(
    update={"outcome": "not_available", "integration_s": None, "text": "the spectrometer does not answer"}
)


def evidence(gate: GateName = GateName.SETTLE, *, anyway: bool = False) -> GateEvidence:
    return GateEvidence(gate=gate, open=not anyway, read_anyway=anyway, waited_s=31.0, minimum_s=30.0, reason="settled")


def samples_of(kind: type[Event], time_s: float = 1000.0) -> list[Event]:
    """Events of one kind that differ in what rules look at."""
    at: dict[str, Any] = {"time_s": time_s}
    made: dict[type[Event], list[Event]] = {
        Begun: [Begun(**at)],
        Resumed: [Resumed(**at), Resumed(**at, unwatched=True)],
        Prepared: [Prepared(**at, ambient_umol=0.4), Prepared(**at, ambient_umol=None, flags=("a flag",))],
        ArcStruck: [ArcStruck(**at, utc=START, doubted=doubted) for doubted in (False, True)],
        ArcLost: [ArcLost(**at)],
        GatesOpened: [
            GatesOpened(**at, evidence=(evidence(anyway=anyway),), steady_w=275.0) for anyway in (False, True)
        ],
        Bumped: [Bumped(**at)],
        GateHeld: [
            GateHeld(**at, gate=gate, reason="not yet: moves", overdue=o) for gate in GateName for o in (False, True)
        ],
        Pressed: [Pressed(**at, utc=START, long=long, overdue=o) for long in (False, True) for o in (False, True)],
        RereadAsked: [RereadAsked(**at, spot=spot) for spot in ("A1", "C2", "Z9")],
        ReadAnywayAsked: [ReadAnywayAsked(**at, overdue=overdue) for overdue in (False, True)],
        ChoiceMade: [ChoiceMade(**at, spot="A1", attempt=attempt, reason="why") for attempt in (1, 2, 9)],
        AbandonAsked: [AbandonAsked(**at, reason="why")],
        TuningDone: [TuningDone(**at, note=TUNED), TuningDone(**at, note=TOO_WEAK)],
        TuningFailed: [TuningFailed(**at, note=AWAY)],
        ReadingDone: [
            ReadingDone(**at, note=note("A1", 3)),
            ReadingDone(**at, note=note("A1", 3, doubts=("odd",))),
            ReadingDone(**at, note=note("A1", 3, 450.0, doubts=("odd",))),
            ReadingDone(**at, note=note("A1", 3, undisturbed=False)),
            ReadingDone(**at, note=note("A1", 3, None, undisturbed=False)),
        ],
        GridReviewed: [GridReviewed(**at, doubtful=()), GridReviewed(**at, doubtful=(("B2", "odd"),))],
        Concluded: [Concluded(**at, text="average 400")],
    }
    return made[kind]


KINDS: list[type[Event]] = [
    Begun, Resumed, Prepared, ArcStruck, ArcLost, GatesOpened, Bumped, GateHeld, Pressed, RereadAsked, ReadAnywayAsked,
    ChoiceMade, AbandonAsked, TuningDone, TuningFailed, ReadingDone, GridReviewed, Concluded,
]  # fmt: skip


def situations(phase: Phase) -> list[Progress]:
    """Ways in which a test can be in a phase: each leg, with and without attempts, first and last spot."""
    first = note("A1", 1, 400.0)
    second = note("A1", 2, 470.0, doubts=("odd",))
    found = []
    for leg, attempts, queue, integration in itertools.product(
        Leg, ((), (first,), (first, second)), (SPOTS[1:], ()), (None, TUNED)
    ):
        spot = "A1" if leg is Leg.SPOT else progress().grid.reference
        ahead = {Leg.OPENING: SPOTS, Leg.SPOT: queue, Leg.CLOSING: ()}[leg]
        found.append(progress(phase, leg=leg, spot=spot, attempts=attempts, queue=ahead, integration=integration))
        if phase is Phase.TUNE:  # the search has waited for the spectrometer for too long
            found.append(found[-1].model_copy(update={"tuning_since_s": 0.0, "tuning_trouble": AWAY.text}))
    return found


PAIRS = [(phase, kind) for phase in Phase for kind in KINDS]


def all_steps() -> Iterator[tuple[Phase, type[Event], Progress, Progress, tuple[Effect, ...]]]:
    """(phase, kind of event, progress after, progress before, effects) of every step that can be taken."""
    for phase, kind in PAIRS:
        for before, event in itertools.product(situations(phase), samples_of(kind)):
            after, effects = step(before, event, FULL)
            yield phase, kind, after, before, effects


def named(value: object) -> str:
    return value.value if isinstance(value, Phase) else value.__name__ if isinstance(value, type) else str(value)


def refusals(effects: tuple[Effect, ...]) -> list[str]:
    return [effect.text for effect in effects if isinstance(effect, Refuse)]


def announced(effects: tuple[Effect, ...]) -> list[str]:
    return [effect.event for effect in effects if isinstance(effect, Announce)]


def kinds(effects: tuple[Effect, ...]) -> list[type[Effect]]:
    return [type(effect) for effect in effects]


class TestEveryPair:
    def test_every_kind_of_event_is_looked_at(self) -> None:
        # by name: a dataclass with slots is made twice
        assert {kind.__name__ for kind in KINDS} == {kind.__name__ for kind in Event.__subclasses__()}
        for kind in KINDS:
            assert samples_of(kind)

    @pytest.mark.parametrize(("phase", "kind"), PAIRS, ids=named)
    @pytest.mark.parametrize("settings", [FULL, NO_METER], ids=["full", "bare"])
    def test_a_pair_does_what_the_table_says_and_nothing_else(
        self, phase: Phase, kind: type[Event], settings: Settings
    ) -> None:
        row = TABLE.get((phase, kind))
        for before, event in itertools.product(situations(phase), samples_of(kind)):
            after, effects = step(before, event, settings)
            if row is not None:
                assert after.phase in row.targets
            else:
                assert after is before
                if kind in REQUESTS:
                    assert refusals(effects) == [effects[0].text if isinstance(effects[0], Refuse) else ""]
                    assert len(effects) == 1
                else:
                    assert effects == ()
            if refusals(effects):
                assert after is before, "who is refused changes nothing"
                assert len(effects) == 1, "who is refused sets nothing in motion"
                assert kind in REQUESTS, "nobody waits for an answer"
                assert refusals(effects)[0]

    def test_a_step_is_a_function_of_what_it_is_given(self) -> None:
        for phase, kind in PAIRS:
            for before, event in itertools.product(situations(phase)[::5], samples_of(kind)):
                copy = before.model_copy()
                assert step(before, event, FULL) == step(before, event, FULL)
                assert before == copy

    @pytest.mark.parametrize("phase", Phase)
    def test_every_phase_says_why_a_request_is_refused(self, phase: Phase) -> None:
        assert NOT_YET[phase]

    def test_every_phase_can_be_reached(self) -> None:
        reached = {Phase.PREPARE}
        while True:
            more = {t for (phase, _), row in TABLE.items() if phase in reached for t in row.targets}
            if more <= reached:
                break
            reached |= more
        assert reached == set(Phase)

    def test_a_test_that_is_over_stays_over(self) -> None:
        for phase, kind in itertools.product((Phase.DONE, Phase.ABANDONED), KINDS):
            row = TABLE.get((phase, kind))
            assert row is None or row.targets == {phase}

    @pytest.mark.parametrize("phase", [p for p in Phase if p not in (Phase.DONE, Phase.ABANDONED)])
    def test_a_test_can_be_abandoned_and_resumed_in_every_open_phase(self, phase: Phase) -> None:
        assert (phase, AbandonAsked) in TABLE
        assert (phase, Resumed) in TABLE

    def test_every_target_is_ended_in_by_some_situation(self) -> None:
        """A target that no rule uses would make the published diagram lie."""
        for (phase, kind), row in TABLE.items():
            ended = {
                step(before, event, settings)[0].phase
                for before, event, settings in itertools.product(situations(phase), samples_of(kind), (FULL, NO_METER))
            }
            assert ended == row.targets, (phase, kind.__name__)

    def test_no_attempt_is_ever_thrown_away(self) -> None:
        for _phase, _kind, after, before, _ in all_steps():
            assert after.attempts[: len(before.attempts)] == before.attempts
            assert after.flags[: len(before.flags)] == before.flags

    def test_no_spot_is_lost_from_the_walk(self) -> None:
        """Every spot is still to be read, or has been read, or is being read."""
        for _phase, _kind, after, before, _ in all_steps():
            ahead_before = set(before.queue) | ({before.spot} if before.leg is Leg.SPOT else set())
            ahead_after = set(after.queue) | ({after.spot} if after.leg is Leg.SPOT else set())
            read = {n.spot for n in after.attempts if n.leg is Leg.SPOT}
            assert ahead_before <= ahead_after | read

    def test_a_window_is_left_only_by_cutting_it_or_by_its_reading(self) -> None:
        for phase, kind, after, _before, effects in all_steps():
            if phase is Phase.WINDOW and after.phase is not Phase.WINDOW:
                cut = CutWindow in kinds(effects)
                assert cut or kind in (ReadingDone, Resumed)
            if after.phase is Phase.WINDOW and phase is not Phase.WINDOW:
                assert kinds(effects) == [OpenWindow]


class TestBeginning:
    def test_the_lamp_off_readings_come_first(self) -> None:
        after, effects = step(progress(Phase.PREPARE), Begun(time_s=0.0), FULL)
        assert after.phase is Phase.PREPARE
        assert StartPreparing in kinds(effects)
        assert "HPS-07" in str(effects[0])

    def test_what_the_lamp_off_readings_found_is_kept(self) -> None:
        event = Prepared(time_s=10.0, ambient_umol=0.37, flags=("lamp not seasoned: 12 h burnt",))
        after, _ = step(progress(Phase.PREPARE), event, FULL)
        assert after.phase is Phase.AWAIT_STRIKE
        assert after.ambient_umol == 0.37
        assert "lamp not seasoned: 12 h burnt" in after.flags

    def test_the_warm_up_clock_starts_at_the_first_sample_that_shows_the_arc(self) -> None:
        event = ArcStruck(time_s=77.25, utc=START)
        after, effects = step(progress(Phase.AWAIT_STRIKE, strike_s=None), event, FULL)
        assert after.phase is Phase.WARM_UP
        assert (after.strike_s, after.strike_utc, after.strike_seen_by) == (77.25, START, "power_meter")
        assert WatchGates in kinds(effects)

    def test_with_a_power_meter_a_press_is_no_strike(self) -> None:
        before = progress(Phase.AWAIT_STRIKE, strike_s=None)
        after, effects = step(before, Pressed(time_s=77.0, utc=START), FULL)
        assert after is before
        assert "the power meter will see it" in refusals(effects)[0]

    def test_without_a_power_meter_a_press_is_the_strike_and_the_record_says_so(self) -> None:
        event = Pressed(time_s=77.0, utc=START)
        after, _ = step(progress(Phase.AWAIT_STRIKE, strike_s=None), event, NO_METER)
        assert after.phase is Phase.WARM_UP
        assert (after.strike_s, after.strike_seen_by) == (77.0, "press")
        assert "strike told by a press, not by a power meter" in after.flags


class TestWarmUp:
    def test_a_press_gets_a_clear_not_yet_with_minutes_to_go(self) -> None:
        before = progress(Phase.WARM_UP, strike_s=100.0)
        after, effects = step(before, Pressed(time_s=100.0 + 900.0 - 254.0, utc=START), FULL)
        assert after is before
        assert refusals(effects) == ["not yet: the lamp is warming up, 4 min 14 s to go"]

    def test_after_the_minimum_there_is_no_time_to_tell(self) -> None:
        _, effects = step(progress(Phase.WARM_UP, strike_s=100.0), Pressed(time_s=1001.0, utc=START), FULL)
        assert refusals(effects) == ["not yet: the lamp is warming up"]

    def test_a_press_during_restrike_is_refused_with_reason(self) -> None:
        before = progress(Phase.COOL_DOWN, strike_s=None)
        after, effects = step(before, Pressed(time_s=1000.0, utc=START), FULL)
        assert after is before
        assert refusals(effects)[0].startswith("not yet")

    def test_the_integration_time_is_found_once_warm(self) -> None:
        event = GatesOpened(time_s=1000.0, evidence=(evidence(GateName.WARM_UP),), steady_w=275.0)
        after, effects = step(progress(Phase.WARM_UP, leg=Leg.OPENING, spot="B1"), event, FULL)
        assert after.phase is Phase.TUNE
        assert after.steady_w == 275.0
        assert StartTuning in kinds(effects)

    def test_without_a_spectrometer_there_is_no_tuning(self) -> None:
        event = GatesOpened(time_s=1000.0, evidence=(evidence(GateName.WARM_UP),))
        after, effects = step(progress(Phase.WARM_UP, leg=Leg.OPENING, spot="B1"), event, NO_METER)
        assert after.phase is Phase.SETTLE
        assert kinds(effects) == [Announce, WatchGates]

    def test_the_opening_reading_needs_no_press(self) -> None:
        after, effects = step(
            progress(Phase.TUNE, leg=Leg.OPENING, spot="B1"), TuningDone(time_s=1.0, note=TUNED), FULL
        )
        assert after.phase is Phase.SETTLE
        assert after.pressed_s is None
        assert WatchGates in kinds(effects)

    def test_a_light_too_weak_to_tune_to_is_flagged_and_the_test_goes_on(self) -> None:
        before = progress(Phase.TUNE, leg=Leg.OPENING, spot="B1")
        after, _ = step(before, TuningDone(time_s=1.0, note=TOO_WEAK), FULL)
        assert after.phase is Phase.SETTLE
        assert "no spectra: too weak: no light" in after.flags
        assert after.integration == TOO_WEAK

    def test_a_spectrometer_that_fails_the_search_is_waited_for_and_that_is_told_once(self) -> None:
        before = progress(Phase.TUNE, leg=Leg.OPENING, spot="B1")
        once, effects = step(before, TuningFailed(time_s=1000.0, note=AWAY), FULL)
        assert once.phase is Phase.TUNE
        assert announced(effects) == ["tuning_waits"]
        assert StartTuning in kinds(effects)
        twice, effects = step(once, TuningFailed(time_s=1299.0, note=AWAY), FULL)
        assert (twice.phase, twice.flags) == (Phase.TUNE, ())
        assert kinds(effects) == [StartTuning]
        after, effects = step(twice, TuningDone(time_s=1299.5, note=TUNED), FULL)
        assert (after.phase, after.integration, after.flags) == (Phase.SETTLE, TUNED, ())
        assert after.tuning_trouble is None

    def test_a_spectrometer_that_cannot_be_had_is_flagged_in_the_end_and_the_test_goes_on(self) -> None:
        before = progress(Phase.TUNE, leg=Leg.OPENING, spot="B1")
        for time_s in (1000.0, 1150.0, 1300.0):
            before, effects = step(before, TuningFailed(time_s=time_s, note=AWAY), FULL)
        assert before.phase is Phase.SETTLE
        assert before.flags == ("no spectra: the spectrometer does not answer",)
        assert announced(effects) == ["not_tuned"]

    def test_a_search_that_failed_is_made_up_for_after_another_strike(self) -> None:
        before = progress(Phase.WARM_UP, leg=Leg.OPENING, spot="B1", integration=AWAY)
        event = GatesOpened(time_s=1000.0, evidence=(evidence(GateName.WARM_UP),), steady_w=275.0)
        assert step(before, event, FULL)[0].phase is Phase.TUNE
        assert step(before.model_copy(update={"integration": TOO_WEAK}), event, FULL)[0].phase is Phase.SETTLE

    def test_a_gate_that_the_operator_opened_is_flagged(self) -> None:
        event = GatesOpened(time_s=4000.0, evidence=(evidence(GateName.WARM_UP, anyway=True),))
        after, _ = step(progress(Phase.WARM_UP, granted=(GateName.WARM_UP,)), event, FULL)
        assert any("warm-up gate opened by the operator" in flag for flag in after.flags)
        assert after.granted == ()


class TestPresses:
    def test_a_press_starts_settling(self) -> None:
        after, effects = step(progress(), Pressed(time_s=1234.0, utc=START), FULL)
        assert (after.phase, after.pressed_s) == (Phase.SETTLE, 1234.0)
        assert kinds(effects) == [Announce, WatchGates]

    def test_a_press_while_settling_starts_the_settling_again(self) -> None:
        before = progress(Phase.SETTLE, pressed_s=1234.0, granted=(GateName.SETTLE,))
        after, effects = step(before, Pressed(time_s=1250.0, utc=START), FULL)
        assert (after.phase, after.pressed_s, after.granted) == (Phase.SETTLE, 1250.0, ())
        assert WatchGates in kinds(effects)
        assert announced(effects) == ["settling_again"]

    def test_a_sensor_that_was_moved_without_a_press_settles_again_from_when_it_moved(self) -> None:
        before = progress(Phase.SETTLE, pressed_s=1234.0)
        after, effects = step(before, Bumped(time_s=1251.5), FULL)
        assert after.pressed_s == 1251.5
        assert WatchGates in kinds(effects)

    def test_a_press_in_the_window_voids_the_attempt_and_the_attempt_is_kept(self) -> None:
        before = progress(Phase.WINDOW, pressed_s=1200.0)
        after, effects = step(before, Pressed(time_s=1235.0, utc=START), FULL)
        assert (after.phase, after.pressed_s) == (Phase.SETTLE, 1235.0)
        assert kinds(effects)[0] is CutWindow, "the window ends before anything else begins"
        assert announced(effects) == ["attempt_voided"]
        voided = note("A1", 1, 401.0, undisturbed=False)
        kept, effects = step(after, ReadingDone(time_s=1235.1, note=voided), FULL)
        assert kept.attempts == (voided,)
        assert kept.phase is Phase.SETTLE, "the settling that was begun goes on"
        assert effects == ()
        assert kept.counted(Leg.SPOT, "A1") is None
        assert kept.next_attempt() == 2

    def test_a_press_during_the_opening_reading_is_refused_while_it_settles(self) -> None:
        before = progress(Phase.SETTLE, leg=Leg.OPENING, spot="B1", pressed_s=None)
        after, effects = step(before, Pressed(time_s=1.0, utc=START), FULL)
        assert after is before
        assert "leave the sensor at the reference point" in refusals(effects)[0]

    def test_a_press_in_the_opening_window_takes_the_opening_reading_again(self) -> None:
        before = progress(Phase.WINDOW, leg=Leg.OPENING, spot="B1", pressed_s=None)
        after, effects = step(before, Pressed(time_s=1.0, utc=START), FULL)
        assert (after.phase, after.leg, after.pressed_s) == (Phase.SETTLE, Leg.OPENING, None)
        assert CutWindow in kinds(effects)

    def test_a_long_press_reads_the_last_spot_again(self) -> None:
        before = progress(spot="B1", queue=SPOTS[2:], attempts=(note("A1"),))
        after, _ = step(before, Pressed(time_s=1.0, utc=START, long=True), FULL)
        assert (after.phase, after.spot) == (Phase.SETTLE, "A1")
        assert after.queue == ("B1", *SPOTS[2:]), "the interrupted spot follows"

    def test_a_long_press_before_any_spot_is_refused(self) -> None:
        before = progress()
        after, effects = step(before, Pressed(time_s=1.0, utc=START, long=True), FULL)
        assert after is before
        assert "no spot yet" in refusals(effects)[0]


class TestReadAnyway:
    @pytest.mark.parametrize("phase", [Phase.WARM_UP, Phase.SETTLE])
    def test_before_the_longest_wait_nobody_overrules(self, phase: Phase) -> None:
        before = progress(phase)
        after, effects = step(before, ReadAnywayAsked(time_s=1.0, overdue=False), FULL)
        assert after is before
        assert "only after its longest wait" in refusals(effects)[0]

    def test_a_gate_that_is_overdue_can_be_overruled_in_warm_up(self) -> None:
        after, effects = step(progress(Phase.WARM_UP), ReadAnywayAsked(time_s=1.0, overdue=True), FULL)
        assert after.granted == (GateName.WARM_UP,)
        assert announced(effects) == ["read_anyway"]
        assert WatchGates in kinds(effects)

    def test_settle_and_supply_are_overruled_together(self) -> None:
        after, _ = step(progress(Phase.SETTLE), ReadAnywayAsked(time_s=1.0, overdue=True), FULL)
        assert after.granted == (GateName.SETTLE, GateName.SUPPLY)

    @pytest.mark.parametrize("phase", [Phase.WARM_UP, Phase.SETTLE])
    def test_a_long_press_overrules_what_is_overdue(self, phase: Phase) -> None:
        before = progress(phase, pressed_s=500.0)
        after, _ = step(before, Pressed(time_s=1.0, utc=START, long=True, overdue=True), FULL)
        assert after.granted
        assert after.pressed_s == 500.0, "it is no new press"

    def test_what_was_granted_ends_with_the_reading(self) -> None:
        before = progress(Phase.WINDOW, granted=(GateName.SETTLE, GateName.SUPPLY))
        after, _ = step(before, ReadingDone(time_s=1.0, note=note("A1")), FULL)
        assert after.granted == ()

    def test_what_was_granted_ends_when_the_arc_is_lost(self) -> None:
        before = progress(Phase.WARM_UP, granted=(GateName.WARM_UP,))
        lost, _ = step(before, ArcLost(time_s=1.0), FULL)
        again, _ = step(lost, ArcStruck(time_s=2.0, utc=START), FULL)
        assert again.granted == ()


class TestDoubts:
    def test_a_good_reading_goes_on_to_the_next_spot(self) -> None:
        after, effects = step(progress(Phase.WINDOW), ReadingDone(time_s=1.0, note=note("A1")), FULL)
        assert (after.phase, after.spot, after.queue) == (Phase.AWAIT_PRESS, "B1", SPOTS[2:])
        assert announced(effects) == ["accepted"]

    def test_a_doubtful_spot_is_announced_at_once_and_asked_for_again(self) -> None:
        event = ReadingDone(time_s=1.0, note=note("A1", doubts=("-14% from its neighbours",)))
        after, effects = step(progress(Phase.WINDOW), event, FULL)
        assert (after.phase, after.spot) == (Phase.AWAIT_PRESS, "A1")
        (told,) = (effect for effect in effects if isinstance(effect, Announce))
        assert told.event == "doubtful"
        assert told.tone is Tone.DOUBTFUL
        assert "-14% from its neighbours" in told.text

    def test_a_doubtful_spot_that_repeats_is_confirmed(self) -> None:
        odd = note("A1", 1, 340.0, doubts=("odd",))
        before = progress(Phase.WINDOW, attempts=(odd,))
        event = ReadingDone(time_s=1.0, note=note("A1", 2, 341.0, doubts=("odd",)))
        after, effects = step(before, event, FULL)
        assert announced(effects) == ["confirmed"]
        assert after.confirmed == ("A1",)
        assert after.spot == "B1"
        counted = after.counted(Leg.SPOT, "A1")
        assert counted is not None
        assert counted.attempt == 2

    def test_a_doubtful_spot_that_does_not_repeat_is_asked_for_again(self) -> None:
        odd = note("A1", 1, 340.0, doubts=("odd",))
        before = progress(Phase.WINDOW, attempts=(odd,))
        event = ReadingDone(time_s=1.0, note=note("A1", 2, 380.0, doubts=("odd",)))
        after, effects = step(before, event, FULL)
        assert announced(effects) == ["doubtful"]
        assert after.spot == "A1"

    def test_a_doubt_is_not_confirmed_by_an_attempt_that_was_void(self) -> None:
        void = note("A1", 1, 340.0, undisturbed=False)
        before = progress(Phase.WINDOW, attempts=(void,))
        event = ReadingDone(time_s=1.0, note=note("A1", 2, 340.0, doubts=("odd",)))
        _, effects = step(before, event, FULL)
        assert announced(effects) == ["doubtful"]

    def test_after_some_attempts_the_test_moves_on_and_says_so(self) -> None:
        earlier = (note("A1", 1, 340.0, doubts=("odd",)), note("A1", 2, 380.0, doubts=("odd",)))
        before = progress(Phase.WINDOW, attempts=earlier)
        event = ReadingDone(time_s=1.0, note=note("A1", 3, 420.0, doubts=("odd",)))
        after, effects = step(before, event, FULL)
        assert announced(effects) == ["stays_doubtful"]
        assert after.spot == "B1"
        assert "A1 stays doubtful: odd" in after.flags

    def test_a_second_confirmation_of_a_spot_is_told_once_in_the_result(self) -> None:
        odd = note("A1", 1, 340.0, doubts=("odd",))
        before = progress(Phase.WINDOW, attempts=(odd,), confirmed=("A1",))
        event = ReadingDone(time_s=1.0, note=note("A1", 2, 341.0, doubts=("odd",)))
        after, _ = step(before, event, FULL)
        assert after.confirmed == ("A1",)

    def test_an_opening_reading_in_doubt_is_taken_again_without_a_press(self) -> None:
        before = progress(Phase.WINDOW, leg=Leg.OPENING, spot="B1", queue=SPOTS)
        event = ReadingDone(time_s=1.0, note=note("B1", leg=Leg.OPENING, doubts=("supply moved",)))
        after, effects = step(before, event, FULL)
        assert (after.phase, after.leg) == (Phase.SETTLE, Leg.OPENING)
        assert WatchGates in kinds(effects)

    def test_a_reading_without_light_is_asked_for_again(self) -> None:
        event = ReadingDone(time_s=1.0, note=note("A1", 1, None, undisturbed=False))
        after, effects = step(progress(Phase.WINDOW), event, FULL)
        assert after.spot == "A1"
        assert announced(effects) == ["doubtful"]


class TestWhichAttemptCounts:
    def test_the_last_undisturbed_counts_never_the_higher_one(self) -> None:
        notes = (note("A1", 1, 500.0), note("A1", 2, 400.0), note("A1", 3, 450.0, undisturbed=False))
        counted = progress(attempts=notes).counted(Leg.SPOT, "A1")
        assert counted is not None
        assert (counted.attempt, counted.ppfd_umol) == (2, 400.0)

    def test_the_operators_choice_counts_and_is_flagged(self) -> None:
        before = progress(attempts=(note("A1", 1, 500.0), note("A1", 2, 400.0)))
        event = ChoiceMade(time_s=1.0, spot="A1", attempt=1, reason="a leaf lay on it")
        after, effects = step(before, event, FULL)
        counted = after.counted(Leg.SPOT, "A1")
        assert counted is not None
        assert counted.attempt == 1
        assert "A1: the operator chose attempt 1: a leaf lay on it" in after.flags
        assert announced(effects) == ["choice_made"]

    def test_the_operators_last_choice_counts(self) -> None:
        made = progress(attempts=(note("A1", 1, 500.0), note("A1", 2, 400.0)))
        for attempt in (1, 2):
            made, _ = step(made, ChoiceMade(time_s=1.0, spot="A1", attempt=attempt, reason="r"), FULL)
        counted = made.counted(Leg.SPOT, "A1")
        assert counted is not None
        assert counted.attempt == 2

    def test_a_choice_of_what_was_never_read_is_refused(self) -> None:
        before = progress(attempts=(note("A1"),))
        _, effects = step(before, ChoiceMade(time_s=1.0, spot="A1", attempt=2, reason="r"), FULL)
        assert refusals(effects) == ["A1 has 1 attempt; there is no attempt 2"]

    def test_a_choice_of_an_attempt_without_light_is_refused(self) -> None:
        before = progress(attempts=(note("A1", 1, None, undisturbed=False),))
        _, effects = step(before, ChoiceMade(time_s=1.0, spot="A1", attempt=1, reason="r"), FULL)
        assert "has no light reading" in refusals(effects)[0]

    def test_readings_at_the_reference_point_are_not_readings_of_that_spot(self) -> None:
        before = progress(attempts=(note("B1", leg=Leg.OPENING),))
        assert before.counted(Leg.SPOT, "B1") is None
        assert before.spots_done() == 0


class TestWalk:
    def test_after_the_last_spot_comes_the_closing_reading(self) -> None:
        before = progress(Phase.WINDOW, spot="A2", queue=())
        after, _ = step(before, ReadingDone(time_s=1.0, note=note("A2")), FULL)
        assert (after.phase, after.leg, after.spot) == (Phase.AWAIT_PRESS, Leg.CLOSING, "B1")

    def test_after_the_closing_reading_comes_the_conclusion(self) -> None:
        before = progress(Phase.WINDOW, leg=Leg.CLOSING, spot="B1", queue=())
        after, effects = step(before, ReadingDone(time_s=1.0, note=note("B1", leg=Leg.CLOSING)), FULL)
        assert after.phase is Phase.CONCLUDE
        assert Conclude in kinds(effects)
        over, effects = step(after, Concluded(time_s=2.0, text="average"), FULL)
        assert over.phase is Phase.DONE
        assert over.over

    def test_a_spot_asked_for_again_comes_next_and_the_interrupted_one_follows(self) -> None:
        before = progress(spot="C1", queue=SPOTS[3:], attempts=(note("A1"), note("B1")))
        after, _ = step(before, RereadAsked(time_s=1.0, spot="A1"), FULL)
        assert (after.spot, after.queue) == ("A1", ("C1", *SPOTS[3:]))

    def test_a_spot_can_be_read_before_its_turn_and_only_once(self) -> None:
        after, _ = step(progress(), RereadAsked(time_s=1.0, spot="C1"), FULL)
        assert after.spot == "C1"
        assert after.queue == ("A1", "B1", *SPOTS[3:])

    def test_a_spot_that_is_asked_for_in_the_window_cuts_it(self) -> None:
        before = progress(Phase.WINDOW, attempts=(note("A1"),), spot="B1", queue=SPOTS[2:])
        after, effects = step(before, RereadAsked(time_s=1.0, spot="A1"), FULL)
        assert kinds(effects)[0] is CutWindow
        assert (after.phase, after.spot, after.queue) == (Phase.AWAIT_PRESS, "A1", ("B1", *SPOTS[2:]))

    def test_another_spot_before_the_opening_reading_is_refused(self) -> None:
        before = progress(Phase.SETTLE, leg=Leg.OPENING, spot="B1", queue=SPOTS)
        _, effects = step(before, RereadAsked(time_s=1.0, spot="A1"), FULL)
        assert "the opening reading comes first" in refusals(effects)[0]

    def test_a_spot_off_the_grid_is_refused(self) -> None:
        _, effects = step(progress(), RereadAsked(time_s=1.0, spot="Z9"), FULL)
        assert refusals(effects) == ["Z9 is not a spot of this grid"]

    def test_a_spot_that_does_not_fit_the_whole_grid_is_read_again_before_closing(self) -> None:
        done = tuple(note(spot) for spot in SPOTS)
        before = progress(leg=Leg.CLOSING, spot="B1", queue=(), attempts=done)
        after, effects = step(before, GridReviewed(time_s=1.0, doubtful=(("A1", "-12%"), ("C2", "+9%"))), FULL)
        assert (after.leg, after.spot, after.queue) == (Leg.SPOT, "A1", ("C2",))
        assert announced(effects) == ["doubtful_in_hindsight"]

    def test_hindsight_does_not_ask_for_ever(self) -> None:
        three = tuple(note("A1", n) for n in (1, 2, 3))
        before = progress(leg=Leg.CLOSING, spot="B1", queue=(), attempts=three)
        after, effects = step(before, GridReviewed(time_s=1.0, doubtful=(("A1", "-12%"),)), FULL)
        assert after is before
        assert effects == ()


class TestArcLost:
    @pytest.mark.parametrize(
        "phase", [Phase.WARM_UP, Phase.TUNE, Phase.AWAIT_PRESS, Phase.SETTLE, Phase.WINDOW], ids=named
    )
    def test_cool_down_then_warm_up_then_the_same_spot(self, phase: Phase) -> None:
        before = progress(
            phase, spot="C1", queue=SPOTS[3:], attempts=(note("A1"), note("B1")), integration=TUNED, pressed_s=900.0
        )
        lost, effects = step(before, ArcLost(time_s=1000.0), FULL)
        assert lost.phase is Phase.COOL_DOWN
        assert lost.strike_s is None
        assert kinds(effects)[0] is (CutWindow if phase is Phase.WINDOW else StopJob)
        assert "arc dropped out" in lost.flags
        if phase is Phase.WINDOW:
            lost, _ = step(lost, ReadingDone(time_s=1000.1, note=note("C1", 1, undisturbed=False)), FULL)
            assert len(lost.attempts) == 3
        again, effects = step(lost, ArcStruck(time_s=1100.0, utc=START), FULL)
        assert again.phase is Phase.WARM_UP
        assert again.strike_s == 1100.0
        assert WatchGates in kinds(effects)
        warm, _ = step(again, GatesOpened(time_s=2000.0, evidence=(evidence(GateName.WARM_UP),), steady_w=274.0), FULL)
        assert (warm.phase, warm.leg, warm.spot, warm.queue) == (Phase.AWAIT_PRESS, Leg.SPOT, "C1", SPOTS[3:])
        assert warm.pressed_s is None, "the sensor has to be put there again"
        assert warm.integration == TUNED, "one integration time serves the whole test"
        assert warm.steady_w == 274.0

    def test_a_burn_in_doubt_begins_the_warm_up_again(self) -> None:
        before = progress(Phase.AWAIT_PRESS, strike_s=100.0)
        after, effects = step(before, ArcStruck(time_s=1500.0, utc=START, doubted=True), FULL)
        assert (after.phase, after.strike_s) == (Phase.WARM_UP, 1500.0)
        assert "burn not followed throughout: warm-up begun again" in after.flags
        assert kinds(effects)[0] is StopJob

    def test_a_burn_in_doubt_cuts_the_window(self) -> None:
        _, effects = step(progress(Phase.WINDOW), ArcStruck(time_s=1500.0, utc=START, doubted=True), FULL)
        assert kinds(effects)[0] is CutWindow

    def test_an_arc_that_is_lost_after_the_closing_reading_changes_nothing(self) -> None:
        before = progress(Phase.CONCLUDE, leg=Leg.CLOSING, spot="B1")
        assert step(before, ArcLost(time_s=1.0), FULL) == (before, ())


class TestResume:
    WHERE: ClassVar[dict[Phase, tuple[Phase, type[Effect] | None]]] = {
        # phase before the daemon was killed: (phase after, effect that sets it going again)
        Phase.PREPARE: (Phase.PREPARE, StartPreparing),
        Phase.AWAIT_STRIKE: (Phase.AWAIT_STRIKE, None),
        Phase.WARM_UP: (Phase.WARM_UP, WatchGates),
        Phase.COOL_DOWN: (Phase.COOL_DOWN, None),
        Phase.TUNE: (Phase.TUNE, StartTuning),
        Phase.AWAIT_PRESS: (Phase.AWAIT_PRESS, None),
        Phase.SETTLE: (Phase.AWAIT_PRESS, None),
        Phase.WINDOW: (Phase.AWAIT_PRESS, None),
        Phase.CONCLUDE: (Phase.CONCLUDE, Conclude),
    }  # fmt: skip

    @pytest.mark.parametrize("phase", WHERE, ids=named)
    def test_a_test_goes_on_where_it_was_or_in_a_safe_earlier_phase(self, phase: Phase) -> None:
        expected, effect = self.WHERE[phase]
        before = progress(phase, attempts=(note("A1"),), spot="B1", queue=SPOTS[2:], pressed_s=990.0)
        after, effects = step(before, Resumed(time_s=1000.0), FULL)
        assert after.phase is expected
        assert (after.spot, after.queue, after.attempts) == (before.spot, before.queue, before.attempts)
        assert after.strike_s == before.strike_s, "the lamp's age is not forgotten, and not made up"
        assert announced(effects) == ["test_resumed"]
        assert kinds(effects)[1:] == ([] if effect is None else [effect])

    @pytest.mark.parametrize("phase", [Phase.SETTLE, Phase.WINDOW], ids=named)
    def test_a_spot_that_was_being_read_needs_a_new_press(self, phase: Phase) -> None:
        """Nobody watched the sensor meanwhile: what was waited out before counts for nothing."""
        after, _ = step(progress(phase, pressed_s=990.0), Resumed(time_s=1000.0), FULL)
        assert after.pressed_s is None

    @pytest.mark.parametrize("phase", [Phase.SETTLE, Phase.WINDOW], ids=named)
    def test_the_opening_reading_is_taken_again(self, phase: Phase) -> None:
        before = progress(phase, leg=Leg.OPENING, spot="B1", queue=SPOTS)
        after, effects = step(before, Resumed(time_s=1000.0), FULL)
        assert (after.phase, after.leg) == (Phase.SETTLE, Leg.OPENING)
        assert WatchGates in kinds(effects)

    @pytest.mark.parametrize("phase", [Phase.DONE, Phase.ABANDONED], ids=named)
    def test_a_test_that_is_over_is_not_resumed(self, phase: Phase) -> None:
        before = progress(phase)
        assert step(before, Resumed(time_s=1000.0), FULL) == (before, ())


class TestAbandon:
    def test_what_was_read_stays(self) -> None:
        before = progress(Phase.SETTLE, attempts=(note("A1"),))
        after, effects = step(before, AbandonAsked(time_s=1.0, reason="lamp broke"), FULL)
        assert after.phase is Phase.ABANDONED
        assert after.attempts == before.attempts
        assert kinds(effects)[0] is StopJob
        assert "lamp broke" in str(effects[-1])

    def test_a_window_that_is_open_hands_in_what_it_had(self) -> None:
        after, effects = step(progress(Phase.WINDOW), AbandonAsked(time_s=1.0, reason="why"), FULL)
        assert kinds(effects)[0] is CutWindow
        late, _ = step(after, ReadingDone(time_s=1.1, note=note("A1", undisturbed=False)), FULL)
        assert late.phase is Phase.ABANDONED
        assert len(late.attempts) == 1


def test_progress_survives_json() -> None:
    """The checkpoint is JSON: what a later daemon reads is what this one wrote."""
    made = progress(
        attempts=(note("A1"), note("A1", 2, None, undisturbed=False)),
        integration=TUNED,
        granted=(GateName.SETTLE,),
        confirmed=("A1",),
        ambient_umol=0.123456789012345,
        started=START + timedelta(milliseconds=5),
    )
    made, _ = step(made, ChoiceMade(time_s=1.0, spot="A1", attempt=1, reason="r"), FULL)
    assert Progress.model_validate_json(made.model_dump_json()) == made


class TestLongestWait:
    def test_it_counts_from_the_operators_press_whatever_moved_the_sensor_since(self) -> None:
        pressed, _ = step(progress(), Pressed(time_s=1000.0, utc=START), FULL)
        bumped, _ = step(pressed, Bumped(time_s=1020.0), FULL)
        assert (bumped.pressed_s, bumped.asked_s) == (1020.0, 1000.0)
        again, _ = step(bumped, Pressed(time_s=1050.0, utc=START), FULL)
        assert (again.pressed_s, again.asked_s) == (1050.0, 1050.0)
