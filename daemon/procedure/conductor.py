"""The shell around the state machine: takes events in one at a time, performs effects, writes the journal.

One inbox, one consumer: :meth:`Conductor.run`. Every event goes through :func:`~.table.step`; what it starts is started
at once (a window must not wait for a disk), what it announces is announced only after it is in the journal, in one
transaction with the checkpoint from which a later daemon goes on. At most one *job* runs at a time (preparing, watching
gates, tuning, a window, concluding), as a task of the conductor's own group; a job only ever ends by an event.
"""

import asyncio
import hashlib
import logging
from collections.abc import Callable, Coroutine
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

from pydantic import ValidationError

from ... import __version__
from ...protocol import units
from ...protocol.clock import Clock
from ...protocol.commands import Abandon, AnyCommand, Begin, Choose, Press, ReadAnyway, Replay, Reply, Reread
from ...protocol.counts import counted
from ...protocol.errors import MeasurementError
from ...protocol.records import (
    EventRecord,
    GateEvidence,
    HealthState,
    InstrumentRecord,
    LiveMessage,
    Prompt,
    PromptAction,
    Record,
    SpotRecord,
    StatusMessage,
    schema_name,
)
from ..calibration import note_of
from ..clock import machine_s
from ..clock_watch import ClockChange, ClockEvent
from ..config import BenchConfig, InstrumentTable
from ..figures import mean_quantity
from ..lamp import LampCondition, LampEvent
from ..rounding import figure
from ..samples import Readings
from ..stamp import Stamp
from ..stations import Health
from ..store.journal import Answered, Journal
from ..store.journal_rows import CHECKPOINT
from .burn import Burn
from .checkpoint import Checkpoint, is_of_this_boot, told_in_this_boot
from .conclude import summarise
from .conditions import condition_records
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
from .gatekeeper import Judgement, Watched, judge_settling, judge_warm_up, warm_up_criterion
from .jobs import Bench
from .progress import Leg, Phase, Progress
from .prompts import wants_press
from .reading import doubtful_in_hindsight
from .table import Settings, step
from .telling import Moment, live_message, next_prompt, status_message

log = logging.getLogger("lampwarden.bench")

STUCK_S: Final = 20.0
"""An event is taken in milliseconds, on a slow disk in a second or two."""
SHORTEST_SLEEP_S: Final = 1e-4
"""A remainder of rounding is no time to sleep: added to a large clock value it would not move it at all."""
GATE_POLL_S: Final = 0.5
"""A gate that holds past its minimum is judged this often (bench seconds): well within one poll of an instrument."""


@dataclass(slots=True)
class Job:
    """The one thing that the bench is doing by itself."""

    task: asyncio.Task[None]
    cut: asyncio.Event = field(default_factory=asyncio.Event)
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Item:
    """An event on its way in, with the records that belong to it and who waits for an answer."""

    event: Event
    records: tuple[Record, ...] = ()
    asked: "Asked | None" = None
    job: "Job | None" = None
    """Whose word this is; None: not a job's, or one that holds even when its job has been stopped."""


@dataclass(frozen=True, slots=True)
class Asked:
    """A command behind an event; its answer goes to disk together with what it did, so that it is done once."""

    command: AnyCommand
    done: str
    """What is answered when it was not refused."""
    reply: asyncio.Future[Reply]


