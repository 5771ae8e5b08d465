"""Samples: which of them a window may count, and which a gate looks back on."""

from lampwarden.daemon.samples import Series, Timed


def series(*exchanges: tuple[float, float]) -> Series[int]:
    made: Series[int] = Series()
    for number, (began_s, ended_s) in enumerate(exchanges):
        made.add(Timed.over(began_s, ended_s, number))
    return made


def test_a_sample_asked_for_before_the_window_opened_is_not_counted_though_it_came_after() -> None:
    """The instrument may have measured it at once: it may be older than the gate."""
    light = series((9.7, 10.5), (11.0, 11.4))
    assert [t.sample for t in light.between(10.0, 12.0)] == [0, 1], "the middle of its exchange lies in the window"
    assert [t.sample for t in light.within(10.0, 12.0)] == [1]


def test_a_sample_that_came_after_the_window_closed_is_not_counted() -> None:
    light = series((10.0, 10.4), (11.7, 12.1))
    assert [t.sample for t in light.within(10.0, 12.0)] == [0]


def test_a_sample_on_the_edge_is_counted() -> None:
    assert [t.sample for t in series((10.0, 12.0)).within(10.0, 12.0)] == [0]


def test_looking_back_is_by_the_likeliest_time() -> None:
    light = series((9.0, 10.0), (9.9, 10.3), (19.5, 20.7))
    assert [t.sample for t in light.between(10.0, 20.0)] == [1]


def test_a_stale_sample_is_not_fresh() -> None:
    light = series((9.0, 10.0))
    assert light.fresh(11.5, 2.0) == 0
    assert light.fresh(11.6, 2.0) is None
