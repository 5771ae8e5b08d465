"""The commands: what an operator or a program may ask of the bench, and how it is answered.

A command is a JSON object published to ``…/commands/<verb>``. Its ``id`` makes it idempotent: the same id is carried
out once and answered again with the same words.
"""

from typing import Annotated, Literal

from pydantic import Field

from .quantity import Frozen
from .setup import Label, LampSetup, SpotName, TestId

CommandId = Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[A-Za-z0-9_.:-]+$")]


class Command(Frozen):
    """What every command begins with."""

    id: CommandId


class Begin(Command):
    """Begin a test of a lamp."""

    verb: Literal["begin"] = "begin"
    setup: LampSetup
    test_id: TestId | None = Field(default=None, description="made from the date and the lamp when left out")


class Press(Command):
    """The same as one press of the foot switch."""

    verb: Literal["press"] = "press"


class Reread(Command):
    """Read a spot again; the next press is for it."""

    verb: Literal["reread"] = "reread"
    spot: SpotName


class ReadAnyway(Command):
    """Open the gate that holds past its longest wait; the record is flagged."""

    verb: Literal["read_anyway"] = "read_anyway"


class Choose(Command):
    """Let this attempt count for a spot; the record says who chose."""

    verb: Literal["choose"] = "choose"
    spot: SpotName
    attempt: int = Field(ge=1)
    reason: Label


class Abandon(Command):
    """End the test without a result; what was read stays."""

    verb: Literal["abandon"] = "abandon"
    reason: Label = "abandoned by the operator"


class Replay(Command):
    """Publish all records again from a sequence number on."""

    verb: Literal["replay"] = "replay"
    from_seq: int = Field(ge=1)


AnyCommand = Begin | Press | Reread | ReadAnyway | Choose | Abandon | Replay

COMMANDS: dict[str, type[AnyCommand]] = {
    "begin": Begin,
    "press": Press,
    "reread": Reread,
    "read_anyway": ReadAnyway,
    "choose": Choose,
    "abandon": Abandon,
    "replay": Replay,
}


class Reply(Frozen):
    """The answer to a command."""

    schema_: Literal["lampwarden.reply/1"] = Field(default="lampwarden.reply/1", alias="schema")
    id: str | None = Field(description="of the command; null when it could not be read")
    verb: str
    accepted: bool
    text: str = Field(description="what was done, or why not and what would help")
    test_id: TestId | None = None
