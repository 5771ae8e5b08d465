"""Every fault of every instrument, begun in every state of a test, while the daemon and its test go on.

One case: the test is in a state; a fault of one instrument is switched on; the observer must hear from the broker,
within two seconds of the driver's own time-out, that this instrument does not answer or talks nonsense. Then the fault
ends (a serial port that was unplugged comes back under another number) and the observer must hear that the instrument
is well again, by itself, within the longest back-off. Faults follow each other as the test walks through its states, so
that the next one often begins while the last instrument is still coming back.

Two faults need not be told. A foot switch that answers who it is and sends no report cannot be told from one that
nobody presses; the person presses again. Noise between the answers of a line may miss them all; then the readings must
go on.
"""

import contextlib
import os
import time
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field

from lampwarden.daemon.simulated.campaign_faults import KINDS
from lampwarden.simulators.faults import Fault
from support.fault_bench import BASE, FaultBench

STATES = ("prepare", "await_strike", "warm_up", "cool_down", "tune", "await_press", "settle", "window", "conclude")
NAMES = {
    "quantum": ("quantum",),
    "power_meter": ("mains",),
    "air_line": ("air-in", "air-out"),
    "spectrometer": ("spectrometer",),
    "foot_switch": ("pedal",),
}
LIVE = {"quantum": "ppfd", "mains": "power", "air-in": "inside_temperature", "air-out": "outside_temperature"}
WITHIN_S = 2.0
HELD_S = 3.0
"""How long a fault lasts that nobody is told of."""
EXPOSURE_S = 5.0
"""The longest exposure of these tests, 2 s, and the 3 s of grace that the driver gives it."""


@dataclass(frozen=True)
class Case:
    """One fault of one device, begun in one state."""

    device: str
    fault: Fault
    state: str

    @property
    def name(self) -> str:
        return f"{self.device} {self.fault.value} in {self.state}"

    @property
    def needs_no_word(self) -> bool:
        return (self.device, self.fault) == ("foot_switch", Fault.SILENT) or self.fault is Fault.BABBLE


LOOK_S = 2.0
"""How often an instrument that is not polled is looked at. Stated here and not taken from the daemon: one that looks
less often must fail, and so must one that waits longer for an instrument that is back."""
LONGEST_BACK_OFF_S = 5.0
"""What goes by before an instrument that is back is asked again."""
LONGEST_LATE_S = 6.0
"""A late device's last answer is out by then: it is five seconds late, and travels a moment."""
TIME_OUT_S = {
    # Three breaks with three tries each (SDI-12 1.4, 7.2); a try waits for a whole answer at 1200 baud, half a second,
    # since some links hand over only whole lines.
    "quantum": 5.0,
    # Three tries of half a second, with a pause between them.
    "power_meter": 2.0,
    # Two loggers on one line wait for each other.
    "air_line": 4.0,
    # Looked at every two seconds where nobody uses it; an answer may take two, and so may clearing up after it: abort
    # and clear, half a second each (USBTMC 4.2.1.2 to 4.2.1.7). An exposure comes before that where one is being taken.
    "spectrometer": LOOK_S + 2.0 + 2.0,
    # Asked every two seconds; half a second each for opening, status and class requests.
    "foot_switch": LOOK_S + 0.5 + 0.5,
}
"""How long the driver itself waits before it gives up: its tries and, where an instrument is only looked at now and
then, the time between two looks."""


@dataclass
class Ledger:
    """What was seen."""

    done: Counter[str] = field(default_factory=Counter)
    untold: int = 0
    slowest_s: dict[str, float] = field(default_factory=lambda: defaultdict(float))
    slowest_back_s: dict[str, float] = field(default_factory=lambda: defaultdict(float))
    wrong: list[str] = field(default_factory=list)


@dataclass
class Returning:
    """An instrument whose fault is over, and which has not been heard of as well yet."""

    case: Case
    since_s: float
    names: set[str]


