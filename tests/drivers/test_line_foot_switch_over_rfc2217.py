"""The foot switch on a modem line, through pyserial's RFC 2217 server: the only virtual port that has such lines."""

import asyncio
import socket
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest
from lampwarden.daemon.clock import wire_sleep
from lampwarden.drivers.instruments import BenchInstrument, LinkPool, build_instrument
from lampwarden.drivers.links.serial_link import SerialLink
from lampwarden.drivers.registry import Registry
from lampwarden.drivers.roles import FOOT_SWITCH, FootSwitch, Press
from lampwarden.protocol.errors import LinkError, LinkFault
from lampwarden.simulators.rfc2217_port import Rfc2217Port
from support.rigs import Nobody
from support.time_source import FastTime

pytestmark = [
    pytest.mark.slow,
    pytest.mark.filterwarnings(r"ignore:set(Daemon|Name)\(\) is deprecated:DeprecationWarning"),  # pyserial 3.5
]

DRIVER = Registry(user_folder=Path("/nonexistent"), entries=()).find("line-foot-switch")


@pytest.fixture
def port() -> Iterator[Rfc2217Port]:
    with Rfc2217Port(Nobody(), FastTime(1.0)) as port:
        yield port


@pytest.fixture
async def pool() -> AsyncIterator[LinkPool]:
    pool = LinkPool()
    yield pool
    await pool.close()


async def press(port: Rfc2217Port, switch: BenchInstrument[FootSwitch], line: str, hold_s: float) -> Press | None:
    """Wait for a press, close the contact for a while, and say what the switch made of it."""
    waiting = asyncio.ensure_future(switch.call(lambda one: one.wait_press(5.0)))
    await wire_sleep(0.05)
    port.set_lines(**{line: True})
    await wire_sleep(hold_s)
    port.set_lines(**{line: False})
    return await waiting


@pytest.mark.parametrize("line", ["cts", "dsr", "ri", "cd"])
async def test_short_press_on_each_line(port: Rfc2217Port, pool: LinkPool, line: str) -> None:
    switch = build_instrument(FOOT_SWITCH, DRIVER, port.url, {"line": line}, name="pedal", pool=pool)
    await switch.open()
    assert await press(port, switch, line, 0.15) is Press.SHORT


async def test_long_press(port: Rfc2217Port, pool: LinkPool) -> None:
    switch = build_instrument(FOOT_SWITCH, DRIVER, port.url, {"long_press_s": 0.2}, name="pedal", pool=pool)
    await switch.open()
    assert await press(port, switch, "cts", 0.6) is Press.LONG


async def test_no_press_is_none(port: Rfc2217Port, pool: LinkPool) -> None:
    switch = build_instrument(FOOT_SWITCH, DRIVER, port.url, name="pedal", pool=pool)
    await switch.open()
    assert await switch.call(lambda one: one.wait_press(0.1)) is None


async def test_server_that_is_gone_is_noticed_though_the_last_state_is_remembered(
    port: Rfc2217Port, pool: LinkPool
) -> None:
    switch = build_instrument(FOOT_SWITCH, DRIVER, port.url, name="pedal", pool=pool)
    await switch.open()
    assert await switch.call(lambda one: one.wait_press(0.1)) is None
    port.close()

    async def notice() -> LinkError:
        while True:
            try:
                assert await switch.call(lambda one: one.wait_press(0.1)) is None
            except LinkError as error:
                return error

    async with asyncio.timeout(20.0):
        error = await notice()
    assert error.fault in {LinkFault.LOST, LinkFault.ABSENT}


async def test_network_that_is_gone_without_a_word_is_noticed_by_the_system(port: Rfc2217Port, pool: LinkPool) -> None:
    """Nothing is sent while nobody presses: only keep-alives (RFC 9293, 3.8.4) tell silence from a pulled cable."""
    switch = build_instrument(FOOT_SWITCH, DRIVER, port.url, name="pedal", pool=pool)
    await switch.open()
    link = switch.runner.link
    assert isinstance(link, SerialLink)
    connection = vars(link._handle)["_socket"]  # pyserial keeps it to itself
    assert isinstance(connection, socket.socket)
    assert connection.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE)
    options = (socket.TCP_KEEPIDLE, socket.TCP_KEEPINTVL, socket.TCP_KEEPCNT)
    idle_s, every_s, tries = (connection.getsockopt(socket.IPPROTO_TCP, option) for option in options)
    assert idle_s + every_s * tries <= 15
