"""The published contract: documents that others can use without us."""

import json
import re
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import pytest
from jsonschema import Draft202012Validator, FormatChecker
from jsonschema.exceptions import ValidationError
from lampwarden import __version__
from lampwarden.protocol.commands import COMMANDS, Reply
from lampwarden.protocol.records import EventRecord, Message, schema_name
from lampwarden.protocol.schema import asyncapi, file_name, json_schemas, write_contract
from lampwarden.protocol.topics import Topics
from pydantic import BaseModel
from support.samples_of_records import commands, live, records

SCHEMAS = json_schemas()
DOCUMENT: dict[str, Any] = json.loads(json.dumps(asyncapi(__version__)))
MESSAGES: tuple[Message, ...] = (*records(), *live())
TOPICS = Topics("north-house")


def kind(message: object) -> str:
    return type(message).__name__


def validator(name: str) -> Draft202012Validator:
    return Draft202012Validator(SCHEMAS[name], format_checker=FormatChecker())


def body_of(message: BaseModel) -> dict[str, Any]:
    body: dict[str, Any] = json.loads(message.model_dump_json(by_alias=True))
    return body


def test_the_independent_validator_knows_the_formats_that_we_use() -> None:
    """Without its optional parts it would let any text pass as a time."""
    assert {"date-time", "uuid"} <= set(FormatChecker().checkers)


class TestJsonSchemas:
    @pytest.mark.parametrize("name", SCHEMAS)
    def test_a_schema_is_valid_draft_2020_12(self, name: str) -> None:
        assert SCHEMAS[name]["$schema"] == "https://json-schema.org/draft/2020-12/schema"
        Draft202012Validator.check_schema(SCHEMAS[name])

    def test_ids_are_one_to_one(self) -> None:
        ids = [schema["$id"] for schema in SCHEMAS.values()]
        assert len(ids) == len(set(ids))

    @pytest.mark.parametrize("message", MESSAGES, ids=kind)
    def test_what_the_bench_sends_is_valid(self, message: Message) -> None:
        validator(schema_name(type(message))).validate(body_of(message))

    @pytest.mark.parametrize("message", MESSAGES, ids=kind)
    def test_no_key_is_optional_for_a_reader(self, message: Message) -> None:
        """What the bench always sends is promised, so that a reader needs no defaults of its own."""
        schema = SCHEMAS[schema_name(type(message))]
        assert set(schema["required"]) == set(schema["properties"])

    @pytest.mark.parametrize("message", MESSAGES, ids=kind)
    def test_another_schema_name_is_invalid(self, message: Message) -> None:
        body = body_of(message) | {"schema": "lampwarden.other/1"}
        with pytest.raises(ValidationError):
            validator(schema_name(type(message))).validate(body)

    @pytest.mark.parametrize("message", MESSAGES, ids=kind)
    @pytest.mark.parametrize(
        ("key", "value"),
        [("time", "yesterday"), ("bench", "A/B"), ("simulated", "no"), ("monotonic_s", None), ("extra", 1)],
    )
    def test_what_the_bench_never_sends_is_invalid(self, message: Message, key: str, value: object) -> None:
        with pytest.raises(ValidationError):
            validator(schema_name(type(message))).validate(body_of(message) | {key: value})

    @pytest.mark.parametrize("command", commands(), ids=kind)
    def test_commands_have_a_schema(self, command: BaseModel) -> None:
        verb = body_of(command)["verb"]
        validator(f"lampwarden.command.{verb}/1").validate(body_of(command))

    @pytest.mark.parametrize("command", commands(), ids=kind)
    def test_a_command_may_leave_out_what_has_a_default(self, command: BaseModel) -> None:
        """A schema of what comes in asks for no more than the bench does."""
        needed = {name for name, field in type(command).model_fields.items() if field.is_required()}
        body = {key: value for key, value in body_of(command).items() if key in needed}
        type(command).model_validate(body)
        validator(f"lampwarden.command.{body_of(command)['verb']}/1").validate(body)

    def test_replies_have_a_schema(self) -> None:
        reply = Reply(id="c-1", verb="press", accepted=True, text="done")
        validator("lampwarden.reply/1").validate(body_of(reply))


