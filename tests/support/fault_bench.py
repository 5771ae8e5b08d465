"""A bench to be broken: simulated instruments on real wires, a daemon in a process of its own, a real Mosquitto behind
a proxy, an operator, and an observer who believes nothing.

The observer subscribes to the broker directly and keeps every message; the operator acts on the published status like a
person who looks at a screen; both are outside of the daemon, which is killed and started again as a service manager
would.
"""

import asyncio
import contextlib
import json
import random
import re
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from lampwarden.daemon.simulated.simulate import Simulation, served_bench
from lampwarden.daemon.simulated.simulation import BENCH_ID, lamp_setup, operator_prompt
from lampwarden.daemon.store.examination import examine
from lampwarden.protocol.commands import Begin
from lampwarden.protocol.records import StatusMessage
from lampwarden.simulators.faults import LATE_S
from lampwarden.simulators.field import GridPlan
from lampwarden.simulators.hid import LONG_PRESS_S
from lampwarden.simulators.operator import SimulatedOperator
from lampwarden.simulators.scenario import Scenario

from .fault_proxy import FaultProxy, fault_proxy
from .journals import bodies
from .mosquitto import Mosquitto, mosquitto
from .mqtt_reader import Reader

SPEED = 60.0
GRID = GridPlan(columns=3, rows=2, reference="B1")
PROCEDURE: dict[str, Any] = {
    "warm_up_minimum_s": 120.0,
    "warm_up_span_s": 60.0,
    "warm_up_tolerance_percent": 15.0,
    "settle_minimum_s": 20.0,
    "window_s": 8.0,
    "cool_down_s": 3000.0,
    "conditions_every_s": 10.0,
    "tuning_longest_s": 3600.0,
}
"""Short gates, so that many tests fit into minutes; what is proven of them is that none is cut short. The wait for a
spectrometer is long, because it comes back in real time: no test here may end without its integration time."""
FAR = 0.1
"""Calibrations, height and placement of the simulated bench come to some 3 %; a reading that is further off than this
is of another quantity, another spot or another time."""
PATIENCE_S = 90.0
BASE = f"lampwarden/1/{BENCH_ID}"
ANNOUNCED = re.compile(r"^((the reference point \((opening|closing)\)|[A-Z]\d+)( confirmed)?: \d+\.\d)")
RUNNER = Path(__file__).parent.parent / "faults" / "daemon_under_test.py"


