"""Profiles: what is accepted, and errors that name file, key and what is expected."""

from pathlib import Path

import pytest
from lampwarden.drivers.codecs.modbus import ByteOrder, NumberType
from lampwarden.drivers.profile import ModbusProfile, Sdi12Profile, SpectrometerProfile, parse_profile
from lampwarden.drivers.profile_drivers import driver_of
from lampwarden.drivers.quantities import Quantity
from lampwarden.drivers.readiness import Handshake, Ready
from lampwarden.drivers.registry import Registry
from lampwarden.protocol.errors import ConfigurationError

METER = """
role = "power_meter"
wire = "modbus"
title = "A meter"
[quantities.power]
kind = "holding"
address = 100
type = "s32"
order = "CDAB"
scale = 0.1
unit = "W"
range = [0, 5000]
"""
SPECTROMETER = """
role = "spectrometer"
wire = "scpi-spectrometer"
title = "A spectrometer"
[spectrometer]
set_integration = "INT {integration}"
per_second = 1000
capture = "SPEC?"
format = "uint16"
byte_order = "normal"
[spectrometer.limits]
pixel_count = 1024
full_scale_counts = 4095
min_integration = 1
max_integration = "INT:MAX?"
[spectrometer.wavelength]
polynomial = [350.0, 0.4]
"""
TEXT = """
role = "power_meter"
wire = "text"
title = "A meter that is asked"
[lines]
request = "P\\n"
pattern = '^(?P<power>[0-9.]+)$'
[quantities.power]
unit = "W"
"""
SHAKEN = """
role = "spectrometer"
wire = "scpi-spectrometer"
title = "A spectrometer that must be waited for"
[spectrometer]
set_integration = "INT {integration}"
[spectrometer.handshake]
start = "INIT"
ready = "condition"
query = "BUSY?"
mask = 1
ready_when = "clear"
fetch = "SPEC?"
[spectrometer.limits]
pixel_count = 1024
full_scale_counts = 4095
min_integration = 0.001
max_integration = 1.0
[spectrometer.wavelength]
polynomial = [350.0, 0.4]
"""


def test_profile_says_what_it_says() -> None:
    found = parse_profile(METER, where="m.toml")
    assert isinstance(found, ModbusProfile)
    table = found.quantities[Quantity.POWER]
    assert (table.address, table.type, table.order) == (100, NumberType.S32, ByteOrder.CDAB)
    assert table.conversion(Quantity.POWER).convert(2875, where="x") == pytest.approx(287.5)


def test_driver_tells_how_finely_and_how_fast_its_device_reads() -> None:
    text = METER.replace("power_meter", "quantum_sensor").replace("power", "ppfd").replace('"W"', '"mmol/m2/s"')
    text = "response_time_s = 3.0\n" + text.replace("scale = 0.1", "scale = 0.1\nresolution = 0.5")
    driver = driver_of(parse_profile(text, where="q.toml"), "q")
    assert driver.response_time_s == 3.0
    assert driver.resolutions == {Quantity.PPFD: 500.0}, "in the record's unit"
    assert driver_of(parse_profile(METER, where="m.toml"), "m").resolutions == {}


def test_what_is_left_out_is_the_standards_own() -> None:
    """SDI-12 v1.4: 1200 Bd, 7E1, address 0."""
    found = parse_profile(
        'role = "quantum_sensor"\nwire = "sdi12"\ntitle = "x"\n[quantities.ppfd]\nunit = "umol/m2/s"\n', where="s.toml"
    )
    assert isinstance(found, Sdi12Profile)
    assert str(found.serial.settings()) == "1200 Bd 7E1"
    assert found.sdi12.address == "0"


def test_limits_are_numbers_or_questions() -> None:
    found = parse_profile(SPECTROMETER, where="s.toml")
    assert isinstance(found, SpectrometerProfile)
    limits = found.spectrometer.limits
    assert (limits.pixel_count, limits.max_integration) == (1024, "INT:MAX?")
    assert found.spectrometer.way == "SPEC?"
    assert found.spectrometer.form is not None
    assert found.spectrometer.form.value == ">u2"


def test_handshake_is_what_the_profile_says() -> None:
    found = parse_profile(SHAKEN, where="s.toml")
    assert isinstance(found, SpectrometerProfile)
    assert found.spectrometer.way == Handshake(
        clear=None,
        start="INIT",
        ready=Ready.CONDITION,
        query="BUSY?",
        mask=1,
        is_set=False,
        poll_s=0.02,
        fetch="SPEC?",
    )


