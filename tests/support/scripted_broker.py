"""A broker of scripted answers, for what no real one does on demand. Its packets are read and written here, from MQTT
5.0 and 3.1.1 themselves, so it shares no codec with the client under test.
"""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from typing import TypedDict, Unpack

CONNECT, PUBLISH, PUBACK, SUBSCRIBE, PINGREQ, DISCONNECT = 1, 3, 4, 8, 12, 14


@dataclass(frozen=True)
class Connected:
    """A CONNECT as it came (MQTT 5.0, 3.1)."""

    version: int
    clean: bool
    client_id: str
    session_expiry_s: int | None
    keep_alive_s: int
    will_topic: str | None
    username: str | None


@dataclass(frozen=True)
class Published:
    """A PUBLISH as it came (MQTT 5.0, 3.3)."""

    topic: str
    packet_id: int
    dup: bool
    qos: int
    retain: bool
    payload: bytes
    first_byte: int


def varint(value: int) -> bytes:
    """Variable byte integer, MQTT 5.0, 1.5.5."""
    out = bytearray()
    while True:
        value, low = divmod(value, 128)
        out.append(low | (0x80 if value else 0))
        if not value:
            return bytes(out)


def read_varint(data: bytes, at: int) -> tuple[int, int]:
    value, shift = 0, 0
    while True:
        byte = data[at]
        value |= (byte & 0x7F) << shift
        at, shift = at + 1, shift + 7
        if byte < 0x80:
            return value, at


def text_at(data: bytes, at: int) -> tuple[str, int]:
    size = int.from_bytes(data[at : at + 2], "big")
    return data[at + 2 : at + 2 + size].decode(), at + 2 + size


@dataclass
class ScriptedBroker:
    """One listener; each hook decides about one kind of packet."""

    port: int = 0
    connack: Callable[[Connected, int], bytes] = lambda c, _: bytes.fromhex(
        "2003000000" if c.version == 5 else "20020000"
    )
    """Gets the CONNECT and the number of the connection; returns the whole answer. Empty: none."""
    puback: Callable[[Published], int | None] = lambda _: 0
    """Reason code, or None: no answer."""
    close_after_connack: bool = False
    holds_suback: bool = False
    """Whether the answer to a SUBSCRIBE waits until the next PUBLISH comes."""
    held: asyncio.Event = field(default_factory=asyncio.Event)
    """Set while one waits."""
    connects: list[Connected] = field(default_factory=list)
    published: list[Published] = field(default_factory=list)
    acknowledged: list[int] = field(default_factory=list)
    goodbyes: list[bytes] = field(default_factory=list)
    most_open: int = 0
    _open: set[int] = field(default_factory=set)
    _suback: bytes = b""
    writers: list[asyncio.StreamWriter] = field(default_factory=list)

    def records(self) -> list[Published]:
        """Published durable records: events here."""
        return [p for p in self.published if p.topic.endswith(("/events", "/stubs"))]

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.writers.append(writer)
        self._open.clear()
        with contextlib.suppress(asyncio.IncompleteReadError, OSError):
            while True:
                first = (await reader.readexactly(1))[0]
                length = bytearray()
                while not length or length[-1] >= 0x80:
                    length += await reader.readexactly(1)
                size, _ = read_varint(bytes(length), 0)
                body = await reader.readexactly(size)
                if not await self._packet(first, body, writer):
                    break
        writer.close()

    async def _packet(self, first: int, body: bytes, writer: asyncio.StreamWriter) -> bool:
        kind = first >> 4
        if kind == CONNECT:
            connect = _connect(body)
            self.connects.append(connect)
            answer = self.connack(connect, len(self.connects))
            writer.write(answer)
            await writer.drain()
            accepted = answer[:1] == b"\x20" and answer[3] == 0
            return bool(answer) and accepted and not self.close_after_connack
        if kind == PUBLISH:
            await self._published(_publish(first, body, self.connects[-1].version), writer)
        elif kind == SUBSCRIBE:
            five = self.connects[-1].version == 5
            self._suback = b"\x90" + (b"\x04" + body[:2] + b"\x00\x01" if five else b"\x03" + body[:2] + b"\x01")
            if self.holds_suback:
                self.held.set()
            else:
                writer.write(self._suback)
        elif kind == PINGREQ:
            writer.write(b"\xd0\x00")
        elif kind == DISCONNECT:
            self.goodbyes.append(body)
            return False
        return True

    async def _published(self, message: Published, writer: asyncio.StreamWriter) -> None:
        if self.held.is_set():
            self.held.clear()
            writer.write(self._suback)
        self.published.append(message)
        if message.qos == 0:
            return
        self._open.add(message.packet_id)
        self.most_open = max(self.most_open, len(self._open))
        code = self.puback(message)
        if code is not None:
            self.acknowledge(message, code, writer)

    def acknowledge(self, message: Published, code: int, writer: asyncio.StreamWriter | None = None) -> None:
        """PUBACK (MQTT 5.0, 3.4): with a reason code in version 5 where it is not 00."""
        self._open.discard(message.packet_id)
        self.acknowledged.append(message.packet_id)
        packet = message.packet_id.to_bytes(2, "big")
        if code and self.connects[-1].version == 5:
            packet += bytes([code])
        (writer or self.writers[-1]).write(bytes([0x40, len(packet)]) + packet)


def _connect(body: bytes) -> Connected:
    _, at = text_at(body, 0)
    version, flags = body[at], body[at + 1]
    keep_alive = int.from_bytes(body[at + 2 : at + 4], "big")
    at += 4
    expiry = None
    if version == 5:
        size, at = read_varint(body, at)
        properties, at = body[at : at + size], at + size
        found = properties.find(b"\x11")  # 11h: Session Expiry Interval (3.1.2.11.2); ours is the first property
        expiry = int.from_bytes(properties[found + 1 : found + 5], "big") if found >= 0 else None
    client_id, at = text_at(body, at)
    will_topic = None
    if flags & 0x04:
        if version == 5:
            size, at = read_varint(body, at)
            at += size
        will_topic, at = text_at(body, at)
        _, at = text_at(body, at)
    username = text_at(body, at)[0] if flags & 0x80 else None
    return Connected(version, bool(flags & 0x02), client_id, expiry, keep_alive, will_topic, username)


def _publish(first: int, body: bytes, version: int) -> Published:
    topic, at = text_at(body, 0)
    qos, packet_id = (first >> 1) & 3, 0
    if qos:
        packet_id, at = int.from_bytes(body[at : at + 2], "big"), at + 2
    if version == 5:
        size, at = read_varint(body, at)
        at += size
    return Published(topic, packet_id, bool(first & 8), qos, bool(first & 1), body[at:], first)


class Hooks(TypedDict, total=False):
    """What a test may script: fields of a :class:`ScriptedBroker`."""

    connack: Callable[[Connected, int], bytes]
    puback: Callable[[Published], int | None]
    holds_suback: bool


@contextlib.asynccontextmanager
async def scripted_broker(**hooks: Unpack[Hooks]) -> AsyncIterator[ScriptedBroker]:
    broker = ScriptedBroker(**hooks)
    server = await asyncio.start_server(broker.serve, "127.0.0.1", 0)
    broker.port = server.sockets[0].getsockname()[1]
    try:
        yield broker
    finally:
        server.close()
        for writer in broker.writers:
            writer.transport.abort()
