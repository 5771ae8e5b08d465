"""Figures for monitoring, as OpenMetrics text over HTTP on loopback.

Only what a person on call needs: is a test running, do instruments answer, does the disk take records, does the broker
have them, and does the process stay as small as it was. There is no password, so it never listens beyond loopback.

After OpenMetrics 1.0 (the exposition format: names, units and ``_total`` suffixes, ``# EOF``; from memory).
"""

import asyncio
import contextlib
import os
import resource
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, Literal

from ...protocol.errors import ConfigurationError

CONTENT_TYPE: Final = "application/openmetrics-text; version=1.0.0; charset=utf-8"
REQUEST_BOUND_S: Final = 5.0
LARGEST_REQUEST_BYTES: Final = 8192
MOST_AT_ONCE: Final = 8
"""Requests answered at a time; a monitor needs one."""

Kind = Literal["gauge", "counter", "info"]


@dataclass(frozen=True, slots=True)
class Sample:
    """One number and its labels."""

    value: float
    labels: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Family:
    """One metric: its name without suffix, what it is, its samples."""

    name: str
    kind: Kind
    help: str
    samples: tuple[Sample, ...]
    unit: str = ""


def gauge(name: str, help_text: str, value: float, unit: str = "") -> Family:
    """A metric that goes up and down."""
    return Family(name, "gauge", help_text, (Sample(value),), unit)


def counter(name: str, help_text: str, value: float, unit: str = "") -> Family:
    """A metric that only goes up while the daemon lives."""
    return Family(name, "counter", help_text, (Sample(value),), unit)


def exposition(families: list[Family]) -> str:
    """Metrics as text."""
    return "".join(_family(family) for family in families) + "# EOF\n"


def _family(family: Family) -> str:
    suffix = {"counter": "_total", "info": "_info", "gauge": ""}[family.kind]
    lines = [f"# TYPE {family.name} {family.kind}"]
    if family.unit:
        lines.append(f"# UNIT {family.name} {family.unit}")
    lines.append(f"# HELP {family.name} {_escaped(family.help)}")
    for sample in family.samples:
        labels = ",".join(f'{key}="{_escaped(value)}"' for key, value in sample.labels.items())
        shown = f"{{{labels}}}" if labels else ""
        lines.append(f"{family.name}{suffix}{shown} {_number(sample.value)}")
    return "\n".join(lines) + "\n"


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace("\n", "\\n").replace('"', '\\"')


def _number(value: float) -> str:
    return str(int(value)) if float(value).is_integer() and abs(value) < 2**53 else repr(float(value))


def process_families() -> list[Family]:
    """Of this process: memory, file handles, threads, processor time (proc(5))."""
    usage = resource.getrusage(resource.RUSAGE_SELF)
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return [
        gauge("process_resident_memory_bytes", "Resident memory.", pages * os.sysconf("SC_PAGE_SIZE"), "bytes"),
        gauge("process_open_fds", "Open file handles.", _entries("/proc/self/fd")),
        gauge("process_threads", "Threads.", _entries("/proc/self/task")),
        counter("process_cpu_seconds", "Processor time.", usage.ru_utime + usage.ru_stime, "seconds"),
    ]


def _entries(folder: str) -> int:
    return sum(1 for _ in Path(folder).iterdir())


class MetricsServer:
    """Answers ``GET /metrics`` and nothing else."""

    def __init__(self, host: str, port: int, families: Callable[[], list[Family]]) -> None:
        """Prepare.

        Args:
            host: A loopback address; the configuration sees to it.
            port: To listen on; 0 lets the system choose.
            families: Called at each request; must return at once.
        """
        self._host = host
        self._families = families
        self._busy = 0
        self.port = port

    async def run(self) -> None:
        """Listen until cancelled.

        Raises:
            ConfigurationError: The port cannot be had.
        """
        try:
            server = await asyncio.start_server(self._serve, self._host, self.port, limit=LARGEST_REQUEST_BYTES)
        except OSError as error:
            raise ConfigurationError(
                f"cannot be listened on: {error.strerror}",
                where=f"metrics {self._host}:{self.port}",
                mend="choose another port ([metrics] port)",
            ) from None
        self.port = int(server.sockets[0].getsockname()[1])
        async with server:
            await server.serve_forever()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._busy += 1
        with contextlib.suppress(OSError, TimeoutError, ValueError, asyncio.IncompleteReadError):
            if self._busy <= MOST_AT_ONCE:
                async with asyncio.timeout(REQUEST_BOUND_S):
                    head = await reader.readuntil(b"\r\n\r\n")
                    writer.write(self._answer(head.split(b"\r\n", 1)[0]))
                    await writer.drain()
        self._busy -= 1
        writer.close()

    def _answer(self, request: bytes) -> bytes:
        method, _, rest = request.partition(b" ")
        path = rest.split(b" ")[0].split(b"?")[0]
        if path != b"/metrics":
            return _response("404 Not Found", "text/plain; charset=utf-8", "metrics are at /metrics\n")
        if method != b"GET":
            return _response("405 Method Not Allowed", "text/plain; charset=utf-8", "GET only\n", "Allow: GET\r\n")
        return _response("200 OK", CONTENT_TYPE, exposition(self._families()))


def _response(status: str, content_type: str, text: str, extra: str = "") -> bytes:
    body = text.encode()
    head = (
        f"HTTP/1.1 {status}\r\nContent-Type: {content_type}\r\nContent-Length: {len(body)}\r\n"
        f"Cache-Control: no-store\r\n{extra}Connection: close\r\n\r\n"
    )
    return head.encode() + body
