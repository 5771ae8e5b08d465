"""SDI-12 sensors over a scripted line. Timing and retries: SDI-12 v1.4, section 7; commands: tables 5 to 11."""

import pytest
from lampwarden.drivers.codecs.sdi12 import crc_characters
from lampwarden.drivers.links.base import SerialSettings
from lampwarden.drivers.links.inline import InlineByteLink, SerialDevice
from lampwarden.drivers.quantities import Conversion, Quantity
from lampwarden.drivers.sdi12_reader import Sdi12Reader, ValueField
from lampwarden.drivers.sdi12_sensor import BREAKS, FIRST_WAIT_S, TRIES_PER_BREAK, Sdi12Sensor
from lampwarden.protocol.errors import DeviceError, LinkError, LinkFault, WireError
from support.fakes import FunctionSerial, HandClock, Sent, scripted

SETTINGS = SerialSettings(1200, 7, "E")
PPFD = ValueField(0, Conversion(Quantity.PPFD, "umol/m2/s", low=-50, high=6000))


def with_crc(text: str) -> bytes:
    return text.encode() + crc_characters(text.encode()) + b"\r\n"


def line(device: SerialDevice) -> InlineByteLink:
    return InlineByteLink(device, HandClock(), settings=SETTINGS)


def reader(device: SerialDevice, *, command: str | None = None, crc: bool | None = None) -> Sdi12Reader:
    return Sdi12Reader(Sdi12Sensor(line(device), "0"), [PPFD], command=command, with_crc=crc)


def ppfd(one: Sdi12Reader) -> float:
    return one.read()[Quantity.PPFD]


def test_continuous_reading_with_crc_is_preferred_because_it_takes_no_waiting() -> None:
    device = scripted(with_crc("0+512.3"))
    assert ppfd(reader(device)) == 512.3
    assert device.commands == [b"0RC0!"]


def test_sensor_without_crc_or_continuous_reading_is_measured_and_the_way_remembered() -> None:
    """It declines with its bare address; 4.4.6 and 4.4.7."""
    answers = {
        b"0RC0!": b"0\r\n",
        b"0R0!": b"0\r\n",
        b"0MC!": b"00000\r\n",
        b"0M!": b"00001\r\n",
        b"0D0!": b"0+7.5\r\n",
    }
    device = FunctionSerial(answers.__getitem__)
    one = reader(device)
    assert ppfd(one) == 7.5
    device.received.clear()
    assert ppfd(one) == 7.5
    assert device.received == [b"0M!", b"0D0!"]


def test_measurement_waits_for_the_service_request_not_for_the_whole_time() -> None:
    device = scripted([(0.02, b"00051\r\n"), (1.5, b"0\r\n")], with_crc("0+512.3"))
    one = reader(device, command="M", crc=True)
    assert ppfd(one) == 512.3
    assert device.received[1][0] - device.received[0][0] == pytest.approx(1.5, abs=0.01)
    assert device.commands == [b"0MC!", b"0D0!"]


def test_lost_service_request_costs_the_announced_time_and_no_more() -> None:
    device = scripted(b"00021\r\n", with_crc("0+512.3"))
    assert ppfd(reader(device, command="M", crc=True)) == 512.3
    assert 2.0 <= device.received[1][0] - device.received[0][0] <= 3.0


def test_concurrent_measurement_has_no_service_request_and_two_digits_of_count() -> None:
    device = scripted(b"000201\r\n", with_crc("0+512.3"))
    assert ppfd(reader(device, command="C", crc=True)) == 512.3
    assert device.commands == [b"0CC!", b"0D0!"]
    assert device.received[1][0] - device.received[0][0] >= 2.0


def test_values_are_collected_over_several_data_commands() -> None:
    """4.4.8.1."""
    device = scripted(b"00009\r\n", b"0+1.11+2.22+3.33+4.44+5.55+6.66I]q\r\n", b"0+7.77+8.88+9.99IvW\r\n")
    sensor = Sdi12Sensor(line(device), "0")
    assert sensor.measure("M", with_crc=True) == (1.11, 2.22, 3.33, 4.44, 5.55, 6.66, 7.77, 8.88, 9.99)
    assert device.commands == [b"0MC!", b"0D0!", b"0D1!"]


