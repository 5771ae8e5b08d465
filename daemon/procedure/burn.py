"""The lamp as the power meter shows it, and what it burns: counted for the lamp of the test that struck it.

A burn belongs to one lamp from its strike on, over the end of its test and a restart of the daemon, until the arc is
lost or another test begins under it. Each part of it is counted once, as a record of its own, for the lamp register.
"""

from dataclasses import replace
from typing import Final

from ...protocol.records import EventRecord, Record
from ...protocol.setup import LampSetup
from ..config import ProcedureTable
from ..lamp import GAP_S, LampCondition, LampEvent, LampLimits, step
from ..lamp import steadied as steadied_condition
from ..stamp import Stamp
from .progress import Progress

NO_TEST_LIT_W: Final = 10.0
"""Without a test the lamp's rating is not known; any lamp under test draws more than this."""


class Burn:
    """The condition of the lamp, and the count of its burn."""

    def __init__(self, procedure: ProcedureTable, stamp: Stamp) -> None:
        self._procedure = procedure
        self._stamp = stamp
        self._limits_of: LampSetup | None = None
        self._limits = LampLimits(NO_TEST_LIT_W, 0.0)
        self.condition = LampCondition()

    def seen(
        self, time_s: float, power_w: float, progress: Progress | None
    ) -> list[tuple[LampEvent, tuple[Record, ...]]]:
        """Take in a sample of the power meter; what became of the lamp, each with what it had burnt before."""
        before = self.condition
        unseen = before.seen_s is not None and time_s - before.seen_s > GAP_S
        burnt_until_s = before.seen_s if unseen and before.seen_s is not None else time_s
        self.condition, events = step(before, time_s, power_w, self._limits_for(progress))
        found: list[tuple[LampEvent, tuple[Record, ...]]] = []
        for event in events:
            counted: tuple[Record, ...] = ()
            if event is LampEvent.BURN_DOUBTED or event is LampEvent.LOST:
                counted = self._counted(before, burnt_until_s)
            if event is LampEvent.STRUCK:
                self._begin(time_s, progress, start_counted=False)
            elif event is LampEvent.BURN_DOUBTED:
                self._begin(time_s, progress, start_counted=before.burn_of is not None)
            found.append((event, counted))
        return found

    def steadied(self) -> None:
        """The warm-up gate has opened for this burn."""
        self.condition = steadied_condition(self.condition)

    def hand_on(self, now_s: float, progress: Progress) -> tuple[Record, ...]:
        """A lamp that burns already is the new test's from here on: what it burnt so far is the former lamp's.

        Those hours are in what is stated of the lamp now.
        """
        before = self.condition
        if not before.burning:
            return ()
        self._begin(now_s, progress, start_counted=before.burn_of is not None)
        goes_on = f"; what it burns from here on is counted for {progress.setup.lamp}"
        return self._counted(before, now_s, goes_on=goes_on)

    def count_so_far(self, now_s: float) -> tuple[Record, ...]:
        """Count what a lamp that still burns has burnt so far; the rest is counted when it goes out."""
        before = self.condition
        if not before.burning:
            return ()
        self.condition = replace(before, counted_from_s=now_s, start_counted=True)
        return self._counted(before, now_s, goes_on=", and burns on")

    def _limits_for(self, progress: Progress | None) -> LampLimits:
        """Of the lamp that is tested; worked out when it changes, not at every sample."""
        setup = None if progress is None else progress.setup
        if setup is not self._limits_of:
            self._limits_of, self._limits = setup, LampLimits(NO_TEST_LIT_W, 0.0)
            if setup is not None:
                procedure = self._procedure
                self._limits = LampLimits.of(setup, procedure.lit_power_fraction, procedure.cool_down_s)
        return self._limits

    def _counted(self, burn: LampCondition, until_s: float, *, goes_on: str = "") -> tuple[Record, ...]:
        """What a lamp burnt since it was counted last, by the power meter.

        Args:
            burn: Before what ends it, or cuts it in two.
            until_s: Bench time up to which it is counted.
            goes_on: What is said of an arc that burns on; empty: the burn has ended.
        """
        if burn.burn_of is None or burn.counted_from_s is None or not burn.burning:
            return ()
        burnt_s = max(0.0, until_s - burn.counted_from_s)
        record = EventRecord(
            **self._stamp.record(test_id=burn.burn_test),
            event="burn_counted" if goes_on else "burn_ended",
            text=f"lamp {burn.burn_of} burnt for {burnt_s / 60:.1f} min{' so far' if goes_on else ''}{goes_on}",
            details={"lamp": burn.burn_of, "burnt_s": burnt_s, "start": not burn.start_counted},
        )
        return (record,)

    def _begin(self, time_s: float, progress: Progress | None, *, start_counted: bool) -> None:
        """From here on the burn is counted for the lamp of the running test, or for nobody."""
        test = None if progress is None or progress.over else progress
        self.condition = replace(
            self.condition,
            burn_of=None if test is None else test.setup.lamp,
            burn_test=None if test is None else test.test_id,
            counted_from_s=time_s,
            start_counted=start_counted,
        )
