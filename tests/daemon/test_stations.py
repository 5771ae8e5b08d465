"""Stations: each keeps after one instrument, says what is wrong with it, and finds it again."""

import asyncio
import itertools
from collections.abc import Callable, Coroutine
from dataclasses import dataclass, field
from typing import Any, cast

import pytest
from lampwarden.daemon.clock import VirtualClock, run_virtual
from lampwarden.daemon.config import CalibrationTable, InstrumentTable
from lampwarden.daemon.samples import Readings
from lampwarden.daemon.stations import (
    FIRST_BACK_OFF_S,
    IDLE_CHECK_S,
    LONGEST_BACK_OFF_S,
    PRESS_WAIT_S,
    Health,
    SpectrometerStation,
    Station,
    poll_light,
    poll_supply,
    watch_presses,
    why_refused,
)
from lampwarden.drivers.instruments import BenchInstrument
from lampwarden.drivers.roles import Identity, Press, SpectrometerLimits, SupplySample
from lampwarden.protocol.errors import ConfigurationError, DeviceError, LinkError, LinkFault, WireError
from lampwarden.protocol.records import HealthState
from support.benches import START

REAL = Identity("maker", "model", "1", "1.0", "maker model 1")
SIMULATED = Identity("LWSIM", "QUANT1", "", "100", "014LWSIM   QUANT1100SIMULATED")
ABSENT = LinkError(LinkFault.ABSENT, "there is no such port", where="/dev/ttyS0", mend="plug it in")
SILENT = LinkError(LinkFault.SILENT, "no answer", where="/dev/ttyS0")
GARBLED = WireError("the CRC is wrong", raw=b"\x01\x02")
REFUSING = DeviceError("illegal data address", code=2)


class Script:
    """Answers, one a call, the last one for ever; an exception is raised."""

    def __init__(self, *answers: object) -> None:
        self.answers = list(answers)
        self.asked_s: list[float] = []

    def next(self, now_s: float) -> object:
        self.asked_s.append(now_s)
        answer = self.answers.pop(0) if len(self.answers) > 1 else self.answers[0]
        if isinstance(answer, Exception):
            raise answer
        return answer


@dataclass
class FakeRunner:
    stuck: int = 0


@dataclass
class FakeDevice:
    """What a station sees of an instrument: it opens, and it can be called."""

    clock: VirtualClock
    opens: Script = field(default_factory=lambda: Script(REAL))
    reads: Script = field(default_factory=lambda: Script(0.0))
    name: str = "quantum"
    runner: FakeRunner = field(default_factory=FakeRunner)
    takes_s: float = 0.0
    bound_s: float = 2.0
    bounds: list[float | None] = field(default_factory=list)
    looks: Script = field(default_factory=lambda: Script(REAL))

    @property
    def instrument(self) -> "FakeDevice":
        return self

    def capture_bound_s(self, integration_s: float, averages: int) -> float:
        return 1.0 + integration_s * averages

    async def open(self) -> Identity:
        return cast("Identity", self.opens.next(self.clock.monotonic()))

    async def call(self, work: Callable[[Any], object], *, bound_s: float | None = None) -> object:
        self.bounds.append(bound_s)
        await self.clock.sleep(self.takes_s)
        return work(self)

    async def input_ready(self, within_s: float) -> bool:
        return True

    def _answer(self) -> Any:
        return self.reads.next(self.clock.monotonic())

    def read_ppfd_umol(self) -> float:
        return float(self._answer())

    def read_supply(self) -> SupplySample:
        return cast("SupplySample", self._answer())

    def wait_press(self, timeout_s: float) -> Press | None:
        return cast("Press | None", self._answer())

    def identify(self) -> Identity:
        return cast("Identity", self.looks.next(self.clock.monotonic()))

    def set_shutter(self, *, is_open: bool) -> None:
        self._answer()

    def read_limits(self) -> SpectrometerLimits:
        return SpectrometerLimits(3, 65535.0, 1e-5, 10.0, has_shutter=True)

    def read_wavelengths_nm(self) -> list[float]:
        return [400.0, 500.0, 600.0]

    def capture(self, integration_s: float, averages: int) -> object:
        answer = self._answer()
        return [answer] * 3 if isinstance(answer, float) else answer


class Sink:
    """Keeps what it is told."""

    def __init__(self, clock: VirtualClock | None = None) -> None:
        self.told: list[Health] = []
        self.told_s: list[float] = []
        self._clock = clock

    async def health_changed(self, name: str, table: InstrumentTable, health: Health) -> None:
        self.told.append(health)
        if self._clock is not None:
            self.told_s.append(self._clock.monotonic())

    @property
    def states(self) -> list[HealthState]:
        return [health.state for health in self.told]


