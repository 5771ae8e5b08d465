"""Finished and running tests, read back from what is on disk: for reports, exports and lists.

Owns the way from a journal (or, where retention has dropped a test from it, its archive) to typed records. Reads beside
a running daemon and changes nothing.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TypeVar

from pydantic import JsonValue, TypeAdapter, ValidationError

from ...protocol.errors import JournalError
from ...protocol.records import (
    AirRecord,
    EventRecord,
    InstrumentRecord,
    LightRecord,
    Record,
    SpectrumRecord,
    SpotRecord,
    SummaryRecord,
    SupplyRecord,
    schema_name,
)
from ...protocol.setup import Grid, LampSetup
from ..store.archive import archive_path, archives, read_archive
from ..store.journal import read_bodies
from ..store.journal_files import JournalPaths

R = TypeVar("R", bound=Record)

BEGUN = "test_begun"
_OBJECT: TypeAdapter[dict[str, JsonValue]] = TypeAdapter(dict[str, JsonValue])


@dataclass(frozen=True, slots=True)
class TestRecords:
    """All records of one test, each kind in the order of ``seq``; ``summary`` is the latest, None without a result."""

    test_id: str
    bench: str
    simulated: bool
    setup: LampSetup | None
    grid: Grid | None
    summary: SummaryRecord | None
    spots: tuple[SpotRecord, ...]
    spectra: tuple[SpectrumRecord, ...]
    events: tuple[EventRecord, ...]
    supply: tuple[SupplyRecord, ...]
    air: tuple[AirRecord, ...]
    light: tuple[LightRecord, ...]
    instruments: tuple[InstrumentRecord, ...]
    """The last word of each instrument before the test ended, by name."""

    def counted(self, spot: SpotRecord) -> bool:
        """Whether the result uses this attempt."""
        return self.summary is not None and any(s.record_id == spot.record_id for s in self.summary.spots)


@dataclass(frozen=True, slots=True)
class KnownTest:
    """One line of a list of tests."""

    test_id: str
    begun: datetime
    lamp: str
    outcome: str
    simulated: bool


def recall(journal: Path, test_id: str) -> TestRecords:
    """Read a test.

    Raises:
        JournalError: There is no such journal or test, or a record is not what was written.
    """
    archived: list[str] = []

    def of(model: type[R]) -> tuple[R, ...]:
        name = schema_name(model)
        if archived:
            bodies: Sequence[str] = [body for body in archived if f'"schema":"{name}"' in body]
        else:
            bodies = read_bodies(journal, name, test_id)
        return tuple(_parsed(model, body) for body in bodies)

    events = of(EventRecord)
    if not any(event.event == BEGUN for event in events):
        path = archive_path(JournalPaths(journal).archive, test_id)
        if path.is_file():
            archived.extend(read_archive(path).bodies.values())
            events = of(EventRecord)
        elif not events:
            known = ", ".join(test.test_id for test in known_tests(journal)[-8:]) or "none"
            raise JournalError(f"has no test {test_id}", where=str(journal), mend=f"the latest are: {known}")
    summaries = of(SummaryRecord)
    summary = summaries[-1] if summaries else None
    setup, grid = (summary.setup, summary.grid) if summary is not None else _as_begun(events)
    last_seq = max(record.seq for record in (*events, *summaries))
    return TestRecords(
        test_id=test_id,
        bench=events[0].bench,
        simulated=any(record.simulated for record in (*events, *summaries)),
        setup=setup,
        grid=grid,
        summary=summary,
        spots=of(SpotRecord),
        spectra=of(SpectrumRecord),
        events=events,
        supply=of(SupplyRecord),
        air=of(AirRecord),
        light=of(LightRecord),
        instruments=_healths(journal, last_seq) or _latest(of(InstrumentRecord)),
    )


def _parsed(model: type[R], body: str) -> R:
    try:
        return model.model_validate_json(body)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        raise JournalError(
            f"a record does not read as {schema_name(model)}: {'.'.join(map(str, first['loc']))}: {first['msg']}",
            where="journal",
            mend="was it written by another version?",
        ) from None


def _healths(journal: Path, last_seq: int) -> tuple[InstrumentRecord, ...]:
    """Instruments speak for the bench, not for a test, so they are looked up in the whole journal."""
    bodies = read_bodies(journal, schema_name(InstrumentRecord))
    records = [_parsed(InstrumentRecord, body) for body in bodies]
    return _latest([record for record in records if record.seq <= last_seq])


def _latest(records: Sequence[InstrumentRecord]) -> tuple[InstrumentRecord, ...]:
    """A daemon's stop is not what an instrument was like during the test: its last identity is kept."""
    found: dict[str, InstrumentRecord] = {}
    for record in records:
        before = found.get(record.instrument)
        if before is not None and record.identity is None and before.identity is not None:
            continue
        found[record.instrument] = record
    return tuple(found[name] for name in sorted(found))


def _as_begun(events: Sequence[EventRecord]) -> tuple[LampSetup | None, Grid | None]:
    """What a test without a result was a test of: from its first event."""
    details = next((event.details for event in events if event.event == BEGUN), {})
    lamp = {key: value for key, value in details.items() if key in LampSetup.model_fields}
    grid = {key.removeprefix("grid_"): value for key, value in details.items() if key.startswith("grid_")}
    try:
        return LampSetup.model_validate(lamp), Grid.model_validate(grid)
    except ValidationError:
        return None, None


def known_tests(journal: Path) -> list[KnownTest]:
    """Every test that the journal or an archive beside it has, oldest first.

    Raises:
        JournalError: The journal cannot be read.
    """
    summaries = {
        summary.test_id: summary
        for body in read_bodies(journal, schema_name(SummaryRecord))
        if (summary := _parsed(SummaryRecord, body)).test_id is not None
    }
    found: dict[str, KnownTest] = {}
    over: dict[str, str] = {}
    events = [_parsed(EventRecord, body) for body in read_bodies(journal, schema_name(EventRecord))]
    for event in events:
        if event.test_id is None:
            continue
        if event.event in ("test_finished", "test_abandoned"):
            over[event.test_id] = event.text
        if event.test_id not in found:
            result = summaries.get(event.test_id)
            lamp = result.setup.lamp if result is not None else str(event.details.get("lamp", ""))
            found[event.test_id] = KnownTest(event.test_id, event.time, lamp, "not finished", event.simulated)
    known = [
        KnownTest(test.test_id, test.begun, test.lamp, over.get(test.test_id, test.outcome), test.simulated)
        for test in found.values()
    ]
    known += [_archived(path) for path in archives(JournalPaths(journal).archive) if path.stem not in found]
    return sorted(known, key=lambda test: test.begun)


def _archived(path: Path) -> KnownTest:
    archive = read_archive(path)
    name = schema_name(EventRecord)
    events = [_parsed(EventRecord, b) for b in archive.bodies.values() if f'"schema":"{name}"' in b]
    if not events:
        raise JournalError("the archive has no events", where=str(path))
    lamp = str(events[0].details.get("lamp", ""))
    return KnownTest(archive.test_id, events[0].time, lamp, events[-1].text, events[0].simulated)


def latest_test(journal: Path) -> str:
    """The id of the test that was begun last.

    Raises:
        JournalError: There is none.
    """
    tests = known_tests(journal)
    if not tests:
        raise JournalError("has no test yet", where=str(journal), mend="begin one: lampwarden begin, or on the panel")
    return tests[-1].test_id
