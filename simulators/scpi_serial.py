"""A SCPI instrument on a serial line: program messages end with NL, and so do its answers.

One answer waits for the one before it. A message that is too long is dropped with an error; a break empties what has
arrived of one, as the device clear of IEEE 488.1 would.
"""

from .device import Outgoing
from .scpi import ScpiInstrument

LONGEST_MESSAGE = 64 * 1024
TURNAROUND_S = 0.005
"""Time a small controller takes before it answers (common practice, no source)."""


class SerialInstrument:
    """A :class:`~.device.SerialDevice` around an instrument's command language."""

    def __init__(self, commands: ScpiInstrument) -> None:
        self.commands = commands
        self._incoming = bytearray()
        self._free_s = 0.0

    def receive(self, data: bytes, now_s: float) -> list[Outgoing]:
        """Carry out each message that is whole."""
        self._incoming += data
        out = []
        while (end := self._incoming.find(b"\n")) >= 0:
            message = bytes(self._incoming[:end]).decode("ascii", "replace").rstrip("\r")
            del self._incoming[: end + 1]
            reply = self.commands.execute(message, now_s)
            if reply is not None:
                self._free_s = max(self._free_s, now_s, reply.ready_s) + TURNAROUND_S
                out.append(Outgoing(self._free_s, reply.data + b"\n"))
        if len(self._incoming) > LONGEST_MESSAGE:
            self._incoming.clear()
            self.commands.status.raise_error(-363)
        return out

    def line_break(self, now_s: float) -> list[Outgoing]:
        """Forget half a message."""
        del now_s
        self._incoming.clear()
        return []
