"""The first hour: looking for ports, asking, writing a bench.toml that the daemon takes; and its reference."""

import subprocess
import sys
from pathlib import Path

import pytest
from lampwarden.daemon.cli.initialise import TRIES, Wishes, compose
from lampwarden.daemon.cli.initialise_file import write_new
from lampwarden.daemon.cli.initialise_ports import FoundPort, find_ports
from lampwarden.daemon.cli.reference import reference
from lampwarden.daemon.config import BenchConfig, parse_config
from lampwarden.drivers.registry import Registry
from lampwarden.protocol.errors import ConfigurationError
from serial.tools import list_ports
from serial.tools.list_ports_common import ListPortInfo

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


def test_a_port_of_which_the_system_knows_nothing_is_offered_in_words(monkeypatch: pytest.MonkeyPatch) -> None:
    known = ListPortInfo("/dev/ttyUSB0")
    known.vid, known.pid, known.description = 0x0403, 0x6001, "adapter"
    monkeypatch.setattr(list_ports, "comports", lambda: [ListPortInfo("/dev/ttyS0"), known])
    found = {port.port: port.what for port in find_ports() if port.wire == "serial"}
    assert found == {"/dev/ttyS0": "serial port", "usb:0403:6001": "/dev/ttyUSB0: adapter"}


def test_the_air_is_not_looked_for_but_its_logger() -> None:
    person = Person()
    compose(Wishes(), PORTS, Registry(), person)
    assert [q.split("?")[0] for q in person.asked if " air " in q] == [
        "Where is the logger of the air inside",
        "Where is the logger of the air outside",
    ]


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


def test_bench_with_a_spectrometer_alone_reads_with_it() -> None:
    person = Person(Where_is_the_spectrometer="2")
    config = read(compose(Wishes(), PORTS, Registry(), person))
    assert config.procedure.primary == "spectrometer"


def test_answers_without_a_light_instrument_are_kept_and_the_file_says_what_is_missing() -> None:
    text = compose(Wishes(), PORTS, Registry(), Person(Where_is_the_foot_switch="2"))
    assert "[instruments.pedal]" in text
    assert "at least a quantum sensor or a spectrometer is needed" in text


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


class Learner(Person):
    """Gives each answer of a list in turn to a question, and what is offered where the list is at its end."""

    def __init__(self, **answers: list[str]) -> None:
        super().__init__()
        self.in_turn = {word.replace("_", " "): list(given) for word, given in answers.items()}
        self.told: list[str] = []

    def __call__(self, question: str, default: str) -> str:
        self.asked.append(question)
        given = next((given for word, given in self.in_turn.items() if word in question), [])
        return given.pop(0) if given else default

    def tell(self, reason: str) -> None:
        self.told.append(reason)


@pytest.mark.parametrize(
    ("question", "bad", "reason", "good", "written"),
    [
        ("short_name", "My Bench!", "lower case letters, digits, - and _", "my-bench", 'id = "my-bench"'),
        ("people_call_it", "a\x07b", "1 to 120 characters", "my bench", 'title = "my bench"'),
        ("Columns", "abc", "whole number from 1 to 52", "5", "columns = 5"),
        ("Columns", "53", "whole number from 1 to 52", "52", "columns = 52"),
        ("Rows", "100", "whole number from 1 to 99", "3", "rows = 3"),
        ("Distance", "-1", "figure above 0", "120", "pitch_x_mm = 120"),
        ("Reference", "Z9", "not a spot of this grid", "c2", 'reference = "C2"'),
        ("Mains", "110-60", "volt/hertz, as 230/50", "110/60", "nominal_frequency_hz = 60"),
        ("Mains", "230/0", "volt/hertz, as 230/50", "230/50", "nominal_frequency_hz = 50"),
        ("Where_is_the_quantum_sensor", "7", "not one of the ports listed", "1", 'role = "quantum_sensor"'),
        ("profile_does_the_spectrometer_follow", "2", "profiles listed", "scpi-spectrometer", '"scpi-spectrometer"'),
    ],
)
def test_bad_answer_is_asked_again_with_its_reason_and_the_others_stay(
    question: str, bad: str, reason: str, good: str, written: str
) -> None:
    learner = Learner(**{"Where_is_the_spectrometer": ["2"], question: [bad, good]})
    text = compose(Wishes(), PORTS, Registry(), learner, learner.tell)
    assert len(learner.told) == 1
    assert reason in learner.told[0]
    assert written in text
    again = [asked for asked in learner.asked if question.replace("_", " ") in asked]
    assert len(again) == 2
    assert len(set(learner.asked)) == len(learner.asked) - 1, "only the bad answer was asked for again"


