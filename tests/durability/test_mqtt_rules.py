"""What MQTT asks of a client that must not lose anything, against a broker of scripted answers.

Sections are those of MQTT 5.0 (OASIS Standard, 2019-03-07) unless said otherwise.
"""

import json
from pathlib import Path

import pytest
from support.publishing import publishing
from support.scripted_broker import Connected, Published, ScriptedBroker, scripted_broker


def seqs(broker: ScriptedBroker) -> list[int]:
    return [json.loads(p.payload)["seq"] for p in broker.records()]


def accept(c: Connected, present: bool = False, properties: bytes = b"") -> bytes:
    if c.version != 5:
        return bytes([0x20, 2, int(present), 0])
    return bytes([0x20, 3 + len(properties), int(present), 0, len(properties)]) + properties


async def test_a_broker_that_answers_84h_is_spoken_to_in_3_1_1(tmp_path: Path) -> None:
    """3.1.2.2: the server may send a CONNACK with reason code 84h and must then close: 20 03 00 84 00."""

    def connack(c: Connected, _: int) -> bytes:
        return bytes.fromhex("2003008400") if c.version == 5 else accept(c)

    async with (
        scripted_broker(connack=connack) as broker,
        publishing(tmp_path, broker.port, protocol="auto") as running,
    ):
        await running.journal.append([running.book.note()])
        await running.drained()
    assert [c.version for c in broker.connects] == [5, 4]


async def test_a_broker_that_knows_only_3_1_1_is_spoken_to_in_3_1_1(tmp_path: Path) -> None:
    """MQTT 3.1.1, 3.2.2.3 and 3.1.2.2: return code 01, unacceptable protocol level: 20 02 00 01."""

    def connack(c: Connected, _: int) -> bytes:
        return bytes.fromhex("20020001") if c.version == 5 else accept(c)

    async with (
        scripted_broker(connack=connack) as broker,
        publishing(tmp_path, broker.port, protocol="auto") as running,
    ):
        await running.journal.append([running.book.note()])
        await running.drained()
    assert [c.version for c in broker.connects] == [5, 4]


async def test_a_broker_that_closes_at_the_greeting_is_asked_in_3_1_1_and_later_in_5_again(tmp_path: Path) -> None:
    def connack(c: Connected, number: int) -> bytes:
        return b"" if number == 1 else accept(c)

    async with (
        scripted_broker(connack=connack) as broker,
        publishing(tmp_path, broker.port, protocol="auto") as running,
    ):
        await running.journal.append([running.book.note()])
        await running.drained()
        broker.writers[-1].transport.abort()
        await running.until(lambda: len(broker.connects) >= 3)
    assert [c.version for c in broker.connects][:3] == [5, 4, 5]


async def test_a_refusal_is_told_in_plain_words_with_its_mend(tmp_path: Path) -> None:
    def connack(c: Connected, _: int) -> bytes:
        return bytes.fromhex("2003008600")  # 86h: bad user name or password (3.2.2.2)

    async with scripted_broker(connack=connack) as broker, publishing(tmp_path, broker.port) as running:
        await running.until(lambda: running.publisher.state.trouble is not None)
        trouble = running.publisher.state.trouble
    assert trouble == (
        "cannot connect: refused: bad user name or password (86h; check username and password_file in [broker])"
    )


async def test_the_first_connection_is_clean_and_the_session_outlives_a_cut(tmp_path: Path) -> None:
    """3.1.2.4 Clean Start, 3.1.2.11.2 Session Expiry Interval; [MQTT-3.2.2-4]: a client without state must not go on
    with an old session."""
    async with scripted_broker() as broker, publishing(tmp_path, broker.port) as running:
        await running.until(lambda: running.publisher.state.connections == 1)
        broker.writers[-1].transport.abort()
        await running.until(lambda: running.publisher.state.connections == 2)
    first, second = broker.connects[:2]
    assert (first.clean, second.clean) == (True, False)
    assert first.session_expiry_s == second.session_expiry_s == 3600
    assert first.client_id == second.client_id == "lampwarden-north-house"
    assert first.will_topic == "lampwarden/1/north-house/status"
    assert 0 < first.keep_alive_s <= 60


async def test_with_the_session_present_the_same_packets_are_sent_again_with_dup_in_their_order(tmp_path: Path) -> None:
    """4.4 [MQTT-4.4.0-1], 3.3.1.1, 4.6: same packet identifiers, DUP 1 (first byte 3Ah, was 32h), original order."""
    silent = True

    def puback(p: Published) -> int | None:
        return None if silent and p.topic.endswith("/events") else 0

    def connack(c: Connected, number: int) -> bytes:
        return accept(c, present=number > 1)

    async with scripted_broker(puback=puback, connack=connack) as broker, publishing(tmp_path, broker.port) as running:
        await running.journal.append(running.book.notes(5))
        await running.until(lambda: len(broker.records()) == 5)
        silent = False
        broker.writers[-1].transport.abort()
        await running.drained()
    before, after = broker.records()[:5], broker.records()[5:]
    assert [p.first_byte for p in before] == [0x32] * 5
    assert [p.first_byte for p in after] == [0x3A] * 5
    assert [p.packet_id for p in after] == [p.packet_id for p in before]
    assert [p.payload for p in after] == [p.payload for p in before]


