"""Devices that print lines. XDR: www.catb.org/gpsd/NMEA.html, section "XDR"; 1.02481 bar = 1024.81 hPa."""

import re
from collections.abc import Sequence

import pytest
from lampwarden.drivers.codecs.nmea import Sentence, encode_sentence
from lampwarden.drivers.codecs.text import Columns, Pattern
from lampwarden.drivers.line_reader import NmeaReader, TextReader, TransducerField
from lampwarden.drivers.links.inline import InlineByteLink
from lampwarden.drivers.quantities import Conversion, Quantity
from lampwarden.protocol.errors import DeviceError, LinkError, LinkFault, WireError
from support.fakes import HandClock, scripted

FIELDS = [
    TransducerField("C", None, Conversion(Quantity.TEMPERATURE, "Cel", low=-60, high=125)),
    TransducerField("H", "IN", Conversion(Quantity.HUMIDITY, "%")),
    TransducerField("P", None, Conversion(Quantity.PRESSURE, "bar")),
]
PATTERN = r"T=(?P<temperature>\S+) RH=(?P<humidity>\S+)"
CONVERSIONS = [Conversion(Quantity.TEMPERATURE, "[degF]"), Conversion(Quantity.HUMIDITY, "%")]


def talking(*lines: tuple[float, bytes]) -> InlineByteLink:
    """A line on which a device talks by itself."""
    link = InlineByteLink(scripted(lines), HandClock())
    link.write(b"")
    return link


def xdr(*fields: str) -> bytes:
    return encode_sentence(Sentence("WIXDR", fields))


def nmea(link: InlineByteLink, fields: Sequence[TransducerField] = FIELDS) -> NmeaReader:
    return NmeaReader(link, fields, request=None, interval_s=2.0)


def text(link: InlineByteLink, request: str | None = None) -> TextReader:
    return TextReader(link, Pattern(re.compile(PATTERN)), CONVERSIONS, request=request, interval_s=2.0)


def test_groups_of_one_sentence_become_quantities_in_the_records_units() -> None:
    link = talking((0.5, xdr("C", "21.5", "C", "", "H", "48.2", "P", "IN", "P", "1.02481", "B", "Barometer")))
    values = nmea(link).read()
    assert values == pytest.approx({Quantity.TEMPERATURE: 21.5, Quantity.HUMIDITY: 48.2, Quantity.PRESSURE: 1024.81})


def test_groups_of_several_sentences_are_collected() -> None:
    link = talking(
        (0.2, b"$GPGLL,5057.970,N,00146.110,E,142451,A*27\r\n"),
        (0.4, xdr("C", "21.5", "C", "")),
        (0.6, xdr("H", "99.0", "P", "OUT")),
        (0.8, xdr("H", "48.2", "P", "IN")),
        (1.0, xdr("P", "1.0", "B", "")),
    )
    assert nmea(link).read()[Quantity.HUMIDITY] == 48.2


def test_quantity_that_does_not_come_is_left_out_after_the_interval() -> None:
    values = nmea(talking((0.4, xdr("C", "21.5", "C", "", "H", "", "P", "IN")))).read()
    assert values == {Quantity.TEMPERATURE: 21.5}


def test_sentences_without_any_of_the_quantities_are_told() -> None:
    with pytest.raises(DeviceError, match="none of the profile's transducers"):
        nmea(talking((0.4, xdr("U", "12.1", "V", "BATT")))).read()


def test_what_was_printed_before_the_question_is_never_its_answer() -> None:
    link = talking((0.1, xdr("C", "11.1", "C", "")), (5.5, xdr("C", "22.2", "C", "")))
    link.pause(5.0)
    assert nmea(link, FIELDS[:1]).read() == {Quantity.TEMPERATURE: 22.2}


def test_one_broken_sentence_is_skipped_and_three_are_told() -> None:
    broken = b"$WIXDR,C,99.9,C,*00\r\n"
    good = xdr("C", "21.5", "C", "")
    assert nmea(talking((0.1, broken), (0.2, good)), FIELDS[:1]).read() == {Quantity.TEMPERATURE: 21.5}
    with pytest.raises(WireError, match="checksum"):
        nmea(talking((0.1, broken), (0.2, broken), (0.3, broken), (0.4, good)), FIELDS[:1]).read()


@pytest.mark.parametrize(
    ("letter", "unit", "value"),
    [("F", "Cel", "77.0"), ("K", "Cel", "298.15"), ("C", "[degF]", "25.0"), ("X", "Cel", "25.0"), ("c", "Cel", "25.0")],
)
def test_value_in_another_unit_than_the_profiles_is_refused_by_its_letter(letter: str, unit: str, value: str) -> None:
    """Letters: www.catb.org/gpsd/NMEA.html, section "XDR": C is degrees Celsius; 77 °F are 25 °C."""
    field = TransducerField("C", None, Conversion(Quantity.TEMPERATURE, unit))
    with pytest.raises(DeviceError, match=f"letter '{letter}'") as caught:
        nmea(talking((0.4, xdr("C", value, letter, "AIR"))), [field]).read()
    assert "profile" in caught.value.mend


