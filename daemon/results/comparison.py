"""``lampwarden rank`` and ``lampwarden checklamp``: finished tests beside each other.

Whether tests may be compared is decided here, from what their summaries say; how, in ``measure.compare`` and
``measure.charts``.
"""

import json
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from pydantic import ValidationError
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from ...protocol.counts import counted
from ...protocol.errors import MeasurementError
from ...protocol.records import SummaryRecord, schema_name
from ..figures import terms
from ..measure.charts import BenchCheck, bench_check
from ..measure.compare import MOST_TESTS, ComparedTest, Pair, Ranking, rank
from ..store.journal import read_bodies

LEAST_BASELINE = 8
"""Check-lamp tests that fix the limits; fewer tell too little of the scatter (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """A ranking and the tests behind it."""

    ranking: Ranking
    summaries: tuple[SummaryRecord, ...]


def load_summaries(paths: Sequence[Path], wanted: Sequence[str]) -> list[SummaryRecord]:
    """Read the latest summary of each test from journals, and from files of summary records.

    Args:
        paths: Journals.
        wanted: Test ids, or paths of JSON files with one summary record each; empty: every finished test.

    Raises:
        MeasurementError: A test that is not there, or a file that holds no summary.
    """
    files = [name for name in wanted if name.endswith(".json")]
    ids = [name for name in wanted if not name.endswith(".json")]
    found: dict[str, SummaryRecord] = {}
    for path in paths:
        for body in read_bodies(path, schema_name(SummaryRecord)):
            summary = SummaryRecord.model_validate_json(body)
            found[str(summary.test_id)] = summary
    chosen = [_of_file(Path(name)) for name in files]
    for test_id in ids or ([] if files else list(found)):
        if test_id not in found:
            raise MeasurementError(
                "there is no finished test of this name", where=test_id, mend=f"known: {', '.join(found) or 'none'}"
            )
        chosen.append(found[test_id])
    return chosen


def _of_file(path: Path) -> SummaryRecord:
    try:
        return SummaryRecord.model_validate_json(path.read_bytes())
    except OSError as error:
        raise MeasurementError(f"cannot be read: {error.strerror}", where=str(path)) from None
    except ValidationError as error:
        text = f"holds no summary record: {error.errors()[0]['msg']}"
        raise MeasurementError(text, where=str(path), mend="lampwarden demo --json writes one") from None


def why_not_comparable(summaries: Sequence[SummaryRecord]) -> list[str]:
    """What forbids to compare tests, in words; empty when nothing does."""
    reasons: list[str] = []
    for what, values in (
        ("bench", {s.bench for s in summaries}),
        ("grid", {s.grid.model_dump_json() for s in summaries}),
        ("height", {f"{s.setup.height_mm:g} mm" for s in summaries}),
        ("primary light instrument", {s.primary_instrument for s in summaries}),
        ("treatment of drift", {s.drift_treatment.replace("_", " ") for s in summaries}),
        ("kind of bench (simulated or real)", {str(s.simulated) for s in summaries}),
    ):
        if len(values) > 1:
            shown = "" if what == "grid" else f": {', '.join(sorted(values))}"
            reasons.append(f"not the same {what}{shown}")
    reasons += [
        f"{s.test_id} has no canopy average: {s.canopy_average.reason}"
        for s in summaries
        if s.canopy_average.value is None
    ]
    return reasons


def compare(summaries: Sequence[SummaryRecord]) -> Comparison:
    """Rank the lamps of some tests.

    Raises:
        MeasurementError: They are not comparable; says why.
    """
    if reasons := why_not_comparable(summaries):
        raise MeasurementError("these tests cannot be compared: " + "; ".join(reasons), where="rank")
    tests = [
        ComparedTest(str(s.test_id), s.setup.lamp, s.canopy_average.value, terms(s.budget))
        for s in summaries
        if s.canopy_average.value is not None
    ]
    if not tests:
        raise MeasurementError(
            "there is no finished test with an average", where="rank", mend="lampwarden tests says what became of each"
        )
    if twice := [name for name, times in Counter(t.test_id for t in tests).items() if times > 1]:
        raise MeasurementError(f"named twice: {', '.join(twice)}", where="rank", mend="name each test once")
    return Comparison(rank(tests), tuple(summaries))


def what_would_tell(pair: Pair) -> tuple[str, str]:
    """What would tell two lamps apart that are not told apart, and why nothing would; both empty where they are."""
    if pair.told_apart:
        return "", ""
    if pair.tests_needed is not None:
        return f"{counted(pair.tests_needed, 'test')} of each", ""
    if pair.repeats_help:
        return f"more than {MOST_TESTS} tests of each", ""
    return "no repeats", f": ±{200 * pair.u_lasting:.2f} % is the same in every test of a lamp"


def show_ranking(comparison: Comparison, console: Console) -> None:
    """Print a ranking: places, and what the bench can tell."""
    ranking = comparison.ranking
    table = Table(title="Canopy average, µmol m⁻² s⁻¹; ± 95 %, what all tests of the bench share left out")
    for column in ("place", "lamp", "tests", "average", "±", "not told from"):
        table.add_column(column, justify="right" if column in ("tests", "average", "±") else "left")
    for lamp in ranking.lamps:
        place = f"{lamp.place}" if lamp.place == lamp.last_place else f"{lamp.place}–{lamp.last_place}"
        table.add_row(
            place,
            escape(lamp.lamp),
            str(lamp.tests),
            f"{lamp.average.value:.1f}",
            f"{2 * lamp.average.u_own:.1f}",
            escape(", ".join(lamp.not_told_from)),
        )
    if any(s.simulated for s in comparison.summaries):
        console.print("SIMULATED: no value is real", style="bold reverse")
    console.print(table)
    for pair in ranking.pairs:
        verdict = "told apart" if pair.told_apart else "not told apart"
        would, why = what_would_tell(pair)
        more = f"; {would} would tell{why}" if would else ""
        console.print(
            f"{pair.better} over {pair.other}: {100 * (pair.ratio.value - 1):+.2f} % "
            f"± {200 * pair.ratio.u_own:.2f} %, p = {pair.p_value:.3f}: {verdict}{more}",
            highlight=False,
            markup=False,
        )
    if ranking.repeat_scatter is not None:
        words = "as the budgets say" if ranking.explained else "more than the budgets explain, so it is used instead"
        console.print(f"Repeats scatter by {ranking.repeat_scatter:.2%}, {words}.", highlight=False)


def check_lamp(summaries: Sequence[SummaryRecord], lamp: str) -> BenchCheck:
    """Control charts of a check lamp's tests, oldest first: the first fix the limits, the later are judged.

    Raises:
        MeasurementError: Too few tests of this lamp, or they are not comparable.
    """
    mine = sorted((s for s in summaries if s.setup.lamp == lamp), key=lambda s: s.finished)
    if reasons := why_not_comparable(mine):
        raise MeasurementError("these tests cannot be compared: " + "; ".join(reasons), where=f"check lamp {lamp}")
    values = [s.canopy_average.value for s in mine if s.canopy_average.value is not None]
    if len(values) < 2:
        raise MeasurementError(
            f"{counted(len(values), 'finished test')} of this lamp; two at least are needed", where=lamp
        )
    return bench_check(values[:LEAST_BASELINE], values[LEAST_BASELINE:])


def show_check(check: BenchCheck, summaries: Sequence[SummaryRecord], lamp: str, console: Console) -> None:
    """Print the charts as a table."""
    mine = sorted((s for s in summaries if s.setup.lamp == lamp), key=lambda s: s.finished)
    values = [(s, s.canopy_average.value) for s in mine if s.canopy_average.value is not None]
    table = Table(title=f"Check lamp {lamp}: individuals, moving range, moving average (EWMA)")
    for column in ("test", "finished", "average", "moving range", "EWMA", "signals"):
        table.add_column(column, justify="left" if column in ("test", "finished", "signals") else "right")
    previous = math.nan
    for index, (summary, value) in enumerate(values):
        signals = ", ".join(f.signal.value for f in check.findings if f.index == index)
        ewma = f"{check.averages[index]:.2f}" if index < len(check.averages) else ""
        moved = "" if math.isnan(previous) else f"{abs(value - previous):.2f}"
        table.add_row(
            escape(str(summary.test_id)), f"{summary.finished:%Y-%m-%d}", f"{value:.2f}", moved, ewma, signals
        )
        previous = value
    console.print(table)
    if check.limits is not None:
        limits = check.limits
        console.print(f"Limits {limits.lower:.2f} … {limits.upper:.2f}, centre {limits.centre:.2f}", highlight=False)
    console.print(check.reason, highlight=False, markup=False)


def ranking_json(comparison: Comparison) -> str:
    """A ranking as one JSON document."""
    ranking = comparison.ranking
    return json.dumps(
        {
            "simulated": any(s.simulated for s in comparison.summaries),
            "tests": [s.test_id for s in comparison.summaries],
            "lamps": [
                {
                    "lamp": lamp.lamp,
                    "place": lamp.place,
                    "last_place": lamp.last_place,
                    "tests": lamp.tests,
                    "average_umol": lamp.average.value,
                    "u_own_umol": lamp.average.u_own,
                    "u_common_umol": lamp.average.u_common,
                    "not_told_from": list(lamp.not_told_from),
                }
                for lamp in ranking.lamps
            ],
            "pairs": [
                {
                    "better": pair.better,
                    "other": pair.other,
                    "ratio": pair.ratio.value,
                    "u_ratio": pair.ratio.u_own,
                    "p_value": pair.p_value,
                    "told_apart": pair.told_apart,
                    "tests_needed": pair.tests_needed,
                    "repeats_help": pair.repeats_help,
                    "u_lasting": pair.u_lasting,
                }
                for pair in ranking.pairs
            ],
            "repeat_scatter": ranking.repeat_scatter,
            "explained_by_budgets": ranking.explained,
        }
    )
