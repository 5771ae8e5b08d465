"""The publisher: journal → broker, and commands from the broker → the bench.

Durable records go out in the order of ``seq`` at QoS 1 and are marked as sent when the broker has acknowledged them;
after a lost connection everything unmarked is sent again. Live messages are sent if there is a connection. On each
connection the retained topics are set right first (status), since the broker may just have sent out our last will.

MQTT 5 is tried first and 3.1.1 where the broker refuses it (MQTT 5.0, 3.1.2.2: a server may answer with reason code
84h and close).
"""

import asyncio
import logging
import random
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Final, Protocol

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from pydantic import ValidationError

from ..protocol.commands import COMMANDS, AnyCommand, Reply
from ..protocol.records import Message, StatusMessage
from ..protocol.topics import Topics, is_retained
from .clock import wire_sleep
from .journal import Journal

log = logging.getLogger("lampwarden.publisher")

BATCH: Final = 100
"""Records read from the journal at a time: bounds memory, and one commit marks them all as sent."""
FIRST_BACK_OFF_S: Final = 0.5
LONGEST_BACK_OFF_S: Final = 30.0
LARGEST_COMMAND_BYTES: Final = 16_384
"""A command is a page of text at most; anything larger is not one."""
SESSION_EXPIRY_S: Final = 7 * 24 * 3600
"""How long a broker keeps our subscription to commands while we are away (MQTT 5.0, 3.1.2.11.2)."""
GOODBYE_S: Final = 1.0
"""A stop must be over within two seconds, whatever the broker does."""
KEEP_ALIVE_S: Final = 20
"""A dead connection shows within 1.5 times this (MQTT 5.0, 3.1.2.10)."""

_UNSUPPORTED_PROTOCOL: Final = (1, 132)
"""CONNACK: 1 in MQTT 3.1.1 (3.2.2.3), 84h in MQTT 5.0 (3.2.2.2)."""


@dataclass(frozen=True, slots=True)
class BrokerAddress:
    """Where the broker is and how to speak to it."""

    host: str
    port: int
    protocol: str = "auto"
    username: str | None = None
    password: str | None = None
    timeout_s: float = 10.0

    def __str__(self) -> str:
        return f"{self.host}:{self.port}"


