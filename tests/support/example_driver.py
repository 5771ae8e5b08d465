"""A driver as another distribution would bring it: a power meter with a wire of its own, found by an entry point.

It speaks lines: ``WHO`` is answered with its name, ``GET`` with milliwatts. What a profile cannot say is said in code.
"""

from collections.abc import Mapping

from lampwarden.drivers.codecs.base import NEED_DATA
from lampwarden.drivers.codecs.text import TextReceiver
from lampwarden.drivers.links.base import ByteLink, SerialSettings
from lampwarden.drivers.plan import Driver, Plan, SerialPlan, parse_options
from lampwarden.drivers.roles import POWER_METER, Identity, SupplySample
from lampwarden.protocol.errors import DeviceError, LinkError, LinkFault, WireError
from pydantic import BaseModel, ConfigDict, JsonValue

ANSWER_S = 0.5
TRIES = 2


class ExampleOptions(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    watts_per_step: float = 0.001


class ExampleMeter:
    def __init__(self, link: ByteLink, options: ExampleOptions) -> None:
        self._link = link
        self._options = options

    @property
    def bound_s(self) -> float:
        return TRIES * ANSWER_S + 1.0

    def identify(self) -> Identity:
        name = self._ask("WHO")
        return Identity("LWSIM", name.split(" ", maxsplit=1)[0], "", "", name)

    def read_supply(self) -> SupplySample:
        text = self._ask("GET")
        if not text.isascii() or not text.isdigit():
            raise WireError("not a number of steps", raw=text.encode(), where=self._link.port)
        power_w = int(text) * self._options.watts_per_step
        if power_w > 10_000:
            raise DeviceError(f"{power_w} W is more than it can measure", where=self._link.port)
        return SupplySample(None, None, power_w, None, None)

    def close(self) -> None: ...

    def _ask(self, question: str) -> str:
        for _ in range(TRIES):
            self._link.discard_input()
            self._link.write(question.encode() + b"\n")
            receiver = TextReceiver()
            while data := self._link.read(200, ANSWER_S):
                receiver.feed(data)
                answer = receiver.next_message()
                if answer is not NEED_DATA:
                    return answer
        raise LinkError(LinkFault.SILENT, "no answer", where=self._link.port, mend="check power and cable")


def _plan(options: Mapping[str, JsonValue]) -> Plan:
    given = parse_options(ExampleOptions, options, driver="example-meter")
    return Plan(serial=SerialPlan(SerialSettings(9600), lambda link: ExampleMeter(link, given)))


DRIVER = Driver("example-meter", POWER_METER, "A meter of somebody else's", _plan)
