"""A serial server that hangs while its connection lives: told as such, and connected anew once it is back.

A proxy that lets nothing through stands for the server that is paused: the connection stays, and nobody answers.
"""

from collections.abc import AsyncIterator, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from lampwarden.drivers.codecs.modbus import encode_frame
from lampwarden.drivers.instruments import BenchInstrument, LinkPool, build_instrument
from lampwarden.drivers.links.base import SerialSettings
from lampwarden.drivers.links.serial_link import SerialLink
from lampwarden.drivers.registry import Registry
from lampwarden.drivers.roles import AIR_LOGGER, FOOT_SWITCH, QUANTUM_SENSOR, AirLogger
from lampwarden.protocol.errors import LinkError, LinkFault
from lampwarden.simulators.ports import SocketPort
from lampwarden.simulators.rfc2217_port import Rfc2217Port
from lampwarden.simulators.sdi12 import QuantumSensor
from support.fakes import FunctionSerial
from support.fault_proxy import FaultProxy, Trouble, fault_proxy
from support.time_source import FastTime

pytestmark = [
    pytest.mark.slow,
    pytest.mark.filterwarnings(r"ignore:set(Daemon|Name)\(\) is deprecated:DeprecationWarning"),  # pyserial 3.5
]

REGISTRY = Registry(user_folder=Path("/nonexistent"), entries=())
HANGS = "the server of the port holds the connection and does not answer"


class Logger(FunctionSerial):
    """An air logger that may be silent itself."""

    def __init__(self) -> None:
        self.is_silent = False
        super().__init__(lambda data: b"" if self.is_silent else self._said(data))

    @staticmethod
    def _said(asked: bytes) -> bytes:
        if asked[1:2] == b"\x2b":
            return encode_frame(asked[0], b"\xab\x01")
        return encode_frame(asked[0], b"\x04\x06" + b"".join(each.to_bytes(2, "big") for each in (1100, 5000, 10132)))


def proxied(device: Any, kind: type[SocketPort]) -> Iterator[tuple[FaultProxy, str]]:
    with kind(device, FastTime(1.0)) as port, fault_proxy(int(port.url.rpartition(":")[2])) as proxy:
        yield proxy, f"{kind.scheme}://127.0.0.1:{proxy.port}"


@pytest.fixture
async def pool() -> AsyncIterator[LinkPool]:
    pool = LinkPool()
    yield pool
    await pool.close()


@pytest.fixture
def device() -> Logger:
    return Logger()


@pytest.fixture
def served(device: Logger) -> Iterator[tuple[FaultProxy, str]]:
    yield from proxied(device, Rfc2217Port)


def air(port: str, pool: LinkPool) -> BenchInstrument[AirLogger]:
    return build_instrument(AIR_LOGGER, REGISTRY.find("modbus-air"), port, {"unit": 11}, name="air", pool=pool)


def temperature(logger: AirLogger) -> float | None:
    return logger.read_air().temperature_c


async def test_hung_server_is_told_and_connected_anew_when_it_is_back(
    served: tuple[FaultProxy, str], pool: LinkPool
) -> None:
    proxy, port = served
    logger = air(port, pool)
    assert await logger.call(temperature) == 11.0
    proxy.set(Trouble.SWALLOW)
    with pytest.raises(LinkError, match=HANGS) as caught:
        await logger.call(temperature)
    assert caught.value.fault is LinkFault.LOST
    assert "restart the server" in caught.value.mend
    with pytest.raises(LinkError, match="takes the connection and does not answer as RFC 2217 asks"):
        await logger.call(temperature)
    proxy.set(Trouble.NONE)
    assert await logger.call(temperature) == 11.0
    assert proxy.connections == 3, "the first, the one in vain, and the last"


async def test_silent_instrument_behind_a_server_that_answers_is_told_as_silent(
    served: tuple[FaultProxy, str], pool: LinkPool, device: Logger
) -> None:
    proxy, port = served
    logger = air(port, pool)
    assert await logger.call(temperature) == 11.0
    device.is_silent = True
    for _ in range(2):
        with pytest.raises(LinkError, match="no answer") as caught:
            await logger.call(temperature)
        assert caught.value.fault is LinkFault.SILENT
    device.is_silent = False
    assert await logger.call(temperature) == 11.0
    assert proxy.connections == 1


async def test_hung_server_of_an_sdi12_line_is_told_though_it_is_the_break_that_hangs(pool: LinkPool) -> None:
    for proxy, port in proxied(QuantumSensor(lambda _: 512.3), Rfc2217Port):
        sensor = build_instrument(QUANTUM_SENSOR, REGISTRY.find("sdi12-quantum"), port, name="q", pool=pool)
        assert await sensor.call(lambda one: one.read_ppfd_umol()) == 512.3
        proxy.set(Trouble.SWALLOW)
        with pytest.raises(LinkError, match=HANGS):
            await sensor.call(lambda one: one.read_ppfd_umol())
        proxy.set(Trouble.NONE)
        assert await sensor.call(lambda one: one.read_ppfd_umol()) == 512.3


async def test_hung_server_is_told_by_a_foot_switch_that_nobody_presses(
    served: tuple[FaultProxy, str], pool: LinkPool
) -> None:
    """Its line's last state would be believed for ever."""
    proxy, port = served
    switch = build_instrument(FOOT_SWITCH, REGISTRY.find("line-foot-switch"), port, name="pedal", pool=pool)
    await switch.open()
    assert await switch.call(lambda one: one.wait_press(2.0)) is None
    assert proxy.connections == 1
    proxy.set(Trouble.SWALLOW)
    with pytest.raises(LinkError, match=HANGS):
        await switch.call(lambda one: one.wait_press(10.0), bound_s=30.0)
    proxy.set(Trouble.NONE)
    assert await switch.call(lambda one: one.wait_press(0.1)) is None
    assert proxy.connections == 2


def test_plain_connection_on_which_an_instrument_is_silent_for_long_is_made_anew(
    device: Logger, monkeypatch: pytest.MonkeyPatch
) -> None:
    now_s = 0.0
    monkeypatch.setattr(SerialLink, "now_s", lambda _: now_s)
    for proxy, port in proxied(device, SocketPort):
        link = SerialLink(port, SerialSettings())
        device.is_silent = True
        link.write(b"?")
        assert link.read(1, 0.0) == b""
        assert link.is_open
        now_s += 11.0
        assert link.read(1, 0.0) == b""
        assert not link.is_open
        device.is_silent = False
        link.write(b"\x0b?")
        _until_heard(link)
        assert (proxy.connections, link.generation) == (2, 2)
        link.close()


def _until_heard(link: SerialLink) -> None:
    for _ in range(500):
        with suppress(LinkError):
            if link.read(64, 0.0):
                return
    raise AssertionError("nothing came")