class Conductor:
    """Runs the tests of one bench."""

    def __init__(
        self, config: BenchConfig, clock: Clock, journal: Journal, readings: Readings, bench: Bench, stamp: Stamp
    ) -> None:
        self._config = config
        self._clock = clock
        self._journal = journal
        self._readings = readings
        self._bench = bench
        self._stamp = stamp
        self._settings = Settings(
            warm_up_minimum_s=warm_up_criterion(config.procedure).minimum_s,
            attempts_before_moving_on=config.procedure.attempts_before_moving_on,
            has_power_meter=config.with_role("power_meter") is not None,
            has_spectrometer=config.with_role("spectrometer") is not None,
            tuning_longest_s=config.procedure.tuning_longest_s,
        )
        self._watched = Watched(
            light=config.with_role("quantum_sensor") is not None, supply=config.with_role("power_meter") is not None
        )
        self._inbox: asyncio.Queue[Item] = asyncio.Queue()
        self._obeying = asyncio.Lock()
        self._group: asyncio.TaskGroup | None = None
        self._job: Job | None = None
        self._judgement: Judgement | None = None
        self._judged_s = 0.0
        self._busy_since_s: float | None = None
        self._window_closes_s: float | None = None
        self._prompt = Prompt(action=PromptAction.BEGIN, text="")
        self._pedal_away = False
        self.resumed = asyncio.Event()
        """Set once it is known whether a test goes on; nothing is told or carried out before."""
        self.progress: Progress | None = None
        self.told: Progress | None = None
        """The test as it is on disk, which is all that anybody is shown: it lags while a disk stalls or refuses."""
        self._burn = Burn(config.procedure, stamp)
        self.on_message: Callable[[StatusMessage | LiveMessage], None] = lambda _: None
        self.on_tone: Callable[[Tone, str], None] = lambda _tone, _text: None
        """Told of each short signal and of the words that go with it."""
        journal.on_trouble = self._tell_status

    @property
    def lamp(self) -> LampCondition:
        """The lamp, as the power meter shows it."""
        return self._burn.condition

    # What comes in from the instruments; all of it returns at once.

    def power_seen(self, time_s: float, power_w: float) -> None:
        """One sample of the power meter."""
        if not self.resumed.is_set():
            return  # to a lamp that nothing is known of yet, a burn that goes on would be a strike
        before = self.lamp.state
        for event, burnt in self._burn.seen(time_s, power_w, self.progress):
            match event:
                case LampEvent.STRUCK:
                    self._put(ArcStruck(time_s=time_s, utc=self._utc_at(time_s)))
                case LampEvent.BURN_DOUBTED:
                    self._put(ArcStruck(time_s=time_s, utc=self._utc_at(time_s), doubted=True), *burnt)
                case LampEvent.LOST:
                    self._put(ArcLost(time_s=time_s), *burnt)
                case _:
                    pass
        if self.lamp.state is not before:
            self._tell_status()

    def pressed(self, time_s: float, is_long: bool) -> None:
        """The foot switch was pressed."""
        if self.progress is None or self.progress.over:
            log.info("foot switch pressed: no test is running")
            return
        if self._journal.trouble is not None:
            # A press that waits for a mended disk would be carried out when nobody expects it.
            text = f"press not taken: the journal takes no records: {self._journal.trouble}"
            log.warning("%s", text)
            self.on_tone(Tone.NOT_YET, text)
            return
        self._put(Pressed(time_s=time_s, utc=self._utc_at(time_s), long=is_long, overdue=self._overdue()))

    async def health_changed(self, name: str, table: InstrumentTable, health: Health) -> None:
        """An instrument's health changed: journal it; a foot switch is told to who waits for its press."""
        pedal_changed = False
        if table.role == "foot_switch":
            away = health.state is not HealthState.OK
            pedal_changed, self._pedal_away = away is not self._pedal_away, away
        record = InstrumentRecord(
            **self._stamp.record(test_id=self._test_id()),
            instrument=name,
            role=table.role,
            state=health.state,
            text=health.text,
            port=table.port,
            identity=health.identity,
            calibration=note_of(table.calibration, self._clock.utc().date()),
        )
        await self._journal.append([record])
        if pedal_changed:
            self._tell_status()
            if wants_press(self._prompt, has_power_meter=self._settings.has_power_meter):
                # Away: the next press will not be felt. Back: one that was made meanwhile was not.
                self.on_tone(Tone.HOLD, self._prompt.text)

    async def clock_changed(self, change: ClockChange) -> None:
        """A clock was set or has drifted, or the machine slept: journal it. A test is taken up as after a restart."""
        log.warning("%s", change.text)
        record = EventRecord(
            **self._stamp.record(test_id=self._test_id()),
            event=change.event.value,
            text=change.text,
            details={"by_s": round(change.by_s, 3)},
        )
        await self._journal.append([record])
        if change.event is ClockEvent.RESUMED and self.progress is not None and not self.progress.over:
            self._put(Resumed(time_s=self._clock.monotonic()))

    def _overdue(self) -> bool:
        return self._judgement is not None and self._judgement.overdue

    def _put(self, event: Event, *records: Record) -> None:
        self._inbox.put_nowait(Item(event, records))

    def _put_of_job(self, event: Event, *records: Record) -> None:
        """Of the running job: void if the job is stopped before the event's turn comes."""
        self._inbox.put_nowait(Item(event, records, job=self._job))

    def _utc_at(self, time_s: float) -> datetime:
        return self._clock.utc() - timedelta(seconds=self._clock.monotonic() - time_s)

    def _test_id(self) -> str | None:
        return None if self.progress is None or self.progress.over else self.progress.test_id

    # Commands.

    async def obey(self, command: AnyCommand) -> Reply:
        """Carry out a command, once per id, and answer; the same id with other words is refused."""
        if self._journal.trouble is not None:
            return self._reply(command, f"the journal takes no records: {self._journal.trouble}", accepted=False)
        await self.resumed.wait()
        async with self._obeying:
            stored = await self._journal.answer_to(command.id)
            if stored is None:
                return await self._carry_out(command)
            if stored.fingerprint not in ("", _fingerprint(command)):
                return self._reply(command, "this id was used for another command: nothing was done", accepted=False)
            return Reply.model_validate_json(stored.reply)

    async def _carry_out(self, command: AnyCommand) -> Reply:
        if isinstance(command, Replay):
            count = await self._journal.replay(command.from_seq)
            if not count:
                text = f"there is no record from seq {command.from_seq} on: the last is {self._journal.last_seq}"
                return await self._answer(command, text, accepted=False)
            return await self._answer(command, f"{counted(count, 'record')} will be published again")
        if isinstance(command, Begin):
            return await self._begin(command)
        if self.progress is None or self.progress.over:
            return await self._answer(command, "no test is running", accepted=False)
        now_s = self._clock.monotonic()
        event: Event
        match command:
            case Press():
                event = Pressed(time_s=now_s, utc=self._clock.utc())
            case Reread(spot=spot):
                event = RereadAsked(time_s=now_s, spot=spot)
            case ReadAnyway():
                event = ReadAnywayAsked(time_s=now_s, overdue=self._overdue())
            case Choose(spot=spot, attempt=attempt, reason=reason):
                event = ChoiceMade(time_s=now_s, spot=spot, attempt=attempt, reason=reason)
            case Abandon(reason=reason):
                event = AbandonAsked(time_s=now_s, reason=reason)
        return await self._ask(event, command, "done")

    async def _ask(self, event: Event, command: AnyCommand, done: str, records: tuple[Record, ...] = ()) -> Reply:
        reply: asyncio.Future[Reply] = asyncio.get_running_loop().create_future()
        self._inbox.put_nowait(Item(event, records, Asked(command, done, reply)))
        return await reply

    async def _answer(self, command: AnyCommand, text: str, *, accepted: bool = True) -> Reply:
        """Answer a command that changes nothing in a test."""
        reply = self._reply(command, text, accepted=accepted)
        await self._journal.append(answered=_answered(command, reply))
        return reply

    def _reply(self, command: AnyCommand, text: str, *, accepted: bool = True) -> Reply:
        test_id = None if self.progress is None else self.progress.test_id
        return Reply(id=command.id, verb=command.verb, accepted=accepted, text=text, test_id=test_id)

    async def _begin(self, command: Begin) -> Reply:
        if self.progress is not None and not self.progress.over:
            text = f"test {self.progress.test_id} is running: abandon it first"
            return await self._answer(command, text, accepted=False)
        test_id = command.test_id or _test_id(self._clock.utc(), command.setup.lamp)
        if await self._journal.of_test(test_id, schema_name(EventRecord)):
            return await self._answer(command, f"there is a test {test_id} already: name another", accepted=False)
        spots = self._config.grid.spots()
        self._readings.light.clear()
        self.progress = Progress(
            test_id=test_id,
            setup=command.setup,
            grid=self._config.grid,
            started=self._clock.utc(),
            spot=self._config.grid.reference,
            queue=spots,
        )
        now_s = self._clock.monotonic()
        counted = self._burn.hand_on(now_s, self.progress)
        return await self._ask(Begun(time_s=now_s), command, f"test {test_id} has begun", counted)

    def alive(self) -> bool:
        """Whether events are still taken; one that takes longer than any should, and not for a refusing disk, is not.

        For the watchdog: in real time, and also asked while the conductor itself can say nothing.
        """
        if self._busy_since_s is None or self._journal.trouble is not None:
            return True
        return machine_s() - self._busy_since_s < STUCK_S

    # The loop.

    async def run(self) -> None:
        """Resume an unfinished test, then take events in until cancelled."""
        await self._resume()
        self.resumed.set()
        self._tell_status()
        async with asyncio.TaskGroup() as group:
            self._group = group
            group.create_task(self._tick(), name="conditions")
            while True:
                item = await self._inbox.get()
                self._busy_since_s = machine_s()
                await self._take(item)
                self._busy_since_s = None

    async def _resume(self) -> None:
        checkpoint = await self._stored()
        await self._end_orphans(checkpoint)
        if checkpoint is None:
            return
        self.progress, self._burn.condition = told_in_this_boot(checkpoint, self._clock)
        self.told = self.progress
        if not self.progress.over:
            unwatched = not self._settings.has_power_meter and not is_of_this_boot(checkpoint, self._clock)
            self._put(Resumed(time_s=self._clock.monotonic(), unwatched=unwatched))

    async def _stored(self) -> Checkpoint | None:
        stored = await self._journal.checkpoint(CHECKPOINT)
        if stored is None:
            return None
        try:
            return Checkpoint.model_validate_json(stored)
        except ValidationError as error:
            log.warning("the stored state of the test cannot be read: %s", error.errors()[0]["msg"])
            return None

    async def _end_orphans(self, checkpoint: Checkpoint | None) -> None:
        """A test whose stored state is gone cannot go on; it ends here, so that it is archived with what was read."""
        for span in await self._journal.tests():
            if span.ended or (checkpoint is not None and checkpoint.progress.test_id == span.test_id):
                continue
            text = f"test {span.test_id} cannot be resumed: its stored state is lost; what was read of it stays"
            log.warning("%s", text)
            stamp = self._stamp.record(test_id=span.test_id)
            await self._journal.append([EventRecord(**stamp, event="test_abandoned", text=text)])

    async def _take(self, item: Item) -> None:
        before = self.progress
        if before is None:
            return
        if item.job is not None and item.job is not self._job:
            # A press or a lost arc came first: what the job found was true of a moment that is over.
            return
        if isinstance(item.event, Resumed):
            self._interrupt(before)
        after, effects = step(before, item.event, self._settings)
        self.progress = after
        if isinstance(item.event, GatesOpened) and before.phase is Phase.WARM_UP:
            self._burn.steadied()
        refusals = [effect.text for effect in effects if isinstance(effect, Refuse)]
        for effect in effects:
            self._perform(effect)
        announcements = [effect for effect in effects if isinstance(effect, Announce)]
        records = [*item.records, *(self._event_record(a, after) for a in announcements)]
        if after.over and not before.over:
            records[:0] = self._burn.count_so_far(self._clock.monotonic())
        reply = answered = None
        if item.asked is not None:
            command, done = item.asked.command, item.asked.done
            reply = self._reply(command, refusals[0] if refusals else done, accepted=not refusals)
            answered = _answered(command, reply)
        if records or (after is not before and not isinstance(item.event, GatesOpened)):
            checkpoint = (CHECKPOINT, self._checkpoint(after))
            await self._journal.append(records, checkpoint=checkpoint, answered=answered)
        elif answered is not None:
            await self._journal.append(answered=answered)
        self.told = after
        for announcement in announcements:
            log.info("%s", announcement.text)
            if announcement.tone is not None:
                self.on_tone(announcement.tone, announcement.text)
        if refusals:
            log.info("%s", refusals[0])
            self.on_tone(Tone.NOT_YET, refusals[0])
        if item.asked is not None and reply is not None and not item.asked.reply.done():
            item.asked.reply.set_result(reply)
        self._follow_up(before, after)
        self._tell_status()

    def _interrupt(self, progress: Progress) -> None:
        """The machine slept under a running test: what was going on has lost its time."""
        if progress.phase is Phase.WINDOW:
            self._perform(CutWindow("the computer was suspended"))
        else:
            self._stop_job()

    def _follow_up(self, before: Progress, after: Progress) -> None:
        """What has happened already when a phase is entered, or is due when it is."""
        if after.phase is before.phase and after.leg is before.leg:
            return
        if after.phase is Phase.AWAIT_STRIKE and self.lamp.burning and self.lamp.struck_s is not None:
            self._put(ArcStruck(time_s=self.lamp.struck_s, utc=self._utc_at(self.lamp.struck_s)))
        if after.phase is Phase.AWAIT_PRESS and after.leg is Leg.CLOSING and before.leg is Leg.SPOT:
            self._put(GridReviewed(time_s=self._clock.monotonic(), doubtful=doubtful_in_hindsight(after)))

    def _checkpoint(self, progress: Progress) -> str:
        return Checkpoint.now(progress, self.lamp, self._clock).model_dump_json()

    def checkpoint_between_events(self) -> tuple[str, str] | None:
        """The state to store while no event is on its way: the lamp's may be ahead of a burn that is yet to be counted.

        None while one is; it stores the state itself, together with what it counted.
        """
        if self.progress is None or self._busy_since_s is not None or not self._inbox.empty():
            return None
        return CHECKPOINT, self._checkpoint(self.progress)

    def _event_record(self, announcement: Announce, progress: Progress) -> EventRecord:
        return EventRecord(
            **self._stamp.record(test_id=progress.test_id),
            event=announcement.event,
            text=announcement.text,
            spot=announcement.spot,
            details=dict(announcement.details),
        )

    # Effects.

    def _perform(self, effect: Effect) -> None:
        match effect:
            case StartPreparing():
                self._start(self._prepare())
            case WatchGates():
                self._start(self._watch_gates())
            case StartTuning(after_s=after_s):
                self._start(self._tune(after_s))
            case OpenWindow(evidence=evidence):
                self._open_window(evidence)
            case CutWindow(reason=reason):
                if self._job is not None:
                    self._job.reason = reason
                    self._job.cut.set()
                    self._job = None
            case StopJob():
                self._stop_job()
            case Conclude():
                self._start(self._conclude())
            case _:
                pass

    def _start(self, work: Coroutine[object, object, None]) -> None:
        self._stop_job()
        assert self._group is not None  # noqa: S101 - effects are performed by run(), inside its group
        self._job = Job(self._group.create_task(work))

    def _stop_job(self) -> None:
        if self._job is not None:
            self._job.task.cancel()
            self._job = None
        self._judgement = None

    async def _prepare(self) -> None:
        ambient_umol, flags = await self._bench.prepare(self.progress_now(), lambda: self.lamp)
        self._put_of_job(Prepared(time_s=self._clock.monotonic(), ambient_umol=ambient_umol, flags=flags))

    async def _tune(self, after_s: float) -> None:
        await self._clock.sleep(after_s)
        note = await self._bench.tune(self.progress_now())
        kind = TuningFailed if note.outcome == "not_available" else TuningDone
        self._put_of_job(kind(time_s=self._clock.monotonic(), note=note))

    async def _conclude(self) -> None:
        progress = self.progress_now()
        bodies = await self._journal.of_test(progress.test_id, schema_name(SpotRecord))
        records = [SpotRecord.model_validate_json(body) for body in bodies]
        try:
            summary = summarise(
                progress, records, self._config, self._stamp.record(test_id=progress.test_id), self._clock.utc()
            )
        except MeasurementError as error:
            # What was read is in the journal; a daemon that fell over it would fall over it again at each start.
            reason = f"no result can be computed from the readings: {error}"
            self._put_of_job(AbandonAsked(time_s=self._clock.monotonic(), reason=reason))
            return
        average = summary.canopy_average
        text = f"test finished: canopy average not given: {average.reason}"
        if average.value is not None and summary.coverage_factor is not None:
            text = f"test finished: canopy average {figure(average, expanded=summary.coverage_factor)} (95 %)"
        self._put_of_job(Concluded(time_s=self._clock.monotonic(), text=text), summary)

    def _open_window(self, evidence: tuple[GateEvidence, ...]) -> None:
        progress = self.progress_now()
        self._judgement = None
        self._job = None
        self._window_closes_s = self._clock.monotonic() + self._config.procedure.window_s
        cut = asyncio.Event()

        async def read() -> None:
            reading = await self._bench.read(progress, evidence, cut, lambda: job.reason)
            records = [r for r in (reading.spectrum, reading.spot) if r is not None]
            self._put(ReadingDone(time_s=self._clock.monotonic(), note=reading.note), *records)

        assert self._group is not None  # noqa: S101 - as in _start
        job = Job(self._group.create_task(read()), cut)
        self._job = job

    async def _watch_gates(self) -> None:
        """Wait until the gates of the phase are open; tell when one holds and when it is overdue."""
        told: set[tuple[str, bool]] = set()
        first = True
        asked_s = self._clock.monotonic()
        procedure, watched = self._config.procedure, self._watched
        while True:
            progress, now_s = self.progress_now(), self._clock.monotonic()
            if progress.phase is Phase.WARM_UP:
                judgement = judge_warm_up(progress, self._readings, now_s, procedure, watched)
            else:
                judgement = judge_settling(progress, self._readings, now_s, procedure, watched, asked_s=asked_s)
            self._judgement = judgement
            self._judged_s = now_s
            if first:
                self._tell_status()
                first = False
            if judgement.bumped_at_s is not None:
                self._put_of_job(Bumped(time_s=judgement.bumped_at_s))
                return
            if judgement.open:
                from_s = max(now_s - 60.0, progress.strike_s or 0.0)
                powers = [t.sample.power_w for t in self._readings.supply.between(from_s, now_s)]
                steady_w = mean_quantity(powers, units.WATT).value
                self._put_of_job(GatesOpened(time_s=now_s, evidence=judgement.evidence, steady_w=steady_w))
                return
            holding = judgement.holding
            if judgement.earliest_in_s > 0:
                await self._clock.sleep(max(judgement.earliest_in_s, SHORTEST_SLEEP_S))
                continue
            if (
                not judgement.undecided
                and holding is not None
                and (key := (holding.gate.value, judgement.overdue)) not in told
            ):
                told.add(key)
                self._put_of_job(
                    GateHeld(time_s=now_s, gate=holding.gate, reason=holding.reason, overdue=judgement.overdue)
                )
            await self._clock.sleep(GATE_POLL_S)

    def progress_now(self) -> Progress:
        """Of the running test."""
        assert self.progress is not None  # noqa: S101 - jobs exist only in a test
        return self.progress

    # Telling.

    async def _tick(self) -> None:
        """Conditions at their interval while a test runs; live readings each second."""
        every_s = self._config.procedure.conditions_every_s
        due_s = self._clock.monotonic()
        told_s = due_s - every_s
        while True:
            now_s = self._clock.monotonic()
            self.on_message(self.live())
            if self._judgement is not None and self._judgement.earliest_in_s <= 0:
                self._tell_status()
            if now_s >= due_s:
                due_s, since_s, told_s = now_s + every_s, told_s, now_s
                if self._test_id() is not None:
                    records = condition_records(
                        self._config, self._readings, self._stamp, self.progress_now(), since_s=since_s
                    )
                    # With the checkpoint, so that a daemon that comes back knows how lately the lamp was seen to burn.
                    await self._journal.append(records, checkpoint=self.checkpoint_between_events())
                    self._tell_status()
                elif self.lamp.burning and (checkpoint := self.checkpoint_between_events()) is not None:
                    await self._journal.append(checkpoint=checkpoint)
            await self._clock.sleep(self._bench.live_every_s)

    def live(self) -> LiveMessage:
        """Latest readings."""
        return live_message(self._readings, self._config, self._stamp, self._clock.monotonic())

    def status(self, *, online: bool) -> StatusMessage:
        """The bench now, or as its last will would tell it."""
        if not online:
            return StatusMessage(**self._stamp.message(), online=False, version=__version__, state="offline")
        now_s = self._clock.monotonic()
        moment = Moment(
            progress=self.told,
            lamp=self.lamp,
            has_power_meter=self._settings.has_power_meter,
            judgement=self._judgement if self.told is self.progress else None,
            judged_ago_s=now_s - self._judged_s,
            window_left_s=None if self._window_closes_s is None else max(0.0, self._window_closes_s - now_s),
            trouble=self._journal.trouble,
            spots_total=len(self._config.grid.spots()),
            last_seq=self._journal.last_seq,
            pedal_away=self._pedal_away,
        )
        self._prompt = next_prompt(self._prompt, moment)
        return status_message(moment, self._prompt, self._stamp)

    def _tell_status(self) -> None:
        self.on_message(self.status(online=True))


def _fingerprint(command: AnyCommand) -> str:
    """Of a command's words, so that an id cannot stand for two commands."""
    return hashlib.sha256(command.model_dump_json().encode()).hexdigest()


def _answered(command: AnyCommand, reply: Reply) -> Answered:
    return Answered(command.id, _fingerprint(command), reply.model_dump_json(by_alias=True))


def _test_id(now: datetime, lamp: str) -> str:
    """Date, time and lamp, in characters that fit a topic."""
    slug = "".join(c if c.isascii() and c.isalnum() else "-" for c in lamp).strip("-").lower()[:40] or "lamp"
    return f"{now:%Y%m%d-%H%M%S}-{slug}"