@dataclass
class FaultBench:
    """What a campaign may touch."""

    folder: Path
    served: Simulation
    broker: Mosquitto
    proxy: FaultProxy
    reader: Reader
    random: random.Random
    reduced: bool = False
    daemon: "subprocess.Popen[bytes] | None" = None
    starts: int = 0
    deaths: int = 0
    tests_begun: int = 0
    strikes_s: list[float] = field(default_factory=list)
    presses_s: list[float] = field(default_factory=list)
    long_presses_s: list[float] = field(default_factory=list)
    told_lost: set[int] = field(default_factory=set)
    slowest_start_s: float = 0.0
    _stop: threading.Event = field(default_factory=threading.Event)
    _supervised: bool = True
    _log_at: int = 0

    # The daemon, and who starts it again.

    @property
    def journal(self) -> Path:
        return self.served.config_path.parent / self.served.config.journal.path

    @property
    def offset_file(self) -> Path:
        return self.folder / "clock-offset"

    @property
    def log_file(self) -> Path:
        return self.folder / "daemon.log"

    def start(self) -> None:
        with self.log_file.open("ab") as log:
            command = [sys.executable, str(RUNNER), str(self.served.config_path), str(self.offset_file)]
            self.daemon = subprocess.Popen(command, stdout=log, stderr=log)
        self.starts += 1

    def kill(self) -> None:
        """SIGKILL, here and now."""
        assert self.daemon is not None
        self.daemon.kill()
        self.daemon.wait()
        self.deaths += 1

    def start_and_wait(self) -> None:
        """Start it and wait until it has told its state to the broker."""
        began = time.monotonic()
        heard = len(self.reader.snapshot())
        self.start()
        self.wait(lambda: any(h.body.get("online") for h in self._statuses(heard)), "the daemon to be online")
        self.slowest_start_s = max(self.slowest_start_s, time.monotonic() - began)

    def _statuses(self, after: int) -> list[Any]:
        return [h for h in self.reader.snapshot()[after:] if h.topic == f"{BASE}/status"]

    def wait(self, what: Callable[[], bool], text: str, patience_s: float = PATIENCE_S) -> None:
        until = time.monotonic() + patience_s
        while not what():
            assert time.monotonic() < until, f"waited in vain for {text}\n{self.log_tail()}"
            time.sleep(0.01)  # noqa: TID251

    def log_tail(self) -> str:
        return self.log_file.read_text(errors="replace")[-4000:] if self.log_file.exists() else ""

    # The operator.

    @property
    def status(self) -> StatusMessage | None:
        """The newest status that the broker gave out."""
        heard = self.reader.newest.get(f"{BASE}/status")
        return None if heard is None else StatusMessage.model_validate(heard.body)

    @property
    def state(self) -> str:
        heard = self.reader.newest.get(f"{BASE}/status")
        return "unknown" if heard is None else str(heard.body["state"])

    async def operate(self) -> None:
        """Do what the newest prompt asks; a new operator looks up at each start of the daemon."""
        operator, of_start, seen_s = SimulatedOperator(self.served.bench, self.served.clock), -1, 0.0
        async with asyncio.TaskGroup() as group:
            while not self._stop.is_set():
                if of_start != self.starts:
                    operator, of_start = SimulatedOperator(self.served.bench, self.served.clock), self.starts
                heard = self.reader.newest.get(f"{BASE}/status")
                if heard is not None and heard.at_s > seen_s:
                    seen_s = heard.at_s
                    status = StatusMessage.model_validate(heard.body)
                    prompt = operator_prompt(status)
                    if prompt is not None:
                        group.create_task(operator.act(prompt))
                await asyncio.sleep(0.02)  # noqa: TID251

    def begin_test(self) -> None:
        """Ask for a test, with one id however often it must be asked."""
        self.tests_begun += 1
        number = self.tests_begun
        command = Begin(id=f"begin-{number}", setup=lamp_setup(Scenario.demo()), test_id=f"test-{number}")

        def answered() -> bool:
            return any(h.body.get("id") == command.id for h in self.reader.snapshot() if h.topic == f"{BASE}/replies")

        until = time.monotonic() + PATIENCE_S
        while not answered():
            assert time.monotonic() < until, self.log_tail()
            self.reader.client.publish(f"{BASE}/commands/begin", command.model_dump_json(), 1)
            with contextlib.suppress(AssertionError):
                self.wait(answered, "an answer", 3.0)

    def keep_testing(self) -> None:
        """Begin a test where none is running."""
        self.wait(lambda: self.status is not None and self.status.online, "the daemon to be online")
        if self.state in ("idle", "done", "abandoned"):
            self.begin_test()

    # Faults of the clock.

    def set_clock(self, offset_s: float) -> None:
        made = self.offset_file.with_suffix(".part")
        made.write_text(str(offset_s))
        made.replace(self.offset_file)

    # Judgement.

    def settle(self) -> None:
        """Wait until the broker has everything and the observer has heard it."""

        def level() -> bool:
            status = self.status
            if status is None or not status.online:
                return False
            found = bodies(self.journal)
            return bool(found) and set(self.heard()) >= set(found)

        self.wait(level, "the observer to have every record")

    def heard(self) -> dict[int, set[str]]:
        """Record ids by number, as the observer heard them."""
        found: dict[int, set[str]] = {}
        for heard in self.reader.records():
            found.setdefault(heard.body["seq"], set()).add(heard.body["record_id"])
        return found

    def announced_lines(self) -> list[str]:
        """What the daemon's log told as taken."""
        lines = []
        for line in self.log_file.read_text(errors="replace").splitlines():
            with contextlib.suppress(ValueError, TypeError):
                entry = json.loads(line)
                found = ANNOUNCED.match(entry["message"])
                if entry["logger"] == "lampwarden.bench" and found:
                    lines.append(entry["message"])
        return lines

    def judge(self) -> list[str]:
        """Everything that must hold after whatever happened; empty when it does."""
        self.settle()
        wrong: list[str] = []
        # What was heard is looked at before the disk: while a test goes on, more of both comes in between.
        heard, announced = self.heard(), self.announced_lines()
        on_disk = bodies(self.journal)
        if list(on_disk) != list(range(1, len(on_disk) + 1)):
            wrong.append("seq has gaps in the journal")
        ids = Counter(str(b["record_id"]) for b in on_disk.values())
        wrong += [f"record id {i} is there {n} times" for i, n in ids.items() if n > 1]
        for seq, body in on_disk.items():
            if seq > max(heard, default=0):
                break
            mine = heard.get(seq, set())
            if body["record_id"] not in mine:
                wrong.append(f"seq {seq} did not reach the observer")
            if len(mine) > 1 and seq not in self.told_lost:
                wrong.append(f"seq {seq} reached the observer as {len(mine)} records")
        wrong += [f"seq {s} was published and is not on disk" for s in heard if s not in on_disk]
        texts = Counter(str(b.get("text")) for b in on_disk.values())
        lost_texts = {str(h.body.get("text")) for h in self.reader.records() if h.body["seq"] in self.told_lost}
        for line in announced:
            if texts[line] == 0 and line not in lost_texts:
                wrong.append(f"announced and not on disk: {line}")
        given_up = {seq: b["text"] for seq, b in on_disk.items() if b.get("event") == "not_tuned"}
        wrong += [f"seq {seq}: no integration time: {text}" for seq, text in given_up.items()]
        wrong += self._gates_cut_short(on_disk)
        wrong += self._settled_readings_repeated(on_disk)
        wrong += self._far_from_the_truth(on_disk)
        examined = examine(self.journal)
        if not examined.sound:
            wrong.append(f"the journal is not sound: {examined}")
        return wrong

    def _gates_cut_short(self, on_disk: dict[int, dict[str, Any]]) -> list[str]:
        wrong = []
        for seq, b in on_disk.items():
            if b["schema"] != "lampwarden.spot/1":
                continue
            opened, struck, pressed = (
                b["window_opened_monotonic_s"],
                b["strike_monotonic_s"],
                b["pressed_monotonic_s"],
            )
            real = [s for s in self.strikes_s if s <= opened]
            if real and opened - real[-1] < PROCEDURE["warm_up_minimum_s"]:
                wrong.append(f"seq {seq}: read {opened - real[-1]:.1f} s after the lamp was really struck")
            if struck is None or opened - struck < PROCEDURE["warm_up_minimum_s"] - 1e-6:
                wrong.append(f"seq {seq}: its own warm-up is too short")
            if pressed is not None:
                if opened - pressed < PROCEDURE["settle_minimum_s"] - 1e-6:
                    wrong.append(f"seq {seq}: its own settling is too short")
                before = [p for p in self.presses_s if p <= opened]
                if not before or opened - before[-1] < PROCEDURE["settle_minimum_s"] - 0.5:
                    wrong.append(f"seq {seq}: read too soon after the pedal was really pressed")
            if b["undisturbed"] and b["window_closed_monotonic_s"] - opened < PROCEDURE["window_s"] - 1e-6:
                wrong.append(f"seq {seq}: its window is too short")
        return wrong

    def _far_from_the_truth(self, on_disk: dict[int, dict[str, Any]]) -> list[str]:
        """What an instrument says while it talks nonsense, or at another spot, must not count for a reading."""
        wrong = []
        for seq, b in on_disk.items():
            if b["schema"] != "lampwarden.spot/1" or not b["undisturbed"]:
                continue
            window_s = (b["window_opened_monotonic_s"], b["window_closed_monotonic_s"])
            with self.served.bench.lock:
                true_umol = self.served.bench.true_ppfd_umol(b["spot"], *window_s)
            for name in ("light", "spectral_ppfd"):
                found = b[name]["value"]
                if found is not None and abs(found / true_umol - 1.0) > FAR:
                    wrong.append(f"seq {seq}: {name} at {b['spot']} is {found:.1f}, and {true_umol:.1f} in truth")
        return wrong

    def _settled_readings_repeated(self, on_disk: dict[int, dict[str, Any]]) -> list[str]:
        """A spot that was accepted without a doubt is not asked for again, but by the operator's own long press."""
        accepted: dict[tuple[str, str], list[float]] = {}
        hindsight: set[str] = set()
        for b in on_disk.values():
            if b["schema"] == "lampwarden.event/1" and b["event"] == "doubtful_in_hindsight":
                hindsight.add(str(b["test_id"]))
            if b["schema"] == "lampwarden.event/1" and b["event"] == "accepted":
                accepted.setdefault((str(b["test_id"]), str(b["text"]).split(":")[0]), []).append(b["monotonic_s"])
        return [
            f"{test}: {place} was accepted {len(times)} times"
            for (test, place), times in accepted.items()
            if len(times) > 1 and test not in hindsight and not self._pressed_long(times)
        ]

    def _pressed_long(self, times_s: list[float]) -> bool:
        """Whether a long press came between, which lasts long in bench time: it is felt in real time."""
        return any(times_s[0] - LONG_PRESS_S * SPEED <= at_s <= times_s[-1] for at_s in self.long_presses_s)


