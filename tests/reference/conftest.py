"""Spectra that others published, through the libraries that carry them."""

import warnings
from collections.abc import Callable

import numpy as np
import pytest


@pytest.fixture(scope="session")
def illuminant() -> Callable[[str], tuple[np.ndarray, np.ndarray]]:
    """CIE illuminants on their own grid, as ``(wavelength_nm, relative irradiance)``."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # optional parts of the library that it misses
        import colour

    def get(name: str) -> tuple[np.ndarray, np.ndarray]:
        table = colour.SDS_ILLUMINANTS[name]
        return np.array(table.wavelengths, dtype=float), np.array(table.values, dtype=float)

    return get


@pytest.fixture(scope="session")
def photopic() -> tuple[np.ndarray, np.ndarray]:
    """CIE 1924 luminous efficiency function, as ``(wavelength_nm, value)``."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    table = colour.SDS_LEFS["CIE 1924 Photopic Standard Observer"]
    return np.array(table.wavelengths, dtype=float), np.array(table.values, dtype=float)


@pytest.fixture(scope="session")
def sunlight() -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """ASTM G173-03, as ``(wavelength_nm, {global, direct, extraterrestrial})`` in W m-2 nm-1."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import pvlib
    table = pvlib.spectrum.get_reference_spectra()
    return table.index.to_numpy(float), {c: table[c].to_numpy(float) for c in table.columns}
