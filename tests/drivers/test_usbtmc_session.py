"""The USBTMC exchange over a scripted link: USBTMC 1.0, 3.2, 3.3, 4.2.1.2 to 4.2.1.7; USB488, 4.3.1."""

from collections import deque

import pytest
from lampwarden.drivers.codecs.scpi import Kind, decode_integer
from lampwarden.drivers.codecs.usbtmc import ClassRequest, Status
from lampwarden.drivers.links.base import StallError
from lampwarden.drivers.usbtmc_session import UsbtmcSession
from lampwarden.protocol.errors import DeviceError, LinkError, LinkFault, WireError
from support.fakes import FakeUsbLink

SILENT = LinkError(LinkFault.SILENT, "nothing came")
INTERFACE, ENDPOINT = 0xA1, 0xA2


def reply(tag: int, data: bytes, *, is_end: bool = True) -> bytes:
    head = bytes((2, tag, 255 - tag, 0)) + len(data).to_bytes(4, "little") + bytes((int(is_end), 0, 0, 0))
    return head + data + bytes(-len(data) % 4)


def requests(link: FakeUsbLink) -> list[int]:
    return [each.request for each in link.asked]


def session(*incoming: bytes | Exception) -> tuple[UsbtmcSession, FakeUsbLink]:
    link = FakeUsbLink(incoming)
    return UsbtmcSession(link), link


def test_question_and_answer() -> None:
    one, link = session(reply(2, b"LWSIM,SPECTRO-1\n"))
    assert one.ask(b"*IDN?\n", Kind.LINE, 1.0, bytes) == b"LWSIM,SPECTRO-1"
    question, request = link.sent
    assert question == bytes.fromhex("0101fe0006000000010000002a49444e3f0a0000")
    assert request[:4] == bytes.fromhex("0202fd00")


def test_what_an_earlier_program_left_is_cleared_at_each_opening() -> None:
    one, link = session(reply(2, b"1\n"), reply(4, b"1\n"), reply(6, b"1\n"))
    one.ask(b"A?\n", Kind.LINE, 1.0, bytes)
    assert requests(link) == [ClassRequest.INITIATE_CLEAR, ClassRequest.CHECK_CLEAR_STATUS]
    assert link.cleared == [0x01], "clearing leaves the OUT endpoint halted (4.2.1.7)"
    one.ask(b"A?\n", Kind.LINE, 1.0, bytes)
    assert len(link.asked) == 2
    link.generation = 2
    one.ask(b"A?\n", Kind.LINE, 1.0, bytes)
    assert len(link.asked) == 4


def test_clear_waits_while_the_device_says_pending_and_empties_it() -> None:
    one, link = session(b"\x02rest of an old answer", reply(2, b"1\n"))
    link.controls[INTERFACE, ClassRequest.CHECK_CLEAR_STATUS] = deque(
        [bytes((Status.PENDING, 1)), bytes((Status.SUCCESS, 0))]
    )
    assert one.ask(b"A?\n", Kind.LINE, 1.0, bytes) == b"1"
    assert not link.incoming


def test_device_that_cannot_be_cleared_is_told() -> None:
    one, link = session()
    link.controls[INTERFACE, ClassRequest.INITIATE_CLEAR] = deque([bytes((Status.FAILED,))])
    with pytest.raises(DeviceError, match="refuses to be cleared"):
        one.send(b"A\n", 1.0)


def test_message_in_several_transfers_is_put_together() -> None:
    one, link = session(reply(2, b"#15HE", is_end=False), reply(3, b"LLO\n"))
    assert one.ask(b"B?\n", Kind.BLOCK, 1.0, bytes) == b"#15HELLO\n"
    assert [raw[1] for raw in link.sent] == [1, 2, 3]


def test_transfer_that_a_kernel_cut_up_is_read_to_its_end() -> None:
    raw = reply(2, bytes(100))
    one, link = session(raw[:64], raw[64:])
    assert one.ask(b"B?\n", Kind.BLOCK, 1.0, bytes) == bytes(100)
    assert all(size % 64 == 0 for size in link.reads), "less than a packet would lose the rest of it"


def test_block_that_ends_like_a_line_keeps_its_bytes() -> None:
    one, _ = session(reply(2, b"#12\r\n"))
    assert one.ask(b"B?\n", Kind.BLOCK, 1.0, bytes) == b"#12\r\n"


def test_tags_run_on_and_begin_again() -> None:
    one, link = session(*(reply(tag, b"1\n") for tag in [*range(2, 256, 2), *range(1, 256, 2)]))
    for _ in range(200):
        one.ask(b"A?\n", Kind.LINE, 1.0, bytes)
    tags = [raw[1] for raw in link.sent]
    assert tags == [n % 255 + 1 for n in range(400)]


def test_answer_that_does_not_come_is_aborted_so_that_the_next_message_is_clean() -> None:
    one, link = session(SILENT, b"", reply(4, b"1\n"))
    with pytest.raises(LinkError) as caught:
        one.ask(b"READ?\n", Kind.BLOCK, 1.0, bytes)
    assert caught.value.fault is LinkFault.SILENT
    aborts = [each for each in link.asked if each.request_type == ENDPOINT]
    assert [each.request for each in aborts][:2] == [
        ClassRequest.INITIATE_ABORT_BULK_IN,
        ClassRequest.CHECK_ABORT_BULK_IN_STATUS,
    ]
    assert (aborts[0].value, aborts[0].index) == (2, 0x81), "names the tag and the endpoint (4.2.1.4)"
    assert one.ask(b"A?\n", Kind.LINE, 1.0, bytes) == b"1"


