"""SDI-12 answers that come after they were given up: none is believed as the present value.

The sensor shows bench time, so that each value tells when it was measured.
"""

import random
from collections.abc import Callable
from dataclasses import dataclass, field

import pytest
from lampwarden.drivers.links.base import SerialSettings
from lampwarden.drivers.links.inline import InlineByteLink, SerialDevice
from lampwarden.drivers.quantities import Conversion, Quantity
from lampwarden.drivers.sdi12_reader import Sdi12Reader, ValueField
from lampwarden.drivers.sdi12_sensor import Sdi12Sensor
from lampwarden.protocol.errors import LampwardenError, LinkError, LinkFault
from lampwarden.simulators.faults import Fault, FaultBox, FaultySerial, Sdi12Spoiler
from lampwarden.simulators.sdi12 import QuantumSensor
from support.fakes import FunctionSerial, HandClock, Sent, scripted

SETTINGS = SerialSettings(1200, 7, "E")
PPFD = ValueField(0, Conversion(Quantity.PPFD, "umol/m2/s"))
NAME = b"014LWSIM   QUANT1100\r\n"
SHOWN_STEP_S = 0.1
"""The sensor shows one decimal."""


def sensor() -> QuantumSensor:
    return QuantumSensor(lambda at_s: at_s)


@dataclass
class Gateway:
    """Holds answers back but keeps their order, and loses some."""

    core: QuantumSensor
    held_s: float = 0.0
    loses: Callable[[], bool] = lambda: False
    _last_s: float = field(default=0.0, init=False)

    def receive(self, data: bytes, now_s: float) -> list[Sent]:
        out = []
        for each in self.core.receive(data, now_s):
            self._last_s = max(self._last_s, each.due_s + self.held_s)
            if not self.loses():
                out.append(Sent(self._last_s, each.data))
        return out

    def line_break(self, now_s: float) -> list[Sent]:
        self.core.line_break(now_s)
        return []


class Poller:
    """Reads as the daemon does: after a failure it asks for the name before it reads again."""

    def __init__(self, device: SerialDevice, *, command: str = "R0", crc: bool = True) -> None:
        self.clock = HandClock()
        self.link = InlineByteLink(device, self.clock, settings=SETTINGS)
        self.reader = Sdi12Reader(Sdi12Sensor(self.link, "0"), [PPFD], command=command, with_crc=crc)
        self.is_well = False
        self.believed = 0
        self.errors: list[LampwardenError] = []

    def poll(self, pause_s: float) -> bool:
        """Read once; what is believed must have been measured since the question."""
        self.clock.now_s = self.link.now_s() + pause_s
        try:
            if not self.is_well:
                self.reader.identify()
            began_s = self.link.now_s()
            bound_s = self.reader.bound_s
            value = self.reader.read()[Quantity.PPFD]
        except LampwardenError as error:
            self.is_well = False
            self.errors.append(error)
            return False
        assert value >= began_s - SHOWN_STEP_S, f"measured {began_s - value:.1f} s before the question"
        assert self.link.now_s() - began_s <= bound_s
        self.is_well = True
        self.believed += 1
        return True


@pytest.mark.parametrize("command", ["R0", "M", "C"])
@pytest.mark.parametrize("crc", [True, False])
@pytest.mark.parametrize("seed", range(15))
def test_value_that_comes_late_is_never_believed_though_fresh_ones_overtake_it(
    command: str, crc: bool, seed: int
) -> None:
    """The simulators' fault LATE delays what is sent while it is on, and nothing that follows."""
    drawn = random.Random(seed)  # noqa: S311  no secret
    box = FaultBox(seed, late_s=drawn.uniform(0.2, 8.0))
    one = Poller(FaultySerial(sensor(), box, Sdi12Spoiler()), command=command, crc=crc)
    for _ in range(6):
        for fault, polls in ((Fault.LATE, drawn.randint(1, 3)), (None, drawn.randint(3, 20))):
            box.switch_off()
            if fault is not None:
                box.switch_on(fault)
            for _ in range(polls):
                one.poll(drawn.uniform(0.05, 1.0))
    assert one.believed


