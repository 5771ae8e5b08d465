"""Our Modbus driver against pymodbus's RTU server, over a pair of linked pseudo-terminals and over TCP.

The server is a third party's: framing, CRC, registers, exceptions and device identification are its own.
"""

import asyncio
import contextlib
import os
import threading
import tty
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest
from lampwarden.drivers.instruments import BenchInstrument, LinkPool, build_instrument
from lampwarden.drivers.registry import Registry
from lampwarden.drivers.roles import AIR_LOGGER, POWER_METER, Instrument
from lampwarden.protocol.errors import DeviceError
from pymodbus import FramerType, ModbusDeviceIdentification
from pymodbus.datastore import ModbusDeviceContext, ModbusSequentialDataBlock, ModbusServerContext
from pymodbus.server import ModbusSerialServer, ModbusTcpServer

pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning")  # of pymodbus's older data store

REGISTRY = Registry(user_folder=Path("/nonexistent"), entries=())
AIR_UNIT, METER_UNIT = 11, 1
# IEEE 754: 230.0 = 43660000h, 1.25 = 3FA00000h, 287.5 = 438FC000h, 0.91 = 3F68F5C3h, 50.0 = 42480000h.
METER_REGISTERS = [0x4366, 0x0000, 0x3FA0, 0x0000, 0x438F, 0xC000, 0x3F68, 0xF5C3, 0x4248, 0x0000, 0, 0]
# −5.21 °C as two's complement of 521; 48.22 %; 1013.2 hPa.
AIR_REGISTERS = [0x10000 - 521, 4822, 10132]


def context() -> ModbusServerContext:
    def unit(registers: list[int]) -> ModbusDeviceContext:
        # The block begins at 1 because the server counts registers from 1 within it.
        return ModbusDeviceContext(ir=ModbusSequentialDataBlock(1, registers))

    return ModbusServerContext(devices={METER_UNIT: unit(METER_REGISTERS), AIR_UNIT: unit(AIR_REGISTERS)}, single=False)


IDENTITY = ModbusDeviceIdentification(
    info_name={"VendorName": "PEER", "ProductCode": "M-1", "MajorMinorRevision": "3.1", "UserApplicationName": "TEST"}
)


@contextlib.contextmanager
def linked_terminals() -> Iterator[tuple[str, str]]:
    """Two pseudo-terminals whose masters are joined: what is written to one is read from the other."""
    masters, slaves, names = [], [], []
    for _ in range(2):
        master, slave = os.openpty()
        tty.setraw(slave)
        masters.append(master)
        slaves.append(slave)
        names.append(os.ttyname(slave))
    stop_read, stop_write = os.pipe()

    def copy() -> None:
        import select

        while True:
            ready, _, _ = select.select([*masters, stop_read], [], [])
            if stop_read in ready:
                return
            for source in ready:
                os.write(masters[1 - masters.index(source)], os.read(source, 4096))

    thread = threading.Thread(target=copy, daemon=True)
    thread.start()
    try:
        yield names[0], names[1]
    finally:
        os.write(stop_write, b".")
        thread.join()
        for descriptor in (*masters, *slaves, stop_read, stop_write):
            os.close(descriptor)


@pytest.fixture(params=["pty", "tcp"])
async def port(request: pytest.FixtureRequest) -> AsyncIterator[str]:
    """Where the server listens, as our drivers name it."""
    with contextlib.ExitStack() as stack:
        if request.param == "pty":
            ours, theirs = stack.enter_context(linked_terminals())
            server = ModbusSerialServer(
                context(), framer=FramerType.RTU, identity=IDENTITY, port=theirs, baudrate=19200, timeout=0.1
            )
            found = ours
        else:
            server = ModbusTcpServer(context(), framer=FramerType.RTU, identity=IDENTITY, address=("127.0.0.1", 0))
        serving = asyncio.ensure_future(server.serve_forever())
        while server.transport is None:
            await asyncio.wait([serving], timeout=0.01)
        if request.param == "tcp":
            found = f"socket://127.0.0.1:{server.transport.sockets[0].getsockname()[1]}"
        yield found
        await server.shutdown()
        await asyncio.wait([serving], timeout=5)


@pytest.fixture
async def pool() -> AsyncIterator[LinkPool]:
    pool = LinkPool()
    yield pool
    await pool.close()


def meter(port: str, pool: LinkPool, **options: int) -> BenchInstrument:
    return build_instrument(POWER_METER, REGISTRY.find("modbus-meter"), port, options, name="meter", pool=pool)


def air(port: str, pool: LinkPool) -> BenchInstrument:
    driver = REGISTRY.find("modbus-air")
    return build_instrument(AIR_LOGGER, driver, port, {"unit": AIR_UNIT}, name="air", pool=pool)


async def test_float_registers_of_the_peer_become_the_supply(port: str, pool: LinkPool) -> None:
    found = await meter(port, pool).call(lambda one: one.read_supply())
    assert (found.voltage_v, found.current_a, found.power_w, found.frequency_hz) == (230.0, 1.25, 287.5, 50.0)
    assert found.power_factor == pytest.approx(0.91, rel=1e-7)


async def test_scaled_registers_of_the_peer_become_air_below_zero_too(port: str, pool: LinkPool) -> None:
    found = await air(port, pool).call(lambda one: one.read_air())
    assert found.temperature_c == pytest.approx(-5.21)
    assert found.humidity_percent == pytest.approx(48.22)
    assert found.pressure_hpa == pytest.approx(1013.2)


async def test_two_units_share_the_line_and_never_mix(port: str, pool: LinkPool) -> None:
    one, other = meter(port, pool), air(port, pool)
    assert one.runner is other.runner
    supplies, airs = [], []

    async def poll(instrument: BenchInstrument, into: list[object], read: object) -> None:
        into.extend([await instrument.call(read) for _ in range(10)])

    await asyncio.gather(
        poll(one, supplies, lambda m: m.read_supply().voltage_v), poll(other, airs, lambda a: a.read_air().pressure_hpa)
    )
    assert supplies == [230.0] * 10
    assert airs == pytest.approx([1013.2] * 10)


async def test_peers_identification_is_read(port: str, pool: LinkPool) -> None:
    identity = await meter(port, pool).open()
    assert (identity.maker, identity.model, identity.firmware) == ("PEER", "M-1", "3.1")
    assert not identity.simulated


async def test_register_that_the_peer_has_not_is_its_exception(port: str, pool: LinkPool) -> None:
    driver = REGISTRY.find("modbus-meter")
    wrong = build_instrument(POWER_METER, driver, port, {"unit": AIR_UNIT}, name="wrong", pool=pool)
    with pytest.raises(DeviceError, match="illegal data address") as caught:
        await wrong.call(lambda one: one.read_supply())
    assert caught.value.code == 2


def test_peers_of_the_contract_are_instruments() -> None:
    assert isinstance(meter("/dev/null", LinkPool()).instrument, Instrument)
