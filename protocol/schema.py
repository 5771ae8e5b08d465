"""The published contract: JSON Schemas (draft 2020-12) and one AsyncAPI 3.0 document, generated from the models."""

from pathlib import Path
from typing import Literal

from pydantic import BaseModel, JsonValue, TypeAdapter

from .commands import COMMANDS, Reply
from .records import Catalogue, Message, schema_name
from .topics import ROOT

_DIALECT = "https://json-schema.org/draft/2020-12/schema"
_JSON: TypeAdapter[dict[str, JsonValue]] = TypeAdapter(dict[str, JsonValue])

_CHANNELS: dict[str, tuple[str, str, tuple[str, ...]]] = {
    # key: (address below the bench, description, schema names)
    "status": ("status", "The bench now. Retained; also the last will.", ("lampwarden.status/1",)),
    "live": ("live", "Latest readings, for centring. Not durable.", ("lampwarden.live/1",)),
    "instruments": (
        "instruments/{instrument}",
        "Health of one instrument. Retained.",
        ("lampwarden.instrument/1",),
    ),
    "conditions": (
        "conditions",
        "Air, supply and warm-up light, at intervals.",
        ("lampwarden.air/1", "lampwarden.supply/1", "lampwarden.light/1"),
    ),
    "benchEvents": ("events", "What happened outside of a test.", ("lampwarden.event/1",)),
    "spots": ("tests/{test_id}/spots/{spot}", "One attempt at one spot.", ("lampwarden.spot/1",)),
    "spectra": ("tests/{test_id}/spectra/{spot}", "The spectrum of an attempt.", ("lampwarden.spectrum/1",)),
    "events": ("tests/{test_id}/events", "What happened in a test.", ("lampwarden.event/1",)),
    "summary": ("tests/{test_id}/summary", "What a test came to. Retained.", ("lampwarden.summary/1",)),
    "stubs": ("stubs", "Stands for a record that the broker would not take.", ("lampwarden.stub/1",)),
    "replies": ("replies", "Answers to commands.", ("lampwarden.reply/1",)),
}


def file_name(name: str) -> str:
    """File of a schema: ``lampwarden.spot/1`` is in ``lampwarden.spot.1.json``."""
    return f"{name.replace('/', '.')}.json"


def _schema(
    model: type[BaseModel], title: str, mode: Literal["serialization", "validation"] = "serialization"
) -> dict[str, JsonValue]:
    body = _JSON.validate_python(model.model_json_schema(by_alias=True, mode=mode))
    return {"$schema": _DIALECT, "$id": f"urn:lampwarden:{title.replace('/', ':')}", **body, "title": title}


def json_schemas() -> dict[str, dict[str, JsonValue]]:
    """Every schema of a record, message, command and reply, by its name.

    What the bench sends has all its keys; a command may leave out those that have a default.
    """
    sent: dict[str, type[BaseModel]] = {}
    messages: tuple[type[Message], ...] = (*Catalogue.DURABLE, *Catalogue.LIVE)
    for message in messages:
        sent[schema_name(message)] = message
    sent["lampwarden.reply/1"] = Reply
    schemas = {name: _schema(model, name) for name, model in sent.items()}
    for verb, command in COMMANDS.items():
        name = f"lampwarden.command.{verb}/1"
        schemas[name] = _schema(command, name, "validation")
    return schemas


def asyncapi(version: str) -> dict[str, JsonValue]:
    """The AsyncAPI 3.0.0 document of the bench's topics; schemas are referred to by file name.

    Args:
        version: Version of the daemon that speaks this contract.
    """
    messages: dict[str, JsonValue] = {}
    channels: dict[str, JsonValue] = {}
    operations: dict[str, JsonValue] = {}

    def add(key: str, address: str, description: str, names: tuple[str, ...], action: str) -> None:
        parameters: dict[str, JsonValue] = {
            part.strip("{}"): {"description": part.strip("{}").replace("_", " ")}
            for part in f"{{bench}}/{address}".split("/")
            if part.startswith("{")
        }
        refs: dict[str, JsonValue] = {}
        for name in names:
            message_key = name.replace("/", "_").replace(".", "_")
            messages[message_key] = {
                "name": name,
                "contentType": "application/json",
                "payload": {
                    "schemaFormat": "application/schema+json;version=draft-2020-12",
                    "schema": {"$ref": f"./{file_name(name)}"},
                },
            }
            refs[message_key] = {"$ref": f"#/components/messages/{message_key}"}
        channels[key] = {
            "address": f"{ROOT}/{{bench}}/{address}",
            "description": description,
            "parameters": parameters,
            "messages": refs,
        }
        operations[f"{action}_{key}"] = {"action": action, "channel": {"$ref": f"#/channels/{key}"}}

    for key, (address, description, names) in _CHANNELS.items():
        add(key, address, description, names, "send")
    for verb, command in COMMANDS.items():
        summary = (command.__doc__ or "").strip().splitlines()[0]
        add(f"command_{verb}", f"commands/{verb}", summary, (f"lampwarden.command.{verb}/1",), "receive")
        operation = operations[f"receive_command_{verb}"]
        assert isinstance(operation, dict)  # noqa: S101 - built just above
        operation["reply"] = {
            "address": {
                "location": "$message.header#/responseTopic",
                "description": "the MQTT 5 response topic; answered on the replies channel as well",
            },
            "channel": {"$ref": "#/channels/replies"},
        }
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "lampwarden bench",
            "version": version,
            "description": (
                "Records and commands of a bench that compares horticultural lamps. Durable records are sent at QoS 1, "
                "in order, at least once; record_id and seq make that exactly once for a reader who cares."
            ),
        },
        "defaultContentType": "application/json",
        "channels": channels,
        "operations": operations,
        "components": {"messages": messages},
    }


def write_contract(folder: Path, version: str) -> list[Path]:
    """Write all schemas and ``asyncapi.json`` into a folder, which is made if need be.

    Raises:
        OSError: The folder cannot be written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    documents = {file_name(name): schema for name, schema in json_schemas().items()}
    documents["asyncapi.json"] = asyncapi(version)
    written: list[Path] = []
    for name, document in documents.items():
        path = folder / name
        path.write_bytes(_JSON.dump_json(document, indent=2) + b"\n")
        written.append(path)
    return written
