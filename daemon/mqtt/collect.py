"""``lampwarden collect``: the records of any number of benches from a broker into one Parquet data set.

The data set is a folder ``bench=…/test=…/part-….parquet`` (Hive style; records outside of a test are under
``test=none``), which pandas, DuckDB, Polars and Spark read as one table. Each record is in it once, however often it
was sent, and the collector may be stopped, killed and started again anywhere: see :mod:`.collect_store`.

One table for all kinds of record: what all have, what many have (spot, attempt, instrument, the figure that a record is
about), and the whole record as JSON in ``body``.

Records are acknowledged to the broker only when they are safe here, so the broker keeps them meanwhile; its session
outlives the collector by weeks (:mod:`.collect_line`).
"""

import asyncio
import logging
import math
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final
from urllib.parse import quote
from uuid import UUID

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, JsonValue, TypeAdapter

from ...protocol.counts import counted
from ...protocol.errors import ConfigurationError, LampwardenError, reason_of
from ...protocol.setup import BenchId, TestId
from ...protocol.topics import ROOT
from ..clock import wire_sleep
from ..store.durable import put_in_place, sync_file
from ..threads import on_own_thread
from .address import BrokerAddress
from .collect_line import IN_HAND, CollectLine
from .collect_store import Batch, Collected, CollectStore

if TYPE_CHECKING:
    import pyarrow as pa

log = logging.getLogger("lampwarden.collect")

NO_TEST: Final = "none"
STORE_EVERY_S: Final = 0.2
"""Messages that come within this share one sync of the disk."""
FILE_EVERY_S: Final = 300.0
"""How often records go from the store into files; at the end they always do."""
RECORDS_A_FILE: Final = 20_000
_OBJECT: Final = TypeAdapter(dict[str, JsonValue])
_TIME: Final[TypeAdapter[datetime]] = TypeAdapter(AwareDatetime)
_FIGURES: Final = {
    "lampwarden.spot/1": ("light",),
    "lampwarden.light/1": ("ppfd",),
    "lampwarden.spectrum/1": ("figures", "ppfd"),
    "lampwarden.summary/1": ("canopy_average",),
    "lampwarden.air/1": ("temperature",),
    "lampwarden.supply/1": ("supply", "voltage"),
}
"""Where the figure is that a record is about."""


class _Head(BaseModel):
    """What every record has, whatever else a later version may add."""

    model_config = ConfigDict(frozen=True)

    schema_: str = Field(alias="schema", max_length=200)
    bench: BenchId
    seq: Annotated[int, Field(strict=True, ge=1, lt=2**63)]
    record_id: UUID
    time: AwareDatetime
    simulated: Annotated[bool, Field(strict=True)]
    test_id: TestId | None = None


@dataclass(slots=True)
class _Message:
    mid: int
    qos: int
    collected: Collected | None


