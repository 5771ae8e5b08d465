"""Whole tests in virtual time whose journals stay on disk: what reports and exports are made from."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

from lampwarden.daemon.store.journal import Journal, JournalFile
from lampwarden.protocol.records import SummaryRecord
from lampwarden.simulators.scenario import Scenario

from .virtual_bench import TEST_ID, Outcome, Script, run_bench, small

__all__ = ["TEST_ID", "recorded_test", "summary_of"]


def recorded_test(
    journal: Path, *, scenario: Scenario | None = None, script: Script | None = None, **changes: Any
) -> Outcome:
    """Run a test and leave its journal at a path.

    Left out, the scenario is the demonstration's: a sag of the supply, and a leaf over the sensor at B4, whose first
    attempt is doubtful.
    """
    return run_bench(
        scenario or Scenario.demo(),
        script=script,
        journal=lambda bench_id: Journal(JournalFile(journal, bench_id), in_line=True),
        **changes,
    )


def summary_of(seed: int, *, lamp: str, test_id: str, brighter: float = 1.0, minutes: int = 0) -> SummaryRecord:
    """The summary of a test of some lamp on the same bench."""
    plan = small()
    light = replace(plan.light_field, peak_ppfd_umol=plan.light_field.peak_ppfd_umol * brighter)
    plan = replace(plan, lamp=replace(plan.lamp, lamp_id=lamp), light_field=light)
    record = SummaryRecord.model_validate_json(json.dumps(run_bench(plan, seed).summary))
    moved = {"test_id": test_id, "finished": record.finished.replace(minute=minutes % 60, hour=9 + minutes // 60)}
    return record.model_copy(update=moved)
