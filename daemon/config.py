"""``bench.toml``: what a bench is made of. Validation errors name the key and what was expected.

Paths in the file are relative to the file. Nothing here opens a port or a file other than ``bench.toml`` itself.
"""

import difflib
import tomllib
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from pathlib import Path
from types import UnionType
from typing import Annotated, Final, Literal, Self, Union, get_args, get_origin

from pydantic import AfterValidator, BaseModel, Field, JsonValue, ValidationError, model_validator

from ..protocol.errors import ConfigurationError, reason_of
from ..protocol.quantity import Frozen
from ..protocol.setup import BenchId, Grid, Label

InstrumentName = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_-]{0,31}$")]
Role = Literal["quantum_sensor", "spectrometer", "power_meter", "air_inside", "air_outside", "foot_switch"]


LOOPBACK: Final = ("127.0.0.1", "::1", "localhost")
"""Addresses that only this machine itself can reach."""


def _aware(moment: datetime) -> datetime:
    if moment.tzinfo is None:
        raise ValueError("a time with an offset is expected, as 2001-02-03T04:05:06Z")
    return moment


class BenchTable(Frozen):
    """``[bench]``: who this bench is."""

    id: BenchId = Field(description="part of every topic and record; lower case letters, digits, - and _")
    title: Label = "lamp bench"
    simulated: bool = Field(default=False, description="true only where every instrument is simulated")


class ClockTable(Frozen):
    """``[clock]``: only for a simulated bench; a real bench has no such table."""

    speed: float = Field(gt=0, le=1000, description="bench seconds in a real second")
    origin_monotonic_s: float = Field(description="CLOCK_BOOTTIME of this machine at bench time 0")
    origin_utc: Annotated[datetime, AfterValidator(_aware)] = Field(description="UTC at bench time 0")


class JournalTable(Frozen):
    """``[journal]``: where records are kept."""

    path: Path = Field(default=Path("journal.sqlite"), description="relative to bench.toml")
    keep_days: float = Field(
        default=730.0, gt=0, description="older records leave the journal once sent and, of a test, archived"
    )
    largest_mb: float = Field(
        default=4000.0, ge=1, description="above this the oldest leave earlier, under the same conditions"
    )


class BrokerTlsTable(Frozen):
    """``[broker.tls]``: an encrypted way to the broker; its certificate and its name are always checked."""

    ca_file: Path | None = Field(
        default=None, description="who vouches for the broker; left out: whom the system trusts"
    )
    certificate_file: Path | None = Field(default=None, description="of this bench, where the broker asks for one")
    key_file: Path | None = Field(default=None, description="of the certificate; readable by its owner alone")

    @model_validator(mode="after")
    def _key_and_certificate_go_together(self) -> Self:
        if (self.certificate_file is None) != (self.key_file is None):
            raise ValueError("certificate_file and key_file are needed together")
        return self


class BrokerTable(Frozen):
    """``[broker]``: an MQTT broker; without this table the daemon starts one of its own on loopback."""

    host: str = Field(min_length=1)
    port: int = Field(default=1883, ge=1, le=65535)
    protocol: Literal["auto", "5", "3.1.1"] = Field(default="auto", description="auto: 5, then 3.1.1")
    username: str | None = None
    password_file: Path | None = Field(
        default=None, description="a file that holds the password and nothing else, readable by its owner alone"
    )
    timeout_s: float = Field(default=10.0, gt=0, le=120, description="of connecting and of each acknowledgement")
    longest_wait_s: float = Field(
        default=30.0, ge=1, le=3600, description="between two tries to connect, once several have failed"
    )
    tls: BrokerTlsTable | None = None


class EmbeddedBrokerTable(Frozen):
    """``[embedded_broker]``: the daemon's own broker, MQTT 3.1.1, which keeps nothing for absent readers."""

    host: str = Field(
        default="127.0.0.1",
        min_length=1,
        description="address to listen on; any other than this machine's own loopback needs password_file",
    )
    port: int = Field(default=18830, ge=1, le=65535)
    username: str = Field(default="bench", min_length=1)
    password_file: Path | None = Field(default=None, description="as in [broker]")

    @model_validator(mode="after")
    def _beyond_loopback_needs_a_password(self) -> Self:
        if self.password_file is None and self.host not in LOOPBACK:
            raise ValueError(f"password_file is needed, as host {self.host} can be reached from other machines")
        return self


