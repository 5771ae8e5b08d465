"""The sensor post: where the light sensors stand, since when, and what stands in their light.

Both light instruments look through heads mounted on one post that the operator carries from spot to spot. Each time
it is put down it lands a little off its mark, and the operator's arm and shadow leave only after a few seconds. A
scenario can also leave a hand or a leaf over it until it is put down again.

What the post knows is a list of *stands*: from an instant on, so much light (per unit of what the lamp gives) at such
an angle. Instruments follow that list with their own lag.
"""

import math
from dataclasses import dataclass

import numpy as np

from .field import FieldPlan, GridPlan, incidence


@dataclass(frozen=True, slots=True, kw_only=True)
class Disturbance:
    """Something stands in the light of ``spot`` the ``visit``-th time the post is put there (counted from 1)."""

    spot: str
    visit: int = 1
    factor: float = 0.85


@dataclass(frozen=True, slots=True, kw_only=True)
class PostPlan:
    """How well the post is put down.

    Attributes:
        position_m: Standard deviation of its place, in x and in y.
        lift_m: Standard deviation of its height.
        shadow_factor: Light that is left while the operator leans over.
        shadow_s: How long that lasts; each time between half and the whole of it.
        aside_m: Where "aside" is: so far off the grid's middle in x.
    """

    position_m: float = 0.003
    lift_m: float = 0.001
    shadow_factor: float = 0.7
    shadow_s: float = 6.0
    aside_m: float = 0.9


@dataclass(frozen=True, slots=True)
class Stand:
    """From ``since_s`` on, the heads see ``ppfd_umol`` when the lamp gives all its light, at ``angle_rad``."""

    since_s: float
    ppfd_umol: float
    angle_rad: float


class SensorPost:
    """The post and its history; ``hangs_low_m`` is by how much the lamp hangs lower than it should."""

    def __init__(
        self,
        plan: PostPlan,
        grid: GridPlan,
        field: FieldPlan,
        disturbances: tuple[Disturbance, ...],
        generator: np.random.Generator,
        *,
        hangs_low_m: float = 0.0,
    ) -> None:
        self._hangs_low_m = hangs_low_m
        self._plan = plan
        self._grid = grid
        self._field = field
        self._factors = {(each.spot, each.visit): each.factor for each in disturbances}
        self._generator = generator
        self._visits: dict[str, int] = {}
        self._moved_s = -math.inf
        self._factor = 1.0
        self.where = "aside"
        self.stands: list[Stand] = []
        self._put(-math.inf, shadow_s=0.0)

    def visits(self, where: str) -> int:
        """How often the post has been put at a place."""
        return self._visits.get(where, 0)

    def place(self, where: str, now_s: float) -> None:
        """Put the post on a spot, on ``"reference"`` (which is one of the spots), or ``"aside"``.

        Raises:
            ValueError: There is no such spot, or time has gone back.
        """
        if where == "reference":
            where = self._grid.reference
        if where != "aside":
            self._grid.position_m(where)
        self._check(now_s)
        self.where = where
        self._visits[where] = self._visits.get(where, 0) + 1
        self._factor = self._factors.get((where, self._visits[where]), 1.0)
        self._put(now_s, shadow_s=self._shadow_s())

    def bump(self, now_s: float) -> None:
        """Knock against the post: it stands where it stood, a little differently, with an arm over it for a while."""
        self._check(now_s)
        self._put(now_s, shadow_s=self._shadow_s())

    def _check(self, now_s: float) -> None:
        if now_s < self._moved_s:
            raise ValueError(f"the post was last moved at {self._moved_s} s, after {now_s} s")

    def _shadow_s(self) -> float:
        return self._plan.shadow_s * float(self._generator.uniform(0.5, 1.0))

    def _put(self, now_s: float, *, shadow_s: float) -> None:
        off = self._generator.standard_normal(3)
        x_m, y_m = (self._plan.aside_m, 0.0) if self.where == "aside" else self._grid.position_m(self.where)
        light = incidence(
            self._field,
            x_m + self._plan.position_m * float(off[0]),
            y_m + self._plan.position_m * float(off[1]),
            self._hangs_low_m + self._plan.lift_m * float(off[2]),
        )
        clear = light.ppfd_umol * self._factor
        self._moved_s = now_s
        # moved before the last shadow was gone: the stand that would have followed never comes
        while self.stands and self.stands[-1].since_s > now_s:
            self.stands.pop()
        if shadow_s > 0.0:
            self.stands.append(Stand(now_s, clear * self._plan.shadow_factor, light.angle_rad))
        self.stands.append(Stand(now_s + shadow_s, clear, light.angle_rad))
