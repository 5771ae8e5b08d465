"""A command to a bench, and how it is told that there is none."""

import pytest
from lampwarden.daemon.mqtt.address import BrokerAddress
from lampwarden.daemon.mqtt.client import BenchClient
from lampwarden.protocol.commands import Press
from lampwarden.protocol.errors import BrokerError
from support.mosquitto import free_port


async def test_a_broker_that_is_not_there_is_told_in_words_and_not_by_number() -> None:
    client = BenchClient("north-house", BrokerAddress("127.0.0.1", free_port()))
    with pytest.raises(BrokerError, match=r"the broker cannot be used: Connection refused \(is the daemon"):
        await client.command(Press(id="p-1"))