@contextlib.contextmanager
def fault_bench(folder: Path, seed: int, *, journal: Path | None = None, reduced: bool = False) -> Iterator[FaultBench]:
    """A bench, its broker and its people; the daemon is not started yet.

    Args:
        folder: For everything.
        seed: Of all chance.
        journal: Where the journal is to be, if not beside the configuration.
        reduced: See ``campaign.Plan``.
    """
    scenario = replace(Scenario.demo(), grid=GRID, sags=(), disturbances=())
    folder.mkdir(parents=True, exist_ok=True)
    with contextlib.ExitStack() as stack:
        broker = stack.enter_context(mosquitto(folder / "broker"))
        proxy = stack.enter_context(fault_proxy(broker.port, seed))
        extra: dict[str, Any] = {
            "broker": {"host": "127.0.0.1", "port": proxy.port, "timeout_s": 3.0, "longest_wait_s": 3.0},
            "procedure": PROCEDURE,
            "panel": {"enabled": False},
        }
        if journal is not None:
            extra["journal"] = {"path": str(journal)}
        served = stack.enter_context(served_bench(scenario, seed, folder=folder / "bench", speed=SPEED, extra=extra))
        reader = Reader(broker.port, name="observer")
        bench = FaultBench(folder, served, broker, proxy, reader, random.Random(seed), reduced=reduced)  # noqa: S311
        for box in served.bench.faults.values():
            box.late_s = LATE_S * SPEED  # drivers wait in real time
        _note_hands(bench)
        people = threading.Thread(target=lambda: asyncio.run(bench.operate()), name="operator", daemon=True)
        people.start()
        try:
            yield bench
        finally:
            bench._stop.set()
            if bench.daemon is not None and bench.daemon.poll() is None:
                bench.daemon.send_signal(signal.SIGTERM)
                with contextlib.suppress(subprocess.TimeoutExpired):
                    bench.daemon.wait(10)
                bench.daemon.kill()
                bench.daemon.wait()
            people.join(10)
            with contextlib.suppress(OSError):
                reader.close()


def _note_hands(bench: FaultBench) -> None:
    """Keep the true times of strikes and presses: what the daemon believes of them is under test."""
    simulated = bench.served.bench
    strike, press = simulated.strike, simulated.foot_switch.press

    def noted_strike(now_s: float) -> None:
        if not simulated.lamp.switched_on:  # else it is a hand on a switch that is on already
            bench.strikes_s.append(now_s)
        strike(now_s)

    def noted_press(now_s: float, **how: Any) -> Any:
        if how.get("long"):  # it overrules a gate that holds; where none holds any more the last spot is read again
            bench.long_presses_s.append(now_s)
        elif not simulated.faults["foot_switch"]:  # one that is lost on its way begins nothing
            bench.presses_s.append(now_s)
        return press(now_s, **how)

    simulated.strike = noted_strike  # type: ignore[method-assign]  # wrapped, to note the time
    simulated.foot_switch.press = noted_press  # type: ignore[method-assign]  # as above
