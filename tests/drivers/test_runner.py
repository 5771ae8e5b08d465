"""Where blocking calls run: bounds, hangs, cancellation, closing."""

import asyncio
import threading
from collections.abc import AsyncIterator

import pytest
from lampwarden.daemon.clock import wire_sleep
from lampwarden.drivers.links.inline import InlineByteLink
from lampwarden.drivers.runner import MAX_ABANDONED, InlineRunner, ThreadRunner
from lampwarden.protocol.errors import LinkError, LinkFault, WireError
from support.fakes import FakeLink, HandClock, scripted, until

# Long enough that a call which is not meant to reach its bound never does, even on a loaded machine.
AMPLE_S = 20.0
# A bound that is meant to be reached.
SHORT_S = 0.05


@pytest.fixture
def link() -> FakeLink:
    return FakeLink()


@pytest.fixture
async def runner(link: FakeLink) -> AsyncIterator[ThreadRunner]:
    runner = ThreadRunner(link)
    yield runner
    link.release.set()
    await runner.close()


async def test_call_returns_what_the_driver_returns(runner: ThreadRunner) -> None:
    assert await runner.call(lambda: 230.0, AMPLE_S) == 230.0


async def test_call_raises_what_the_driver_raises(runner: ThreadRunner) -> None:
    def broken() -> None:
        raise WireError("bad CRC", raw=b"\x01")

    with pytest.raises(WireError, match="bad CRC"):
        await runner.call(broken, AMPLE_S)


async def test_stop_iteration_of_a_driver_reaches_the_caller_as_an_error(runner: ThreadRunner) -> None:
    with pytest.raises(RuntimeError, match="StopIteration"):
        await runner.call(lambda: next(iter(())), AMPLE_S)


async def test_all_calls_of_a_link_run_on_its_one_thread_in_order(runner: ThreadRunner, link: FakeLink) -> None:
    order: list[int] = []
    threads: set[int] = set()

    def note(number: int) -> None:
        threads.add(threading.get_ident())
        order.append(number)

    await asyncio.gather(*(runner.call(lambda n=n: note(n), AMPLE_S) for n in range(20)))
    assert order == list(range(20))
    assert threads == set(link.claims)
    assert threading.get_ident() not in threads


async def test_thread_is_a_daemon_so_that_a_hung_device_cannot_hold_the_program(runner: ThreadRunner) -> None:
    assert await runner.call(lambda: threading.current_thread().daemon, AMPLE_S)


async def test_hung_call_is_reported_and_the_next_call_runs_on_a_new_thread(
    runner: ThreadRunner, link: FakeLink
) -> None:
    first = await runner.call(threading.get_ident, AMPLE_S)
    with pytest.raises(LinkError, match="no return within") as caught:
        await runner.call(link.hang, SHORT_S)
    assert caught.value.fault is LinkFault.HUNG
    assert await runner.call(threading.get_ident, AMPLE_S) != first
    assert link.resets == 1


async def test_link_is_reset_before_the_new_thread_uses_it(runner: ThreadRunner, link: FakeLink) -> None:
    with pytest.raises(LinkError):
        await runner.call(link.hang, SHORT_S)
    assert await runner.call(lambda: link.resets, AMPLE_S) == 1


async def test_result_of_an_abandoned_call_reaches_nobody(runner: ThreadRunner, link: FakeLink) -> None:
    hung = asyncio.ensure_future(runner.call(link.hang, SHORT_S))
    with pytest.raises(LinkError):
        await hung
    link.release.set()
    assert await runner.call(lambda: "next", AMPLE_S) == "next"


async def test_stuck_counts_calls_that_never_came_back() -> None:
    link = FakeLink(reset_releases=False)
    runner = ThreadRunner(link)
    with pytest.raises(LinkError):
        await runner.call(link.hang, SHORT_S)
    assert runner.stuck == 1
    link.release.set()
    await runner.call(lambda: None, AMPLE_S)
    await until(lambda: runner.stuck == 0)
    await runner.close()