def table(role: str = "quantum_sensor", **calibration: float) -> InstrumentTable:
    note = CalibrationTable(certificate="K-1", expanded_uncertainty_percent=2.0, **calibration) if calibration else None
    return InstrumentTable(role=role, profile="p", port="/dev/ttyS0", calibration=note)


def station_of(device: FakeDevice, sink: Sink, *, simulated_bench: bool = False, **calibration: float) -> Station[Any]:
    bench_instrument = cast("BenchInstrument[Any]", device)
    return Station(bench_instrument, table(**calibration), sink, simulated_bench=simulated_bench)


def for_a_while(seconds: float, work: Callable[[VirtualClock], Coroutine[object, object, None]]) -> None:
    """Run something endless in virtual time and stop it."""

    async def main(clock: VirtualClock) -> None:
        try:
            async with asyncio.timeout(seconds):
                await work(clock)
        except TimeoutError:
            return

    run_virtual(main, START)


def polled(
    seconds: float, *, opens: Script | None = None, reads: Script | None = None, every_s: float = 1.0, **changes: Any
) -> tuple[FakeDevice, Sink, Readings]:
    """Poll a quantum sensor for a while."""
    kept: list[tuple[FakeDevice, Sink, Readings]] = []
    takes_s = changes.pop("takes_s", 0.0)

    async def work(clock: VirtualClock) -> None:
        device = FakeDevice(clock, opens or Script(REAL), reads or Script(400.0), takes_s=takes_s)
        sink, readings = Sink(), Readings()
        kept.append((device, sink, readings))
        await poll_light(station_of(device, sink, **changes), readings, clock, every_s)

    for_a_while(seconds, work)
    return kept[0]


class TestPolling:
    def test_it_reads_evenly(self) -> None:
        device, _, _ = polled(10.5, takes_s=0.2)
        steps = [b - a for a, b in zip(device.reads.asked_s, device.reads.asked_s[1:], strict=False)]
        assert len(steps) >= 9
        assert all(step == pytest.approx(1.0) for step in steps)

    def test_a_sample_belongs_to_the_middle_of_its_exchange(self) -> None:
        _, _, readings = polled(1.0, takes_s=0.5)
        assert readings.light.between(0.0, 1.0)[0].time_s == pytest.approx(0.25)

    def test_an_instrument_slower_than_its_interval_is_asked_as_often_as_it_can(self) -> None:
        device, _, readings = polled(20.5, takes_s=2.5)
        assert len(device.reads.asked_s) == 8
        assert readings.light.latest() is not None

    def test_after_a_stall_it_does_not_make_up_for_what_it_missed(self) -> None:
        """A burst of late polls would show one moment many times."""
        _, _, readings = polled(30.0, reads=Script(400.0, SILENT, SILENT, SILENT, SILENT, 401.0))
        times = [t.time_s for t in readings.light.between(0.0, 30.0)]
        assert sum(b - a < 0.5 for a, b in itertools.pairwise(times)) <= 2

    def test_the_calibration_factor_is_applied_here(self) -> None:
        _, _, readings = polled(1.0, factor=1.25)
        latest = readings.light.latest()
        assert latest is not None
        assert latest.sample == 500.0

    def test_power_is_passed_on_at_once(self) -> None:
        seen: list[tuple[float, float]] = []

        async def work(clock: VirtualClock) -> None:
            device = FakeDevice(clock, reads=Script(SupplySample(230.0, 1.0, 275.0, 0.9, 50.0)), takes_s=0.2)
            await poll_supply(station_of(device, Sink()), Readings(), lambda t, w: seen.append((t, w)), clock, 1.0)

        for_a_while(2.5, work)
        assert [power_w for _, power_w in seen] == [275.0, 275.0, 275.0]

    def test_an_arc_struck_during_an_exchange_is_not_dated_before_it_burns(self) -> None:
        """Warm-up counts from this time. The meter answers what it sees late in an exchange of 0.4 s."""
        struck_s = 1.39
        seen: list[tuple[float, float]] = []

        class Meter(FakeDevice):
            def read_supply(self) -> SupplySample:
                burns = self.clock.monotonic() >= struck_s
                return SupplySample(230.0, 1.0, 275.0 if burns else 1.0, 0.9, 50.0)

        async def work(clock: VirtualClock) -> None:
            meter = Meter(clock, takes_s=0.4)
            await poll_supply(station_of(meter, Sink()), Readings(), lambda t, w: seen.append((t, w)), clock, 1.0)

        for_a_while(3.5, work)
        assert min(time_s for time_s, power_w in seen if power_w > 100.0) >= struck_s


