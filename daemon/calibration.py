"""Calibration files: a spectrometer's irradiance factors with their uncertainty, as JSON.

A file is named in records by its certificate and the first digits of its SHA-256, so that nobody has to trust a name.
"""

import hashlib
from datetime import date
from pathlib import Path
from typing import Literal

import numpy as np
from pydantic import Field, ValidationError

from ..protocol.errors import ConfigurationError, MeasurementError
from ..protocol.quantity import Frozen
from ..protocol.records import CalibrationNote
from .config import CalibrationTable
from .measure.arrays import FloatArray
from .measure.spectrum import SpectralCalibration


class SpectralCalibrationFile(Frozen):
    """Contents of a spectrometer's calibration file. Arrays have one value a pixel."""

    schema_: Literal["lampwarden.spectral-calibration/1"] = Field(alias="schema")
    certificate: str
    calibrated_on: date | None = None
    simulated: bool = False
    factor_w_m2_nm_per_count_s: list[float] = Field(min_length=2, description="irradiance per count rate")
    u_scale_percent: float = Field(ge=0, description="standard uncertainty of all factors together")
    u_shape_percent: float = Field(default=0.0, ge=0, description="standard uncertainty from pixel to pixel")
    wavelength_u_nm: float = Field(default=0.0, ge=0)
    bandwidth_nm: float = Field(default=0.0, ge=0)
    read_noise_counts: float = Field(default=0.0, ge=0)
    electrons_per_count: float | None = Field(default=None, gt=0)
    bad_pixels: list[int] = Field(default_factory=list)
    nonlinearity: list[float] = Field(default_factory=list)
    wavelength_polynomial_nm: list[float] | None = Field(
        default=None, min_length=2, description="nm in ascending powers of the pixel, from 0; null: as the device says"
    )


def load_spectral_calibration(path: Path) -> tuple[SpectralCalibrationFile, str]:
    """Read a file; returns it and the name by which records call it.

    Raises:
        ConfigurationError: It cannot be read, or a key is wrong.
    """
    try:
        text = path.read_bytes()
    except OSError as error:
        raise ConfigurationError(f"cannot be read: {error.strerror}", where=str(path)) from None
    try:
        file = SpectralCalibrationFile.model_validate_json(text)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        key = ".".join(str(part) for part in first["loc"])
        raise ConfigurationError(f"{key}: {first['msg']}", where=str(path)) from None
    return file, f"{file.certificate} sha256:{hashlib.sha256(text).hexdigest()[:16]}"


def spectral_calibration(
    file: SpectralCalibrationFile, wavelength_nm: FloatArray, full_scale_counts: float, factor: float
) -> SpectralCalibration:
    """The calibration of an instrument with these pixels.

    Raises:
        MeasurementError: The file is for another number of pixels.
    """
    n = wavelength_nm.size
    if len(file.factor_w_m2_nm_per_count_s) != n:
        raise MeasurementError(
            f"the calibration has {len(file.factor_w_m2_nm_per_count_s)} factors, the spectrometer {n} pixels",
            where=file.certificate,
            mend="name the file that belongs to this instrument",
        )
    if file.wavelength_polynomial_nm is not None:
        pixels = np.arange(n, dtype=np.float64)
        wavelength_nm = np.asarray(np.polynomial.polynomial.polyval(pixels, file.wavelength_polynomial_nm))
    bad = None
    if file.bad_pixels:
        bad = np.zeros(n, dtype=np.bool_)
        bad[np.asarray(file.bad_pixels)] = True
    return SpectralCalibration(
        wavelength_nm=wavelength_nm,
        factor=np.asarray(file.factor_w_m2_nm_per_count_s) * factor,
        full_scale_counts=full_scale_counts,
        u_scale_relative=file.u_scale_percent / 100.0,
        u_shape_relative=file.u_shape_percent / 100.0,
        wavelength_u_nm=file.wavelength_u_nm,
        bandwidth_nm=file.bandwidth_nm,
        bad_pixels=bad,
        nonlinearity=tuple(file.nonlinearity),
        read_noise_counts=file.read_noise_counts,
        electrons_per_count=file.electrons_per_count,
    )


def note_of(table: CalibrationTable | None, today: date) -> CalibrationNote | None:
    """A calibration as health records tell it."""
    if table is None:
        return None
    return CalibrationNote(
        certificate=table.certificate,
        factor=table.factor,
        expanded_uncertainty_percent=table.expanded_uncertainty_percent,
        calibrated_on=table.calibrated_on.isoformat() if table.calibrated_on else None,
        due_on=table.due_on.isoformat() if table.due_on else None,
        overdue=is_overdue(table, today),
    )


def is_overdue(table: CalibrationTable, today: date) -> bool:
    """Whether the due date has passed."""
    return table.due_on is not None and today > table.due_on
