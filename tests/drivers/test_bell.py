"""A bell is heard at once when it rings, and not later than it was waited for."""

import asyncio
from datetime import UTC, datetime

from lampwarden.daemon.clock import VirtualClock, run_virtual
from lampwarden.drivers.bell import Bell

START = datetime(2026, 3, 2, 8, tzinfo=UTC)


def heard(rings_after_s: float | None, within_s: float) -> tuple[bool, float]:
    async def main(clock: VirtualClock) -> tuple[bool, float]:
        bell = Bell()
        async with asyncio.TaskGroup() as group:
            if rings_after_s is not None:
                group.create_task(ring(bell, clock, rings_after_s))
                await clock.sleep(0.0)
            return await bell.heard_within(within_s), clock.monotonic()

    return run_virtual(main, START)


async def ring(bell: Bell, clock: VirtualClock, after_s: float) -> None:
    if after_s:
        await clock.sleep(after_s)
    bell.ring()


def test_a_bell_that_rings_already_is_not_waited_for() -> None:
    assert heard(0.0, 2.0) == (True, 0.0)


def test_a_bell_that_rings_meanwhile_is_heard_at_once() -> None:
    assert heard(0.5, 2.0) == (True, 0.5)


def test_silence_is_told_when_the_time_is_over() -> None:
    assert heard(None, 2.0) == (False, 2.0)


def test_a_bell_that_was_hushed_is_waited_for_again() -> None:
    async def main(clock: VirtualClock) -> tuple[bool, bool]:
        bell = Bell()
        bell.ring()
        first = await bell.heard_within(1.0)
        bell.hush()
        return first, await bell.heard_within(1.0)

    assert run_virtual(main, START) == (True, False)


def test_who_is_cancelled_while_waiting_leaves_no_timer_and_no_waiter() -> None:
    async def main(clock: VirtualClock) -> tuple[bool, int]:
        bell = Bell()
        waiting = asyncio.get_running_loop().create_task(bell.heard_within(5.0))
        await clock.sleep(1.0)
        waiting.cancel()
        await asyncio.gather(waiting, return_exceptions=True)
        bell.ring()  # reaches nobody who has gone
        await clock.sleep(10.0)
        return waiting.cancelled(), len(bell._waiting)

    assert run_virtual(main, START) == (True, 0)