class TestFailing:
    def test_a_flaky_instrument_loses_a_poll_and_goes_on(self) -> None:
        _, sink, readings = polled(10.0, reads=Script(400.0, GARBLED, 401.0))
        assert sink.states == [HealthState.OK, HealthState.FAULTY, HealthState.OK]
        assert len(readings.light.between(0.0, 10.0)) > 7

    @pytest.mark.parametrize(
        ("error", "state"),
        [
            (ABSENT, HealthState.UNREACHABLE),
            (SILENT, HealthState.UNREACHABLE),
            (GARBLED, HealthState.FAULTY),
            (REFUSING, HealthState.FAULTY),
        ],
        ids=["absent", "silent", "garbled", "refusing"],
    )
    def test_health_tells_what_kind_of_trouble_it_is(self, error: Exception, state: HealthState) -> None:
        _, sink, _ = polled(2.0, opens=Script(error))
        assert sink.told[0].state is state
        assert sink.told[0].text == str(error)

    def test_the_same_trouble_is_told_once(self) -> None:
        _, sink, _ = polled(600.0, opens=Script(ABSENT))
        assert sink.states == [HealthState.UNREACHABLE]

    def test_it_asks_again_with_longer_pauses_up_to_a_limit(self) -> None:
        device, _, _ = polled(60.0, opens=Script(ABSENT))
        asked = device.opens.asked_s
        pauses = [b - a for a, b in itertools.pairwise(asked)]
        assert pauses[0] == pytest.approx(FIRST_BACK_OFF_S)
        assert pauses == sorted(pauses)
        assert pauses[-1] == pytest.approx(LONGEST_BACK_OFF_S)

    def test_it_is_back_when_it_is_back(self) -> None:
        _, sink, readings = polled(60.0, opens=Script(ABSENT, ABSENT, ABSENT, REAL))
        assert sink.states == [HealthState.UNREACHABLE, HealthState.OK]
        assert sink.told[-1].identity == REAL.raw
        assert readings.light.latest() is not None

    def test_after_it_was_back_pauses_are_short_again(self) -> None:
        device, _, _ = polled(
            120.0, opens=Script(ABSENT, ABSENT, ABSENT, ABSENT, REAL, REAL), reads=Script(400.0, SILENT, 401.0)
        )
        opened = device.opens.asked_s
        assert opened[5] - device.reads.asked_s[1] == pytest.approx(FIRST_BACK_OFF_S)

    def test_after_trouble_it_is_identified_anew(self) -> None:
        """Another device may hang on the port by now."""
        device, _, _ = polled(5.0, opens=Script(REAL), reads=Script(400.0, SILENT, 401.0))
        assert len(device.opens.asked_s) == 2

    @pytest.mark.parametrize("error", [REFUSING, GARBLED, SILENT], ids=["refusing", "garbled", "silent"])
    def test_a_device_that_tells_its_name_and_no_reading_is_told_once_and_asked_ever_less(
        self, error: Exception
    ) -> None:
        device, sink, _ = polled(600.0, reads=Script(error))
        assert len(sink.told) == 1
        assert sink.told[0].text == str(error)
        assert len(device.opens.asked_s) < 600.0 / LONGEST_BACK_OFF_S + 10

    def test_an_instrument_is_well_when_it_reads_and_not_when_it_tells_its_name(self) -> None:
        _, sink, _ = polled(60.0, reads=Script(REFUSING, REFUSING, 400.0))
        assert sink.states == [HealthState.FAULTY, HealthState.OK]

    def test_trouble_whose_words_change_each_time_is_told_once_a_minute(self) -> None:
        noises = [WireError("the CRC is wrong", raw=bytes((n,))) for n in range(256)]
        _, sink, _ = polled(600.0, reads=Script(*noises))
        assert 9 <= len(sink.told) <= 11

    def test_trouble_of_another_kind_is_told_at_once(self) -> None:
        _, sink, _ = polled(5.0, opens=Script(SILENT, ABSENT))
        assert [health.text for health in sink.told] == [str(SILENT), str(ABSENT)]

    @pytest.mark.parametrize("sample", [None, "400", float("nan"), float("inf"), [400.0]], ids=str)
    def test_a_driver_that_gives_no_number_is_faulty(self, sample: object) -> None:
        class Odd(FakeDevice):
            def read_ppfd_umol(self) -> Any:
                return sample

        sink, readings = Sink(), Readings()

        async def work(clock: VirtualClock) -> None:
            await poll_light(station_of(Odd(clock), sink), readings, clock, 1.0)

        for_a_while(5.0, work)
        assert sink.states == [HealthState.FAULTY]
        assert readings.light.latest() is None

    def test_calls_that_hang_in_the_port_are_told(self) -> None:
        kept: list[Sink] = []

        async def work(clock: VirtualClock) -> None:
            sink = Sink()
            kept.append(sink)
            hung = LinkError(LinkFault.HUNG, "no return within 2 s", where="/dev/ttyS0")
            device = FakeDevice(clock, opens=Script(hung), runner=FakeRunner(stuck=3))
            await poll_light(station_of(device, sink), Readings(), clock, 1.0)

        for_a_while(1.0, work)
        assert kept[0].told[0].text.endswith("; 3 calls hang in the port")

    def test_an_error_of_our_own_is_not_taken_for_one_of_the_instrument(self) -> None:
        with pytest.raises(ZeroDivisionError):
            polled(5.0, reads=Script(ZeroDivisionError()))


