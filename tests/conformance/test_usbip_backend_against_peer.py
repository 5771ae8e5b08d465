"""Our USB/IP backend against devices of the PyPI ``usbip`` library: time-outs, unlinking, stalls, loss."""

import threading
from collections.abc import Iterator

import pytest
from lampwarden.drivers.links.base import ControlRequest, StallError, UsbInterface
from lampwarden.drivers.links.factory import usb_link
from lampwarden.drivers.links.usb_link import PyUsbLink
from lampwarden.drivers.links.usbip_connection import UsbIpConnection, list_devices
from lampwarden.protocol.errors import LinkError, LinkFault
from support.usb_peer import PID, VID, Peer, plugged
from usbip.transport import USBIP

VENDOR = UsbInterface(0xFF)
AMPLE_S = 20.0
SHORT_S = 0.05


@pytest.fixture
def peer() -> Iterator[Peer]:
    with plugged(Peer()) as peer:
        yield peer


@pytest.fixture
def link(peer: Peer) -> Iterator[PyUsbLink]:
    link = usb_link(peer.url, VENDOR)
    link.open()  # importing resets the device's endpoints: what is written before is lost, as on a bus
    yield link
    link.close()


def test_identity_and_endpoints_come_from_the_descriptors(link: PyUsbLink) -> None:
    found = link.read_identity()
    assert (found.vid, found.pid, found.serial, found.manufacturer) == (VID, PID, "PEER1", "PEER")
    endpoints = link.read_endpoints()
    assert (endpoints.bulk_out, endpoints.bulk_in, endpoints.interrupt_in) == (0x01, 0x81, 0x82)


def test_bytes_go_both_ways(link: PyUsbLink, peer: Peer) -> None:
    link.bulk_out(b"question", AMPLE_S)
    assert peer.pipe.bulk_out.read(timeout=AMPLE_S) == b"question"
    peer.pipe.bulk_in.write(b"answer")
    assert link.bulk_in(512, AMPLE_S) == b"answer"


def test_question_and_request_reach_the_device_in_order_and_its_answer_comes_back(link: PyUsbLink, peer: Peer) -> None:
    taken: list[bytes] = []

    def firmware() -> None:
        taken.extend(peer.pipe.bulk_out.read(timeout=AMPLE_S) for _ in range(2))
        peer.pipe.bulk_in.write(b"answer")

    thread = threading.Thread(target=firmware)
    thread.start()
    assert link.bulk_exchange((b"question", b"request"), 512, AMPLE_S) == b"answer"
    thread.join(AMPLE_S)
    assert taken == [b"question", b"request"]


def test_question_that_the_device_stalls_leaves_no_request_behind(link: PyUsbLink, peer: Peer) -> None:
    peer.pipe.bulk_out.stall()
    with pytest.raises(StallError) as caught:
        link.bulk_exchange((b"question", b"request"), 512, AMPLE_S)
    assert caught.value.endpoint == 0x01
    assert not peer.pipe.bulk_in._pending
    link.clear_halt(0x01)
    peer.pipe.bulk_in.write(b"answer")
    assert link.bulk_exchange((b"question", b"request"), 512, AMPLE_S) == b"answer"


def test_answer_that_the_device_stalls_names_its_endpoint(link: PyUsbLink, peer: Peer) -> None:
    peer.pipe.bulk_in.stall()
    with pytest.raises(StallError) as caught:
        link.bulk_exchange((b"question", b"request"), 512, AMPLE_S)
    assert caught.value.endpoint == 0x81


def test_answer_that_does_not_come_is_silence_and_its_request_is_taken_back(link: PyUsbLink, peer: Peer) -> None:
    with pytest.raises(LinkError) as caught:
        link.bulk_exchange((b"question", b"request"), 512, SHORT_S)
    assert caught.value.fault is LinkFault.SILENT
    assert not peer.pipe.bulk_in._pending
    peer.pipe.bulk_in.write(b"late")
    assert link.bulk_in(64, AMPLE_S) == b"late"


