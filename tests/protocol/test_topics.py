"""Topic names: one place for each kind, none that a broker could misread."""

import pytest
from lampwarden.protocol.records import (
    EventRecord,
    InstrumentRecord,
    LiveMessage,
    Message,
    Record,
    SpotRecord,
    StatusMessage,
    SummaryRecord,
)
from lampwarden.protocol.topics import Topics, is_retained
from support.samples_of_records import live, records

TOPICS = Topics("north-house")
BASE = "lampwarden/1/north-house"
TEST = f"{BASE}/tests/20260302-081500-hps-07"
MESSAGES: tuple[Message, ...] = (*records(), *live())

EXPECTED = {
    # after the design, "Records": topics under lampwarden/1/<bench>/
    "StatusMessage": f"{BASE}/status",
    "LiveMessage": f"{BASE}/live",
    "InstrumentRecord": f"{BASE}/instruments/quantum",
    "AirRecord": f"{BASE}/conditions",
    "SupplyRecord": f"{BASE}/conditions",
    "LightRecord": f"{BASE}/conditions",
    "SpotRecord": f"{TEST}/spots/C2",
    "SpectrumRecord": f"{TEST}/spectra/C2",
    "EventRecord": f"{TEST}/events",
    "SummaryRecord": f"{TEST}/summary",
    "StubRecord": f"{BASE}/stubs",
}


@pytest.mark.parametrize("message", MESSAGES, ids=lambda m: type(m).__name__)
def test_each_kind_has_its_topic(message: Message) -> None:
    assert TOPICS.of(message) == EXPECTED[type(message).__name__]


def test_an_event_outside_of_a_test_is_an_event_of_the_bench() -> None:
    (event,) = (r for r in records() if isinstance(r, EventRecord))
    assert TOPICS.of(event.model_copy(update={"test_id": None})) == f"{BASE}/events"


def test_what_has_no_topic_is_refused() -> None:
    (event,) = (r for r in records() if isinstance(r, EventRecord))
    bare = Record.model_validate(
        {key: value for key, value in event.model_dump(by_alias=True).items() if key in Record.model_fields}
        | {"schema": "x/1"}
    )
    with pytest.raises(TypeError, match="no topic for Record"):
        TOPICS.of(bare)


@pytest.mark.parametrize("message", MESSAGES, ids=lambda m: type(m).__name__)
def test_a_topic_is_a_topic_name_of_mqtt(message: Message) -> None:
    """MQTT 5.0, 4.7.1 and 4.7.3: no wildcard, no U+0000, at least one character."""
    topic = TOPICS.of(message)
    assert not set("+#\0") & set(topic)
    assert "" not in topic.split("/")


def test_late_readers_find_status_health_and_summaries() -> None:
    retained = {type(m) for m in MESSAGES if is_retained(m)}
    assert retained == {StatusMessage, InstrumentRecord, SummaryRecord}


def test_readings_are_not_retained() -> None:
    assert not any(is_retained(m) for m in MESSAGES if isinstance(m, SpotRecord | LiveMessage))


@pytest.mark.parametrize(
    ("topic", "verb"),
    [
        (f"{BASE}/commands/press", "press"),
        (f"{BASE}/commands/", ""),
        (f"{BASE}/commands", None),
        (f"{BASE}/commands/press/now", None),
        (f"{BASE}/status", None),
        ("lampwarden/1/other/commands/press", None),
        ("lampwarden/2/north-house/commands/press", None),
        ("$SYS/commands/press", None),
    ],
)
def test_a_command_is_known_by_its_topic(topic: str, verb: str | None) -> None:
    assert TOPICS.verb_of(topic) == verb


def test_the_filters_name_this_bench_only() -> None:
    assert TOPICS.everything == f"{BASE}/#"
    assert TOPICS.commands == f"{BASE}/commands/+"
    assert TOPICS.verb_of(TOPICS.command("press")) == "press"
    assert TOPICS.replies == f"{BASE}/replies"