@pytest.mark.parametrize(
    ("kind", "value", "letter", "quantity", "unit", "wanted"),
    [
        ("C", "77.0", "F", Quantity.TEMPERATURE, "[degF]", 25.0),
        ("C", "298.15", "K", Quantity.TEMPERATURE, "K", 25.0),
        ("P", "1.02481", "B", Quantity.PRESSURE, "bar", 1024.81),
        ("P", "102481", "P", Quantity.PRESSURE, "Pa", 1024.81),
        ("P", "1024.81", "H", Quantity.PRESSURE, "mbar", 1024.81),
        ("H", "48.2", "P", Quantity.HUMIDITY, "%", 48.2),
        ("H", "48.2", "", Quantity.HUMIDITY, "%", 48.2),
    ],
)
def test_value_in_the_profiles_unit_is_read(
    kind: str, value: str, letter: str, quantity: Quantity, unit: str, wanted: float
) -> None:
    field = TransducerField(kind, None, Conversion(quantity, unit))
    values = nmea(talking((0.4, xdr(kind, value, letter, ""))), [field]).read()
    assert values == pytest.approx({quantity: wanted})


def test_group_in_the_profiles_unit_is_taken_where_the_device_sends_both() -> None:
    sentence = xdr("C", "77.0", "F", "AIR", "C", "25.0", "C", "AIR")
    assert nmea(talking((0.4, sentence)), FIELDS[:1]).read() == {Quantity.TEMPERATURE: 25.0}


def test_devices_own_letter_is_taken_where_the_profile_names_it() -> None:
    field = TransducerField("P", None, Conversion(Quantity.PRESSURE, "kPa"), letter="k")
    assert nmea(talking((0.4, xdr("P", "102.481", "k", ""))), [field]).read()[Quantity.PRESSURE] == pytest.approx(
        1024.81
    )
    with pytest.raises(DeviceError, match="letter 'B'"):
        nmea(talking((0.4, xdr("P", "1.02481", "B", ""))), [field]).read()


def test_silent_line_is_told_within_the_bound() -> None:
    link = talking()
    reader = nmea(link)
    with pytest.raises(LinkError) as caught:
        reader.read()
    assert caught.value.fault is LinkFault.SILENT
    assert link.owed_s <= reader.bound_s


def test_talker_is_all_the_identity_a_sentence_has() -> None:
    assert nmea(talking((0.4, xdr("C", "21.5", "C", "")))).identify().raw == "talker WI"


def test_first_text_line_after_listening_may_be_a_tail_and_is_not_read() -> None:
    link = talking((0.1, b"T=3.0 RH=4.0\n"), (1.1, b"T=212.0 RH=48.0\n"))
    assert text(link).read() == pytest.approx({Quantity.TEMPERATURE: 100.0, Quantity.HUMIDITY: 48.0})


def test_text_device_that_is_asked_answers_with_its_first_line() -> None:
    device = scripted(b"T=32.0 RH=48.0\r\n")
    reader = text(InlineByteLink(device, HandClock()), request="READ\r\n")
    assert reader.read() == pytest.approx({Quantity.TEMPERATURE: 0.0, Quantity.HUMIDITY: 48.0})
    assert device.commands == [b"READ\r\n"]


def test_lines_that_do_not_fit_are_told_with_the_last_of_them() -> None:
    with pytest.raises(WireError, match="no line fits") as caught:
        text(talking((0.1, b"booting\n"), (0.2, b"version 3\n"))).read()
    assert caught.value.raw == b"version 3"


def test_columns_are_read_past_a_tables_head_and_a_torn_line() -> None:
    layout = Columns(",", 3, {"temperature": 1, "humidity": 2})
    link = talking((0.1, b"1.0,50.0\n"), (0.5, b"time,degF,%\n"), (0.9, b"12:00,7.0\n"), (1.3, b"12:01,212.0,48.0\n"))
    reader = TextReader(link, layout, CONVERSIONS, request=None, interval_s=2.0)
    assert reader.read() == pytest.approx({Quantity.TEMPERATURE: 100.0, Quantity.HUMIDITY: 48.0})


def test_rest_of_an_answer_is_no_line_though_it_has_the_form_of_one() -> None:
    """The answer stops for longer than the time-out; what comes of it then is shorter by a digit."""
    layout = Columns(";", 2, {"temperature": 0, "humidity": 1})
    conversions = [Conversion(Quantity.TEMPERATURE, "Cel"), Conversion(Quantity.HUMIDITY, "%")]
    device = scripted([(0.1, b"2"), (4.1, b"1.5;48.2\n")], [(0.2, b"21.6;48.3\n")], b"21.7;48.4\n", b"21.8;48.5\n")
    link = InlineByteLink(device, HandClock())
    reader = TextReader(link, layout, conversions, request="?\n", interval_s=2.0)
    with pytest.raises(LinkError, match="no line came"):
        reader.read()
    assert reader.read() == {Quantity.TEMPERATURE: 21.7, Quantity.HUMIDITY: 48.4}
    assert device.commands == [b"?\n"] * 3
    assert reader.read() == {Quantity.TEMPERATURE: 21.8, Quantity.HUMIDITY: 48.5}
