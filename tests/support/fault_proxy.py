"""A TCP proxy that spoils connections on purpose: refuses, swallows, cuts in mid-packet, delays.

It stands between a client and a broker on loopback, in a thread and loop of its own, and knows nothing of MQTT.
"""

import asyncio
import contextlib
import random
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import Enum


class Trouble(Enum):
    """What is wrong with the way."""

    NONE = "none"
    REFUSE = "refuse"
    SWALLOW = "swallow"
    """Connections come about, nothing gets through and nothing is said: a dead router."""
    CUT = "cut"
    """Each connection breaks after a random number of bytes, in either direction, in the middle of a packet."""


@dataclass
class FaultProxy:
    """The proxy; its trouble may be changed at any time."""

    target_port: int
    port: int = 0
    trouble: Trouble = Trouble.NONE
    cut_after: tuple[int, int] = (1, 4000)
    connections: int = 0
    cuts: int = 0
    _random: random.Random = field(default_factory=lambda: random.Random(1))  # noqa: S311
    _open: set[asyncio.StreamWriter] = field(default_factory=set)
    _loop: asyncio.AbstractEventLoop | None = None
    _server: asyncio.Server | None = None

    def set(self, trouble: Trouble) -> None:
        """Change the trouble; open connections break when nothing may pass any more."""
        self.trouble = trouble
        if trouble is Trouble.REFUSE:
            self.break_all()

    def break_all(self) -> None:
        assert self._loop is not None
        self._loop.call_soon_threadsafe(lambda: [w.transport.abort() for w in list(self._open)])

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        self._open.add(writer)
        try:
            if self.trouble is Trouble.REFUSE:
                return
            far_reader, far_writer = await asyncio.open_connection("127.0.0.1", self.target_port)
            self._open.add(far_writer)
            left = [self._random.randint(*self.cut_after) if self.trouble is Trouble.CUT else None]
            both = (self._pump(reader, far_writer, left), self._pump(far_reader, writer, left))
            tasks = [asyncio.ensure_future(pump) for pump in both]
            await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
            for task in tasks:
                task.cancel()
            far_writer.transport.abort()
            self._open.discard(far_writer)
        except OSError:
            pass
        finally:
            writer.transport.abort()
            self._open.discard(writer)

    async def _pump(self, source: asyncio.StreamReader, sink: asyncio.StreamWriter, left: list[int | None]) -> None:
        with contextlib.suppress(OSError):
            while data := await source.read(65536):
                if self.trouble is Trouble.SWALLOW:
                    continue
                if left[0] is not None:
                    if len(data) >= left[0]:
                        sink.write(data[: left[0]])
                        await sink.drain()
                        self.cuts += 1
                        return
                    left[0] -= len(data)
                sink.write(data)
                await sink.drain()

    async def _main(self, ready: threading.Event) -> None:
        self._loop = asyncio.get_running_loop()
        self._stop = asyncio.Event()
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)
        self.port = self._server.sockets[0].getsockname()[1]
        ready.set()
        await self._stop.wait()
        self._server.close()
        for writer in list(self._open):
            writer.transport.abort()
        await asyncio.sleep(0.05)  # noqa: TID251


@contextlib.contextmanager
def fault_proxy(target_port: int, seed: int = 1) -> Iterator[FaultProxy]:
    """A proxy to a port of loopback, for as long as the block lasts."""
    proxy = FaultProxy(target_port, _random=random.Random(seed))  # noqa: S311
    ready = threading.Event()
    thread = threading.Thread(target=lambda: asyncio.run(proxy._main(ready)), name="fault proxy", daemon=True)
    thread.start()
    assert ready.wait(10)
    try:
        yield proxy
    finally:
        assert proxy._loop is not None
        proxy._loop.call_soon_threadsafe(proxy._stop.set)
        thread.join(10)
