"""The outbox: the journal's records to the broker, in the order of ``seq``, at QoS 1, as fast as the broker takes them.

A window of unacknowledged messages slides over the journal: rows come a page at a time (from memory what was written
just now, else from the disk), each is sent as soon as the window has room, and acknowledgements become one mark
(``sent_through``) that goes to disk now and then, with the next readings where there are some. Memory is bounded by the
page and the window, however long the backlog.

What the broker does not take:

- larger than it takes (CONNACK Maximum Packet Size, or PUBACK 95h), or 90h, 99h: a *stub* goes out with the record's
  ``seq`` and the reason; the journal has the record;
- any other reason (not authorised, quota): sending is held, told, and tried again, for it may be mended, and then
  nothing is lost;
- it closes the connection at this very record, again and again, and says nothing (MQTT 3.1.1 has no words for "too
  large"): after :data:`DEADLY` times, alone on the line, a large record becomes a stub.
"""

import asyncio
import logging
import random
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final
from uuid import UUID, uuid5

from pydantic import JsonValue, TypeAdapter

from ...protocol.records import StubRecord
from ...protocol.topics import Topics
from ..clock import wire_sleep
from ..store.journal import Journal, JournalDamagedError, Row
from .connection import Connection, ConnectionFailedError
from .message_words import shared_properties_of
from .reasons import FOR_THIS_RECORD, plain

log = logging.getLogger("lampwarden.publisher")

PAGE: Final = 32
"""Records read from the journal at a time: about 3 MB if all of them are spectra."""
MARK_EVERY_S: Final = 0.1
"""Between two marks: each may cost a sync of the disk."""
FIRST_HOLD_S: Final = 1.0
LONGEST_HOLD_S: Final = 60.0
DEADLY: Final = 5
LARGE_BYTES: Final = 65_536
"""What is smaller than this is not taken for "too large": no broker is set so narrow (common practice, no source)."""
_OBJECT: Final = TypeAdapter(dict[str, JsonValue])


@dataclass(slots=True)
class _Flight:
    """A message under way; ``round`` tells it from those of before a replay."""

    row: Row
    future: "asyncio.Future[int]"
    round: int
    sent_s: float


