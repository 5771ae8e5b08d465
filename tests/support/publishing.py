"""A publisher on a journal, without a bench: for tests of what goes to the broker and what comes from it."""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from lampwarden.daemon.mqtt.publisher import BrokerAddress, Publisher
from lampwarden.daemon.store.hand_over import HAND_OVER_BYTES
from lampwarden.daemon.store.journal import Journal, JournalFile
from lampwarden.protocol.commands import AnyCommand, Reply
from lampwarden.protocol.records import StatusMessage

from .journals import BENCH, Notebook

PATIENCE_S = 60.0


@dataclass
class StillBench:
    """A bench where nothing happens; commands are noted and accepted."""

    book: Notebook
    obeyed: list[AnyCommand] = field(default_factory=list)

    def status(self, *, online: bool) -> StatusMessage:
        return StatusMessage(**self.book.stamp.message(), online=online, version="0", state="idle")

    async def obey(self, command: AnyCommand) -> Reply:
        self.obeyed.append(command)
        return Reply(id=command.id, verb=command.verb, accepted=True, text="done")


@dataclass
class Running:
    """A publisher at work."""

    book: Notebook
    bench: StillBench
    file: JournalFile
    journal: Journal
    publisher: Publisher
    task: "asyncio.Task[None]"

    async def until(self, what: Callable[[], bool]) -> None:
        async with asyncio.timeout(PATIENCE_S):
            while not what():
                if self.task.done():
                    self.task.result()
                await asyncio.sleep(0.01)  # noqa: TID251

    async def drained(self) -> None:
        await self.until(lambda: self.journal.sent_through == self.journal.last_seq)


@contextlib.asynccontextmanager
async def publishing(
    folder: Path,
    port: int,
    *,
    protocol: str = "5",
    book: Notebook | None = None,
    bench: str = BENCH,
    timeout_s: float = 5.0,
    file: type[JournalFile] = JournalFile,
    hand_over_bytes: int = HAND_OVER_BYTES,
    **login: Any,
) -> AsyncIterator[Running]:
    book = book or Notebook()
    folder.mkdir(parents=True, exist_ok=True)  # noqa: ASYNC240
    opened = file(folder / "journal.sqlite", bench)
    journal = Journal(opened, hand_over_bytes=hand_over_bytes)
    still = StillBench(book)
    address = BrokerAddress("127.0.0.1", port, protocol=protocol, timeout_s=timeout_s, longest_wait_s=1.0, **login)
    publisher = Publisher(bench, address, journal, still)
    task = asyncio.get_running_loop().create_task(publisher.run())
    try:
        yield Running(book, still, opened, journal, publisher, task)
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
        await journal.close()


async def in_thread(work: Callable[[], object]) -> None:
    """Let a blocking helper wait while the loop goes on."""
    await asyncio.to_thread(work)  # noqa: TID251


Check = Callable[[], Awaitable[None]]
