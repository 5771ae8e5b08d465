"""What the panel has to tell: the present state for whoever comes late, and the step from news to what a page needs.

Owns memory of the last spectrum, the events and the summary of the running (or last) test: filled from what the journal
has once, kept up from what is appended after that, so that a reload in mid-test costs no search. It reads the conductor
and never waits for it; it knows no HTTP.
"""

import logging
from collections.abc import Callable, Iterable, Sequence
from typing import Final, Literal

from ... import __version__
from ...protocol.clock import Clock
from ...protocol.errors import LampwardenError
from ...protocol.records import (
    EventRecord,
    LiveMessage,
    Record,
    SpectrumRecord,
    StatusMessage,
    SummaryRecord,
    schema_name,
)
from ..bus import Bus, Notice
from ..calibration import note_of
from ..cautions import CAUTIONS, FIRST
from ..colours import ink_on, ramp
from ..config import BenchConfig
from ..lamp import LampLimits, LampState
from ..procedure.conductor import Conductor
from ..procedure.events import Tone
from ..samples import Readings
from ..stations import Health
from ..store.journal import Journal
from ..view import grid_view
from .models import Colour, EventView, HealthView, LampView, NowView, Present, Rules, SpectrumView, ToneView, Trend

log = logging.getLogger("lampwarden.panel")

EVENTS_KEPT: Final = 300
TREND_S: Final = 1800.0
"""Span of the small trends, bench time: a warm-up and some."""
TREND_POINTS: Final = 180
SPECTRUM_POINTS: Final = 400
"""Pixels are put together by their highest count, so that a line of the lamp cannot fall between two points."""


PanelNews = StatusMessage | LiveMessage | Record | ToneView
Section = tuple[Literal["now", "live", "test", "instruments", "event", "spectrum", "summary", "tone"], str]
"""Kind of a message to the page, and its JSON."""


