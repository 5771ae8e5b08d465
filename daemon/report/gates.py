"""The gates of a test as a table: what each reading waited for, and each time that a gate held it up. Pure."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from ...protocol.records import EventRecord, GateName, SpotRecord
from ..results.recall import TestRecords
from .figures import minutes
from .markup import Html, table, tag
from .words import where

HOLDS: Final = ("gate_held", "gate_overdue")
SUPPLY: Final = GateName.SUPPLY.value
"""Of several gates that hold, the supply is told: when another is told after it, the supply holds no longer."""

HOLD_ENDS: Final = frozenset(
    {
        "warmed_up",
        "arc_lost",
        "lamp_struck",
        "press_accepted",
        "settling_again",
        "reread_asked",
        "test_resumed",
        "test_abandoned",
        "test_finished",
    }
)
"""Events with which the waiting for a gate is over, whether it opened or not; beside them, a window that opens."""


@dataclass(slots=True)
class Hold:
    """A gate that stayed shut beyond its minimum time.

    ``until_s`` is None while the test still waits; ``reading`` is the attempt that began when it was over, if one did.
    """

    gate: str
    reason: str
    spot: str | None
    since: datetime
    since_s: float
    until_s: float | None = None
    reading: SpotRecord | None = None


def holds(test: TestRecords) -> list[Hold]:
    """Every hold, in order; what is told again of one that goes on is part of it."""
    found: list[Hold] = []
    going: dict[str, Hold] = {}

    def end(at_s: float, reading: SpotRecord | None = None) -> None:
        for hold in going.values():
            hold.until_s, hold.reading = at_s if hold.until_s is None else hold.until_s, reading
        going.clear()

    for at_s, happened in _in_order(test):
        if isinstance(happened, SpotRecord):
            end(at_s, happened)
        elif happened.event in HOLD_ENDS:
            end(at_s)
        elif happened.event in HOLDS:
            gate = str(happened.details.get("gate", ""))
            if gate != SUPPLY and SUPPLY in going and going[SUPPLY].until_s is None:
                going[SUPPLY].until_s = at_s
            if gate in going:
                going[gate].until_s = None
                continue
            reason = happened.text.split(" holds: ", 1)[-1].removesuffix("; wait, or read anyway")
            going[gate] = Hold(gate, reason, happened.spot, happened.time, at_s)
            found.append(going[gate])
    return found


def _in_order(test: TestRecords) -> Iterator[tuple[float, EventRecord | SpotRecord]]:
    """What bears on holds: events when they happened, attempts when their window opened."""
    both: list[tuple[float, EventRecord | SpotRecord]] = [(e.monotonic_s, e) for e in test.events]
    both += [(s.window_opened_monotonic_s, s) for s in test.spots]
    return iter(sorted(both, key=lambda one: (one[0], one[1].seq)))


def gates(test: TestRecords) -> Html:
    """Why each reading was taken when it was, and what held one up."""
    held = holds(test)
    timed = [(hold.since_s, [_hold_row(hold)]) for hold in held]
    timed += [(record.window_opened_monotonic_s, _evidence_rows(record)) for record in test.spots]
    rows = [row for _, of_one in sorted(timed, key=lambda one: one[0]) for row in of_one]
    warm = next((event for event in test.events if event.event == "warmed_up"), None)
    told = [] if warm is None else [tag("p", f"Warm-up, {warm.time:%H:%M:%S} UTC: {warm.text}.")]
    told.append(tag("p", _counted(held)))
    names = ("Spot", "Attempt", "Gate", "Was", "Waited", "At least", "Evidence")
    return tag("section", tag("h2", "Gates"), *told, table(names, rows, class_="small"))


def _counted(held: list[Hold]) -> str:
    if not held:
        return "No gate held a reading up."
    gates_of = ", ".join(dict.fromkeys(hold.gate.replace("_", "-") for hold in held))
    times = "once" if len(held) == 1 else f"{len(held)} times"
    return f"Readings held up: {times} ({gates_of}); see the rows that say held."


def _hold_row(hold: Hold) -> list[str]:
    reading = hold.reading
    return [
        where(reading) if reading is not None else hold.spot or "–",
        str(reading.attempt) if reading is not None else "–",
        hold.gate.replace("_", "-"),
        "held",
        "to the end" if hold.until_s is None else minutes(hold.until_s - hold.since_s),
        "",
        f"held from {hold.since:%H:%M:%S} UTC: {hold.reason}",
    ]


def _evidence_rows(record: SpotRecord) -> list[list[str]]:
    return [
        [
            where(record),
            str(record.attempt),
            evidence.gate.value.replace("_", "-"),
            "read anyway" if evidence.read_anyway else "open" if evidence.open else "not open",
            minutes(evidence.waited_s),
            minutes(evidence.minimum_s),
            evidence.reason,
        ]
        for evidence in record.gates
    ]
