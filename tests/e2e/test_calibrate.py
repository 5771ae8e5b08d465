"""``lampwarden calibrate`` on a simulated bench: what is written, and what a person is told to do with it."""

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from lampwarden.daemon.cli.calibrate import calibrate_dark, calibrate_quantum
from lampwarden.daemon.config import CalibrationTable
from lampwarden.daemon.simulated.simulate import Simulation, served_bench
from lampwarden.simulators.scenario import Scenario

pytestmark = [pytest.mark.slow, pytest.mark.timeout(60)]


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Simulation]:
    with served_bench(Scenario.demo(), 1, folder=tmp_path / "bench", speed=50.0) as served:
        yield served


async def test_darks_are_for_the_record_since_nothing_in_bench_toml_could_name_them(
    bench: Simulation, tmp_path: Path
) -> None:
    said: list[str] = []
    path = await calibrate_dark(bench.config, tmp_path, None, said.append)
    body = json.loads(path.read_text())
    assert len(body["counts"]) == len(body["integration_s"]) > 0
    assert said[-1] == f"written: {path}; for the record: each test takes darks of its own"


async def test_a_second_file_of_a_day_does_not_replace_the_first(bench: Simulation, tmp_path: Path) -> None:
    """Records name a calibration file by its hash: it must still be there."""
    first = await calibrate_dark(bench.config, tmp_path, None, lambda _: None)
    kept = first.read_bytes()
    second, third = [await calibrate_dark(bench.config, tmp_path, None, lambda _: None) for _ in range(2)]
    assert (second.stem, third.stem) == (f"{first.stem}-2", f"{first.stem}-3")
    assert first.read_bytes() == kept


async def test_the_factor_of_a_quantum_sensor_is_told_by_the_keys_that_take_it(
    bench: Simulation, tmp_path: Path
) -> None:
    said: list[str] = []
    await calibrate_quantum(
        bench.config,
        tmp_path,
        reference_umol=500.0,
        u_reference_percent=1.0,
        pairs=2,
        out=None,
        say=said.append,
    )
    assert "copy factor and expanded_uncertainty_percent to [instruments.quantum.calibration]" in said[-1]
    assert {"factor", "expanded_uncertainty_percent"} <= set(CalibrationTable.model_fields)
