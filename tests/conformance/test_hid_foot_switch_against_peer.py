"""Our foot switch driver against HID devices of PyPI ``usbip``, whose descriptors and reports are its own."""

from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest
import usbip
from lampwarden.drivers.instruments import BenchInstrument, LinkPool, build_instrument
from lampwarden.drivers.plan import Driver
from lampwarden.drivers.profile import parse_profile
from lampwarden.drivers.profile_drivers import driver_of
from lampwarden.drivers.registry import Registry
from lampwarden.drivers.roles import FOOT_SWITCH, FootSwitch, Press
from lampwarden.protocol.errors import LinkError
from usbip.classes.device import hid
from usbip.transport import USBIP

KEYBOARD = Registry(user_folder=Path("/nonexistent"), entries=()).find("hid-foot-switch")
PLAIN = driver_of(
    parse_profile(
        'role = "foot_switch"\nwire = "hid"\ntitle = "plain"\n[hid]\nreport = "plain"\nmask = [0, 2]\n', where="test"
    ),
    "plain",
)
BOOT = {"subclass": hid.SUBCLASS_BOOT, "protocol": hid.PROTOCOL_KEYBOARD}


class Pedal:
    """A plugged device and the instrument that reads it."""

    def __init__(self, interface: hid.HID, driver: Driver, pool: LinkPool) -> None:
        self.interface = interface
        self.device = usbip.USBDevice(0x1209, 0x0002, manufacturer="PEER", product="Pedal", serial="P1")
        self.device.add(interface)
        self.transport = USBIP("127.0.0.1", 0)
        self.device.plug(via=self.transport)
        port = self.transport._listener.socks[0].getsockname()[1]
        self.switch: BenchInstrument[FootSwitch] = build_instrument(
            FOOT_SWITCH, driver, f"usbip://127.0.0.1:{port}/1209:0002:P1", name="pedal", pool=pool
        )

    def send(self, *reports: bytes) -> None:
        for report in reports:
            self.interface.send_report(report)

    async def press(self, timeout_s: float = 5.0) -> Press | None:
        bound_s = timeout_s + self.switch.instrument.bound_s
        return await self.switch.call(lambda one: one.wait_press(timeout_s), bound_s=bound_s)


@pytest.fixture
async def pool() -> AsyncIterator[LinkPool]:
    pool = LinkPool()
    yield pool
    await pool.close()


@pytest.fixture
def keyboard(pool: LinkPool) -> Iterator[Pedal]:
    pedal = Pedal(hid.HID(hid.keyboard_report_descriptor(), **BOOT), KEYBOARD, pool)
    yield pedal
    pedal.device.unplug()


@pytest.fixture
def plain(pool: LinkPool) -> Iterator[Pedal]:
    pedal = Pedal(hid.HID(hid.vendor_report_descriptor(in_size=2)), PLAIN, pool)
    yield pedal
    pedal.device.unplug()


async def test_device_is_known_by_its_strings_and_is_not_simulated(keyboard: Pedal) -> None:
    identity = await keyboard.switch.open()
    assert (identity.maker, identity.model, identity.serial) == ("PEER", "Pedal", "P1")
    assert not identity.simulated


async def test_press_of_a_key(keyboard: Pedal) -> None:
    await keyboard.switch.open()
    keyboard.send(bytes.fromhex("0000050000000000"), bytes(8))
    assert await keyboard.press() is Press.SHORT
    assert await keyboard.press(0.05) is None


async def test_keyboard_is_asked_for_the_boot_report(keyboard: Pedal) -> None:
    assert keyboard.interface.protocol == hid.REPORT_PROTOCOL
    await keyboard.press(0.01)
    assert keyboard.interface.protocol == hid.BOOT_PROTOCOL


async def test_press_of_a_plain_device_counts_by_its_mask(plain: Pedal) -> None:
    await plain.switch.open()
    plain.send(b"\x01\x00", b"\x00\x00")
    assert await plain.press(0.1) is None
    plain.send(b"\x01\x02", b"\x01\x00")
    assert await plain.press() is Press.SHORT


async def test_driver_of_keyboards_refuses_a_device_that_is_none(plain: Pedal, pool: LinkPool) -> None:
    wrong = build_instrument(FOOT_SWITCH, KEYBOARD, plain.switch.port, name="wrong", pool=LinkPool())
    with pytest.raises(LinkError, match="no interface 03/01/01, only 03/00/00"):
        await wrong.open()
    await wrong.close()
