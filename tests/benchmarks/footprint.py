"""What the daemon costs a small machine: at rest, and at its start."""

import subprocess
import sys
import time
from pathlib import Path

import psutil
from pace import Listener, daemons
from served import serving
from table import Row, figure, median
from yardstick import attainable, bare_loop_s

POLLS = {"poll_s": 1.0}


def idle(port: int, *, short: bool) -> list[Row]:
    """All instruments polled at their pace, no test, a broker, nobody at the panel."""
    settle_s, span_s, spans = (2.0, 6.0, 1) if short else (8.0, 20.0, 3)
    listener = Listener(port)
    shares, memory, bare = [], [], []
    try:
        with serving("benches", broker_port=port, begin=False, procedure=POLLS) as served:
            _poll_air_each_second(Path(served["configs"][0]))
            with daemons(served["configs"]) as running:
                if not listener.wait_for(_online, 30.0):
                    raise RuntimeError("the daemon did not come up")
                process = psutil.Process(running[0].pid)
                time.sleep(settle_s)  # noqa: TID251 - real time is what is measured
                for _ in range(spans):
                    before, began = process.cpu_times(), time.monotonic()
                    time.sleep(span_s)  # noqa: TID251 - as above
                    after = process.cpu_times()
                    used = after.user + after.system - before.user - before.system
                    shares.append(100.0 * used / (time.monotonic() - began))
                    memory.append(process.memory_info().rss / 1e6)
                    bare.append(bare_loop_s())
    finally:
        listener.close()
    return [
        Row(
            "idle",
            "idle daemon, all instruments at 1 Hz: share of one core",
            median(shares),
            "%",
            1.0,
            False,
            f"highest {figure(max(shares))} % over {span_s:g} s",
            spans,
            bound=attainable(1.0, median(bare)),
        ),
        Row(
            "idle memory",
            "idle daemon: resident memory",
            median(memory),
            "MB",
            80.0,
            False,
            f"highest {figure(max(memory))} MB",
            spans,
        ),
    ]


def _poll_air_each_second(config: Path) -> None:
    text = config.read_text(encoding="utf-8")
    for name in ("air-in", "air-out"):
        text = text.replace(f"[instruments.{name}]\n", f"[instruments.{name}]\npoll_s = 1.0\n")
    config.write_text(text, encoding="utf-8")


def _online(topic: str, body: dict[str, object]) -> bool:
    return topic.endswith("/status") and body.get("online") is True


def starts(port: int, *, short: bool) -> list[Row]:
    """The help text, and ``run`` until the bench takes commands over the broker."""
    repeats = 2 if short else 9
    helps, bare = [], []
    for _ in range(repeats):
        bare.append(bare_loop_s())
        began = time.perf_counter()
        command = [sys.executable, "-m", "lampwarden.daemon.cli", "--help"]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        helps.append(time.perf_counter() - began)
    readies = []
    with serving("benches", broker_port=port, begin=False, procedure=POLLS) as served:
        for _ in range(repeats):
            listener = Listener(port)
            try:
                began_s = time.monotonic()
                with daemons(served["configs"]):
                    if not listener.wait_for(_online, 30.0):
                        raise RuntimeError("the daemon did not come up")
                    readies.append(next(s for s, t, b in listener.messages if _online(t, b)) - began_s)
            finally:
                listener.close()
    return [
        Row(
            "help",
            "lampwarden --help",
            median(helps),
            "s",
            0.3,
            False,
            f"longest {figure(max(helps))} s",
            repeats,
            bound=attainable(0.3, median(bare)),
        ),
        Row(
            "ready",
            "lampwarden run until it takes commands, simulated instruments",
            median(readies),
            "s",
            1.5,
            False,
            f"longest {figure(max(readies))} s",
            repeats,
            bound=attainable(1.5, median(bare)),
        ),
    ]
