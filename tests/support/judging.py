"""What must hold of the records of any test, judged from their JSON alone. No code of the daemon is used here."""

import itertools
import math
from collections.abc import Sequence
from typing import Any, Protocol

Json = dict[str, Any]


class Truth(Protocol):
    """What a simulated bench knows and no daemon does."""

    def true_ppfd_umol(self, spot: str, start_s: float, end_s: float) -> float: ...
    def true_uniformity_ratio(self, spots: Sequence[str]) -> float: ...


def assert_durable(records: Sequence[Json], *, simulated: bool) -> None:
    """Gapless from 1, each once, in the order of their times, and marked for what they are."""
    assert [r["seq"] for r in records] == list(range(1, len(records) + 1))
    assert len({r["record_id"] for r in records}) == len(records)
    assert all(r["simulated"] is simulated for r in records)


def assert_never_early(spots: Sequence[Json], *, warm_up_s: float = 900.0, settle_s: float = 30.0) -> None:
    """15 min after the strike and 30 s after the press, by the times that the records tell."""
    assert spots
    for spot in spots:
        where = f"{spot['spot']} {spot['leg']} {spot['attempt']}"
        if not spot["undisturbed"]:
            continue
        opened_s = spot["window_opened_monotonic_s"]
        assert spot["strike_monotonic_s"] is not None, where
        assert opened_s - spot["strike_monotonic_s"] >= warm_up_s, where
        if spot["leg"] != "opening":
            assert spot["pressed_monotonic_s"] is not None, where
            assert opened_s - spot["pressed_monotonic_s"] >= settle_s, where
        for gate in spot["gates"]:
            assert gate["open"] or gate["read_anyway"], where
            assert gate["waited_s"] >= gate["minimum_s"] - 1e-6, where
        assert "settle" in {gate["gate"] for gate in spot["gates"]}, where


def counted(summary: Json, spots: Sequence[Json]) -> list[float]:
    """The readings that the summary says it counts, from the spot records."""
    by_id = {spot["record_id"]: spot for spot in spots}
    found = [by_id[entry["record_id"]] for entry in summary["spots"]]
    for entry, record in zip(summary["spots"], found, strict=True):
        assert (entry["spot"], entry["attempt"]) == (record["spot"], record["attempt"])
        assert record["leg"] == "spot"
        if not entry["chosen_by_operator"]:
            later = [
                s
                for s in spots
                if s["leg"] == "spot" and s["spot"] == entry["spot"] and s["attempt"] > entry["attempt"]
            ]
            assert not any(s["undisturbed"] and s["light"]["value"] is not None for s in later), "the last one counts"
    return [record["light"]["value"] for record in found]


def assert_average_from_records(summary: Json, spots: Sequence[Json]) -> None:
    """Canopy average and uniformity ratio, made again from the spot records, to the last digit."""
    values = counted(summary, spots)
    grid = summary["grid"]
    assert len(values) == grid["columns"] * grid["rows"]
    assert summary["canopy_average"]["value"] == math.fsum(values) / len(values)
    assert summary["uniformity_ratio"]["value"] == max(values) / min(values)
    assert summary["readings_taken"] == len(spots)


def error_umol(summary: Json, spots: Sequence[Json], truth: Truth) -> float:
    """Stated canopy average less what the lamp really made at each spot while it was read."""
    by_id = {spot["record_id"]: spot for spot in spots}
    true_umol = [
        truth.true_ppfd_umol(r["spot"], r["window_opened_monotonic_s"], r["window_closed_monotonic_s"])
        for r in (by_id[entry["record_id"]] for entry in summary["spots"])
    ]
    return float(summary["canopy_average"]["value"]) - math.fsum(true_umol) / len(true_umol)


def expanded_umol(summary: Json) -> float:
    """Expanded uncertainty of the canopy average, 95 %."""
    return float(summary["expanded_uncertainty"]["value"])


def assert_holds_truth(summary: Json, spots: Sequence[Json], truth: Truth, *, widened: float = 1.0) -> None:
    """The 95 % interval of the canopy average, ``widened`` so many times, holds the truth; the ratio is near it."""
    error = error_umol(summary, spots, truth)
    assert abs(error) <= widened * expanded_umol(summary), f"{error:+.1f}"
    names = [entry["spot"] for entry in summary["spots"]]
    ratio = summary["uniformity_ratio"]
    assert abs(ratio["value"] / truth.true_uniformity_ratio(names) - 1.0) < 0.1


def gaps(numbers: Sequence[int]) -> list[tuple[int, int]]:
    """Pairs of neighbours that are not neighbours."""
    return [(a, b) for a, b in itertools.pairwise(numbers) if b != a + 1]
