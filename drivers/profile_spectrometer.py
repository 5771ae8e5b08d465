"""``[spectrometer]`` of a profile: the commands of a spectrometer, and how it is waited for.

``profile.py`` has the profile around it, and the tables of all other wires.
"""

import re
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, field_validator, model_validator

from ..protocol.quantity import Deferred
from .codecs.scpi import RealFormat, encode_message
from .readiness import Handshake, Ready
from .spectrometer import MAX_PIXELS


def _scpi(text: str) -> str:
    encode_message(text)
    return text


ScpiText = Annotated[str, Field(min_length=1, max_length=200), AfterValidator(_scpi)]


class LimitsTable(Deferred):
    """``[spectrometer.limits]``: numbers, or the queries that ask for them."""

    pixel_count: int | ScpiText
    full_scale_counts: float | ScpiText
    min_integration: float | ScpiText = Field(description="in the device's unit of time")
    max_integration: float | ScpiText = Field(description="in the device's unit of time")

    @field_validator("pixel_count")
    @classmethod
    def _is_a_count(cls, given: int | str) -> int | str:
        if isinstance(given, int) and not 1 <= given <= MAX_PIXELS:
            raise ValueError(f"1 to {MAX_PIXELS}, or a query, is expected")
        return given

    @field_validator("full_scale_counts", "min_integration", "max_integration")
    @classmethod
    def _is_positive(cls, given: float | str) -> float | str:
        if isinstance(given, float) and given <= 0:
            raise ValueError("a number above 0, or a query, is expected")
        return given

    @model_validator(mode="after")
    def _ascend(self) -> Self:
        least, most = self.min_integration, self.max_integration
        if isinstance(least, float) and isinstance(most, float) and least > most:
            raise ValueError("max_integration is expected to be at least min_integration")
        return self


class WavelengthTable(Deferred):
    """``[spectrometer.wavelength]``: exactly one of the three ways to know the pixels' wavelengths."""

    polynomial: tuple[float, ...] | None = Field(default=None, min_length=2, description="nm, ascending powers")
    polynomial_query: ScpiText | None = None
    list_query: ScpiText | None = None
    first_pixel: Literal[0, 1] = Field(default=0, description="number of the first pixel in the polynomial")

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if sum(way is not None for way in (self.polynomial, self.polynomial_query, self.list_query)) != 1:
            raise ValueError("one of polynomial, polynomial_query and list_query is expected")
        return self


class HandshakeTable(Deferred):
    """``[spectrometer.handshake]``: for a device that must not be asked for counts before it has them."""

    clear: ScpiText | None = Field(default=None, description="sent before each start, to take back what was ready")
    start: ScpiText = Field(description="begins a capture")
    ready: Literal["status-byte", "service-request", "condition", "operation-complete"] = Field(
        description="how its end is known: a bit of the status byte, polled (USB488, or `*STB?` on a serial line); the "
        "same with a service request where the wire has one; bits that `query` gives; or the answer to `*OPC?`"
    )
    query: ScpiText | None = Field(default=None, description="for condition; for operation-complete if not `*OPC?`")
    mask: int | None = Field(default=None, ge=1, le=0xFFFF, description="bits that tell, any of them")
    ready_when: Literal["set", "clear"] = "set"
    poll_s: float = Field(default=0.02, ge=0.001, le=10, description="between two looks, after the exposure's own time")
    fetch: ScpiText = Field(description="query for the counts")

    @model_validator(mode="after")
    def _is_whole(self) -> Self:
        if self.ready == "operation-complete":
            if self.mask is not None or self.ready_when != "set":
                raise ValueError("mask and ready_when are not expected with operation-complete")
        elif self.mask is None:
            raise ValueError(f"mask is expected with {self.ready}")
        elif self.ready != "condition" and self.mask > 0xFF:
            raise ValueError("mask is expected to be within the eight bits of the status byte")
        if (self.ready == "condition") > (self.query is not None):
            raise ValueError("query is expected with condition")
        if self.ready in {"status-byte", "service-request"} and self.query is not None:
            raise ValueError(f"query is not expected with {self.ready}")
        return self

    def handshake(self) -> Handshake:
        """As the driver takes it."""
        return Handshake(
            clear=self.clear,
            start=self.start,
            ready=Ready(self.ready),
            query=self.query or "*OPC?",
            mask=self.mask or 0,
            is_set=self.ready_when == "set",
            poll_s=self.poll_s,
            fetch=self.fetch,
        )


class SpectrometerTable(Deferred):
    """``[spectrometer]``: the commands; ``{integration}`` and ``{averages}`` are filled in."""

    setup: tuple[ScpiText, ...] = Field(default=(), description="commands sent once after opening")
    set_integration: ScpiText = Field(description="with `{integration}`, in the device's unit of time")
    query_integration: ScpiText | None = Field(default=None, description="to see that the device took it")
    per_second: float = Field(default=1.0, gt=0, description="the device's units of time in a second: 1000 for ms")
    resolution_s: float = Field(default=1e-6, ge=0, description="step in which the device sets integration times")
    set_averages: ScpiText | None = Field(default=None, description="with `{averages}`; left out: the driver averages")
    max_averages: int = Field(default=10_000, ge=1)
    capture: ScpiText | None = Field(default=None, description="query that exposes, and answers when it is done")
    handshake: HandshakeTable | None = Field(default=None, description="instead of `capture`")
    format: Literal["real32", "real64", "uint16", "uint32", "ascii"] = "real32"
    byte_order: Literal["swapped", "normal"] = Field(default="swapped", description="swapped is little endian")
    overhead_s: float = Field(default=0.01, ge=0, le=10, description="time an exposure takes beyond the integration")
    open_shutter: ScpiText | None = None
    close_shutter: ScpiText | None = None
    limits: LimitsTable
    wavelength: WavelengthTable

    @field_validator("set_integration")
    @classmethod
    def _has_integration(cls, given: str) -> str:
        if given.count("{integration}") != 1 or re.search(r"[{}]", given.replace("{integration}", "")):
            raise ValueError("a command with {integration} in it is expected")
        return given

    @field_validator("set_averages")
    @classmethod
    def _has_averages(cls, given: str | None) -> str | None:
        if given is not None and (
            given.count("{averages}") != 1 or re.search(r"[{}]", given.replace("{averages}", ""))
        ):
            raise ValueError("a command with {averages} in it is expected")
        return given

    @model_validator(mode="after")
    def _shutter_is_whole(self) -> Self:
        if (self.open_shutter is None) != (self.close_shutter is None):
            raise ValueError("open_shutter and close_shutter: both are expected, or neither")
        return self

    @model_validator(mode="after")
    def _one_capture(self) -> Self:
        if (self.capture is None) == (self.handshake is None):
            raise ValueError("one of capture and handshake is expected")
        return self

    @property
    def way(self) -> str | Handshake:
        """How a capture is made, as the driver takes it."""
        return self.capture or (self.handshake.handshake() if self.handshake is not None else "")

    @property
    def form(self) -> RealFormat | None:
        """Of the block's numbers; None is text."""
        if self.format == "ascii":
            return None
        return RealFormat[f"{self.format.upper()}_{self.byte_order.upper()}"]
