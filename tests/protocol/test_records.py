"""Records: whole on the wire, strict in what they take."""

import json
import math

import pytest
from lampwarden.protocol.commands import COMMANDS, Begin, Press, Reply
from lampwarden.protocol.records import (
    Catalogue,
    EventRecord,
    GateEvidence,
    GateName,
    Message,
    SpectrumRecord,
    SpotRecord,
    StatusMessage,
    schema_name,
)
from pydantic import BaseModel, ValidationError
from support.samples_of_records import commands, live, records, stamp

MESSAGES: tuple[Message, ...] = (*records(), *live())


def kind(message: object) -> str:
    return type(message).__name__


def numbers_in(value: object) -> list[float]:
    if isinstance(value, dict):
        return [n for v in value.values() for n in numbers_in(v)]
    if isinstance(value, list):
        return [n for v in value for n in numbers_in(v)]
    return [value] if isinstance(value, float) else []


def test_the_samples_cover_the_catalogue() -> None:
    assert {type(m) for m in MESSAGES} == {*Catalogue.DURABLE, *Catalogue.LIVE}
    assert {c.verb for c in commands()} == set(COMMANDS)


@pytest.mark.parametrize("message", MESSAGES, ids=kind)
def test_a_record_round_trips_through_json(message: Message) -> None:
    text = message.model_dump_json(by_alias=True)
    assert type(message).model_validate_json(text) == message
    assert json.loads(text)["schema"] == schema_name(type(message))


@pytest.mark.parametrize("message", MESSAGES, ids=kind)
def test_a_record_tells_who_when_and_whether_simulated(message: Message) -> None:
    body = json.loads(message.model_dump_json(by_alias=True))
    assert body["bench"] == "north-house"
    assert body["time"] == "2026-03-02T08:15:30.250Z"
    assert body["simulated"] is False
    assert {"monotonic_s", "clock_synchronised"} <= body.keys()


@pytest.mark.parametrize("message", MESSAGES, ids=kind)
@pytest.mark.parametrize("key", ["bench", "time", "monotonic_s", "clock_synchronised", "simulated"])
def test_a_record_without_its_stamp_is_refused(message: Message, key: str) -> None:
    body = json.loads(message.model_dump_json(by_alias=True))
    del body[key]
    with pytest.raises(ValidationError, match=key):
        type(message).model_validate(body)


@pytest.mark.parametrize("message", MESSAGES, ids=kind)
def test_unknown_keys_are_refused(message: Message) -> None:
    body = json.loads(message.model_dump_json(by_alias=True)) | {"extra": 1}
    with pytest.raises(ValidationError, match="Extra inputs"):
        type(message).model_validate(body)


@pytest.mark.parametrize("message", MESSAGES, ids=kind)
def test_another_schema_is_refused(message: Message) -> None:
    body = json.loads(message.model_dump_json(by_alias=True)) | {"schema": "lampwarden.other/1"}
    with pytest.raises(ValidationError, match="schema"):
        type(message).model_validate(body)


def test_schema_names_are_one_to_one_and_end_in_a_version() -> None:
    names = [schema_name(model) for model in (*Catalogue.DURABLE, *Catalogue.LIVE)]
    assert len(names) == len(set(names))
    for name in names:
        family, _, version = name.partition("/")
        assert family.startswith("lampwarden.")
        assert version.isdigit()


@pytest.mark.parametrize("bench", ["", "North", "a/b", "a+b", "#", "-a", "a b", "a" * 64])
def test_a_bench_id_fits_a_topic_level(bench: str) -> None:
    with pytest.raises(ValidationError, match="bench"):
        EventRecord.model_validate({**stamp(), "bench": bench, "event": "e", "text": "t"})


@pytest.mark.parametrize("test_id", ["", "a/b", "+", "#", " a", ".a", "a\n", "a" * 97])
def test_a_test_id_fits_a_topic_level(test_id: str) -> None:
    with pytest.raises(ValidationError, match="test_id"):
        EventRecord.model_validate({**stamp(), "test_id": test_id, "event": "e", "text": "t"})


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
class TestNoNumberIsNan:
    def test_in_an_array(self, bad: float) -> None:
        (spectrum,) = (r for r in records() if isinstance(r, SpectrumRecord))
        body = spectrum.model_dump()
        for key in ("wavelength_nm", "counts", "dark_counts", "irradiance_w_m2_nm", "u_own_w_m2_nm"):
            with pytest.raises(ValidationError, match="finite number"):
                SpectrumRecord.model_validate(body | {key: [1.0, bad]})

    def test_in_the_numbers_of_a_gate(self, bad: float) -> None:
        with pytest.raises(ValidationError, match="finite number"):
            GateEvidence(gate=GateName.SETTLE, open=True, waited_s=1, minimum_s=1, reason="r", numbers={"x": bad})

    def test_in_the_details_of_an_event(self, bad: float) -> None:
        event = EventRecord.model_validate({**stamp(), "event": "e", "text": "t"})
        with pytest.raises(ValidationError):
            EventRecord.model_validate(event.model_dump() | {"details": {"ppfd_umol": bad}})

    def test_in_a_time(self, bad: float) -> None:
        with pytest.raises(ValidationError, match="finite number"):
            EventRecord.model_validate({**stamp(), "monotonic_s": bad, "event": "e", "text": "t"})


