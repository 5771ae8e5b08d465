"""Spectrometers by a scripted SCPI conversation. Commands: SCPI-99 where it has them, else ours (see the profile)."""

import math
from dataclasses import replace

import numpy as np
import pytest
from lampwarden.drivers.links.inline import InlineByteLink
from lampwarden.drivers.message_link import SerialMessageLink
from lampwarden.drivers.scpi_device import ScpiDevice
from lampwarden.drivers.spectrometer import ScpiSpectrometer, SpectrometerCommands
from lampwarden.protocol.errors import DeviceError, WireError
from support.fakes import FunctionSerial, HandClock
from support.scpi_fake import FakeMessages
from support.spectrometer_script import COMMANDS, PIXELS, block, messages


def spectrometer(fake: FakeMessages, commands: SpectrometerCommands = COMMANDS) -> ScpiSpectrometer:
    return ScpiSpectrometer(ScpiDevice(fake), commands)


def test_limits_are_asked_of_the_device() -> None:
    limits = spectrometer(messages()).read_limits()
    assert (limits.pixel_count, limits.full_scale_counts) == (PIXELS, 65535.0)
    assert (limits.min_integration_s, limits.max_integration_s) == (1e-5, 10.0)
    assert limits.has_shutter


def test_limits_of_which_one_was_answered_twice_are_not_kept() -> None:
    """The shortest time would pass for the longest as well, until the port is opened anew."""
    fake = messages()
    copies = [[(0.1, b"1E-5\n"), (0.15, b"1E-5\n")]]

    def answer(asked: bytes) -> bytes | list[tuple[float, bytes]]:
        unit = asked.decode().strip()
        if unit == "SENS:APER? MIN" and copies:
            return copies.pop()
        found = {"*IDN?": "LWSIM,X,1,1", "SYST:ERR?": '0,"No error"'}.get(unit) or fake.answers.get(unit, "")
        return [(0.1, found.encode() + b"\n")] if isinstance(found, str) and found else b""

    device = ScpiDevice(SerialMessageLink(InlineByteLink(FunctionSerial(answer), HandClock())))
    one = ScpiSpectrometer(device, COMMANDS)
    with pytest.raises(WireError, match="more came than was asked for"):
        one.read_limits()
    limits = one.read_limits()
    assert (limits.min_integration_s, limits.max_integration_s) == (1e-5, 10.0)


def test_limits_may_stand_in_the_profile_in_the_devices_unit() -> None:
    commands = replace(
        COMMANDS,
        per_second=1000.0,
        pixel_count=8.0,
        full_scale_counts=4095.0,
        min_integration=1.0,
        max_integration=500.0,
    )
    limits = spectrometer(messages(), commands).read_limits()
    assert (limits.pixel_count, limits.full_scale_counts) == (8, 4095.0)
    assert (limits.min_integration_s, limits.max_integration_s) == (0.001, 0.5)


def test_wavelengths_are_the_polynomial_in_the_pixel() -> None:
    found = spectrometer(messages()).read_wavelengths_nm()
    assert found.tolist() == pytest.approx([340 + 0.25 * n + 1e-3 * n**2 for n in range(PIXELS)])
    assert found.dtype == np.float64


def test_first_pixel_may_be_number_one() -> None:
    found = spectrometer(messages(), replace(COMMANDS, first_pixel=1)).read_wavelengths_nm()
    assert found[0] == pytest.approx(340 + 0.25 + 1e-3)


def test_wavelengths_may_be_a_list() -> None:
    fake = messages(cal_wav="400,401.5,403,404.25")
    commands = replace(COMMANDS, wavelength="CAL:WAV?", wavelength_is_list=True)
    assert spectrometer(fake, commands).read_wavelengths_nm().tolist() == [400, 401.5, 403, 404.25]


@pytest.mark.parametrize(
    "polynomial",
    ["7.5E2,-0.25", "0.34,0.00025", "3.4E+02,0", "9.91E37,1", "340,9.9E37", "1e308,1e308,1e308"],
    ids=["descending", "micrometres", "all the same", "not a number", "infinite", "overflowing"],
)
def test_wavelengths_that_make_no_sense_are_refused(polynomial: str) -> None:
    with pytest.raises(DeviceError, match="ascending ones within"):
        spectrometer(messages(cal_wav_pol=polynomial)).read_wavelengths_nm()


def test_list_of_wavelengths_of_another_length_is_refused() -> None:
    commands = replace(COMMANDS, wavelength="CAL:WAV?", wavelength_is_list=True)
    with pytest.raises(DeviceError, match="4 ascending"):
        spectrometer(messages(cal_wav="400,401"), commands).read_wavelengths_nm()


def test_capture_sets_what_is_asked_and_returns_the_counts() -> None:
    fake = messages()
    counts = spectrometer(fake).capture(0.1, 16)
    assert counts.tolist() == [100.0, 200.5, 300.0, 65535.0]
    assert "SENS:APER 0.1" in fake.sent
    assert "SENS:AVER:COUN 16" in fake.sent


def test_settings_that_still_hold_are_not_sent_again() -> None:
    fake = messages()
    one = spectrometer(fake)
    one.capture(0.1, 1)
    fake.sent.clear()
    one.capture(0.1, 1)
    assert fake.sent == ["READ?"]


