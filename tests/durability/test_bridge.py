"""The sample bridge carries a bench's records from its own Mosquitto to a central one, also after a cut."""

from pathlib import Path

import pytest
from lampwarden.daemon.operations.deployment_files import Places, sample
from lampwarden.protocol.commands import Press
from support.journals import BENCH, Notebook
from support.mosquitto import Mosquitto, mosquitto
from support.mqtt_reader import Reader
from support.publishing import in_thread, publishing

OTHER = "south-house"


def bridge_to(central: Mosquitto, bench: str) -> str:
    """The sample, word for word, but for the password that an anonymous broker does not want and a quicker start."""
    text = sample("mosquitto-bridge.conf", Places(bench, central=f"127.0.0.1:{central.port}"))
    assert "restart_timeout 5 60" in text
    lines = [line for line in text.splitlines() if not line.startswith("remote_password")]
    return "\n".join(lines).replace("restart_timeout 5 60", "restart_timeout 1 2")


@pytest.mark.slow
async def test_records_of_two_benches_reach_the_central_broker_in_order_and_without_a_gap(tmp_path: Path) -> None:
    with (
        mosquitto(tmp_path / "central") as central,
        mosquitto(tmp_path / "north", more=bridge_to(central, BENCH)) as north,
        mosquitto(tmp_path / "south", more=bridge_to(central, OTHER)) as south,
    ):
        reader = Reader(central.port)
        try:
            async with (
                publishing(tmp_path / "n", north.port) as one,
                publishing(tmp_path / "s", south.port, bench=OTHER, book=Notebook(seed=7)) as other,
            ):
                await one.journal.append(one.book.whole_test("t-1", 30))
                await other.journal.append(other.book.whole_test("t-1", 20))
                await one.drained()
                await other.drained()
                await in_thread(lambda: reader.wait(lambda r: len(r.records()) >= 50, "the records of both"))
        finally:
            reader.close()
    north_seqs = [h.body["seq"] for h in reader.records() if h.topic.startswith(f"lampwarden/1/{BENCH}/")]
    south_seqs = [h.body["seq"] for h in reader.records() if h.topic.startswith(f"lampwarden/1/{OTHER}/")]
    assert north_seqs == list(range(1, 31))
    assert south_seqs == list(range(1, 21))
    assert any(h.topic == f"lampwarden/1/{BENCH}/status" and h.body["online"] for h in reader.snapshot())
    assert any(h.topic == f"lampwarden/1/{OTHER}/status" and h.body["online"] for h in reader.snapshot())


@pytest.mark.slow
async def test_what_came_while_the_central_broker_was_away_is_there_afterwards(tmp_path: Path) -> None:
    with (
        mosquitto(tmp_path / "central") as central,
        mosquitto(tmp_path / "local", more=bridge_to(central, BENCH)) as local,
    ):
        reader = Reader(central.port)
        try:
            async with publishing(tmp_path / "n", local.port) as running:
                await running.journal.append(running.book.notes(30))
                await running.drained()
                await in_thread(lambda: reader.wait(lambda r: len(r.by_seq()) == 30, "30 records at the centre"))
                await in_thread(central.stop)
                await running.journal.append(running.book.notes(30))
                await running.drained()
                await in_thread(central.start)
                await in_thread(lambda: reader.wait(lambda r: len(r.by_seq()) == 60, "60 records at the centre"))
        finally:
            reader.close()
    assert sorted(reader.by_seq()) == list(range(1, 61))


@pytest.mark.slow
async def test_a_command_given_at_the_centre_reaches_its_bench_and_the_answer_comes_back(tmp_path: Path) -> None:
    with (
        mosquitto(tmp_path / "central") as central,
        mosquitto(tmp_path / "local", more=bridge_to(central, BENCH)) as local,
    ):
        reader = Reader(central.port)
        try:
            async with publishing(tmp_path / "n", local.port) as running:
                await running.journal.append(running.book.notes(1))
                await in_thread(lambda: reader.wait(lambda r: len(r.by_seq()) == 1, "the bridge to stand"))
                for bench in (OTHER, BENCH):
                    topic = f"lampwarden/1/{bench}/commands/press"
                    reader.client.publish(topic, Press(id=f"for-{bench}").model_dump_json(), 1)
                await in_thread(
                    lambda: reader.wait(lambda r: any(h.topic.endswith("/replies") for h in r.snapshot()), "an answer")
                )
        finally:
            reader.close()
    assert [c.id for c in running.bench.obeyed] == [f"for-{BENCH}"], "not what was for another bench"
    (answer,) = [h.body for h in reader.snapshot() if h.topic == f"lampwarden/1/{BENCH}/replies"]
    assert (answer["id"], answer["accepted"]) == (f"for-{BENCH}", True)
