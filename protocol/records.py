"""The records: what the bench hands on.

A *record* is durable: it is on disk before it is published, and carries a sequence number without gaps and an id of
its own, so that delivery at least once becomes exactly once for a reader who cares. A *message* is live: it is sent
when it is true and may be lost.

Schema names end in a version. A reader must ignore nothing: unknown keys do not occur within one version.
"""

from enum import StrEnum
from typing import ClassVar, Literal
from uuid import UUID

from pydantic import Field, JsonValue

from .quantity import Frozen, Quantity, UtcTime
from .setup import BenchId, Grid, LampSetup, SpotName, TestId


class Message(Frozen):
    """What every record and live message begins with."""

    schema_: str = Field(alias="schema", description="name and version of the schema of this record")
    bench: BenchId
    time: UtcTime = Field(description="bench time, UTC")
    monotonic_s: float = Field(description="bench time that never steps, seconds since an arbitrary origin")
    clock_synchronised: bool = Field(description="whether the system clock behind `time` was synchronised")
    simulated: bool = Field(description="true when any part of what is told was simulated")


class Record(Message):
    """A durable message. ``seq`` is 0 only until the journal has taken it."""

    record_id: UUID
    seq: int = Field(default=0, ge=0, description="gapless per bench")
    test_id: TestId | None = None


class AirRecord(Record):
    """Air at one place."""

    schema_: Literal["lampwarden.air/1"] = Field(default="lampwarden.air/1", alias="schema")
    instrument: str
    place: Literal["inside", "outside"]
    temperature: Quantity
    humidity: Quantity
    pressure: Quantity


class Supply(Frozen):
    """Mains at the ballast's input over a span: means, or what the place says."""

    voltage: Quantity
    current: Quantity
    power: Quantity
    power_factor: Quantity
    frequency: Quantity


class SupplyRecord(Record):
    """Mains at the ballast's input."""

    schema_: Literal["lampwarden.supply/1"] = Field(default="lampwarden.supply/1", alias="schema")
    instrument: str
    supply: Supply = Field(description="means since the record before")
    lowest: Supply | None = Field(default=None, description="lowest single reading of each since the record before")
    highest: Supply | None = Field(default=None, description="highest single reading of each since the record before")


class LightRecord(Record):
    """One reading of a light instrument outside of a spot's window: warm-up at the reference point, ambient light."""

    schema_: Literal["lampwarden.light/1"] = Field(default="lampwarden.light/1", alias="schema")
    instrument: str
    purpose: Literal["ambient", "warm_up"]
    ppfd: Quantity


class PhotonFigures(Frozen):
    """What a spectrum amounts to in photons. Bands after ANSI/ASABE S640; a band not covered is null."""

    ppfd: Quantity = Field(description="400–700 nm")
    epar: Quantity = Field(description="400–750 nm")
    blue: Quantity = Field(description="400–500 nm")
    green: Quantity = Field(description="500–600 nm")
    red: Quantity = Field(description="600–700 nm")
    far_red: Quantity = Field(description="700–800 nm")
    red_to_far_red: Quantity = Field(description="photons, 655–665 nm over 725–735 nm (Smith 1982)")


class SpectrumRecord(Record):
    """One spectrum, raw and reduced. All arrays have one value a pixel."""

    schema_: Literal["lampwarden.spectrum/1"] = Field(default="lampwarden.spectrum/1", alias="schema")
    instrument: str
    spot: SpotName
    attempt: int = Field(ge=1)
    leg: Literal["opening", "spot", "closing"]
    integration_s: float = Field(gt=0)
    averages: int = Field(ge=1)
    full_scale_counts: float
    peak_fraction: float = Field(description="highest pixel over full scale, dark included")
    saturated: bool
    dark_source: Literal["shutter", "lamp_off", "none"]
    calibration: str = Field(description="certificate id or file hash of the irradiance calibration")
    wavelength_nm: list[float]
    counts: list[float]
    dark_counts: list[float]
    irradiance_w_m2_nm: list[float] | None
    u_own_w_m2_nm: list[float] | None
    figures: PhotonFigures


class GateName(StrEnum):
    """The conditions that must hold before a reading counts."""

    WARM_UP = "warm_up"
    SETTLE = "settle"
    SUPPLY = "supply"


class GateEvidence(Frozen):
    """Why a gate was open, or that it was not and the operator read anyway."""

    gate: GateName
    open: bool
    read_anyway: bool = False
    waited_s: float = Field(ge=0, description="from strike (warm-up) or press (settle); span watched (supply)")
    minimum_s: float = Field(ge=0)
    reason: str
    numbers: dict[str, float] = Field(default_factory=dict, description="what was compared; the unit is in each key")


