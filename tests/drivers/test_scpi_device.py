"""SCPI instruments by a scripted conversation, and over a byte stream. IEEE 488.2, 10.14 (``*IDN?``); SCPI-99, 21.8."""

import pytest
from lampwarden.drivers.codecs.scpi import Kind, encode_block
from lampwarden.drivers.links.inline import InlineByteLink, SerialDevice
from lampwarden.drivers.message_link import SerialMessageLink
from lampwarden.drivers.quantities import Conversion, Quantity
from lampwarden.drivers.scpi_device import MAX_QUEUED_ERRORS, QueryField, ScpiDevice, ScpiReader
from lampwarden.protocol.errors import DeviceError, LinkError, LinkFault, WireError
from support.fakes import FunctionSerial, HandClock, scripted
from support.scpi_fake import FakeMessages

VOLTAGE = QueryField("MEAS:VOLT?", 0, Conversion(Quantity.VOLTAGE, "V"))
POWER = QueryField("MEAS:ALL?", 1, Conversion(Quantity.POWER, "kW"))
FREQUENCY = QueryField("MEAS:ALL?", 2, Conversion(Quantity.FREQUENCY, "Hz"))


def test_identity_has_four_fields_and_zero_means_not_told() -> None:
    identity = ScpiDevice(FakeMessages({"*IDN?": "LWSIM,SPECTRO-1,SIM0001,1.0 SIMULATED"})).identify()
    assert (identity.maker, identity.model, identity.serial) == ("LWSIM", "SPECTRO-1", "SIM0001")
    assert identity.simulated
    bare = ScpiDevice(FakeMessages({"*IDN?": "MAKER, MODEL, 0, 0"})).identify()
    assert (bare.maker, bare.model, bare.serial, bare.firmware) == ("MAKER", "MODEL", "", "")
    with pytest.raises(WireError, match="identification"):
        ScpiDevice(FakeMessages({"*IDN?": "hello"})).identify()


def test_refused_command_is_raised_with_the_devices_number_and_text() -> None:
    device = ScpiDevice(FakeMessages({}, {"SENS:APER 99": '-222,"Data out of range"'}))
    with pytest.raises(DeviceError, match="SENS:APER 99: -222 Data out of range") as caught:
        device.command("SENS:APER 99")
    assert caught.value.code == -222


def test_all_errors_are_taken_out_of_the_queue_and_told() -> None:
    messages = FakeMessages({})
    messages.errors = ['-113,"Undefined header"', '-410,"Query INTERRUPTED"']
    with pytest.raises(DeviceError, match="-113 Undefined header; -410 Query INTERRUPTED"):
        ScpiDevice(messages).command("*CLS")
    assert ScpiDevice(messages).drain_errors() == ()


def test_queue_that_never_empties_is_not_read_for_ever() -> None:
    messages = FakeMessages({})
    messages.errors = ['-350,"Queue overflow"'] * 1000
    assert len(ScpiDevice(messages).drain_errors()) == MAX_QUEUED_ERRORS


def test_query_that_the_device_does_not_know_is_told_by_its_error_not_as_silence() -> None:
    device = ScpiDevice(FakeMessages({}, {"MEAS:X?": '-113,"Undefined header"'}))
    with pytest.raises(DeviceError, match="MEAS:X\\?: -113 Undefined header"):
        device.query("MEAS:X?", decode=str)


def test_query_without_any_answer_is_silence() -> None:
    with pytest.raises(LinkError) as caught:
        ScpiDevice(FakeMessages({})).query("MEAS:VOLT?", decode=str)
    assert caught.value.fault is LinkFault.SILENT


class TestReader:
    def reader(self, messages: FakeMessages, *fields: QueryField) -> ScpiReader:
        return ScpiReader(ScpiDevice(messages), fields, setup=["CONF:AC"], response_s=2.0)

    def test_query_that_serves_two_quantities_is_asked_once(self) -> None:
        messages = FakeMessages({"MEAS:VOLT?": "2.3E+02", "MEAS:ALL?": "1.25,0.2875,5.0E1"})
        values = self.reader(messages, VOLTAGE, POWER, FREQUENCY).read()
        assert values == {Quantity.VOLTAGE: 230.0, Quantity.POWER: 287.5, Quantity.FREQUENCY: 50.0}
        assert messages.sent == ["CONF:AC", "MEAS:VOLT?", "MEAS:ALL?"]

    def test_setup_is_repeated_after_the_link_was_opened_anew(self) -> None:
        messages = FakeMessages({"MEAS:VOLT?": "230"})
        reader = self.reader(messages, VOLTAGE)
        reader.read()
        reader.read()
        assert messages.sent.count("CONF:AC") == 1
        messages.generation += 1
        reader.read()
        assert messages.sent.count("CONF:AC") == 2

    def test_overflow_and_not_a_number_never_become_values(self) -> None:
        """SCPI-99 volume 1, 7.2.1.4 and 7.2.1.5."""
        for text in ("9.9E37", "9.91E37"):
            with pytest.raises(DeviceError, match="voltage"):
                self.reader(FakeMessages({"MEAS:VOLT?": text}), VOLTAGE).read()

    def test_missing_number_is_told(self) -> None:
        with pytest.raises(DeviceError, match="gave 1 number; number 2 is wanted"):
            self.reader(FakeMessages({"MEAS:ALL?": "1.0"}), POWER).read()


