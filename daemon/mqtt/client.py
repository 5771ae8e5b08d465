"""The far side of the topics: sends commands, follows records. For the command line; knows no bench from the inside."""

import asyncio
import json
import logging
from collections.abc import AsyncIterator, Callable
from typing import Final
from uuid import uuid4

import aiomqtt
from pydantic import JsonValue, TypeAdapter, ValidationError

from ...protocol.commands import AnyCommand, Reply
from ...protocol.errors import BrokerError, CommandRefusedError, reason_of
from ...protocol.records import StatusMessage
from ...protocol.topics import Topics
from ..clock import wire_sleep
from .address import BrokerAddress

REPLY_BOUND_S: Final = 15.0
"""A bench answers within milliseconds; one that is not there never does."""
RETRY_S: Final = 1.0
_OBJECT: Final = TypeAdapter(dict[str, JsonValue])


class BenchClient:
    """One connection to the broker of a bench."""

    def __init__(self, bench: str, address: BrokerAddress) -> None:
        self._topics = Topics(bench)
        self._address = address

    def _client(self) -> aiomqtt.Client:
        return aiomqtt.Client(
            self._address.host,
            self._address.port,
            username=self._address.username,
            password=self._address.password,
            identifier=f"lampwarden-client-{uuid4().hex[:12]}",
            # Every broker takes 3.1.1, and a client needs no more, unless the configuration says otherwise.
            protocol=aiomqtt.ProtocolVersion.V5 if self._address.protocol == "5" else aiomqtt.ProtocolVersion.V311,
            timeout=self._address.timeout_s,
            tls_context=self._address.tls,
            logger=logging.getLogger("lampwarden.mqtt"),
        )

    async def command(self, command: AnyCommand) -> Reply:
        """Send a command and wait for the bench's answer.

        Raises:
            BrokerError: No broker, or no bench behind it.
            CommandRefusedError: The bench refused; says why.
        """
        try:
            async with asyncio.timeout(REPLY_BOUND_S), self._client() as client:
                await client.subscribe(self._topics.replies, qos=1)
                await client.publish(self._topics.command(command.verb), command.model_dump_json(), qos=1)
                reply = await self._answer(client, command.id)
        except aiomqtt.MqttError as error:
            raise self._broker_error(error) from None
        except TimeoutError:
            raise BrokerError(
                f"no answer within {REPLY_BOUND_S:g} s",
                where=f"bench {self._topics.bench} at {self._address}",
                mend="is the daemon running? start it with: lampwarden run --config bench.toml",
            ) from None
        if not reply.accepted:
            raise CommandRefusedError(reply.text, where=command.verb)
        return reply

    async def _answer(self, client: aiomqtt.Client, command_id: str) -> Reply:
        async for message in client.messages:
            reply = _reply(message.payload)
            if reply is not None and reply.id == command_id:
                return reply
        raise aiomqtt.MqttError("the broker ended the connection")

    async def follow(
        self, *, keep_trying: bool, on_link: Callable[[BrokerError | None], None] = lambda _: None
    ) -> AsyncIterator[tuple[str, str]]:
        """All messages of the bench as (topic, JSON text), in the order in which they come.

        Args:
            keep_trying: Come back after a lost connection, for ever; else raise.
            on_link: Called with None at each connection, with the reason each time there is none and it is tried again.

        Raises:
            BrokerError: The broker is not there or the connection broke.
        """
        while True:
            try:
                async with self._client() as client:
                    await client.subscribe(self._topics.everything, qos=1)
                    on_link(None)
                    async for message in client.messages:
                        payload = message.payload
                        if isinstance(payload, bytes | bytearray):
                            yield str(message.topic), payload.decode("utf-8", "replace")
            except aiomqtt.MqttError as error:
                if not keep_trying:
                    raise self._broker_error(error) from None
                on_link(self._broker_error(error))
                await wire_sleep(RETRY_S)

    async def statuses(self) -> AsyncIterator[StatusMessage]:
        """What the bench says of itself, for as long as the caller listens; survives lost connections."""
        async for topic, text in self.follow(keep_trying=True):
            if topic == self._topics.status:
                try:
                    yield StatusMessage.model_validate_json(text)
                except ValidationError:
                    continue

    def _broker_error(self, error: aiomqtt.MqttError) -> BrokerError:
        cause = error.__cause__ or error.__context__
        what = reason_of(cause if isinstance(cause, OSError) else error)
        return BrokerError(
            f"the broker cannot be used: {what}",
            where=str(self._address),
            mend="is the daemon (or the broker) running, and is [broker] in bench.toml right?",
        )


def _reply(payload: object) -> Reply | None:
    if not isinstance(payload, bytes | bytearray):
        return None
    try:
        return Reply.model_validate_json(payload)
    except ValidationError:
        return None


class GapFinder:
    """Drops records that came twice and notices numbers that did not come."""

    def __init__(self) -> None:
        self._seen: set[str] = set()
        self._next: int | None = None

    def take(self, text: str) -> tuple[bool, tuple[int, int] | None]:
        """Look at one message.

        Args:
            text: JSON.

        Returns:
            Whether it is new, and the first and last number that are missing before it, or None.
        """
        try:
            body = _OBJECT.validate_json(text)
        except ValidationError:
            return False, None
        seq, record_id = body.get("seq"), body.get("record_id")
        if not isinstance(seq, int) or not isinstance(record_id, str):
            return False, None
        if record_id in self._seen:
            return False, None
        self._seen.add(record_id)
        expected = self._next
        # Retained records come first and are older; they neither open nor close a gap.
        if expected is None or seq >= expected:
            self._next = seq + 1
        return True, (expected, seq - 1) if expected is not None and seq > expected else None


def compact(text: str) -> str:
    """One JSON document on one line."""
    return json.dumps(json.loads(text), ensure_ascii=False, separators=(",", ":"))