def test_aborted_measurement_is_told_as_such() -> None:
    device = scripted(b"00001\r\n", b"0\r\n")
    with pytest.raises(DeviceError, match="0 of 1 announced values came"):
        reader(device, command="M", crc=True).read()


def test_service_request_of_a_measurement_given_up_is_not_taken_for_the_next_ones() -> None:
    """The first one's request comes 2 s late; the second measurement must wait for its own."""
    device = scripted(
        [(0.02, b"00021\r\n"), (0.1, b"0\r\n"), (2.0, b"0\r\n")],
        b"0\r\n",
        [(0.02, b"00021\r\n"), (1.9, b"0\r\n")],
        b"0+512.3\r\n",
    )
    one = reader(device, command="M", crc=False)
    with pytest.raises(DeviceError, match="aborted"):
        one.read()
    assert ppfd(one) == 512.3
    assert device.received[3][0] - device.received[2][0] >= 1.9


AIR = [
    ValueField(0, Conversion(Quantity.TEMPERATURE, "Cel"), "M"),
    ValueField(1, Conversion(Quantity.HUMIDITY, "%"), "M"),
    ValueField(0, Conversion(Quantity.PRESSURE, "hPa"), "R3"),
]


def test_quantities_may_come_by_several_commands_each_asked_once() -> None:
    device = FunctionSerial(
        {b"0MC!": b"00002\r\n", b"0D0!": with_crc("0+21.5+48.2"), b"0RC3!": with_crc("0+1013.25")}.__getitem__
    )
    one = Sdi12Reader(Sdi12Sensor(line(device), "0"), AIR, command=None, with_crc=None)
    assert one.read() == {Quantity.TEMPERATURE: 21.5, Quantity.HUMIDITY: 48.2, Quantity.PRESSURE: 1013.25}
    assert device.received == [b"0MC!", b"0D0!", b"0RC3!"]


def test_each_command_finds_its_own_way_and_keeps_it() -> None:
    """A sensor may know the CRC for one command and not for another."""
    device = FunctionSerial(
        {
            b"0MC!": b"00002\r\n",
            b"0D0!": with_crc("0+21.5+48.2"),
            b"0RC3!": b"0\r\n",
            b"0R3!": b"0+1013.25\r\n",
        }.__getitem__
    )
    one = Sdi12Reader(Sdi12Sensor(line(device), "0"), AIR, command=None, with_crc=None)
    one.read()
    device.received.clear()
    assert one.read()[Quantity.PRESSURE] == 1013.25
    assert device.received == [b"0MC!", b"0D0!", b"0R3!"]


def test_bound_covers_every_command() -> None:
    def bound_s(*fields: ValueField) -> float:
        sensor = Sdi12Sensor(line(scripted()), "0")
        return Sdi12Reader(sensor, fields, command="R0", with_crc=True).bound_s

    assert bound_s(AIR[0], AIR[2]) == pytest.approx(bound_s(AIR[0]) + bound_s(AIR[2]))
    assert bound_s(AIR[0], AIR[1]) == pytest.approx(bound_s(AIR[0]))


def test_measurement_that_takes_minutes_is_refused_before_it_is_waited_for() -> None:
    device = scripted(b"09991\r\n")
    with pytest.raises(DeviceError, match="999 s is announced"):
        reader(device, command="M", crc=False).read()


def test_wrong_crc_is_asked_again_and_never_read() -> None:
    device = scripted(b"0+999.9OqZ\r\n", with_crc("0+512.3"))
    assert ppfd(reader(device, command="R0", crc=True)) == 512.3
    assert len(device.commands) == 2


def test_another_sensors_answer_is_not_taken() -> None:
    device = scripted(*[with_crc("1+999.9")] * (BREAKS * TRIES_PER_BREAK))
    with pytest.raises(WireError, match="address 1 answers"):
        reader(device, command="R0", crc=True).read()


