"""Logs: one line an event, nothing of a device's making in them, bounded on disk."""

import json
import logging
from collections.abc import Iterator
from pathlib import Path

import pytest
from lampwarden.daemon.operations.logs import FILE_BYTES, FILES, one_line, set_up
from lampwarden.protocol.errors import ConfigurationError
from support.virtual_bench import run_bench, small

INSTRUMENTS = ("quantum", "mains", "air-in", "air-out", "spectrometer", "pedal")
bench = logging.getLogger("lampwarden.bench")


@pytest.fixture(autouse=True)
def _as_before() -> Iterator[None]:
    root = logging.getLogger()
    handlers, level = list(root.handlers), root.level
    yield
    for handler in set(root.handlers) - set(handlers):
        root.removeHandler(handler)
        handler.close()
    for handler in handlers:
        if handler not in root.handlers:
            root.addHandler(handler)
    root.setLevel(level)


def files(folder: Path) -> list[Path]:
    return sorted(folder.glob("daemon.log*"))


@pytest.mark.parametrize("as_json", [False, True])
def test_the_files_never_take_more_than_their_bound_and_the_newest_line_is_there(tmp_path: Path, as_json: bool) -> None:
    """6000 lines of a test, some 600 kB, into files of 20 kB."""
    set_up(file=tmp_path / "daemon.log", file_bytes=20_000, as_json=as_json)
    most = 0
    for number in range(6000):
        bench.info("A%d: %.1f µmol m⁻² s⁻¹, and some more words of a notebook", number, 327.6 + number)
        if number % 50 == 0:
            most = max(most, sum(path.stat().st_size for path in files(tmp_path)))
    assert len(files(tmp_path)) == FILES + 1
    assert most <= (FILES + 1) * 20_000
    assert "A5999: " in (tmp_path / "daemon.log").read_text(encoding="utf-8")
    whole = b"".join(path.read_bytes() for path in files(tmp_path))
    assert b"A0: " not in whole, "the oldest are gone"


def test_as_delivered_they_take_thirty_megabytes_at_most() -> None:
    assert (FILES + 1) * FILE_BYTES == 30_000_000


def test_json_has_time_level_logger_and_message_each_on_one_line(tmp_path: Path) -> None:
    set_up(file=tmp_path / "daemon.log", as_json=True)
    bench.info("settling at A1")
    bench.warning("a device said\nERROR nonsense \x1b[31m")
    try:
        int("of ours")
    except ValueError:
        bench.exception("a fault of ours")
    lines = [json.loads(line) for line in (tmp_path / "daemon.log").read_text(encoding="utf-8").splitlines()]
    assert [(line["level"], line["logger"]) for line in lines] == [
        ("info", "lampwarden.bench"),
        ("warning", "lampwarden.bench"),
        ("error", "lampwarden.bench"),
    ]
    assert lines[0]["message"] == "settling at A1"
    assert lines[0]["time"].endswith("Z")
    assert lines[1]["message"] == "a device said\nERROR nonsense \x1b[31m"
    assert "ValueError: invalid literal" in lines[2]["exception"]


def test_no_device_starts_a_line_or_colours_a_terminal(tmp_path: Path) -> None:
    set_up(file=tmp_path / "daemon.log")
    bench.warning("a device said %s", "x\nERROR lampwarden.bench: forged\x1b[31m")
    (line,) = (tmp_path / "daemon.log").read_text(encoding="utf-8").splitlines()
    assert line.endswith("lampwarden.bench: a device said x\\x0aERROR lampwarden.bench: forged\\x1b[31m")
    assert one_line("µmol m⁻² s⁻¹") == "µmol m⁻² s⁻¹"


def test_wires_and_libraries_are_quiet_unless_asked_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("LAMPWARDEN_WIRE", raising=False)
    set_up(level=logging.DEBUG, file=tmp_path / "daemon.log")
    for name in ("lampwarden.wire", "lampwarden.mqtt", "aiohttp.access", "asyncio"):
        logging.getLogger(name).info("password=secret")
    assert (tmp_path / "daemon.log").read_text() == ""


def test_a_file_that_cannot_be_written_is_one_clear_line(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match=r"--log-file .*cannot be written"):
        set_up(file=tmp_path / "no such folder" / "daemon.log")


@pytest.mark.slow
def test_a_whole_test_is_a_notebook_of_one_line_for_each_event(caplog: pytest.LogCaptureFixture) -> None:
    """What a technician would write down, in the order in which it went, and nothing else."""
    caplog.set_level(logging.INFO)
    outcome = run_bench(small())
    of_bench = [r.getMessage() for r in caplog.records if r.name == "lampwarden.bench" and r.levelno >= logging.INFO]
    events = [e["text"] for e in outcome.events() if e["event"] not in ("burn_ended", "burn_counted")]
    assert of_bench == events, "each event's words, once"
    assert len(events) >= 20
    health = [r.getMessage() for r in caplog.records if r.name == "lampwarden.instruments"]
    assert sorted(line.split(":")[0] for line in health) == sorted(INSTRUMENTS), "each instrument's change, once"
    assert all("\n" not in line for line in (*of_bench, *health))
    assert all(r.levelno < logging.WARNING for r in caplog.records)
