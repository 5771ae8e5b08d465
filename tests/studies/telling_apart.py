"""How often equal lamps are told apart, and how often lamps that differ by 3 % are, beside theory.

Run it: ``python tests/studies/telling_apart.py [campaigns]``. A campaign is some tests of some lamps on one bench. Each
test errs by the bench's calibration (shared by all tests), by what belongs to the lamp (mismatch, cosine: shared by its
repeats) and by what is new in each test (height, drift, noise): drawn as normal with the standard uncertainties that
the tests' budgets state. Theory: the logarithm of the ratio of two lamps is normal with the variance that does not
cancel. With repeats the ranking is a little below it: where repeats happen to scatter by more than the budgets
explain, their scatter is used instead, with its few degrees of freedom.
"""

import math
import sys
from dataclasses import dataclass

import numpy as np
from lampwarden.daemon.measure.budget import Term
from lampwarden.daemon.measure.compare import ComparedTest, rank
from scipy.stats import norm

LEVEL = 400.0
CALIBRATION, LAMP, TEST = 0.0125, 0.003, 0.008
"""Relative standard uncertainties: shared by the bench, by a lamp's tests, and the repeat scatter of the bench."""
DIFFERENCE = 0.03
ALPHA = 0.05


@dataclass(frozen=True)
class Share:
    """How often something happened."""

    hits: int
    campaigns: int

    @property
    def value(self) -> float:
        return self.hits / self.campaigns

    @property
    def margin(self) -> float:
        """Two standard deviations of a binomial share."""
        return 2.0 * math.sqrt(self.value * (1.0 - self.value) / self.campaigns)


def told_apart(lamps: int, repeats: int, difference: float, campaigns: int, seed: int) -> Share:
    """Share of campaigns in which any two lamps are told apart; the first lamp is better by ``difference``."""
    rng = np.random.default_rng(seed)
    hits = 0
    for _ in range(campaigns):
        bench = CALIBRATION * rng.standard_normal()
        tests = []
        for lamp in range(lamps):
            true = LEVEL * (1.0 + (difference if lamp == 0 else 0.0))
            own = LAMP * rng.standard_normal()
            for repeat in range(repeats):
                value = true * math.exp(bench + own + TEST * rng.standard_normal())
                terms = (
                    Term("calibration", u_common=CALIBRATION * value),
                    Term("spectral mismatch", u_common=LAMP * value),
                    Term("height", u_common=TEST * value),
                )
                tests.append(ComparedTest(f"{lamp}-{repeat}", f"lamp {lamp}", value, terms))
        hits += any(pair.told_apart for pair in rank(tests, alpha=ALPHA).pairs)
    return Share(hits, campaigns)


def power_in_theory(repeats: int, difference: float) -> float:
    """Chance to tell two lamps apart: a two-sided test of a normal logarithm of their ratio."""
    u = math.sqrt(2.0 * (TEST**2 / repeats + LAMP**2))
    apart = math.log1p(difference) / u
    limit = norm.ppf(1.0 - ALPHA / 2.0)
    return float(norm.cdf(apart - limit) + norm.cdf(-apart - limit))


def report(campaigns: int) -> str:
    """The table as text."""
    lines = [
        (
            f"repeat scatter {TEST:.1%}, shared by a lamp's tests {LAMP:.1%}, by the bench {CALIBRATION:.2%}; "
            f"{campaigns} campaigns a row; margin: two standard deviations of a binomial share"
        ),
        "",
        "| lamps | repeats | difference | told apart | margin | theory |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for lamps, repeats in ((2, 1), (2, 3), (4, 2), (6, 2)):
        share = told_apart(lamps, repeats, 0.0, campaigns, seed=lamps * 10 + repeats)
        lines.append(f"| {lamps} | {repeats} | none | {share.value:.1%} | {share.margin:.1%} | at most {ALPHA:.0%} |")
    for repeats in (1, 2, 3, 4):
        share = told_apart(2, repeats, DIFFERENCE, campaigns, seed=100 + repeats)
        theory = power_in_theory(repeats, DIFFERENCE)
        lines.append(f"| 2 | {repeats} | {DIFFERENCE:.0%} | {share.value:.1%} | {share.margin:.1%} | {theory:.1%} |")
    return "\n".join(lines)


if __name__ == "__main__":
    sys.stdout.write(report(int(sys.argv[1]) if len(sys.argv) > 1 else 4000) + "\n")
