"""Bench time: never early, never backwards, and it jumps where nobody waits for the real world."""

import asyncio
from collections.abc import Callable
from contextvars import Context
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from lampwarden.daemon.clock import ClockOrigin, ScaledClock, VirtualClock, boot_id, machine_s, run_virtual
from lampwarden.protocol.errors import ConfigurationError

START = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


class TestVirtualTime:
    def test_an_hour_passes_at_once(self) -> None:
        """The suite's own time limit would end a clock that sleeps."""

        async def main(clock: VirtualClock) -> float:
            await clock.sleep(1000 * 3600.0)
            return clock.monotonic()

        assert run_virtual(main, START) == pytest.approx(1000 * 3600.0)

    def test_utc_moves_with_it(self) -> None:
        async def main(clock: VirtualClock) -> datetime:
            await clock.sleep(90.0)
            return clock.utc()

        assert run_virtual(main, START) == START + timedelta(seconds=90)

    def test_sleepers_wake_in_the_order_of_their_times(self) -> None:
        async def main(clock: VirtualClock) -> list[tuple[float, str]]:
            woken: list[tuple[float, str]] = []

            async def sleeper(name: str, seconds: float) -> None:
                await clock.sleep(seconds)
                woken.append((clock.monotonic(), name))

            async with asyncio.TaskGroup() as group:
                for name, seconds in (("c", 30.0), ("a", 10.0), ("b", 20.0)):
                    group.create_task(sleeper(name, seconds))
            return woken

        assert run_virtual(main, START) == [(10.0, "a"), (20.0, "b"), (30.0, "c")]

    def test_of_sleepers_until_the_same_instant_the_first_to_lie_down_wakes_first(self) -> None:
        async def main(clock: VirtualClock) -> list[int]:
            woken: list[int] = []

            async def sleeper(number: int) -> None:
                await clock.sleep(7.0)
                woken.append(number)

            async with asyncio.TaskGroup() as group:
                for number in range(20):
                    group.create_task(sleeper(number))
            return woken

        assert run_virtual(main, START) == list(range(20))

    def test_time_does_not_jump_to_a_sleep_that_was_given_up(self) -> None:
        async def main(clock: VirtualClock) -> tuple[float, float]:
            given_up = asyncio.ensure_future(clock.sleep(10.0))
            timer = asyncio.get_running_loop().call_later(20.0, pytest.fail)
            await clock.sleep(1.0)
            given_up.cancel()
            timer.cancel()
            before_s = clock.monotonic()
            await clock.sleep(99.0)
            return before_s, clock.monotonic()

        assert run_virtual(main, START) == (1.0, 100.0)

    def test_a_sleep_that_is_cancelled_as_its_time_comes_is_cancelled(self) -> None:
        """The future of the sleep is done and the task not yet awake: the cancel must not be lost."""

        async def main(clock: VirtualClock) -> bool:
            asyncio.get_running_loop().call_later(5.0, lambda: sleeper.cancel())  # noqa: PLW0108 - made below
            sleeper = asyncio.ensure_future(clock.sleep(5.0))
            await asyncio.wait([sleeper])
            return sleeper.cancelled()

        assert run_virtual(main, START)

    def test_time_outs_of_asyncio_follow_it(self) -> None:
        async def main(clock: VirtualClock) -> float:
            with pytest.raises(TimeoutError):
                async with asyncio.timeout(500.0):
                    await clock.sleep(1000.0)
            return clock.monotonic()

        assert run_virtual(main, START) == pytest.approx(500.0)

    def test_a_deadlock_says_so_instead_of_hanging(self) -> None:
        async def main(clock: VirtualClock) -> None:
            await clock.sleep(1.0)
            await asyncio.Event().wait()

        with pytest.raises(RuntimeError, match="virtual time stands still: every task waits"):
            run_virtual(main, START)

    def test_many_small_sleeps_add_up(self) -> None:
        async def main(clock: VirtualClock) -> float:
            for _ in range(1000):
                await clock.sleep(0.1)
            return clock.monotonic()

        assert run_virtual(main, START) == pytest.approx(100.0)

    def test_a_sleep_of_nothing_lets_others_run_and_takes_no_time(self) -> None:
        async def main(clock: VirtualClock) -> tuple[list[str], float]:
            order: list[str] = []

            async def other() -> None:
                order.append("other")

            async with asyncio.TaskGroup() as group:
                group.create_task(other())
                await clock.sleep(0.0)
                order.append("me")
                await clock.sleep(-5.0)
            return order, clock.monotonic()

        assert run_virtual(main, START) == (["other", "me"], 0.0)

    def test_two_runs_are_alike(self) -> None:
        async def main(clock: VirtualClock) -> list[float]:
            seen = []
            for step in (0.1, 0.25, 1 / 3):
                await clock.sleep(step)
                seen.append(clock.monotonic())
            return seen

        assert run_virtual(main, START) == run_virtual(main, START)


