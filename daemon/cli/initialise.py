"""``lampwarden init``: looks for ports, asks a few questions, writes a commented ``bench.toml``.

Owns the first hour. It opens no port: what a serial adapter has at its other end only its owner knows, so it asks. USB
instruments are told by their class (USB Test and Measurement, HID boot keyboard). What it writes is read back with the
daemon's own model before it is called done.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from ...drivers.plan import Driver
from ...drivers.registry import Registry
from ...protocol.errors import ConfigurationError
from ..config import BenchConfig, parse_config

USB_TEST_AND_MEASUREMENT: Final = (0xFE, 0x03)
"""Class and subclass (USBTMC 1.0, table 43)."""
HID_BOOT_KEYBOARD: Final = (0x03, 0x01, 0x01)
"""Class, subclass and protocol (HID 1.11, 4.2 and 4.3)."""
ROLES: Final = ("quantum_sensor", "spectrometer", "power_meter", "air_inside", "air_outside", "foot_switch")
_DRIVER_ROLE: Final = {"air_inside": "air_logger", "air_outside": "air_logger"}

Ask = Callable[[str, str], str]
"""Question and the answer that is taken for an empty line → answer."""


@dataclass(frozen=True, slots=True)
class FoundPort:
    """A port that something could be at."""

    port: str
    what: str
    wire: str
    """serial, usbtmc or hid."""


@dataclass(frozen=True, slots=True)
class Wishes:
    """What was given as options; None is asked."""

    bench: str | None = None
    title: str | None = None
    columns: int | None = None
    rows: int | None = None
    pitch_mm: float | None = None
    reference: str | None = None
    mains: str | None = None
    """Voltage and frequency, as 230/50."""
    instruments: tuple[str, ...] = ()
    """ROLE=PROFILE@PORT each; with any of these no port is asked about."""


def find_ports() -> list[FoundPort]:
    """Serial ports, and USB devices of a class that a bench uses; none is opened."""
    return [*_serial_ports(), *_usb_devices()]


def _serial_ports() -> list[FoundPort]:
    from serial.tools.list_ports import comports  # noqa: PLC0415 - only here

    found = []
    for info in sorted(comports(), key=lambda port: str(port.device)):
        port = str(info.device)
        if info.vid is not None and info.pid is not None:
            serial = f":{info.serial_number}" if info.serial_number else ""
            # By identity: the number of a device file changes with the order of plugging in.
            port = f"usb:{info.vid:04x}:{info.pid:04x}{serial}"
        found.append(FoundPort(port, f"{info.device}: {info.description}", "serial"))
    return found


def _usb_devices() -> list[FoundPort]:
    import usb.core  # noqa: PLC0415 - only here
    import usb.util  # noqa: PLC0415

    found: list[FoundPort] = []
    try:
        devices = list(usb.core.find(find_all=True))
    except (usb.core.NoBackendError, usb.core.USBError):
        return found
    for device in devices:
        wire = _wire_of(device)
        if wire is None:
            continue
        names = [_text(device, index) for index in (device.iManufacturer, device.iProduct, device.iSerialNumber)]
        serial = f":{names[2]}" if names[2] else ""
        port = f"usb:{device.idVendor:04x}:{device.idProduct:04x}{serial}"
        found.append(FoundPort(port, " ".join(name for name in names if name) or "USB device", wire))
    return found


def _wire_of(device: object) -> str | None:
    for configuration in device:  # type: ignore[attr-defined]  # pyusb has no types
        for interface in configuration:
            triple = (interface.bInterfaceClass, interface.bInterfaceSubClass, interface.bInterfaceProtocol)
            if triple[:2] == USB_TEST_AND_MEASUREMENT:
                return "usbtmc"
            if triple == HID_BOOT_KEYBOARD:
                return "hid"
    return None


def _text(device: object, index: int) -> str:
    """A string of the device, or nothing where it may not be asked."""
    import usb.core  # noqa: PLC0415
    import usb.util  # noqa: PLC0415

    try:
        return str(usb.util.get_string(device, index) or "") if index else ""
    except (usb.core.USBError, ValueError, NotImplementedError):
        return ""


def compose(wishes: Wishes, ports: Sequence[FoundPort], registry: Registry, ask: Ask) -> str:
    """The text of a first ``bench.toml``.

    Args:
        wishes: What was given as options.
        ports: What was found.
        registry: Of profiles.
        ask: Asks a person; with no person it returns what it is given for an empty line.

    Raises:
        ConfigurationError: An answer does not fit; says which and why.
    """
    bench = wishes.bench or ask("A short name for this bench (lower case letters, digits, - and _)", "bench-1")
    title = wishes.title or ask("What people call it", "lamp bench")
    columns = wishes.columns or _whole(ask("Columns of the grid (letters)", "6"), "columns")
    rows = wishes.rows or _whole(ask("Rows of the grid (numbers)", "4"), "rows")
    pitch = wishes.pitch_mm or _figure(ask("Distance from spot to spot, mm", "150"), "pitch")
    middle = f"{chr(ord('A') + min(columns, 26) // 2)}{rows // 2 + 1}"
    reference = (wishes.reference or ask("Reference point, normally the brightest spot", middle)).upper()
    voltage, frequency = _mains(wishes.mains or ask("Mains, volt/hertz", "230/50"))
    drivers = [(name, driver) for name, driver in registry.describe() if not isinstance(driver, ConfigurationError)]
    if wishes.instruments:
        chosen = [_wish(text) for text in wishes.instruments]
    else:
        chosen = [found for role in ROLES if (found := _choose(role, ports, drivers, ask)) is not None]
    text = "\n".join(
        [
            *_head(bench, title, columns, rows, pitch, reference, voltage, frequency),
            *_instruments(chosen),
            *_rest(ports, chosen),
        ]
    )
    if chosen:
        _read_back(text)
    return text


def _read_back(text: str) -> BenchConfig:
    return parse_config(text, where="what was answered")


def _wish(text: str) -> tuple[str, str, str]:
    role, _, rest = text.partition("=")
    profile, _, port = rest.partition("@")
    if role not in ROLES or not profile or not port:
        raise ConfigurationError(
            f"{text!r} is not understood",
            where="--instrument",
            mend=f"write ROLE=PROFILE@PORT; roles: {', '.join(ROLES)}",
        )
    return role, profile, port


def _choose(
    role: str, ports: Sequence[FoundPort], drivers: Sequence[tuple[str, Driver]], ask: Ask
) -> tuple[str, str, str] | None:
    """Ask where an instrument is, and which profile it follows."""
    fitting = [(name, driver) for name, driver in drivers if driver.role.name == _DRIVER_ROLE.get(role, role)]
    possible = [port for port in ports if any(_suits(port, driver) for _, driver in fitting)]
    if not possible or not fitting:
        return None
    listed = "; ".join(f"{i + 1}: {port.port} ({port.what})" for i, port in enumerate(possible))
    answer = ask(f"Where is the {role.replace('_', ' ')}? {listed}; 0: there is none", "0")
    number = _whole(answer, role, least=0)
    if number == 0:
        return None
    if number > len(possible):
        raise ConfigurationError(f"{answer} is not one of the ports listed", where=role)
    port = possible[number - 1]
    suiting = [(name, driver) for name, driver in fitting if _suits(port, driver)]
    profile = suiting[0][0]
    if len(suiting) > 1:
        kinds = "; ".join(f"{name}: {driver.title}" for name, driver in suiting)
        profile = ask(f"Which profile does the {role.replace('_', ' ')} follow? {kinds}", profile)
        if profile not in (names := [name for name, _ in suiting]):
            raise ConfigurationError(
                f"{profile!r} is not one of the profiles listed",
                where=f"profile of the {role.replace('_', ' ')}",
                mend=f"answer with one of {', '.join(names)}",
            )
    return role, profile, port.port


def _suits(port: FoundPort, driver: Driver) -> bool:
    """Whether a driver could be at a port, as far as the wire goes."""
    try:
        plan = driver.plan({})
    except ConfigurationError:
        return port.wire == "serial"  # it needs an option first; serial ports are where such devices are
    if port.wire == "serial":
        return plan.serial is not None
    return plan.usb is not None and (port.wire == "hid") == (driver.role.name == "foot_switch")


def _whole(answer: str, where: str, *, least: int = 1) -> int:
    if not answer.strip().isascii() or not answer.strip().isdigit() or int(answer) < least:
        raise ConfigurationError(f"{answer!r} is not a whole number from {least}", where=where)
    return int(answer)


def _figure(answer: str, where: str) -> float:
    try:
        value = float(answer)
    except ValueError:
        value = 0.0
    if not 0.0 < value < 1e6:
        raise ConfigurationError(f"{answer!r} is not a figure above 0", where=where)
    return value


def _mains(answer: str) -> tuple[float, float]:
    voltage, _, frequency = answer.partition("/")
    return _figure(voltage, "mains"), _figure(frequency or "0", "mains")


def _quoted(text: str) -> str:
    """A basic string of TOML 1.0."""
    escapes = {"\\": "\\\\", '"': '\\"'}
    return '"' + "".join(escapes.get(c, c if c.isprintable() else f"\\u{ord(c):04x}") for c in text) + '"'


def _head(
    bench: str,
    title: str,
    columns: int,
    rows: int,
    pitch: float,
    reference: str,
    voltage: float,
    frequency: float,
) -> list[str]:
    return [
        "# A lamp bench. Every key with its meaning: lampwarden init --reference. Try it with: lampwarden check",
        "",
        "[bench]",
        f"id = {_quoted(bench)}           # part of every topic and record",
        f"title = {_quoted(title)}",
        "",
        "[grid]                       # A1 is a corner; letters count columns, numbers count rows",
        f"columns = {columns}",
        f"rows = {rows}",
        f"pitch_x_mm = {pitch:g}",
        f"pitch_y_mm = {pitch:g}",
        f"reference = {_quoted(reference)}           # the marked reference point, normally the brightest spot",
        "",
        "[procedure]                  # gates and windows; left out: 15 min warm-up, 30 s settle, 10 s window",
        f"nominal_voltage_v = {voltage:g}",
        f"nominal_frequency_hz = {frequency:g}",
        "",
        "[uncertainty]                # standard uncertainties (k = 1) of what no instrument knows about itself",
        "height_mm = 3.0              # lamp centre above the sensor plane",
        "placement_mm = 3.0           # sensor against its mark",
        "",
        "# [broker]                   # left out: the daemon starts an MQTT broker of its own on this machine",
        '# host = "broker.example.org"',
        "",
        "# [panel]                    # left out: http://127.0.0.1:18080/ for browsers on this machine",
        '# host = "0.0.0.0"           # for phones too: needs a password (lampwarden password panel-password.json)',
        '# password_file = "panel-password.json"',
        "",
    ]


_NAMES: Final = {
    "quantum_sensor": "quantum",
    "spectrometer": "spectrometer",
    "power_meter": "mains",
    "air_inside": "air-in",
    "air_outside": "air-out",
    "foot_switch": "pedal",
}


def _instruments(chosen: Sequence[tuple[str, str, str]]) -> list[str]:
    lines: list[str] = []
    for role, profile, port in chosen:
        name = _NAMES[role]
        lines += [
            f"[instruments.{name}]",
            f"role = {_quoted(role)}",
            f"profile = {_quoted(profile)}",
            f"port = {_quoted(port)}",
            f"# [instruments.{name}.options]    # what the profile asks for, as address, unit, baud",
        ]
        if role != "foot_switch":
            lines += [
                f"# [instruments.{name}.calibration]",
                '# certificate = "number of the certificate"',
                "# factor = 1.0",
                "# expanded_uncertainty_percent = 2.5    # k = 2",
                '# due_on = "2027-03-02"',
            ]
        lines.append("")
    return lines


def _rest(ports: Sequence[FoundPort], chosen: Sequence[tuple[str, str, str]]) -> list[str]:
    """Ports that nobody claimed, as comments; and an example where there is no instrument at all."""
    used = {port for _, _, port in chosen}
    lines = [f"# found, not used: {port.port} ({port.what})" for port in ports if port.port not in used]
    if not chosen:
        lines += [
            "# No instrument yet: at least a quantum sensor or a spectrometer is needed, for instance",
            "# [instruments.quantum]",
            '# role = "quantum_sensor"',
            '# profile = "sdi12-quantum"    # all of them: lampwarden profiles',
            '# port = "/dev/ttyUSB0"',
        ]
    return [*lines, ""] if lines else lines


def write_new(path: Path, text: str, *, force: bool) -> None:
    """Write the file; an old one is left alone unless asked.

    Raises:
        ConfigurationError: There is one already, or it cannot be written.
    """
    try:
        with path.open("w" if force else "x", encoding="utf-8") as out:
            out.write(text)
    except FileExistsError:
        raise ConfigurationError("is there already", where=str(path), mend="--force replaces it") from None
    except OSError as error:
        raise ConfigurationError(f"cannot be written: {error.strerror}", where=str(path)) from None