@pytest.mark.parametrize("answer", [SILENT, reply(2, b"Q\n")], ids=["none", "one that makes no sense"])
def test_question_without_an_answer_is_cleared_before_the_next(answer: bytes | Exception) -> None:
    """There are devices that give the next request for input what the earlier question brought meanwhile."""
    one, link = session(answer, b"", reply(4, b"1\n"))
    with pytest.raises((LinkError, WireError)):
        one.ask(b"A?\n", Kind.LINE, 1.0, lambda line: decode_integer(line.decode()))
    link.incoming = deque([reply(4, b"1\n")])
    link.asked.clear()
    assert one.ask(b"B?\n", Kind.LINE, 1.0, bytes) == b"1"
    assert requests(link) == [ClassRequest.INITIATE_CLEAR, ClassRequest.CHECK_CLEAR_STATUS]


def test_abort_that_the_device_refuses_ends_in_a_clear() -> None:
    one, link = session(SILENT)
    link.controls[ENDPOINT, ClassRequest.INITIATE_ABORT_BULK_IN] = deque([bytes((Status.FAILED, 0))])
    with pytest.raises(LinkError):
        one.ask(b"READ?\n", Kind.BLOCK, 1.0, bytes)
    assert requests(link)[-2:] == [ClassRequest.INITIATE_CLEAR, ClassRequest.CHECK_CLEAR_STATUS]


def test_abort_that_fails_leads_to_a_clear_before_the_next_message() -> None:
    one, link = session(SILENT, reply(4, b"1\n"))
    link.controls[ENDPOINT, ClassRequest.INITIATE_ABORT_BULK_IN] = deque([StallError(0, where="fake")])
    with pytest.raises(LinkError) as caught:
        one.ask(b"READ?\n", Kind.BLOCK, 1.0, bytes)
    assert caught.value.fault is LinkFault.SILENT, "the first error is the one that is told"
    link.asked.clear()
    assert one.ask(b"A?\n", Kind.LINE, 1.0, bytes) == b"1"
    assert ClassRequest.INITIATE_CLEAR in requests(link)


def test_answer_to_another_tag_is_refused_and_aborted() -> None:
    one, link = session(reply(9, b"1\n"), b"", reply(4, b"2\n"))
    with pytest.raises(WireError, match="bTag 9 answers bTag 2"):
        one.ask(b"A?\n", Kind.LINE, 1.0, bytes)
    assert one.ask(b"A?\n", Kind.LINE, 1.0, bytes) == b"2"
    assert ClassRequest.INITIATE_ABORT_BULK_IN in requests(link)


def test_stall_is_cleared_and_told() -> None:
    one, link = session(StallError(0x81, where="fake"), reply(4, b"1\n"))
    with pytest.raises(StallError):
        one.ask(b"A?\n", Kind.LINE, 1.0, bytes)
    assert link.cleared[-1] == 0x81
    assert one.ask(b"A?\n", Kind.LINE, 1.0, bytes) == b"1"


def test_message_that_the_device_does_not_take_is_aborted(monkeypatch: pytest.MonkeyPatch) -> None:
    one, link = session()
    one.clear()
    link.asked.clear()
    link.cleared.clear()

    def refuse(data: bytes, timeout_s: float) -> None:
        raise SILENT

    monkeypatch.setattr(link, "bulk_out", refuse)
    with pytest.raises(LinkError):
        one.send(b"A\n", 1.0)
    assert requests(link) == [ClassRequest.INITIATE_ABORT_BULK_OUT, ClassRequest.CHECK_ABORT_BULK_OUT_STATUS]
    assert link.cleared == [0x01], "aborting leaves the endpoint halted (4.2.1.3)"


def test_device_that_does_not_even_take_the_question_is_cleared() -> None:
    """It knows of no transfer in to abort (status of table 16), and may hold half a question."""
    one, link = session(SILENT, reply(4, b"1\n"))
    link.controls[ENDPOINT, ClassRequest.INITIATE_ABORT_BULK_IN] = deque([bytes((Status.TRANSFER_NOT_IN_PROGRESS, 0))])
    with pytest.raises(LinkError) as caught:
        one.ask(b"READ?\n", Kind.BLOCK, 1.0, bytes)
    assert caught.value.fault is LinkFault.SILENT
    assert requests(link)[-2:] == [ClassRequest.INITIATE_CLEAR, ClassRequest.CHECK_CLEAR_STATUS]
    assert link.cleared[-1] == 0x01
    assert one.ask(b"A?\n", Kind.LINE, 1.0, bytes) == b"1"


def test_lost_device_is_told_as_such_without_talking_to_it_again() -> None:
    one, link = session(LinkError(LinkFault.LOST, "gone"))
    one.clear()
    link.asked.clear()
    with pytest.raises(LinkError) as caught:
        one.ask(b"A?\n", Kind.LINE, 1.0, bytes)
    assert caught.value.fault is LinkFault.LOST
    assert link.asked == []


class TestStatusByte:
    def test_comes_on_the_interrupt_endpoint_behind_service_requests(self) -> None:
        one, link = session(b"\x81\x50", b"\x82\x44")
        assert one.read_status_byte() == 0x44
        assert link.asked[-1].value == 2, "bTag 2 to 127"

    def test_comes_in_the_answer_where_there_is_no_interrupt_endpoint(self) -> None:
        one, link = session()
        link.endpoints = type(link.endpoints)(0, 0x01, 0x81, None)
        link.controls[INTERFACE, ClassRequest.READ_STATUS_BYTE] = deque([b"\x01\x02\x10"])
        assert one.read_status_byte() == 0x10

    def test_that_never_comes_is_silence(self) -> None:
        one, _ = session()
        with pytest.raises(LinkError, match="no status byte"):
            one.read_status_byte()