class Presenter:
    """Knows the present state of one bench and turns news into messages for pages."""

    def __init__(
        self,
        config: BenchConfig,
        clock: Clock,
        speed: float,
        conductor: Conductor,
        journal: Journal,
        readings: Readings,
        health_of: Callable[[], dict[str, Health]],
    ) -> None:
        self._config = config
        self._clock = clock
        self._speed = speed
        self._conductor = conductor
        self._journal = journal
        self._readings = readings
        self._health_of = health_of
        self._test_id: str | None = None
        self._complete = False
        self._events: dict[int, EventView] = {}
        self._spectrum: SpectrumView | None = None
        self._summary: SummaryRecord | None = None
        self.bus: Bus[PanelNews] = Bus()

    # What comes in: returns at once.

    def take_message(self, message: StatusMessage | LiveMessage) -> None:
        """A live message of the conductor."""
        kind = "now" if isinstance(message, StatusMessage) else "live"
        self.bus.publish(Notice(kind, message, key=kind))

    def take_tone(self, tone: Tone, text: str) -> None:
        """A short signal."""
        self.bus.publish(Notice("tone", ToneView(tone=tone, text=text)))

    def take_records(self, records: Sequence[Record]) -> None:
        """Records that are on disk. Called from the journal's writer, which a fault of the panel's must not reach."""
        for record in records:
            try:
                self._remember(record)
            except Exception:
                log.exception("panel: a record could not be shown")
                continue
            match record:
                case EventRecord():
                    self.bus.publish(Notice("event", record))
                case SpectrumRecord():
                    self.bus.publish(Notice("spectrum", record, key="spectrum"))
                case SummaryRecord():
                    self.bus.publish(Notice("summary", record, key="summary"))
                case _ if record.schema_.startswith("lampwarden.instrument/"):
                    self.bus.publish(Notice("instruments", record, key="instruments"))
                case _:
                    pass

    def _remember(self, record: Record) -> None:
        if record.test_id is not None and record.test_id != self._test_id:
            self._turn_to(record.test_id, complete=isinstance(record, EventRecord) and record.event == "test_begun")
        match record:
            case EventRecord():
                self._events[record.seq] = event_view(record)
                while len(self._events) > EVENTS_KEPT:
                    del self._events[min(self._events)]
            case SpectrumRecord():
                self._spectrum = spectrum_view(record)
            case SummaryRecord():
                self._summary = record
            case _:
                pass

    def _turn_to(self, test_id: str, *, complete: bool) -> None:
        """Forget the test before; ``complete`` when nothing of this one can be in the journal yet."""
        self._test_id, self._complete = test_id, complete
        self._spectrum, self._summary = None, None
        self._events.clear()

    # What goes out.

    async def present(self) -> Present:
        """The present state; the test so far comes from the journal when this daemon has not seen it itself."""
        progress = self._conductor.told
        if progress is not None:
            if self._test_id != progress.test_id:
                self._turn_to(progress.test_id, complete=False)
            if not self._complete:
                await self._load(progress.test_id)
        config = self._config
        procedure = config.procedure
        return Present(
            bench=config.bench.id,
            title=config.bench.title,
            simulated=config.bench.simulated,
            version=__version__,
            speed=self._speed,
            colours=[Colour(fill=colour, ink=ink_on(colour)) for colour in ramp()],
            first_caution=FIRST,
            cautions=list(CAUTIONS),
            rules=Rules(
                warm_up_minimum_s=procedure.warm_up_minimum_s,
                settle_minimum_s=procedure.settle_minimum_s,
                window_s=procedure.window_s,
                nominal_voltage_v=procedure.nominal_voltage_v,
                voltage_tolerance_percent=procedure.voltage_tolerance_percent,
                nominal_frequency_hz=procedure.nominal_frequency_hz,
                primary=procedure.primary,
                roles=[table.role for table in config.instruments.values()],
            ),
            now=self._now(self._conductor.status(online=True)),
            live=self._conductor.live(),
            test=None if progress is None else grid_view(progress),
            instruments=self._instruments(),
            events=[self._events[seq] for seq in sorted(self._events)],
            spectrum=self._spectrum,
            summary=self._summary,
            trends=self._trends(),
            last_setup=None if progress is None else progress.setup,
        )

    async def _load(self, test_id: str) -> None:
        try:
            bodies = await self._journal.of_test(test_id, schema_name(EventRecord))
            spectra = await self._journal.of_test(test_id, schema_name(SpectrumRecord))
            summaries = await self._journal.of_test(test_id, schema_name(SummaryRecord))
        except LampwardenError:
            return
        if self._test_id != test_id:
            return
        self._complete = True
        for body in bodies[-EVENTS_KEPT:]:
            event = EventRecord.model_validate_json(body)
            self._events[event.seq] = event_view(event)
        if spectra and self._spectrum is None:
            self._spectrum = spectrum_view(SpectrumRecord.model_validate_json(spectra[-1]))
        if summaries and self._summary is None:
            self._summary = SummaryRecord.model_validate_json(summaries[-1])

    def sections(self, notices: Iterable[Notice[PanelNews]], shown: object) -> tuple[list[Section], object]:
        """Messages for one page.

        Args:
            notices: What has come.
            shown: The progress that the page shows, as this method last returned it.
        """
        found: list[Section] = []
        progress = self._conductor.told
        for notice in notices:
            match notice.body:
                case StatusMessage():
                    found.append(("now", self._now(notice.body).model_dump_json(by_alias=True)))
                case LiveMessage():
                    found.append(("live", notice.body.model_dump_json(by_alias=True)))
                case EventRecord():
                    found.append(("event", event_view(notice.body).model_dump_json()))
                case SpectrumRecord():
                    found.append(("spectrum", spectrum_view(notice.body).model_dump_json()))
                case SummaryRecord():
                    found.append(("summary", notice.body.model_dump_json(by_alias=True)))
                case ToneView():
                    found.append(("tone", notice.body.model_dump_json()))
                case _:
                    healths = ",".join(view.model_dump_json() for view in self._instruments())
                    found.append(("instruments", f"[{healths}]"))
        if progress is not None and progress is not shown:
            found.append(("test", grid_view(progress).model_dump_json()))
        return found, progress

    def _now(self, status: StatusMessage) -> NowView:
        lamp, progress = self._conductor.lamp, self._conductor.told
        cool_until_s = None
        if lamp.state is LampState.COOLING and lamp.lost_s is not None and progress is not None:
            procedure = self._config.procedure
            limits = LampLimits.of(progress.setup, procedure.lit_power_fraction, procedure.cool_down_s)
            cool_until_s = lamp.lost_s + limits.cool_down_s
        struck_s = lamp.struck_s if lamp.burning else None
        return NowView(
            status=status,
            lamp=LampView(state=status.lamp, struck_s=struck_s, cool_until_s=cool_until_s, power_w=lamp.power_w),
        )

    def _instruments(self) -> list[HealthView]:
        today = self._clock.utc().date()
        healths = self._health_of()
        return [
            HealthView(
                instrument=name,
                role=table.role,
                state=healths[name].state,
                text=healths[name].text,
                port=table.port,
                identity=healths[name].identity,
                calibration=note_of(table.calibration, today),
            )
            for name, table in self._config.instruments.items()
            if name in healths
        ]

    def _trends(self) -> dict[str, Trend]:
        now_s = self._clock.monotonic()
        from_s = now_s - TREND_S
        readings = self._readings
        supply = readings.supply.between(from_s, now_s)
        inside = readings.inside.between(from_s, now_s)
        outside = readings.outside.between(from_s, now_s)
        return {
            "ppfd": trend([(t.time_s, t.sample) for t in readings.light.between(from_s, now_s)]),
            "power": trend([(t.time_s, t.sample.power_w) for t in supply]),
            "voltage": trend([(t.time_s, t.sample.voltage_v) for t in supply]),
            "frequency": trend([(t.time_s, t.sample.frequency_hz) for t in supply]),
            "inside_temperature": trend([(t.time_s, t.sample.temperature_c) for t in inside]),
            "inside_humidity": trend([(t.time_s, t.sample.humidity_percent) for t in inside]),
            "outside_temperature": trend([(t.time_s, t.sample.temperature_c) for t in outside]),
        }


