"""Our wire code beside independent libraries on the same simulated devices, and instruments read side by side."""

import asyncio
import functools
import importlib.util
import struct
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from itertools import cycle
from pathlib import Path

import numpy as np
import usb.core
import usb.util
from lampwarden.daemon.clock import wire_sleep
from lampwarden.daemon.config import load_config
from lampwarden.daemon.service import Opener
from lampwarden.drivers.codecs.usbtmc import encode_out, encode_request_in
from lampwarden.drivers.links.base import UsbInterface
from lampwarden.drivers.links.factory import serial_link, usb_link
from lampwarden.drivers.links.usbip_backend import UsbIpBackend
from lampwarden.drivers.registry import Registry
from lampwarden.drivers.roles import AIR_LOGGER, POWER_METER, QUANTUM_SENSOR, SPECTROMETER, PowerMeter, Spectrometer
from served import HURRIED, serving
from table import Row, median, ms

PIXELS = 2048
BYTES = 4 * PIXELS
INTEGRATION_S = 1e-4
VID, PID = 0x1209, 0x0001
ASLEEP_S = 0.2
"""After so long an SDI-12 sensor sleeps and needs a break, as it does at one poll a second."""

Reader = Callable[[], object]


def missing(*modules: str) -> list[str]:
    return [name for name in modules if importlib.util.find_spec(name) is None]


def timed(read: Reader, count: int) -> list[float]:
    """Seconds of each of so many reads, after some that do not count."""
    for _ in range(3):
        read()
    found = []
    for _ in range(count):
        began = time.perf_counter()
        read()
        found.append(time.perf_counter() - began)
    return found


@contextmanager
def our_spectrometer(url: str) -> Iterator[Reader]:
    plan = Registry().find("scpi-spectrometer").plan({}).usb
    assert plan is not None
    link = usb_link(url, plan.interface)
    link.claim()
    device = plan.build(link)
    assert isinstance(device, Spectrometer)
    try:
        yield lambda: device.capture(INTEGRATION_S, 1)
    finally:
        link.close()


@contextmanager
def bare_transfers(url: str) -> Iterator[Reader]:
    """The three bulk transfers that any host must make, one after the other through pyusb's blocking calls, no more.

    Peers cannot be faster than this. Ours can be, on a bus that takes several transfers at once, as USB/IP does: it
    queues the three. Through pyusb's calls into libusb it makes them one after the other as well.
    """
    link = usb_link(url, UsbInterface(0xFE, 0x03))
    link.claim()
    tags = cycle(range(1, 255))
    endpoints = link.read_endpoints()
    device = link._device
    assert device is not None

    def read() -> object:
        device.write(endpoints.bulk_out, encode_out(next(tags), b"READ?\n"), 1000)
        device.write(endpoints.bulk_out, encode_request_in(next(tags), 2 * BYTES), 1000)
        return device.read(endpoints.bulk_in, 2 * BYTES, 1000)

    try:
        yield read
    finally:
        link.close()


@contextmanager
def python_usbtmc(number: int) -> Iterator[Reader]:
    import usbtmc

    found = usb.core.find(backend=UsbIpBackend("127.0.0.1", number, VID, PID))
    device = usbtmc.Instrument(found)
    device.open()
    device.write(f"SENS:APER {INTEGRATION_S}")

    def read() -> np.ndarray:
        raw = device.ask_raw(b"READ?")
        return np.frombuffer(raw, "<f4", PIXELS, 6).astype(np.float64)

    try:
        yield read
    finally:
        device.close()
        usb.util.dispose_resources(device.device)


@contextmanager
def pyvisa_py(number: int) -> Iterator[Reader]:
    """As its users write it: pyvisa's own call for a block of numbers, with pyvisa-py below it."""
    import pyvisa

    plain_find = usb.core.find
    usb.core.find = lambda *_: None  # it looks for libusb when it is imported, and we have another backend
    try:
        manager = pyvisa.ResourceManager("@py")
        usb.core.find = functools.partial(plain_find, backend=UsbIpBackend("127.0.0.1", number, VID, PID))
        device = manager.open_resource(f"USB0::{VID}::{PID}::SIM0001::0::INSTR", timeout=3000)
        assert isinstance(device, pyvisa.resources.MessageBasedResource)
        device.write(f"SENS:APER {INTEGRATION_S}")
        yield lambda: device.query_binary_values("READ?", "f", container=np.ndarray)
        device.close()
        manager.close()
    finally:
        usb.core.find = plain_find


def spectrum(*, short: bool) -> Row:
    """A spectrum of 2,048 pixels, as numbers, from the same virtual device."""
    repeats, count = (4, 20) if short else (15, 50)  # in short turns, so that a busy moment meets all of them
    absent = missing("usbtmc", "pyvisa", "pyvisa_py")
    times: dict[str, list[float]] = {"ours": [], "python-usbtmc": [], "pyvisa-py": []}
    bare: list[float] = []
    with serving("spectrometer") as served:
        for _ in range(repeats):
            with our_spectrometer(served["url"]) as read:
                times["ours"] += timed(read, count)
            with bare_transfers(served["url"]) as read:
                bare += timed(read, count)
            if "usbtmc" not in absent:
                with python_usbtmc(served["number"]) as read:
                    times["python-usbtmc"] += timed(read, count)
            if not {"pyvisa", "pyvisa_py"} & set(absent):
                with pyvisa_py(served["number"]) as read:
                    times["pyvisa-py"] += timed(read, count)
    return beside(
        "spectrum",
        "spectrum over USBTMC (2,048 px f32): faster of pyvisa-py and python-usbtmc / ours, same virtual device",
        times,
        1.2,
        absent,
        more=f"; ours queues its three transfers; one after the other through pyusb they take {ms(median(bare))}",
    )