class BudgetLine(Frozen):
    """One cause of uncertainty of a figure, as standard uncertainties in the figure's unit."""

    cause: str
    u_own: float = Field(ge=0, description="independent from spot to spot: averages down")
    u_common: float = Field(ge=0, description="shared by all spots: does not average down")
    degrees_of_freedom: float | None = Field(default=None, gt=0, description="null: known, not found from scatter")


class SpotAir(Frozen):
    """Air over a window; a place without a logger is null."""

    inside_temperature: Quantity
    inside_humidity: Quantity
    inside_pressure: Quantity
    outside_temperature: Quantity
    outside_humidity: Quantity
    outside_pressure: Quantity


class SpotRecord(Record):
    """One attempt at one spot: everything that was read over one common window, and why it was read then."""

    schema_: Literal["lampwarden.spot/1"] = Field(default="lampwarden.spot/1", alias="schema")
    spot: SpotName
    attempt: int = Field(ge=1, description="counts from 1 per spot and leg")
    leg: Literal["opening", "spot", "closing"]
    light: Quantity = Field(description="PPFD by the primary light instrument")
    light_instrument: str
    budget: list[BudgetLine] = Field(description="of `light`, by cause")
    ambient_taken_off: Quantity = Field(description="what the quantum sensor showed with the lamp off; taken off")
    quantum_ppfd: Quantity
    spectral_ppfd: Quantity
    samples: int = Field(ge=0, description="readings of the quantum sensor in the window")
    figures: PhotonFigures | None = Field(default=None, description="from the spectrum, where one was taken")
    spectrum_id: UUID | None = Field(default=None, description="record_id of the spectrum")
    supply: Supply
    air: SpotAir
    strike_monotonic_s: float | None
    pressed_monotonic_s: float | None = Field(description="null at the opening reading, which needs no press")
    window_opened_monotonic_s: float
    window_closed_monotonic_s: float
    gates: list[GateEvidence]
    undisturbed: bool = Field(description="false when something happened that spoils the attempt")
    doubts: list[str]
    flags: list[str]


class EventRecord(Record):
    """Something happened; ``text`` is what a technician would write in a notebook.

    ``burn_counted`` (the lamp burns on) and ``burn_ended`` (its arc went out, or is no longer believed to be the same)
    each hold a part of a burn for the register: in ``details`` the ``lamp``, what it burnt since the part that was
    counted last (``burnt_s``), and whether the ``start`` of the burn belongs to this part.
    """

    schema_: Literal["lampwarden.event/1"] = Field(default="lampwarden.event/1", alias="schema")
    event: str = Field(description="what happened, as a name: `test_begun`, `burn_counted`, …; new names may come")
    text: str
    spot: SpotName | None = None
    details: dict[str, JsonValue] = Field(
        default_factory=dict, description="names and numbers that belong to the event, the unit in each key"
    )


class HealthState(StrEnum):
    """How an instrument is."""

    CONNECTING = "connecting"
    OK = "ok"
    UNREACHABLE = "unreachable"
    FAULTY = "faulty"
    REFUSED = "refused"
    STOPPED = "stopped"


class CalibrationNote(Frozen):
    """Where an instrument's trust comes from."""

    certificate: str
    factor: float
    expanded_uncertainty_percent: float = Field(ge=0, description="k = 2")
    calibrated_on: str | None
    due_on: str | None
    overdue: bool


class InstrumentRecord(Record):
    """Health of one instrument; published retained, so that a late reader knows."""

    schema_: Literal["lampwarden.instrument/1"] = Field(default="lampwarden.instrument/1", alias="schema")
    instrument: str
    role: str
    state: HealthState
    text: str
    port: str
    identity: str | None
    calibration: CalibrationNote | None


class CountedSpot(Frozen):
    """Which attempt counts for a spot."""

    spot: SpotName
    attempt: int
    record_id: UUID
    ppfd: Quantity
    confirmed: bool = Field(description="was doubtful, was repeated, repeated within its uncertainty")
    chosen_by_operator: bool = False
    doubts: list[str]


class IntegrationNote(Frozen):
    """How the spectrometer's integration time was found."""

    outcome: Literal["tuned", "too_weak", "too_strong", "not_available"]
    integration_s: float | None
    whole_ripple_periods: int | None
    fraction_of_full_scale: float | None
    residual_ripple_percent: float | None = Field(description="largest ripple that may remain in a single exposure")
    exposures: int
    text: str


