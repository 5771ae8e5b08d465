"""Stamps records: who, when, whether simulated. One place, so that no record can be made without it."""

from collections.abc import Callable
from datetime import datetime
from typing import TypedDict
from uuid import UUID, uuid4

from ..protocol.clock import Clock


class MessageStamp(TypedDict):
    """What every message begins with."""

    bench: str
    time: datetime
    monotonic_s: float
    clock_synchronised: bool
    simulated: bool


class RecordStamp(MessageStamp):
    """What every record begins with."""

    record_id: UUID
    test_id: str | None


class Stamp:
    """Of one bench. ``simulated`` may only ever become true: a simulated value can never pass for a real one."""

    def __init__(self, bench: str, clock: Clock, *, simulated: bool, new_id: Callable[[], UUID] = uuid4) -> None:
        self._bench = bench
        self._clock = clock
        self._simulated = simulated
        self.new_id = new_id

    def message(self) -> MessageStamp:
        """For a live message, now."""
        return MessageStamp(
            bench=self._bench,
            time=self._clock.utc(),
            monotonic_s=self._clock.monotonic(),
            clock_synchronised=self._clock.synchronised,
            simulated=self._simulated,
        )

    def record(self, *, test_id: str | None = None, record_id: UUID | None = None) -> RecordStamp:
        """For a durable record, now."""
        return RecordStamp(**self.message(), record_id=record_id or self.new_id(), test_id=test_id)
