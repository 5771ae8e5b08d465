"""Between paho and its socket: what the daemon does otherwise than paho 2.1 and 2.2, and why.

paho asks the system for single bytes and writes packet by packet, and takes an acknowledgement apart into half a dozen
objects, which together is two fifths of what a message costs. At an acknowledgement whose code MQTT does not list it
gives up the connection. It has no door for any of this, so all that reaches into its inside stands here: hence the
narrow pin of its version, and tests that fail when it has changed.

It must not know why anything is sent, nor what the session is about.
"""

import socket
from collections.abc import Callable
from contextlib import suppress
from typing import Final, Literal

import paho.mqtt.client as paho
from paho.mqtt.enums import MQTTErrorCode

PLAIN_PUBACK: Final = b"\x40\x02"
"""How an acknowledgement without a reason code begins; two bytes of packet id follow (MQTT 5.0, 3.4.2.1)."""
RECEIVE_BYTES: Final = 65_536
SEND_BYTES: Final = 65_536
"""Read and written at a time: dozens of acknowledgements, or of small records."""

QUICK_ACK: Final[int | None] = getattr(socket, "TCP_QUICKACK", None)
"""Of Linux; elsewhere a full window goes more slowly."""

# ruff: noqa: SLF001  paho has no door for any of this


class PahoWire:
    """Stands between one paho client and its socket for as long as the client lives."""

    def __init__(self, client: paho.Client, acknowledged: Callable[[int, int], None], *, is_5: bool) -> None:
        """Take the steps over that are named above.

        Args:
            client: Before its first connection.
            acknowledged: Gets the number of each message that is over, and the broker's reason code.
            is_5: Whether it speaks MQTT 5.
        """
        self._client = client
        self._acknowledged = acknowledged
        self._is_5 = is_5
        self._received = b""
        self._may_receive = False
        self._paho_read_packet = client._packet_read
        client._packet_read = self._read_packet  # type: ignore[method-assign]  # in paho's place
        self._paho_receive = client._sock_recv
        client._sock_recv = self._receive  # type: ignore[assignment]  # likewise
        self._paho_take_puback = client._handle_pubackcomp
        client._handle_pubackcomp = self._take_puback  # type: ignore[assignment]  # likewise

    def begin(self) -> None:
        """A new connection: what the last one left half read is void."""
        self._received = b""

    def read(self, lasts: Callable[[], bool]) -> None:
        """Let paho take what one call of the system brings, packet by packet, while the connection lasts."""
        self._may_receive = True
        while lasts() and (self._may_receive or self._received):
            self._client.loop_read()

    def join_waiting(self) -> None:
        """Let messages that wait for the socket go out in one call of the system instead of one for each.

        With a packet of QoS 1 paho does nothing more once it is written, so that several may be one.
        """
        waiting = self._client._out_packet
        if len(waiting) < 2:
            return
        pieces, size = [], 0
        while waiting and waiting[0]["qos"] == 1 and waiting[0]["command"] & 0xF0 == paho.PUBLISH and size < SEND_BYTES:
            packet = waiting.popleft()
            pieces.append(packet["packet"][packet["pos"] :])
            size += packet["to_process"]
        if pieces:
            waiting.appendleft({**packet, "packet": b"".join(pieces), "pos": 0, "to_process": size})

    def forget_messages(self) -> None:
        """Drop what paho would send again at the next connection."""
        with self._client._out_message_mutex:
            self._client._out_messages.clear()

    def _receive(self, size: int) -> bytes:
        """What paho asks for, a byte or two at a time, out of what one call of the system in each turn has brought."""
        if not self._received:
            if not self._may_receive:
                raise BlockingIOError
            self._may_receive = False
            self._received = self._paho_receive(RECEIVE_BYTES)
            self._confirm_at_once()
        piece, self._received = self._received[:size], self._received[size:]
        return piece

    def _confirm_at_once(self) -> None:
        """Have the system acknowledge what came now, not within 40 ms (tcp(7); it must be said again each time).

        A broker sends its next small packets only then (Nagle, RFC 896; Mosquitto unless it is told otherwise). With
        the window full we would wait for them, and have nothing to send that would carry the acknowledgement along.
        """
        sock = self._client.socket()
        if QUICK_ACK is not None and isinstance(sock, socket.socket):
            with suppress(OSError):  # it may have been closed meanwhile; whoever reads next finds that out
                sock.setsockopt(socket.IPPROTO_TCP, QUICK_ACK, 1)

    def _read_packet(self) -> MQTTErrorCode:
        """Read the next packet; a plain PUBACK that is there as a whole not by paho, to which each byte is an event."""
        if self._received[:2] == PLAIN_PUBACK and len(self._received) >= 4 and not self._client._in_packet["command"]:
            self._end_message(self._received[2:4], 0)
            self._received = self._received[4:]
            return paho.MQTT_ERR_SUCCESS
        return self._paho_read_packet()

    def _take_puback(self, kind: Literal["PUBACK", "PUBCOMP"]) -> MQTTErrorCode:
        """Take a PUBACK; also one with a reason code that MQTT does not list for it (MQTT 5.0, 3.4.2.1).

        Mosquitto 2.0 answers 95h, packet too large, to what is above its ``message_size_limit``; paho gives up the
        connection at such a code, and would do so at this record for ever.
        """
        body = self._client._in_packet["packet"]  # what paho is about to parse
        if kind != "PUBACK" or len(body) < 2 or (len(body) > 2 and not self._is_5):
            return self._paho_take_puback(kind)
        self._end_message(body[:2], body[2] if len(body) > 2 else 0)
        return paho.MQTT_ERR_SUCCESS

    def _end_message(self, packet_id: bytes | bytearray, code: int) -> None:
        """A message is over ([MQTT-4.4.0-2]): paho has not to send it again."""
        mid = int.from_bytes(packet_id, "big")
        with self._client._out_message_mutex:
            self._client._out_messages.pop(mid, None)
        self._acknowledged(mid, code)