def trend(samples: Sequence[tuple[float, float | None]]) -> Trend:
    """Thinned out to the lowest and the highest of each stretch, so that no dip gets lost."""
    known = [(time_s, value) for time_s, value in samples if value is not None]
    if len(known) > TREND_POINTS:
        step = -(-2 * len(known) // TREND_POINTS)
        stretches = [known[first : first + step] for first in range(0, len(known), step)]
        ends = ({min(s, key=lambda p: p[1]), max(s, key=lambda p: p[1])} for s in stretches)
        known = [point for pair in ends for point in sorted(pair)]
    return Trend(time_s=[round(t, 1) for t, _ in known], value=[float(f"{v:.6g}") for _, v in known])


def event_view(record: EventRecord) -> EventView:
    """A line of the log."""
    return EventView(seq=record.seq, time=record.time, event=record.event, text=record.text, spot=record.spot)


def spectrum_view(record: SpectrumRecord) -> SpectrumView:
    """A spectrum thinned out for the screen."""
    n = len(record.counts)
    step = max(1, -(-n // SPECTRUM_POINTS))
    wavelengths: list[float] = []
    fractions: list[float] = []
    for first in range(0, n, step):
        block = record.counts[first : first + step]
        highest = max(range(len(block)), key=block.__getitem__)
        wavelengths.append(round(record.wavelength_nm[first + highest], 2))
        fractions.append(round(block[highest] / record.full_scale_counts, 5))
    return SpectrumView(
        spot=record.spot,
        attempt=record.attempt,
        leg=record.leg,
        time=record.time,
        integration_s=record.integration_s,
        averages=record.averages,
        peak_fraction=record.peak_fraction,
        saturated=record.saturated,
        wavelength_nm=wavelengths,
        fraction=fractions,
        figures=record.figures,
    )
