"""Runs a campaign and prints what it found. Standard output is the same for the same seed, byte for byte."""

import json
import math
from collections.abc import Callable

from rich.console import Console
from rich.progress import Progress

from .campaign import TestResult, campaign


def run_campaign(tests: int, seed: int, *, as_json: bool, console: Console, say: Callable[[str], None]) -> None:
    """Run and print.

    Args:
        tests: How many.
        seed: Of all chance.
        as_json: JSON lines instead of a table.
        console: For progress; not part of the result.
        say: Gets the lines of the result.
    """
    results: list[TestResult] = []
    if not as_json:
        say(f"{'test':<20} {'lamp':<7} {'average':>8} {'± 95 %':>7} {'true':>8} {'error/u':>8}  holds truth")
    with Progress(console=console, transient=True, disable=not console.is_terminal) as progress:
        task = progress.add_task("virtual tests", total=tests)
        for result in campaign(tests, seed):
            results.append(result)
            say(json.dumps(_row(result)) if as_json else _line(result))
            progress.advance(task)
    found = _found(results, seed)
    say(json.dumps(found) if as_json else _sentence(found))


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
        "early_readings": early_readings(result),
        "doubts": sum(bool(spot.doubts) for spot in result.spots),
    }


def early_readings(result: TestResult) -> int:
    """Readings taken before their gates allowed: there must be none."""
    early = 0
    for spot in result.spots:
        if not spot.undisturbed:
            continue
        for gate in spot.gates:
            early += gate.waited_s < gate.minimum_s - 1e-9
        pressed_s = spot.pressed_monotonic_s
        early += pressed_s is not None and spot.window_opened_monotonic_s - pressed_s < 30.0 - 1e-9
        early += spot.strike_monotonic_s is None or spot.window_opened_monotonic_s - spot.strike_monotonic_s < 900.0
    return early


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


def _found(results: list[TestResult], seed: int) -> dict[str, object]:
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
        "without_average": len(results) - len(judged),
        "holds_truth": sum(bool(result.holds_truth) for result in judged),
        "coverage": sum(bool(result.holds_truth) for result in judged) / len(judged) if judged else None,
        "mean_error_in_u": math.fsum(shares) / len(shares) if shares else None,
        "early_readings": sum(early_readings(result) for result in results),
    }


def _sentence(found: dict[str, object]) -> str:
    coverage = found["coverage"]
    shown = f"{coverage:.1%}" if isinstance(coverage, float) else "none"
    mean = found["mean_error_in_u"]
    mean_shown = f"{mean:+.2f}" if isinstance(mean, float) else "none"
    return (
        f"{found['tests']} tests, {found['without_average']} without an average; the 95 % interval holds the truth in "
        f"{shown}; mean error {mean_shown} u; readings before their gates: {found['early_readings']}"
    )