class Bench(Protocol):
    """What the publisher needs of the bench."""

    def status(self, *, online: bool) -> StatusMessage:
        """The bench now, or as its last will would tell it."""
        ...

    async def obey(self, command: AnyCommand) -> Reply:
        """Carry out a command, once, and answer."""
        ...


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
        self.connected = asyncio.Event()
        """Set while the broker has us."""

    def tell(self, message: Message) -> None:
        """Send a live message when there is a connection; only the newest of each topic counts."""
        self._latest[self._topics.of(message)] = message
        self._news.set()

    async def run(self) -> None:
        """Keep a connection and everything that lives on it."""
        back_off_s = FIRST_BACK_OFF_S
        protocols = self._protocols()
        while True:
            failure = await self._session(protocols[0])
            if self.connected.is_set():
                self.connected.clear()
                back_off_s = FIRST_BACK_OFF_S
                log.warning("broker %s: connection lost: %s", self._address, failure)
            elif len(protocols) > 1 and _refuses_protocol(failure):
                protocols.pop(0)
                log.info("broker %s takes no MQTT 5: using 3.1.1", self._address)
                continue
            else:
                log.warning("broker %s: cannot connect: %s", self._address, failure)
            # Jitter, so that many benches do not come back to a restarted broker in one instant.
            await wire_sleep(back_off_s * random.uniform(0.5, 1.0))  # noqa: S311 - jitter needs no secret
            back_off_s = min(back_off_s * 2, LONGEST_BACK_OFF_S)

    def _protocols(self) -> list[aiomqtt.ProtocolVersion]:
        five, three = aiomqtt.ProtocolVersion.V5, aiomqtt.ProtocolVersion.V311
        return {"auto": [five, three], "5": [five], "3.1.1": [three]}[self._address.protocol]

    def _client(self, protocol: aiomqtt.ProtocolVersion) -> aiomqtt.Client:
        will = self._bench.status(online=False)
        five = protocol is aiomqtt.ProtocolVersion.V5
        properties = None
        if five:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho-mqtt has no types here
            properties.SessionExpiryInterval = SESSION_EXPIRY_S
        return aiomqtt.Client(
            self._address.host,
            self._address.port,
            username=self._address.username,
            password=self._address.password,
            identifier=self._client_id,
            protocol=protocol,
            clean_session=None if five else False,
            clean_start=False if five else 3,
            properties=properties,
            will=aiomqtt.Will(self._topics.status, _payload(will), qos=1, retain=True),
            keepalive=KEEP_ALIVE_S,
            timeout=self._address.timeout_s,
            logger=logging.getLogger("lampwarden.mqtt"),
        )

    async def _session(self, protocol: aiomqtt.ProtocolVersion) -> aiomqtt.MqttError:
        """One connection, until it breaks; returns why."""
        failures: list[aiomqtt.MqttError] = []
        try:
            async with self._client(protocol) as client:
                await self._send_live(client, self._bench.status(online=True))
                await client.subscribe(self._topics.commands, qos=1)
                self.connected.set()
                log.info("broker %s: connected, MQTT %s", self._address, "5" if protocol == 5 else "3.1.1")
                try:
                    async with asyncio.TaskGroup() as group:
                        group.create_task(self._drain(client), name="outbox")
                        group.create_task(self._send_news(client), name="live messages")
                        group.create_task(self._take_commands(client, protocol), name="commands")
                except asyncio.CancelledError:
                    await self._say_goodbye(client)
                    raise
        except* aiomqtt.MqttError as group_of_failures:
            failures += _flat(group_of_failures)
        return failures[0] if failures else aiomqtt.MqttError("the broker ended the connection")

    async def _say_goodbye(self, client: aiomqtt.Client) -> None:
        """A last will is for deaths; a daemon that stops says so itself, within a bound."""
        try:
            async with asyncio.timeout(GOODBYE_S):
                await self._send_live(client, self._bench.status(online=False))
        except (aiomqtt.MqttError, TimeoutError):
            log.info("broker %s: gone before the last status", self._address)

    async def _drain(self, client: aiomqtt.Client) -> None:
        while True:
            rows = await self._journal.unsent(self._journal.sent_through, BATCH)
            if not rows:
                await self._journal.grown()
                continue
            async with asyncio.TaskGroup() as group:
                # Tasks start in the order they are made, and each hands its packet over before it first waits: the
                # packets go out in order, and their acknowledgements are waited for together.
                for row in rows:
                    group.create_task(client.publish(row.topic, row.body, qos=1, retain=row.retain))
            await self._journal.mark_sent(rows[-1].seq)

    async def _send_news(self, client: aiomqtt.Client) -> None:
        while True:
            await self._news.wait()
            self._news.clear()
            while self._latest:
                _, message = self._latest.popitem()
                await self._send_live(client, message)

    async def _send_live(self, client: aiomqtt.Client, message: Message) -> None:
        retain = is_retained(message)
        await client.publish(self._topics.of(message), _payload(message), qos=1 if retain else 0, retain=retain)

    async def _take_commands(self, client: aiomqtt.Client, protocol: aiomqtt.ProtocolVersion) -> None:
        async for message in client.messages:
            verb = self._topics.verb_of(str(message.topic))
            if verb is None:
                continue
            reply = await answer(verb, message.payload, self._bench.obey)
            log.info("command %s: %s: %s", verb, "accepted" if reply.accepted else "refused", reply.text)
            payload = reply.model_dump_json(by_alias=True)
            await client.publish(self._topics.replies, payload, qos=1)
            asked = getattr(message.properties, "ResponseTopic", None)
            if protocol is aiomqtt.ProtocolVersion.V5 and isinstance(asked, str) and asked:
                properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]  # paho-mqtt has no types here
                token = getattr(message.properties, "CorrelationData", None)
                if token is not None:
                    properties.CorrelationData = token
                await client.publish(asked, payload, qos=1, properties=properties)


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
        first = error.errors(include_url=False)[0]
        key = ".".join(str(part) for part in first["loc"])
        return Reply(
            id=None, verb=verb, accepted=False, text=f"not understood: {key}: {first['msg']}".replace(": :", ":")
        )
    return await obey(command)


def _payload(message: Message) -> str:
    return message.model_dump_json(by_alias=True)


def _flat(group: BaseExceptionGroup[aiomqtt.MqttError]) -> list[aiomqtt.MqttError]:
    found: list[aiomqtt.MqttError] = []
    for error in group.exceptions:
        found += _flat(error) if isinstance(error, BaseExceptionGroup) else [error]
    return found


def _refuses_protocol(error: aiomqtt.MqttError) -> bool:
    """Whether 3.1.1 is worth a try: the broker said so, or it closed or fell silent at our CONNECT."""
    code = getattr(error, "rc", None)
    value = getattr(code, "value", code)
    return value in _UNSUPPORTED_PROTOCOL or "timed out" in str(error) or "disconnect" in str(error).lower()