class TestSimulated:
    def test_a_simulated_instrument_is_refused_on_a_real_bench(self) -> None:
        device, sink, readings = polled(60.0, opens=Script(SIMULATED))
        assert sink.states == [HealthState.REFUSED]
        assert "declares itself simulated" in sink.told[0].text
        assert sink.told[0].identity == SIMULATED.raw
        assert device.reads.asked_s == [], "it is not even read"
        assert readings.light.latest() is None

    def test_it_is_taken_on_a_simulated_bench(self) -> None:
        _, sink, readings = polled(5.0, opens=Script(SIMULATED), simulated_bench=True)
        assert sink.states == [HealthState.OK]
        assert readings.light.latest() is not None

    def test_a_real_one_in_its_place_is_found(self) -> None:
        _, sink, _ = polled(60.0, opens=Script(SIMULATED, SIMULATED, REAL))
        assert sink.states == [HealthState.REFUSED, HealthState.OK]

    def test_a_real_instrument_that_was_replaced_by_a_simulated_one_is_refused(self) -> None:
        _, sink, readings = polled(60.0, opens=Script(REAL, SIMULATED), reads=Script(400.0, SILENT, 999.0))
        assert sink.states == [HealthState.OK, HealthState.UNREACHABLE, HealthState.REFUSED]
        assert [t.sample for t in readings.light.between(0.0, 60.0)] == [400.0]


class TestPresses:
    def watched(self, seconds: float, reads: Script) -> tuple[list[tuple[float, bool]], Sink]:
        presses: list[tuple[float, bool]] = []
        sink = Sink()

        async def work(clock: VirtualClock) -> None:
            device = FakeDevice(clock, reads=reads, takes_s=0.5)
            station = station_of(device, sink)
            await watch_presses(station, lambda t, is_long: presses.append((t, is_long)), clock)

        for_a_while(seconds, work)
        return presses, sink

    def test_presses_are_passed_on_short_or_long(self) -> None:
        presses, _ = self.watched(2.2, Script(None, Press.SHORT, Press.LONG, None))
        assert presses == [(1.0, False), (1.5, True)]

    def test_a_pedal_that_was_gone_for_a_while_works_again(self) -> None:
        presses, sink = self.watched(10.0, Script(SILENT, SILENT, Press.SHORT, None))
        assert [is_long for _, is_long in presses] == [False]
        assert sink.states[-1] is HealthState.OK

    def test_a_pedal_that_hangs_while_nobody_presses_it_is_found_out(self) -> None:
        """It sends nothing, as a good one that is left alone; only asking tells them apart."""

        class Hung(FakeDevice):
            def identify(self) -> Identity:
                raise SILENT

        sink = Sink()

        async def work(clock: VirtualClock) -> None:
            device = Hung(clock, reads=Script(None), takes_s=PRESS_WAIT_S)
            await watch_presses(station_of(device, sink), lambda *_: None, clock)

        for_a_while(2 * IDLE_CHECK_S, work)
        assert sink.states[:2] == [HealthState.OK, HealthState.UNREACHABLE]

    def test_a_pedal_that_is_left_alone_is_no_trouble(self) -> None:
        presses, sink = self.watched(10 * IDLE_CHECK_S, Script(None))
        assert presses == []
        assert sink.states == [HealthState.OK]