class TestAsyncApi:
    def test_every_reference_resolves(self, tmp_path: Path) -> None:
        written = {path.name for path in write_contract(tmp_path, __version__)}
        found = list(references(DOCUMENT))
        assert len(found) > 30
        for reference in found:
            if reference.startswith("#/"):
                assert at(DOCUMENT, reference) is not None
            else:
                assert reference.removeprefix("./") in written, reference

    def test_every_schema_document_resolves_its_own_references(self) -> None:
        for name, schema in SCHEMAS.items():
            for reference in references(schema):
                assert reference.startswith("#/"), name
                assert at(schema, reference) is not None

    @pytest.mark.parametrize("message", MESSAGES, ids=kind)
    def test_the_topic_of_every_message_is_a_channel_that_carries_it(self, message: Message) -> None:
        assert schema_name(type(message)) in carried_by(TOPICS.of(message))

    def test_events_outside_of_tests_have_a_channel(self) -> None:
        (event,) = (r for r in records() if isinstance(r, EventRecord))
        assert "lampwarden.event/1" in carried_by(TOPICS.of(event.model_copy(update={"test_id": None})))

    @pytest.mark.parametrize("verb", COMMANDS)
    def test_every_command_has_a_channel(self, verb: str) -> None:
        assert carried_by(TOPICS.command(verb)) == {f"lampwarden.command.{verb}/1"}

    def test_replies_have_a_channel(self) -> None:
        assert carried_by(TOPICS.replies) == {"lampwarden.reply/1"}

    def test_no_channel_is_without_use(self) -> None:
        used = {TOPICS.of(message) for message in MESSAGES} | {TOPICS.command(verb) for verb in COMMANDS}
        used |= {TOPICS.replies, f"{TOPICS.base}/events"}
        for key, channel in DOCUMENT["channels"].items():
            assert any(re.fullmatch(pattern_of(channel["address"]), topic) for topic in used), key

    def test_no_topic_fits_two_channels(self) -> None:
        for message in MESSAGES:
            topic = TOPICS.of(message)
            fits = [k for k, c in DOCUMENT["channels"].items() if re.fullmatch(pattern_of(c["address"]), topic)]
            assert len(fits) == 1, topic

    def test_every_parameter_is_declared(self) -> None:
        """AsyncAPI 3.0.0, Channel Object: parameters are those of the address, no more and no fewer (from memory)."""
        for channel in DOCUMENT["channels"].values():
            assert set(re.findall(r"\{(\w+)\}", channel["address"])) == set(channel["parameters"])

    def test_the_bench_sends_records_and_receives_commands(self) -> None:
        for key, operation in DOCUMENT["operations"].items():
            channel = at(DOCUMENT, operation["channel"]["$ref"])
            assert operation["action"] == ("receive" if "/commands/" in channel["address"] else "send"), key
            assert ("reply" in operation) == ("/commands/" in channel["address"])

    def test_every_channel_has_an_operation(self) -> None:
        referred = {operation["channel"]["$ref"] for operation in DOCUMENT["operations"].values()}
        assert referred == {f"#/channels/{key}" for key in DOCUMENT["channels"]}

    def test_every_schema_is_used(self) -> None:
        named = {message["name"] for message in DOCUMENT["components"]["messages"].values()}
        assert named == set(SCHEMAS)

    def test_it_says_which_version_of_what(self) -> None:
        assert DOCUMENT["asyncapi"] == "3.0.0"
        assert DOCUMENT["info"]["version"] == __version__
        assert DOCUMENT["defaultContentType"] == "application/json"


def test_the_written_documents_are_those_of_the_models(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "contract"
    written = write_contract(folder, __version__)
    assert {path.name for path in written} == {*map(file_name, SCHEMAS), "asyncapi.json"}
    for name, schema in SCHEMAS.items():
        assert json.loads((folder / file_name(name)).read_text(encoding="utf-8")) == schema
    assert json.loads((folder / "asyncapi.json").read_text(encoding="utf-8")) == DOCUMENT


def references(value: object) -> list[str]:
    if isinstance(value, dict):
        mine = [value["$ref"]] if isinstance(value.get("$ref"), str) else []
        return mine + [r for v in value.values() for r in references(v)]
    if isinstance(value, list):
        return [r for v in value for r in references(v)]
    return []


def at(document: Any, pointer: str) -> Any:
    """What a JSON pointer (RFC 6901) in a fragment points at."""
    for part in pointer.removeprefix("#/").split("/"):
        document = document[unquote(part).replace("~1", "/").replace("~0", "~")]
    return document


def pattern_of(address: str) -> str:
    return re.sub(r"\\\{\w+\\\}", "[^/]+", re.escape(address))


def carried_by(topic: str) -> set[str]:
    """Schema names of the channel that a topic belongs to."""
    names: set[str] = set()
    for channel in DOCUMENT["channels"].values():
        if re.fullmatch(pattern_of(channel["address"]), topic):
            names |= {at(DOCUMENT, message["$ref"])["name"] for message in channel["messages"].values()}
    return names
