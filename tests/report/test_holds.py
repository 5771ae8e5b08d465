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