class PanelTable(Frozen):
    """``[panel]``: the page for the people at the bench, served by the daemon."""

    enabled: bool = True
    host: str = Field(
        default="127.0.0.1",
        min_length=1,
        description="address to listen on; any other than this machine's own loopback needs password_file",
    )
    port: int = Field(default=18080, ge=1, le=65535)
    password_file: Path | None = Field(default=None, description="made by: lampwarden password FILE")
    names: list[str] = Field(
        default_factory=list, description="further names by which browsers reach this machine, as bench.example.org"
    )

    @model_validator(mode="after")
    def _beyond_loopback_needs_a_password(self) -> Self:
        if self.enabled and self.password_file is None and self.host not in LOOPBACK:
            raise ValueError(
                f"password_file is needed, as host {self.host} can be reached from other machines "
                "(make one with: lampwarden password FILE)"
            )
        return self


class MetricsTable(Frozen):
    """``[metrics]``: figures for monitoring, at ``http://HOST:PORT/metrics``; left out: none."""

    host: Literal["127.0.0.1", "::1", "localhost"] = Field(
        default="127.0.0.1", description="there is no password, so it is for this machine alone"
    )
    port: int = Field(default=18081, ge=0, le=65535)


class ProcedureTable(Frozen):
    """``[procedure]``: the gates and the windows."""

    primary: Literal["quantum_sensor", "spectrometer"] = Field(
        default="quantum_sensor", description="the light instrument whose PPFD makes the average"
    )
    window_s: float = Field(default=10.0, gt=0, le=600, description="all instruments are read over one common window")
    poll_s: float = Field(default=1.0, ge=0.1, le=60, description="how often instruments are read; air each 5 s")
    conditions_every_s: float = Field(default=10.0, ge=1, le=3600, description="interval of air and supply records")

    warm_up_minimum_s: float = Field(default=900.0, ge=0, description="since the strike")
    warm_up_span_s: float = Field(default=300.0, ge=10, description="over which light and power must be steady")
    warm_up_tolerance_percent: float = Field(default=1.0, gt=0, le=20, description="of the mean, over the span")
    warm_up_criterion: Literal["steady", "strict"] = Field(
        default="steady", description="strict: 0.5 % over three readings 15 min apart (LM-79 family, from memory)"
    )
    warm_up_longest_s: float = Field(default=3600.0, gt=0, description="then the operator may read anyway")

    settle_minimum_s: float = Field(default=30.0, ge=0, description="since the press; longer for a slow sensor")
    settle_tolerance_percent: float = Field(default=0.5, gt=0, le=20, description="drift of the signal over a window")
    settle_longest_s: float = Field(default=180.0, gt=0, description="then the operator may read anyway")

    tuning_longest_s: float = Field(
        default=300.0,
        ge=0,
        description="how long the search for the integration time waits for a spectrometer that fails",
    )

    nominal_voltage_v: float = Field(default=230.0, gt=0)
    voltage_tolerance_percent: float = Field(default=3.0, gt=0, le=20)
    nominal_frequency_hz: float = Field(default=50.0, gt=0)
    frequency_tolerance_percent: float = Field(default=1.0, gt=0, le=20)
    power_tolerance_percent: float = Field(
        default=5.0, gt=0, le=50, description="of the lamp, against what it drew when the warm-up was over"
    )
    supply_longest_s: float = Field(default=180.0, gt=0, description="then the operator may read anyway")

    temperature_span_k: float = Field(
        default=5.0,
        gt=0,
        description="change of the air inside over a test that is flagged (common practice, no source)",
    )
    lit_power_fraction: float = Field(
        default=0.15, gt=0, lt=1, description="of rated power; above it the arc burns (common practice, no source)"
    )
    cool_down_s: float | None = Field(default=None, gt=0, description="left out: by lamp type")
    ripple_frequency_hz: float | None = Field(
        default=None, gt=0, description="of the light; left out: twice the nominal frequency (magnetic ballast)"
    )
    attempts_before_moving_on: int = Field(default=3, ge=1, le=20, description="for a spot that stays doubtful")
    drift: Literal["carry", "correct"] = Field(default="carry", description="as uncertainty, or corrected; never both")

    @model_validator(mode="after")
    def _waits_are_longer_than_minima(self) -> Self:
        for gate in ("warm_up", "settle"):
            if getattr(self, f"{gate}_longest_s") < getattr(self, f"{gate}_minimum_s"):
                raise ValueError(f"{gate}_longest_s must not be shorter than {gate}_minimum_s")
        return self