@pytest.mark.parametrize("size", [1, 63, 64, 65, 4096, 100_000])
def test_transfers_of_any_size_arrive_whole(link: PyUsbLink, peer: Peer, size: int) -> None:
    data = bytes(n % 251 for n in range(size))
    peer.pipe.bulk_in.write(data)
    assert link.bulk_in(128 * 1024, AMPLE_S) == data
    link.bulk_out(data, AMPLE_S)
    assert peer.pipe.bulk_out.read(timeout=AMPLE_S) == data


def test_time_out_is_silence_and_the_link_goes_on(link: PyUsbLink, peer: Peer) -> None:
    with pytest.raises(LinkError) as caught:
        link.bulk_in(64, SHORT_S)
    assert caught.value.fault is LinkFault.SILENT
    peer.pipe.bulk_in.write(b"late")
    assert link.bulk_in(64, AMPLE_S) == b"late", "the request that timed out was taken back and ate nothing"


def test_request_that_timed_out_is_taken_back_from_the_device(link: PyUsbLink, peer: Peer) -> None:
    for _ in range(5):
        assert link.interrupt_in(8, SHORT_S) is None
    assert not peer.pipe.interrupt_in._pending
    peer.pipe.interrupt_in.write(b"press")
    assert link.interrupt_in(8, AMPLE_S) == b"press"


def test_no_press_is_lost_however_it_meets_a_time_out(link: PyUsbLink, peer: Peer) -> None:
    """Reports are written while requests time out one after another: each report is read once."""
    wanted = [bytes((n,)) for n in range(100)]
    stop = threading.Event()

    def press() -> None:
        for report in wanted:
            peer.pipe.interrupt_in.write(report)
            stop.wait(0.003)

    thread = threading.Thread(target=press)
    thread.start()
    found: list[bytes] = []
    while len(found) < len(wanted):
        report = link.interrupt_in(8, 0.002)
        if report is not None:
            found.append(report)
    thread.join()
    assert found == wanted


def test_control_requests_in_both_directions(link: PyUsbLink, peer: Peer) -> None:
    assert link.control_in(ControlRequest(0xC1, 0x42), 4, AMPLE_S) == b"answ"
    link.control_out(ControlRequest(0x41, 0x43), b"setting", AMPLE_S)
    assert peer.pipe.control_data == b"setting"


def test_stalled_control_request_is_a_stall_and_the_link_goes_on(link: PyUsbLink) -> None:
    with pytest.raises(StallError) as caught:
        link.control_in(ControlRequest(0xC1, 0x99), 4, AMPLE_S)
    assert caught.value.endpoint == 0
    assert link.control_in(ControlRequest(0xC1, 0x42), 6, AMPLE_S) == b"answer"


def test_stalled_endpoint_names_itself_and_works_again_once_cleared(link: PyUsbLink, peer: Peer) -> None:
    peer.pipe.bulk_in.stall()
    for _ in range(2):
        with pytest.raises(StallError) as caught:
            link.bulk_in(64, AMPLE_S)
        assert caught.value.endpoint == 0x81
    link.clear_halt(0x81)
    peer.pipe.bulk_in.write(b"again")
    assert link.bulk_in(64, AMPLE_S) == b"again"


def test_stall_ends_a_request_that_waits(link: PyUsbLink, peer: Peer) -> None:
    timer = threading.Timer(SHORT_S, peer.pipe.bulk_in.stall)
    timer.start()
    with pytest.raises(StallError):
        link.bulk_in(64, AMPLE_S)
    timer.join()