async def test_too_many_stuck_calls_are_refused_instead_of_taking_ever_more_threads() -> None:
    link = FakeLink(reset_releases=False)
    runner = ThreadRunner(link)
    for _ in range(MAX_ABANDONED):
        with pytest.raises(LinkError, match="no return"):
            await runner.call(link.hang, 0.01)
    with pytest.raises(LinkError, match="never came back") as caught:
        await runner.call(lambda: None, AMPLE_S)
    assert caught.value.fault is LinkFault.HUNG
    link.release.set()
    await runner.close()


async def test_call_behind_a_hung_one_is_not_charged_for_its_wait(runner: ThreadRunner, link: FakeLink) -> None:
    hung = asyncio.ensure_future(runner.call(link.hang, 0.2))
    behind = asyncio.ensure_future(runner.call(lambda: "ran", 0.1))
    with pytest.raises(LinkError):
        await hung
    assert await behind == "ran"


async def test_cancelled_waiting_call_is_never_run(runner: ThreadRunner, link: FakeLink) -> None:
    ran: list[str] = []
    slow = asyncio.ensure_future(runner.call(link.hang, AMPLE_S))
    await until(link.hanging.is_set)
    waiting = asyncio.ensure_future(runner.call(lambda: ran.append("waiting"), AMPLE_S))
    await wire_sleep(0)
    waiting.cancel()
    with pytest.raises(asyncio.CancelledError):
        await waiting
    link.release.set()
    assert await slow == "came back"
    await runner.call(lambda: ran.append("after"), AMPLE_S)
    assert ran == ["after"]


async def test_cancelled_running_call_keeps_its_thread_for_the_next(runner: ThreadRunner, link: FakeLink) -> None:
    running = asyncio.ensure_future(runner.call(link.hang, AMPLE_S))
    await until(link.hanging.is_set)
    running.cancel()
    with pytest.raises(asyncio.CancelledError):
        await running
    link.release.set()
    thread = await runner.call(threading.get_ident, AMPLE_S)
    assert link.claims == [thread]
    assert link.resets == 0


async def test_cancelled_call_that_hangs_is_still_abandoned_at_its_bound(runner: ThreadRunner, link: FakeLink) -> None:
    running = asyncio.ensure_future(runner.call(link.hang, 0.1))
    await until(link.hanging.is_set)
    running.cancel()
    assert await runner.call(lambda: "free again", AMPLE_S) == "free again"
    assert link.resets == 1


async def test_close_closes_the_link_once_and_refuses_later_calls(link: FakeLink) -> None:
    runner = ThreadRunner(link)
    await runner.call(lambda: None, AMPLE_S)
    await runner.close()
    await runner.close()
    assert link.closes == 1
    with pytest.raises(LinkError, match="closed"):
        await runner.call(lambda: None, AMPLE_S)


async def test_close_fails_the_calls_that_still_wait(link: FakeLink) -> None:
    runner = ThreadRunner(link)
    slow = asyncio.ensure_future(runner.call(link.hang, AMPLE_S))
    await until(link.hanging.is_set)
    waiting = asyncio.ensure_future(runner.call(lambda: None, AMPLE_S))
    await wire_sleep(0)
    closing = asyncio.ensure_future(runner.close())
    with pytest.raises(LinkError, match="closed"):
        await waiting
    link.release.set()
    await slow
    await closing


