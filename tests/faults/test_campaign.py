"""The fault campaign in its reduced form: every case once, a few kills. The full one is a command of its own."""

from pathlib import Path

import pytest
from faults.campaign import Plan, run_campaign

SEED = 20_260_302
"""Any number; always this one here, so that a failure comes again."""


@pytest.mark.slow
@pytest.mark.campaign
@pytest.mark.timeout(600)
def test_no_fault_costs_a_reading_a_number_or_a_gate(tmp_path: Path) -> None:
    plan = Plan(kills=10, others=1, instruments_per_state=4, reduced=True)
    results = run_campaign(tmp_path, SEED, plan)
    assert len(results) == 17
    assert [f"{r.case}: {line}" for r in results for line in r.wrong] == []
