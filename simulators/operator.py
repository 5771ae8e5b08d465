"""The person at the simulated bench: does what the prompts say, at the speed of a person.

Reads prompts in words of its own (:class:`Prompt`), so that it depends on no daemon. It carries the sensor, strikes the
lamp and steps on the foot switch of a :class:`.bench.SimulatedBench`; delays come from the seed and are bench time.

A newer prompt supersedes the one being acted on at the next moment the person looks up, that is before each single
movement. A prompt that says the same as the one being acted on changes nothing, and one that is repeated word for word
is not acted on twice, but for one thing: where the bench still asks for a press a good while after it was made, the
press came to nothing, and the person steps on the pedal again.
"""

import asyncio
import math
from collections.abc import AsyncIterator
from dataclasses import dataclass
from typing import Final, Literal

from ..protocol.clock import Clock
from .bench import SimulatedBench
from .ports import TimeSource
from .seeds import stream

PRESS_AGAIN_S: Final = 45.0
"""How long a person waits for an answer to a press, bench seconds: looks up, wonders, and steps on the pedal again
(common practice, no source). Far longer than any bench needs that has felt the press."""

Action = Literal[
    "lamp_off",
    "place_reference",
    "strike",
    "place_and_press",
    "press",
    "wait",
    "read_anyway",
    "begin",
    "finished",
]


@dataclass(frozen=True, slots=True)
class Prompt:
    """What the person is asked to do.

    Attributes:
        action: The kind of thing.
        spot: Where, for ``place_and_press``; empty is the reference point.
        attempt: Which attempt at the spot this is for.
        number: Tells apart prompts that say the same.
    """

    action: Action
    spot: str = ""
    attempt: int = 0
    number: int = 0

    def says_the_same_as(self, other: "Prompt") -> bool:
        """Whether both ask for the same thing, whatever their numbers."""
        return (self.action, self.spot, self.attempt) == (other.action, other.spot, other.attempt)


class SimulatedOperator:
    """One person at one bench."""

    def __init__(self, bench: SimulatedBench, clock: Clock, *, name: str = "operator") -> None:
        self._bench = bench
        self._clock = clock
        self._delays = stream(bench.seed, name, bench.run)
        # a clock that jumps runs at no speed of real time, and nothing then times a press but bench time
        speed = clock.speed if isinstance(clock, TimeSource) else 1.0
        self._speed = speed if math.isfinite(speed) else 1.0
        self._seen: Prompt | None = None
        self._acting = False
        self._turn = 0
        self._pressed_s: float | None = None

    async def follow(self, prompts: AsyncIterator[Prompt]) -> None:
        """Act on prompts until one says ``finished`` or there are no more; the newest always wins.

        Whoever awaits this owns the work: nothing is left running when it returns or is cancelled.
        """
        async with asyncio.TaskGroup() as group:
            async for prompt in prompts:
                group.create_task(self.act(prompt), name=f"operator: {prompt.action}")
                if prompt.action == "finished":
                    break

    async def act(self, prompt: Prompt) -> None:
        """Act on one prompt; returns when it is done or superseded by a later call."""
        if self._seen is not None:
            if prompt == self._seen:
                if self._unanswered():
                    await self._press(self._turn)
                return
            if self._acting and prompt.says_the_same_as(self._seen):
                self._seen = prompt
                return
        self._seen = prompt
        self._turn += 1
        self._pressed_s = None
        mine = self._turn
        self._acting = True
        try:
            await self._do(prompt, mine)
        finally:
            if self._turn == mine:
                self._acting = False

    async def _do(self, prompt: Prompt, mine: int) -> None:
        bench, here = self._bench, prompt.spot or "reference"
        match prompt.action:
            case "lamp_off":
                if await self._reach(mine):
                    bench.switch_off(self._clock.monotonic())
            case "place_reference":
                await self._carry("reference", mine)
            case "strike":
                if (bench.stands_at("reference") or await self._carry("reference", mine)) and await self._reach(mine):
                    bench.strike(self._clock.monotonic())
            case "place_and_press":
                if await self._carry(here, mine):
                    await self._press(mine)
            case "press":
                await self._press(mine)
            case "read_anyway":
                if await self._reach(mine):
                    bench.foot_switch.press(self._clock.monotonic(), long=True, speed=self._speed)
            case "wait" | "begin" | "finished":
                pass

    async def _press(self, mine: int) -> None:
        self._pressed_s = None
        if await self._reach(mine):
            self._pressed_s = self._clock.monotonic()
            self._bench.foot_switch.press(self._pressed_s)

    def _unanswered(self) -> bool:
        """Whether the pedal was stepped on so long ago that the prompt should be another by now."""
        return self._pressed_s is not None and self._clock.monotonic() - self._pressed_s >= PRESS_AGAIN_S

    async def _carry(self, where: str, mine: int) -> bool:
        if not await self._reach(mine):
            return False
        self._bench.place_sensor(where, self._clock.monotonic())
        return True

    async def _reach(self, mine: int) -> bool:
        """Take a person's time; tell whether the prompt still stands afterwards."""
        plan = self._bench.scenario.operator
        await self._clock.sleep(float(self._delays.uniform(plan.shortest_s, plan.longest_s)))
        return self._turn == mine