async def test_without_the_session_everything_unacknowledged_is_sent_anew(tmp_path: Path) -> None:
    """3.2.2.1.1: Session Present 0 while the client has state: it must drop its state."""
    silent = True

    def puback(p: Published) -> int | None:
        return None if silent and p.topic.endswith("/events") else 0

    async with scripted_broker(puback=puback) as broker, publishing(tmp_path, broker.port) as running:
        await running.journal.append(running.book.notes(5))
        await running.until(lambda: len(broker.records()) == 5)
        silent = False
        broker.writers[-1].transport.abort()
        await running.drained()
    assert seqs(broker) == [1, 2, 3, 4, 5, 1, 2, 3, 4, 5]
    assert not any(p.dup for p in broker.records())


async def test_nothing_is_sent_again_on_a_living_connection(tmp_path: Path) -> None:
    """[MQTT-4.4.0-1]: resending happens on reconnection and at no other time."""
    late: list[Published] = []

    def puback(p: Published) -> int | None:
        if p.topic.endswith("/events"):
            late.append(p)
            return None
        return 0

    async with scripted_broker(puback=puback) as broker, publishing(tmp_path, broker.port, timeout_s=30.0) as running:
        await running.journal.append(running.book.notes(3))
        await running.until(lambda: len(late) == 3)
        await running.journal.append(running.book.notes(3))
        await running.until(lambda: len(late) == 6)
        for message in late:
            broker.acknowledge(message, 0)
        await running.drained()
    assert seqs(broker) == [1, 2, 3, 4, 5, 6]


@pytest.mark.parametrize("limit", [1, 3, 20])
async def test_never_more_is_unacknowledged_than_the_broker_takes(tmp_path: Path, limit: int) -> None:
    """3.3.4 and 4.9: Receive Maximum (property 21h) bounds unacknowledged QoS 1, status messages included."""

    def connack(c: Connected, _: int) -> bytes:
        return accept(c, properties=b"\x21" + limit.to_bytes(2, "big"))

    held: list[Published] = []

    def puback(p: Published) -> int | None:
        held.append(p)
        return None

    async with (
        scripted_broker(connack=connack, puback=puback) as broker,
        publishing(tmp_path, broker.port, timeout_s=30.0) as running,
    ):
        await running.journal.append(running.book.notes(40))
        await running.until(lambda: len(held) >= limit)
        while running.journal.sent_through < 40:
            await running.until(lambda: bool(held) or running.journal.sent_through == 40)
            if held:
                broker.acknowledge(held.pop(0), 0)
        # What comes at the end is the good-bye: it is acknowledged by nobody, within its bound.
    assert broker.most_open == limit


async def test_a_window_slides_instead_of_waiting_for_its_last(tmp_path: Path) -> None:
    """One missing acknowledgement holds the mark, not the sending."""
    first: list[Published] = []

    def puback(p: Published) -> int | None:
        if p.topic.endswith("/events") and not first:
            first.append(p)
            return None
        return 0

    async with scripted_broker(puback=puback) as broker, publishing(tmp_path, broker.port, timeout_s=30.0) as running:
        await running.journal.append(running.book.notes(200))
        await running.until(lambda: len(broker.records()) >= 200)
        assert running.journal.sent_through == 0
        broker.acknowledge(first[0], 0)
        await running.drained()
    assert seqs(broker) == list(range(1, 201))


async def test_acknowledgements_out_of_order_mark_nothing_that_is_not_there(tmp_path: Path) -> None:
    held: list[Published] = []

    def puback(p: Published) -> int | None:
        if p.topic.endswith("/events"):
            held.append(p)
            return None
        return 0

    async with scripted_broker(puback=puback) as broker, publishing(tmp_path, broker.port, timeout_s=30.0) as running:
        await running.journal.append(running.book.notes(6))
        await running.until(lambda: len(held) == 6)
        for index in (5, 3, 1):
            broker.acknowledge(held[index], 0)
        broker.acknowledge(held[0], 0)
        await running.until(lambda: running.journal.sent_through >= 2)
        assert running.journal.sent_through == 2
        for index in (2, 4):
            broker.acknowledge(held[index], 0)
        await running.drained()


@pytest.mark.parametrize("code", [0x95, 0x99, 0x90])
async def test_a_record_that_will_never_be_taken_becomes_a_stub_and_is_not_sent_again(
    tmp_path: Path, code: int
) -> None:
    """[MQTT-4.4.0-2]: a PUBACK of 80h or more ends the message; it must not be retransmitted."""

    def puback(p: Published) -> int | None:
        return code if p.topic.endswith("/events") and json.loads(p.payload)["seq"] == 2 else 0

    async with scripted_broker(puback=puback) as broker, publishing(tmp_path, broker.port) as running:
        await running.journal.append(running.book.notes(4))
        await running.drained()
    assert sorted(seqs(broker)) == [1, 2, 2, 3, 4]
    (stub,) = [json.loads(p.payload) for p in broker.records() if p.topic.endswith("/stubs")]
    assert stub["seq"] == 2
    assert f"{code:02X}h" in stub["reason"]


