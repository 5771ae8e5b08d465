"""What a page of the panel is sent, as models: they become JSON and nothing else."""

from ...protocol.quantity import Frozen, UtcTime
from ...protocol.records import (
    CalibrationNote,
    HealthState,
    LiveMessage,
    PhotonFigures,
    StatusMessage,
    SummaryRecord,
)
from ...protocol.setup import LampSetup
from ..procedure.events import Tone
from ..view import GridView


class LampView(Frozen):
    """The lamp: condition, since when it burns, until when it cools; bench seconds."""

    state: str
    struck_s: float | None
    cool_until_s: float | None
    power_w: float | None


class NowView(Frozen):
    """What changes from moment to moment."""

    status: StatusMessage
    lamp: LampView


class HealthView(Frozen):
    """One instrument."""

    instrument: str
    role: str
    state: HealthState
    text: str
    port: str
    identity: str | None
    calibration: CalibrationNote | None


class EventView(Frozen):
    """One line of the log."""

    seq: int
    time: UtcTime
    event: str
    text: str
    spot: str | None


class ToneView(Frozen):
    """A short signal with its words."""

    tone: Tone
    text: str


class SpectrumView(Frozen):
    """The last spectrum, thinned out for the screen; ``fraction`` is of full scale, dark included."""

    spot: str
    attempt: int
    leg: str
    time: UtcTime
    integration_s: float
    averages: int
    peak_fraction: float
    saturated: bool
    wavelength_nm: list[float]
    fraction: list[float]
    figures: PhotonFigures


class Trend(Frozen):
    """A series for the eye: bench seconds and values."""

    time_s: list[float]
    value: list[float]


class Colour(Frozen):
    """One step of the ramp and the ink that can be read on it."""

    fill: str
    ink: str


class Rules(Frozen):
    """What the page tells of the configuration."""

    warm_up_minimum_s: float
    settle_minimum_s: float
    window_s: float
    nominal_voltage_v: float
    voltage_tolerance_percent: float
    nominal_frequency_hz: float
    primary: str
    roles: list[str]


class Present(Frozen):
    """Everything, for a page that has just been opened."""

    bench: str
    title: str
    simulated: bool
    version: str
    speed: float
    colours: list[Colour]
    first_caution: str
    cautions: list[str]
    rules: Rules
    now: NowView
    live: LiveMessage
    test: GridView | None
    instruments: list[HealthView]
    events: list[EventView]
    spectrum: SpectrumView | None
    summary: SummaryRecord | None
    trends: dict[str, Trend]
    last_setup: LampSetup | None
