"""The journal's records reach a real broker: all, once each, in order, whatever happens to the broker or to the way."""

import asyncio
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from lampwarden.protocol.commands import Press
from lampwarden.protocol.records import LiveMessage
from support.fault_proxy import Trouble, fault_proxy
from support.journals import BENCH, Notebook
from support.mosquitto import Mosquitto, mosquitto
from support.mqtt_reader import Reader
from support.publishing import in_thread, publishing
from support.samples_of_records import live as live_examples
from support.samples_of_records import records

BASE = f"lampwarden/1/{BENCH}"


@pytest.fixture
def reader(broker: Mosquitto) -> Iterator[Reader]:
    found = Reader(broker.port)
    yield found
    found.close()


def firsts(reader: Reader) -> list[int]:
    """Numbers in the order in which each came for the first time, retained copies aside."""
    seen: list[int] = []
    for heard in reader.records():
        if heard.body["seq"] not in seen and not heard.retain:
            seen.append(heard.body["seq"])
    return seen


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
async def test_records_arrive_in_the_order_of_seq(
    tmp_path: Path, broker: Mosquitto, reader: Reader, protocol: str
) -> None:
    async with publishing(tmp_path, broker.port, protocol=protocol) as running:
        for _ in range(10):
            await running.journal.append(running.book.notes(30))
        await running.drained()
        await in_thread(lambda: reader.wait(lambda r: len(r.by_seq()) == 300, "300 records"))
    assert firsts(reader) == list(range(1, 301))


async def test_a_message_says_what_it_is_and_how_long_it_is_worth_anything(
    tmp_path: Path,
    broker: Mosquitto,
    reader: Reader,
) -> None:
    """MQTT 5.0, 3.3.2.3: Payload Format Indicator, Message Expiry Interval, User Property, Content Type."""
    async with publishing(tmp_path, broker.port) as running:
        await running.publisher.connected.wait()
        (record,) = await running.journal.append([running.book.note()])
        live_now = next(m for m in live_examples() if isinstance(m, LiveMessage)).model_copy(update={"bench": BENCH})
        running.publisher.tell(live_now)
        await in_thread(lambda: reader.wait(lambda r: any(h.topic.endswith("/live") for h in r.snapshot()), "live"))
        await running.drained()
    told = next(h for h in reader.records() if h.body["record_id"] == str(record.record_id))
    assert told.properties["ContentType"] == "application/json"
    assert told.properties["PayloadFormatIndicator"] == 1
    assert ("schema", "lampwarden.event/1") in told.properties["UserProperty"]
    assert "MessageExpiryInterval" not in told.properties
    live = next(h for h in reader.snapshot() if h.topic.endswith("/live"))
    assert 1 <= live.properties["MessageExpiryInterval"] <= 5


async def test_a_broker_killed_in_the_middle_of_a_backlog_gets_all_of_it(tmp_path: Path) -> None:
    with mosquitto(tmp_path / "broker", more="autosave_interval 3600") as broker:
        reader = Reader(broker.port)
        async with publishing(tmp_path, broker.port) as running:
            for _ in range(20):
                await running.journal.append(running.book.notes(100))
            for share in (0.2, 0.5, 0.8):
                await running.until(lambda share=share: running.journal.sent_through > share * 2000)
                await in_thread(broker.kill)
                before = reader.subscriptions
                await in_thread(broker.start)
            await running.drained()
            await in_thread(lambda: reader.wait(lambda r: r.subscriptions > before, "the reader to be back"))
            # A broker that is killed loses what it acknowledged and had not saved: then readers ask for it again.
            await running.journal.replay(1)
            await running.drained()
            await in_thread(lambda: reader.wait(lambda r: len(r.by_seq()) == 2000, "2000 records"))
        reader.close()
    assert sorted(reader.by_seq()) == list(range(1, 2001))


async def test_a_paused_broker_is_noticed_and_loses_nothing(tmp_path: Path, broker: Mosquitto, reader: Reader) -> None:
    async with publishing(tmp_path, broker.port, timeout_s=1.0) as running:
        await running.publisher.connected.wait()
        await running.journal.append(running.book.notes(10))
        await running.drained()
        broker.pause()
        await running.journal.append(running.book.notes(10))
        await running.until(lambda: not running.publisher.connected.is_set())
        assert "no acknowledgement" in (running.publisher.state.trouble or "")
        broker.go_on()
        await running.drained()
        await in_thread(lambda: reader.wait(lambda r: len(r.by_seq()) == 20, "20 records"))
    assert sorted(reader.by_seq()) == list(range(1, 21))


