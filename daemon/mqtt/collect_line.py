"""The collector's way to a broker: a session that outlives it, and acknowledgements only for what is safe.

paho acknowledges a message when its callback returns, which is before it is on disk; so acknowledging is taken over
(``manual_ack``), and the broker is told how many unacknowledged messages we take (Receive Maximum), which bounds
memory.
"""

import asyncio
import logging
import random
from collections.abc import Callable
from typing import Final, Protocol

import aiomqtt
import paho.mqtt.client as paho

from ...protocol.errors import BrokerError
from ...protocol.topics import ROOT
from ..clock import wire_sleep
from .address import BrokerAddress
from .connection import Connection, ConnectionFailedError, failures_in
from .reasons import UNSUPPORTED_PROTOCOL, plain

log = logging.getLogger("lampwarden.collect")

IN_HAND: Final = 500
"""Messages taken and not yet stored: at 99 kB for a spectrum 50 MB at the very most."""
SESSION_EXPIRY_S: Final = 30 * 24 * 3600
"""How long the broker keeps what comes while the collector is away."""
FIRST_BACK_OFF_S: Final = 0.5
LONGEST_BACK_OFF_S: Final = 30.0
STABLE_S: Final = 10.0
"""A connection that lived this long was a good one: the next loss is answered quickly again, and told."""


class Taker(Protocol):
    """Who takes messages in."""

    def begin_connection(self) -> None:
        """What was not acknowledged comes again."""
        ...

    def take(self, topic: str, payload: bytes, mid: int, qos: int) -> None:
        """One message; must return at once."""
        ...

    async def store_all(self, acknowledge: Callable[[int, int], None]) -> None:
        """Store what comes and acknowledge it (packet id, QoS), until cancelled."""
        ...


class CollectConnection(Connection):
    """A connection that hands over messages as they come and acknowledges them when told."""

    session_expiry_s = SESSION_EXPIRY_S
    receive_maximum = IN_HAND - 100
    begins_clean = False

    def __init__(self, address: BrokerAddress, client_id: str, protocol: aiomqtt.ProtocolVersion, taker: Taker) -> None:
        super().__init__(address, client_id, protocol)
        self._client.manual_ack_set(True)
        self._taker = taker

    def acknowledge(self, mid: int, qos: int) -> None:
        """The message is safe here."""
        if qos > 0 and not self._disconnected.done():
            self._client.ack(mid, qos)

    def _on_message(self, client: paho.Client, userdata: object, message: paho.MQTTMessage) -> None:  # noqa: ARG002  paho calls it
        self._taker.take(str(message.topic), bytes(message.payload), message.mid, message.qos)


class CollectLine:
    """Keeps a connection for as long as it takes."""

    def __init__(self, address: BrokerAddress, client_id: str, benches: tuple[str, ...], taker: Taker) -> None:
        self._address = address
        self._client_id = client_id
        self._filters = tuple(f"{ROOT}/{bench}/#" for bench in benches)
        self._taker = taker

    async def run(self) -> None:
        """Run until cancelled.

        Raises:
            BrokerError: The broker lets us in and refuses what we want to read.
        """
        back_off_s = FIRST_BACK_OFF_S
        version = aiomqtt.ProtocolVersion.V311 if self._address.protocol == "3.1.1" else aiomqtt.ProtocolVersion.V5
        link = CollectConnection(self._address, self._client_id, version, self._taker)
        told = ""
        while True:
            failures: list[ConnectionFailedError] = []
            began_s = asyncio.get_running_loop().time()
            try:
                await self._session(link)
            except* ConnectionFailedError as group:
                failures += failures_in(group)
            failure = failures[0] if failures else ConnectionFailedError("the connection broke")
            code = failure.code
            if asyncio.get_running_loop().time() - began_s > STABLE_S:
                back_off_s, told = FIRST_BACK_OFF_S, ""
            if link.is_5 and self._address.protocol == "auto" and code in UNSUPPORTED_PROTOCOL:
                link = CollectConnection(self._address, self._client_id, aiomqtt.ProtocolVersion.V311, self._taker)
                continue
            if str(failure) != told:
                log.warning("broker %s: %s; it is tried again", self._address, failure)
                told = str(failure)
            await wire_sleep(back_off_s * random.uniform(0.5, 1.0))  # noqa: S311 - jitter needs no secret
            back_off_s = min(2 * back_off_s, LONGEST_BACK_OFF_S)

    async def _session(self, link: CollectConnection) -> None:
        self._taker.begin_connection()
        try:
            async with asyncio.TaskGroup() as group:
                # Before the broker sends: it may do so with its very answer to our greeting.
                group.create_task(self._taker.store_all(link.acknowledge), name="store")
                await link.open(None)
                for wanted in self._filters:
                    code = await link.listen(wanted, retained=True)
                    if code >= 0x80:
                        raise BrokerError(f"refuses {wanted}: {plain(code)}", where=str(self._address))
                log.info("broker %s: connected", self._address)
                raise ConnectionFailedError(await link.lost())
        except asyncio.CancelledError:
            await link.close(1.0)
            raise
        finally:
            link.drop()
