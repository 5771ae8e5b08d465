"""The publisher: journal → broker, and commands from the broker → the bench.

It keeps a connection for as long as it takes, says who we are at each one (status, retained; the last will says when we
are gone), has the outbox send the journal's records, and hands commands to the bench. Live messages are sent if there
is a connection.

MQTT 5 is tried first and 3.1.1 where the broker refuses it (MQTT 5.0, 3.1.2.2: a server may answer with reason code 84h
and close; one that knows 3.1.1 only answers with return code 1). A broker that closes at the greeting without a word is
asked once more in 3.1.1, and again in 5 at the next connection: it may only have been starting.
"""

import asyncio
import logging
import random
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Final, Protocol

import aiomqtt
from pydantic import JsonValue, TypeAdapter, ValidationError

from ...protocol.commands import COMMANDS, AnyCommand, CommandId, Reply
from ...protocol.records import Message, StatusMessage
from ...protocol.topics import ROOT, Topics, is_retained
from ..clock import wire_sleep
from ..store.journal import Journal
from .address import BrokerAddress
from .connection import Connection, ConnectionFailedError, failures_in
from .message_words import payload_of, properties_of, shared_properties_of
from .outbox import Outbox
from .reasons import UNSUPPORTED_PROTOCOL, plain

__all__ = ["BrokerAddress", "Publisher", "answer", "reply_topic"]

log = logging.getLogger("lampwarden.publisher")

FIRST_BACK_OFF_S: Final = 0.5
TELL_AGAIN_S: Final = 600.0
"""The same trouble is worth a line every ten minutes, however often it comes."""
STABLE_S: Final = 10.0
"""A connection that lived this long was a good one: the next loss is answered quickly again."""
LARGEST_COMMAND_BYTES: Final = 16_384
"""A command is a page of text at most; anything larger is not one."""
LONGEST_TOPIC: Final = 256
GOODBYE_S: Final = 1.0
"""A stop must be over within two seconds, whatever the broker does."""
LIVE_EXPIRES_S: Final = 5
"""A live reading that waits longer than this in a broker is worth nothing."""
SUMMARIES_RESTORED: Final = 20
"""Newest summaries that are put back on a broker that may have lost its retained messages; a replay brings all."""

_COMMAND_ID: Final[TypeAdapter[str]] = TypeAdapter(CommandId)
_OBJECT: Final = TypeAdapter(dict[str, JsonValue])
_Version = aiomqtt.ProtocolVersion


class Bench(Protocol):
    """What the publisher needs of the bench."""

    def status(self, *, online: bool) -> StatusMessage:
        """The bench now, or as its last will would tell it."""
        ...

    async def obey(self, command: AnyCommand) -> Reply:
        """Carry out a command, once, and answer."""
        ...


@dataclass(slots=True)
class LinkState:
    """How it stands with the broker, for people and metrics."""

    connected: bool = False
    version: str = ""
    trouble: str | None = None
    connections: int = 0
    commands: int = 0


