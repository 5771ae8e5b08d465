"""Metrics: what an independent reader of OpenMetrics makes of them, and who may have them."""

import asyncio
import contextlib
import urllib.error
import urllib.request
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from lampwarden.daemon.config import BenchConfig
from lampwarden.daemon.operations.metrics import (
    CONTENT_TYPE,
    Family,
    MetricsServer,
    Sample,
    counter,
    exposition,
    gauge,
    process_families,
)
from lampwarden.protocol.errors import ConfigurationError
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from pydantic import ValidationError
from support.benches import bench_tables
from support.mosquitto import free_port
from support.processes import Program, change_toml, simulated
from support.publishing import in_thread

FAMILIES = [
    gauge("lampwarden_a_bytes", 'Help with "quotes", a \\ and\na line.', 2.5, "bytes"),
    counter("lampwarden_c", "Help.", 3),
    Family("lampwarden", "info", "Who.", (Sample(1, {"version": '1 "x" \\ \n y'}),)),
    Family("lampwarden_ok", "gauge", "By name.", (Sample(1, {"instrument": "a"}), Sample(0, {"instrument": "b"}))),
]


def read(text: str) -> dict[str, dict[tuple[tuple[str, str], ...], float]]:
    """By an independent parser, which refuses what the format does not allow: samples by name and labels."""
    found: dict[str, dict[tuple[tuple[str, str], ...], float]] = {}
    for family in text_string_to_metric_families(text):
        for sample in family.samples:
            found.setdefault(sample.name, {})[tuple(sorted(sample.labels.items()))] = sample.value
    return found


def get(port: int, path: str = "/metrics", method: str = "GET") -> tuple[str, str]:
    request = urllib.request.Request(f"http://127.0.0.1:{port}{path}", method=method)
    try:
        with urllib.request.urlopen(request, timeout=30) as answer:  # noqa: S310 - of ours
            return str(answer.headers["Content-Type"]), answer.read().decode()
    except urllib.error.HTTPError as error:
        error.close()
        raise


class TestFormat:
    def test_an_independent_reader_finds_what_was_said(self) -> None:
        assert read(exposition(FAMILIES)) == {
            "lampwarden_a_bytes": {(): 2.5},
            "lampwarden_c_total": {(): 3.0},
            "lampwarden_info": {(("version", '1 "x" \\ \n y'),): 1.0},
            "lampwarden_ok": {(("instrument", "a"),): 1.0, (("instrument", "b"),): 0.0},
        }

    def test_the_reader_refuses_what_is_not_openmetrics(self) -> None:
        """Or the test above would prove nothing."""
        text = exposition(FAMILIES)
        for broken, why in (
            (text.replace("# EOF\n", ""), "Missing # EOF"),
            (text.replace("lampwarden_c_total", "lampwarden_c"), "Clashing name"),
            (text.replace("# UNIT lampwarden_a_bytes", "# UNIT lampwarden_a"), "Unit|Invalid"),
            (text.replace("\\n", "\n"), "could not convert"),
        ):
            with pytest.raises(ValueError, match=why):
                read(broken)

    def test_of_the_process_are_told_memory_handles_threads_and_time(self) -> None:
        found = read(exposition(process_families()))
        assert found["process_resident_memory_bytes"][()] > 1e6
        assert found["process_open_fds"][()] >= 3
        assert found["process_threads"][()] >= 1
        assert found["process_cpu_seconds_total"][()] > 0


@contextlib.asynccontextmanager
async def serving() -> AsyncIterator[MetricsServer]:
    server = MetricsServer("127.0.0.1", 0, lambda: FAMILIES)
    task = asyncio.get_running_loop().create_task(server.run())
    while server.port == 0:  # noqa: ASYNC110 - the port is what there is to see
        await asyncio.sleep(0.01)  # noqa: TID251 - until it listens
    try:
        yield server
    finally:
        task.cancel()
        await asyncio.wait({task})


class TestServer:
    async def test_they_are_at_their_path_and_nothing_else_is(self) -> None:
        async with serving() as server:
            found: list[tuple[str, str]] = []
            await in_thread(lambda: found.append(get(server.port)))
            await in_thread(lambda: found.append(get(server.port, "/metrics?x=1")))
            with pytest.raises(urllib.error.HTTPError, match="404"):
                await in_thread(lambda: get(server.port, "/"))
        assert found == [(CONTENT_TYPE, exposition(FAMILIES))] * 2

    @pytest.mark.parametrize("method", ["POST", "HEAD", "DELETE"])
    async def test_another_method_is_refused_with_the_one_that_works(self, method: str) -> None:
        async with serving() as server:
            with pytest.raises(urllib.error.HTTPError, match="405") as refused:
                await in_thread(lambda: get(server.port, method=method))
        assert refused.value.headers["Allow"] == "GET"

    async def test_rubbish_and_silence_hold_nobody_up(self) -> None:
        async with serving() as server:
            _, silent = await asyncio.open_connection("127.0.0.1", server.port)
            _, loud = await asyncio.open_connection("127.0.0.1", server.port)
            loud.write(b"\x00" * 100_000)
            found: list[tuple[str, str]] = []
            await in_thread(lambda: found.append(get(server.port)))
            for writer in (silent, loud):
                writer.close()
                with contextlib.suppress(OSError):
                    await writer.wait_closed()
        assert found[0][1].endswith("# EOF\n")

    async def test_a_port_that_is_taken_is_told_with_its_mend(self) -> None:
        async with serving() as server:
            with pytest.raises(ConfigurationError, match=r"cannot be listened on.*choose another port"):
                await MetricsServer("127.0.0.1", server.port, lambda: FAMILIES).run()

    @pytest.mark.parametrize("host", ["0.0.0.0", "192.0.2.7", "::"])  # noqa: S104 - refused
    def test_they_are_for_this_machine_alone(self, host: str) -> None:
        with pytest.raises(ValidationError, match=r"metrics\.host"):
            BenchConfig.model_validate(bench_tables(metrics={"host": host}))


@pytest.mark.slow
def test_a_running_daemon_tells_all_that_a_person_on_call_needs(tmp_path: Path) -> None:
    port = free_port()
    with simulated(tmp_path / "bench", speed=20.0, port=free_port(), operator=False) as (_, config):
        change_toml(config, {"metrics": {"port": port}, "panel": {"enabled": False}})
        with Program(["run", "--config", str(config)], tmp_path / "run.log") as daemon:

            def well() -> dict[str, dict[tuple[tuple[str, str], ...], float]] | None:
                with contextlib.suppress(OSError):
                    found = read(get(port)[1])
                    ok = found["lampwarden_instrument_ok"]
                    up = found["lampwarden_broker_connected"][()] == 1
                    # An instrument answers a moment before the record of it is on disk.
                    on_disk = found["lampwarden_journal_last_seq"][()] >= 6
                    if len(ok) == 6 and set(ok.values()) == {1.0} and up and on_disk:
                        return found
                return None

            found = daemon.wait_for(well, "metrics of a bench that is well")
            assert daemon.stop() == 0
    values = {name: samples[()] for name, samples in found.items() if () in samples}
    assert values["lampwarden_test_running"] == values["lampwarden_lamp_burning"] == 0
    assert values["lampwarden_journal_trouble"] == values["lampwarden_outbox_held"] == 0
    assert values["lampwarden_journal_size_bytes"] > 0
    assert values["lampwarden_broker_connections_total"] == 1
    assert {"lampwarden_journal_unsent", "lampwarden_commands_total", "process_resident_memory_bytes"} <= set(values)
