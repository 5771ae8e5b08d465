"""Holds of gates as the report tells them: one row each, however often one was told."""

from dataclasses import replace
from pathlib import Path

from lampwarden.daemon.report.gates import holds
from lampwarden.daemon.results.recall import recall
from support.recorded import TEST_ID
from support.virtual_bench import Outcome


def test_hold_that_is_told_again_when_it_is_overdue_stays_one(journal: Path, outcome: Outcome) -> None:
    test = recall(journal, TEST_ID)
    index, held = next((i, e) for i, e in enumerate(test.events) if e.event == "gate_held")
    later = held.model_copy(
        update={
            "event": "gate_overdue",
            "monotonic_s": held.monotonic_s + 1.0,
            "text": f"{held.text}; wait, or read anyway",
        }
    )
    told_twice = replace(test, events=(*test.events[: index + 1], later, *test.events[index + 1 :]))
    assert holds(told_twice) == holds(test)


def test_hold_ends_with_what_ends_the_waiting(journal: Path, outcome: Outcome) -> None:
    test = recall(journal, TEST_ID)
    index, held = next((i, e) for i, e in enumerate(test.events) if e.event == "gate_held")
    lost = held.model_copy(
        update={"event": "arc_lost", "monotonic_s": held.monotonic_s + 4.0, "text": "the arc is out"}
    )
    (hold,) = holds(replace(test, events=(*test.events[: index + 1], lost), spots=()))
    assert hold.until_s == held.monotonic_s + 4.0
    assert hold.reading is None
    (hold,) = holds(replace(test, events=test.events[: index + 1], spots=()))
    assert hold.until_s is None, "the test still waits"


def test_supply_holds_no_longer_when_the_settling_is_told_to_hold(journal: Path, outcome: Outcome) -> None:
    """Of several gates that hold the supply is told first: what is told after it tells that the supply is well."""
    test = recall(journal, TEST_ID)
    index, held = next((i, e) for i, e in enumerate(test.events) if e.event == "gate_held")
    details = {"gate": "settle", "overdue": False}
    text = "settling holds: the signal still drifts"
    settling = held.model_copy(update={"monotonic_s": held.monotonic_s + 9.0, "text": text, "details": details})
    both = replace(test, events=(*test.events[: index + 1], settling, *test.events[index + 1 :]))
    supply, settle = holds(both)
    assert (supply.gate, supply.until_s) == ("supply", held.monotonic_s + 9.0)
    assert settle.gate == "settle"
    assert settle.reason == "the signal still drifts"
    assert settle.reading is not None
    assert settle.until_s == settle.reading.window_opened_monotonic_s
    assert supply.reading is settle.reading