def broken(text: str, old: str, new: str) -> str:
    assert old in text
    return text.replace(old, new)


@pytest.mark.parametrize(
    ("text", "key", "expected"),
    [
        (broken(METER, '"modbus"', '"can"'), "wire", "'modbus'"),
        (broken(METER, 'role = "power_meter"\n', ""), "role", "required"),
        (broken(METER, '"power_meter"', '"toaster"'), "role", "'power_meter'"),
        (broken(METER, '"s32"', '"s33"'), "quantities.power.type", "'s32'"),
        (broken(METER, '"CDAB"', '"CBAD"'), "quantities.power.order", "'ABCD', 'CDAB', 'BADC' or 'DCBA'"),
        (broken(METER, '"holding"', '"coil"'), "quantities.power.kind", "'holding' or 'input'"),
        (
            broken(METER, "address = 100", "address = 70000"),
            "quantities.power.address",
            "65535 at most is expected, got 70000",
        ),
        (broken(METER, '"W"', '"watt"'), "quantities.power.unit", "W, mW, kW"),
        (broken(METER, "[0, 5000]", "[5000, 0]"), "quantities.power.range", "lower first"),
        (broken(METER, "scale = 0.1", "scale = inf"), "quantities.power.scale", "finite"),
        (broken(METER, "scale = 0.1", "bits = [0, 4]"), "quantities.power", "within an unsigned type"),
        (broken(METER, "[quantities.power]", "[quantities.ppfd]"), "quantities", "power_meter takes current"),
        (broken(METER, "[quantities.power]", "[quantities.light]"), "quantities.light", "'ppfd'"),
        (
            broken(METER, "[quantities.power]", "[quantities.voltage]").replace('"W"', '"V"'),
            "quantities",
            "needs power",
        ),
        ("response_time_s = 3.0\n" + METER, "response_time_s", "only a quantum sensor's is expected"),
        (METER + "resolution = 0.5\n", "quantities.power.resolution", "only that of ppfd is expected"),
        (METER + "colour = 3\n", "quantities.power.colour", "there is no such key here"),
        (
            broken(METER, 'title = "A meter"', 'title = "A meter"\nserial = { parity = "M" }'),
            "serial.parity",
            "'N', 'E' or 'O'",
        ),
        (broken(SPECTROMETER, "INT {integration}", "INT"), "spectrometer.set_integration", "{integration}"),
        (broken(SPECTROMETER, "INT {integration}", "INT {integration} {x}"), "set_integration", "{integration}"),
        (broken(SPECTROMETER, "polynomial = [350.0, 0.4]", ""), "spectrometer.wavelength", "one of polynomial"),
        (broken(SPECTROMETER, "per_second = 1000", 'open_shutter = "SHUT ON"'), "spectrometer", "both are expected"),
        (broken(SPECTROMETER, '"SPEC?"', '"SPEC?\\nX"'), "spectrometer.capture", "no SCPI message"),
        (broken(METER, "address = 100", "address = 65535"), "quantities.power", "65534 at most is expected for s32"),
        (broken(METER, "scale = 0.1", "scale = 0"), "quantities.power.scale", "other than 0"),
        (broken(SPECTROMETER, "= 1024", "= -3"), "spectrometer.limits.pixel_count", "1 to 65536"),
        (broken(SPECTROMETER, "= 1024", "= 65537"), "spectrometer.limits.pixel_count", "1 to 65536"),
        (broken(SPECTROMETER, "= 4095", "= 0"), "spectrometer.limits.full_scale_counts", "above 0"),
        (broken(SPECTROMETER, "min_integration = 1", "min_integration = -1"), "limits.min_integration", "above 0"),
        (
            broken(SPECTROMETER, '"INT:MAX?"', "0.5"),
            "spectrometer.limits",
            "max_integration is expected to be at least min_integration",
        ),
        (broken(SPECTROMETER, 'capture = "SPEC?"', ""), "spectrometer", "one of capture and handshake"),
        (
            broken(SHAKEN, "[spectrometer.handshake]", 'capture = "X?"\n[spectrometer.handshake]'),
            "spectrometer",
            "one of",
        ),
        (broken(SHAKEN, "mask = 1", ""), "spectrometer.handshake", "mask is expected with condition"),
        (broken(SHAKEN, 'query = "BUSY?"', ""), "spectrometer.handshake", "query is expected with condition"),
        (broken(SHAKEN, '"condition"', '"status-byte"'), "spectrometer.handshake", "query is not expected"),
        (broken(SHAKEN, '"condition"', '"operation-complete"'), "spectrometer.handshake", "mask and ready_when"),
        (broken(SHAKEN, '"condition"', '"soon"'), "spectrometer.handshake.ready", "'service-request'"),
        (
            broken(SHAKEN.replace('"condition"\nquery = "BUSY?"', '"status-byte"'), "= 1\n", "= 256\n"),
            "handshake",
            "eight",
        ),
        (broken(TEXT, '"P\\n"', '"µ\\n"'), "lines.request", "ASCII"),
        (broken(METER, 'wire = "modbus"\n', ""), "wire", "'modbus', 'sdi12', 'scpi', 'nmea', 'text'"),
        ('role = "power_meter"\nwire = ', "", "not valid TOML"),
    ],
)
def test_error_names_file_key_and_what_is_expected(text: str, key: str, expected: str) -> None:
    with pytest.raises(ConfigurationError) as caught:
        parse_profile(text, where="my-meter.toml")
    message = str(caught.value)
    assert message.startswith("my-meter.toml: ")
    assert key in message
    assert expected in message
    assert "\n" not in message


