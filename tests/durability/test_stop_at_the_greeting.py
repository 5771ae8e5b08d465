"""A daemon that is told to stop just as the broker answers it must stop all the same."""

import asyncio
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
from lampwarden.daemon.mqtt.address import BrokerAddress
from lampwarden.daemon.mqtt.connection import Connection
from support.publishing import publishing
from support.scripted_broker import scripted_broker


class AnswersAsItIsCancelled(Connection):
    """As aiomqtt on Python 3.11: the answer comes with the cancel, and asyncio.wait_for gives the answer."""

    async def subscribe(self, *_: Any, **__: Any) -> Any:
        try:
            await asyncio.Event().wait()
        except asyncio.CancelledError:
            return (0,)


async def test_cancel_that_comes_with_the_brokers_answer_is_not_lost() -> None:
    link = AnswersAsItIsCancelled(BrokerAddress("127.0.0.1", 1883), "stop", aiomqtt.ProtocolVersion.V5)
    greeting = asyncio.ensure_future(link.listen("lampwarden/1/north-house/commands/+"))
    await asyncio.sleep(0)  # noqa: TID251 - lets it ask
    greeting.cancel()
    await asyncio.wait([greeting])
    assert greeting.cancelled()


async def test_an_answer_to_a_question_that_a_stop_took_back_is_no_error(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """The subscription is answered while the daemon takes leave: nobody waits for it any more, and that is all."""
    async with scripted_broker(holds_suback=True) as broker, publishing(tmp_path, broker.port):
        async with asyncio.timeout(60.0):
            await broker.held.wait()
    assert len(broker.goodbyes) == 1, "the stop was clean"
    assert [record.getMessage() for record in caplog.records if record.levelname == "ERROR"] == []
