"""USB/IP servers that misbehave: each wait is bounded, each end is told.

Messages: Linux kernel, Documentation/usb/usbip_protocol.rst.
"""

import socket
import struct
import threading
from collections.abc import Callable, Iterator

import pytest
from lampwarden.drivers.codecs.usbip import RemoteDevice
from lampwarden.drivers.links import usbip_connection
from lampwarden.drivers.links.usbip_connection import Transfer, UsbIpConnection, list_devices
from lampwarden.protocol.errors import LinkError, LinkFault, WireError

DEVICE = RemoteDevice("1-1", 1, 2, 3, 0x1209, 0x0001, 0x0100, ())
IMPORTED = struct.pack(">HHI", 0x0111, 0x0003, 0) + bytes(256) + b"1-1".ljust(32, b"\0") + bytes(24)
AMPLE_S = 20.0

Script = Callable[[socket.socket], None]


@pytest.fixture
def serve() -> Iterator[Callable[[Script], int]]:
    """Start a server that plays a script with its one client; returns its port."""
    started: list[tuple[socket.socket, threading.Thread]] = []

    def start(script: Script) -> int:
        server = socket.create_server(("127.0.0.1", 0))

        def run() -> None:
            client, _ = server.accept()
            with client:
                client.settimeout(AMPLE_S)
                script(client)

        thread = threading.Thread(target=run, daemon=True)
        thread.start()
        started.append((server, thread))
        return int(server.getsockname()[1])

    yield start
    for server, thread in started:
        server.close()
        thread.join(AMPLE_S)


def read(client: socket.socket, count: int) -> bytes:
    return client.recv(count, socket.MSG_WAITALL)


def imported(then: Script) -> Script:
    def script(client: socket.socket) -> None:
        read(client, 40)
        client.sendall(IMPORTED)
        then(client)

    return script


def wait_for_end(client: socket.socket) -> None:
    while client.recv(4096):
        pass


def test_list_of_a_server_that_hangs_up_is_lost(serve: Callable[[Script], int]) -> None:
    port = serve(lambda client: client.sendall(b"\x01"))
    with pytest.raises(LinkError) as caught:
        list_devices("127.0.0.1", port, where="test")
    assert caught.value.fault is LinkFault.LOST


def test_list_of_a_server_of_something_else_is_refused(serve: Callable[[Script], int]) -> None:
    port = serve(lambda client: client.sendall(b"HTTP/1.1 400 Bad Request\r\n"))
    with pytest.raises(WireError, match="USB/IP reply"):
        list_devices("127.0.0.1", port, where="test")


