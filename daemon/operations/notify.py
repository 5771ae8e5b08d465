"""Tells systemd how the daemon is: ready, stopping, and alive (sd_notify(3), the protocol itself: a datagram).

The watchdog's ping goes out only while the bench is alive: a daemon whose event loop turns but whose conductor is stuck
(a disk that never answers, a fault of ours) is not, and systemd starts it anew. Without systemd all of this does
nothing.
"""

import math
import os
import socket
from collections.abc import Callable, Mapping
from typing import Final

from ..clock import wire_sleep

PINGS_IN_TIME: Final = 3
"""Pings within the time after which systemd acts (sd_watchdog_enabled(3) advises half; a third leaves room)."""
STATUS_EVERY_S: Final = 2.0
"""How often the status line is told, and the watchdog where it is due no sooner."""


class Notifier:
    """The way to the service manager, if there is one."""

    def __init__(self, environ: Mapping[str, str] = os.environ) -> None:
        """Find out whether somebody listens.

        Args:
            environ: ``NOTIFY_SOCKET``, ``WATCHDOG_USEC`` and ``WATCHDOG_PID`` of it are read.
        """
        name = environ.get("NOTIFY_SOCKET", "")
        # A leading @ stands for the abstract namespace (unix(7)).
        self._address = "\0" + name[1:] if name.startswith("@") else name
        ours = environ.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        microseconds = environ.get("WATCHDOG_USEC", "")
        self.watchdog_s = int(microseconds) / 1e6 if ours and microseconds.isdigit() else None

    @property
    def wanted(self) -> bool:
        """Whether somebody listens."""
        return self._address != ""

    def send(self, **fields: str) -> None:
        """Send fields such as ``READY="1"``; whoever does not listen is not waited for."""
        if not self.wanted:
            return
        message = "\n".join(f"{key}={' '.join(value.split())}" for key, value in fields.items())
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC | socket.SOCK_NONBLOCK) as out:
            try:
                out.sendto(message.encode(), self._address)
            except OSError:
                return

    async def keep_telling(self, alive: Callable[[], bool], status: Callable[[], str]) -> None:
        """Say that we are ready, then that we are alive, for as long as we are; runs until cancelled."""
        if not self.wanted:
            return
        self.send(READY="1", STATUS=status())
        every_s = min(STATUS_EVERY_S, math.inf if self.watchdog_s is None else self.watchdog_s / PINGS_IN_TIME)
        try:
            while True:
                await wire_sleep(every_s)
                fields = {"STATUS": status()}
                if self.watchdog_s is not None and alive():
                    fields["WATCHDOG"] = "1"
                self.send(**fields)
        finally:
            self.send(STOPPING="1", STATUS="stopping")