class UncertaintyTable(Frozen):
    """``[uncertainty]``: what no instrument knows about itself; all standard uncertainties (k = 1)."""

    height_mm: float = Field(default=3.0, ge=0, description="lamp centre above the sensor plane; shared by all spots")
    placement_mm: float = Field(default=3.0, ge=0, description="sensor against the mark; each spot by itself")
    tilt_deg: float = Field(default=0.3, ge=0, lt=45, description="of the sensor, against level; each spot by itself")
    height_exponent: float = Field(
        default=2.0, ge=0, le=4, description="how light falls with distance; 2: small source"
    )
    cosine_percent: float = Field(
        default=1.0, ge=0, description="directional response at 60°; grows with the square of the angle"
    )
    mismatch_percent: float = Field(default=1.0, ge=0, description="spectral response; shared")


class CalibrationTable(Frozen):
    """``[instruments.NAME.calibration]``: from the certificate."""

    certificate: Label
    factor: float = Field(default=1.0, gt=0.1, lt=10, description="multiplies the reading")
    expanded_uncertainty_percent: float = Field(ge=0, le=50, description="k = 2")
    resolution: float = Field(default=0.0, ge=0, description="smallest step of the reading, in its unit")
    calibrated_on: date | None = None
    due_on: date | None = None
    file: Path | None = Field(default=None, description="irradiance factors of a spectrometer, relative to bench.toml")


class InstrumentTable(Frozen):
    """``[instruments.NAME]``: one instrument, under a name of your choice."""

    role: Role
    profile: str = Field(min_length=1, description="kind of device: see lampwarden profiles")
    port: str = Field(
        min_length=1,
        description="/dev/…, usb:VID:PID[:SERIAL], usb-serial:VID:PID[:SERIAL], socket://…, rfc2217://…, usbip://…",
    )
    identity: str | None = Field(
        default=None,
        min_length=1,
        description="serial number, or other whole words of what the device says of itself; another one is refused",
    )
    poll_s: float | None = Field(default=None, ge=0.05, le=3600, description="left out: as in [procedure]")
    options: dict[str, JsonValue] = Field(default_factory=dict, description="what the profile asks for")
    calibration: CalibrationTable | None = None


class BenchConfig(Frozen):
    """The whole of ``bench.toml``."""

    bench: BenchTable
    clock: ClockTable | None = None
    journal: JournalTable = JournalTable()
    broker: BrokerTable | None = None
    embedded_broker: EmbeddedBrokerTable = EmbeddedBrokerTable()
    panel: PanelTable = PanelTable()
    metrics: MetricsTable | None = None
    grid: Grid
    procedure: ProcedureTable = ProcedureTable()
    uncertainty: UncertaintyTable = UncertaintyTable()
    instruments: dict[InstrumentName, InstrumentTable]

    @model_validator(mode="after")
    def _makes_sense(self) -> Self:
        roles = [instrument.role for instrument in self.instruments.values()]
        for role in set(roles):
            if roles.count(role) > 1:
                raise ValueError(f"instruments: the role {role} is given {roles.count(role)} times, once is expected")
        if not {"quantum_sensor", "spectrometer"} & set(roles):
            raise ValueError("instruments: one with role quantum_sensor or spectrometer is expected")
        if self.procedure.primary not in roles:
            raise ValueError(f"procedure.primary: no instrument has the role {self.procedure.primary}")
        if self.clock is not None and not self.bench.simulated:
            raise ValueError("clock: only a simulated bench (bench.simulated = true) may have a clock of its own")
        if self.grid.reference not in self.grid.spots():
            raise ValueError(f"grid.reference: {self.grid.reference} is not a spot of this grid")
        return self

    def with_role(self, role: Role) -> tuple[str, InstrumentTable] | None:
        """Name and table of the instrument that has this role, or None."""
        return next(((n, i) for n, i in self.instruments.items() if i.role == role), None)


