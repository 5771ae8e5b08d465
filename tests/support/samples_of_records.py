"""One valid example of every record, message and command, for tests of the contract."""

from datetime import UTC, datetime
from uuid import UUID

from lampwarden.protocol import units
from lampwarden.protocol.commands import Abandon, AnyCommand, Begin, Choose, Press, ReadAnyway, Replay, Reread
from lampwarden.protocol.quantity import Quantity
from lampwarden.protocol.records import (
    AirRecord,
    BudgetLine,
    CalibrationNote,
    CountedSpot,
    EventRecord,
    GateEvidence,
    GateName,
    GateWait,
    HealthState,
    InstrumentRecord,
    IntegrationNote,
    LightRecord,
    LiveMessage,
    Message,
    PhotonFigures,
    Prompt,
    PromptAction,
    Record,
    SpectrumRecord,
    SpotAir,
    SpotRecord,
    StatusMessage,
    StubRecord,
    SummaryRecord,
    Supply,
    SupplyRecord,
)
from lampwarden.protocol.setup import Grid, LampSetup, LampType

TIME = datetime(2026, 3, 2, 8, 15, 30, 250_000, tzinfo=UTC)
ID = UUID("11111111-2222-4333-8444-555555555555")
OTHER_ID = UUID("11111111-2222-4333-8444-666666666666")
MISSING = Quantity.missing(units.PPFD, "not measured")


def q(value: float | None, unit: str = units.PPFD, **uncertainty: float) -> Quantity:
    if value is None:
        return Quantity.missing(unit, "not measured")
    return Quantity(value=value, unit=unit, **uncertainty)


def supply() -> Supply:
    return Supply(
        voltage=q(230.1, units.VOLT, u_own=0.05, u_common=0.6),
        current=q(1.32, units.AMPERE),
        power=q(276.4, units.WATT),
        power_factor=q(0.91, units.ONE),
        frequency=q(50.01, units.HERTZ),
    )


def air() -> SpotAir:
    return SpotAir(
        inside_temperature=q(27.4, units.CELSIUS),
        inside_humidity=q(41.0, units.PERCENT),
        inside_pressure=q(1009.3, units.HECTOPASCAL),
        outside_temperature=q(18.2, units.CELSIUS),
        outside_humidity=q(None, units.PERCENT),
        outside_pressure=q(None, units.HECTOPASCAL),
    )


def figures() -> PhotonFigures:
    return PhotonFigures(
        ppfd=q(412.3, u_own=1.2, u_common=8.0),
        epar=q(440.0),
        blue=q(20.1),
        green=q(241.0),
        red=q(151.2),
        far_red=q(30.0),
        red_to_far_red=Quantity.missing(units.ONE, "no far-red clear of the noise"),
    )


def setup() -> LampSetup:
    return LampSetup(
        lamp="HPS-07",
        lamp_type=LampType.HIGH_PRESSURE_SODIUM,
        rated_power_w=250.0,
        burning_hours=312.0,
        ballast="magnetic 3",
        fixture="enclosed, clear glass",
        height_mm=600.0,
    )


def grid() -> Grid:
    return Grid(columns=6, rows=4, pitch_x_mm=160.0, pitch_y_mm=160.0, reference="C2")


def stamp(seq: int = 7) -> dict[str, object]:
    return {
        "bench": "north-house",
        "time": TIME,
        "monotonic_s": 1234.5,
        "clock_synchronised": True,
        "simulated": False,
        "record_id": ID,
        "seq": seq,
        "test_id": "20260302-081500-hps-07",
    }


def message_stamp() -> dict[str, object]:
    return {key: value for key, value in stamp().items() if key not in {"record_id", "seq", "test_id"}}


BUDGET = [
    BudgetLine(cause="calibration", u_own=0.0, u_common=5.2),
    BudgetLine(cause="noise", u_own=0.4, u_common=0.0, degrees_of_freedom=9.0),
]


