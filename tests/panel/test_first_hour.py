"""The first hour: looking for ports, asking, writing a bench.toml that the daemon takes; and its reference."""

import subprocess
import sys
from pathlib import Path

import pytest
from lampwarden.daemon.cli import initialise
from lampwarden.daemon.cli.initialise import FoundPort, Wishes, compose, write_new
from lampwarden.daemon.cli.reference import reference
from lampwarden.daemon.config import BenchConfig, parse_config
from lampwarden.drivers.registry import Registry
from lampwarden.protocol.errors import ConfigurationError

PORTS = [
    FoundPort("usb:1209:0007:A1", "/dev/ttyUSB0: adapter", "serial"),
    FoundPort("usb:1209:0001:SIM0001", "LWSIM SPECTRO-1", "usbtmc"),
    FoundPort("usb:1209:0002:SIM0002", "LWSIM PEDAL-1", "hid"),
]


class Person:
    """Answers by a word of the question, and remembers what was asked."""

    def __init__(self, **answers: str) -> None:
        self.answers = answers
        self.asked: list[str] = []

    def __call__(self, question: str, default: str) -> str:
        self.asked.append(question)
        return next((a for word, a in self.answers.items() if word.replace("_", " ") in question), default)


def read(text: str) -> BenchConfig:
    return parse_config(text, where="test")


def test_answers_become_a_bench_that_the_daemon_takes() -> None:
    person = Person(
        Where_is_the_quantum_sensor="1",
        Where_is_the_spectrometer="2",
        profile_does_the_spectrometer_follow="scpi-spectrometer",
        Where_is_the_foot_switch="2",
        short_name="north-house",
        Mains="120/60",
    )
    config = read(compose(Wishes(), PORTS, Registry(), person))
    assert config.bench.id == "north-house"
    assert not config.bench.simulated
    assert (config.procedure.nominal_voltage_v, config.procedure.nominal_frequency_hz) == (120.0, 60.0)
    assert config.instruments["quantum"].port == "usb:1209:0007:A1"
    assert config.instruments["spectrometer"].port == "usb:1209:0001:SIM0001"
    assert config.instruments["spectrometer"].profile == "scpi-spectrometer"
    assert config.instruments["pedal"].profile == "hid-foot-switch"
    assert "mains" not in config.instruments


def test_a_profile_that_was_not_listed_is_refused_with_those_that_were() -> None:
    person = Person(Where_is_the_spectrometer="2", profile_does_the_spectrometer_follow="2")
    with pytest.raises(ConfigurationError, match=r"'2' is not one of the profiles listed.*scpi-spectrometer"):
        compose(Wishes(), PORTS, Registry(), person)


def test_only_ports_on_which_an_instrument_can_be_are_offered_for_it() -> None:
    person = Person(Where_is_the_quantum_sensor="1")
    compose(Wishes(), PORTS, Registry(), person)
    of_sensor = next(q for q in person.asked if "quantum sensor" in q)
    assert "usb:1209:0007:A1" in of_sensor
    assert "SPECTRO-1" not in of_sensor
    of_pedal = next(q for q in person.asked if "foot switch" in q)
    assert "PEDAL-1" in of_pedal
    assert "SPECTRO-1" not in of_pedal


def test_options_ask_nothing() -> None:
    person = Person()
    wishes = Wishes("b", "B", 3, 2, 100.0, "b1", "230/50", ("quantum_sensor=sdi12-quantum@/dev/ttyUSB3",))
    config = read(compose(wishes, [], Registry(), person))
    assert person.asked == []
    assert config.grid.reference == "B1"
    assert config.instruments["quantum"].port == "/dev/ttyUSB3"


def test_ports_that_nobody_claimed_are_told_in_the_file() -> None:
    text = compose(Wishes(), PORTS, Registry(), Person(Where_is_the_quantum_sensor="1"))
    assert "# found, not used: usb:1209:0001:SIM0001 (LWSIM SPECTRO-1)" in text
    assert "# found, not used: usb:1209:0007:A1" not in text


def test_without_any_instrument_the_file_says_what_is_missing_and_so_does_the_daemon() -> None:
    text = compose(Wishes(), [], Registry(), Person())
    assert "at least a quantum sensor or a spectrometer is needed" in text
    with pytest.raises(ConfigurationError, match="instruments"):
        read(text)


def test_words_with_quotes_and_control_characters_stay_one_toml_string() -> None:
    title = 'bench "two" \\ north\x07'
    wishes = Wishes("b", title, 3, 2, 100.0, "B1", "230/50", ("quantum_sensor=sdi12-quantum@/dev/ttyUSB3",))
    with pytest.raises(ConfigurationError, match="title"):
        compose(wishes, [], Registry(), Person())  # control characters are no label; the TOML itself is sound
    wishes = Wishes("b", title.rstrip("\x07"), 3, 2, 100.0, "B1", "230/50", ("quantum_sensor=sdi12-quantum@/dev/x",))
    assert read(compose(wishes, [], Registry(), Person())).bench.title == 'bench "two" \\ north'


@pytest.mark.parametrize(
    ("answers", "where"),
    [
        ({"Columns": "six"}, "columns"),
        ({"Distance": "-1"}, "pitch"),
        ({"Mains": "230"}, "mains"),
        ({"quantum_sensor": "7"}, "quantum_sensor"),
    ],
)
def test_answer_that_does_not_fit_is_refused_with_its_name(answers: dict[str, str], where: str) -> None:
    with pytest.raises(ConfigurationError, match=where):
        compose(Wishes(), PORTS, Registry(), Person(**answers))


def test_instrument_option_that_is_not_understood_says_how_to_write_it() -> None:
    with pytest.raises(ConfigurationError, match="ROLE=PROFILE@PORT"):
        compose(Wishes("b", "B", 3, 2, 100.0, "B1", "230/50", ("lamp=x@y",)), [], Registry(), Person())


def test_file_that_is_there_is_left_alone_unless_asked(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_text("mine")
    with pytest.raises(ConfigurationError, match="is there already"):
        write_new(path, "new", force=False)
    assert path.read_text() == "mine"
    write_new(path, "new", force=True)
    assert path.read_text() == "new"


def test_looking_for_ports_opens_none_and_comes_back() -> None:
    assert all(port.wire in ("serial", "usbtmc", "hid") for port in initialise.find_ports())


def test_command_line_writes_a_file_and_asks_nothing_when_told(tmp_path: Path) -> None:
    out = tmp_path / "bench.toml"
    command = [sys.executable, "-m", "lampwarden.daemon.cli", "init", "--yes", "--out", str(out)]
    command += ["--instrument", "quantum_sensor=sdi12-quantum@/dev/ttyUSB3", "--bench", "north-house"]
    done = subprocess.run(command, capture_output=True, text=True, check=True, stdin=subprocess.DEVNULL)
    assert "next: lampwarden check" in done.stdout
    assert read(out.read_text()).bench.id == "north-house"


def test_reference_lists_every_key_of_every_table_and_the_page_is_current() -> None:
    text = reference()
    for name in BenchConfig.model_fields:
        assert f"## `[{name}" in text
    for key in (
        "warm_up_minimum_s",
        "settle_minimum_s",
        "password_file",
        "height_exponent",
        "expanded_uncertainty_percent",
    ):
        assert f"| `{key}` |" in text
    page = Path(__file__).parents[2] / "daemon" / "CONFIGURATION.md"
    assert page.read_text(encoding="utf-8") == text, "lampwarden init --reference > daemon/CONFIGURATION.md"
