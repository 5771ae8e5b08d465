"""Ranking lamps: what cancels, what does not, shared places."""

import math

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st
from lampwarden.daemon.measure.budget import Term
from lampwarden.daemon.measure.compare import ComparedTest, Ranking, holm, rank
from lampwarden.protocol.errors import MeasurementError


def one(test_id: str, lamp: str, value: float, **u: float) -> ComparedTest:
    """A test with relative standard uncertainties by cause: noise is its own, the rest common."""
    names = {"calibration": "calibration", "mismatch": "spectral mismatch", "height": "height"}
    terms = [Term(names[k], u_common=u[k] * value) for k in names if k in u]
    return ComparedTest(test_id, lamp, value, (*terms, Term("noise", u_own=u.get("noise", 0.001) * value)))


def places(ranking: Ranking) -> dict[str, int]:
    return {lamp.lamp: lamp.place for lamp in ranking.lamps}


def test_calibration_cancels_so_that_lamps_two_percent_apart_are_told_apart() -> None:
    ranking = rank([one("1", "a", 500.0, calibration=0.05), one("2", "b", 490.0, calibration=0.05)])
    assert places(ranking) == {"a": 1, "b": 2}
    assert ranking.pairs[0].ratio.u / ranking.pairs[0].ratio.value == pytest.approx(0.001 * math.sqrt(2.0))
    assert ranking.lamps[0].average.u_common == pytest.approx(25.0)


@pytest.mark.parametrize("cause", ["mismatch", "height"])
def test_mismatch_and_height_do_not_cancel_so_that_the_same_lamps_share_a_place(cause: str) -> None:
    ranking = rank([one("1", "a", 500.0, **{cause: 0.02}), one("2", "b", 490.0, **{cause: 0.02})])
    assert places(ranking) == {"a": 1, "b": 1}
    assert ranking.lamps[0].not_told_from == ("b",)


def test_repeats_average_the_height_down_and_not_the_mismatch() -> None:
    def spread(**u: float) -> float:
        tests = [one(f"{lamp}{i}", lamp, v, **u) for lamp, v in (("a", 500.0), ("b", 490.0)) for i in range(4)]
        ratio = rank(tests).pairs[0].ratio
        return ratio.u / ratio.value

    assert spread(height=0.02, noise=0.0) == pytest.approx(0.02 * math.sqrt(2.0) / 2.0)
    assert spread(mismatch=0.02, noise=0.0) == pytest.approx(0.02 * math.sqrt(2.0))


def test_pair_tells_how_many_tests_would_separate_it() -> None:
    pair = rank([one("1", "a", 500.0, height=0.01), one("2", "b", 490.0, height=0.01)]).pairs[0]
    assert not pair.told_apart
    # (1.96 + 0.84)² · 2 · 0.01² / ln(500/490)² = 3.8, and the noise
    assert pair.tests_needed == 4


def test_no_number_of_tests_separates_lamps_within_their_mismatch() -> None:
    assert (
        rank([one("1", "a", 500.0, mismatch=0.02), one("2", "b", 490.0, mismatch=0.02)]).pairs[0].tests_needed is None
    )


def test_scatter_of_repeats_beyond_the_budget_takes_its_place() -> None:
    values = {"a": [500.0, 520.0, 505.0], "b": [480.0, 498.0, 470.0]}
    tests = [one(f"{lamp}{i}", lamp, v) for lamp, vs in values.items() for i, v in enumerate(vs)]
    ranking = rank(tests)
    assert not ranking.explained
    pooled = math.sqrt(np.mean([np.var(np.log(v), ddof=1) for v in values.values()]))
    assert ranking.repeat_scatter == pytest.approx(pooled)
    assert ranking.pairs[0].ratio.dof_own == pytest.approx(4.0)


def test_scatter_of_repeats_within_the_budget_leaves_it_alone() -> None:
    tests = [one(f"a{i}", "a", v, height=0.01) for i, v in enumerate((500.0, 503.0))] + [one("b", "b", 450.0)]
    ranking = rank(tests)
    assert ranking.explained
    assert ranking.repeat_scatter == pytest.approx(math.log(503.0 / 500.0) / math.sqrt(2.0))


def test_places_are_shared_along_a_chain_of_neighbours() -> None:
    # steps of 1.5 % at 1 %: neighbours are alike, the ends of the chain are not
    ranking = rank([one(f"{i}", name, 500.0 * 0.985**i, noise=0.005) for i, name in enumerate("abcde")])
    assert places(ranking)["a"] == 1
    assert places(ranking)["b"] == 1
    assert places(ranking)["e"] > 1
    assert ranking.lamps[0].last_place < 5


def test_single_lamp_has_the_first_place_and_no_pairs() -> None:
    ranking = rank([one("1", "a", 500.0)])
    assert (places(ranking), ranking.pairs) == ({"a": 1}, ())


@pytest.mark.parametrize(
    "tests", [[], [one("1", "a", 500.0), one("1", "b", 500.0)], [one("1", "a", 500.0), one("2", "b", 0.0)]]
)
def test_what_cannot_be_ranked_is_refused(tests: list[ComparedTest]) -> None:
    with pytest.raises(MeasurementError):
        rank(tests)


def test_holm_of_the_worked_example() -> None:
    # worked by hand from Holm 1979: 0.01 × 4, 0.02 × 3, 0.03 × 2 = 0.06, 0.04 × 1 raised to 0.06
    assert holm([0.04, 0.01, 0.03, 0.02]) == pytest.approx([0.06, 0.04, 0.06, 0.06])


@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=12))
def test_holm_never_makes_a_difference_surer_and_keeps_the_order(p_values: list[float]) -> None:
    corrected = holm(p_values)
    assert all(c >= p for c, p in zip(corrected, p_values, strict=True))
    assert max(corrected) <= 1.0
    by_raw = [corrected[i] for i in np.argsort(p_values, kind="stable")]
    assert by_raw == sorted(by_raw)


def test_equal_lamps_are_told_apart_in_one_campaign_of_twenty_at_most() -> None:
    rng = np.random.default_rng(31)
    campaigns, wrong = 400, 0
    for _ in range(campaigns):
        scale = 1.0 + 0.03 * rng.standard_normal()  # the calibration, shared
        tests = [
            one(
                f"{lamp}{i}",
                f"{lamp}",
                500.0 * scale * (1.0 + 0.01 * rng.standard_normal()),
                calibration=0.03,
                height=0.01,
                noise=0.0,
            )
            for lamp in range(5)
            for i in range(2)
        ]
        wrong += any(p.told_apart for p in rank(tests).pairs)
    # 5 % of 400 is 20; 32 would come once in two hundred runs
    assert wrong <= scipy.stats.binom.ppf(0.995, campaigns, 0.05)
