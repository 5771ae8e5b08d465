"""Loggers that send by themselves. XDR: www.catb.org/gpsd/NMEA.html; the sentence with *29 is a published example."""

from pathlib import Path

import pytest
import serial
from lampwarden.simulators.faults import Fault, FaultBox, FaultyTalker, NmeaSpoiler
from lampwarden.simulators.ports import PtyPort
from lampwarden.simulators.talkers import KEPT_S, Talker, nmea_logger, number_logger, row_logger, sentence
from lampwarden.simulators.tent import Air
from support.time_source import FastTime

AIR = Air(21.5, 48.2, 1024.81)


def said(talker: Talker, until_s: float) -> list[tuple[float, bytes]]:
    return [(each.due_s, each.data) for each in talker.talk(until_s)]


def test_sentence_has_the_published_checksum() -> None:
    assert sentence("IIXDR,P,1.02481,B,Barometer") == "$IIXDR,P,1.02481,B,Barometer*29"


def test_lines_come_at_their_times_and_once() -> None:
    talker = number_logger(lambda now_s: now_s, interval_s=2.0)
    assert talker.next_s(100.5) == 102.0
    talker.talk(99.0)
    assert said(talker, 104.5) == [(100.0, b"100.0\r\n"), (102.0, b"102.0\r\n"), (104.0, b"104.0\r\n")]
    assert said(talker, 105.0) == []
    assert talker.next_s(105.0) == 106.0
    assert talker.receive(b"hello", 105.0) == talker.line_break(105.0) == []


def test_what_nobody_reads_is_not_kept_for_ever() -> None:
    lines = number_logger(lambda now_s: now_s).talk(100_000.0)
    assert len(lines) == KEPT_S + 1
    assert lines[-1].due_s == 100_000.0


def test_loggers_say_what_the_air_is() -> None:
    (_, rows) = said(row_logger(lambda _: AIR), 1.0)[-1]
    assert rows == b"21.50,48.20,1024.8\r\n"
    (_, rows) = said(row_logger(lambda _: AIR, with_time=True), 1.0)[-1]
    assert rows == b"00000001.0s;21,50;48,20;1024,8\r\n"
    (_, sentences) = said(nmea_logger(lambda _: AIR), 1.0)[-1]
    warm, baro = sentences.split(b"\r\n")[:2]
    assert warm.startswith(b"$WIXDR,C,21.50,C,AIR,H,48.20,P,AIR*")
    assert baro.startswith(b"$WIXDR,P,1.02481,B,BARO*")


def test_spoilt_sentences_keep_their_form() -> None:
    faults = FaultBox()
    talker = FaultyTalker(nmea_logger(lambda _: AIR), faults, NmeaSpoiler())
    faults.switch_on(Fault.BAD_CRC)
    (spoilt,) = talker.talk(1.0)[-1:]
    assert [each.split(b"*")[0] for each in spoilt.data.split()] == [
        b"$WIXDR,C,31.50,C,AIR,H,48.20,P,AIR",
        b"$WIXDR,P,0.02481,B,BARO",
    ]
    faults.switch_on(Fault.UNPLUGGED)
    with pytest.raises(OSError, match="unplugged"):
        talker.talk(2.0)


@pytest.mark.slow
def test_port_passes_on_what_its_device_sends_by_itself(tmp_path: Path) -> None:
    with (
        PtyPort(number_logger(round), FastTime(20.0, 100.0), tmp_path / "tty") as port,
        serial.Serial(port.url, timeout=20) as host,
    ):
        first = float(host.readline())
        assert [float(host.readline()) - first for _ in range(3)] == [1.0, 2.0, 3.0]
