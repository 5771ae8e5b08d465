"""An example of a driver outside of lampwarden: an invented quantum sensor that answers in hexadecimal with a checksum.

A profile describes values in text or registers; this device sends ``P<hhhhhhhh><cc>\\n``: PPFD in hundredths of a
µmol m⁻² s⁻¹ as a signed 32-bit number in hexadecimal, and the sum of the eight characters modulo 256. That takes code.
"""

from collections.abc import Mapping
from typing import Final

from lampwarden.drivers.links.base import ByteLink, SerialSettings
from lampwarden.drivers.plan import Driver, Plan, SerialPlan, parse_options
from lampwarden.drivers.roles import ROLES, Identity
from lampwarden.protocol.errors import LinkError, LinkFault, WireError
from pydantic import BaseModel, ConfigDict, Field, JsonValue

ANSWER_S: Final = 0.5
"""The device answers within 100 ms by its (invented) data sheet; five times that is silence."""
LONGEST_LINE: Final = 64


class Options(BaseModel):
    """What ``bench.toml`` may say under ``options``."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    baud: int = Field(default=9600, gt=0)


class HexSensor:
    """Fills the role of a quantum sensor by having its methods; inherits nothing."""

    def __init__(self, link: ByteLink) -> None:
        self._link = link

    @property
    def bound_s(self) -> float:
        """Longest wire time of one call."""
        return ANSWER_S

    def identify(self) -> Identity:
        """Ask the device who it is."""
        name = self._ask(b"I\n").decode("ascii", "replace")
        return Identity("LWSIM", name, "", "", name)

    def read_ppfd_umol(self) -> float:
        """Read PPFD once, in µmol m⁻² s⁻¹."""
        line = self._ask(b"P\n")
        digits, check = line[1:9], line[9:11]
        try:
            number, sum_sent = int(digits, 16), int(check, 16)
        except ValueError:
            raise WireError("no number where one is expected", raw=line, where=self._link.port) from None
        if line[:1] != b"P" or len(line) != 11 or sum(digits) % 256 != sum_sent:
            raise WireError("the checksum does not fit", raw=line, where=self._link.port)
        return (number - (1 << 32) if number >= 1 << 31 else number) / 100.0

    def close(self) -> None:
        """Nothing was changed on the device."""

    def _ask(self, question: bytes) -> bytes:
        self._link.discard_input()
        self._link.write(question)
        line = b""
        while not line.endswith(b"\n"):
            data = self._link.read(LONGEST_LINE - len(line), ANSWER_S)
            if not data:
                raise LinkError(LinkFault.SILENT, f"no answer within {ANSWER_S:g} s", where=self._link.port)
            line += data
            if len(line) >= LONGEST_LINE:
                raise WireError("a line without end", raw=line, where=self._link.port)
        return line.rstrip(b"\r\n")


def _plan(options: Mapping[str, JsonValue]) -> Plan:
    chosen = parse_options(Options, options, driver="example-hex-sensor")
    return Plan(serial=SerialPlan(SerialSettings(baud=chosen.baud), HexSensor))


DRIVER: Final = Driver("example-hex-sensor", ROLES["quantum_sensor"], "Example: hexadecimal sensor", _plan, __name__)