@pytest.mark.parametrize("message", MESSAGES, ids=kind)
def test_the_json_has_no_word_that_json_does_not_know(message: Message) -> None:
    """RFC 8259, section 6: NaN and infinity are no numbers."""

    def refuse(word: str) -> None:
        raise AssertionError(word)

    assert numbers_in(json.loads(message.model_dump_json(by_alias=True), parse_constant=refuse))


def test_seq_begins_above_zero_and_is_zero_until_the_journal_took_it() -> None:
    assert (
        EventRecord.model_validate({**{k: v for k, v in stamp().items() if k != "seq"}, "event": "e", "text": "t"}).seq
        == 0
    )
    with pytest.raises(ValidationError, match="seq"):
        EventRecord.model_validate({**stamp(), "seq": -1, "event": "e", "text": "t"})


def test_attempts_count_from_one() -> None:
    (spot,) = (r for r in records() if isinstance(r, SpotRecord))
    with pytest.raises(ValidationError, match="attempt"):
        SpotRecord.model_validate(spot.model_dump() | {"attempt": 0})


def test_a_status_of_a_bench_without_test_needs_no_more_than_its_stamp() -> None:
    status = StatusMessage.model_validate(
        {
            "bench": "b",
            "time": stamp()["time"],
            "monotonic_s": 0.0,
            "clock_synchronised": False,
            "simulated": False,
            "online": False,
            "version": "0.1.0",
        }
    )
    assert status.state == "idle"


class TestCommands:
    @pytest.mark.parametrize("command", commands(), ids=kind)
    def test_a_command_round_trips(self, command: BaseModel) -> None:
        assert type(command).model_validate_json(command.model_dump_json()) == command

    @pytest.mark.parametrize("bad", ["", "a b", "a/b", "x" * 65, "é", "a\n"])
    def test_an_id_is_a_short_plain_word(self, bad: str) -> None:
        with pytest.raises(ValidationError, match="id"):
            Press(id=bad)

    @pytest.mark.parametrize("model", COMMANDS.values(), ids=COMMANDS.keys())
    def test_unknown_keys_are_refused(self, model: type[BaseModel]) -> None:
        (sample,) = (c for c in commands() if isinstance(c, model))
        with pytest.raises(ValidationError, match="Extra inputs"):
            model.model_validate(sample.model_dump() | {"force": True})

    @pytest.mark.parametrize("text", ["HPS\n07", "HPS\x1b[31m", "", "x" * 121, "HPS\x7f"])
    def test_labels_hold_no_control_characters(self, text: str) -> None:
        (begin,) = (c for c in commands() if isinstance(c, Begin))
        body = begin.model_dump()
        body["setup"]["lamp"] = text
        with pytest.raises(ValidationError, match="lamp"):
            Begin.model_validate(body)

    @pytest.mark.parametrize(
        ("key", "value"),
        [("rated_power_w", 0.0), ("rated_power_w", -250.0), ("height_mm", 0.0), ("burning_hours", -1.0),
         ("rotation_deg", 360.0), ("lamp_type", "candle"), ("burning_position", "upside_down"),
         ("rated_power_w", math.nan)],
    )  # fmt: skip
    def test_a_setup_that_cannot_be_meant_is_refused(self, key: str, value: object) -> None:
        (begin,) = (c for c in commands() if isinstance(c, Begin))
        body = begin.model_dump()
        body["setup"][key] = value
        with pytest.raises(ValidationError, match=key):
            Begin.model_validate(body)

    def test_a_reply_to_what_could_not_be_read_has_no_id(self) -> None:
        reply = Reply(id=None, verb="press", accepted=False, text="not understood")
        assert Reply.model_validate_json(reply.model_dump_json(by_alias=True)) == reply