def parse_config(text: str, *, where: str) -> BenchConfig:
    """Read the text of a ``bench.toml``.

    Raises:
        ConfigurationError: Not TOML, or a key is missing, unknown or wrong; names the key and what was expected.
    """
    try:
        table: Mapping[str, object] = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigurationError(f"not valid TOML: {error}", where=where) from None
    try:
        return BenchConfig.model_validate(table)
    except ValidationError as error:
        faults = _faults(error)
        raise ConfigurationError(
            "; ".join(faults), where=where, mend="every key: lampwarden init --reference", faults=faults
        ) from None


def load_config(path: Path) -> BenchConfig:
    """Read a ``bench.toml``; paths in it become absolute.

    Raises:
        ConfigurationError: The file cannot be read, or see :func:`parse_config`.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise ConfigurationError(
            "there is no such file",
            where=str(path),
            mend="name one with --config, or make one: lampwarden init, or lampwarden simulate",
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigurationError(f"cannot be read: {reason_of(error)}", where=str(path)) from None
    return _absolute(parse_config(text, where=str(path)), path.resolve().parent)


def _absolute(config: BenchConfig, folder: Path) -> BenchConfig:
    journal = config.journal.model_copy(update={"path": folder / config.journal.path})
    broker = config.broker
    if broker is not None:
        tls = broker.tls
        if tls is not None:
            files = {name: getattr(tls, name) for name in ("ca_file", "certificate_file", "key_file")}
            tls = tls.model_copy(update={name: folder / file for name, file in files.items() if file is not None})
        password_file = None if broker.password_file is None else folder / broker.password_file
        broker = broker.model_copy(update={"password_file": password_file, "tls": tls})
    embedded = config.embedded_broker
    if embedded.password_file is not None:
        embedded = embedded.model_copy(update={"password_file": folder / embedded.password_file})
    panel = config.panel
    if panel.password_file is not None:
        panel = panel.model_copy(update={"password_file": folder / panel.password_file})
    instruments: dict[str, InstrumentTable] = {}
    for name, instrument in config.instruments.items():
        calibration = instrument.calibration
        if calibration is not None and calibration.file is not None:
            calibration = calibration.model_copy(update={"file": folder / calibration.file})
        instruments[name] = instrument.model_copy(update={"calibration": calibration})
    changed = {
        "journal": journal,
        "broker": broker,
        "embedded_broker": embedded,
        "panel": panel,
        "instruments": instruments,
    }
    return config.model_copy(update=changed)


def _faults(error: ValidationError) -> tuple[str, ...]:
    """All that is wrong, a line each, with its key."""
    faults = []
    for one in error.errors(include_url=False):
        key = ".".join(str(part) for part in one["loc"])
        message = one["msg"].removeprefix("Value error, ")
        got = one.get("input")
        if one["type"] == "extra_forbidden":
            message = f"no such key; {_other_key(one['loc'])}"
        elif one["type"] == "missing":
            message = "is missing"
        elif isinstance(got, str | int | float | bool):
            message += f", got {got!r}"
        faults.append(f"{key}: {message}" if key else message)
    return tuple(faults)


def _other_key(where: Sequence[int | str]) -> str:
    """The key that may have been meant, or those that there are in this table."""
    *folders, wrong = where
    model: object = BenchConfig
    for folder in folders:
        model = _below(model, str(folder))
    keys = list(model.model_fields) if isinstance(model, type) and issubclass(model, BaseModel) else []
    near = difflib.get_close_matches(str(wrong).lower(), keys, n=1)
    return f"did you mean {near[0]}?" if near else f"the keys here: {', '.join(keys)}"


def _below(model: object, key: str) -> object:
    """The model of the table under a key; what is there in any number, as instruments, has the model of each."""
    if not (isinstance(model, type) and issubclass(model, BaseModel)):
        return get_args(model)[1] if get_origin(model) is dict else None
    field = model.model_fields.get(key)
    if field is None:
        return None
    offered = get_args(field.annotation) if get_origin(field.annotation) in (Union, UnionType) else (field.annotation,)
    return next((one for one in offered if one is not type(None)), None)