@dataclass(slots=True)
class Collector:
    """Takes records from a broker and puts them into files; runs until cancelled."""

    address: BrokerAddress
    out: Path
    client_id: str
    benches: tuple[str, ...] = ("+",)
    say: Callable[[str], None] = lambda _: None
    file_every_s: float = FILE_EVERY_S
    write: "Callable[[Path, Batch, list[str]], None]" = field(default_factory=lambda: write_file)
    taken: int = 0
    new: int = 0
    foreign: int = 0
    _store: CollectStore | None = None
    _writing: threading.Lock = field(default_factory=threading.Lock)
    """Of whoever writes a file: a stop abandons a writer, which goes on, and begins the file once more."""
    _messages: "asyncio.Queue[_Message]" = field(default_factory=lambda: asyncio.Queue(IN_HAND))

    async def run(self) -> None:
        """Collect.

        Raises:
            ConfigurationError: pyarrow is missing.
            LampwardenError: The folder or the store cannot be used.
        """
        _pyarrow()
        try:
            self.out.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise LampwardenError(f"cannot be made: {error.strerror}", where=str(self.out)) from None
        # Readers of a data set pass by names that begin so; of any other they ask why it is no Parquet file.
        self._store = CollectStore(self.out / "_collect.sqlite")
        try:
            await self._write_files(self._store)  # what an earlier run has left
            line = CollectLine(self.address, self.client_id, self.benches, self)
            async with asyncio.TaskGroup() as group:
                group.create_task(self._file_now_and_then(self._store), name="files")
                group.create_task(line.run(), name="broker")
        finally:
            self._write_all(self._store)
            self._store.close()

    # Storing

    async def store_all(self, acknowledge: Callable[[int, int], None]) -> None:
        """Store what has come, then acknowledge it; for one connection."""
        assert self._store is not None  # noqa: S101 - opened by run()
        while True:
            batch = [await self._messages.get()]
            await wire_sleep(STORE_EVERY_S)
            while not self._messages.empty() and len(batch) < IN_HAND:
                batch.append(self._messages.get_nowait())
            self.new += self._store.take([m.collected for m in batch if m.collected is not None])
            self.taken += len(batch)
            for message in batch:
                acknowledge(message.mid, message.qos)

    def begin_connection(self) -> None:
        """Forget what was not stored: it was not acknowledged, so it comes again."""
        while not self._messages.empty():
            self._messages.get_nowait()

    def take(self, topic: str, payload: bytes, mid: int, qos: int) -> None:
        """A message has come; bounded by the broker's window, which is no larger than our queue."""
        collected = read_record(topic, payload)
        if collected is None and qos == 0:
            return
        try:
            self._messages.put_nowait(_Message(mid, qos, collected))
        except asyncio.QueueFull:
            log.warning("more came than was asked for; what is not acknowledged comes again")

    # Files

    async def _file_now_and_then(self, store: CollectStore) -> None:
        while True:
            await wire_sleep(self.file_every_s)
            await self._write_files(store)

    async def _write_files(self, store: CollectStore) -> None:
        store.form_batches(RECORDS_A_FILE)
        for batch in store.batches():
            bodies = store.bodies(batch)
            await on_own_thread(partial(self._write, batch, bodies), "parquet")
            store.done(batch)

    def _write(self, batch: Batch, bodies: list[str]) -> None:
        with self._writing:
            self.write(self.out, batch, bodies)

    def _write_all(self, store: CollectStore) -> None:
        """At the end: what is stored goes into files, in one go; a kill in it only leaves it for the next run."""
        while store.pending():
            store.form_batches(RECORDS_A_FILE)
            for batch in store.batches():
                self._write(batch, store.bodies(batch))
                store.done(batch)
        for bench, count in store.counts().items():
            self.say(f"{bench}: {counted(count, 'record')}")
        for bench, runs in store.gaps().items():
            shown = ", ".join(str(a) if a == b else f"{a}–{b}" for a, b in runs[:20])
            more = f" and {counted(len(runs) - 20, 'more run')}" if len(runs) > 20 else ""
            self.say(f"{bench}: missing: seq {shown}{more}; send again with: lampwarden replay {runs[0][0]}")


def read_record(topic: str, payload: bytes) -> Collected | None:
    """A message as a record, or None for what is none (status, live, replies, commands, anything else).

    Whatever is taken can be filed: else one message would stop the collector now and at each later start.
    """
    if not topic.startswith(f"{ROOT}/"):
        return None
    try:
        head = _Head.model_validate_json(payload)
        text = payload.decode("utf-8")
    except ValueError:
        return None
    if head.bench != topic.split("/")[2]:
        return None
    stub = head.schema_ == "lampwarden.stub/1"
    return Collected(head.bench, head.seq, head.record_id.bytes, head.test_id or NO_TEST, text, stub)


