"""Commands as they come in from a broker: whatever is wrong with one becomes an answer, never an accident."""

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lampwarden.daemon.mqtt.publisher import LARGEST_COMMAND_BYTES, answer, reply_topic
from lampwarden.protocol.commands import COMMANDS, AnyCommand, Begin, Press, Reply
from lampwarden.protocol.topics import Topics
from support.samples_of_records import commands


class Bench:
    """Takes what is well formed."""

    def __init__(self) -> None:
        self.obeyed: list[AnyCommand] = []

    async def obey(self, command: AnyCommand) -> Reply:
        self.obeyed.append(command)
        return Reply(id=command.id, verb=command.verb, accepted=True, text="done")


async def asked(verb: str, payload: object) -> tuple[Reply, list[AnyCommand]]:
    bench = Bench()
    return await answer(verb, payload, bench.obey), bench.obeyed


@pytest.mark.parametrize("command", commands(), ids=lambda c: c.verb)
async def test_a_well_formed_command_is_carried_out(command: AnyCommand) -> None:
    reply, obeyed = await asked(command.verb, command.model_dump_json().encode())
    assert obeyed == [command]
    assert (reply.id, reply.verb, reply.accepted) == (command.id, command.verb, True)


async def test_the_verb_may_be_left_out_of_the_words_as_the_topic_has_it() -> None:
    _, obeyed = await asked("press", b'{"id": "p-1"}')
    assert obeyed == [Press(id="p-1")]


async def test_an_unknown_command_is_answered_with_the_known_ones() -> None:
    reply, obeyed = await asked("strike", b'{"id": "s-1"}')
    assert not obeyed
    assert not reply.accepted
    for verb in COMMANDS:
        assert verb in reply.text


async def test_a_long_verb_is_cut_in_the_answer() -> None:
    reply, _ = await asked("x" * 5000, b"{}")
    assert len(reply.verb) == 64


@pytest.mark.parametrize(
    "payload",
    [b"", b"press", b"[]", b"null", b"1", b"{", b'{"id": "p-1"', b"\xff\xfe", b"{}", b'{"id": 1}', b'{"id": ""}',
     b'{"id": "p 1"}', b'{"id": "p-1", "force": true}', b'{"id": "p-1", "verb": "abandon"}', b'{"id": NaN}',
     b"[" * 10_000, "{\"id\": \"\u202e\"}".encode()],
)  # fmt: skip
async def test_a_malformed_command_is_refused_in_one_line(payload: bytes) -> None:
    reply, obeyed = await asked("press", payload)
    assert not obeyed
    assert not reply.accepted
    assert reply.text.startswith("not understood")
    assert "\n" not in reply.text


async def test_the_answer_names_the_key_and_the_command() -> None:
    reply, _ = await asked("choose", b'{"id": "c-1", "spot": "c2", "attempt": 1, "reason": "r"}')
    assert reply.id == "c-1", "its sender can tell which of his commands it was"
    assert "spot" in reply.text


@pytest.mark.parametrize("extra", [0, 1])
async def test_an_oversized_command_is_refused_unread(extra: int) -> None:
    words = b'{"id": "p-1"}'
    payload = words + b" " * (LARGEST_COMMAND_BYTES - len(words) + extra)
    reply, obeyed = await asked("press", payload)
    assert reply.accepted is (extra == 0)
    assert len(obeyed) == 1 - extra
    if extra:
        assert str(LARGEST_COMMAND_BYTES) in reply.text


@pytest.mark.parametrize("payload", [None, 1, 1.5, ["id"], {"id": "p-1"}])
async def test_a_payload_that_is_no_text_is_refused(payload: object) -> None:
    reply, obeyed = await asked("press", payload)
    assert not obeyed
    assert not reply.accepted


@given(payload=st.binary(max_size=200), verb=st.sampled_from([*COMMANDS, "", "x", "#"]))
async def test_any_bytes_are_answered(payload: bytes, verb: str) -> None:
    reply, _ = await asked(verb, payload)
    assert reply.text
    assert Reply.model_validate_json(reply.model_dump_json(by_alias=True)) == reply


def deep(levels: int) -> dict[str, Any]:
    made: dict[str, Any] = {}
    for _ in range(levels):
        made = {"setup": made}
    return made


async def test_a_deep_command_is_refused() -> None:
    reply, _ = await asked("begin", json.dumps({"id": "b-1", **deep(500)}).encode())
    assert not reply.accepted


async def test_words_from_outside_cannot_reach_a_record_with_control_characters() -> None:
    (begin,) = (c for c in commands() if isinstance(c, Begin))
    body = begin.model_dump(mode="json")
    body["setup"]["lamp"] = "HPS\u001b[2J"
    reply, obeyed = await asked("begin", json.dumps(body).encode())
    assert not obeyed
    assert "setup.lamp" in reply.text


class TestResponseTopic:
    """MQTT 5.0, 4.10: whoever asks says where the answer goes; the bench must not be made to write elsewhere."""

    TOPICS = Topics("north-house")

    @pytest.mark.parametrize("asked_for", ["answers/me", "lampwarden/1/north-house/replies/me", "a" * 256])
    def test_a_plain_topic_is_used(self, asked_for: str) -> None:
        assert reply_topic(asked_for, self.TOPICS) == asked_for

    @pytest.mark.parametrize(
        "asked_for",
        ["", "a/+/b", "a/#", "a\x00b", "$SYS/broker", "lampwarden/1/north-house/status", "lampwarden/1/other/status",
         "lampwarden/1/north-house/commands/abandon", "lampwarden/1/other/replies/x", "a" * 257, None, 7, b"a"],
    )  # fmt: skip
    def test_no_other_is(self, asked_for: object) -> None:
        assert reply_topic(asked_for, self.TOPICS) is None
