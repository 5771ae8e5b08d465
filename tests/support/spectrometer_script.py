"""A spectrometer of four pixels by script. Commands: SCPI-99 where it has them, else ours (see the profile)."""

import numpy as np
from lampwarden.drivers.codecs.scpi import RealFormat, encode_block
from lampwarden.drivers.spectrometer import SpectrometerCommands

from .scpi_fake import FakeMessages

PIXELS = 4
COMMANDS = SpectrometerCommands(
    setup=("FORM:DATA REAL,32", "FORM:BORD SWAP"),
    set_integration="SENS:APER {integration}",
    query_integration="SENS:APER?",
    per_second=1.0,
    resolution_s=1e-6,
    set_averages="SENS:AVER:COUN {averages}",
    max_averages=100,
    capture="READ?",
    form=RealFormat.REAL32_SWAPPED,
    overhead_s=0.001,
    open_shutter="INP:STAT ON",
    close_shutter="INP:STAT OFF",
    pixel_count="SENS:PIX:COUN?",
    full_scale_counts="SENS:RANG:UPP?",
    min_integration="SENS:APER? MIN",
    max_integration="SENS:APER? MAX",
    wavelength="CAL:WAV:POL?",
    wavelength_is_list=False,
    first_pixel=0,
)


def block(*counts: float) -> bytes:
    return encode_block(np.asarray(counts, dtype="<f4").tobytes())


def messages(**more: str | bytes) -> FakeMessages:
    answers: dict[str, str | bytes] = {
        "SENS:PIX:COUN?": str(PIXELS),
        "SENS:RANG:UPP?": "65535",
        "SENS:APER? MIN": "1.000000000E-05",
        "SENS:APER? MAX": "1.000000000E+01",
        "SENS:APER?": "1.000000000E-01",
        "CAL:WAV:POL?": "3.4E+02,2.5E-01,1E-3,0",
        "READ?": block(100.0, 200.5, 300.0, 65535.0),
    }
    answers.update({key.replace("_", ":").upper() + "?": value for key, value in more.items()})
    return FakeMessages(answers)