def write_file(out: Path, batch: Batch, bodies: list[str]) -> None:
    """Write the file of a batch; the same batch always makes the same file.

    Raises:
        LampwardenError: The disk refuses.
    """
    import pyarrow.parquet as pq  # noqa: PLC0415 - an optional extra

    folder = out / f"bench={quote(batch.bench, safe='')}" / f"test={quote(batch.test_id, safe='')}"
    path = folder / f"part-{batch.number:08d}.parquet"
    made = folder / f".{path.name}.part"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        pq.write_table(table_of(bodies), made, compression="zstd")
        sync_file(made)
        put_in_place(made, path)
    except OSError as error:
        raise LampwardenError(f"cannot be written: {reason_of(error)}", where=str(path)) from None


def table_of(bodies: list[str]) -> "pa.Table":
    """Records as one table; ``bench`` and ``test`` are in the folders' names."""
    import pyarrow as pa  # noqa: PLC0415 - an optional extra

    rows = [_row(body) for body in bodies]
    schema = pa.schema(
        [
            pa.field("schema", pa.string(), nullable=False, metadata={"meaning": "kind and version of the record"}),
            pa.field("seq", pa.int64(), nullable=False, metadata={"meaning": "gapless per bench"}),
            pa.field("record_id", pa.string(), nullable=False, metadata={"meaning": "UUID"}),
            pa.field("time", pa.timestamp("ms", tz="UTC"), nullable=False, metadata={"meaning": "bench time"}),
            pa.field("monotonic_s", pa.float64(), metadata={"unit": "s", "meaning": "bench time that never steps"}),
            pa.field("clock_synchronised", pa.bool_()),
            pa.field("simulated", pa.bool_(), nullable=False, metadata={"meaning": "no value is real where true"}),
            pa.field("instrument", pa.string()),
            pa.field("spot", pa.string()),
            pa.field("leg", pa.string()),
            pa.field("attempt", pa.int32()),
            pa.field("event", pa.string()),
            pa.field("text", pa.string()),
            pa.field("value", pa.float64(), metadata={"meaning": "the figure that the record is about"}),
            pa.field("unit", pa.string(), metadata={"meaning": "UCUM"}),
            pa.field("u_own", pa.float64(), metadata={"meaning": "standard uncertainty, independent"}),
            pa.field("u_common", pa.float64(), metadata={"meaning": "standard uncertainty, shared"}),
            pa.field("body", pa.string(), nullable=False, metadata={"meaning": "the whole record, JSON"}),
        ]
    )
    return pa.Table.from_pylist(rows, schema=schema)


def _row(text: str) -> dict[str, JsonValue | datetime]:
    body = _OBJECT.validate_json(text)
    figure: JsonValue = body
    for key in _FIGURES.get(str(body.get("schema")), ("no such",)):
        figure = figure.get(key) if isinstance(figure, dict) else None
    quantity = figure if isinstance(figure, dict) else {}
    attempt, synchronised = body.get("attempt"), body.get("clock_synchronised")
    return {
        **{key: body[key] for key in ("schema", "seq", "record_id", "simulated")},
        **{key: _text(body.get(key)) for key in ("instrument", "spot", "leg", "event", "text")},
        **{key: _number(quantity.get(key)) for key in ("value", "u_own", "u_common")},
        "unit": _text(quantity.get("unit")),
        "attempt": attempt if type(attempt) is int and 0 <= attempt < 2**31 else None,
        "monotonic_s": _number(body.get("monotonic_s")),
        "clock_synchronised": synchronised if isinstance(synchronised, bool) else None,
        "time": _TIME.validate_python(body["time"]).astimezone(UTC),
        "body": text,
    }


def _text(value: JsonValue) -> str | None:
    return value if isinstance(value, str) else None


def _number(value: JsonValue) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        return float(value) if math.isfinite(value) else None
    except OverflowError:  # an integer of hundreds of digits
        return None


def _pyarrow() -> None:
    try:
        import pyarrow.parquet  # noqa: F401, PLC0415 - an optional extra
    except ImportError:
        raise ConfigurationError(
            "Parquet files need pyarrow, which is not installed",
            where="collect",
            mend="pip install 'lampwarden[parquet]'",
        ) from None