def test_bad_answers_are_asked_again_only_so_often() -> None:
    learner = Learner(Columns=["abc"] * 9)
    with pytest.raises(ConfigurationError, match=r"columns: 'abc' is not a whole number"):
        compose(Wishes(), PORTS, Registry(), learner, learner.tell)
    assert len([asked for asked in learner.asked if "Columns" in asked]) == TRIES


@pytest.mark.parametrize(
    ("wishes", "reason"),
    [
        (Wishes(bench="My Bench!"), "bench"),
        (Wishes(columns=6, rows=4, reference="Z9"), "reference"),
        (Wishes(mains="110-60"), "mains"),
        (Wishes(pitch_mm=-3.0), "pitch"),
    ],
)
def test_option_that_does_not_fit_is_refused_and_nobody_is_asked_for_it(wishes: Wishes, reason: str) -> None:
    learner = Learner()
    with pytest.raises(ConfigurationError, match=f"^{reason}: "):
        compose(wishes, PORTS, Registry(), learner, learner.tell)
    assert learner.told == []


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
    assert all(port.wire in ("serial", "usbtmc", "hid") for port in find_ports())


def test_command_line_writes_a_file_and_asks_nothing_when_told(tmp_path: Path) -> None:
    out = tmp_path / "bench.toml"
    command = [sys.executable, "-m", "lampwarden.daemon.cli", "init", "--yes", "--out", str(out)]
    command += ["--instrument", "quantum_sensor=sdi12-quantum@/dev/ttyUSB3", "--bench", "north-house"]
    done = subprocess.run(command, capture_output=True, text=True, check=True, stdin=subprocess.DEVNULL)
    assert "next: lampwarden check" in done.stdout
    assert read(out.read_text()).bench.id == "north-house"


@pytest.mark.parametrize(
    ("wish", "told"),
    [
        ("quantum_sensor=sdi12-quantu@/dev/ttyUSB3", r"there is no profile 'sdi12-quantu' .*known are .*sdi12-quantum"),
        ("quantum_sensor=modbus-meter@/dev/ttyUSB3", "the profile is that of a power meter"),
    ],
)
def test_profile_that_is_not_there_or_of_another_role_is_refused_before_a_file_is_written(wish: str, told: str) -> None:
    with pytest.raises(ConfigurationError, match=told):
        compose(Wishes(instruments=(wish,)), (), Registry(entries=()), lambda _, usual: usual)


def test_file_is_named_like_in_every_other_command_too_and_one_that_is_there_is_told_before_a_question(
    tmp_path: Path,
) -> None:
    out = tmp_path / "bench.toml"
    command = [sys.executable, "-m", "lampwarden.daemon.cli", "init", "--config", str(out)]
    done = subprocess.run([*command, "--yes"], capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL)
    assert done.returncode == 0, done.stderr
    assert out.is_file()
    done = subprocess.run(command, capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL)
    assert done.returncode == 2
    assert "is there already" in done.stderr
    assert "name for this bench" not in done.stdout


def test_person_at_the_command_line_is_told_why_and_asked_again(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "lampwarden.daemon.cli", "init", "--out", str(tmp_path / "bench.toml")]
    given = "My Bench!\nmy-bench\n" + "\n" * 40
    done = subprocess.run(command, capture_output=True, text=True, check=False, input=given)
    assert done.returncode == 0, done.stderr
    assert "lower case letters" in done.stderr
    assert 'id = "my-bench"' in (tmp_path / "bench.toml").read_text()


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
