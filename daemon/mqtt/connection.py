"""One MQTT connection of the daemon: aiomqtt, with what the daemon must know of it and aiomqtt does not tell.

That is: what the broker allows (CONNACK: session present, Maximum Packet Size, Receive Maximum, Maximum QoS), what it
said to each message (PUBACK), and why it closed (DISCONNECT). aiomqtt has these in callbacks that it keeps to itself,
so this class takes the callbacks over; hence the narrow pin of its version, and tests that fail when it has changed.
What it does otherwise than paho on the way to the socket is :mod:`.paho_wire`'s.

One object serves all connections of a daemon: the unacknowledged messages belong to the session, and paho sends them
again, with their packet ids and DUP, when the broker still has the session (MQTT 5.0, 4.4). Where it has not, they are
forgotten here and the outbox begins again from the journal. The first connection starts clean, since a new process has
no state that could fit an old session ([MQTT-3.2.2-4]).

Connecting blocks (name server, TCP, TLS): it runs on a thread of its own, which nobody waits for at exit.
"""

import asyncio
import logging
import math
import ssl
from dataclasses import dataclass
from typing import Final

import aiomqtt
import paho.mqtt.client as paho
from aiomqtt.types import PahoSocket
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from ..threads import on_own_thread
from .address import BrokerAddress
from .paho_wire import PahoWire
from .reasons import plain

SESSION_EXPIRY_S: Final = 3600
"""How long a broker keeps our session while we are away (MQTT 5.0, 3.1.2.11.2): a cut of minutes loses no command, and
one that was sent before lunch is not carried out after it. Records need no session: the journal has them."""
KEEP_ALIVE_S: Final = 20
"""A dead connection shows within 1.5 times this (MQTT 5.0, 3.1.2.10)."""
WINDOW: Final = 64
"""Unacknowledged messages at a time where the broker allows more: at 99 kB for a spectrum about 6 MB at most, and more
than a round trip of 10 ms can use."""
COMMANDS_WAITING: Final = 100
"""Commands that wait to be carried out; a flood beyond it is dropped (and logged), not kept in memory."""

# ruff: noqa: ARG002  the callbacks have the signatures that paho calls


class ConnectionFailedError(Exception):
    """There is no connection, or none any more; ``code`` is the broker's reason where it gave one."""

    def __init__(self, text: str, code: int | None = None) -> None:
        super().__init__(text)
        self.code = code


def failures_in(group: BaseExceptionGroup[ConnectionFailedError]) -> list[ConnectionFailedError]:
    """What went wrong with the tasks of one connection, in order."""
    found: list[ConnectionFailedError] = []
    for error in group.exceptions:
        found += failures_in(error) if isinstance(error, BaseExceptionGroup) else [error]
    return found


@dataclass(frozen=True, slots=True)
class Terms:
    """What the broker grants for one connection.

    Attributes:
        session_present: Whether it still has our session.
        largest_packet: Bytes; None where it does not say.
        receive_maximum: Unacknowledged messages that it takes.
        retains: Whether it keeps retained messages.
    """

    session_present: bool
    largest_packet: int | None
    receive_maximum: int
    retains: bool


