"""What the bench says of itself: status and live readings. Pure; the conductor knows when to say it."""

from dataclasses import dataclass
from typing import Final

from ... import __version__
from ...protocol import units
from ...protocol.quantity import Quantity
from ...protocol.records import GateWait, LiveMessage, Prompt, StatusMessage
from ..config import BenchConfig
from ..lamp import LampCondition, LampState
from ..samples import Readings
from ..stamp import Stamp
from .gatekeeper import Judgement
from .progress import Leg, Phase, Progress
from .prompts import prompt_for

LEAST_FRESH_S: Final = 5.0
"""A reading older than this, or than three polls, is not "now"."""
AIR_FRESH_S: Final = 60.0
"""Air changes over minutes."""


@dataclass(frozen=True, slots=True)
class Moment:
    """The bench at one moment, as far as it is told.

    Attributes:
        progress: Of the test, or None.
        lamp: Its condition.
        has_power_meter: Whether the condition is seen, or only told by the operator.
        judgement: The latest of the gates of this phase, or None.
        judged_ago_s: How long ago that was, bench seconds.
        window_left_s: Until the window closes, or None.
        trouble: Why the journal takes no records, or None.
        spots_total: Spots of the grid.
        last_seq: Highest sequence number in the journal.
        pedal_away: Whether the foot switch cannot be felt now.
    """

    progress: Progress | None
    lamp: LampCondition
    has_power_meter: bool
    judgement: Judgement | None
    judged_ago_s: float
    window_left_s: float | None
    trouble: str | None
    spots_total: int
    last_seq: int
    pedal_away: bool = False

    @property
    def overdue(self) -> bool:
        """Whether the operator may read anyway, and has not said so yet."""
        progress, judgement = self.progress, self.judgement
        return judgement is not None and judgement.overdue and progress is not None and not progress.granted

    @property
    def held(self) -> str | None:
        """Why a gate holds beyond its minimum time, or None."""
        judgement = self.judgement
        if judgement is None or (holding := judgement.holding) is None:
            return None
        return holding.reason if judgement.earliest_in_s <= 0 or self.overdue else None


def next_prompt(last: Prompt, moment: Moment) -> Prompt:
    """The prompt of the moment: the last one if it says the same, else a new one with the next number."""
    prompt = prompt_for(
        moment.progress,
        moment.lamp,
        held=moment.held,
        overdue=moment.overdue,
        has_power_meter=moment.has_power_meter,
        pedal_away=moment.pedal_away,
    )
    if moment.trouble is not None:
        prompt = prompt.model_copy(update={"text": f"Stop: the journal takes no records: {moment.trouble}"})
    if prompt == last.model_copy(update={"number": 0}):
        return last
    return prompt.model_copy(update={"number": last.number + 1})


def status_message(moment: Moment, prompt: Prompt, stamp: Stamp) -> StatusMessage:
    """The bench now."""
    progress, judgement = moment.progress, moment.judgement
    waits: list[GateWait] = []
    if judgement is not None:
        waits = [
            GateWait(
                gate=e.gate,
                earliest_in_s=max(0.0, judgement.earliest_in_s - moment.judged_ago_s),
                held=moment.held is not None,
                reason=e.reason,
                overrule_in_s=max(0.0, judgement.overrule_in_s - moment.judged_ago_s),
            )
            for e in judgement.evidence
            if not e.open
        ]
    reading = progress is not None and progress.phase is Phase.WINDOW
    return StatusMessage(
        **stamp.message(),
        online=True,
        version=__version__,
        test_id=None if progress is None else progress.test_id,
        state="idle" if progress is None else progress.phase.value,
        lamp=moment.lamp.state.value if moment.has_power_meter else _told(progress),
        prompt=prompt,
        waits=waits,
        window_left_s=moment.window_left_s if reading else None,
        spots_done=0 if progress is None else progress.spots_done(),
        spots_total=moment.spots_total,
        last_seq=moment.last_seq,
    )


def parting_words(progress: Progress | None) -> str:
    """One line on what was going on when the daemon was told to stop, and what becomes of it."""
    if progress is None or progress.over:
        return "stopped: no test was running"
    place = progress.spot if progress.leg is Leg.SPOT else "the reference point"
    doing = {
        Phase.PREPARE: "the readings with the lamp off were being taken",
        Phase.AWAIT_STRIKE: "the lamp was not burning yet",
        Phase.WARM_UP: "the lamp was warming up",
        Phase.COOL_DOWN: "the lamp had gone out and was cooling",
        Phase.TUNE: "the integration time was being found",
        Phase.AWAIT_PRESS: f"a press at {place} was waited for",
        Phase.SETTLE: f"the signal at {place} was settling",
        Phase.WINDOW: f"{place} was being read",
        Phase.CONCLUDE: "the result was being made",
    }[progress.phase]
    return (
        f"stopped during test {progress.test_id}: {doing}; "
        "the test goes on from what is on disk when the daemon is started again"
    )


def live_message(readings: Readings, config: BenchConfig, stamp: Stamp, now_s: float) -> LiveMessage:
    """Latest readings; what is older than a few polls is null."""
    fresh_s = max(LEAST_FRESH_S, 3 * config.procedure.poll_s)
    light = readings.light.fresh(now_s, fresh_s)
    supply = readings.supply.fresh(now_s, fresh_s)
    inside = readings.inside.fresh(now_s, AIR_FRESH_S)
    outside = readings.outside.fresh(now_s, AIR_FRESH_S)

    def quantity(value: float | None, unit: str) -> Quantity:
        return Quantity.missing(unit, "no recent reading") if value is None else Quantity(value=value, unit=unit)

    return LiveMessage(
        **stamp.message(),
        ppfd=quantity(light, units.PPFD),
        voltage=quantity(supply.voltage_v if supply else None, units.VOLT),
        power=quantity(supply.power_w if supply else None, units.WATT),
        frequency=quantity(supply.frequency_hz if supply else None, units.HERTZ),
        inside_temperature=quantity(inside.temperature_c if inside else None, units.CELSIUS),
        inside_humidity=quantity(inside.humidity_percent if inside else None, units.PERCENT),
        outside_temperature=quantity(outside.temperature_c if outside else None, units.CELSIUS),
    )


def _told(progress: Progress | None) -> str:
    """Without a power meter the lamp's condition is what the operator said."""
    struck = progress is not None and progress.strike_s is not None and not progress.over
    return LampState.RUN_UP.value if struck else LampState.UNKNOWN.value