class TestSpectrometer:
    def run(
        self,
        seconds: float,
        *,
        exposures: Script | None = None,
        looks: Script | None = None,
        use: Callable[[VirtualClock, SpectrometerStation, FakeDevice], Coroutine[object, object, None]] | None = None,
    ) -> tuple[SpectrometerStation, FakeDevice, Sink]:
        """Watch a spectrometer for a while, and use it beside."""
        kept: list[tuple[SpectrometerStation, FakeDevice, Sink]] = []

        async def work(clock: VirtualClock) -> None:
            device = FakeDevice(clock, reads=exposures or Script(0.0), looks=looks or Script(REAL), bound_s=2.0)
            sink = Sink(clock)
            station = SpectrometerStation(
                cast("BenchInstrument[Any]", device),
                table("spectrometer"),
                sink,
                simulated_bench=False,
            )
            kept.append((station, device, sink))
            async with asyncio.TaskGroup() as group:
                group.create_task(station.watch())
                if use is not None:
                    group.create_task(use(clock, station, device))

        for_a_while(seconds, work)
        return kept[0]

    def test_its_limits_and_wavelengths_are_read_once(self) -> None:
        station, _, sink = self.run(3 * IDLE_CHECK_S)
        assert station.setup is not None
        assert station.setup.limits.pixel_count == 3
        assert sink.states == [HealthState.OK]

    def test_its_absence_is_told_before_it_is_needed(self) -> None:
        _, _, sink = self.run(10.0, looks=Script(REAL, REAL, ABSENT))
        assert sink.states[:2] == [HealthState.OK, HealthState.UNREACHABLE]
        assert sink.told_s[1] == pytest.approx(3 * IDLE_CHECK_S, abs=0.1)

    def test_one_that_comes_back_is_read_anew(self) -> None:
        station, _, sink = self.run(2.5 * IDLE_CHECK_S, looks=Script(ABSENT, REAL))
        assert sink.states == [HealthState.OK, HealthState.UNREACHABLE, HealthState.OK]
        assert station.setup is not None

    def test_an_exposure_that_fails_is_told_at_once(self) -> None:
        failed_s: list[float] = []

        async def use(clock: VirtualClock, station: SpectrometerStation, device: FakeDevice) -> None:
            await clock.sleep(5.5)
            device.opens, device.reads = Script(ABSENT), Script(ABSENT)
            with pytest.raises(LinkError):
                await station.capture(0.1, 1)
            failed_s.append(clock.monotonic())

        _, _, sink = self.run(40.0, use=use)
        assert sink.states == [HealthState.OK, HealthState.UNREACHABLE]
        assert sink.told_s[1] == failed_s[0]

    def test_a_shutter_that_fails_is_told_at_once(self) -> None:
        async def use(clock: VirtualClock, station: SpectrometerStation, device: FakeDevice) -> None:
            await clock.sleep(5.5)
            device.opens, device.reads = Script(REAL), Script(REFUSING)
            with pytest.raises(DeviceError):
                await station.shut(is_open=False)

        _, _, sink = self.run(7.0, use=use)
        assert sink.states == [HealthState.OK, HealthState.FAULTY]
        assert sink.told_s[1] == 5.5

    def test_one_that_tells_its_name_but_does_not_expose_is_faulty_throughout(self) -> None:
        station, device, sink = self.run(600.0, exposures=Script(REFUSING))
        assert sink.states == [HealthState.FAULTY]
        assert station.setup is None
        assert len(device.opens.asked_s) < 600.0 / LONGEST_BACK_OFF_S + 10

    def test_a_look_never_comes_between_the_exposures_of_a_spectrum(self) -> None:
        looks: list[float] = []
        busy: list[tuple[float, float]] = []

        async def use(clock: VirtualClock, station: SpectrometerStation, device: FakeDevice) -> None:
            await clock.sleep(7.1)
            device.takes_s = 2.5  # longer than between two looks
            began_s = clock.monotonic()
            for _ in range(4):
                await station.capture(2.5, 1)
            busy.append((began_s, clock.monotonic()))
            device.takes_s = 0.0
            looks.extend(device.looks.asked_s)
            await clock.sleep(8.0)
            looks[:] = device.looks.asked_s

        self.run(30.0, use=use)
        ((began_s, ended_s),) = busy
        assert ended_s - began_s == pytest.approx(10.0)
        assert not [t for t in looks if began_s < t < ended_s]
        assert [t for t in looks if t < began_s]
        assert [t for t in looks if ended_s < t <= ended_s + IDLE_CHECK_S + 0.1]

    @pytest.mark.parametrize(
        "counts", [None, "none", [1.0, 2.0], [[1.0, 2.0, 3.0]], [1.0, float("nan"), 3.0], []], ids=str
    )
    def test_counts_that_are_none_are_a_fault_of_the_instrument(self, counts: object) -> None:
        async def use(clock: VirtualClock, station: SpectrometerStation, device: FakeDevice) -> None:
            await clock.sleep(1.5)
            device.reads = Script(counts)
            with pytest.raises(DeviceError):
                await station.capture(0.1, 1)

        _, _, sink = self.run(1.7, use=use)
        assert sink.states == [HealthState.OK, HealthState.FAULTY]

    def test_a_spectrometer_that_cannot_do_what_is_configured_is_faulty_and_ends_nothing(self) -> None:
        """A ConfigurationError of a running instrument: another device was put in its place."""
        _, _, sink = self.run(20.0, exposures=Script(ConfigurationError("no bulk IN endpoint", where="usb:1209:0001")))
        assert sink.states == [HealthState.FAULTY]

    def test_an_exposure_may_take_as_long_as_it_takes(self) -> None:
        async def main(clock: VirtualClock) -> list[float | None]:
            device = FakeDevice(clock)
            station = SpectrometerStation(
                cast("BenchInstrument[Any]", device), table("spectrometer"), Sink(), simulated_bench=False
            )
            await station.capture(2.0, 8)
            return device.bounds

        assert run_virtual(main, START) == [17.0]


