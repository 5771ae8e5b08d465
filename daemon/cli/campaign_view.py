"""Runs a campaign and prints what it found. Standard output is the same for the same seed, byte for byte."""

import json
import math
from collections.abc import Callable
from dataclasses import asdict

from rich.console import Console
from rich.progress import Progress

from ...protocol.counts import counted
from ...protocol.errors import MeasurementError
from ..simulated.campaign import TestResult, campaign


def run_campaign(
    tests: int,
    seed: int,
    *,
    as_json: bool,
    console: Console,
    say: Callable[[str], None],
    with_faults: bool = False,
) -> bool:
    """Run and print.

    Args:
        tests: How many.
        seed: Of all chance.
        as_json: JSON lines instead of a table.
        console: For progress; not part of the result.
        say: Gets the lines of the result.
        with_faults: Let instruments fail at random.

    Returns:
        Whether nothing happened that never may: no reading lost, no gate broken, every test came to its end.
    """
    results: list[TestResult] = []
    stuck: list[MeasurementError] = []
    if not as_json:
        say(f"{'test':<20} {'lamp':<7} {'average':>8} {'± 95 %':>7} {'true':>8} {'error/u':>8}  holds truth")
    with Progress(console=console, transient=True, disable=not console.is_terminal) as progress:
        task = progress.add_task("virtual tests", total=tests)
        for result in campaign(tests, seed, with_faults=with_faults):
            if isinstance(result, MeasurementError):
                stuck.append(result)
                say(json.dumps({"simulated": True, "error": str(result)}) if as_json else str(result))
            else:
                results.append(result)
                say(json.dumps(_row(result)) if as_json else _line(result))
            progress.advance(task)
    found = _found(results, seed, stuck=len(stuck))
    say(json.dumps(found) if as_json else _sentences(found))
    return not (found["lost_readings"] or found["early_readings"] or found["stuck"])


def _row(result: TestResult) -> dict[str, object]:
    summary = result.summary
    return {
        "simulated": True,
        "test": summary.test_id,
        "lamp": summary.setup.lamp,
        "canopy_average_umol": summary.canopy_average.value,
        "u_umol": summary.canopy_average.u,
        "expanded_umol": summary.expanded_uncertainty.value,
        "true_average_umol": result.true_average_umol,
        "holds_truth": result.holds_truth,
        "uniformity_ratio": summary.uniformity_ratio.value,
        "true_ratio": result.true_ratio,
        "integration_s": summary.integration.integration_s,
        "readings": summary.readings_taken,
        "missing_spots": summary.missing_spots,
        "early_readings": result.early_readings,
        "lost": asdict(result.losses),
        "doubts": sum(bool(spot.doubts) for spot in result.spots),
        "faults": [f"{each.device} {each.fault.value}" for each in result.faults],
    }


def _line(result: TestResult) -> str:
    summary = result.summary
    average, expanded = summary.canopy_average.value, summary.expanded_uncertainty.value
    u = summary.canopy_average.u
    if average is None or expanded is None or u is None:
        return f"{summary.test_id:<20} {summary.setup.lamp:<7} not given: {summary.canopy_average.reason}"
    share = (average - result.true_average_umol) / u
    holds = "yes" if result.holds_truth else "NO"
    return (
        f"{summary.test_id:<20} {summary.setup.lamp:<7} {average:8.1f} {expanded:7.1f} "
        f"{result.true_average_umol:8.1f} {share:+8.2f}  {holds}"
    )


def _found(results: list[TestResult], seed: int, *, stuck: int) -> dict[str, object]:
    judged = [result for result in results if result.holds_truth is not None]
    shares = [
        result.error_umol / result.summary.canopy_average.u
        for result in judged
        if result.error_umol is not None and result.summary.canopy_average.u
    ]
    return {
        "campaign": seed,
        "simulated": True,
        "tests": len(results),
        "stuck": stuck,
        "without_average": len(results) - len(judged),
        "holds_truth": sum(bool(result.holds_truth) for result in judged),
        "coverage": sum(bool(result.holds_truth) for result in judged) / len(judged) if judged else None,
        "mean_error_in_u": math.fsum(shares) / len(shares) if shares else None,
        "readings": sum(len(result.spots) for result in results),
        "faults": sum(len(result.faults) for result in results),
        "lost_readings": sum(result.losses.total for result in results),
        "early_readings": sum(result.early_readings for result in results),
    }


def _sentences(found: dict[str, object]) -> str:
    coverage = found["coverage"]
    shown = f"{coverage:.1%}" if isinstance(coverage, float) else "none"
    mean = found["mean_error_in_u"]
    mean_shown = f"{mean:+.2f}" if isinstance(mean, float) else "none"
    tests, readings, faults = (counted(int(str(found[f"{one}s"])), one) for one in ("test", "reading", "fault"))
    return (
        f"{tests}, {found['without_average']} without an average; the 95 % interval holds the truth in "
        f"{shown}; mean error {mean_shown} u\n"
        f"{readings}, {faults}; lost readings: {found['lost_readings']}; readings "
        f"before their gates: {found['early_readings']}; tests that did not end: {found['stuck']}"
    )
