"""Sample files for running a bench in earnest: systemd unit, udev rules, Mosquitto configuration, rights, bridge.

They are package data with a few places to fill in; ``lampwarden samples`` writes them out for a bench. What they
promise is tested against the programs they are for.
"""

from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from string import Formatter
from typing import Final

from ...protocol.errors import LampwardenError

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
        pedal_vid: USB vendor of the foot switch, four hexadecimal digits.
        pedal_pid: Its product.
    """

    bench: str
    executable: str = "/opt/lampwarden/bin/lampwarden"
    folder: str = "/etc/mosquitto/lampwarden"
    persistence: str = "/var/lib/mosquitto"
    tls_port: int = 8883
    central: str = "central.example:8883"
    group: str = "lampwarden"
    pedal_vid: str = "1209"
    pedal_pid: str = "0002"


def sample(name: str, places: Places) -> str:
    """One of :data:`FILES`, filled in."""
    text = files(__package__).joinpath("deployment", name).read_text(encoding="utf-8")
    values = {field: getattr(places, field) for _, field, _, _ in Formatter().parse(text) if field}
    return text.format(**values)


def write_samples(out: Path, places: Places) -> list[Path]:
    """Write all samples into a folder, which is made if need be.

    Raises:
        LampwardenError: The folder cannot be written.
    """
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
