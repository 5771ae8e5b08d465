"""The fan-out: whoever tells never waits, and whoever is slow is told so."""

import pytest
from lampwarden.daemon.bus import LONGEST, MOST_WATCHERS, Bus, BusFullError, Notice, Overrun


async def test_watcher_gets_notices_in_order() -> None:
    bus: Bus[int] = Bus()
    with bus.subscribed() as subscription:
        for number in range(5):
            bus.publish(Notice("event", number))
        assert [notice.body for notice in await subscription.next()] == [0, 1, 2, 3, 4]


async def test_newest_status_takes_the_place_of_an_older_one_and_its_place_in_line() -> None:
    bus: Bus[str] = Bus()
    with bus.subscribed() as subscription:
        bus.publish(Notice("now", "old", key="now"))
        bus.publish(Notice("event", "between"))
        bus.publish(Notice("now", "new", key="now"))
        assert [notice.body for notice in await subscription.next()] == ["between", "new"]


async def test_statuses_of_an_hour_leave_one_notice_for_a_slow_watcher() -> None:
    bus: Bus[int] = Bus()
    with bus.subscribed() as subscription:
        for number in range(100 * LONGEST):
            bus.publish(Notice("live", number, key="live"))
        assert [notice.body for notice in await subscription.next()] == [100 * LONGEST - 1]


async def test_watcher_that_is_too_slow_is_overrun_and_holds_no_memory() -> None:
    bus: Bus[int] = Bus()
    with bus.subscribed() as subscription:
        for number in range(LONGEST + 1):
            bus.publish(Notice("event", number))
        assert len(subscription._waiting) == 0
        with pytest.raises(Overrun):
            await subscription.next()


async def test_slow_watcher_does_not_hold_up_another() -> None:
    bus: Bus[int] = Bus()
    with bus.subscribed() as slow, bus.subscribed() as quick:
        for number in range(LONGEST + 10):
            bus.publish(Notice("event", number))
            assert [notice.body for notice in await quick.next()] == [number]
        with pytest.raises(Overrun):
            await slow.next()


async def test_watcher_that_left_is_forgotten_and_the_bus_has_a_bound() -> None:
    bus: Bus[int] = Bus()
    with bus.subscribed():
        assert bus.watchers == 1
    assert bus.watchers == 0
    held = [bus.subscribed() for _ in range(MOST_WATCHERS)]
    for one in held:
        one.__enter__()
    with pytest.raises(BusFullError), bus.subscribed():
        pass
    for one in held:
        one.__exit__(None, None, None)


async def test_closed_bus_ends_its_watchers_after_what_they_still_have() -> None:
    bus: Bus[int] = Bus()
    with bus.subscribed() as subscription:
        bus.publish(Notice("event", 1))
        bus.close()
        assert [notice.body for notice in await subscription.next()] == [1]
        assert await subscription.next() == []
