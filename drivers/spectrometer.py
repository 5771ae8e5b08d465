"""Array spectrometers that speak SCPI, as their profile describes their commands.

Owns settings (what was set and whether it still holds), captures and their time-outs, limits and wavelengths. The wire
is a :class:`~.message_link.MessageLink`: USBTMC or serial.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ..protocol.errors import DeviceError, WireError
from .codecs.scpi import RealFormat, decode_array, decode_block, decode_number, decode_numbers, format_number
from .message_link import QUERY_S
from .readiness import Capturing, Handshake
from .roles import Identity, SpectrometerLimits
from .scpi_device import MAX_QUEUED_ERRORS, ScpiDevice

# ruff: noqa: D102  roles.py documents the methods

# On top of the exposures: the device's turnaround and the block on the wire, 8 KiB at 115200 Bd being 0.8 s.
CAPTURE_GRACE_S: Final = 3.0
# More pixels than any line of an array spectrometer has: a figure beyond is something else, and must not become memory.
MAX_PIXELS: Final = 65_536
# What an optical wavelength in nm can be at all; beyond, a polynomial is in other units or its order reversed.
_WAVELENGTHS_NM: Final = (100.0, 5000.0)
# How far a device's own figure for the integration time may lie from what was asked, apart from its resolution.
_INTEGRATION_REL: Final = 1e-6


@dataclass(frozen=True, slots=True)
class SpectrometerCommands:
    """How one kind of spectrometer is spoken to.

    In commands ``{integration}`` is replaced by the integration time in the device's unit (``per_second`` of which make
    a second) and ``{averages}`` by the number of exposures. A limit is a number, or the query that asks for it.
    """

    setup: tuple[str, ...]
    set_integration: str
    query_integration: str | None
    per_second: float
    resolution_s: float
    set_averages: str | None
    max_averages: int
    capture: str | Handshake
    """The query that exposes and answers when it is done, or the hand-shake of a device that must be waited for."""
    form: RealFormat | None
    """Of the block's numbers; None: numbers as text, separated by commas."""
    overhead_s: float
    open_shutter: str | None
    close_shutter: str | None
    pixel_count: str | float
    full_scale_counts: str | float
    min_integration: str | float
    max_integration: str | float
    wavelength: str | tuple[float, ...]
    """Coefficients of the polynomial in the pixel's number, or the query for them or for all wavelengths."""
    wavelength_is_list: bool
    first_pixel: int


