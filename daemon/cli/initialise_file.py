"""What ``lampwarden init`` writes: the parts of a first ``bench.toml`` with their comments, and the file.

It knows no questions: what it is given has been checked.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from ...protocol.errors import ConfigurationError
from .initialise_ports import FoundPort

Chosen = tuple[str, str, str]
"""Role, profile and port of an instrument."""


def _quoted(text: str) -> str:
    """A basic string of TOML 1.0."""
    escapes = {"\\": "\\\\", '"': '\\"'}
    return '"' + "".join(escapes.get(c, c if c.isprintable() else f"\\u{ord(c):04x}") for c in text) + '"'


def head(
    bench: str,
    title: str,
    columns: int,
    rows: int,
    pitch: float,
    reference: str,
    voltage: float,
    frequency: float,
) -> list[str]:
    """Bench and grid, and the beginning of ``[procedure]``."""
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
    ]


def has_light(chosen: Sequence[Chosen]) -> bool:
    """Whether there is a light instrument: without one the daemon refuses the file."""
    return any(role in ("quantum_sensor", "spectrometer") for role, _, _ in chosen)


def primary(chosen: Sequence[Chosen]) -> list[str]:
    """The end of ``[procedure]``, and the tables behind it; the daemon's first choice is a quantum sensor."""
    roles = [role for role, _, _ in chosen]
    by_spectrum = "spectrometer" in roles and "quantum_sensor" not in roles
    return [
        *(['primary = "spectrometer"     # there is no quantum sensor'] if by_spectrum else []),
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


def instruments(chosen: Sequence[Chosen]) -> list[str]:
    """A table for each instrument, with what its owner may add."""
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


def rest(ports: Sequence[FoundPort], chosen: Sequence[Chosen]) -> list[str]:
    """Ports that nobody claimed, as comments; and an example where there is no light instrument."""
    used = {port for _, _, port in chosen}
    lines = [f"# found, not used: {port.port} ({port.what})" for port in ports if port.port not in used]
    if not has_light(chosen):
        lines += [
            "# No light instrument yet: at least a quantum sensor or a spectrometer is needed, for instance",
            "# [instruments.quantum]",
            '# role = "quantum_sensor"',
            '# profile = "sdi12-quantum"    # all of them: lampwarden profiles',
            '# port = "/dev/ttyUSB0"',
        ]
    return [*lines, ""] if lines else lines


def refuse_old(path: Path) -> None:
    """Tell before the first question that there is a file already.

    Raises:
        ConfigurationError: There is one.
    """
    if path.exists():
        raise _is_there(path)


def _is_there(path: Path) -> ConfigurationError:
    return ConfigurationError("is there already", where=str(path), mend="--force replaces it")


def write_new(path: Path, text: str, *, force: bool) -> None:
    """Write the file; an old one is left alone unless asked.

    Raises:
        ConfigurationError: There is one already, or it cannot be written.
    """
    try:
        with path.open("w" if force else "x", encoding="utf-8") as out:
            out.write(text)
    except FileExistsError:
        raise _is_there(path) from None
    except OSError as error:
        raise ConfigurationError(f"cannot be written: {error.strerror}", where=str(path)) from None