class Publisher:
    """Runs until cancelled; reconnects for as long as it takes."""

    def __init__(self, bench_id: str, address: BrokerAddress, journal: Journal, bench: Bench) -> None:
        self._topics = Topics(bench_id)
        self._address = address
        self._journal = journal
        self._bench = bench
        self._client_id = f"lampwarden-{bench_id}"
        self._latest: dict[str, Message] = {}
        self._news = asyncio.Event()
        self._links: dict[_Version, Connection] = {}
        self._told_s: dict[str, float] = {}
        self._only_3 = address.protocol == "3.1.1"
        self.outbox = Outbox(journal, self._topics)
        self.state = LinkState()
        self.connected = asyncio.Event()
        """Set while the broker has us."""

    def tell(self, message: Message) -> None:
        """Send a live message when there is a connection; only the newest of each topic counts."""
        self._latest[self._topics.of(message)] = message
        self._news.set()

    async def run(self) -> None:
        """Keep a connection and everything that lives on it.

        Raises:
            JournalDamagedError: A record is not what was written.
        """
        back_off_s = FIRST_BACK_OFF_S
        loop = asyncio.get_running_loop()
        version = _Version.V311 if self._only_3 else _Version.V5
        while True:
            failures: list[ConnectionFailedError] = []
            began_s = loop.time()
            try:
                await self._session(version)
            except* ConnectionFailedError as group:
                failures += failures_in(group)
            failure = failures[0] if failures else ConnectionFailedError("the connection broke")
            version, at_once = self._next_version(version, failure)
            if at_once:
                continue
            self._tell_failure(failure)
            if self.state.connected and loop.time() - began_s > STABLE_S:
                back_off_s = FIRST_BACK_OFF_S
            self.state.connected = False
            self.connected.clear()
            # Jitter, so that many benches do not come back to a restarted broker in one instant.
            await wire_sleep(back_off_s * random.uniform(0.5, 1.0))  # noqa: S311 - jitter needs no secret
            back_off_s = min(back_off_s * 2, self._address.longest_wait_s)

    def _next_version(self, version: _Version, failure: ConnectionFailedError) -> tuple[_Version, bool]:
        """Which version to speak next, and whether to try it without a pause."""
        if self._address.protocol != "auto" or self._only_3:
            return version, False
        if version is _Version.V5 and failure.code in UNSUPPORTED_PROTOCOL:
            log.info("broker %s takes no MQTT 5: using 3.1.1", self._address)
            self._only_3 = True
            return _Version.V311, True
        if version is _Version.V5 and failure.code == 0 and not self.state.connected:
            return _Version.V311, True
        return _Version.V5, False

    def _tell_failure(self, failure: ConnectionFailedError) -> None:
        """Once for each reason in a while, not at each of a thousand tries."""
        text = f"connection lost: {failure}" if self.state.connected else f"cannot connect: {failure}"
        now_s = asyncio.get_running_loop().time()
        if now_s - self._told_s.get(text, float("-inf")) > TELL_AGAIN_S:
            log.warning("broker %s: %s; it is tried again", self._address, text)
            self._told_s = {text: now_s, **{t: s for t, s in self._told_s.items() if now_s - s < TELL_AGAIN_S}}
        self.state.trouble = text

    def _link(self, version: _Version) -> Connection:
        if version not in self._links:
            self._links[version] = Connection(self._address, self._client_id, version)
        return self._links[version]

    async def _session(self, version: _Version) -> None:
        """One connection, until it breaks.

        Raises:
            ConnectionFailedError: Why it broke, or did not come about; perhaps in a group.
        """
        link = self._link(version)
        if self.outbox.suspects_a_record:
            link.start_clean()
        will = aiomqtt.Will(self._topics.status, payload_of(self._bench.status(online=False)), qos=1, retain=True)
        await link.open(will)
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(self._watch(link), name="connection")
                await self._greet(link)
                group.create_task(self.outbox.run(link), name="outbox")
                group.create_task(self._send_news(link), name="live messages")
                group.create_task(self._take_commands(link), name="commands")
        except asyncio.CancelledError:
            await self._say_goodbye(link)
            raise
        finally:
            link.drop()
            self.outbox.connection_lost()

    async def _greet(self, link: Connection) -> None:
        """Set right what late readers see, and ask for commands."""
        await self._send_status(link, online=True)
        if not link.terms.session_present:
            await self._restore_retained(link)
        code = await link.listen(self._topics.commands)
        if code >= 0x80:
            log.warning("broker %s: commands cannot be had: %s", self._address, plain(code))
        self.state.version = "5" if link.is_5 else "3.1.1"
        self.state.connected, self.state.trouble = True, None
        self.state.connections += 1
        self.connected.set()
        log.info("broker %s: connected, MQTT %s", self._address, self.state.version)

    async def _restore_retained(self, link: Connection) -> None:
        """The broker may have lost its store. The same records again, known by their ids, older than what follows."""
        for row in await self._journal.retained(SUMMARIES_RESTORED):
            if row.seq <= self._journal.sent_through and not row.damaged:
                properties = shared_properties_of(row.schema) if link.is_5 else None
                largest = link.terms.largest_packet
                if largest is None or link.packet_bytes(row.topic, row.body, properties) <= largest:
                    await link.send(row.topic, row.body, retain=True, properties=properties)

    async def _watch(self, link: Connection) -> None:
        raise ConnectionFailedError(await link.lost())

    async def _say_goodbye(self, link: Connection) -> None:
        """A last will is for deaths; a daemon that stops says so itself, within a bound.

        The status comes after all that is under way, so its acknowledgement says that they are there too.
        """
        try:
            async with asyncio.timeout(GOODBYE_S):
                told = await self._send_status(link, online=False)
                await asyncio.wait({told})
                await self.outbox.settle()
                await link.close(GOODBYE_S)
        except (ConnectionFailedError, TimeoutError):
            log.info("broker %s: gone before the last status", self._address)

    async def _send_status(self, link: Connection, *, online: bool) -> "asyncio.Future[int]":
        status = self._bench.status(online=online)
        properties = shared_properties_of(status.schema_) if link.is_5 else None
        return await link.send(self._topics.status, payload_of(status), retain=True, properties=properties)

    async def _send_news(self, link: Connection) -> None:
        while True:
            await self._news.wait()
            self._news.clear()
            while self._latest:
                topic, message = self._latest.popitem()
                retain = is_retained(message)
                expires_s = None if retain else LIVE_EXPIRES_S
                properties = shared_properties_of(message.schema_, expires_s=expires_s) if link.is_5 else None
                if retain:
                    await link.send(topic, payload_of(message), retain=True, properties=properties)
                else:
                    link.send_live(topic, payload_of(message), properties)

    async def _take_commands(self, link: Connection) -> None:
        try:
            async for message in link.messages:
                verb = self._topics.verb_of(str(message.topic))
                if verb is not None:
                    await self._take_command(link, verb, message)
        except aiomqtt.MqttError:
            return  # the connection is lost; who watches it says why

    async def _take_command(self, link: Connection, verb: str, message: aiomqtt.Message) -> None:
        self.state.commands += 1
        if message.retain:
            # It would be carried out again at each connection.
            log.warning("command %s: a retained command is not carried out; delete it from the broker", _shown(verb))
            return
        reply = await answer(verb, message.payload, self._bench.obey)
        log.info("command %s: %s: %s", _shown(verb), "accepted" if reply.accepted else "refused", _shown(reply.text))
        payload = payload_of_reply(reply)
        properties = shared_properties_of(reply.schema_) if link.is_5 else None
        await link.send(self._topics.replies, payload, properties=properties)
        asked = getattr(message.properties, "ResponseTopic", None)
        if not link.is_5 or asked is None:
            return
        topic = reply_topic(asked, self._topics)
        if topic is None:
            log.warning("command %s: its response topic is not one that this bench writes to", _shown(verb))
            return
        properties = properties_of(reply.schema_)
        token = getattr(message.properties, "CorrelationData", None)
        if token is not None:
            properties.CorrelationData = token
        await link.send(topic, payload, properties=properties)


