"""What people are shown of a running test: which attempt counts, what is doubtful and why, what it comes to so far."""

import math

import pytest
from lampwarden.daemon.procedure.progress import Choice, Leg, Phase
from lampwarden.daemon.view import SpotState, grid_view
from support.benches import note, progress


def test_spot_that_was_not_read_says_nothing() -> None:
    spots = {spot.spot: spot for spot in grid_view(progress()).spots}
    assert spots["A1"].state is SpotState.UNREAD
    assert spots["A1"].ppfd_umol is None
    assert spots["A1"].attempts == []


def test_last_undisturbed_attempt_counts_and_the_higher_one_does_not() -> None:
    view = grid_view(progress(attempts=(note("A1", 1, 420.0), note("A1", 2, 400.0))))
    spot = next(s for s in view.spots if s.spot == "A1")
    assert spot.ppfd_umol == 400.0
    assert [attempt.counts for attempt in spot.attempts] == [False, True]


def test_doubtful_spot_says_why_and_a_confirmed_one_is_no_longer_doubtful() -> None:
    doubtful = note("B1", 1, 300.0, doubts=("-15 % from what its neighbours foretell",))
    view = grid_view(progress(attempts=(doubtful,)))
    spot = next(s for s in view.spots if s.spot == "B1")
    assert spot.state is SpotState.DOUBTFUL
    assert spot.why == "-15 % from what its neighbours foretell"
    again = note("B1", 2, 301.0, doubts=("-15 % from what its neighbours foretell",))
    view = grid_view(progress(attempts=(doubtful, again), confirmed=("B1",)))
    assert next(s for s in view.spots if s.spot == "B1").state is SpotState.CONFIRMED


def test_disturbed_attempt_alone_leaves_the_spot_without_a_value() -> None:
    view = grid_view(progress(attempts=(note("A1", 1, 400.0, undisturbed=False),)))
    spot = next(s for s in view.spots if s.spot == "A1")
    assert spot.state is SpotState.VOID
    assert spot.why == "disturbed: it does not count"


def test_operators_choice_counts_and_is_marked() -> None:
    choice = Choice(spot="A1", attempt=1, reason="a pot stood in the light")
    view = grid_view(progress(attempts=(note("A1", 1, 400.0), note("A1", 2, 300.0)), choices=(choice,)))
    spot = next(s for s in view.spots if s.spot == "A1")
    assert (spot.ppfd_umol, spot.chosen) == (400.0, True)


def test_average_so_far_averages_own_parts_down_and_common_parts_not() -> None:
    # JCGM 100, 5.2.2: own 2.0 over four spots is 1.0, common 6.0 stays; k = 1.96 for infinite degrees of freedom.
    spots = ("A1", "B1", "C1", "A2")
    notes = tuple(note(s, 1, 400.0, u_own_umol=2.0, u_common_umol=6.0) for s in spots)
    so_far = grid_view(progress(attempts=notes)).so_far
    assert (so_far.spots, so_far.of) == (4, 6)
    assert so_far.average.value == pytest.approx(400.0)
    assert so_far.average.u_own == pytest.approx(1.0)
    assert so_far.average.u_common == pytest.approx(6.0)
    assert so_far.average_expanded == pytest.approx(1.959964 * math.hypot(1.0, 6.0), rel=1e-4)


def test_uniformity_so_far_is_highest_over_lowest_and_the_calibration_cancels() -> None:
    notes = (
        note("A1", 1, 500.0, u_own_umol=1.0, u_common_umol=5.0),
        note("B1", 1, 250.0, u_own_umol=1.0, u_common_umol=2.5),
    )
    so_far = grid_view(progress(attempts=notes)).so_far
    assert so_far.uniformity.value == pytest.approx(2.0)
    assert so_far.uniformity.u_common == pytest.approx(0.0)
    assert so_far.uniformity.u_own == pytest.approx(2.0 * math.hypot(1 / 500, 1 / 250))


def test_before_any_spot_there_is_a_reason_instead_of_an_average() -> None:
    opening = note("B1", 1, 590.0, leg=Leg.OPENING)
    view = grid_view(progress(phase=Phase.AWAIT_PRESS, attempts=(opening,)))
    assert view.so_far.average.value is None
    assert view.so_far.average.reason == "no spot has been read yet"
    assert view.opening is not None
    assert view.opening.ppfd_umol == 590.0