@pytest.mark.parametrize("code", [0x87, 0x97, 0x80])
async def test_a_refusal_that_may_be_mended_holds_everything_and_loses_nothing(tmp_path: Path, code: int) -> None:
    """87h not authorised, 97h quota exceeded, 80h unspecified: people mend these; no record is skipped meanwhile."""
    mended = False

    def puback(p: Published) -> int | None:
        return code if p.topic.endswith("/events") and not mended and json.loads(p.payload)["seq"] == 2 else 0

    async with scripted_broker(puback=puback) as broker, publishing(tmp_path, broker.port) as running:
        await running.journal.append(running.book.notes(4))
        await running.until(lambda: running.publisher.outbox.held is not None)
        assert f"({code:02X}h; " in (running.publisher.outbox.held or "")
        await running.until(lambda: running.journal.sent_through == 1)
        mended = True
        await running.drained()
        assert running.publisher.outbox.held is None
    assert set(seqs(broker)) == {1, 2, 3, 4}
    assert not any(p.topic.endswith("/stubs") for p in broker.published)


async def test_no_matching_subscribers_is_a_success(tmp_path: Path) -> None:
    """3.4.2.1: 10h, the message is accepted but there are no subscribers."""
    async with scripted_broker(puback=lambda _: 0x10) as broker, publishing(tmp_path, broker.port) as running:
        await running.journal.append(running.book.notes(3))
        await running.drained()
    assert seqs(broker) == [1, 2, 3]


async def test_a_client_that_took_our_name_is_told_as_a_second_daemon(tmp_path: Path) -> None:
    """3.1.4: the older connection gets DISCONNECT 8Eh, session taken over."""
    async with scripted_broker() as broker, publishing(tmp_path, broker.port) as running:
        await running.publisher.connected.wait()
        broker.writers[-1].write(bytes([0xE0, 2, 0x8E, 0]))
        broker.writers[-1].close()
        await running.until(lambda: running.publisher.state.trouble is not None)
        assert "is a second daemon running for the same bench id?" in (running.publisher.state.trouble or "")


async def test_a_large_record_that_kills_3_1_1_connections_becomes_a_stub_after_five(tmp_path: Path) -> None:
    """MQTT 3.1.1 has no words for "too large": the broker just closes."""

    def puback(p: Published) -> int | None:
        if len(p.payload) > 65_536:
            broker.writers[-1].transport.abort()
            return None
        return 0

    async with scripted_broker(puback=puback) as broker, publishing(tmp_path, broker.port, protocol="3.1.1") as running:
        await running.journal.append([running.book.note("before")])
        await running.journal.append([running.book.note("large", size=80_000)])
        await running.journal.append([running.book.note("after")])
        await running.drained()
    stubs = [json.loads(p.payload) for p in broker.published if p.topic.endswith("/stubs")]
    assert [s["seq"] for s in stubs] == [2]
    assert "closed the connection 5 times" in stubs[0]["reason"]
    assert len(broker.connects) >= 6


async def test_losses_while_small_records_are_under_way_make_no_stub(tmp_path: Path) -> None:
    losses = 0

    def puback(p: Published) -> int | None:
        nonlocal losses
        if p.topic.endswith("/events") and losses < 7:
            losses += 1
            broker.writers[-1].transport.abort()
            return None
        return 0

    async with scripted_broker(puback=puback) as broker, publishing(tmp_path, broker.port) as running:
        await running.journal.append(running.book.notes(3))
        await running.drained()
    assert not any(p.topic.endswith("/stubs") for p in broker.published)


async def test_rubbish_from_the_broker_ends_the_connection_and_not_the_daemon(tmp_path: Path) -> None:
    async with scripted_broker() as broker, publishing(tmp_path, broker.port) as running:
        await running.publisher.connected.wait()
        broker.writers[-1].write(bytes.fromhex("30ff7f0000"))
        broker.writers[-1].write(bytes.fromhex("f0" * 64))
        broker.writers[-1].close()
        await running.until(lambda: running.publisher.state.connections == 2)
        await running.journal.append(running.book.notes(2))
        await running.drained()


async def test_a_daemon_that_stops_says_goodbye_with_00h_so_that_no_will_is_sent(tmp_path: Path) -> None:
    """3.1.2.5: the will is deleted when DISCONNECT 00h comes; a packet without a body means 00h (3.14.2.1)."""
    async with scripted_broker() as broker, publishing(tmp_path, broker.port) as running:
        await running.publisher.connected.wait()
    assert len(broker.goodbyes) == 1
    assert broker.goodbyes[0] in (b"", b"\x00", b"\x00\x00")
    last = json.loads(broker.published[-1].payload)
    assert (last["schema"], last["online"]) == ("lampwarden.status/1", False)