class ScpiSpectrometer:
    """A :class:`~.roles.Spectrometer`."""

    def __init__(self, device: ScpiDevice, commands: SpectrometerCommands) -> None:
        self._device = device
        self._commands = commands
        self._generation = 0
        self._limits: SpectrometerLimits | None = None
        self._settings: tuple[float, int] | None = None

    @property
    def bound_s(self) -> float:
        # Setup, four limits, a queue of errors, the confirmation, and USBTMC's own clearing and aborts.
        return (len(self._commands.setup) + 8 + MAX_QUEUED_ERRORS / 8) * QUERY_S

    def identify(self) -> Identity:
        return self._device.identify()

    def read_limits(self) -> SpectrometerLimits:
        self._set_up()
        if self._limits is None:
            self._limits = self._ask_limits()
        return self._limits

    def _ask_limits(self) -> SpectrometerLimits:
        """Ask for the limits; what cannot be one (SCPI's stand-ins for infinity and NaN as well) is refused."""
        commands = self._commands
        pixels = self._figure(commands.pixel_count)
        if not (1 <= pixels <= MAX_PIXELS and pixels == int(pixels)):
            raise self._senseless(f"{pixels:g} pixels", f"1 to {MAX_PIXELS}")
        full_scale = self._figure(commands.full_scale_counts)
        if not 0 < full_scale < math.inf:
            raise self._senseless(f"{full_scale:g} counts as full scale", "a number above 0")
        least_s = self._figure(commands.min_integration) / commands.per_second
        most_s = self._figure(commands.max_integration) / commands.per_second
        self._device.confirm()
        if not 0 < least_s <= most_s < math.inf:
            raise self._senseless(f"integration times of {least_s:g} to {most_s:g} s", "two ascending times above 0")
        return SpectrometerLimits(
            pixel_count=int(pixels),
            full_scale_counts=full_scale,
            min_integration_s=least_s,
            max_integration_s=most_s,
            has_shutter=commands.open_shutter is not None,
        )

    def _senseless(self, claimed: str, expected: str) -> DeviceError:
        return DeviceError(
            f"it claims {claimed}; {expected} can be",
            where=self._device.port,
            mend="check the limits of the profile: each a number, or the query that asks for it",
        )

    def read_wavelengths_nm(self) -> NDArray[np.float64]:
        count = self.read_limits().pixel_count
        commands = self._commands
        given = commands.wavelength
        if isinstance(given, str):
            numbers: Sequence[float] = self._device.query(given, decode=decode_numbers)
            self._device.confirm()
        else:
            numbers = given
        if commands.wavelength_is_list or not all(map(math.isfinite, numbers)):
            wavelengths = np.asarray(numbers, dtype=np.float64)
        else:
            pixels = np.arange(commands.first_pixel, commands.first_pixel + count, dtype=np.float64)
            wavelengths = np.zeros(count)
            with np.errstate(over="ignore", invalid="ignore"):  # what overflows is not sound
                for coefficient in reversed(numbers):
                    wavelengths = wavelengths * pixels + coefficient
        low_nm, high_nm = _WAVELENGTHS_NM
        is_sound = (
            wavelengths.shape == (count,)
            and bool(np.all(np.isfinite(wavelengths)))
            and bool(np.all(np.diff(wavelengths) > 0))
            and low_nm <= wavelengths[0]
            and wavelengths[-1] <= high_nm
        )
        if not is_sound:
            raise DeviceError(
                f"its wavelengths are not {count} ascending ones within {low_nm:g}–{high_nm:g} nm",
                where=self._device.port,
                mend="check the wavelength table of the profile, and the device's calibration",
            )
        return wavelengths

    def capture_bound_s(self, integration_s: float, averages: int) -> float:
        exposures_s = averages * (integration_s + self._commands.overhead_s)
        each_s = CAPTURE_GRACE_S
        if isinstance(self._commands.capture, Handshake):
            each_s += CAPTURE_GRACE_S + self._commands.capture.bound_s
        return self.bound_s + exposures_s + each_s * (1 if self._commands.set_averages else averages)

    def capture(self, integration_s: float, averages: int) -> NDArray[np.float64]:
        limits = self.read_limits()
        if not limits.min_integration_s <= integration_s <= limits.max_integration_s:
            # Not the configuration's fault: another device may have been put in this one's place.
            raise DeviceError(
                f"an integration time of {integration_s:g} s is not within its "
                f"{limits.min_integration_s:g}–{limits.max_integration_s:g} s",
                where=self._device.port,
                mend="read again; if another spectrometer was plugged in, put the first one back",
            )
        if not 1 <= averages <= self._commands.max_averages:
            raise DeviceError(
                f"{averages} averages are not within its 1–{self._commands.max_averages}",
                where=self._device.port,
                mend="ask for fewer averages, or correct max_averages in the profile",
            )
        if self._settings != (integration_s, averages):
            self._settings = None
            self._configure(integration_s, averages)
            self._settings = (integration_s, averages)
        per_capture = averages if self._commands.set_averages else 1
        exposures_s = per_capture * (integration_s + self._commands.overhead_s)
        total = self._capture_once(exposures_s, limits.pixel_count)
        repeats = averages // per_capture
        for _ in range(repeats - 1):
            total += self._capture_once(exposures_s, limits.pixel_count)
        self._device.confirm()
        return total if repeats == 1 else total / repeats

    def set_shutter(self, *, is_open: bool) -> None:
        command = self._commands.open_shutter if is_open else self._commands.close_shutter
        if command is None:
            raise DeviceError("it has no shutter", where=self._device.port, mend="cover the entrance by hand")
        self._set_up()
        self._device.command(command)

    def close(self) -> None:
        self._device.close()

    def _set_up(self) -> None:
        """After each opening: the errors of earlier programs away, then the profile's settings."""
        if self._generation and self._generation == self._device.generation:
            return
        self._limits = None
        self._settings = None
        self._device.drain_errors()
        for command in self._commands.setup:
            self._device.command(command)
        self._generation = self._device.generation

    def _figure(self, given: str | float) -> float:
        return self._device.query(given, decode=decode_number) if isinstance(given, str) else given

    def _configure(self, integration_s: float, averages: int) -> None:
        commands = self._commands
        text = format_number(integration_s * commands.per_second)
        units = [commands.set_integration.format(integration=text)]
        if commands.set_averages:
            units.append(commands.set_averages.format(averages=averages))
        self._device.command(*units)
        if commands.query_integration is None:
            return
        have_s = self._device.query(commands.query_integration, decode=decode_number) / commands.per_second
        if not abs(have_s - integration_s) <= commands.resolution_s + _INTEGRATION_REL * integration_s:
            raise DeviceError(
                f"{integration_s:g} s of integration time were set, the device says {have_s:g} s",
                where=self._device.port,
                mend="check per_second and resolution_s in the profile",
            )

    def _capture_once(self, exposures_s: float, pixel_count: int) -> NDArray[np.float64]:
        capture, form = self._commands.capture, self._commands.form
        timeout_s = exposures_s + CAPTURE_GRACE_S
        if isinstance(capture, Handshake):
            Capturing(self._device, capture).run(exposures_s, CAPTURE_GRACE_S)
            capture, timeout_s = capture.fetch, CAPTURE_GRACE_S

        def checked(counts: NDArray[np.float64]) -> NDArray[np.float64]:
            where = self._device.port
            if counts.shape != (pixel_count,):
                raise WireError(f"{counts.size} pixels came where {pixel_count} are expected", where=where)
            if not np.isfinite(counts).all():
                raise WireError("a pixel's count is not a number", where=where, mend="check the block's format")
            return counts

        if form is None:
            return self._device.query(
                capture, decode=lambda text: checked(np.asarray(decode_numbers(text))), timeout_s=timeout_s
            )
        return self._device.query_block(
            capture, decode=lambda block: checked(decode_array(decode_block(block), form)), timeout_s=timeout_s
        )
