"""Writes tables as CSV, JSON lines or Parquet: one file a table, in one folder.

CSV is RFC 4180 in UTF-8 with a head line, ``TRUE`` and ``FALSE`` (R takes no others for logical values; pandas, DuckDB
and spreadsheets take these too), times as RFC 3339 in UTC, and nothing where there is no value. A text that begins with
``=``, ``+``, ``-`` or ``@`` gets a space before it, as a spreadsheet would take it for a formula. Parquet needs pyarrow
(``lampwarden[parquet]``); units and meanings go into each field's metadata.
"""

import csv
import importlib
import json
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path
from typing import Literal

from ...protocol.errors import ConfigurationError, LampwardenError
from ...protocol.quantity import format_utc
from .columns import Table, Value

Format = Literal["csv", "jsonl", "parquet"]


def write_tables(tables: Iterable[Table], folder: Path, kind: Format) -> list[Path]:
    """Write every table; returns the paths.

    Raises:
        ConfigurationError: Parquet was asked for and pyarrow is not installed.
        LampwardenError: A file cannot be written.
    """
    if kind == "parquet":
        _pyarrow()
    written = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for table in tables:
            path = folder / f"{table.name}.{kind}"
            {"csv": _csv, "jsonl": _jsonl, "parquet": _parquet}[kind](table, path)
            written.append(path)
    except OSError as error:
        raise LampwardenError(f"cannot be written: {error.strerror}", where=str(folder)) from None
    return written


def _csv(table: Table, path: Path) -> None:
    with path.open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out)
        writer.writerow([column.name for column in table.columns])
        writer.writerows([[_cell(value) for value in row] for row in table.rows])


def _cell(value: Value) -> str:
    match value:
        case None:
            return ""
        case bool():
            return "TRUE" if value else "FALSE"
        case datetime():
            return format_utc(value)
        case str():
            return f" {value}" if value[:1] in ("=", "+", "-", "@") else value
        case _:
            return repr(value)


def _jsonl(table: Table, path: Path) -> None:
    names = [column.name for column in table.columns]
    with path.open("w", encoding="utf-8") as out:
        for row in table.rows:
            plain = [format_utc(value) if isinstance(value, datetime) else value for value in row]
            out.write(json.dumps(dict(zip(names, plain, strict=True)), ensure_ascii=False) + "\n")


def _pyarrow() -> None:
    try:
        importlib.import_module("pyarrow.parquet")
    except ImportError:
        raise ConfigurationError(
            "Parquet files need pyarrow, which is not installed",
            where="--format parquet",
            mend="pip install 'lampwarden[parquet]', or choose csv or jsonl",
        ) from None


def _parquet(table: Table, path: Path) -> None:
    import pyarrow as pa  # noqa: PLC0415 - an optional extra
    import pyarrow.parquet as pq  # noqa: PLC0415 - likewise

    types = {
        "text": pa.string(),
        "number": pa.float64(),
        "integer": pa.int64(),
        "truth": pa.bool_(),
        "time": pa.timestamp("us", tz="UTC"),
    }
    fields = [pa.field(c.name, types[c.kind], metadata={"unit": c.unit, "meaning": c.meaning}) for c in table.columns]
    schema = pa.schema(fields, metadata={"table": table.name, "meaning": table.meaning})
    columns = [
        pa.array([_number(row[i]) if c.kind == "number" else row[i] for row in table.rows], type=types[c.kind])
        for i, c in enumerate(table.columns)
    ]
    pq.write_table(pa.Table.from_arrays(columns, schema=schema), path)


def _number(value: Value) -> float | None:
    return float(value) if isinstance(value, int | float) else None
