"""Topic names, below ``lampwarden/1/<bench>/``; the 1 is the version of this layout."""

from dataclasses import dataclass

from .records import (
    AirRecord,
    EventRecord,
    InstrumentRecord,
    LightRecord,
    LiveMessage,
    Message,
    SpectrumRecord,
    SpotRecord,
    StatusMessage,
    StubRecord,
    SummaryRecord,
    SupplyRecord,
)

ROOT = "lampwarden/1"


@dataclass(frozen=True, slots=True)
class Topics:
    """All topics of one bench."""

    bench: str

    @property
    def base(self) -> str:
        """What all topics of the bench begin with."""
        return f"{ROOT}/{self.bench}"

    @property
    def status(self) -> str:
        """The bench now; retained; last will."""
        return f"{self.base}/status"

    @property
    def live(self) -> str:
        """Latest readings, for centring."""
        return f"{self.base}/live"

    @property
    def replies(self) -> str:
        """Answers to commands."""
        return f"{self.base}/replies"

    @property
    def everything(self) -> str:
        """Filter for all that the bench says."""
        return f"{self.base}/#"

    @property
    def commands(self) -> str:
        """Filter for all commands to the bench."""
        return f"{self.base}/commands/+"

    def command(self, verb: str) -> str:
        """Where to send a command."""
        return f"{self.base}/commands/{verb}"

    def verb_of(self, topic: str) -> str | None:
        """The verb of a command's topic, or None for any other topic."""
        prefix = f"{self.base}/commands/"
        verb = topic.removeprefix(prefix)
        return verb if topic.startswith(prefix) and "/" not in verb else None

    def of(self, message: Message) -> str:
        """Where a record or message is published.

        Raises:
            TypeError: A kind of message that has no topic.
        """
        test = f"{self.base}/tests/{getattr(message, 'test_id', None)}"
        match message:
            case StatusMessage():
                return self.status
            case LiveMessage():
                return self.live
            case InstrumentRecord():
                return f"{self.base}/instruments/{message.instrument}"
            case AirRecord() | SupplyRecord() | LightRecord():
                return f"{self.base}/conditions"
            case SpotRecord():
                return f"{test}/spots/{message.spot}"
            case SpectrumRecord():
                return f"{test}/spectra/{message.spot}"
            case SummaryRecord():
                return f"{test}/summary"
            case EventRecord():
                return f"{self.base}/events" if message.test_id is None else f"{test}/events"
            case StubRecord():
                return f"{self.base}/stubs"
            case _:
                raise TypeError(f"no topic for {type(message).__name__}")


def is_retained(message: Message) -> bool:
    """Whether a broker keeps the latest of its kind for readers that come later."""
    return isinstance(message, StatusMessage | InstrumentRecord | SummaryRecord)
