"""Sounds on the PC: the terminal's bell, told apart by the number of strokes. Never the only sign."""

from typing import Final

from rich.console import Console

from ..procedure.events import Tone

STROKES: Final = {Tone.ACCEPTED: 1, Tone.DOUBTFUL: 2, Tone.HOLD: 2, Tone.NOT_YET: 3, Tone.FINISHED: 4}
"""A terminal has one pitch and often runs strokes together: the text beside it says what is meant."""

OF_EVENTS: Final = {
    "accepted": Tone.ACCEPTED,
    "confirmed": Tone.ACCEPTED,
    "doubtful": Tone.DOUBTFUL,
    "doubtful_in_hindsight": Tone.DOUBTFUL,
    "stays_doubtful": Tone.DOUBTFUL,
    "gate_held": Tone.HOLD,
    "gate_overdue": Tone.HOLD,
    "settling_again": Tone.HOLD,
    "attempt_voided": Tone.HOLD,
    "arc_lost": Tone.HOLD,
    "test_finished": Tone.FINISHED,
}
"""Which tone an event has, for those who only see records."""


class Bell:
    """Rings on a terminal; elsewhere it is silent."""

    def __init__(self, console: Console) -> None:
        self._console = console

    def tone(self, tone: Tone) -> None:
        """Ring a tone."""
        if self._console.is_terminal:
            for _ in range(STROKES[tone]):
                self._console.bell()

    def event(self, event: str) -> None:
        """Ring for an event's kind, if it has a tone."""
        tone = OF_EVENTS.get(event)
        if tone is not None:
            self.tone(tone)
