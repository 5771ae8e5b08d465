"""What the bench does by itself, where whole tests do not go: a device that fails between two commands."""

from typing import Any, cast

import numpy as np
import pytest
from lampwarden.daemon.procedure.jobs import Bench
from lampwarden.daemon.samples import Readings
from lampwarden.daemon.stations import SpectrometerStation
from lampwarden.daemon.store.journal import Journal, JournalFile
from lampwarden.protocol.errors import LinkError, LinkFault
from support.benches import SetClock, bench_config, stamp


class FailingCamera:
    """Its shutter moves; an exposure with the shutter closed is never answered."""

    def __init__(self) -> None:
        self.shutter: list[bool] = []

    async def shut(self, *, is_open: bool) -> None:
        self.shutter.append(is_open)

    async def capture(self, integration_s: float, averages: int) -> Any:
        if not self.shutter[-1]:
            raise LinkError(LinkFault.SILENT, "no answer")
        return np.zeros(3)


async def test_a_dark_that_fails_leaves_the_shutter_open() -> None:
    """Behind a closed shutter every later spectrum would be dark, and nobody would say why."""
    clock = SetClock()
    journal = Journal(JournalFile(None, "north-house"), in_line=True)
    bench = Bench(bench_config(), clock, journal, Readings(), stamp(clock))
    camera = FailingCamera()
    with pytest.raises(LinkError):
        await bench._shut_and_capture(cast("SpectrometerStation", camera), 0.1, 16)
    assert camera.shutter == [False, True]
    await journal.close()