def reply_topic(asked: object, topics: Topics) -> str | None:
    """A response topic that may be used, or None.

    Whoever sends a command must not make the bench write where it has a right to and he has not: not into any bench's
    own topics but for its ``replies``, and not into the broker's.
    """
    if not isinstance(asked, str) or not 0 < len(asked) <= LONGEST_TOPIC:
        return None
    if asked.startswith("$") or any(c in asked for c in "+#\x00"):  # MQTT 5.0, 4.7.2 and 3.3.2.3.5
        return None
    if asked.startswith(f"{ROOT}/") and not asked.startswith(f"{topics.replies}/"):
        return None
    return asked


async def answer(verb: str, payload: object, obey: Callable[[AnyCommand], Awaitable[Reply]]) -> Reply:
    """Read a command and have it carried out; whatever is wrong with it becomes a reply.

    Args:
        verb: From the topic.
        payload: As received.
        obey: Carries out a command that is well formed.
    """
    model = COMMANDS.get(verb)
    if model is None:
        return Reply(id=None, verb=verb[:64], accepted=False, text=f"unknown command; known: {', '.join(COMMANDS)}")
    if not isinstance(payload, bytes | bytearray | str) or len(payload) > LARGEST_COMMAND_BYTES:
        text = f"a JSON object of at most {LARGEST_COMMAND_BYTES} bytes is expected"
        return Reply(id=None, verb=verb, accepted=False, text=text)
    try:
        command = model.model_validate_json(payload)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        key = ".".join(str(part) for part in first["loc"])
        text = f"not understood: {key}: {first['msg']}".replace(": :", ":")
        return Reply(id=_id_of(payload), verb=verb, accepted=False, text=text[:500])
    return await obey(command)


def _id_of(payload: bytes | bytearray | str) -> str | None:
    """The id of a command that is otherwise wrong, so that its sender knows the answer."""
    try:
        return _COMMAND_ID.validate_python(_OBJECT.validate_json(payload).get("id"), strict=True)
    except ValidationError:
        return None


def payload_of_reply(reply: Reply) -> str:
    """A reply as it is sent."""
    return reply.model_dump_json(by_alias=True)


def _shown(text: str) -> str:
    """Text from outside, fit for a log."""
    return "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text[:300])
