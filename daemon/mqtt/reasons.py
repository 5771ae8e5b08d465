"""Reason codes of MQTT in plain words: what the broker said, and what would mend it.

Codes and names after MQTT 5.0 (OASIS Standard, 2019-03-07), section 2.4; the codes 1 to 5 of a CONNACK after MQTT
3.1.1, section 3.2.2.3. What to do about them is ours.
"""

from typing import Final

_RIGHTS: Final = "check the broker's access rules for this bench"
_LOGIN: Final = "check username and password_file in [broker]"

MQTT_5: Final[dict[int, tuple[str, str]]] = {
    0x80: ("unspecified error", "look into the broker's log"),
    0x81: ("malformed packet", "look into the broker's log"),
    0x82: ("protocol error", "look into the broker's log"),
    0x83: ("the broker refuses for a reason of its own", "look into the broker's log"),
    0x84: ("the broker does not speak this version of MQTT", 'set protocol = "3.1.1" in [broker]'),
    0x85: ("the broker does not like the client's name", _RIGHTS),
    0x86: ("bad user name or password", _LOGIN),
    0x87: ("not authorised", _RIGHTS),
    0x88: ("the broker is not available", "wait, or look at the broker"),
    0x89: ("the broker is busy", "wait"),
    0x8A: ("this bench is banned", _RIGHTS),
    0x8B: ("the broker is shutting down", "wait, or start it again"),
    0x8C: ("bad authentication method", _LOGIN),
    0x8D: ("the broker heard nothing for too long", "check the network"),
    0x8E: ("another client has taken this bench's name", "is a second daemon running for the same bench id?"),
    0x8F: ("the broker does not take the filter", _RIGHTS),
    0x90: ("the broker does not take the topic name", "check the bench id and the broker's rules"),
    0x93: ("more unacknowledged messages than the broker takes", "look into the broker's log"),
    0x95: ("larger than the broker takes", "raise the broker's largest packet"),
    0x96: ("too many messages in a short time", "raise the broker's limit"),
    0x97: ("the broker's quota is used up", "make room on the broker"),
    0x98: ("closed by the broker's administrator", "ask who runs the broker"),
    0x99: ("the broker does not take the payload", "look into the broker's log"),
    0x9A: ("the broker keeps no retained messages", "let it: late readers need them"),
    0x9B: ("the broker takes no QoS 1", "let it: without it records can be lost"),
    0x9C: ("use another broker for now", "set host in [broker]"),
    0x9D: ("the broker has moved", "set host in [broker]"),
    0x9F: ("too many connections in a short time", "wait"),
}

MQTT_3: Final[dict[int, tuple[str, str]]] = {
    1: MQTT_5[0x84],
    2: MQTT_5[0x85],
    3: MQTT_5[0x88],
    4: MQTT_5[0x86],
    5: MQTT_5[0x87],
}

FOR_THIS_RECORD: Final = frozenset({0x90, 0x95, 0x99})
"""Codes of a PUBACK that this very record will always get: it goes out as a stub. Others may pass: it is held."""

UNSUPPORTED_PROTOCOL: Final = frozenset({1, 0x84})
"""CONNACK: 1 of a broker that knows 3.1.1 only, 84h of one that knows 5.0 only by name (3.1.2.2)."""


def plain(code: int) -> str:
    """A code in words, with its number and what would mend it."""
    what, mend = MQTT_5.get(code) or MQTT_3.get(code) or ("unknown reason", "look into the broker's log")
    return f"{what} ({code:02X}h; {mend})"
