"""Presses out of a bouncing contact."""

from hypothesis import given
from hypothesis import strategies as st
from lampwarden.drivers.codecs.contact import (
    HID_SETTLE_S,
    LINE_SETTLE_S,
    LONG_PRESS_S,
    RELEASE_SETTLE_S,
    Contact,
    PressDetector,
)


def run(detector: PressDetector, changes: list[tuple[float, bool]], until_s: float) -> list[tuple[float, Contact]]:
    """Feed changes at their times and poll at each deadline in between, as a driver does."""
    found: list[tuple[float, Contact]] = []
    for at_s, is_down in [*changes, (until_s, None)]:
        while (deadline_s := detector.deadline_s()) is not None and deadline_s <= at_s:
            done = detector.poll(deadline_s)
            if done is not None:
                found.append((deadline_s, done))
            assert detector.deadline_s() != deadline_s, "polling at the deadline must get on"
        if is_down is not None:
            done = detector.update(is_down=is_down, at_s=at_s)
            if done is not None:
                found.append((at_s, done))
    return found


def test_short_press_is_told_when_its_end_has_settled() -> None:
    assert run(PressDetector(), [(1.0, True), (1.2, False)], 5.0) == [(1.2 + RELEASE_SETTLE_S, Contact.SHORT)]


def test_long_press_is_told_while_still_held() -> None:
    assert run(PressDetector(), [(1.0, True), (3.0, False)], 5.0) == [(1.0 + LONG_PRESS_S, Contact.LONG)]


def test_bouncing_at_both_ends_is_one_press() -> None:
    bounces = [(1.0, True), (1.003, False), (1.005, True), (1.2, False), (1.204, True), (1.206, False)]
    assert [press for _, press in run(PressDetector(), bounces, 5.0)] == [Contact.SHORT]


def test_chatter_during_a_press_does_not_cut_it_in_two() -> None:
    changes = [(1.0, True), (1.3, False), (1.31, True), (1.6, False), (1.61, True), (2.5, False)]
    assert [press for _, press in run(PressDetector(), changes, 5.0)] == [Contact.LONG]


def test_spike_of_an_igniter_on_a_line_is_no_press() -> None:
    spikes = [(1.0 + 0.1 * n + offset, down) for n in range(10) for offset, down in ((0.0, True), (0.002, False))]
    assert run(PressDetector(press_settle_s=LINE_SETTLE_S), spikes, 5.0) == []


def test_hid_press_counts_though_both_reports_are_read_at_once() -> None:
    """Reports that waited in the device while nobody read: pressed and released in the same instant."""
    detector = PressDetector(press_settle_s=HID_SETTLE_S)
    assert [press for _, press in run(detector, [(1.0, True), (1.0, False)], 5.0)] == [Contact.SHORT]


def test_release_before_the_threshold_is_short_however_late_it_is_looked_at() -> None:
    detector = PressDetector(press_settle_s=HID_SETTLE_S)
    assert detector.update(is_down=True, at_s=1.0) is None
    assert detector.update(is_down=False, at_s=1.2) is None
    assert detector.poll(9.0) is Contact.SHORT


def test_held_long_but_looked_at_late_is_long() -> None:
    detector = PressDetector()
    detector.update(is_down=True, at_s=1.0)
    assert detector.poll(9.0) is Contact.LONG
    assert detector.deadline_s() is None


def test_nothing_pends_on_an_open_contact() -> None:
    assert PressDetector().deadline_s() is None


def test_reset_forgets_a_press_that_has_begun() -> None:
    detector = PressDetector()
    detector.update(is_down=True, at_s=1.0)
    detector.reset()
    assert detector.poll(9.0) is None
    assert not detector.is_busy


@given(
    st.lists(st.tuples(st.floats(0.0001, 2.0), st.floats(0.0001, 2.0)), max_size=12),
    st.sampled_from([LINE_SETTLE_S, HID_SETTLE_S]),
)
def test_there_are_never_more_presses_than_the_contact_was_closed(
    holds: list[tuple[float, float]], settle_s: float
) -> None:
    """Any sequence of closings: at most one press each, at times that never go back."""
    changes: list[tuple[float, bool]] = []
    now_s = 1.0
    for down_s, up_s in holds:
        changes.append((now_s, True))
        changes.append((now_s + down_s, False))
        now_s += down_s + up_s
    found = run(PressDetector(press_settle_s=settle_s), changes, now_s + 10.0)
    assert len(found) <= len(holds)
    assert [at_s for at_s, _ in found] == sorted(at_s for at_s, _ in found)


@given(st.floats(0.05, 5.0))
def test_clean_press_is_long_exactly_when_held_for_the_threshold(hold_s: float) -> None:
    [(_, press)] = run(PressDetector(), [(0.0, True), (hold_s, False)], 20.0)
    assert press is (Contact.LONG if hold_s >= LONG_PRESS_S else Contact.SHORT)
