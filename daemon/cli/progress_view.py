"""A test as it goes, in the terminal: events as lines, the prompt and the spots below them. Rings the bell."""

import json
from typing import Final, Self

from rich.console import Console
from rich.live import Live
from rich.text import Text

from ...protocol.records import StatusMessage

BELLS: Final = {"accepted": 1, "confirmed": 1, "doubtful": 2, "doubtful_in_hindsight": 2, "stays_doubtful": 2}
"""One stroke for a spot that was accepted, two for one that is doubtful; never the only signal."""
QUIET: Final = ("press_accepted",)
_BAR: Final = 24


class ProgressView:
    """Shows on a terminal; on anything else it prints the events as plain lines."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._live = Live(console=console, auto_refresh=False, transient=True)

    def __enter__(self) -> Self:
        """Begin to show."""
        if self._console.is_terminal:
            self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Leave the events on the screen and take the rest away."""
        self._live.stop()

    def event(self, text: str) -> None:
        """Show an event record (JSON)."""
        body = json.loads(text)
        kind = str(body.get("event"))
        if kind in QUIET:
            return
        line = Text(f"{str(body.get('time'))[11:19]}  ", style="dim")
        line.append(str(body.get("text")), style="bold" if "doubt" in kind or "held" in kind else "")
        self._console.print(line, highlight=False)
        if self._console.is_terminal:
            for _ in range(BELLS.get(kind, 0)):
                self._console.bell()

    def status(self, status: StatusMessage) -> None:
        """Show a status."""
        if not self._console.is_terminal:
            return
        done = 0 if status.spots_total == 0 else round(_BAR * status.spots_done / status.spots_total)
        line = Text(f"[{'■' * done}{'·' * (_BAR - done)}] {status.spots_done}/{status.spots_total}  ")
        if status.prompt is not None:
            line.append(status.prompt.text, style="bold")
        self._live.update(line, refresh=True)