class Outbox:
    """Of one daemon; outlives connections."""

    def __init__(self, journal: Journal, topics: Topics) -> None:
        self._journal = journal
        self._topics = topics
        self._flights: deque[_Flight] = deque()
        self._unmarked = asyncio.Event()
        self._cleared = asyncio.Event()
        self._position = self._through = journal.sent_through
        self._round = 0
        self._rewinds = journal.rewinds
        self._losses = 0
        self._head: int | None = None
        self._stubbed: dict[int, str] = {}
        self._hold_due = False
        self._holds = 0
        self.held: str | None = None
        """Why nothing is sent although there is a connection; None when all is well."""
        self.on_held: Callable[[], None] = lambda: None
        self.sent = 0
        """Records acknowledged since the start, for the metrics."""

    @property
    def suspects_a_record(self) -> bool:
        """Whether connections die so regularly that messages should go one at a time, without an old session."""
        return self._losses > 2

    @property
    def under_way(self) -> int:
        """Messages that are sent and not acknowledged."""
        return len(self._flights)

    async def run(self, connection: Connection) -> None:
        """Send for as long as the connection lasts.

        Raises:
            ConnectionFailedError: It does not last, or acknowledgements stay away.
            JournalDamagedError: A record is not what was written.
        """
        if not connection.terms.session_present or any(flight.future.cancelled() for flight in self._flights):
            self._begin_again()
        now_s = asyncio.get_running_loop().time()
        for flight in self._flights:
            flight.sent_s = now_s
        async with asyncio.TaskGroup() as group:
            group.create_task(self._send_all(connection), name="sender")
            group.create_task(self._take_acknowledgements(connection), name="acknowledgements")
            group.create_task(self._mark_all(), name="marks")

    def connection_lost(self) -> None:
        """Count losses at which the same record was the oldest unacknowledged one: it may be what kills connections."""
        waiting = [flight for flight in self._flights if not flight.future.done()]
        head = waiting[0].row.seq if waiting else None
        self._losses = 0 if head is None else self._losses + 1 if head == self._head else 1
        self._head = head
        if self._losses >= DEADLY and len(self._flights) == 1 and len(self._flights[0].row.body) >= LARGE_BYTES:
            reason = f"the broker closed the connection {DEADLY} times when this record was sent: larger than it takes?"
            self._stubbed[self._flights[0].row.seq] = reason
            self._losses = 0

    def _begin_again(self) -> None:
        self._round += 1
        self._flights.clear()
        self._position = self._through

    async def _send_all(self, connection: Connection) -> None:
        while True:
            if self._rewinds != self._journal.rewinds:
                self._rewinds = self._journal.rewinds
                self._round += 1
                self._position = self._through = self._journal.sent_through
            if self._hold_due:
                await self._wait_out_hold()
            rows = await self._journal.unsent(self._position, PAGE)
            if not rows:
                await self._journal.grown()
            for row in rows:
                if self._rewinds != self._journal.rewinds or self._hold_due:
                    break
                await self._send(connection, row)
                self._position = row.seq

    async def _wait_out_hold(self) -> None:
        hold_s = min(LONGEST_HOLD_S, FIRST_HOLD_S * 2**self._holds)
        self._holds += 1
        await wire_sleep(hold_s * random.uniform(0.5, 1.0))  # noqa: S311 - jitter needs no secret
        self._hold_due = False
        self._begin_again()

    async def _send(self, connection: Connection, row: Row) -> None:
        if row.damaged:
            raise JournalDamagedError(f"record {row.seq} is not what was written", where=str(self._journal.path))
        if self.suspects_a_record:
            # Something kills the connection: one message at a time shows whether it is a message.
            while self._flights and self.suspects_a_record:
                self._cleared.clear()
                await self._cleared.wait()
        properties = shared_properties_of(row.schema) if connection.is_5 else None
        reason = self._stubbed.get(row.seq)
        largest = connection.terms.largest_packet
        if reason is None and largest is not None:
            size = connection.packet_bytes(row.topic, row.body, properties)
            if size > largest:
                reason = f"{size} bytes are more than the broker takes ({largest})"
        if reason is not None:
            future = await self._send_stub(connection, row, reason)
        else:
            future = await connection.send(row.topic, row.body, retain=row.retain, properties=properties)
        self._flights.append(_Flight(row, future, self._round, asyncio.get_running_loop().time()))

    async def _send_stub(self, connection: Connection, row: Row, reason: str) -> "asyncio.Future[int]":
        stub = stub_for(row, reason)
        log.warning("record %d goes out as a stub: %s", row.seq, reason)
        properties = shared_properties_of(stub.schema_) if connection.is_5 else None
        return await connection.send(
            self._topics.of(stub), stub.model_dump_json(by_alias=True), retain=False, properties=properties
        )

    async def _take_acknowledgements(self, connection: Connection) -> None:
        while True:
            await self._acknowledgement(connection)
            while self._flights and self._flights[0].future.done():
                flight = self._flights[0]
                if flight.future.cancelled():
                    raise ConnectionFailedError("the session was lost")
                code = flight.future.result()
                if code >= 0x80:
                    if flight.round == self._round:
                        await self._refused(connection, flight, code)
                        continue
                elif flight.round == self._round:
                    self._through = flight.row.seq
                    self._taken(flight.row.seq)
                self._flights.popleft()
                self._cleared.set()
            self._unmarked.set()

    async def _mark_all(self) -> None:
        while True:
            await self._unmarked.wait()
            self._unmarked.clear()
            await self._mark()
            await wire_sleep(MARK_EVERY_S)

    async def _mark(self) -> None:
        if self._through > self._journal.sent_through:
            await self._journal.mark_sent(self._through, self._rewinds)

    async def settle(self) -> None:
        """At a stop: mark what has been acknowledged since the last mark, so that it is not sent again."""
        for flight in self._flights:
            future = flight.future
            if flight.round != self._round or not future.done() or future.cancelled() or future.result() >= 0x80:
                break
            self._through = flight.row.seq
        await self._mark()

    async def _acknowledgement(self, connection: Connection) -> None:
        """Wait for one; a broker that acknowledges nothing for too long is as good as gone."""
        while not (self._flights and self._flights[0].future.done()):
            connection.landed.clear()
            try:
                async with asyncio.timeout(connection.timeout):
                    await connection.landed.wait()
            except TimeoutError:
                now_s = asyncio.get_running_loop().time()
                if self._flights and now_s - self._flights[0].sent_s >= connection.timeout:
                    text = f"no acknowledgement for {connection.timeout:g} s"
                    raise ConnectionFailedError(text) from None

    async def _refused(self, connection: Connection, flight: _Flight, code: int) -> None:
        if code in FOR_THIS_RECORD:
            self._stubbed[flight.row.seq] = f"refused by the broker: {plain(code)}"
            # In its own place of the queue: the mark must not pass it before its stub is acknowledged.
            flight.future = await self._send_stub(connection, flight.row, self._stubbed[flight.row.seq])
            return
        self._flights.clear()
        self._round += 1
        self._hold_due = True
        reason = f"the broker refuses record {flight.row.seq} on {flight.row.topic}: {plain(code)}"
        if reason != self.held:
            log.error("broker: nothing more is sent: %s; it is tried again", reason)
            self.held = reason
            self.on_held()
        self._journal.nudge()

    def _taken(self, seq: int) -> None:
        if seq == self._head:
            self._head, self._losses = None, 0
        self._holds = 0
        self.sent += 1
        self._stubbed.pop(seq, None)
        if self.held is not None:
            log.warning("broker: records are taken again")
            self.held = None
            self.on_held()


def stub_for(row: Row, reason: str) -> StubRecord:
    """What goes out in the place of a record; always the same for the same record and reason."""
    body = _OBJECT.validate_json(row.body)
    common = {key: body[key] for key in ("bench", "time", "monotonic_s", "clock_synchronised", "simulated")}
    return StubRecord.model_validate(
        {
            **common,
            "record_id": uuid5(UUID(row.record_id), "stub"),
            "seq": row.seq,
            "test_id": row.test_id,
            "of_schema": row.schema,
            "of_record_id": UUID(row.record_id),
            "size_bytes": len(row.body.encode()),
            "reason": reason,
        }
    )
