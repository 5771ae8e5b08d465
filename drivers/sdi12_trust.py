"""SDI-12: which answers are still awaited, and so whether the next one may be believed.

``sdi12_sensor.py`` says why. Knows no link: it is told what was asked and what came, and when.
"""

import math
from enum import Enum, auto
from typing import Final

from .codecs.sdi12 import Response

# So long after an unanswered question its answer may still overtake nobody knows what; gateways give up on a device
# within seconds (common practice, no source).
SUSPECT_S: Final = 10.0
# Names are counted off longer, since a single one restores trust. Lost ones are waited for in vain only where a
# measurement fails right after; then this is the longest time without readings (common practice, no source).
NAME_AWAITED_S: Final = 30.0
NAME: Final = "I"
"""Question for the name."""
PRESENCE: Final = ""
"""Question whether the sensor is there, answered with the bare address."""


class Shape(Enum):
    """What a response looks like, whatever was asked."""

    BARE = auto()
    NAME = auto()
    ANNOUNCEMENT = auto()
    VALUES = auto()
    OTHER = auto()


# What no answer to a question looks like, by the question's first letter. A bare address may answer any but that for
# the name: it declines, or tells that a measurement was aborted.
STRAY: Final = {
    NAME: frozenset({Shape.BARE, Shape.ANNOUNCEMENT, Shape.VALUES}),
    PRESENCE: frozenset({Shape.NAME, Shape.ANNOUNCEMENT, Shape.VALUES}),
    "M": frozenset({Shape.NAME, Shape.VALUES}),
    "C": frozenset({Shape.NAME, Shape.VALUES}),
    "D": frozenset({Shape.NAME, Shape.ANNOUNCEMENT}),
    "R": frozenset({Shape.NAME, Shape.ANNOUNCEMENT}),
}
MEASURED: Final = frozenset({Shape.ANNOUNCEMENT, Shape.VALUES})
"""What only a question for a measurement brings."""


def shape_of(response: Response) -> Shape:
    """What a response looks like: values have a sign, announcements only digits."""
    body = response.body
    if not body:
        return Shape.BARE
    if body[0] in "+-":
        return Shape.VALUES
    if len(body) in {4, 5} and body.isdigit():
        return Shape.ANNOUNCEMENT
    # 4.4.2: version, maker, model and firmware are always there.
    return Shape.NAME if len(body) >= 19 and body[:2].isdigit() else Shape.OTHER


class Trust:
    """Which answers are still awaited on a line, as far as that decides whether the next one is believed."""

    def __init__(self) -> None:
        self.is_lost = False
        """Whether a measurement's answer is awaited that no name has followed yet."""
        self._suspect_until_s = -math.inf
        # When the sensor was asked whether it is there, and has not answered.
        self._presence_s: list[float] = []
        # When the names were asked for that have not come: before the last unanswered measurement, and since.
        self._before_s: list[float] = []
        self._since_s: list[float] = []

    def is_suspect(self, now_s: float) -> bool:
        """Whether an answer may come that fresh ones have overtaken."""
        return self.is_lost or now_s < self._suspect_until_s

    def is_bare_awaited(self, now_s: float) -> bool:
        """Whether a bare address may be the late answer to a question for presence, and so none to another."""
        self._presence_s = [asked_s for asked_s in self._presence_s if asked_s >= now_s - SUSPECT_S]
        return bool(self._presence_s)

    def presence_asked(self, now_s: float) -> None:
        """It was asked whether the sensor is there."""
        self._presence_s.append(now_s)

    def came(self, shape: Shape, now_s: float) -> None:
        """A response came that answers a question for name or presence, or none that was asked last."""
        if shape is Shape.NAME:
            self._name_came(now_s)
        elif shape is Shape.BARE:
            del self._presence_s[:1]
        elif shape in MEASURED:
            self._suspect_until_s = now_s + SUSPECT_S

    def name_asked(self, now_s: float) -> None:
        """A name was asked for."""
        self._since_s.append(now_s)
        while self._since_s[0] < now_s - NAME_AWAITED_S:
            del self._since_s[0]

    def _name_came(self, now_s: float) -> None:
        # It is that which was asked for first and has not come.
        self._before_s = [asked_s for asked_s in self._before_s if asked_s >= now_s - NAME_AWAITED_S]
        if self._before_s:
            del self._before_s[0]
            return
        del self._since_s[:1]
        self.is_lost = False

    def unanswered(self, now_s: float) -> None:
        """A measurement's question got no answer, or one that makes no sense."""
        self.is_lost = True
        self._suspect_until_s = now_s + SUSPECT_S
        self._before_s += self._since_s
        self._since_s = []

    def answered(self) -> None:
        """A measurement's question was answered; names that were asked for before it come no more."""
        if not self.is_lost:
            self._before_s.clear()
            self._since_s.clear()
