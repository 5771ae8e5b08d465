"""What the embedded broker does otherwise than amqtt 0.11 and 0.12, and why.

Only the steps named here are replaced; ``tests/daemon/test_embedded_broker.py`` fails where a later amqtt has others.
To be imported late: amqtt takes a second.
"""

import asyncio
import contextlib
import logging
from contextvars import ContextVar
from typing import TYPE_CHECKING, Final

from amqtt.adapters import ReaderAdapter, StreamReaderAdapter, StreamWriterAdapter, WriterAdapter
from amqtt.broker import Broker
from amqtt.errors import MQTTError

if TYPE_CHECKING:
    from amqtt.mqtt.protocol.broker_handler import BrokerProtocolHandler
    from amqtt.session import Session

log = logging.getLogger("lampwarden.broker")

CONNECT: Final = 0x10
"""First byte of the first packet; MQTT 3.1.1, 3.1.1, and MQTT 5.0, 3.1.1."""
LENGTH_BYTES: Final = 4
"""Most bytes of a remaining length; MQTT 3.1.1, 2.2.3."""
MORE: Final = 0x80
"""Bit of such a byte that says that another follows; ibidem."""
LEVELS: Final = {b"MQTT": "MQTT", b"MQIsdp": "MQTT 3.1"}
"""Protocol names: MQTT 3.1.1, 3.1.2.1, and of MQTT 3.1."""
LEVEL_311: Final = 4
LEVEL_5: Final = 5
REFUSED_3: Final = bytes((0x20, 2, 0, 1))
"""CONNACK, unacceptable protocol version; MQTT 3.1.1, 3.2.2.3."""
REFUSED_5: Final = bytes((0x20, 3, 0, 0x84, 0))
"""CONNACK, unsupported protocol version, no properties; MQTT 5.0, 3.2.2.2."""

_subscribing: ContextVar[bool] = ContextVar("subscribing", default=False)
"""Whether the connection that this task serves is at a SUBSCRIBE."""


class _Reader(StreamReaderAdapter):  # type: ignore[misc]  # amqtt is not typed for us
    """Reads the head of the first packet ahead, and gives it again to amqtt."""

    def __init__(self, reader: asyncio.StreamReader) -> None:
        super().__init__(reader)
        self._ahead = b""

    async def look(self, count: int) -> bytes:
        """The next bytes, which stay to be read."""
        got = bytes(await super().read(count))
        self._ahead += got
        return got

    async def read(self, n: int = -1) -> bytes:
        """As amqtt has it, the bytes that were looked at first."""
        if n < 0:
            ahead, self._ahead = self._ahead, b""
            return ahead + bytes(await super().read(n))
        ahead, self._ahead = self._ahead[:n], self._ahead[n:]
        return ahead if len(ahead) == n else ahead + bytes(await super().read(n - len(ahead)))


class _Writer(StreamWriterAdapter):  # type: ignore[misc]  # amqtt is not typed for us
    """amqtt shuts its side down before it closes, which fails where the client has gone first."""

    async def close(self) -> None:
        """Close; a client that is gone is no error."""
        with contextlib.suppress(OSError):
            await super().close()


