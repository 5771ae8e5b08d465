"""Nobody is shown a reading as taken before it is on disk, however long the disk takes. In virtual time."""

from collections.abc import Sequence
from dataclasses import replace

import pytest
from lampwarden.daemon.store.journal import Entry, Journal, JournalFile
from lampwarden.protocol.errors import JournalError
from lampwarden.protocol.records import Record, SpotRecord
from lampwarden.simulators.scenario import Scenario
from support.virtual_bench import SMALL, VirtualBench, run_bench

pytestmark = [pytest.mark.slow, pytest.mark.timeout(120)]

REFUSED = 30
"""Times that the disk does not take a reading; it is tried again each second."""


class FullFile(JournalFile):
    """A disk that has no room when the second reading of a spot comes, until somebody makes some."""

    spots = 0
    refusals = 0

    def commit(self, entries: Sequence[Entry]) -> list[list[Record]]:
        spots = sum(isinstance(r, SpotRecord) and r.leg == "spot" for entry in entries for r in entry.records)
        if spots and self.spots == 1 and self.refusals < REFUSED:
            self.refusals += 1
            raise JournalError("the disk is full")
        self.spots += spots
        return super().commit(entries)


def test_a_spot_that_a_full_disk_has_not_taken_counts_for_nobody() -> None:
    seen: list[tuple[int, int, int]] = []
    files: list[FullFile] = []

    def journal(bench_id: str) -> Journal:
        files.append(FullFile(None, bench_id))
        return Journal(files[-1], in_line=True)

    async def look(bench: VirtualBench) -> None:
        """As a panel does that is opened now, or a broker that comes back."""
        while files[0].spots < 2:
            await bench.clock.sleep(0.5)
            assert bench.service is not None
            conductor = bench.service.conductor
            shown = 0 if conductor.told is None else conductor.told.spots_done()
            seen.append((files[0].spots, shown, conductor.status(online=True).spots_done))

    outcome = run_bench(replace(Scenario.demo(), grid=SMALL, sags=(), disturbances=()), script=look, journal=journal)
    assert files[0].refusals == REFUSED
    assert {(on_disk, shown, told) for on_disk, shown, told in seen if max(shown, told) > on_disk} == set()
    assert outcome.last_state == "done"
    assert any(on_disk == shown == told == 1 for on_disk, shown, told in seen)