class TestIdentity:
    def test_a_device_other_than_the_one_configured_is_refused_with_both_named(self) -> None:
        wanted = table().model_copy(update={"identity": "SN-7"})
        answer = Identity("maker", "model", "SN-8", "1", "maker,model,SN-8,1")
        text = why_refused(answer, wanted, simulated_bench=False)
        assert text is not None
        assert "SN-7" in text
        assert "SN-8" in text

    def test_the_device_that_is_configured_is_taken(self) -> None:
        wanted = table().model_copy(update={"identity": "SN-7"})
        answer = Identity("maker", "model", "SN-7", "1", "maker,model,SN-7,1")
        assert why_refused(answer, wanted, simulated_bench=False) is None

    @pytest.mark.parametrize(
        ("wanted", "identity"),
        [
            ("SN-7", Identity("maker", "model", "SN-70", "1", "maker,model,SN-70,1")),
            ("SN-7", Identity("maker", "model", "ASN-7", "1", "maker,model,ASN-7,1")),
            ("SN-7", Identity("maker", "model", "SN-7-B", "1", "maker,model,SN-7-B,1")),
            ("SN-7", Identity("maker", "model", "SN-7.2", "1", "maker,model,SN-7.2,1")),
            ("7", Identity("maker", "model", "SN-7", "1.7", "maker,model,SN-7,1.7")),
            ("model 1", Identity("maker", "model 10", "", "", "maker model 10")),
            ("METER", Identity("", "", "", "", "")),
        ],
    )
    def test_a_name_that_only_contains_the_configured_one_is_another_devices(
        self, wanted: str, identity: Identity
    ) -> None:
        assert why_refused(identity, table().model_copy(update={"identity": wanted}), simulated_bench=False)

    @pytest.mark.parametrize(
        ("wanted", "identity"),
        [
            ("SN-7", Identity("maker", "model", "SN-7", "1", "maker,model,SN-7,1")),
            ("maker,model,SN-7,1", Identity("maker", "model", "SN-7", "1", "maker,model,SN-7,1")),
            ("model 1", Identity("maker", "model 1", "", "", "maker model 1 / 2.0")),
            # SDI-12 runs its fields into one another.
            ("QUANT1", Identity("LWMAKER", "QUANT1", "SN12345", "100", "014LWMAKER QUANT1100SN12345")),
            ("SN12345", Identity("LWMAKER", "QUANT1", "SN12345", "100", "014LWMAKER QUANT1100SN12345")),
            ("1209:0001", Identity("M", "P", "S", "1.00", "1209:0001 M P")),
        ],
    )
    def test_fields_and_whole_words_name_a_device(self, wanted: str, identity: Identity) -> None:
        assert why_refused(identity, table().model_copy(update={"identity": wanted}), simulated_bench=False) is None