class SummaryRecord(Record):
    """What a test came to."""

    schema_: Literal["lampwarden.summary/1"] = Field(default="lampwarden.summary/1", alias="schema")
    setup: LampSetup
    grid: Grid
    primary_instrument: str
    started: UtcTime
    struck: UtcTime | None
    finished: UtcTime
    canopy_average: Quantity
    area_weighted_average: Quantity = Field(
        description="spots taken as the nodes of a mesh: those at an edge stand for half, at a corner for a quarter"
    )
    uniformity_ratio: Quantity = Field(description="highest over lowest spot")
    minimum_to_average: Quantity
    coefficient_of_variation: Quantity
    coverage_factor: float | None
    expanded_uncertainty: Quantity = Field(description="of the canopy average, 95 %")
    effective_degrees_of_freedom: float | None
    budget: list[BudgetLine]
    drift: Quantity = Field(description="closing minus opening reading at the reference point, % of opening")
    drift_treatment: Literal["corrected", "carried_as_uncertainty"]
    opening: Quantity
    closing: Quantity
    spots: list[CountedSpot]
    missing_spots: list[SpotName]
    figures: PhotonFigures | None = Field(description="mean of the counted spots' photon figures")
    integration: IntegrationNote
    supply: Supply
    supply_voltage_span: Quantity = Field(description="highest minus lowest mean of a window")
    air: SpotAir
    inside_temperature_span: Quantity = Field(description="highest minus lowest of the counted windows")
    photons_per_joule: Quantity = Field(description="canopy average × grid area / power: at the canopy plane")
    readings_taken: int
    flags: list[str]


class PromptAction(StrEnum):
    """What the operator is asked to do now."""

    LAMP_OFF = "lamp_off"
    PLACE_REFERENCE = "place_reference"
    STRIKE = "strike"
    PLACE_AND_PRESS = "place_and_press"
    WAIT = "wait"
    READ_ANYWAY = "read_anyway"
    BEGIN = "begin"
    FINISHED = "finished"


class Prompt(Frozen):
    """One line for the operator; ``text`` needs no context."""

    number: int = Field(default=0, ge=0, description="rises with every new prompt, also when the words are the same")
    action: PromptAction
    text: str
    spot: SpotName | None = None
    attempt: int | None = None


class GateWait(Frozen):
    """A gate that is being waited for."""

    gate: GateName
    earliest_in_s: float = Field(ge=0, description="until its minimum time is over")
    held: bool = Field(description="the minimum is over and something still holds it")
    reason: str
    overrule_in_s: float | None = Field(
        default=None, ge=0, description="until the operator may read anyway, if it still holds then"
    )


class StatusMessage(Message):
    """The bench now; retained, and the daemon's last will says ``online: false``."""

    schema_: Literal["lampwarden.status/1"] = Field(default="lampwarden.status/1", alias="schema")
    online: bool
    version: str
    test_id: TestId | None = None
    state: str = "idle"
    lamp: str = "unknown"
    prompt: Prompt | None = None
    waits: list[GateWait] = Field(default_factory=list)
    window_left_s: float | None = Field(default=None, ge=0, description="of the window that is being read")
    spots_done: int = 0
    spots_total: int = 0
    last_seq: int = Field(default=0, ge=0, description="highest sequence number in the journal")


class LiveMessage(Message):
    """Latest readings, for centring the lamp and for trends; not durable."""

    schema_: Literal["lampwarden.live/1"] = Field(default="lampwarden.live/1", alias="schema")
    ppfd: Quantity
    voltage: Quantity
    power: Quantity
    frequency: Quantity
    inside_temperature: Quantity
    inside_humidity: Quantity
    outside_temperature: Quantity


class StubRecord(Record):
    """Stands in the place of a record's ``seq``: the broker would not take the record, or the journal has lost it.

    ``record_id`` is the stub's own, always the same for the same record and reason; a record with this ``seq`` that
    comes later takes the stub's place.
    """

    schema_: Literal["lampwarden.stub/1"] = Field(default="lampwarden.stub/1", alias="schema")
    of_schema: str | None = Field(description="of the record; null when nothing is left of it")
    of_record_id: UUID | None = Field(description="of the record; null when nothing is left of it")
    size_bytes: int | None = Field(ge=0, description="of the record's JSON; null when nothing is left of it")
    reason: str = Field(description="why the record itself is not here, and where it can be had")


class Catalogue:
    """Every schema by its name."""

    DURABLE: ClassVar[tuple[type[Record], ...]] = (
        AirRecord,
        SupplyRecord,
        LightRecord,
        SpectrumRecord,
        SpotRecord,
        EventRecord,
        InstrumentRecord,
        SummaryRecord,
        StubRecord,
    )
    LIVE: ClassVar[tuple[type[Message], ...]] = (StatusMessage, LiveMessage)


def schema_name(model: type[Message]) -> str:
    """The ``schema`` value of a model, such as ``lampwarden.spot/1``."""
    default = model.model_fields["schema_"].default
    assert isinstance(default, str)  # noqa: S101 - each concrete model declares it as a Literal with a default
    return default
