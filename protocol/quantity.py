"""What a figure looks like in a record: value, unit and two uncertainties, or null with a reason."""

import math
from datetime import UTC, datetime
from typing import Annotated, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, PlainSerializer, WithJsonSchema, model_validator


class Frozen(BaseModel):
    """Base of all models of the protocol: immutable, no unknown keys, no NaN and no infinity.

    All keys are always written, so the schema of what is sent promises each of them.
    """

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        allow_inf_nan=False,
        populate_by_name=True,
        json_schema_serialization_defaults_required=True,
    )


class Deferred(Frozen):
    """The same, made ready by its first use and not when it is imported: where of many models few are used."""

    model_config = ConfigDict(defer_build=True)


def _to_utc(moment: datetime) -> datetime:
    if moment.tzinfo is None:
        raise ValueError("a time needs an offset, as in 2001-02-03T04:05:06Z")
    return moment.astimezone(UTC)


def format_utc(moment: datetime) -> str:
    """RFC 3339 section 5.6, in UTC, with milliseconds: ``2001-02-03T04:05:06.789Z``."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").removesuffix("+00:00") + "Z"


UtcTime = Annotated[
    datetime,
    AfterValidator(_to_utc),
    PlainSerializer(format_utc, return_type=str, when_used="json"),
    WithJsonSchema({"type": "string", "format": "date-time"}),
]
"""A moment in UTC; in JSON an RFC 3339 string that ends in ``Z``."""


class Quantity(Frozen):
    """A measured or computed figure.

    ``u_own`` is the standard uncertainty (GUM, JCGM 100:2008, 2.3.1) that is independent of the figure's fellows: it
    averages down over many spots. ``u_common`` is shared with them (calibration, height): it does not.
    """

    value: float | None = Field(description="null when it could not be measured; then `reason` says why")
    unit: str = Field(min_length=1, description="UCUM, case sensitive")
    u_own: float | None = Field(default=None, ge=0, description="standard uncertainty, independent, same unit")
    u_common: float | None = Field(default=None, ge=0, description="standard uncertainty, shared, same unit")
    reason: str | None = Field(default=None, description="why the value is null")

    @model_validator(mode="after")
    def _null_needs_a_reason(self) -> Self:
        if (self.value is None) != (self.reason is not None):
            raise ValueError("a null value needs a reason, and only a null value has one")
        return self

    @classmethod
    def missing(cls, unit: str, reason: str) -> Self:
        """A figure that could not be had."""
        return cls(value=None, unit=unit, reason=reason)

    @property
    def u(self) -> float | None:
        """Combined standard uncertainty, or None where neither part is known."""
        if self.u_own is None and self.u_common is None:
            return None
        return math.hypot(self.u_own or 0.0, self.u_common or 0.0)
