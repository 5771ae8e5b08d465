"""One suite over every driver and every wire it can have: in line, pseudo-terminal, socket, RFC 2217, virtual USB bus.

The devices are simulated, with codecs of their own; their readings are constants. Faults are the simulators', by name.
What is claimed holds for any driver: a right reading or one of the errors that a person can act on, within the bound,
and a right reading again once the fault is over, without anybody opening anything.
"""

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from lampwarden.drivers.roles import FOOT_SWITCH, FootSwitch, Instrument, Press
from lampwarden.protocol.errors import DeviceError, LinkError, LinkFault, WireError
from lampwarden.simulators.faults import Fault, FaultyPedal, FaultyTalker
from support.rigs import FAULTY_STANDS, PEDALS, STANDS, Stand, stand

pytestmark = [
    pytest.mark.slow,
    pytest.mark.filterwarnings(
        r"ignore:set(Daemon|Name)\(\) is deprecated:DeprecationWarning"
    ),  # pyserial 3.5 in its RFC 2217 client
]

ACTIONABLE = (LinkError, WireError, DeviceError)


@pytest.fixture(params=STANDS, ids=lambda param: f"{param[0]}-{param[1]}")
async def at(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[Stand]:
    with stand(*request.param, tmp_path) as found:
        yield found
        await found.pool.close()


@pytest.fixture(params=FAULTY_STANDS, ids=lambda param: f"{param[0]}-{param[1]}-{param[2].value}")
async def suffering(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[tuple[Stand, Fault]]:
    rig, wire, fault = request.param
    with stand(rig, wire, tmp_path) as found:
        yield found, fault
        await found.pool.close()


@pytest.fixture(params=[each for each in STANDS if each[0] in PEDALS], ids="-".join)
async def pedal(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[Stand]:
    with stand(*request.param, tmp_path) as found:
        yield found
        await found.pool.close()


async def test_device_is_identified_and_declares_itself_simulated(at: Stand) -> None:
    identity = await at.instrument.open()
    assert identity.simulated is at.rig.has_identity
    assert identity.maker == ("LWSIM" if at.rig.has_identity else "")
    assert await at.instrument.open() == identity, "opening again changes nothing"


async def test_reading_is_what_the_device_shows(at: Stand) -> None:
    for _ in range(3):
        assert await at.reading() == at.rig.wanted


async def test_reading_needs_no_opening_first(at: Stand) -> None:
    assert await at.reading() == at.rig.wanted


async def test_driver_fills_its_role(at: Stand) -> None:
    assert isinstance(at.instrument.instrument, at.rig.role.protocol)
    assert isinstance(at.instrument.instrument, Instrument)
    assert at.instrument.instrument.bound_s > 0


async def test_calls_at_once_wait_for_each_other(at: Stand) -> None:
    if at.rig.role is FOOT_SWITCH:  # two may not wait for one press
        assert await asyncio.gather(*(at.instrument.call(lambda one: one.identify()) for _ in range(4)))
        return
    assert await asyncio.gather(*(at.reading() for _ in range(4))) == [at.rig.wanted] * 4


async def test_cancelled_reading_harms_nobody(at: Stand) -> None:
    await at.instrument.open()
    for _ in range(3):
        cancelled = asyncio.ensure_future(at.reading())
        await at.instrument.call(lambda one: one.bound_s)
        cancelled.cancel()
        with pytest.raises(asyncio.CancelledError):
            await cancelled
    if at.rig.role is not FOOT_SWITCH:  # a cancelled wait may have taken the press
        assert await at.reading() == at.rig.wanted


async def test_fault_gives_an_actionable_error_and_no_wrong_reading_and_passes(
    suffering: tuple[Stand, Fault],
) -> None:
    at, fault = suffering
    assert await at.reading() == at.rig.wanted
    at.rig.faults.switch_on(fault)
    at.settle()
    await _suffers(at, fault)
    at.rig.faults.switch_off()
    at.settle()
    await _recovers(at)


async def _suffers(at: Stand, fault: Fault) -> None:
    """The reading under the fault: an error that fits, or for what a wire can live with, the right reading."""
    if at.rig.role is FOOT_SWITCH and fault is Fault.SILENT:
        assert await at.reading() is None, "a press that never came is no press"
        return
    # Noise between answers may miss them, and five seconds of delay are a quarter of one at twenty times the speed.
    may_pass = fault in {Fault.BABBLE, Fault.LATE}
    # What a device has sent by itself before the fault began may still be on its way, many lines of it on a busy
    # machine; a question's answer may not.
    tries = (5 if may_pass else 50) if isinstance(at.rig.device, FaultyTalker) else 1
    for _ in range(tries):
        try:
            found = await at.reading()
        except ACTIONABLE as error:
            _fits(error, fault)
            return
        assert found == at.rig.wanted
    assert may_pass


def _fits(error: LinkError | WireError | DeviceError, fault: Fault) -> None:
    assert error.where
    if fault is Fault.UNPLUGGED:
        assert isinstance(error, LinkError)
        assert error.fault in {LinkFault.LOST, LinkFault.ABSENT}
        assert error.mend
    if fault is Fault.SILENT:
        assert isinstance(error, LinkError)
        assert error.fault is LinkFault.SILENT


async def _recovers(at: Stand) -> None:
    """After the fault a right reading comes again; what the fault left in the line may spoil some tries, no value."""
    for _ in range(10):
        try:
            found = await at.reading()
        except ACTIONABLE:
            continue
        if found is None and at.rig.role is FOOT_SWITCH:
            continue
        assert found == at.rig.wanted
        return
    pytest.fail("the instrument did not come back")


async def test_pedal_that_hangs_is_told_from_one_that_nobody_presses_by_asking_who_it_is(tmp_path: Path) -> None:
    with stand("pedal", "usbip", tmp_path) as at:
        assert await at.reading() == at.rig.wanted
        at.rig.faults.switch_on(Fault.HANG)
        at.settle()
        assert await at.instrument.call(at.rig.read) is None, "no press is no error"
        with pytest.raises(LinkError):
            await at.instrument.call(lambda switch: switch.identify())
        at.rig.faults.switch_off()
        at.settle()
        assert (await at.instrument.open()).simulated
        await at.pool.close()


async def test_closing_is_bounded_and_may_be_repeated(at: Stand) -> None:
    await at.reading()
    await at.instrument.close()
    await at.instrument.close()
    with pytest.raises(LinkError, match="closed"):
        await at.reading()


async def test_long_press_is_told_from_a_short_one(pedal: Stand) -> None:
    at = pedal
    await at.instrument.open()
    # Real wires run twenty times as fast here: 1.2 s of hold last 60 ms.
    assert isinstance(at.rig.device, FaultyPedal)
    at.rig.device.press(at.now_s(), long=True)

    def wait(switch: Instrument) -> Press | None:
        assert isinstance(switch, FootSwitch)
        return switch.wait_press(2.0)

    assert await at.instrument.call(wait) is (Press.LONG if at.is_inline else Press.SHORT)