def test_silent_sensor_gets_three_tries_a_break_and_three_breaks() -> None:
    """Section 7."""
    device = scripted()
    sensor = Sdi12Sensor(line(device), "0")
    started_s = sensor._link.now_s()
    with pytest.raises(LinkError, match="address 0: no answer") as caught:
        sensor.ask("I")
    assert caught.value.fault is LinkFault.SILENT
    assert len(device.breaks_s) == BREAKS == 3
    assert len(device.commands) == BREAKS * TRIES_PER_BREAK == 9
    times = [at_s for at_s, _ in device.received]
    for first, second, third in (times[n : n + 3] for n in (0, 3, 6)):
        assert second - first >= 0.01667, "silence before a repetition"
        assert third - device.breaks_s[times.index(first) // 3] >= 0.1125, "one try this long after the break"
    assert sensor._link.now_s() - started_s <= sensor.command_bound_s


def test_break_is_sent_only_when_the_sensor_may_sleep() -> None:
    """A new one after 87 ms of marking."""
    device = scripted(b"0\r\n", b"0\r\n", b"0\r\n")
    link = line(device)
    sensor = Sdi12Sensor(link, "0")
    sensor.ask("")
    assert len(device.breaks_s) == 1
    link.pause(0.080)
    sensor.ask("")
    assert len(device.breaks_s) == 1
    link.pause(0.090)
    sensor.ask("")
    assert len(device.breaks_s) == 2


def test_break_is_sent_when_another_sensor_was_spoken_to() -> None:
    answers = {b"0!": b"0\r\n", b"1!": b"1\r\n"}
    device = scripted(b"0\r\n", b"1\r\n", b"0\r\n")
    link = line(device)
    first, second = Sdi12Sensor(link, "0"), Sdi12Sensor(link, "1")
    for sensor in (first, second, first):
        sensor.ask("")
    assert device.commands == [b"0!", b"1!", b"0!"]
    assert len(device.breaks_s) == 3
    assert set(answers) == set(device.commands)


def test_break_and_marking_last_as_long_as_the_standard_asks() -> None:
    """At least 12 ms, then at least 8.33 ms."""
    device = scripted(b"0\r\n")
    link = line(device)
    started_s = link.now_s()
    Sdi12Sensor(link, "0").ask("")
    [break_s] = device.breaks_s
    assert break_s - started_s >= 0.012
    assert device.received[0][0] - break_s >= 0.00833


def test_bound_is_that_of_the_way_once_it_is_known() -> None:
    one = reader(scripted(with_crc("0+512.3")))
    before_s = one.bound_s
    one.read()
    assert one.bound_s < before_s / 10


def test_no_single_step_may_take_the_time_of_all_ways() -> None:
    """A port that hangs at the first question must not be waited for as if every measurement were under way."""
    one = reader(scripted())
    assert one.identify_bound_s < 17.0
    assert one.step_bound_s < 26.0
    assert reader(scripted(), command="M").step_bound_s < 62.0
    assert one.bound_s > 200.0, "all of them in one call"


def test_steps_find_the_way_one_at_a_time() -> None:
    answers = {
        b"0RC0!": b"0\r\n",
        b"0R0!": b"0\r\n",
        b"0MC!": b"00000\r\n",
        b"0M!": b"00001\r\n",
        b"0D0!": b"0+7.5\r\n",
    }
    device = FunctionSerial(answers.__getitem__)
    one = reader(device)
    assert [one.prepare() for _ in range(4)] == [False, False, False, True]
    assert one.prepare()
    device.received.clear()
    assert ppfd(one) == 7.5
    assert device.received == [b"0M!", b"0D0!"]


def test_sensor_that_falls_silent_while_its_way_is_sought_is_told_at_once() -> None:
    """Not after every way was tried in vain."""
    device = FunctionSerial(lambda _: b"")
    one = reader(device)
    with pytest.raises(LinkError) as caught:
        one.prepare()
    assert caught.value.fault is LinkFault.SILENT
    assert set(device.received) == {b"0RC0!", b"0I!"}


def test_sensor_that_ignores_a_command_it_does_not_know_is_read_another_way() -> None:
    answers = {b"0!": b"0\r\n", b"0I!": b"014LWSIM   QUANT1100\r\n", b"0R0!": b"0+7.5\r\n"}
    device = FunctionSerial(lambda command: answers.get(command, b""))
    one = reader(device)
    assert [one.prepare(), one.prepare()] == [False, True]
    assert ppfd(one) == 7.5


def test_sensor_that_answers_without_the_crc_it_was_asked_for_is_read_without() -> None:
    device = FunctionSerial(lambda _: b"0+7.5\r\n")
    assert ppfd(reader(device)) == 7.5
    assert device.received[-1] == b"0R0!"


@pytest.mark.parametrize("stepwise", [False, True])
def test_line_that_spoils_each_crc_never_makes_a_reading_without_one(stepwise: bool) -> None:
    """With its CRC off, a spoilt digit would be believed from then on."""

    def spoilt(command: bytes) -> bytes:
        return with_crc("0+512.3").replace(b"3", b"2") if command == b"0RC0!" else b"0+512.2\r\n"

    device = FunctionSerial(spoilt)
    one = reader(device)
    with pytest.raises(WireError, match="CRC"):
        one.prepare() if stepwise else one.read()
    assert set(device.received) == {b"0RC0!"}


def test_measurement_longer_than_expected_is_given_its_time_at_the_next_reading() -> None:
    device = scripted(b"00121\r\n", [(0.02, b"00121\r\n"), (11.0, b"0\r\n")], b"0+512.3\r\n")
    one = reader(device, command="M", crc=False)
    before_s = one.step_bound_s
    assert not one.prepare()
    assert one.step_bound_s == before_s + 2 * (12 - FIRST_WAIT_S)
    assert one.prepare()
    assert one.bound_s < 65.0


def test_index_beyond_the_sensors_values_is_told() -> None:
    one = Sdi12Reader(
        Sdi12Sensor(line(scripted(with_crc("0+1.0"))), "0"),
        [ValueField(2, PPFD.conversion)],
        command="R0",
        with_crc=True,
    )
    with pytest.raises(DeviceError, match="gave 1 value; value 3 is wanted"):
        one.read()


def test_sensor_that_offers_nothing_is_told_with_what_was_tried() -> None:
    device = FunctionSerial(lambda command: b"0000\r\n"[:4] + b"0\r\n" if b"M" in command else b"0\r\n")
    with pytest.raises(DeviceError, match="offers none of aR0!"):
        reader(device).read()


def test_identity_is_taken_apart_and_kept_whole() -> None:
    identity = Sdi12Sensor(line(scripted(b"014LWSIM   QUANT1100SIMULATED\r\n")), "0").identify()
    assert (identity.maker, identity.model, identity.firmware) == ("LWSIM", "QUANT1", "100")
    assert identity.raw == "014LWSIM   QUANT1100SIMULATED"
    assert identity.simulated


def test_sensor_that_has_another_address_is_found_and_told() -> None:
    """``?!`` asks whoever is on the line; meant for one sensor alone (4.4.4)."""
    device = FunctionSerial(lambda command: b"3\r\n" if command in {b"?!", b"3!"} else b"")
    with pytest.raises(LinkError, match="no answer, but address 3 answers on this line") as caught:
        reader(device).identify()
    assert caught.value.fault is LinkFault.SILENT
    assert "address" in caught.value.mend


def test_nobody_on_the_line_is_plain_silence() -> None:
    device = FunctionSerial(lambda _: b"")
    with pytest.raises(LinkError, match="no answer") as caught:
        reader(device).identify()
    assert "on this line" not in str(caught.value)
    assert device.received.count(b"?!") == 1


def test_several_sensors_that_answer_at_once_are_plain_silence() -> None:
    device = FunctionSerial(lambda command: b"\x7f\x00\r\n" if command == b"?!" else b"")
    with pytest.raises(LinkError, match="no answer") as caught:
        reader(device).identify()
    assert "on this line" not in str(caught.value)


def test_sensor_that_was_known_and_is_silent_now_is_told_without_asking_others() -> None:
    answers = [b"014LWSIM   QUANT1100SIMULATED\r\n"]
    device = FunctionSerial(lambda _: answers.pop() if answers else b"")
    one = reader(device)
    one.identify()
    with pytest.raises(LinkError):
        one.identify()
    assert b"?!" not in device.received


def test_lost_port_is_not_tried_again() -> None:
    class Gone:
        def receive(self, data: bytes, now_s: float) -> list[Sent]:
            raise OSError(19, "No such device")

        def line_break(self, now_s: float) -> list[Sent]:
            return []

    with pytest.raises(LinkError) as caught:
        reader(Gone()).read()
    assert caught.value.fault is LinkFault.LOST
