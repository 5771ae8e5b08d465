"""What the photon figures with their uncertainty cost beside the bare integral, per spectrum.

Run it: ``python tests/studies/spectrum_cost.py``. No test asserts on it: a busy machine would decide.
"""

import sys
import timeit

import numpy as np
from lampwarden.daemon.measure.photons import UMOL_PER_J_NM, PhotonTable, photon_flux
from lampwarden.daemon.measure.spectrum import DarkModel, SpectralCalibration, photon_bands, spectral_irradiance


def main() -> None:
    """Print the table."""
    n = 2048
    nm = 340.0 + 0.27 * np.arange(n) - 5e-6 * np.arange(n) ** 2
    lamp = 0.3 + np.exp(-0.5 * ((nm - 590.0) / 20.0) ** 2)
    calibration = SpectralCalibration(
        nm, np.full(n, 1e-6), 65535.0, 0.02, 0.01, 0.2, 1.5, read_noise_counts=8.0, electrons_per_count=2.0
    )
    dark = DarkModel.from_capture(np.full(n, 900.0), 0.1, read_noise_counts=8.0)
    counts = lamp * 20000.0 + 900.0
    frames = counts + np.random.default_rng(1).standard_normal((5, n)) * 30.0
    table = calibration.photon_table()
    spectrum = spectral_irradiance(counts, 0.1, 1, dark, calibration)
    many = spectral_irradiance(frames, 0.1, 1, dark, calibration)
    inside = (nm >= 400.0) & (nm <= 700.0)

    def bare() -> float:
        return float(np.trapezoid(UMOL_PER_J_NM * nm[inside] * spectrum.irradiance[inside], nm[inside]))

    jobs = {
        "bare integral of one band (numpy trapezoid)": bare,
        "one band with exact edges, weights made anew": lambda: photon_flux(nm, spectrum.irradiance, 400.0, 700.0),
        "nine figures and two ratios, all with uncertainty": lambda: photon_bands(spectrum, table),
        "the same from five frames": lambda: photon_bands(many, table),
        "counts to irradiance, one frame": lambda: spectral_irradiance(counts, 0.1, 1, dark, calibration),
        "making the table (once a wavelength scale)": lambda: PhotonTable(nm, wavelength_u_nm=0.2, bandwidth_nm=1.5),
    }
    base = None
    for name, job in jobs.items():
        number = 200
        microseconds = min(timeit.repeat(job, number=number, repeat=7)) / number * 1e6
        base = microseconds if base is None else base
        sys.stdout.write(f"{name:52s} {microseconds:9.1f} µs {microseconds / base:8.1f} ×\n")


if __name__ == "__main__":
    main()