IDN = b"LWSIM,METER-1,0,1.0\n"


class TestOverBytes:
    """SCPI on a serial line. The first exchange after opening is ``*IDN?``, to drop what an earlier program asked."""

    def link(self, device: SerialDevice) -> tuple[SerialMessageLink, InlineByteLink]:
        line = InlineByteLink(device, HandClock())
        return SerialMessageLink(line), line

    def test_line_and_block_are_told_apart_by_what_is_expected(self) -> None:
        answers = {b"*IDN?\n": IDN, b"A?\n": b"1,2\r\n", b"B?\n": encode_block(b"x\ny") + b"\n"}
        messages, _ = self.link(FunctionSerial(answers.__getitem__))
        assert messages.ask(b"A?\n", Kind.LINE, 1.0, bytes) == b"1,2"
        assert messages.ask(b"B?\n", Kind.BLOCK, 1.0, bytes) == encode_block(b"x\ny")

    def test_answer_in_pieces_is_put_together(self) -> None:
        messages, _ = self.link(scripted(IDN, [(0.1, b"23"), (0.2, b"0.0"), (0.3, b"\n")]))
        assert messages.ask(b"A?\n", Kind.LINE, 1.0, bytes) == b"230.0"

    def test_what_an_earlier_program_asked_is_no_answer_to_us(self) -> None:
        messages, _ = self.link(scripted([(0.1, b"999.0\n"), (0.2, b"1,2,3\n"), (0.3, IDN)], b"230.0\n"))
        assert messages.ask(b"A?\n", Kind.LINE, 1.0, bytes) == b"230.0"

    def test_late_answer_is_never_taken_for_that_of_the_next_question(self) -> None:
        """Voltage would become power."""
        messages, _ = self.link(scripted(IDN, [(1.5, b"230.0\n")], [(0.6, IDN)], b"261.5\n"))
        with pytest.raises(LinkError, match=r"no answer to MEAS:VOLT\?"):
            messages.ask(b"MEAS:VOLT?\n", Kind.LINE, 1.0, bytes)
        assert messages.ask(b"MEAS:POW?\n", Kind.LINE, 1.0, bytes) == b"261.5"

    def test_answers_held_up_while_it_hung_are_all_dropped(self) -> None:
        held_up = [(0.05, b"230.0\n"), (0.06, IDN), (0.1, IDN), (0.2, IDN)]
        device = scripted(IDN, [], [], [], held_up, b"261.5\n")
        messages, _ = self.link(device)
        for _ in range(3):
            with pytest.raises(LinkError):
                messages.ask(b"MEAS:VOLT?\n", Kind.LINE, 1.0, bytes)
        assert messages.ask(b"MEAS:POW?\n", Kind.LINE, 1.0, bytes) == b"261.5"
        assert device.commands[2:5] == [b"*IDN?\n"] * 3, "nothing else is asked before it has answered"

    def test_rest_of_a_broken_answer_is_not_taken_for_the_next(self) -> None:
        messages, _ = self.link(scripted(IDN, [(0.1, b"junk"), (0.12, b" more\n")], IDN, b"230\n"))
        with pytest.raises(WireError, match="begin with '#'"):
            messages.ask(b"B?\n", Kind.BLOCK, 1.0, bytes)
        assert messages.ask(b"A?\n", Kind.LINE, 1.0, bytes) == b"230"

    @pytest.mark.parametrize(
        ("noise", "told"),
        [
            (b"\x8f\x11\n", "not printable"),
            (b"\n", "not a SCPI number"),
            (b"7~\n", "not a SCPI number"),
            (b"7\n\x8f\x11", "more came than was asked for"),
        ],
    )
    def test_answer_after_a_line_of_noise_is_not_taken_for_that_of_the_next_question(
        self, noise: bytes, told: str
    ) -> None:
        """The noise ends one reading with an error; the answer it stood for comes once the next question is asked."""
        answers = {b"MEAS:VOLT?\n": [(0.05, noise), (0.1, b"230.0\n")], b"MEAS:ALL?\n": b"1.25,0.2615\n"}
        device = FunctionSerial(lambda asked: IDN if asked == b"*IDN?\n" else answers[asked])
        messages, _ = self.link(device)
        reader = ScpiReader(ScpiDevice(messages), [VOLTAGE, POWER], setup=[], response_s=1.0)
        with pytest.raises(WireError, match=told):
            reader.read()
        answers[b"MEAS:VOLT?\n"] = [(0.05, b"231.0\n")]
        assert reader.read() == {Quantity.VOLTAGE: 231.0, Quantity.POWER: 261.5}

    @pytest.mark.parametrize("gap_s", [0.0, 0.08])
    @pytest.mark.parametrize("unasked", [b"7.5\n", b"1.25,0.2615\n"])
    def test_number_that_nobody_asked_for_is_never_believed(self, unasked: bytes, gap_s: float) -> None:
        """It moves each answer to the next question; the last one is left over, at once or when it is looked for."""
        answers = {
            b"MEAS:VOLT?\n": [(0.01, unasked), (0.01 + gap_s, b"230.0\n")],
            b"MEAS:ALL?\n": [(0.1, b"1,0.2615\n")],
        }
        device = FunctionSerial(lambda asked: [(0.1, IDN)] if asked == b"*IDN?\n" else answers[asked])
        messages, _ = self.link(device)
        reader = ScpiReader(ScpiDevice(messages), [VOLTAGE, POWER], setup=[], response_s=1.0)
        with pytest.raises((WireError, DeviceError)):
            reader.read()
        answers[b"MEAS:VOLT?\n"] = [(0.05, b"231.0\n")]
        assert reader.read() == {Quantity.VOLTAGE: 231.0, Quantity.POWER: 261.5}

    def test_last_answer_of_a_reading_is_confirmed_as_well(self) -> None:
        messages, _ = self.link(scripted(IDN, [(0.01, b"7.5\n"), (0.05, b"230.0\n")], [(0.1, IDN)]))
        reader = ScpiReader(ScpiDevice(messages), [VOLTAGE], setup=[], response_s=1.0)
        with pytest.raises(WireError, match="more came than was asked for"):
            reader.read()

    def test_noise_between_two_readings_spoils_neither(self) -> None:
        messages, line = self.link(scripted(IDN, b"230.0\n", [(0.01, IDN), (0.5, b"7.5\n")], b"231.0\n", IDN))
        reader = ScpiReader(ScpiDevice(messages), [VOLTAGE], setup=[], response_s=1.0)
        assert reader.read() == {Quantity.VOLTAGE: 230.0}
        line.pause(1.0)
        assert reader.read() == {Quantity.VOLTAGE: 231.0}

    def test_identity_with_noise_in_it_is_not_believed(self) -> None:
        messages, _ = self.link(scripted(IDN, IDN.replace(b"1", b"1}"), IDN, IDN))
        device = ScpiDevice(messages)
        with pytest.raises(WireError):
            device.identify()
        assert device.identify().model == "METER-1"

    def test_block_that_a_byte_of_noise_moved_on_is_refused(self) -> None:
        """Its last byte is then taken for the NL that ends it, and the NL itself is left over."""
        moved = b"#14" + b"\x8f" + b"abc\n" + b"\n"
        messages, _ = self.link(scripted(IDN, moved))
        with pytest.raises(WireError, match="more came than was asked for"):
            messages.ask(b"B?\n", Kind.BLOCK, 1.0, bytes)

    def test_blank_after_an_answer_is_no_second_one(self) -> None:
        messages, _ = self.link(scripted(IDN, b"230.0\n\r"))
        assert messages.ask(b"A?\n", Kind.LINE, 1.0, bytes) == b"230.0"

    def test_identity_that_was_learnt_wrong_is_learnt_anew(self) -> None:
        messages, _ = self.link(scripted(b"noise, of a kind\n", [], IDN, IDN, b"230\n"))
        for _ in range(2):
            with pytest.raises(LinkError):
                messages.ask(b"A?\n", Kind.LINE, 1.0, bytes)
        assert messages.ask(b"A?\n", Kind.LINE, 1.0, bytes) == b"230"

    def test_silent_device_is_told_after_the_time_that_was_given(self) -> None:
        messages, line = self.link(scripted(IDN))
        with pytest.raises(LinkError, match=r"no answer to MEAS:VOLT\?"):
            messages.ask(b"MEAS:VOLT?\n", Kind.LINE, 1.0, bytes)
        assert line.owed_s < 1.5
