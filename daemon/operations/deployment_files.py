"""Sample files for running a bench in earnest: systemd unit, udev rules, Mosquitto configuration, rights, bridge.

They are package data with a few places to fill in; ``lampwarden samples`` writes them out for a bench. What they
promise is tested against the programs they are for.
"""

import re
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from string import Formatter
from typing import Final

from pydantic import TypeAdapter, ValidationError

from ...protocol.errors import ConfigurationError, LampwardenError
from ...protocol.setup import BenchId
from ..config import BenchConfig

FILES: Final = ("lampwarden.service", "mosquitto.conf", "acl", "mosquitto-bridge.conf", "70-lampwarden.rules")


@dataclass(frozen=True, slots=True)
class Places:
    """What is filled in.

    Attributes:
        bench: Id of the bench.
        executable: The installed command.
        folder: Where the broker's files will be.
        persistence: Where the broker keeps its store.
        tls_port: Of the broker.
        central: Host and port of the central broker.
        group: Of the user that the daemon runs as.
        pedals: Vendor and product of each USB foot switch, ``VID:PID`` in hexadecimal.
    """

    bench: str
    executable: str = "/opt/lampwarden/bin/lampwarden"
    folder: str = "/etc/mosquitto/lampwarden"
    persistence: str = "/var/lib/mosquitto"
    tls_port: int = 8883
    central: str = "central.example:8883"
    group: str = "lampwarden"
    pedals: tuple[str, ...] = ()

    @property
    def pedal_rules(self) -> str:
        """The udev rules of the foot switches; one that is not named gets neither rights nor silence."""
        if not self.pedals:
            return _NO_PEDAL
        return "\n\n".join(_PEDAL.format(vid=vid, pid=pid, group=self.group) for vid, pid in map(_numbers, self.pedals))


_PEDAL: Final = """\
# The foot switch {vid}:{pid}, a USB keyboard with one key: the daemon claims it for itself, and so must be able to open
# it.
SUBSYSTEM=="usb", ATTR{{idVendor}}=="{vid}", ATTR{{idProduct}}=="{pid}", GROUP="{group}", MODE="0660"

# Until the daemon has claimed it, a press would type into whatever window is in front: the desktop ignores it.
SUBSYSTEM=="input", ATTRS{{idVendor}}=="{vid}", ATTRS{{idProduct}}=="{pid}", ENV{{LIBINPUT_IGNORE_DEVICE}}="1\""""
_NO_PEDAL: Final = """\
# No USB foot switch was named. For one, make this file anew with lampwarden samples --config bench.toml, or --pedal
# VID:PID: without its rules the daemon may not open it, and each press types into the window in front."""
_NUMBERS: Final = re.compile(r"([0-9a-f]{4}):([0-9a-f]{4})")


def _numbers(pedal: str) -> tuple[str, str]:
    found = _NUMBERS.fullmatch(pedal.lower())  # sysfs has them in small letters, and udev compares letter by letter
    if found is None:
        raise ConfigurationError(f"{pedal!r} is no foot switch", where="--pedal", mend="VID:PID, four digits each")
    return found[1], found[2]


def pedals_of(config: BenchConfig) -> tuple[str, ...]:
    """Vendor and product of the USB foot switches of a bench."""
    ports = (table.port for table in config.instruments.values() if table.role == "foot_switch")
    return tuple(port[4:13].lower() for port in ports if port.startswith("usb:"))


def sample(name: str, places: Places) -> str:
    """One of :data:`FILES`, filled in."""
    text = files(__package__).joinpath("deployment", name).read_text(encoding="utf-8")
    values = {field: getattr(places, field) for _, field, _, _ in Formatter().parse(text) if field}
    return text.format(**values)


_CENTRAL: Final = re.compile(r"(?:[^\s:\[\]]+|\[[^\s\[\]]+\]):\d{1,5}")


def _refuse_bad(places: Places) -> None:
    """What the broker would stumble over is told to the person who wrote it."""
    try:
        TypeAdapter(BenchId).validate_python(places.bench)
    except ValidationError:
        mend = "lower case letters, digits, - and _, at most 63, a letter or digit first"
        raise ConfigurationError(f"{places.bench!r} does not fit", where="--bench", mend=mend) from None
    if not _CENTRAL.fullmatch(places.central):
        raise ConfigurationError(
            f"{places.central!r} is not host:port", where="--central", mend="as central.example:8883"
        )


def write_samples(out: Path, places: Places) -> list[Path]:
    """Write all samples into a folder, which is made if need be.

    Raises:
        LampwardenError: The folder cannot be written.
        ConfigurationError: What is filled in does not fit.
    """
    _refuse_bad(places)
    written: list[Path] = []
    try:
        out.mkdir(parents=True, exist_ok=True)
        for name in FILES:
            path = out / name
            path.write_text(sample(name, places), encoding="utf-8")
            written.append(path)
    except OSError as error:
        raise LampwardenError(f"cannot be written: {error.strerror}", where=str(out)) from None
    return written
