"""One row a claim, one table a run: a figure beside its goal, judged, and the machine it was taken on named."""

import os
import platform
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

FAILS_BELOW = 0.7
"""A row that comes to less than this share of its goal has got worse: machines differ, but not by so much."""


@dataclass(frozen=True, slots=True)
class Row:
    """One measured claim.

    Attributes:
        key: Short name, for ``--only`` and JSON.
        what: What was measured beside what.
        value: The figure that the goal is about; None when it could not be taken, and ``seen`` says why.
        unit: Of value and goal: ``×`` for a ratio.
        goal: The least (``at_least``) or the most that it should be.
        at_least: Which of the two.
        seen: Medians behind the figure.
        repeats: How many measurements the medians are of.
        never: Something that must not have happened and did; fails the row whatever its value.
        bound: Where the goal is out of reach: what can be had. A row fails against this then.
        why: What holds it there.
    """

    key: str
    what: str
    value: float | None
    unit: str
    goal: float
    at_least: bool
    seen: str
    repeats: int
    never: str = ""
    bound: float | None = None
    why: str = ""

    @property
    def share(self) -> float | None:
        """How much of the goal is reached; 1 and above is all of it."""
        return self._share_of(self.goal)

    def _share_of(self, goal: float) -> float | None:
        if self.value is None:
            return None
        if self.at_least:
            return self.value / goal
        return goal / self.value if self.value > 0 else float("inf")

    @property
    def reached(self) -> bool:
        """Whether the goal is reached."""
        return not self.never and self.share is not None and self.share >= 1.0

    @property
    def failed(self) -> bool:
        """Whether it is so far off that something has got worse; a row that a missing peer kept empty is not."""
        share = self._share_of(self.goal if self.bound is None else self.bound)
        return bool(self.never) or (share is not None and share < FAILS_BELOW)

    def cells(self) -> tuple[str, ...]:
        """What stands in the table."""
        sign = "≥" if self.at_least else "≤"
        space = "" if self.unit == "×" else " "
        value = "not taken" if self.value is None else f"{figure(self.value)}{space}{self.unit}"
        verdict = self.never or ("yes" if self.reached else "" if self.value is None else "no")
        if self.why and not self.reached:
            verdict += f": {self.why}"
        return (
            self.what,
            value,
            f"{sign} {figure(self.goal)}{space}{self.unit}"
            + ("" if self.bound is None else f"; attainable {sign} {figure(self.bound)}{space}{self.unit}"),
            verdict,
            self.seen,
            str(self.repeats),
        )


HEAD = ("what", "figure", "goal", "reached", "medians", "repeats")


def figure(value: float) -> str:
    """Three significant digits, without an exponent."""
    if value == 0:
        return "0"
    size = abs(value)
    digits = 0 if size >= 100 else 1 if size >= 10 else 2 if size >= 1 else 3
    text = f"{value:.{digits}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def machine() -> str:
    """Cores and memory, processor and interpreter, and how busy the machine was."""
    memory_kib = next(
        int(line.split()[1])
        for line in Path("/proc/meminfo").read_text(encoding="ascii").splitlines()
        if line.startswith("MemTotal")
    )
    model = next(
        (
            line.partition(":")[2].strip()
            for line in Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
            if line.startswith("model name")
        ),
        platform.machine(),
    )
    cores = len(os.sched_getaffinity(0))
    return (
        f"{cores} cores ({model}), {memory_kib / 2**20:.1f} GiB of memory, Linux {platform.release().split('-')[0]}, "
        f"Python {platform.python_version()}"
    )


def load() -> str:
    """What else runs: mean length of the run queue over a minute."""
    return f"{os.getloadavg()[0]:.1f}"


def plain(rows: Sequence[Row]) -> str:
    """The table for a terminal."""
    lines = [HEAD, *(row.cells() for row in rows)]
    widths = [max(len(line[i]) for line in lines) for i in range(len(HEAD))]
    padded = [[cell.ljust(width) for cell, width in zip(line, widths, strict=True)] for line in lines]
    return "\n".join("  ".join(line).rstrip() for line in padded)


def markdown(rows: Sequence[Row]) -> str:
    """The table for the README."""
    head = [f"| {' | '.join(HEAD)} |", f"|{' --- |' * len(HEAD)}"]
    return "\n".join([*head, *(f"| {' | '.join(row.cells())} |" for row in rows)])


def median(values: Sequence[float]) -> float:
    """Of at least one."""
    return statistics.median(values)


def quantile(values: Sequence[float], share: float) -> float:
    """The smallest of the values that at least this share of them does not exceed."""
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, max(0, -(-int(share * 1000) * len(ordered) // 1000) - 1))]


def ms(seconds: float) -> str:
    """Seconds as milliseconds."""
    return f"{figure(1000.0 * seconds)} ms"
