"""Records as JSON lines: from the journal first where asked, then as they come, each once, gaps told."""

from collections.abc import Callable

from ...protocol.errors import BrokerError
from ..config import BenchConfig
from ..service import broker_address
from ..store.journal import read_since
from .client import BenchClient, GapFinder, compact


async def listen_to(
    config: BenchConfig, *, since: int | None, follow: bool, say: Callable[[str], None], warn: Callable[[str], None]
) -> None:
    """Print records.

    Args:
        config: Of the bench.
        since: First sequence number wanted from the journal; None: only what comes.
        follow: Whether to go on with what comes.
        say: Gets each record, one line of JSON.
        warn: Gets what is missing, and that the broker is not there, once until it is.

    Raises:
        JournalError: The journal cannot be read.
    """
    finder = GapFinder()
    if since is not None:
        for body in read_since(config.journal.path, since):
            _take(finder, body, say, warn)
    if not follow:
        return
    away = False

    def on_link(trouble: BrokerError | None) -> None:
        nonlocal away
        if trouble is not None and not away:
            warn(f"{trouble}; waiting for it")
        away = trouble is not None

    async for _, text in BenchClient(config.bench.id, broker_address(config)).follow(keep_trying=True, on_link=on_link):
        _take(finder, text, say, warn)


def _take(finder: GapFinder, text: str, say: Callable[[str], None], warn: Callable[[str], None]) -> None:
    is_new, gap = finder.take(text)
    if gap is not None:
        first, last = gap
        numbers = f"seq {first}" if first == last else f"seq {first} to {last}"
        warn(f"missing: {numbers}; fetch from the journal with: lampwarden listen --since {first}")
    if is_new:
        say(compact(text))
