"""What the panel remembers and tells: whatever happens to it, the bench does not notice."""

import logging

import pytest
from lampwarden.daemon.panel.present import EVENTS_KEPT, SPECTRUM_POINTS, TREND_POINTS, Presenter, spectrum_view, trend
from lampwarden.daemon.procedure.events import Tone
from lampwarden.daemon.samples import Readings
from lampwarden.daemon.store.journal import Journal, JournalFile
from lampwarden.protocol.records import EventRecord, SpectrumRecord, StatusMessage, SummaryRecord
from support.benches import SetClock, bench_config, progress
from support.samples_of_records import live, records


class Conductor:
    """The part of a conductor that the presenter looks at."""

    def __init__(self) -> None:
        self.told = progress()


def presenter() -> Presenter:
    config = bench_config()
    journal = Journal(JournalFile(None, config.bench.id), in_line=True)
    return Presenter(config, SetClock(), 1.0, Conductor(), journal, Readings(), dict)  # type: ignore[arg-type]  # the part that it looks at


def spectrum() -> SpectrumRecord:
    return next(record for record in records() if isinstance(record, SpectrumRecord))


def event(number: int, test_id: str = "t-1", kind: str = "accepted") -> EventRecord:
    sample = next(record for record in records() if isinstance(record, EventRecord))
    return sample.model_copy(update={"seq": number, "test_id": test_id, "event": kind, "text": f"line {number}"})


def test_thinned_spectrum_keeps_every_line_of_the_lamp() -> None:
    counts = [100.0] * 2048
    for pixel in (3, 700, 701, 2047):
        counts[pixel] = 60000.0
    record = spectrum().model_copy(
        update={
            "wavelength_nm": [350.0 + 0.25 * i for i in range(2048)],
            "counts": counts,
            "full_scale_counts": 65535.0,
        }
    )
    view = spectrum_view(record)
    assert len(view.fraction) <= SPECTRUM_POINTS
    high = [nm for nm, part in zip(view.wavelength_nm, view.fraction, strict=True) if part > 0.9]
    assert high == [350.75, pytest.approx(525.0, abs=0.26), 861.75]


def test_thinned_trend_keeps_a_dip_of_one_sample() -> None:
    samples: list[tuple[float, float | None]] = [(float(i), 230.0 + 0.1 * (i % 3)) for i in range(1800)]
    samples[777] = (777.0, 216.6)
    samples[778] = (778.0, None)
    found = trend(samples)
    assert len(found.time_s) <= TREND_POINTS
    assert found.time_s == sorted(found.time_s)
    assert min(zip(found.value, found.time_s, strict=True)) == (216.6, 777.0)
    assert trend(samples[:100]).value == [value for _, value in samples[:100]], "few are not thinned out"


def test_log_of_a_long_test_has_a_bound_and_a_new_test_begins_an_empty_one() -> None:
    one = presenter()
    one.take_records([event(1, kind="test_begun"), *(event(n) for n in range(2, EVENTS_KEPT + 50))])
    assert len(one._events) == EVENTS_KEPT
    assert min(one._events) == 50
    one.take_records([spectrum()])
    one.take_records([event(1000, "t-2", kind="test_begun")])
    assert list(one._events) == [1000]
    assert one._spectrum is None


async def test_slow_page_gets_only_the_newest_status_but_every_event_and_tone() -> None:
    one = presenter()
    status = next(message for message in live() if isinstance(message, StatusMessage))
    with one.bus.subscribed() as page:
        for number in range(50):
            one.take_message(status.model_copy(update={"spots_done": number}))
            one.take_records([event(number)])
        one.take_tone(Tone.NOT_YET, "not yet: the lamp is warming up")
        notices = await page.next()
    statuses = [n.body for n in notices if isinstance(n.body, StatusMessage)]
    assert [s.spots_done for s in statuses] == [49]
    assert sum(isinstance(n.body, EventRecord) for n in notices) == 50
    assert [n.kind for n in notices].count("tone") == 1


async def test_record_that_cannot_be_shown_does_not_reach_the_journals_writer(
    caplog: pytest.LogCaptureFixture,
) -> None:
    one = presenter()
    broken = spectrum().model_copy(update={"full_scale_counts": 0.0})
    summary = next(record for record in records() if isinstance(record, SummaryRecord))
    with caplog.at_level(logging.ERROR), one.bus.subscribed() as page:
        one.take_records([broken, summary])
        notices = await page.next()
    assert "a record could not be shown" in caplog.text
    assert [n.kind for n in notices] == ["summary"]
