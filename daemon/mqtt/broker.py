"""The embedded broker: amqtt on a thread and loop of its own, on loopback, for a bench without a network.

It speaks MQTT 3.1.1 and keeps nothing for readers that are not there; ``listen --since`` fills such gaps from the
journal. In earnest a bench uses Mosquitto or any other broker (``[broker]``).
"""

import asyncio
import logging
import threading
from typing import Final

from ...protocol.errors import BrokerError

HOST: Final = "127.0.0.1"
START_BOUND_S: Final = 10.0
"""Longest wait for the listener; it takes some tens of milliseconds."""
STOP_BOUND_S: Final = 0.8
PLACES: Final = 50
"""Connections at once: the daemon, a few readers and tools, and room; each costs some tens of kilobytes."""
CONNECT_BOUND_S: Final = 10.0
"""From the connection to the end of CONNECT, "a reasonable amount of time" (MQTT 3.1.1, 3.1); a slow link takes two."""


class EmbeddedBroker:
    """An MQTT broker that lives as long as its ``with`` block."""

    def __init__(
        self,
        port: int,
        *,
        host: str = HOST,
        login: tuple[str, str] | None = None,
        places: int = PLACES,
        connect_bound_s: float = CONNECT_BOUND_S,
    ) -> None:
        """Prepare.

        Args:
            port: To listen on.
            host: Address to listen on; the configuration sees to it that any but loopback has a login.
            login: User name and password that every client must give; None lets all in.
            places: Connections at once.
            connect_bound_s: Longest time that a client may take to introduce itself.
        """
        self._port = port
        self._host = host
        self._login = login
        self._places = places
        self._connect_bound_s = connect_bound_s
        self._ready = threading.Event()
        self._stop: asyncio.Event | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._failure: str | None = None
        self._thread = threading.Thread(target=self._run, name="embedded broker", daemon=True)

    def __enter__(self) -> "EmbeddedBroker":
        """Start it and wait until it listens.

        Raises:
            BrokerError: The port cannot be had.
        """
        # amqtt tells of each packet it meets on loggers of its own; a technician has no use for it.
        for name in ("amqtt", "transitions"):
            logging.getLogger(name).setLevel(logging.CRITICAL)
        self._thread.start()
        if not self._ready.wait(START_BOUND_S):
            self._failure = f"did not start within {START_BOUND_S:g} s"
        if self._failure is not None:
            raise BrokerError(
                f"the embedded broker cannot start: {self._failure}",
                where=f"{self._host}:{self._port}",
                mend="choose another port ([embedded_broker] port), or stop what uses it",
            )
        return self

    def __exit__(self, *_: object) -> None:
        """Stop it, within a bound; a thread that hangs is a daemon thread and cannot hold the program."""
        if self._loop is not None and self._stop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join(STOP_BOUND_S)

    def _run(self) -> None:
        try:
            asyncio.run(self._serve())
        except Exception as error:  # noqa: BLE001 - the thread's last words; the starter raises them
            self._failure = str(error) or type(error).__name__
        self._ready.set()

    async def _serve(self) -> None:
        from .broker_manners import MannerlyBroker  # noqa: PLC0415 - amqtt: a second to import, needed by few

        self._loop = asyncio.get_running_loop()
        self._stop = asyncio.Event()
        bind = f"[{self._host}]:{self._port}" if ":" in self._host else f"{self._host}:{self._port}"
        plugins: dict[str, dict[str, object]] = {
            "amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}
        }
        if self._login is not None:
            username, password = self._login
            plugins = {f"{__package__}.broker_login.LoginPlugin": {"username": username, "password": password}}
        broker = MannerlyBroker(
            {
                "listeners": {"default": {"type": "tcp", "bind": bind}},
                "timeout_disconnect_delay": 2,
                "plugins": plugins,
            },
            places=self._places,
            connect_bound_s=self._connect_bound_s,
        )
        await broker.start()
        self._ready.set()
        await self._stop.wait()
        await broker.shutdown()