class Walk:
    """Takes a bench through tests until each case has been begun in its state."""

    def __init__(self, bench: FaultBench, cases: list[Case]) -> None:
        self.bench = bench
        self.ledger = Ledger()
        self._open: dict[str, list[Case]] = {state: [c for c in cases if c.state == state] for state in STATES}
        self._returning: dict[str, Returning] = {}
        self._looked = 0
        self._health: dict[str, tuple[str, float]] = {}
        self._late_until_s: dict[str, float] = {}

    def run(self) -> Ledger:
        """Go through all cases, or as far as the bench goes."""
        until = time.monotonic() + 60.0 + 40.0 * self._left()
        while self._left():
            if time.monotonic() > until:
                self.ledger.wrong += [f"never begun: {c.name}" for cases in self._open.values() for c in cases]
                return self.ledger
            self._look()
            state = self.bench.state
            case = self._next(state)
            if case is not None:
                self._take(case)
            elif state in ("idle", "done", "abandoned"):
                self.bench.keep_testing()
            elif state == "warm_up" and self._open["cool_down"] and not self._open["warm_up"]:
                self._put_the_lamp_out()
            else:
                time.sleep(0.001)  # noqa: TID251
        while self._returning:
            self._look()
            time.sleep(0.01)  # noqa: TID251
        return self.ledger

    def _left(self) -> int:
        return sum(len(cases) for cases in self._open.values())

    def _next(self, state: str) -> Case | None:
        """A case of this state whose instrument is well."""
        for case in self._open.get(state, []):
            # One that is in trouble already, of whatever cause, says nothing new of a fault that comes on top.
            is_well = all(self._health.get(name, ("ok", 0.0))[0] == "ok" for name in NAMES[case.device])
            is_quiet = time.monotonic() >= self._late_until_s.get(case.device, 0.0)
            if is_well and is_quiet and case.device not in self._returning:
                self._open[state].remove(case)
                return case
        return None

    def _put_the_lamp_out(self) -> None:
        served = self.bench.served
        served.bench.switch_off(served.clock.monotonic())
        with contextlib.suppress(AssertionError):  # the test may have gone on; there will be another chance
            self.bench.wait(lambda: self.bench.state == "cool_down", "the arc to be missed", 5.0)

    def _take(self, case: Case) -> None:
        box = self.bench.served.bench.faults[case.device]
        began_s = time.monotonic()
        began_in = self.bench.state
        box.switch_on(case.fault)
        if began_in != case.state:  # it had just gone on
            box.switch_off()
            self._open[case.state].append(case)
            return
        limit_s = self._limit_s(case)
        names = set(NAMES[case.device])
        while (silent := {n for n in names if not self._told(n, began_s)}) and time.monotonic() < began_s + limit_s:
            self._look()
            if case.needs_no_word and time.monotonic() >= began_s + HELD_S:
                break
            time.sleep(0.002)  # noqa: TID251
        if not silent:
            told_s = max(self._health[n][1] for n in names) - began_s
            self.ledger.slowest_s[case.device] = max(self.ledger.slowest_s[case.device], told_s)
        elif case.needs_no_word:
            self.ledger.untold += 1
            self._must_still_read(case, silent)
        else:
            self.ledger.wrong.append(f"{case.name}: not told within {limit_s:.1f} s")
        with _taken_numbers(case):
            box.switch_off()
            ended_s = time.monotonic()
            if case.fault is Fault.LATE:
                # Until then old answers come in. Where a wire numbers nothing they are right answers to new questions,
                # and would hide the next fault.
                self._late_until_s[case.device] = ended_s + LONGEST_LATE_S
            self.ledger.done[case.state] += 1
            if any(self._told(n, began_s) for n in names):
                waiting = {n for n in names if self._told(n, began_s)}
                self._returning[case.device] = Returning(case, ended_s, waiting)
            if case.fault is Fault.UNPLUGGED and case.device in ("quantum", "power_meter", "air_line"):
                while case.device in self._returning:
                    self._look()
                    time.sleep(0.002)  # noqa: TID251

    def _limit_s(self, case: Case) -> float:
        exposing = case.device == "spectrometer" and case.state in ("prepare", "tune", "settle", "window")
        return TIME_OUT_S[case.device] + (EXPOSURE_S if exposing else 0.0) + WITHIN_S

    def _told(self, name: str, since_s: float) -> bool:
        state, at_s = self._health.get(name, ("ok", 0.0))
        return state != "ok" and at_s >= since_s

    def _must_still_read(self, case: Case, names: set[str]) -> None:
        if case.device == "foot_switch":
            return
        heard = self.bench.reader.newest.get(f"{BASE}/live")
        for name in names & LIVE.keys():
            if heard is None or heard.body[LIVE[name]]["value"] is None:
                self.ledger.wrong.append(f"{case.name}: neither told nor read")

    def _look(self) -> None:
        """Take in what the observer has heard of the instruments, and who is well again."""
        for name in (n for names in NAMES.values() for n in names):
            heard = self.bench.reader.newest.get(f"{BASE}/instruments/{name}")
            if heard is not None:
                self._health[name] = (str(heard.body["state"]), heard.at_s)
        now_s = time.monotonic()
        for device, one in list(self._returning.items()):
            limit_s = LONGEST_BACK_OFF_S + TIME_OUT_S[device] + WITHIN_S
            one.names = {n for n in one.names if self._health[n][0] != "ok"}
            if not one.names:
                back_s = max(self._health[n][1] for n in NAMES[device]) - one.since_s
                self.ledger.slowest_back_s[device] = max(self.ledger.slowest_back_s[device], back_s)
                del self._returning[device]
            elif now_s > one.since_s + limit_s:
                self.ledger.wrong.append(f"{one.case.name}: not well again within {limit_s:.1f} s")
                del self._returning[device]


@contextlib.contextmanager
def _taken_numbers(case: Case) -> Iterator[None]:
    """While a serial port comes back, its old terminal number is in use, so that it gets another."""
    taken = os.openpty() if case.fault is Fault.UNPLUGGED else ()
    try:
        yield
    finally:
        for each in taken:
            os.close(each)


def cases_of(bench: FaultBench, per_state: int | None) -> list[Case]:
    """All cases in a random order; or a few in each state, every instrument and every fault among them."""
    pairs = [(device, fault) for device, faults in KINDS.items() for fault in faults]
    bench.random.shuffle(pairs)
    if per_state is None:
        cases = [Case(device, fault, state) for state in STATES for device, fault in pairs]
        bench.random.shuffle(cases)
        return cases
    wheel = [pairs[n % len(pairs)] for n in range(per_state * len(STATES))]
    return [Case(*wheel[n * per_state + k], state) for n, state in enumerate(STATES) for k in range(per_state)]
