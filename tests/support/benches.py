"""A bench's configuration, a test's progress and a clock that only moves when told: for tests of single parts."""

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from random import Random
from typing import Any
from uuid import UUID

from lampwarden.daemon.config import BenchConfig
from lampwarden.daemon.procedure.progress import AttemptNote, Leg, Phase, Progress
from lampwarden.daemon.stamp import Stamp

from .samples_of_records import setup

START = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)

INSTRUMENTS: Mapping[str, Mapping[str, str]] = {
    "quantum": {"role": "quantum_sensor", "profile": "sdi12-quantum", "port": "/dev/ttyS0"},
    "mains": {"role": "power_meter", "profile": "modbus-meter", "port": "/dev/ttyS1"},
    "spectrometer": {"role": "spectrometer", "profile": "scpi-spectrometer", "port": "usb:1209:0001"},
    "pedal": {"role": "foot_switch", "profile": "hid-foot-switch", "port": "usb:1209:0002"},
}


def bench_tables(without: tuple[str, ...] = (), **tables: object) -> dict[str, Any]:
    """The tables of a ``bench.toml``; keyword arguments replace or add to whole tables."""
    return {
        "bench": {"id": "north-house"},
        "grid": {"columns": 3, "rows": 2, "pitch_x_mm": 160.0, "pitch_y_mm": 160.0, "reference": "B1"},
        "instruments": {name: dict(table) for name, table in INSTRUMENTS.items() if name not in without},
        **tables,
    }


def bench_config(without: tuple[str, ...] = (), **tables: object) -> BenchConfig:
    return BenchConfig.model_validate(bench_tables(without, **tables))


def progress(phase: Phase = Phase.AWAIT_PRESS, **changes: object) -> Progress:
    """A test over six spots; by default its opening reading is done and it waits at the first spot."""
    grid = bench_config().grid
    base = Progress(
        test_id="t-1",
        setup=setup(),
        grid=grid,
        phase=phase,
        started=START,
        strike_s=100.0,
        strike_utc=START,
        leg=Leg.SPOT,
        spot="A1",
        queue=grid.spots()[1:],
    )
    return base.model_copy(update=changes)


def note(
    spot: str = "A1", attempt: int = 1, ppfd_umol: float | None = 400.0, *, leg: Leg = Leg.SPOT, **changes: object
) -> AttemptNote:
    base = AttemptNote(
        leg=leg,
        spot=spot,
        attempt=attempt,
        record_id=UUID(int=hash((leg.value, spot, attempt)) & (2**64 - 1)),
        read_s=1200.0,
        ppfd_umol=ppfd_umol,
        u_own_umol=1.0,
        u_common_umol=6.0,
        undisturbed=True,
    )
    return base.model_copy(update=changes)


class SetClock:
    """Bench time that stands still until it is set."""

    synchronised = True

    def __init__(self, now_s: float = 0.0) -> None:
        self.now_s = now_s

    def utc(self) -> datetime:
        return START + timedelta(seconds=self.now_s)

    def monotonic(self) -> float:
        return self.now_s

    async def sleep(self, seconds: float) -> None:
        self.now_s += max(0.0, seconds)


def ids(seed: int = 1) -> Any:
    random = Random(seed)  # noqa: S311 - ids in tests need no secret
    return lambda: UUID(int=random.getrandbits(128), version=4)


def stamp(clock: SetClock | None = None, *, simulated: bool = False) -> Stamp:
    return Stamp("north-house", clock or SetClock(), simulated=simulated, new_id=ids())