@pytest.mark.parametrize("command", ["R0", "M", "C"])
@pytest.mark.parametrize("crc", [True, False])
@pytest.mark.parametrize("seed", range(15))
def test_value_that_a_gateway_held_back_is_never_believed_though_others_are_lost(
    command: str, crc: bool, seed: int
) -> None:
    drawn = random.Random(seed)  # noqa: S311  no secret
    loss = drawn.choice([0.0, 0.1, 0.3])
    gateway = Gateway(sensor(), loses=lambda: drawn.random() < loss)
    one = Poller(gateway, command=command, crc=crc)
    for _ in range(6):
        for held_s, polls in ((drawn.uniform(0.0, 20.0), drawn.randint(1, 4)), (0.0, drawn.randint(3, 20))):
            gateway.held_s = held_s
            for _ in range(polls):
                one.poll(drawn.uniform(0.05, 1.0))
    loss = 0.0
    assert any(one.poll(1.0) for _ in range(30)), "read again once nothing is lost"


@pytest.mark.parametrize("held_s", [0.6, 2.0, 5.0, 9.0, 30.0])
def test_sensor_behind_a_gateway_that_holds_back_is_read_again_once_it_does_not(held_s: float) -> None:
    """What is still under way comes first; then a name and a value are enough."""
    gateway = Gateway(sensor())
    one = Poller(gateway)
    assert one.poll(1.0)
    gateway.held_s = held_s
    for _ in range(4):
        one.poll(1.0)
    gateway.held_s = 0.0
    one.clock.now_s = gateway._last_s
    assert any(one.poll(0.25) for _ in range(4))


def test_silent_sensor_is_read_again_at_the_first_try_once_it_answers() -> None:
    """Answers that were lost are not waited for."""
    box = FaultBox()
    one = Poller(FaultySerial(sensor(), box))
    assert one.poll(1.0)
    box.switch_on(Fault.SILENT)
    for _ in range(5):
        assert not one.poll(1.0)
    box.switch_off()
    assert one.poll(1.0)


def test_lateness_is_told_in_words() -> None:
    box = FaultBox(late_s=5.0)
    one = Poller(FaultySerial(sensor(), box))
    assert one.poll(1.0)
    box.switch_on(Fault.LATE)
    for _ in range(4):
        assert not one.poll(0.25)
    told = [error for error in one.errors if "answers come late" in str(error)]
    assert told
    assert all(isinstance(error, LinkError) and error.fault is LinkFault.SILENT and error.mend for error in told)


def test_no_name_is_asked_for_on_a_line_on_which_nothing_was_lost() -> None:
    core = FunctionSerial(lambda _: b"0+7.5\r\n")
    one = Sdi12Reader(Sdi12Sensor(InlineByteLink(core, HandClock()), "0"), [PPFD], command="R0", with_crc=False)
    for _ in range(5):
        one.read()
    assert set(core.received) == {b"0R0!"}


def test_second_answer_to_one_question_is_refused_together_with_the_first() -> None:
    """The first question's answer comes 3 s late, while the third waits for its own."""
    device = scripted(
        [(3.0, b"0+1.0\r\n")],
        b"0+2.0\r\n",
        NAME,
        [(0.1, b"0+3.0\r\n")],
        b"0\r\n",
    )
    clock = HandClock()
    link = InlineByteLink(device, clock, settings=SETTINGS)
    one = Sdi12Reader(Sdi12Sensor(link, "0"), [PPFD], command="R0", with_crc=False)
    assert one.read()[Quantity.PPFD] == 2.0, "asked for within the same reading"
    clock.now_s = device.received[0][0] + 2.9
    with pytest.raises(LinkError, match="two came to one question"):
        one.read()
    assert device.commands == [b"0R0!", b"0R0!", b"0I!", b"0R0!", b"0!"]


def test_values_of_the_first_data_command_do_not_pass_for_those_of_the_second() -> None:
    """The answer to the first `aD0!` comes after its repetition was asked: the second is still to come then."""
    device = scripted(
        b"00003\r\n",
        [(0.6, b"0+1.0+2.0\r\n")],
        [(0.3, b"0+1.0+2.0\r\n")],
        NAME,
        b"0+3.0\r\n",
    )
    link = InlineByteLink(device, HandClock(), settings=SETTINGS)
    assert Sdi12Sensor(link, "0").measure("M", with_crc=False) == (1.0, 2.0, 3.0)
    assert device.commands == [b"0M!", b"0D0!", b"0D0!", b"0I!", b"0D1!"]
