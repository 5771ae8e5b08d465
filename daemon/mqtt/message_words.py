"""What a message of ours carries on the wire: its JSON, and its MQTT 5 properties."""

from functools import cache

from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from ...protocol.records import Message


def properties_of(schema: str, *, expires_s: int | None = None) -> Properties:
    """MQTT 5 properties of one of our messages: what it is, and how long it is worth anything."""
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]  # paho has no types here
    properties.PayloadFormatIndicator = 1  # UTF-8
    properties.ContentType = "application/json"
    properties.UserProperty = [("schema", schema)]
    if expires_s is not None:
        properties.MessageExpiryInterval = expires_s
    return properties


class _Packed(Properties):
    """Properties that stay as they are, with their bytes made once."""

    def __init__(self, properties: Properties) -> None:
        self.__dict__.update(vars(properties), packed=properties.pack())  # type: ignore[no-untyped-call]  # as above

    def pack(self) -> bytes:
        """See paho."""
        packed: bytes = self.__dict__["packed"]
        return packed


@cache
def shared_properties_of(schema: str, *, expires_s: int | None = None) -> Properties:
    """:func:`properties_of` for all messages of a kind: made for each, they would cost a quarter of publishing."""
    return _Packed(properties_of(schema, expires_s=expires_s))


def payload_of(message: Message) -> str:
    """A message as it is sent."""
    return message.model_dump_json(by_alias=True)