async def test_a_way_that_cuts_every_packet_somewhere_still_gets_all_through(
    tmp_path: Path,
    broker: Mosquitto,
    reader: Reader,
) -> None:
    with fault_proxy(broker.port, seed=5) as proxy:
        proxy.cut_after = (200, 20_000)
        proxy.set(Trouble.CUT)
        async with publishing(tmp_path, proxy.port, timeout_s=2.0) as running:
            await running.journal.append(running.book.notes(60, size=500))
            await running.until(lambda: proxy.cuts >= 5)
            proxy.set(Trouble.NONE)
            await running.drained()
            await in_thread(lambda: reader.wait(lambda r: len(r.by_seq()) == 60, "60 records"))
    assert proxy.cuts >= 5
    assert sorted(reader.by_seq()) == list(range(1, 61))


async def test_an_unreachable_broker_is_asked_seldom_and_told_once(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    with fault_proxy(1, seed=1) as proxy:
        proxy.set(Trouble.REFUSE)
        async with publishing(tmp_path, proxy.port, timeout_s=1.0) as running:
            await running.until(lambda: proxy.connections >= 3)
            # Back-off doubles from half a second, with jitter: three tries need more than half a second.
            assert proxy.connections <= 8
    lines = [r for r in caplog.records if "cannot connect" in r.message]
    assert len({r.message for r in lines}) == len(lines)


async def test_the_last_will_says_offline_after_a_death_and_the_birth_says_online(
    tmp_path: Path,
    broker: Mosquitto,
    reader: Reader,
) -> None:
    with fault_proxy(broker.port) as proxy:
        async with publishing(tmp_path, proxy.port) as running:
            await running.publisher.connected.wait()
            proxy.break_all()
            await running.until(lambda: running.publisher.state.connections == 2)
            await in_thread(
                lambda: reader.wait(
                    lambda r: (
                        [h.body["online"] for h in r.snapshot() if h.topic == f"{BASE}/status"][:3]
                        == [True, False, True]
                    ),
                    "online, offline, online",
                )
            )


async def test_a_daemon_that_stops_says_so_and_leaves_no_will(
    tmp_path: Path, broker: Mosquitto, reader: Reader
) -> None:
    async with publishing(tmp_path, broker.port) as running:
        await running.publisher.connected.wait()
    await in_thread(
        lambda: reader.wait(
            lambda r: [h.body["online"] for h in r.snapshot() if h.topic == f"{BASE}/status"] == [True, False],
            "offline",
        )
    )
    late = Reader(broker.port, name="late")
    late.wait(lambda r: len(r.snapshot()) == 1, "the retained status")
    assert late.snapshot()[0].retain
    assert late.snapshot()[0].body["online"] is False
    late.close()


async def test_a_broker_that_lost_its_store_has_its_retained_messages_again(tmp_path: Path, broker: Mosquitto) -> None:
    health = next(r for r in records() if r.schema_ == "lampwarden.instrument/1")
    summary = next(r for r in records() if r.schema_ == "lampwarden.summary/1")
    async with publishing(tmp_path, broker.port) as running:
        new_id = running.book.stamp.new_id
        for sample in (health, summary):
            await running.journal.append([sample.model_copy(update={"bench": BENCH, "seq": 0, "record_id": new_id()})])
        await running.drained()
        await in_thread(broker.kill)
        broker.forget()
        await in_thread(broker.start)
        await running.until(lambda: running.publisher.state.connections == 2)
        late = Reader(broker.port, name="late")
        await in_thread(lambda: late.wait(lambda r: len({h.topic for h in r.snapshot()}) >= 3, "three retained topics"))
        late.close()
    kinds = {h.body["schema"] for h in late.snapshot()}
    assert kinds == {"lampwarden.status/1", "lampwarden.instrument/1", "lampwarden.summary/1"}


async def test_a_replay_refills_a_broker_that_was_restarted_empty(tmp_path: Path, broker: Mosquitto) -> None:
    async with publishing(tmp_path, broker.port) as running:
        await running.journal.append(running.book.notes(50))
        await running.drained()
        await in_thread(broker.kill)
        broker.forget()
        await in_thread(broker.start)
        reader = Reader(broker.port, name="fresh")
        assert await running.journal.replay(11) == 40
        await running.until(lambda: running.journal.sent_through == 50)
        await in_thread(lambda: reader.wait(lambda r: len(r.by_seq()) == 40, "40 records"))
        reader.close()
    assert firsts(reader) == list(range(11, 51))


async def test_a_replay_in_the_middle_of_sending_survives_a_killed_daemon(
    tmp_path: Path,
    broker: Mosquitto,
    reader: Reader,
) -> None:
    book = Notebook()
    async with publishing(tmp_path, broker.port, book=book) as running:
        await running.journal.append(book.notes(500))
        await running.drained()
        await running.journal.replay(1)
        running.task.cancel()  # before the replay can be over
        sent = running.journal.sent_through
    assert sent < 500
    heard = len(reader.records())
    async with publishing(tmp_path, broker.port, book=book) as running:
        await running.drained()
    reader.wait(lambda r: len(r.records()) >= 1000, "each record twice")
    assert heard < 1000


async def test_a_record_larger_than_the_broker_takes_goes_out_as_a_stub_with_its_seq(tmp_path: Path) -> None:
    """MQTT 5.0, 3.2.2.3.6: the client must not send a packet larger than the server's Maximum Packet Size."""
    with mosquitto(tmp_path / "broker", more="max_packet_size 20000") as broker:
        reader = Reader(broker.port)
        async with publishing(tmp_path, broker.port) as running:
            await running.journal.append([running.book.note("small")])
            (large,) = await running.journal.append([running.book.note("large", size=30_000)])
            await running.journal.append([running.book.note("small again")])
            await running.drained()
            assert running.publisher.state.connections == 1
            await in_thread(lambda: reader.wait(lambda r: len(r.by_seq()) == 3, "three records"))
        reader.close()
    assert firsts(reader) == [1, 2, 3]
    stub = next(h for h in reader.records() if h.body["seq"] == 2)
    assert stub.topic == f"{BASE}/stubs"
    assert stub.body["schema"] == "lampwarden.stub/1"
    assert stub.body["of_record_id"] == str(large.record_id)
    assert "more than the broker takes (20000)" in stub.body["reason"]


async def test_a_stub_is_the_same_stub_each_time(tmp_path: Path) -> None:
    with mosquitto(tmp_path / "broker", more="max_packet_size 20000") as broker:
        reader = Reader(broker.port)
        async with publishing(tmp_path, broker.port) as running:
            await running.journal.append([running.book.note("large", size=30_000)])
            await running.drained()
            await running.journal.replay(1)
            await in_thread(lambda: reader.wait(lambda r: len(r.records()) == 2, "the stub twice"))
        reader.close()
    assert len({h.body["record_id"] for h in reader.records()}) == 1


async def test_a_record_just_as_large_as_the_broker_takes_goes_out_whole(tmp_path: Path) -> None:
    """Our count of a packet's bytes is the broker's: one byte more and Mosquitto would close the connection."""
    with mosquitto(tmp_path / "broker", more="max_packet_size 20000") as broker:
        reader = Reader(broker.port)
        async with publishing(tmp_path, broker.port) as running:
            await running.journal.append([running.book.note("x", size=size) for size in range(19_400, 19_700)])
            await running.drained()
            assert running.publisher.state.connections == 1
            await in_thread(lambda: reader.wait(lambda r: len(r.by_seq()) == 300, "300 records"))
        reader.close()
    kinds = [h.body["schema"] for h in sorted(reader.records(), key=lambda h: h.body["seq"])]
    assert kinds.count("lampwarden.event/1") > 50
    assert kinds.count("lampwarden.stub/1") > 50
    # Sizes rise with seq: whole ones first, then stubs, and the last whole one is as large as it may be.
    assert kinds == sorted(kinds)


async def test_a_record_above_mosquittos_message_size_limit_becomes_a_stub(tmp_path: Path) -> None:
    """Mosquitto does not announce this limit; it answers 95h, which MQTT does not list for PUBACK."""
    with mosquitto(tmp_path / "broker", more="message_size_limit 5000") as broker:
        reader = Reader(broker.port)
        async with publishing(tmp_path, broker.port) as running:
            await running.journal.append([running.book.note(f"{n}", size=6000 if n == 3 else 0) for n in range(8)])
            await running.drained()
            await in_thread(lambda: reader.wait(lambda r: len(r.by_seq()) == 8, "eight records"))
        reader.close()
    stubs = [h.body for h in reader.records() if h.topic.endswith("/stubs")]
    assert [s["seq"] for s in stubs] == [4]
    assert "larger than the broker takes (95h" in stubs[0]["reason"]


@pytest.mark.parametrize("version", [paho.MQTTv5, paho.MQTTv311])
async def test_a_command_is_answered_on_replies_and_on_its_response_topic(
    tmp_path: Path,
    broker: Mosquitto,
    version: int,
) -> None:
    """MQTT 5.0, 4.10: request and response."""
    from paho.mqtt.packettypes import PacketTypes
    from paho.mqtt.properties import Properties

    reader = Reader(broker.port, topic="#", version=version)
    async with publishing(tmp_path, broker.port) as running:
        await running.publisher.connected.wait()
        properties = None
        if version == paho.MQTTv5:
            properties = Properties(PacketTypes.PUBLISH)
            properties.ResponseTopic = "lampwarden/replies/operator/1"
            properties.CorrelationData = b"\x01\x02"
        reader.client.publish(f"{BASE}/commands/press", Press(id="p-1").model_dump_json(), 1, properties=properties)
        await running.until(lambda: len(running.bench.obeyed) == 1)
        wanted = 1 if version == paho.MQTTv311 else 2
        await in_thread(
            lambda: reader.wait(
                lambda r: len([h for h in r.snapshot() if h.body.get("schema") == "lampwarden.reply/1"]) == wanted,
                "replies",
            )
        )
    reader.close()
    replies = {h.topic: h for h in reader.snapshot() if h.body.get("schema") == "lampwarden.reply/1"}
    assert replies[f"{BASE}/replies"].body["id"] == "p-1"
    if version == paho.MQTTv5:
        assert replies["lampwarden/replies/operator/1"].properties["CorrelationData"] == "0102"


async def test_a_retained_command_is_never_carried_out(tmp_path: Path, broker: Mosquitto, reader: Reader) -> None:
    reader.client.publish(f"{BASE}/commands/press", Press(id="p-1").model_dump_json(), 1, retain=True)
    for protocol in ("5", "3.1.1"):
        async with publishing(tmp_path / protocol, broker.port, protocol=protocol) as running:
            await running.publisher.connected.wait()
            reader.client.publish(f"{BASE}/commands/press", Press(id=f"live-{protocol}").model_dump_json(), 1)
            await running.until(lambda running=running: len(running.bench.obeyed) >= 1)
            await asyncio.sleep(0.2)  # noqa: TID251
            assert [c.id for c in running.bench.obeyed] == [f"live-{protocol}"]


async def test_two_benches_on_one_broker_keep_their_topics_sessions_and_numbers_apart(
    tmp_path: Path,
    broker: Mosquitto,
    reader: Reader,
) -> None:
    from lampwarden.daemon.mqtt.publisher import BrokerAddress, Publisher
    from lampwarden.daemon.stamp import Stamp
    from lampwarden.daemon.store.journal import Journal, JournalFile
    from lampwarden.protocol.records import EventRecord
    from support.benches import SetClock, ids
    from support.publishing import StillBench

    async with publishing(tmp_path / "north", broker.port) as north:
        stamp = Stamp("south-house", SetClock(), simulated=True, new_id=ids(9))
        journal = Journal(JournalFile(tmp_path / "south.sqlite", "south-house"))
        book = Notebook(seed=9)
        book.stamp = stamp
        south = Publisher("south-house", BrokerAddress("127.0.0.1", broker.port), journal, StillBench(book))
        task = asyncio.get_running_loop().create_task(south.run())
        await north.journal.append(north.book.notes(20))
        await journal.append([EventRecord(**stamp.record(), event="noted", text=f"{n}") for n in range(30)])
        await north.drained()
        await north.until(lambda: journal.sent_through == 30)
        await in_thread(lambda: reader.wait(lambda r: len(r.records()) == 50, "50 records"))
        assert north.publisher.state.connections == south.state.connections == 1
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        await journal.close()
    for bench, count in (("north-house", 20), ("south-house", 30)):
        mine = [h for h in reader.records() if h.topic.startswith(f"lampwarden/1/{bench}/")]
        assert {h.body["bench"] for h in mine} == {bench}
        assert sorted(h.body["seq"] for h in mine) == list(range(1, count + 1))