def test_list_of_a_server_that_says_nothing_is_bounded(
    serve: Callable[[Script], int], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(usbip_connection, "CONNECT_BOUND_S", 0.05)
    with pytest.raises(LinkError) as caught:
        list_devices("127.0.0.1", serve(wait_for_end), where="test")
    assert caught.value.fault is LinkFault.LOST


def test_import_that_is_refused_is_busy(serve: Callable[[Script], int]) -> None:
    def refuse(client: socket.socket) -> None:
        read(client, 40)
        client.sendall(struct.pack(">HHI", 0x0111, 0x0003, 1))

    with pytest.raises(LinkError, match="does not give device 1-1") as caught:
        UsbIpConnection("127.0.0.1", serve(refuse), DEVICE, where="test")
    assert caught.value.fault is LinkFault.BUSY


def test_import_of_a_server_that_hangs_up_is_lost(serve: Callable[[Script], int]) -> None:
    with pytest.raises(LinkError) as caught:
        UsbIpConnection("127.0.0.1", serve(lambda client: read(client, 40) and None), DEVICE, where="test")
    assert caught.value.fault is LinkFault.LOST


def test_server_that_takes_nothing_back_is_given_up_within_the_bound(
    serve: Callable[[Script], int], monkeypatch: pytest.MonkeyPatch
) -> None:
    """It answers neither the request nor the unlinking."""
    monkeypatch.setattr(usbip_connection, "UNLINK_BOUND_S", 0.05)
    connection = UsbIpConnection("127.0.0.1", serve(imported(wait_for_end)), DEVICE, where="test")
    outcome = connection.transfer(0x81, 8, b"", bytes(8), 0.05)
    assert outcome is not None
    assert outcome.status == -19  # -ENODEV
    assert connection.is_closed
    outcome = connection.transfer(0x81, 8, b"", bytes(8), AMPLE_S)
    assert outcome is not None
    assert outcome.status == -19


def test_data_that_cross_with_the_unlinking_are_not_lost(serve: Callable[[Script], int]) -> None:
    """The server answers the request after it was told to take it back, and says so with status 0."""

    def cross(client: socket.socket) -> None:
        read(client, 48)
        unlink = read(client, 48)
        sequence, request = struct.unpack_from(">I", unlink, 4)[0], struct.unpack_from(">I", unlink, 20)[0]
        client.sendall(struct.pack(">IIIIIiIIIII4x", 3, request, 0, 0, 0, 0, 5, 0, 0xFFFFFFFF, 0, 0) + b"press")
        client.sendall(struct.pack(">IIIIIi24x", 4, sequence, 0, 0, 0, 0))
        wait_for_end(client)

    connection = UsbIpConnection("127.0.0.1", serve(imported(cross)), DEVICE, where="test")
    outcome = connection.transfer(0x81, 8, b"", bytes(8), 0.05)
    assert outcome is not None
    assert outcome.data == b"press"
    connection.close()


def test_unlinking_that_came_too_late_without_an_answer_counts_as_taken_back(serve: Callable[[Script], int]) -> None:
    """Status 0 says that the request had ended, but no answer ever came: nobody may wait for it for ever."""

    def forget(client: socket.socket) -> None:
        read(client, 48)
        unlink = read(client, 48)
        client.sendall(struct.pack(">IIIIIi24x", 4, struct.unpack_from(">I", unlink, 4)[0], 0, 0, 0, 0))
        wait_for_end(client)

    connection = UsbIpConnection("127.0.0.1", serve(imported(forget)), DEVICE, where="test")
    assert connection.transfer(0x81, 8, b"", bytes(8), 0.05) is None
    connection.close()


def test_answer_that_makes_no_sense_ends_the_connection(serve: Callable[[Script], int]) -> None:
    def nonsense(client: socket.socket) -> None:
        read(client, 48)
        client.sendall(b"\xff" * 48)
        wait_for_end(client)

    connection = UsbIpConnection("127.0.0.1", serve(imported(nonsense)), DEVICE, where="test")
    outcome = connection.transfer(0x81, 8, b"", bytes(8), AMPLE_S)
    assert outcome is not None
    assert outcome.status == -19
    assert connection.is_closed


def test_data_right_behind_the_import_belong_to_the_transfers(serve: Callable[[Script], int]) -> None:
    """The reply of the first request may share a packet with that of the import."""
    early = struct.pack(">IIIIIiIIIII4x", 3, 1, 0, 0, 0, 0, 2, 0, 0xFFFFFFFF, 0, 0)

    def eager(client: socket.socket) -> None:
        read(client, 40)
        client.sendall(IMPORTED + early[:30])
        read(client, 48)
        client.sendall(early[30:] + b"ok")
        wait_for_end(client)

    connection = UsbIpConnection("127.0.0.1", serve(eager), DEVICE, where="test")
    outcome = connection.transfer(0x81, 8, b"", bytes(8), AMPLE_S)
    assert outcome is not None
    assert outcome.data == b"ok"
    connection.close()


QUESTION = (Transfer(0x01, 3, b"ask"), Transfer(0x01, 4, b"more"), Transfer(0x81, 64))
"""Two transfers out and one in: 48 bytes each, and the data out."""


def submitted(sequence: int, *, status: int = 0, length: int = 0, data: bytes = b"") -> bytes:
    return struct.pack(">IIIIIiIIIII4x", 3, sequence, 0, 0, 0, status, length, 0, 0xFFFFFFFF, 0, 0) + data


def taken_back(sequence: int) -> bytes:
    return struct.pack(">IIIIIi24x", 4, sequence, 0, 0, 0, -104)  # -ECONNRESET


class TestTransfersThatAreQueuedTogether:
    def test_are_all_under_way_before_any_is_answered(self, serve: Callable[[Script], int]) -> None:
        seen: list[bytes] = []

        def answer(client: socket.socket) -> None:
            seen.append(read(client, 3 * 48 + 7))
            client.sendall(submitted(1, length=3) + submitted(2, length=4) + submitted(3, length=5, data=b"reply"))
            wait_for_end(client)

        connection = UsbIpConnection("127.0.0.1", serve(imported(answer)), DEVICE, where="test")
        first, second, third = connection.transfer_all(QUESTION, AMPLE_S)
        assert seen[0][48:51] == b"ask"
        assert seen[0][99:103] == b"more"
        assert first is not None
        assert second is not None
        assert third is not None
        assert (first.actual_length, second.actual_length, third.data) == (3, 4, b"reply")
        connection.close()

    def test_are_taken_back_the_last_first_when_one_fails(self, serve: Callable[[Script], int]) -> None:
        """Within the time-out: nobody waits for an answer to a question that the device refused."""
        unlinked: list[int] = []

        def refuse(client: socket.socket) -> None:
            read(client, 3 * 48 + 7)
            client.sendall(submitted(1, status=-32))
            for _ in range(2):
                unlink = read(client, 48)
                sequence, request = struct.unpack_from(">I", unlink, 4)[0], struct.unpack_from(">I", unlink, 20)[0]
                unlinked.append(request)
                client.sendall(taken_back(sequence))
            wait_for_end(client)

        connection = UsbIpConnection("127.0.0.1", serve(imported(refuse)), DEVICE, where="test")
        first, second, third = connection.transfer_all(QUESTION, 10 * AMPLE_S)  # the server would give up before
        assert first is not None
        assert (first.status, second, third) == (-32, None, None)  # -EPIPE
        assert unlinked == [3, 2]
        connection.close()

    def test_that_were_made_count_when_the_time_is_over_for_the_others(self, serve: Callable[[Script], int]) -> None:
        def leave_the_last(client: socket.socket) -> None:
            read(client, 3 * 48 + 7)
            client.sendall(submitted(1, length=3) + submitted(2, length=4))
            client.sendall(taken_back(struct.unpack_from(">I", read(client, 48), 4)[0]))
            wait_for_end(client)

        connection = UsbIpConnection("127.0.0.1", serve(imported(leave_the_last)), DEVICE, where="test")
        first, second, third = connection.transfer_all(QUESTION, 0.05)
        assert first is not None
        assert second is not None
        assert (first.actual_length, second.actual_length, third) == (3, 4, None)
        connection.close()

    def test_end_with_the_connection(self, serve: Callable[[Script], int]) -> None:
        port = serve(imported(lambda client: read(client, 3 * 48 + 7) and None))
        connection = UsbIpConnection("127.0.0.1", port, DEVICE, where="test")
        outcomes = connection.transfer_all(QUESTION, AMPLE_S)
        assert [each and each.status for each in outcomes] == [-19, -19, -19]  # -ENODEV
        assert connection.is_closed