def test_settings_are_sent_again_after_the_link_was_opened_anew() -> None:
    fake = messages()
    one = spectrometer(fake)
    one.capture(0.1, 1)
    fake.sent.clear()
    fake.generation += 1
    one.capture(0.1, 1)
    assert fake.sent[:2] == ["FORM:DATA REAL,32", "FORM:BORD SWAP"]
    assert "SENS:APER 0.1" in fake.sent


def test_settings_are_sent_again_after_they_were_refused() -> None:
    fake = messages()
    fake.faulty["SENS:APER 0.1"] = '-222,"Data out of range"'
    one = spectrometer(fake)
    with pytest.raises(DeviceError, match="-222"):
        one.capture(0.1, 1)
    fake.faulty.clear()
    fake.sent.clear()
    one.capture(0.1, 1)
    assert "SENS:APER 0.1" in fake.sent


def test_device_that_sets_another_integration_time_is_caught() -> None:
    with pytest.raises(DeviceError, match=r"0\.2 s of integration time were set, the device says 0\.1 s"):
        spectrometer(messages()).capture(0.2, 1)


def test_devices_step_of_integration_time_is_allowed_for() -> None:
    commands = replace(COMMANDS, resolution_s=1e-3)
    spectrometer(messages(), commands).capture(0.1004, 1)


def test_integration_time_goes_out_in_the_devices_unit() -> None:
    fake = messages(sens_aper="100")
    fake.answers["SENS:APER? MIN"] = "0.01"
    fake.answers["SENS:APER? MAX"] = "10000"
    spectrometer(fake, replace(COMMANDS, per_second=1000.0)).capture(0.1, 1)
    assert "SENS:APER 100.0" in fake.sent


@pytest.mark.parametrize(
    ("query", "answer", "told"),
    [
        *(("SENS:PIX:COUN?", answer, "pixels") for answer in ("9.91E37", "9.9E37", "-3", "1E12", "0", "65537", "3.5")),
        *(("SENS:RANG:UPP?", answer, "full scale") for answer in ("0", "-1", "9.9E37", "9.91E37")),
        *(("SENS:APER? MIN", answer, "integration") for answer in ("0", "-1E-5", "11", "9.91E37")),
        *(("SENS:APER? MAX", answer, "integration") for answer in ("9.91E37", "9.9E37", "1E-6")),
    ],
)
def test_limits_that_make_no_sense_are_refused(query: str, answer: str, told: str) -> None:
    """9.9E37 and 9.91E37 are infinity and not-a-number: SCPI-99 volume 1, 7.2.1.4 and 7.2.1.5."""
    fake = messages()
    fake.answers[query] = answer
    one = spectrometer(fake)
    with pytest.raises(DeviceError, match=told):
        one.read_limits()
    fake.answers.update(messages().answers)
    assert one.read_limits().pixel_count == PIXELS, "asked again once it answers well"


@pytest.mark.parametrize(("integration_s", "averages"), [(1e-6, 1), (11.0, 1), (0.1, 0), (0.1, 101)])
def test_settings_beyond_the_limits_never_reach_the_device(integration_s: float, averages: int) -> None:
    fake = messages()
    with pytest.raises(DeviceError, match="not within"):
        spectrometer(fake).capture(integration_s, averages)
    assert not [unit for unit in fake.sent if unit.startswith("SENS:APER 0") or unit == "READ?"]


def test_driver_averages_where_the_device_does_not() -> None:
    fake = messages()
    frames = iter([block(1, 1, 1, 1), block(3, 3, 3, 3), block(5, 6, 7, 8)])
    fake.answers["READ?"] = lambda _: next(frames)
    counts = spectrometer(fake, replace(COMMANDS, set_averages=None)).capture(0.1, 3)
    assert counts == pytest.approx([3.0, 10 / 3, 11 / 3, 4.0])


def test_text_instead_of_a_block_is_read_where_the_profile_says_so() -> None:
    fake = messages(read="1.0,2.0,3.0,4.5")
    assert spectrometer(fake, replace(COMMANDS, form=None)).capture(0.1, 1).tolist() == [1.0, 2.0, 3.0, 4.5]


def test_time_out_follows_the_exposures_and_the_bound_covers_it() -> None:
    fake = messages(sens_aper="2.0")
    one = spectrometer(fake)
    one.capture(2.0, 20)
    assert fake.timeouts_s["READ?"] >= 40.02
    assert one.capture_bound_s(2.0, 20) > fake.timeouts_s["READ?"]


def test_frame_of_another_length_is_refused() -> None:
    with pytest.raises(WireError, match="3 pixels came where 4"):
        spectrometer(messages(read=block(1, 2, 3))).capture(0.1, 1)


def test_pixel_that_is_no_number_is_refused() -> None:
    with pytest.raises(WireError, match="not a number"):
        spectrometer(messages(read=block(1, 2, math.nan, 4))).capture(0.1, 1)


def test_shutter_opens_and_closes() -> None:
    fake = messages()
    one = spectrometer(fake)
    one.set_shutter(is_open=False)
    one.set_shutter(is_open=True)
    assert fake.sent[-2:] == ["INP:STAT OFF", "INP:STAT ON"]


def test_device_without_shutter_says_so() -> None:
    one = spectrometer(messages(), replace(COMMANDS, open_shutter=None, close_shutter=None))
    assert not one.read_limits().has_shutter
    with pytest.raises(DeviceError, match="no shutter"):
        one.set_shutter(is_open=False)


def test_errors_of_an_earlier_program_are_not_blamed_on_us() -> None:
    fake = messages()
    fake.errors = ['-113,"Undefined header"']
    spectrometer(fake).capture(0.1, 1)
