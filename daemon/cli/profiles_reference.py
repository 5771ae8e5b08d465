"""The reference of profiles, generated from their models, so that it cannot say anything else than the drivers do.

``drivers/PROFILES.md`` is this module's output; a test compares them.
"""

from collections.abc import Iterator, Mapping
from typing import cast, get_args

from pydantic import BaseModel

from ...drivers.profile import Profile
from ...drivers.quantities import ROLE_QUANTITIES, Quantity, units_for
from .reference import Schema, is_table, row, section, target

_HEAD = """# Profiles

A profile is a TOML file that says how one kind of device speaks. Its name is the file's, without `.toml`; it lies in
`profiles/` beside `bench.toml`, in `~/.config/lampwarden/profiles/`, or comes with the package (`lampwarden profiles`).
`wire` decides which other keys there are. A key that is not listed is an error, and so is a value outside of what is
given. `lampwarden profiles try FILE PORT` connects and shows raw bytes and values side by side.

This page is generated from the models (`lampwarden profiles keys`).
"""


def profile_reference() -> str:
    """The reference as Markdown."""
    parts = [_HEAD, _quantities()]
    for model in cast("tuple[type[BaseModel], ...]", get_args(Profile)):
        parts.extend(_of_wire(cast("Schema", model.model_json_schema())))
    return "\n".join(parts).rstrip() + "\n"


def _quantities() -> str:
    lines = ["## Quantities and their units", "", "| quantity | of | `unit` (UCUM), the record's first |"]
    lines.append("| --- | --- | --- |")
    for quantity in Quantity:
        roles = ", ".join(role.replace("_", " ") for role, (may, _) in ROLE_QUANTITIES.items() if quantity in may)
        lines.append(f"| `{quantity.value}` | {roles} | {', '.join(f'`{unit}`' for unit in units_for(quantity))} |")
    return "\n".join(lines) + "\n"


def _of_wire(schema: Schema) -> Iterator[str]:
    definitions = cast("Mapping[str, Schema]", schema.get("$defs", {}))
    fields = cast("Mapping[str, Schema]", schema["properties"])
    required = cast("list[str]", schema.get("required", []))
    lines = [f'## `wire = "{fields["wire"]["const"]}"`', "", str(schema["description"]), ""]
    lines += ["| key | value | default | meaning |", "| --- | --- | --- | --- |"]
    lines += [
        row(key, field, definitions, is_needed=key in required)
        for key, field in fields.items()
        if key != "quantities" and not is_table(field, definitions)
    ]
    yield "\n".join(lines) + "\n"
    for key, field in fields.items():
        if key == "quantities":
            of_each = target(cast("Schema", field["additionalProperties"]), definitions)
            yield section("quantities.NAME", of_each, definitions, needed="one for each quantity", level=3)
        elif is_table(field, definitions):
            yield from _tables(key, field, definitions, is_needed=key in required)


def _with_defaults(table: Schema, field: Schema) -> Schema:
    """The table with the defaults that its place gives it: SDI-12's line is another than Modbus's."""
    given = field.get("default")
    if not isinstance(given, dict):
        return table
    properties = cast("Mapping[str, Schema]", table["properties"])
    placed = {key: {**each, "default": given.get(key, each.get("default"))} for key, each in properties.items()}
    return cast("Schema", {**table, "properties": placed})


def _tables(name: str, field: Schema, definitions: Mapping[str, Schema], *, is_needed: bool) -> Iterator[str]:
    """A table, and the tables in it."""
    table = _with_defaults(target(field, definitions), field)
    yield section(name, table, definitions, needed="needed" if is_needed else "may be left out", level=3)
    required = cast("list[str]", table.get("required", []))
    for key, inner in cast("Mapping[str, Schema]", table["properties"]).items():
        if is_table(inner, definitions):
            yield from _tables(f"{name}.{key}", inner, definitions, is_needed=key in required)