class _HastyLoop(asyncio.SelectorEventLoop):
    """Timers fire after half of what was asked, as a coarse timer may by its resolution."""

    early = 0

    def call_at(
        self, when: float, callback: Callable[..., object], *args: Any, context: Context | None = None
    ) -> asyncio.TimerHandle:
        self.early += 1
        now = self.time()
        return super().call_at(now + max(0.0, when - now) / 2.0, callback, *args, context=context)


class TestScaledTime:
    def test_a_sleep_is_never_early_even_if_its_timer_is(self) -> None:
        clock = ScaledClock(ClockOrigin.now(1000.0))

        async def main() -> tuple[float, float]:
            began = clock.monotonic()
            await clock.sleep(20.0)
            return began, clock.monotonic()

        with asyncio.Runner(loop_factory=_HastyLoop) as runner:
            began, ended = runner.run(main())
            loop = runner.get_loop()
            assert isinstance(loop, _HastyLoop)
            assert loop.early >= 2, "the first timer fired early and a second was set"
        assert ended - began >= 20.0

    def test_time_never_goes_back(self) -> None:
        clock = ScaledClock(ClockOrigin.now(60.0))
        seen = [clock.monotonic() for _ in range(1000)]
        assert seen == sorted(seen)

    def test_bench_time_is_real_time_times_the_speed(self) -> None:
        """The origin decides, not the moment at which a clock is made: two processes share one bench time."""
        origin = ClockOrigin(monotonic_s=machine_s() - 100.0, utc=START, speed=60.0)
        first, second = ScaledClock(origin), ScaledClock(origin)
        a, b, c = first.monotonic(), second.monotonic(), first.monotonic()
        assert 6000.0 <= a <= b <= c

    def test_utc_runs_with_bench_time(self) -> None:
        origin = ClockOrigin(monotonic_s=machine_s() - 100.0, utc=START, speed=60.0)
        clock = ScaledClock(origin)
        before, utc, after = clock.monotonic(), clock.utc(), clock.monotonic()
        # datetime counts microseconds
        assert before - 1e-6 <= (utc - START).total_seconds() <= after + 1e-6

    def test_a_real_bench_reads_the_machine(self) -> None:
        clock = ScaledClock()
        before, mine, after = machine_s(), clock.monotonic(), machine_s()
        assert before <= mine <= after
        assert clock.utc().tzinfo is UTC
        assert isinstance(clock.synchronised, bool)

    @pytest.mark.parametrize("origin", [ClockOrigin(speed=0.0), ClockOrigin(speed=-1.0), ClockOrigin(speed=2.0)])
    def test_a_speed_that_makes_no_sense_is_refused(self, origin: ClockOrigin) -> None:
        with pytest.raises(ConfigurationError, match="without an origin in UTC") as caught:
            ScaledClock(origin)
        assert caught.value.where == "[clock]"


def test_the_boot_has_an_identity() -> None:
    assert boot_id() == boot_id()
    assert len(boot_id()) == 36