def records() -> tuple[Record, ...]:
    """One of each durable kind."""
    s = stamp()
    return (
        AirRecord(
            **s,
            instrument="air-in",
            place="inside",
            temperature=q(27.4, units.CELSIUS),
            humidity=q(41.0, units.PERCENT),
            pressure=q(None, units.HECTOPASCAL),
        ),
        SupplyRecord(**s, instrument="mains", supply=supply()),
        LightRecord(**s, instrument="quantum", purpose="warm_up", ppfd=q(401.2)),
        SpectrumRecord(
            **s,
            instrument="spectrometer",
            spot="C2",
            attempt=1,
            leg="spot",
            integration_s=0.14,
            averages=64,
            full_scale_counts=65535.0,
            peak_fraction=0.81,
            saturated=False,
            dark_source="shutter",
            calibration="certificate 1 sha256:0123",
            wavelength_nm=[400.0, 400.5],
            counts=[1000.0, 1001.5],
            dark_counts=[100.0, 100.0],
            irradiance_w_m2_nm=[0.1, 0.11],
            u_own_w_m2_nm=[0.001, 0.001],
            figures=figures(),
        ),
        SpotRecord(
            **s,
            spot="C2",
            attempt=2,
            leg="spot",
            light=q(410.0, u_own=0.9, u_common=7.0),
            light_instrument="quantum",
            budget=BUDGET,
            ambient_taken_off=q(0.4),
            quantum_ppfd=q(410.0, u_own=0.9, u_common=7.0),
            spectral_ppfd=MISSING,
            samples=10,
            figures=None,
            spectrum_id=None,
            supply=supply(),
            air=air(),
            strike_monotonic_s=100.0,
            pressed_monotonic_s=1190.0,
            window_opened_monotonic_s=1220.0,
            window_closed_monotonic_s=1230.0,
            gates=[
                GateEvidence(
                    gate=GateName.SETTLE,
                    open=True,
                    waited_s=30.0,
                    minimum_s=30.0,
                    reason="settled",
                    numbers={"a_s": 1.0},
                )
            ],
            undisturbed=True,
            doubts=[],
            flags=[],
        ),
        EventRecord(**s, event="accepted", text="C2: 410.0", spot="C2", details={"attempt": 2, "why": None}),
        InstrumentRecord(
            **s,
            instrument="quantum",
            role="quantum_sensor",
            state=HealthState.OK,
            text="answers",
            port="/dev/ttyUSB0",
            identity="maker model 1",
            calibration=CalibrationNote(
                certificate="K-1",
                factor=1.01,
                expanded_uncertainty_percent=2.5,
                calibrated_on="2025-11-01",
                due_on=None,
                overdue=False,
            ),
        ),
        SummaryRecord(
            **s,
            setup=setup(),
            grid=grid(),
            primary_instrument="quantum",
            started=TIME,
            struck=TIME,
            finished=TIME,
            canopy_average=q(300.0, u_own=0.3, u_common=6.0),
            area_weighted_average=q(310.0),
            uniformity_ratio=q(2.3, units.ONE),
            minimum_to_average=q(0.6, units.ONE),
            coefficient_of_variation=q(0.25, units.ONE),
            coverage_factor=1.96,
            expanded_uncertainty=q(11.8),
            effective_degrees_of_freedom=None,
            budget=BUDGET,
            drift=q(-0.2, units.PERCENT),
            drift_treatment="carried_as_uncertainty",
            opening=q(500.0),
            closing=q(499.0),
            spots=[
                CountedSpot(spot="C2", attempt=2, record_id=OTHER_ID, ppfd=q(410.0), confirmed=False, doubts=["odd"])
            ],
            missing_spots=["A1"],
            figures=None,
            integration=IntegrationNote(
                outcome="tuned",
                integration_s=0.14,
                whole_ripple_periods=14,
                fraction_of_full_scale=0.81,
                residual_ripple_percent=0.0,
                exposures=4,
                text="found",
            ),
            supply=supply(),
            supply_voltage_span=q(0.8, units.VOLT),
            air=air(),
            inside_temperature_span=q(4.2, units.KELVIN),
            photons_per_joule=q(0.7, units.PHOTON_EFFICACY),
            readings_taken=26,
            flags=["a flag"],
        ),
        StubRecord(
            **s,
            of_schema="lampwarden.spectrum/1",
            of_record_id=UUID(int=7, version=4),
            size_bytes=412_000,
            reason="larger than the broker takes",
        ),
    )


def live() -> tuple[Message, ...]:
    """One of each live kind."""
    s = message_stamp()
    return (
        StatusMessage(
            **s,
            online=True,
            version="0.1.0",
            test_id="t-1",
            state="settle",
            lamp="steady",
            prompt=Prompt(number=3, action=PromptAction.WAIT, text="Settling at C2.", spot="C2", attempt=1),
            waits=[GateWait(gate=GateName.SETTLE, earliest_in_s=12.0, held=False, reason="settle time runs")],
            spots_done=3,
            spots_total=24,
            last_seq=7,
        ),
        LiveMessage(
            **s,
            ppfd=q(410.0),
            voltage=q(230.0, units.VOLT),
            power=q(276.0, units.WATT),
            frequency=q(50.0, units.HERTZ),
            inside_temperature=q(None, units.CELSIUS),
            inside_humidity=q(None, units.PERCENT),
            outside_temperature=q(18.0, units.CELSIUS),
        ),
    )


def commands() -> tuple[AnyCommand, ...]:
    """One of each."""
    return (
        Begin(id="c-1", setup=setup(), test_id="t-1"),
        Press(id="c-2"),
        Reread(id="c-3", spot="C2"),
        ReadAnyway(id="c-4"),
        Choose(id="c-5", spot="C2", attempt=1, reason="a leaf lay on the sensor"),
        Abandon(id="c-6"),
        Replay(id="c-7", from_seq=1),
    )
