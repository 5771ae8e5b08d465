"""``lampwarden check``: all good is exit 0, and whatever is not good is bad however it is found out."""

import io
import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from lampwarden.daemon.cli.check import check_bench, finding_of
from lampwarden.daemon.clock import bench_today
from lampwarden.daemon.config import BenchConfig
from lampwarden.daemon.service import Opener
from lampwarden.daemon.simulated.campaign import PORTS, START
from lampwarden.daemon.simulated.simulation import bench_table
from lampwarden.daemon.store.journal_files import JournalLock, JournalPaths
from lampwarden.drivers.instruments import InlinePort
from lampwarden.drivers.registry import Registry
from lampwarden.protocol.errors import ConfigurationError
from lampwarden.protocol.records import InstrumentRecord
from lampwarden.simulators.bench import SimulatedBench
from lampwarden.simulators.faults import Fault
from rich.console import Console
from support.fakes import HandClock
from support.samples_of_records import records
from support.virtual_bench import small

YESTERDAY = bench_today() - timedelta(days=1)


async def checked(
    folder: Path, *faults: tuple[str, Fault], is_real: bool = False, **tables: dict[str, Any]
) -> tuple[bool, str]:
    """Check a simulated bench whose instruments are called directly; keywords change their tables."""
    bench, clock = SimulatedBench(small(), 1), HandClock()
    table: dict[str, Any] = bench_table(bench, PORTS, now=START, calibration_file=None)
    table["journal"] = {"path": str(folder / "journal.sqlite")}
    with socket.create_server(("127.0.0.1", 0)) as free:
        table["embedded_broker"] = {"port": free.getsockname()[1]}
    table["bench"]["simulated"] = not is_real
    for name, one in table["instruments"].items():
        if "calibration" in one:
            one["calibration"]["due_on"] = (bench_today() + timedelta(days=100)).isoformat()
        one.update(tables.get(name.replace("-", "_"), {}))
    for box, fault in faults:
        bench.faults[box].switch_on(fault)
    opener = Opener(
        Registry(user_folder=folder),
        lambda given: InlinePort(getattr(bench, given.port.removeprefix("inline:")), clock, given.port),
    )
    out = io.StringIO()
    good = await check_bench(
        BenchConfig.model_validate(table), folder, Console(file=out, width=250, force_terminal=False), opener=opener
    )
    return good, out.getvalue()


async def test_bench_on_which_all_is_well_is_good_and_each_instrument_shows_a_reading(tmp_path: Path) -> None:
    good, text = await checked(tmp_path)
    assert good
    assert "bad" not in text
    assert text.count("good") == len(PORTS)
    for part in ("µmol m⁻² s⁻¹", " Hz", " hPa", "2048 pixels", "counts at 10 ms", "ready"):
        assert part in text


async def test_device_other_than_the_one_configured_is_bad_and_both_are_named(tmp_path: Path) -> None:
    good, text = await checked(tmp_path, mains={"identity": "MAINS-10"})
    assert not good
    assert "'MAINS-10' is not in" in text
    assert "MAINS-1," in text
    assert text.count("good") == len(PORTS) - 1


async def test_simulated_device_on_a_real_bench_is_bad(tmp_path: Path) -> None:
    good, text = await checked(tmp_path, is_real=True)
    assert not good
    assert text.count("declares itself simulated") >= len(PORTS) - 1


async def test_calibration_that_is_overdue_is_bad(tmp_path: Path) -> None:
    calibration = {"certificate": "K-1", "expanded_uncertainty_percent": 2.0, "due_on": YESTERDAY.isoformat()}
    good, text = await checked(tmp_path, quantum={"calibration": calibration})
    assert not good
    assert f"calibration was due on {YESTERDAY}" in text


async def test_instrument_that_does_not_answer_is_bad_and_the_others_are_looked_at(tmp_path: Path) -> None:
    good, text = await checked(tmp_path, ("power_meter", Fault.SILENT))
    assert not good
    assert "no answer" in text
    assert text.count("good") == len(PORTS) - 1


async def test_all_instruments_that_cannot_be_meant_are_told_before_any_is_looked_at(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError) as caught:
        await checked(tmp_path, mains={"profile": "no-meter"}, pedal={"profile": "no-pedal"})
    assert caught.value.exit_code == 2
    assert [fault.split(": ")[0] for fault in caught.value.faults] == [
        "instruments.mains.profile",
        "instruments.pedal.profile",
    ]


def own_meter(folder: Path) -> Path:
    """The shipped profile of the power meter under a name of its own."""
    profile = folder / "own-meter.toml"
    profile.write_text(files("lampwarden.drivers").joinpath("profiles/modbus-meter.toml").read_text(encoding="utf-8"))
    return profile


@contextmanager
def running_daemon(folder: Path) -> Iterator[float]:
    """One that holds the journal since a time, and does not answer."""
    paths = JournalPaths(folder / "journal.sqlite")
    lock = JournalLock(paths)
    try:
        yield paths.lock.stat().st_mtime
    finally:
        lock.release()


async def test_profile_that_was_changed_beside_a_running_daemon_is_told(tmp_path: Path) -> None:
    profile = own_meter(tmp_path)
    with running_daemon(tmp_path) as since_s:
        os.utime(profile, (since_s - 10.0, since_s - 10.0))
        _, before = await checked(tmp_path, mains={"profile": "own-meter"})
        os.utime(profile, (since_s + 10.0, since_s + 10.0))
        _, after = await checked(tmp_path, mains={"profile": "own-meter"})
    before, after = (" ".join(text.split()) for text in (before, after))  # whatever the width of the screen
    assert "A daemon runs on this bench" in before
    assert "was changed" not in before
    assert f"{profile} was changed after the daemon had started" in after
    assert after.count("was changed") == 1


async def test_profile_that_is_wrong_by_now_is_bad_beside_a_running_daemon(tmp_path: Path) -> None:
    profile = own_meter(tmp_path)
    profile.write_text(profile.read_text().replace('"f32"', '"f33"', 1))
    with running_daemon(tmp_path):
        good, text = await checked(tmp_path, mains={"profile": "own-meter"})
    assert not good
    assert "mains (power meter, inline:power_meter): " in text
    text = " ".join(text.split())  # whatever the width of the screen
    assert "the daemon would not start again: instruments.mains: " in text
    assert "own-meter.toml: quantities.voltage.type" in text


def record(**changes: Any) -> InstrumentRecord:
    made = next(each for each in records() if isinstance(each, InstrumentRecord))
    return InstrumentRecord.model_validate({**made.model_dump(mode="json", by_alias=True), **changes})


@pytest.mark.parametrize(
    ("state", "overdue", "good"),
    [("ok", False, True), ("ok", True, False), ("faulty", False, False), ("refused", True, False)],
)
def test_what_a_daemon_tells_is_judged_like_what_is_looked_at(state: str, overdue: bool, good: bool) -> None:
    calibration = record().model_dump(mode="json")["calibration"] | {"overdue": overdue}
    found = finding_of(record(state=state, calibration=calibration, text="why"))
    assert found.good is good
    assert ("calibration overdue" in found.remark) is overdue
    assert ("why" in found.remark) is (state != "ok")