def test_command_of_a_quantity_goes_before_that_of_the_profile() -> None:
    text = """
    role = "air_logger"
    wire = "sdi12"
    title = "x"
    sdi12 = { command = "M" }
    [quantities.temperature]
    unit = "Cel"
    [quantities.pressure]
    unit = "hPa"
    command = "R3"
    """
    found = parse_profile(text, where="x.toml")
    assert isinstance(found, Sdi12Profile)
    assert found.quantities[Quantity.TEMPERATURE].command is None
    assert found.quantities[Quantity.PRESSURE].command == "R3"
    with pytest.raises(ConfigurationError, match=r"quantities\.pressure\.command"):
        parse_profile(text.replace('"R3"', '"V"'), where="x.toml")


COLUMNS = """
role = "air_logger"
wire = "text"
title = "x"
[lines]
delimiter = ","
columns = 3
[quantities.temperature]
unit = "Cel"
column = 1
[quantities.humidity]
unit = "%"
column = 2
"""


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (broken(COLUMNS, "columns = 3", ""), "columns is expected with delimiter"),
        (broken(COLUMNS, 'delimiter = ","', ""), "one of pattern and delimiter"),
        (broken(COLUMNS, "columns = 3", "columns = 3\npattern = 'x'"), "one of pattern and delimiter"),
        (broken(COLUMNS, "column = 2\n", ""), "column is expected for humidity"),
        (broken(COLUMNS, "column = 2\n", "column = 3\n"), "column of humidity is expected to be 0 to 2"),
        (broken(COLUMNS, "column = 2\n", "column = 1\n"), "each quantity its own column"),
        (broken(COLUMNS, 'delimiter = ","\ncolumns = 3', "pattern = '(?P<temperature>.)(?P<humidity>.)'"), "no column"),
    ],
)
def test_columns_of_text_lines_are_checked(text: str, expected: str) -> None:
    parse_profile(COLUMNS, where="x.toml")
    with pytest.raises(ConfigurationError, match=expected):
        parse_profile(text, where="x.toml")


def test_text_pattern_must_have_a_group_for_each_quantity() -> None:
    text = """
    role = "air_logger"
    wire = "text"
    title = "x"
    lines = { pattern = '(?P<temperature>\\S+)' }
    quantities = { temperature = { unit = "Cel" }, humidity = { unit = "%" } }
    """
    with pytest.raises(ConfigurationError, match=r"named group .* for humidity is expected"):
        parse_profile(text, where="x.toml")
    with pytest.raises(ConfigurationError, match="regular expression is expected"):
        parse_profile(text.replace(r"(?P<temperature>\S+)", "("), where="x.toml")


@pytest.mark.parametrize("name", Registry(user_folder=Path("/nonexistent"), entries=()).names())
def test_every_profile_of_the_package_is_sound_and_plans_a_link(name: str) -> None:
    driver = Registry(user_folder=Path("/nonexistent"), entries=()).find(name)
    plan = driver.plan({})
    assert plan.serial is not None or plan.usb is not None
    assert driver.title
