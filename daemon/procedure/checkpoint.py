"""What is stored with every step, and what it means to a daemon that comes back."""

from dataclasses import replace
from datetime import datetime
from typing import Final

from ...protocol.clock import Clock
from ...protocol.quantity import Frozen
from ..clock import boot_id
from ..lamp import LampCondition
from ..lamp import shifted as lamp_shifted
from .progress import Progress
from .progress import shifted as progress_shifted

UNKNOWN_GAP_S: Final = 1e6
"""Eleven days: longer than any lamp needs to cool down."""


class Checkpoint(Frozen):
    """A test as it stood at a moment of bench time."""

    boot: str
    monotonic_s: float
    utc: datetime
    synchronised: bool = False
    progress: Progress
    lamp: LampCondition

    @classmethod
    def now(cls, progress: Progress, lamp: LampCondition, clock: Clock) -> "Checkpoint":
        """At this moment."""
        return cls(
            boot=boot_id(),
            monotonic_s=clock.monotonic(),
            utc=clock.utc(),
            synchronised=clock.synchronised,
            progress=progress,
            lamp=lamp,
        )


def is_of_this_boot(checkpoint: Checkpoint, clock: Clock, *, boot: str | None = None) -> bool:
    """Whether its times are times of this boot. Two boots that cannot be named are not known to be one.

    Args:
        checkpoint: As it was stored.
        clock: Bench time now.
        boot: Identity of this boot; None: the machine's.
    """
    boot = boot_id() if boot is None else boot
    return boot != "" and checkpoint.boot == boot and checkpoint.monotonic_s <= clock.monotonic()


def told_in_this_boot(
    checkpoint: Checkpoint, clock: Clock, *, boot: str | None = None
) -> tuple[Progress, LampCondition]:
    """Test and lamp with their times in this boot's bench time.

    Within one boot they stand. After another boot bench time has another origin, and the system clock says how much has
    passed meanwhile. It can be believed if it was synchronised then and is now. If not, nobody knows how long the lamp
    was out of sight, and its burn is not believed.
    """
    if is_of_this_boot(checkpoint, clock, boot=boot):
        return checkpoint.progress, checkpoint.lamp
    now_s = clock.monotonic()
    away_s = (clock.utc() - checkpoint.utc).total_seconds()
    by_s = now_s - (checkpoint.monotonic_s + max(0.0, away_s))
    progress, lamp = progress_shifted(checkpoint.progress, by_s), lamp_shifted(checkpoint.lamp, by_s)
    if not (checkpoint.synchronised and clock.synchronised and away_s >= 0) and lamp.seen_s is not None:
        lamp = replace(lamp, seen_s=now_s - UNKNOWN_GAP_S)
    return progress, lamp