class MannerlyBroker(Broker):  # type: ignore[misc]  # amqtt is not typed for us
    """amqtt's broker, which refuses in words that the client knows and sends retained messages to those who ask.

    Nobody holds a place for nothing: a client that has not introduced itself in time is let go, and where all places
    are taken a further one waits as long and is turned away; amqtt would let either wait for ever.
    """

    def __init__(self, config: dict[str, object], *, places: int, connect_bound_s: float) -> None:
        """Prepare.

        Args:
            config: As amqtt has it.
            places: Connections at once.
            connect_bound_s: For the whole of CONNECT, however it is cut up; and for a place, before.
        """
        super().__init__(config)
        self._places = places
        self._connect_bound_s = connect_bound_s
        self._places_free = asyncio.Semaphore(places)
        self._here = 0
        self._told_full = False

    async def stream_connected(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, listener_name: str
    ) -> None:
        """Serve one connection to its end; amqtt leaves it open after some refusals, and the client waits for ever."""
        self._here += 1
        try:
            if not await self._has_place():
                return
            try:
                await self._client_connected(listener_name, _Reader(reader), _Writer(writer))
            finally:
                self._places_free.release()
        except asyncio.CancelledError:
            log.debug("embedded broker: stopped with a client connected")  # asyncio would log a traceback for it
        except Exception as error:  # noqa: BLE001 - what one client makes amqtt stumble over stops with its connection
            log.warning("embedded broker: a client's connection broke: %s", type(error).__name__)
        finally:
            self._here -= 1
            writer.close()

    async def _has_place(self) -> bool:
        """Wait for a place; as many as are served may, within a bound, and more are not even heard."""
        with contextlib.suppress(TimeoutError):
            if self._here <= 2 * self._places:
                async with asyncio.timeout(self._connect_bound_s):
                    await self._places_free.acquire()
                self._told_full = False
                return True
        if not self._told_full:  # once, until somebody comes in again: a flood of clients is no flood of lines
            log.warning("embedded broker: a client was turned away, all %d places are taken", self._places)
        self._told_full = True
        return False

    async def _initialize_client_session(
        self, reader: ReaderAdapter, writer: WriterAdapter, remote_address: str, remote_port: int
    ) -> "tuple[BrokerProtocolHandler, Session]":
        """Before amqtt reads the first packet: is it one that it can take?

        amqtt answers MQTT 5 in the form of 3.1.1, which such a client cannot read, and MQTT 3.1 not at all. Every error
        leaves as an MQTTError, at which amqtt gives the client's place free; at others it keeps it.
        """
        try:
            async with asyncio.timeout(self._connect_bound_s):
                refusal, why = await _refusal(reader)
                if not why:
                    opened: tuple[BrokerProtocolHandler, Session] = await super()._initialize_client_session(
                        reader, writer, remote_address, remote_port
                    )
                    return opened
            log.warning("embedded broker: a client with %s was refused, it takes MQTT 3.1.1 (%s)", why, remote_address)
            writer.write(refusal)
            await writer.close()
        except TimeoutError as error:
            text = "embedded broker: a client that did not introduce itself within %g s was let go (%s)"
            log.warning(text, self._connect_bound_s, remote_address)
            raise MQTTError("no CONNECT") from error
        except Exception as error:
            raise MQTTError(type(error).__name__) from error
        raise MQTTError(why)

    async def _handle_subscription(
        self, client_session: "Session", handler: "BrokerProtocolHandler", subscribe_waiter: "asyncio.Future[object]"
    ) -> None:
        """Note that retained messages may go out now."""
        before = _subscribing.set(True)
        try:
            await super()._handle_subscription(client_session, handler, subscribe_waiter)
        finally:
            _subscribing.reset(before)

    async def _publish_retained_messages_for_subscription(
        self, subscription: tuple[str, int], session: "Session"
    ) -> None:
        """Send retained messages at a subscription only (MQTT 3.1.1, 3.3.1.3 and 3.8.4).

        amqtt 0.11 and 0.12 call this in ``Broker._handle_client_session`` too, as each client comes, for the filters of
        all clients: with one that reads everything, every other client gets every retained message, asked for or not.
        """
        if _subscribing.get():
            await super()._publish_retained_messages_for_subscription(subscription, session)


async def _refusal(reader: ReaderAdapter) -> tuple[bytes, str]:
    """What to answer to a first packet that is no CONNECT of MQTT 3.1.1, and what it is; both empty for one that is."""
    assert isinstance(reader, _Reader)  # noqa: S101 - stream_connected made it
    none = (b"", "no MQTT")
    if (await reader.look(1))[0] != CONNECT:
        return none
    for _ in range(LENGTH_BYTES):
        if (await reader.look(1))[0] < MORE:
            break
    else:
        return none
    size = int.from_bytes(await reader.look(2), "big")
    if size not in map(len, LEVELS):
        return none
    name = await reader.look(size)
    if name not in LEVELS:
        return none
    level = (await reader.look(1))[0]
    if name == b"MQTT" and level == LEVEL_311:
        return b"", ""
    if name == b"MQTT" and level >= LEVEL_5:
        return REFUSED_5, f"MQTT {level}"
    return REFUSED_3, LEVELS[name]