def beside(
    key: str, what: str, times: dict[str, list[float]], goal: float, absent: list[str], *, more: str = ""
) -> Row:
    """The fastest peer over ours: how many times as fast we are."""
    peers = {name: median(values) for name, values in times.items() if values and name != "ours"}
    ours = median(times["ours"])
    seen = ", ".join([f"ours {ms(ours)}", *(f"{name} {ms(value)}" for name, value in peers.items())])
    if absent:
        seen += f"; not installed: {', '.join(absent)}"
    value = min(peers.values()) / ours if peers else None
    return Row(key, what, value, "×", goal, True, seen + more, len(times["ours"]))


@contextmanager
def our_meter(url: str) -> Iterator[Reader]:
    plan = Registry().find("modbus-meter").plan({"unit": 1}).serial
    assert plan is not None
    link = serial_link(url, plan.settings)
    link.claim()
    meter = plan.build(link)
    assert isinstance(meter, PowerMeter)
    try:
        yield meter.read_supply
    finally:
        link.close()


@contextmanager
def pymodbus(url: str) -> Iterator[Reader]:
    from pymodbus.client import ModbusSerialClient

    with ModbusSerialClient(url, baudrate=19200, timeout=1, retries=0) as client:

        def read() -> object:
            answer = client.read_input_registers(0, count=10, device_id=1)
            return client.convert_from_registers(answer.registers, client.DATATYPE.FLOAT32)

        yield read


@contextmanager
def minimalmodbus(url: str) -> Iterator[Reader]:
    import minimalmodbus as library

    meter = library.Instrument(url, 1)
    meter.serial.baudrate, meter.serial.timeout = 19200, 1.0
    try:
        yield lambda: struct.unpack(">5f", struct.pack(">10H", *meter.read_registers(0, 10, functioncode=4)))
    finally:
        meter.serial.close()


def poll(*, short: bool) -> Row:
    """Voltage, current, power, power factor and frequency as numbers, in one request, from the same simulated meter."""
    repeats, count = (2, 15) if short else (15, 20)
    hosts = {"ours": our_meter, "pymodbus": pymodbus, "minimalmodbus": minimalmodbus}
    absent = missing("pymodbus", "minimalmodbus")
    times: dict[str, list[float]] = {name: [] for name in hosts}
    with serving("meter") as served:
        for _ in range(repeats):
            for name, host in hosts.items():
                if name not in absent:
                    with host(served["url"]) as read:
                        times[name] += timed(read, count)
    what = "Modbus poll of a power meter: faster of pymodbus and minimalmodbus / ours, same pseudo-terminal, 19200 Bd"
    return beside("poll", what, times, 1.0, absent)


def side_by_side(*, short: bool) -> Row:
    """All instruments read at once, as over a window, beside the slowest of them read alone."""
    repeats = 3 if short else 40
    with serving("benches", broker_port=1, procedure=HURRIED, begin=False) as served:
        return asyncio.run(_side_by_side(served["configs"][0], repeats))


async def _side_by_side(path: str, repeats: int) -> Row:
    config = load_config(Path(path))
    opener = Opener(Registry())
    tables = config.instruments
    sensor = opener.open("quantum", tables["quantum"], QUANTUM_SENSOR)
    meter = opener.open("mains", tables["mains"], POWER_METER)
    inside = opener.open("air-in", tables["air-in"], AIR_LOGGER)
    eye = opener.open("spectrometer", tables["spectrometer"], SPECTROMETER)
    reads = {
        "quantum sensor": lambda: sensor.call(lambda one: one.read_ppfd_umol()),
        "power meter": lambda: meter.call(lambda one: one.read_supply()),
        "air logger": lambda: inside.call(lambda one: one.read_air()),
        "spectrometer": lambda: eye.call(lambda one: one.capture(0.07, 1)),
    }
    alone: dict[str, list[float]] = {name: [] for name in reads}
    together: list[float] = []
    for turn in range(repeats + 1):
        for name, read in reads.items():
            await wire_sleep(ASLEEP_S)
            began = time.perf_counter()
            await read()
            alone[name].append(time.perf_counter() - began)
        await wire_sleep(ASLEEP_S)
        began = time.perf_counter()
        await asyncio.gather(*(read() for read in reads.values()))
        together.append(time.perf_counter() - began)
        if turn == 0:  # opening the ports does not count
            together.clear()
            for values in alone.values():
                values.clear()
    with suppress(TimeoutError):
        await opener.close()
    slowest = max(alone, key=lambda name: median(alone[name]))
    each = ", ".join(f"{name} {ms(median(values))}" for name, values in alone.items())
    return Row(
        "side by side",
        f"four instruments read side by side / the slowest alone ({slowest})",
        median(together) / median(alone[slowest]),
        "×",
        1.1,
        False,
        f"together {ms(median(together))}; alone: {each}; one after the other "
        f"{ms(sum(median(values) for values in alone.values()))}",
        repeats,
    )