async def test_close_does_not_wait_for_a_call_that_hangs(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("lampwarden.drivers.runner.CLOSE_BOUND_S", SHORT_S)
    link = FakeLink()
    runner = ThreadRunner(link)
    hung = asyncio.ensure_future(runner.call(link.hang, AMPLE_S))
    await until(link.hanging.is_set)
    await runner.close()
    assert await hung == "came back", "the reset under it let it go"
    assert link.resets == 1


async def test_reset_that_hangs_too_does_not_take_the_new_thread(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("lampwarden.drivers.runner.RESET_BOUND_S", SHORT_S)
    stop = threading.Event()
    link = FakeLink()
    monkeypatch.setattr(link, "reset", lambda: stop.wait(30))
    runner = ThreadRunner(link)
    with pytest.raises(LinkError):
        await runner.call(link.hang, SHORT_S)
    assert await runner.call(lambda: "alive", AMPLE_S) == "alive"
    assert runner.stuck == 2
    stop.set()
    link.release.set()
    await runner.close()


def test_program_ends_although_a_device_hangs() -> None:
    """The hung thread must not be joined at the loop's end; the bound is a quarter of the hang."""
    link = FakeLink(reset_releases=False)

    async def main() -> None:
        runner = ThreadRunner(link)
        with pytest.raises(LinkError):
            await runner.call(link.hang, SHORT_S)
        await runner.close()

    asyncio.run(main())
    assert not link.release.is_set(), "the call still hangs while the loop is long gone"
    link.release.set()


async def test_outcome_of_a_call_never_depends_on_a_race_with_its_bound() -> None:
    """A hundred calls that end about when their bound comes: each gives its result or HUNG, and the runner lives."""
    link = FakeLink()
    runner = ThreadRunner(link)
    outcomes = set()
    for _ in range(100):
        try:
            outcomes.add(await runner.call(lambda: threading.Event().wait(0.002) or "in time", 0.002))
        except LinkError as error:
            outcomes.add(error.fault.value)
    assert outcomes <= {"in time", "hung"}
    assert await runner.call(lambda: "alive", AMPLE_S) == "alive"
    await runner.close()


class TestInline:
    """Without threads, on bench time."""

    async def test_time_of_the_exchange_is_slept_after_the_call(self) -> None:
        clock = HandClock()
        link = InlineByteLink(scripted([(0.25, b"0\r\n")]), clock)
        runner = InlineRunner(link, clock)
        started_s = clock.monotonic()

        def exchange() -> bytes:
            link.write(b"0!")
            return link.read(10, 1.0)

        assert await runner.call(exchange, 5.0) == b"0\r\n"
        assert clock.monotonic() - started_s == pytest.approx(0.25)

    async def test_calls_do_not_meet_on_the_line(self) -> None:
        clock = HandClock()
        device = scripted([(1.0, b"a")], [(1.0, b"b")])
        link = InlineByteLink(device, clock)
        runner = InlineRunner(link, clock)

        def exchange() -> bytes:
            link.write(b"?")
            return link.read(10, 2.0)

        assert await asyncio.gather(runner.call(exchange, 5.0), runner.call(exchange, 5.0)) == [b"a", b"b"]
        first_s, second_s = (at_s for at_s, _ in device.received)
        assert second_s == pytest.approx(first_s + 1.0)

    async def test_call_that_outlasts_its_bound_is_hung_after_that_bench_time(self) -> None:
        clock = HandClock()
        link = InlineByteLink(scripted(), clock)
        runner = InlineRunner(link, clock)
        started_s = clock.monotonic()
        with pytest.raises(LinkError) as caught:
            await runner.call(lambda: link.read(1, 60.0), 2.0)
        assert caught.value.fault is LinkFault.HUNG
        assert clock.monotonic() - started_s == pytest.approx(2.0)

    async def test_cancelled_call_leaves_the_line_busy_for_the_next(self) -> None:
        clock = HandClock()
        device = scripted([(3.0, b"late")], b"next")
        link = InlineByteLink(device, clock)
        runner = InlineRunner(link, clock)

        def exchange() -> bytes:
            link.write(b"?")
            return link.read(10, 5.0)

        clock.is_stopped = True
        first = asyncio.ensure_future(runner.call(exchange, 9.0))
        await until(lambda: device.received)
        first.cancel()
        with pytest.raises(asyncio.CancelledError):
            await first
        clock.is_stopped = False
        assert await runner.call(exchange, 9.0) == b"next"
        first_s, second_s = (at_s for at_s, _ in device.received)
        assert second_s >= first_s + 3.0

    async def test_error_costs_the_time_it_took(self) -> None:
        clock = HandClock()
        link = InlineByteLink(scripted(), clock)
        runner = InlineRunner(link, clock)

        def silent() -> None:
            link.read(1, 0.5)
            raise LinkError(LinkFault.SILENT, "no answer")

        with pytest.raises(LinkError):
            await runner.call(silent, 5.0)
        assert sum(clock.slept_s) == pytest.approx(0.5)

    async def test_closed_runner_refuses_calls(self) -> None:
        clock = HandClock()
        runner = InlineRunner(InlineByteLink(scripted(), clock), clock)
        await runner.close()
        with pytest.raises(LinkError, match="closed"):
            await runner.call(lambda: None, 1.0)
