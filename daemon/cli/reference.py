"""The reference of ``bench.toml``, generated from its model, so that it cannot say anything else than the daemon does.

Owns the step from JSON Schema to Markdown. ``daemon/CONFIGURATION.md`` is this module's output; a test compares them.
"""

import json
from collections.abc import Mapping
from typing import cast

from pydantic import JsonValue

from ..config import BenchConfig

Schema = Mapping[str, JsonValue]

_HEAD = """# bench.toml

One file says what a bench is made of. Paths in it are relative to the file. A key that is not listed here is an error,
and so is a value outside of what is given. `lampwarden init` writes a first one; `lampwarden check` tries it.

This page is generated from the model (`lampwarden init --reference`).
"""


def reference() -> str:
    """The reference as Markdown."""
    whole = cast("Schema", BenchConfig.model_json_schema(by_alias=True))
    definitions = cast("Mapping[str, Schema]", whole["$defs"])
    parts = [_HEAD]
    required = cast("list[str]", whole["required"])
    for name, field in cast("Mapping[str, Schema]", whole["properties"]).items():
        if name == "instruments":
            by_name = cast("Mapping[str, Schema]", field["patternProperties"])
            table = target(next(iter(by_name.values())), definitions)
            parts.append(section("instruments.NAME", table, definitions, needed="at least one light instrument"))
            nested = cast("Mapping[str, Schema]", table["properties"])["calibration"]
            parts.append(
                section(
                    "instruments.NAME.calibration", target(nested, definitions), definitions, needed="may be left out"
                )
            )
            continue
        needed = "needed" if name in required else "may be left out"
        parts.append(section(name, target(field, definitions), definitions, needed=needed))
    return "\n".join(parts)


def target(field: Schema, definitions: Mapping[str, Schema]) -> Schema:
    """The table behind a reference, perhaps one of several choices."""
    for choice in (field, *cast("list[Schema]", field.get("anyOf", []))):
        reference = choice.get("$ref")
        if isinstance(reference, str):
            return definitions[reference.rsplit("/", 1)[-1]]
    return field


def section(name: str, table: Schema, definitions: Mapping[str, Schema], *, needed: str, level: int = 2) -> str:
    """One table of the reference: its keys, their values, defaults and meanings."""
    text = str(table.get("description", "")).split(": ", 1)[-1].strip().replace("``", "`")
    lines = [f"{'#' * level} `[{name}]`", "", f"{text[:1].upper()}{text[1:]} This table: {needed}.", ""]
    lines += ["| key | value | default | meaning |", "| --- | --- | --- | --- |"]
    required = cast("list[str]", table.get("required", []))
    for key, field in cast("Mapping[str, Schema]", table["properties"]).items():
        if any("$ref" in choice and is_table(choice, definitions) for choice in _choices(field)):
            continue
        lines.append(row(key, field, definitions, is_needed=key in required))
    return "\n".join(lines) + "\n"


def row(key: str, field: Schema, definitions: Mapping[str, Schema], *, is_needed: bool) -> str:
    """One key's line in a table of the reference."""
    default = "needed" if is_needed else _default(field)
    meaning = str(field.get("description", "")).replace("|", "\\|")
    return f"| `{key}` | {_kind(field, definitions)} | {default} | {meaning} |"


def is_table(choice: Schema, definitions: Mapping[str, Schema]) -> bool:
    """Whether a value is a table of its own."""
    return "properties" in target(choice, definitions)


def _choices(field: Schema) -> list[Schema]:
    return [field, *cast("list[Schema]", field.get("anyOf", []))]


def _default(field: Schema) -> str:
    value = field.get("default")
    return "none" if value is None else f"`{json.dumps(value, ensure_ascii=False)}`"


def _kind(field: Schema, definitions: Mapping[str, Schema]) -> str:
    """The kind of value in words, with its limits."""
    known = [c for c in cast("list[Schema]", field.get("anyOf", [field])) if c.get("type") != "null"]
    return " or ".join(_one_kind(target(choice, definitions)) for choice in known)


def _one_kind(field: Schema) -> str:
    if "const" in field:
        return f"`{json.dumps(field['const'])}`"
    if "prefixItems" in field:
        parts = cast("list[Schema]", field["prefixItems"])
        return f"list of {len(parts)} {_one_kind(parts[0])}s"
    if "enum" in field:
        return "one of " + ", ".join(f"`{json.dumps(v)}`" for v in cast("list[JsonValue]", field["enum"]))
    kind = str(field.get("type", "value"))
    names = {"number": "number", "integer": "whole number", "boolean": "`true` or `false`", "object": "table"}
    text = names.get(kind, "text")
    if kind == "array":
        text = f"list of {_one_kind(cast('Schema', field.get('items', {})))}"
    if kind == "string":
        formats = {"path": "path", "date": "date, as 2026-03-02", "date-time": "time with offset"}
        text = formats.get(str(field.get("format")), "text")
    limits = [
        f"{word} {field[key]}"
        for key, word in (
            ("minimum", "from"),
            ("exclusiveMinimum", "above"),
            ("maximum", "to"),
            ("exclusiveMaximum", "below"),
        )
        if key in field
    ]
    return " ".join([text, *limits])
