"""The simulated person: acts on prompts at a person's speed, the newest prompt wins, nothing is done twice."""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from datetime import UTC, datetime

import pytest
from lampwarden.daemon.clock import VirtualClock, run_virtual
from lampwarden.simulators.bench import SimulatedBench
from lampwarden.simulators.operator import PRESS_AGAIN_S, Action, Prompt, SimulatedOperator
from lampwarden.simulators.scenario import Scenario

START = datetime(2030, 1, 1, tzinfo=UTC)


class Stage:
    """A bench whose movements are noted with their times."""

    def __init__(self, clock: VirtualClock, seed: int = 1) -> None:
        self.clock = clock
        self.bench = SimulatedBench(Scenario.demo(), seed)
        self.operator = SimulatedOperator(self.bench, clock)
        self.presses: list[tuple[float, str, bool]] = []
        self.bench.foot_switch.on_unprompted = self._pressed

    def _pressed(self, reports: list) -> None:
        long = reports[1].due_s - reports[0].due_s > 1.0
        self.presses.append((reports[0].due_s, self.bench.post.where, long))


def play(scene: Callable[[Stage], Awaitable[None]], seed: int = 1) -> Stage:
    stages: list[Stage] = []

    async def main(clock: VirtualClock) -> None:
        stages.append(Stage(clock, seed))
        await scene(stages[0])

    run_virtual(main, START)
    return stages[0]


def test_place_and_press_moves_the_sensor_and_then_steps_on_the_pedal() -> None:
    async def scene(stage: Stage) -> None:
        await stage.operator.act(Prompt("place_and_press", "E3"))

    stage = play(scene)
    ((pressed_s, where, long),) = stage.presses
    assert where == "E3"
    assert not long
    placed_s = stage.bench.post.stands[-2].since_s
    assert 2.0 <= placed_s <= 6.0
    assert placed_s + 2.0 <= pressed_s <= placed_s + 6.0


def test_lamp_is_struck_with_the_sensor_at_the_reference_point() -> None:
    async def scene(stage: Stage) -> None:
        await stage.operator.act(Prompt("strike"))
        assert stage.bench.post.where == "C2"
        assert stage.bench.lamp.switched_on
        await stage.operator.act(Prompt("lamp_off"))
        assert not stage.bench.lamp.switched_on

    play(scene)


def test_reading_anyway_is_a_long_press() -> None:
    async def scene(stage: Stage) -> None:
        await stage.operator.act(Prompt("read_anyway", "C2"))

    assert [long for _, _, long in play(scene).presses] == [True]


@pytest.mark.parametrize("action", ["wait", "begin", "finished"])
def test_nothing_is_done_when_nothing_is_asked(action: Action) -> None:
    async def scene(stage: Stage) -> None:
        await stage.operator.act(Prompt(action))
        assert stage.clock.monotonic() == 0.0

    assert play(scene).presses == []


def test_newer_prompt_supersedes_the_one_being_acted_on() -> None:
    async def scene(stage: Stage) -> None:
        async with asyncio.TaskGroup() as group:
            group.create_task(stage.operator.act(Prompt("place_and_press", "A1")))
            await stage.clock.sleep(1.0)
            group.create_task(stage.operator.act(Prompt("place_and_press", "B1")))

    stage = play(scene)
    assert [where for _, where, _ in stage.presses] == ["B1"]
    assert stage.bench.post.visits("A1") == 0


def test_prompt_superseded_between_placing_and_pressing_is_not_pressed_for() -> None:
    async def scene(stage: Stage) -> None:
        async with asyncio.TaskGroup() as group:
            group.create_task(stage.operator.act(Prompt("place_and_press", "A1")))
            while stage.bench.post.visits("A1") == 0:
                await stage.clock.sleep(0.1)
            group.create_task(stage.operator.act(Prompt("wait")))

    assert play(scene).presses == []


def test_repeated_prompt_is_acted_on_once() -> None:
    async def scene(stage: Stage) -> None:
        prompt = Prompt("place_and_press", "A1", attempt=1, number=4)
        await stage.operator.act(prompt)
        await stage.operator.act(prompt)

    assert len(play(scene).presses) == 1


def test_pedal_is_stepped_on_again_when_the_prompt_still_stands_a_good_while_after_the_press() -> None:
    async def scene(stage: Stage) -> None:
        prompt = Prompt("place_and_press", "A1", attempt=1, number=4)
        await stage.operator.act(prompt)
        await stage.clock.sleep(PRESS_AGAIN_S - 1.0)
        await stage.operator.act(prompt)
        assert len(stage.presses) == 1, "a person waits for an answer"
        await stage.clock.sleep(1.0)
        async with asyncio.TaskGroup() as group:
            for _ in range(3):
                group.create_task(stage.operator.act(prompt))

    stage = play(scene)
    (first_s, *_), (again_s, where, _) = stage.presses
    assert again_s - first_s > PRESS_AGAIN_S
    assert where == "A1"
    assert stage.bench.post.visits("A1") == 1, "the sensor stands there already"


def test_press_that_is_about_to_be_repeated_is_left_when_the_bench_asks_for_something_else() -> None:
    async def scene(stage: Stage) -> None:
        prompt = Prompt("place_and_press", "A1", number=4)
        await stage.operator.act(prompt)
        await stage.clock.sleep(PRESS_AGAIN_S)
        async with asyncio.TaskGroup() as group:
            group.create_task(stage.operator.act(prompt))
            await stage.clock.sleep(1.0)
            group.create_task(stage.operator.act(Prompt("wait", number=5)))

    assert len(play(scene).presses) == 1


def test_same_words_with_a_new_number_do_not_disturb_work_in_hand_but_are_acted_on_later() -> None:
    async def scene(stage: Stage) -> None:
        async with asyncio.TaskGroup() as group:
            group.create_task(stage.operator.act(Prompt("place_and_press", "A1", number=4)))
            await stage.clock.sleep(1.0)
            group.create_task(stage.operator.act(Prompt("place_and_press", "A1", number=5)))
        assert len(stage.presses) == 1
        assert stage.bench.post.visits("A1") == 1
        await stage.operator.act(Prompt("place_and_press", "A1", number=6))

    assert len(play(scene).presses) == 2


def test_following_acts_on_every_prompt_until_finished() -> None:
    async def scene(stage: Stage) -> None:
        async def prompts() -> AsyncIterator[Prompt]:
            for action, spot in (("strike", ""), ("wait", ""), ("place_and_press", "A1"), ("wait", "")):
                yield Prompt(action, spot)
                await stage.clock.sleep(30.0)
            yield Prompt("finished")
            raise AssertionError("asked for more after the end")

        await stage.operator.follow(prompts())

    stage = play(scene)
    assert stage.bench.lamp.switched_on
    assert [where for _, where, _ in stage.presses] == ["A1"]


def test_cancelled_operator_leaves_nothing_running() -> None:
    async def scene(stage: Stage) -> None:
        async def prompts() -> AsyncIterator[Prompt]:
            yield Prompt("place_and_press", "A1")
            await stage.clock.sleep(1e6)

        with pytest.raises(TimeoutError):
            async with asyncio.timeout(1.0):
                await stage.operator.follow(prompts())
        await stage.clock.sleep(60.0)

    assert play(scene).presses == []


def test_delays_come_from_the_seed() -> None:
    async def scene(stage: Stage) -> None:
        for spot in ("A1", "B1", "C1"):
            await stage.operator.act(Prompt("place_and_press", spot))

    assert play(scene).presses == play(scene).presses
    assert play(scene).presses != play(scene, seed=2).presses