class Connection(aiomqtt.Client):
    """All connections of one daemon with one version of MQTT."""

    session_expiry_s = SESSION_EXPIRY_S
    receive_maximum: int | None = None
    """Unacknowledged messages that we take; None: as many as there are numbers."""
    begins_clean = True
    """Whether the first connection of this object drops an older session."""

    def __init__(self, address: BrokerAddress, client_id: str, protocol: aiomqtt.ProtocolVersion) -> None:
        """Prepare; nothing is sent yet."""
        self.is_5 = protocol is aiomqtt.ProtocolVersion.V5
        properties = None
        if self.is_5:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho has no types here
            properties.SessionExpiryInterval = self.session_expiry_s
            if self.receive_maximum is not None:
                properties.ReceiveMaximum = self.receive_maximum
        super().__init__(
            address.host,
            address.port,
            username=address.username,
            password=address.password,
            identifier=client_id,
            protocol=protocol,
            # 3.1.1 has no expiry: a session would be kept for ever, commands of last week included.
            clean_session=None if self.is_5 else self.begins_clean,
            properties=properties,
            keepalive=KEEP_ALIVE_S,
            timeout=address.timeout_s,
            tls_context=address.tls,
            max_queued_incoming_messages=COMMANDS_WAITING,
            max_inflight_messages=0,  # the window is ours: paho's own would queue without a bound
            logger=logging.getLogger("lampwarden.mqtt"),
        )
        self._client.connect_timeout = address.timeout_s
        self._closed_at_greeting = "the broker closed the connection at our greeting"
        if address.tls is not None:
            # A TLS 1.3 server that misses our certificate says so only after the handshake (RFC 8446, from memory).
            self._closed_at_greeting += " (does it ask for a certificate? [broker.tls] certificate_file, key_file)"
        self._wire = PahoWire(self._client, self._acknowledge, is_5=self.is_5)
        self.terms = Terms(session_present=False, largest_packet=None, receive_maximum=WINDOW, retains=True)
        self._slots = asyncio.Semaphore(WINDOW)
        self._acknowledged: dict[int, asyncio.Future[int]] = {}
        self.landed = asyncio.Event()
        """Set whenever what became of a message is known; for one who clears it and looks again."""
        self._why_closed: str | None = None
        self._clean_start_next = self.begins_clean
        self._refused: int | None = None

    # Opening and closing

    async def open(self, will: aiomqtt.Will | None) -> Terms:
        """Connect; returns what the broker grants.

        Raises:
            ConnectionFailedError: It cannot be reached, refuses, or does not answer.
        """
        self.drop()
        loop = asyncio.get_running_loop()
        self._connected, self._disconnected = loop.create_future(), loop.create_future()
        # Both may end in an error while nobody waits for them.
        for future in (self._connected, self._disconnected):
            future.add_done_callback(lambda f: f.cancelled() or f.exception())
        self._why_closed = self._refused = None
        self._wire.begin()
        # Not paho's "first only": it takes every connect() for a first one.
        self._clean_start = self._clean_start_next if self.is_5 else paho.MQTT_CLEAN_START_FIRST_ONLY
        if will is not None:
            self._client.will_set(will.topic, will.payload, will.qos, will.retain, will.properties)
        try:
            await on_own_thread(self._client_connect, "broker connect")
            async with asyncio.timeout(self.timeout):
                await asyncio.wait({self._connected, self._disconnected}, return_when=asyncio.FIRST_COMPLETED)
        except TimeoutError:
            # One that is silent at our greeting may take it for the beginning of a longer one: so does a broker that
            # knows 3.1.1 only and reads our properties as something else.
            code = None if self._client.socket() is None else 0
            self.drop()
            raise ConnectionFailedError("the broker does not answer", code=code) from None
        except (OSError, ValueError) as error:
            self.drop()
            raise ConnectionFailedError(_of_system(error)) from None
        except BaseException:
            self.drop()
            raise
        if self._connected.done() and self._refused is None:
            return self.terms
        self.drop()
        if self._refused is not None:
            raise ConnectionFailedError(f"refused: {plain(self._refused)}", self._refused)
        raise ConnectionFailedError(self._why_closed or self._closed_at_greeting, code=0)

    async def lost(self) -> str:
        """Wait until the connection is gone; returns why."""
        await asyncio.wait({self._disconnected})
        return self._why_closed or "the connection broke"

    async def close(self, bound_s: float) -> None:
        """Take leave, so that no last will is sent out; within a bound, whatever the broker does."""
        if not self._disconnected.done() and self._client.is_connected():
            self._client.disconnect()
            await asyncio.wait({self._disconnected}, timeout=bound_s)
        self.drop()

    def drop(self) -> None:
        """Let go of the socket, without a word to the broker; idempotent."""
        if self._misc_task is not None:
            self._misc_task.cancel()
        socket = self._client.socket()
        if socket is None:
            return
        if socket.fileno() > -1:
            self._loop.remove_reader(socket.fileno())
            self._loop.remove_writer(socket.fileno())
        socket.close()

    def start_clean(self) -> None:
        """Let the next connection begin without a session, and only that one."""
        self._clean_start_next = True

    # Sending

    async def send(
        self, topic: str, payload: str | bytes, *, retain: bool = False, properties: Properties | None = None
    ) -> "asyncio.Future[int]":
        """Send at QoS 1, once the window has room; messages go out in the order of the calls.

        Returns:
            Gets the broker's reason code when it acknowledges; below 80h it has the message. Cancelled when the
            session is lost: then nobody knows.

        Raises:
            ConnectionFailedError: There is no connection.
        """
        await self._slots.acquire()
        if self._disconnected.done():
            self._slots.release()
            raise ConnectionFailedError(self._why_closed or "the connection broke")
        # No await between the packet id and its future: an acknowledgement cannot come in between.
        info = self._client.publish(topic, payload, 1, retain and self.terms.retains, properties)
        future: asyncio.Future[int] = self._loop.create_future()
        if info.rc not in (paho.MQTT_ERR_SUCCESS, paho.MQTT_ERR_NO_CONN):
            self._slots.release()
            raise ConnectionFailedError(paho.error_string(info.rc))
        self._acknowledged[info.mid] = future
        return future

    def send_live(self, topic: str, payload: str | bytes, properties: Properties | None = None) -> None:
        """Send at QoS 0; what cannot go out now is lost."""
        if not self._disconnected.done():
            self._client.publish(topic, payload, 0, False, properties)

    def packet_bytes(self, topic: str, payload: str | bytes, properties: Properties | None) -> int:
        """Size of a PUBLISH packet at QoS 1 (MQTT 5.0, 3.3): as the broker counts it for Maximum Packet Size."""
        body = payload.encode() if isinstance(payload, str) else payload
        extra = int(self.is_5)
        if properties is not None:
            extra = len(properties.pack())  # type: ignore[no-untyped-call]  # paho has no types here
        remaining = 2 + len(topic.encode()) + 2 + extra + len(body)
        length_bytes = 1 if remaining < 128 else math.ceil(remaining.bit_length() / 7)
        return 1 + length_bytes + remaining

    async def listen(self, topic: str, *, retained: bool = False) -> int:
        """Subscribe at QoS 1; returns the broker's reason code.

        Args:
            topic: Or filter.
            retained: Whether what is retained is wanted (MQTT 3.1.1 cannot do without).

        Raises:
            ConnectionFailedError: No answer.
        """
        task = asyncio.current_task()
        cancels = 0 if task is None else task.cancelling()
        try:
            if self.is_5:
                # Retain Handling 2: nothing retained at subscribing; Retain As Published: what is retained shows it.
                options = SubscribeOptions(qos=1, retainAsPublished=True, retainHandling=0 if retained else 2)
                codes = await self.subscribe(topic, options=options)
            else:
                codes = await self.subscribe(topic, qos=1)
        except aiomqtt.MqttError as error:
            raise ConnectionFailedError(str(error)) from None
        if task is not None and task.cancelling() > cancels:
            # asyncio.wait_for of Python 3.11, in which aiomqtt waits, loses a cancel that comes with the answer. The
            # count itself says nothing: a TaskGroup that ended before may have left it raised.
            raise asyncio.CancelledError
        first = codes[0]
        return first.value if isinstance(first, ReasonCode) else int(first)

    # What paho tells; on the loop, from inside its reading

    def _on_connect(
        self,
        client: paho.Client,
        userdata: object,
        flags: paho.ConnectFlags,
        reason_code: ReasonCode,
        properties: Properties | None = None,
    ) -> None:
        if reason_code.value != 0:
            self._refused = reason_code.value
            if not self._connected.done():
                self._connected.set_result(None)
            return
        granted = {}
        if properties is not None:
            granted = properties.json()  # type: ignore[no-untyped-call]  # paho has no types here
        self.terms = Terms(
            session_present=flags.session_present,
            largest_packet=granted.get("MaximumPacketSize"),
            receive_maximum=granted.get("ReceiveMaximum", 65535),
            retains=granted.get("RetainAvailable", 1) == 1,
        )
        room = min(WINDOW, self.terms.receive_maximum)
        if not flags.session_present or len(self._acknowledged) > room:
            self._forget()
        self._slots = asyncio.Semaphore(room - len(self._acknowledged))
        if granted.get("MaximumQoS", 2) == 0:
            self._why_closed = f"refused: {plain(0x9B)}"
            self._client.disconnect()
            return
        self._clean_start_next = False
        super()._on_connect(client, userdata, flags, reason_code, properties)

    def _on_subscribe(
        self,
        client: paho.Client,
        userdata: object,
        mid: int,
        reason_codes: list[ReasonCode],
        properties: Properties | None = None,
    ) -> None:
        # Nobody waits for the answer when a stop came first; aiomqtt would take that for a fault and log a traceback.
        if mid in self._pending_subscribes:
            super()._on_subscribe(client, userdata, mid, reason_codes, properties)

    def _forget(self) -> None:
        """The session is gone on the broker's side: drop our half of it, before paho sends it again."""
        for future in self._acknowledged.values():
            future.cancel()
        self.landed.set()
        self._acknowledged.clear()
        self._wire.forget_messages()

    def _acknowledge(self, mid: int, code: int) -> None:
        future = self._acknowledged.pop(mid, None)
        if future is None:
            return
        self._slots.release()
        if not future.done():
            future.set_result(code)
        self.landed.set()

    def _on_disconnect(
        self,
        client: paho.Client,
        userdata: object,
        flags: paho.DisconnectFlags,
        reason_code: ReasonCode,
        properties: Properties | None = None,
    ) -> None:
        if flags.is_disconnect_packet_from_server:
            self._why_closed = f"closed by the broker: {plain(reason_code.value)}"
        if not self._disconnected.done():
            self._disconnected.set_result(None)

    # The socket. paho calls these from the thread that connects as well; a socket may be dropped before the loop comes
    # to it, and its number may then be another's.

    def _on_socket_open(self, client: paho.Client, userdata: object, sock: PahoSocket) -> None:
        self._loop.call_soon_threadsafe(self._watch, sock)

    def _watch(self, sock: PahoSocket) -> None:
        if self._is_ours(sock):
            self._loop.add_reader(sock.fileno(), self._read, sock)
            self._misc_task = self._loop.create_task(self._misc_loop(), name="mqtt keep alive")

    def _on_socket_register_write(self, client: paho.Client, userdata: object, sock: PahoSocket) -> None:
        self._loop.call_soon_threadsafe(self._watch_room, sock)

    def _watch_room(self, sock: PahoSocket) -> None:
        # What was asked for may have gone out before the loop came to it; a writer that nobody takes away would keep
        # the loop busy, and its number would outlive the socket.
        if self._is_ours(sock) and self._client.want_write():
            self._loop.add_writer(sock.fileno(), self._write, sock)

    def _on_socket_close(self, client: paho.Client, userdata: object, sock: PahoSocket) -> None:
        if sock.fileno() > -1:
            self._loop.remove_reader(sock.fileno())
            self._loop.remove_writer(sock.fileno())
        if self._misc_task is not None:
            self._misc_task.cancel()

    def _on_socket_unregister_write(self, client: paho.Client, userdata: object, sock: PahoSocket) -> None:
        if sock.fileno() > -1:
            self._loop.remove_writer(sock.fileno())

    def _is_ours(self, sock: PahoSocket) -> bool:
        return sock.fileno() > -1 and self._client.socket() is sock

    def _read(self, sock: PahoSocket) -> None:
        more = True
        while more and self._is_ours(sock):
            try:
                self._wire.read(lambda: self._is_ours(sock))
            except Exception as error:  # noqa: BLE001 - whatever a packet does to the parser: this connection is over
                self._broken(error)
                return
            # An SSL socket may hold decoded bytes that no selector sees.
            more = isinstance(sock, ssl.SSLSocket) and self._is_ours(sock) and sock.pending() > 0

    def _write(self, sock: PahoSocket) -> None:
        try:
            if self._is_ours(sock):
                self._wire.join_waiting()
                self._client.loop_write()
            if self._is_ours(sock) and not self._client.want_write():
                self._loop.remove_writer(sock.fileno())
        except Exception as error:  # noqa: BLE001 - as in _read
            self._broken(error)

    def _broken(self, error: Exception) -> None:
        self._why_closed = f"the broker sent what MQTT does not allow: {error}" if str(error) else type(error).__name__
        self.drop()
        if not self._disconnected.done():
            self._disconnected.set_result(None)


def _of_system(error: OSError | ValueError) -> str:
    text = getattr(error, "strerror", None) or str(error) or type(error).__name__
    return text if isinstance(text, str) else str(error)