def test_several_requests_are_in_flight_at_once(link: PyUsbLink, peer: Peer) -> None:
    """One thread waits for a report while another talks: neither waits for the other."""
    reports: list[bytes | None] = []
    waiting = threading.Thread(target=lambda: reports.append(link.interrupt_in(8, AMPLE_S)))
    waiting.start()
    for n in range(20):
        link.bulk_out(bytes((n,)), AMPLE_S)
        assert peer.pipe.bulk_out.read(timeout=AMPLE_S) == bytes((n,))
    assert not reports
    peer.pipe.interrupt_in.write(b"press")
    waiting.join(AMPLE_S)
    assert reports == [b"press"]


def test_reset_ends_a_call_that_hangs(link: PyUsbLink) -> None:
    outcome: list[Exception] = []

    def hang() -> None:
        try:
            link.bulk_in(64, AMPLE_S)
        except LinkError as error:
            outcome.append(error)

    hanging = threading.Thread(target=hang)
    hanging.start()
    while link._idle.is_set():
        pass
    link.reset()
    hanging.join(AMPLE_S / 2)
    assert [error.fault for error in outcome if isinstance(error, LinkError)] == [LinkFault.LOST]


def test_link_opens_itself_again_after_a_reset(link: PyUsbLink, peer: Peer) -> None:
    assert link.generation == 1
    link.reset()
    peer.pipe.bulk_in.write(b"dropped by the new session")
    link.open()
    peer.pipe.bulk_in.write(b"hello")
    assert link.bulk_in(64, AMPLE_S) == b"hello"
    assert link.generation == 2


def test_absent_server_absent_device_and_taken_device_are_told_apart(peer: Peer) -> None:
    with pytest.raises(LinkError) as caught:
        usb_link("usbip://127.0.0.1:1/1209:0001", VENDOR).open()
    assert caught.value.fault is LinkFault.ABSENT
    with pytest.raises(LinkError) as caught:
        usb_link(f"usbip://127.0.0.1:{peer.port}/1209:7777", VENDOR).open()
    assert caught.value.fault is LinkFault.ABSENT
    with pytest.raises(LinkError) as caught:
        usb_link(peer.url + ":ANOTHER", VENDOR).open()
    assert caught.value.fault is LinkFault.ABSENT


def test_device_without_the_drivers_interface_says_what_it_has(peer: Peer) -> None:
    with pytest.raises(LinkError, match=r"no interface FE/03/\*, only FF/00/00") as caught:
        usb_link(peer.url, UsbInterface(0xFE, 0x03)).open()
    assert caught.value.fault is LinkFault.ABSENT


def test_two_devices_of_a_kind_need_a_serial_number() -> None:
    transport = USBIP("127.0.0.1", 0)
    with plugged(Peer(serial="A", transport=transport)) as first, plugged(Peer(serial="B", transport=transport)):
        with pytest.raises(LinkError, match="2 devices fit"):
            usb_link(first.url, VENDOR).open()
        link = usb_link(first.url + ":B", VENDOR)
        assert link.read_identity().serial == "B"
        link.close()


def test_list_of_devices_is_read_without_taking_any(peer: Peer) -> None:
    for _ in range(3):
        [found] = list_devices("127.0.0.1", peer.port, where="test")
        assert (found.vid, found.pid, found.interfaces) == (VID, PID, ((0xFF, 0, 0),))


def test_server_that_hangs_up_ends_every_request(peer: Peer) -> None:
    [remote] = list_devices("127.0.0.1", peer.port, where="test")
    connection = UsbIpConnection("127.0.0.1", peer.port, remote, where="test")
    outcomes: list[int | None] = []

    def wait() -> None:
        outcome = connection.transfer(0x81, 64, b"", bytes(8), AMPLE_S)
        outcomes.append(None if outcome is None else outcome.status)

    threads = [threading.Thread(target=wait) for _ in range(3)]
    for thread in threads:
        thread.start()
    while len(connection._pending) < 3:
        pass
    connection._socket.shutdown(2)
    for thread in threads:
        thread.join(AMPLE_S / 2)
    assert outcomes == [-19, -19, -19]  # -ENODEV
    assert connection.is_closed
    connection.close()
