"""SDI-12 instruments: breaks, retries, measurements.

Timing after SDI-12 version 1.4, section 7 (figures from memory where marked so in the codec's sources). The recorder
wakes the line with a break when it has been marking for longer than 87 ms or when another sensor was spoken to; a
sensor may sleep after 100 ms.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

from ..protocol.errors import DeviceError, LampwardenError, LinkError, LinkFault, WireError
from .codecs.base import NEED_DATA
from .codecs.sdi12 import (
    MAX_RESPONSE_BYTES,
    Response,
    Sdi12Receiver,
    check_crc,
    decode_announcement,
    decode_identification,
    decode_values,
    encode_command,
    is_service_request,
)
from .links.base import ByteLink
from .quantities import Conversion, Quantity
from .roles import Identity

# ruff: noqa: D102  reader.py documents the methods

BREAK_S: Final = 0.015  # at least 12 ms
MARKING_AFTER_BREAK_S: Final = 0.010  # at least 8.33 ms
AWAKE_S: Final = 0.087  # longer marking needs a new break
RETRY_SILENCE_S: Final = 0.017  # at least 16.67 ms before a repetition
# A reply begins within 15 ms. An adapter's latency timer (16 ms), a second one's on a hub and the system's scheduling
# come on top. With this the last try begins more than 112.5 ms after the break, as the standard asks.
REPLY_S: Final = 0.080
TRIES_PER_BREAK: Final = 3
BREAKS: Final = 3
# Links that hand over whole lines (terminal servers, simulated devices) show nothing before a reply's end: address, 35
# characters of values (4.4.5), CRC, line end.
REPLY_CHARACTERS: Final = 41
# Between two characters 1.66 ms; the adapter's latency timer on top.
_GAP_S: Final = 0.050
# The standard gives a sensor ttt seconds; a recorder's clock and the service request's own time come on top.
_SERVICE_GRACE_S: Final = 0.5
# ttt has three digits, but a light sensor that takes longer than this is not one for a bench.
MAX_MEASUREMENT_S: Final = 30
# Waits up to this are expected of a sensor of which nothing is known; one that announces a longer one is given it at
# the next reading. So a port that hangs is found out in less than the longest of all waits.
FIRST_WAIT_S: Final = 5
_MAX_DATA_COMMANDS: Final = 10  # D0 to D9
# CRC characters are 40h to 7Fh (4.4.12.2); values end in a digit or a point.
_LOWEST_CRC_CHARACTER: Final = 0x40


class LongerWaitError(DeviceError):
    """A measurement takes longer than any before; the next reading allows for it."""


@dataclass(frozen=True, slots=True)
class ValueField:
    """Which value of a measurement gives a quantity; ``index`` counts from 0.

    ``command`` is the measurement that gives it; None: the reader's.
    """

    index: int
    conversion: Conversion
    command: str | None = None


class Sdi12Sensor:
    """One sensor on a line."""

    def __init__(self, link: ByteLink, address: str) -> None:
        self._link = link
        self._address = address
        self._receiver = Sdi12Receiver()
        # A measurement that was given up may still send its service request, which would pass for the next one's.
        self._stale_until_s = -math.inf
        self.longest_wait_s = FIRST_WAIT_S
        """What a measurement may take, as far as is known."""

    @cached_property
    def where(self) -> str:
        """Port and address, for errors."""
        return f"{self._link.port} address {self._address}"

    @cached_property
    def command_bound_s(self) -> float:
        """Longest wire time of one command with all its breaks and tries."""
        settings = self._link.settings
        longest_s = (REPLY_CHARACTERS + MAX_RESPONSE_BYTES + 8) * settings.character_s
        a_try_s = REPLY_S + _GAP_S + RETRY_SILENCE_S + longest_s
        return BREAKS * (BREAK_S + MARKING_AFTER_BREAK_S + TRIES_PER_BREAK * a_try_s)

    def ask(self, body: str, *, with_crc: bool = False) -> Response:
        """Send a command and return its response; silence and broken answers are tried again.

        With ``with_crc`` the CRC is checked and taken off, except where the sensor answers with its bare address: that
        is how it declines a command or tells that a measurement was aborted.
        """
        failure: LampwardenError | None = None
        command = encode_command(self._address, body)
        for _ in range(BREAKS):
            self._wake(is_new=failure is not None)
            for attempt in range(TRIES_PER_BREAK):
                if attempt:
                    self._link.pause(RETRY_SILENCE_S - self._link.quiet_s())
                try:
                    self._link.discard_input()
                    self._link.write(command)
                    response = self._receive(self._reply_s(command))
                    return check_crc(response) if with_crc and response.body else response
                except WireError as error:
                    failure = WireError(
                        error.what, raw=error.raw, offset=error.offset, where=self.where, mend="check the line settings"
                    )
                except LinkError as error:
                    if error.fault is not LinkFault.SILENT:
                        raise
                    failure = error
        assert failure is not None  # noqa: S101  BREAKS is at least one
        raise failure

    def identify(self) -> Identity:
        """Ask ``aI!``."""
        response = self.ask("I")
        found = decode_identification(response)
        # The last field is free: for a serial number or what else the maker likes (4.4.2, from memory).
        return Identity(found.maker, found.model, found.free.strip(), found.firmware, response.address + response.body)

    def find_other(self) -> str | None:
        """Ask ``?!`` once: the address of whoever is on the line, None when nobody or several answer.

        Asked only of a sensor that was never heard: with several on the line their answers spoil one another.
        """
        self._wake(is_new=True)
        self._link.discard_input()
        command = encode_command("?", "")
        self._link.write(command)
        try:
            found = self._receive(self._reply_s(command), of_anybody=True)
        except (WireError, LinkError):
            return None
        return found.address if not found.body and found.address != self._address else None

    def read_continuous(self, index: int, *, with_crc: bool) -> tuple[float, ...]:
        """Ask ``aR0!`` or ``aRC0!``; empty when the sensor does not offer it (it then answers with its address)."""
        return decode_values(self.ask(f"RC{index}" if with_crc else f"R{index}", with_crc=with_crc))

    def measure(self, command: str, *, with_crc: bool) -> tuple[float, ...]:
        """Start a measurement (``M``, ``M1`` … ``C9``), wait for it, and collect all its values.

        Raises:
            DeviceError: The sensor aborted it, announces none, or wants longer than a bench can wait.
            LongerWaitError: It wants longer than ever before; the next one may.
        """
        body = command[0] + ("C" if with_crc else "") + command[1:]
        self._link.pause(self._stale_until_s - self._link.now_s())
        announcement = decode_announcement(self.ask(body))
        if announcement.count == 0:
            return ()
        if announcement.wait_s > MAX_MEASUREMENT_S:
            raise DeviceError(
                f"a measurement of {announcement.wait_s} s is announced",
                where=self.where,
                mend=f"set the sensor to measure within {MAX_MEASUREMENT_S} s",
            )
        if announcement.wait_s > self.longest_wait_s:
            self.longest_wait_s = announcement.wait_s
            self._stale_until_s = self._link.now_s() + announcement.wait_s + _SERVICE_GRACE_S
            raise LongerWaitError(
                f"a measurement of {announcement.wait_s} s is announced, longer than before",
                where=self.where,
                mend="nothing: the next reading waits so long",
            )
        if announcement.wait_s:
            self._stale_until_s = self._link.now_s() + announcement.wait_s + _SERVICE_GRACE_S
            self._wait_ready(announcement.wait_s, has_service_request=command[0] == "M")
        values: list[float] = []
        for index in range(_MAX_DATA_COMMANDS):
            part = decode_values(self.ask(f"D{index}", with_crc=with_crc))
            if not part:
                break
            values.extend(part)
            if len(values) >= announcement.count:
                self._stale_until_s = -math.inf
                return tuple(values)
        raise DeviceError(
            f"{len(values)} of {announcement.count} announced values came: the measurement was aborted",
            where=self.where,
            mend="read again",
        )

    def _reply_s(self, command: bytes) -> float:
        return REPLY_S + (len(command) + REPLY_CHARACTERS) * self._link.settings.character_s

    def _wake(self, *, is_new: bool) -> None:
        link = self._link
        if is_new or link.quiet_s() > AWAKE_S or link.last_written[:1] != self._address.encode("ascii"):
            link.send_break(BREAK_S)
            link.pause(MARKING_AFTER_BREAK_S)

    def _wait_ready(self, wait_s: float, *, has_service_request: bool) -> None:
        """Wait for the service request, or where there is none (concurrent) for the whole time."""
        if not has_service_request:
            self._link.pause(wait_s)
            return
        try:
            request = self._receive(wait_s + _SERVICE_GRACE_S)
        except LinkError as error:
            if error.fault is not LinkFault.SILENT:
                raise
            return  # it was lost, but its time has come all the same (4.4.6)
        except WireError:
            return
        if not is_service_request(request):
            raise WireError("not a service request", raw=(request.address + request.body).encode(), where=self.where)

    def _receive(self, timeout_s: float, *, of_anybody: bool = False) -> Response:
        self._receiver.reset()
        wait_s = timeout_s
        while True:
            data = self._link.read(MAX_RESPONSE_BYTES, wait_s)
            if not data:
                raise LinkError(
                    LinkFault.SILENT, "no answer", where=self.where, mend="check power, wiring, address and settings"
                )
            self._receiver.feed(data)
            response = self._receiver.next_message()
            if response is not NEED_DATA:
                if response.address != self._address and not of_anybody:
                    raise WireError(
                        f"address {response.address} answers", raw=(response.address + response.body).encode()
                    )
                return response
            wait_s = _GAP_S


class Sdi12Reader:
    """A :class:`~.reader.Reader` for one SDI-12 sensor.

    Args:
        sensor: The sensor.
        command: ``R0``–``R9``, ``M``, ``M1``–``M9``, ``C``…, for the fields that name none; None tries a continuous
            reading first, since it takes no waiting, and a measurement where the sensor offers none.
        with_crc: Ask for a CRC; None tries with one first.
        fields: Which values give which quantities; each command is asked once a reading.
    """

    def __init__(
        self, sensor: Sdi12Sensor, fields: Sequence[ValueField], *, command: str | None, with_crc: bool | None
    ) -> None:
        self._sensor = sensor
        groups: dict[str | None, list[ValueField]] = {}
        for field in fields:
            groups.setdefault(field.command or command, []).append(field)
        self._identity = ""
        self._groups = [(_Measurement(sensor, each, with_crc), group) for each, group in groups.items()]

    @property
    def port(self) -> str:
        return self._sensor.where

    @property
    def bound_s(self) -> float:
        return sum(measurement.bound_s for measurement, _ in self._groups)

    @property
    def identify_bound_s(self) -> float:
        # Who was never heard is sought under any address, with one try after one break.
        one_break_s = self._sensor.command_bound_s / BREAKS
        return self._sensor.command_bound_s + (0.0 if self._identity else one_break_s)

    @property
    def step_bound_s(self) -> float:
        return next((each.step_bound_s for each, _ in self._groups if not each.is_known), self.identify_bound_s)

    def identify(self) -> Identity:
        try:
            identity = self._sensor.identify()
        except LinkError as error:
            if error.fault is LinkFault.SILENT and not self._identity and (other := self._sensor.find_other()):
                raise LinkError(
                    error.fault,
                    f"no answer, but address {other} answers on this line",
                    where=self.port,
                    mend=f"set the option address to {other!r}, or the sensor's address",
                ) from error
            raise
        if identity.raw != self._identity:  # what one sensor offers another need not
            self._identity = identity.raw
            for measurement, _ in self._groups:
                measurement.forget()
        return identity

    def prepare(self) -> bool:
        """Try the next way to read; True once all measurements have one.

        Raises:
            LinkError, WireError: The sensor fails altogether.
            DeviceError: No way was found.
        """
        sought = next((each for each, _ in self._groups if not each.is_known), None)
        if sought is None:
            return True
        sought.seek()
        return all(each.is_known for each, _ in self._groups)

    def read(self) -> Mapping[Quantity, float]:
        found = {}
        for measurement, fields in self._groups:
            values = measurement.read()
            for field in fields:
                if field.index >= len(values):
                    raise DeviceError(
                        f"{measurement.name} gave {len(values)} values; value {field.index + 1} is wanted",
                        where=self.port,
                        mend="correct the index or the command in the profile",
                    )
                found[field.conversion.quantity] = field.conversion.convert(values[field.index], where=self.port)
        return found


class _Measurement:
    """One of a sensor's measurements, and the way by which it is read once that is known."""

    def __init__(self, sensor: Sdi12Sensor, command: str | None, with_crc: bool | None) -> None:
        self._sensor = sensor
        commands = ("R0", "M") if command is None else (command,)
        checks = (True, False) if with_crc is None else (with_crc,)
        self._ways = [(each, check) for each in commands for check in checks]
        self._chosen: tuple[str, bool] | None = None
        self._next_way = 0
        self._failure: LampwardenError | None = None

    @property
    def is_known(self) -> bool:
        """Whether its way was found."""
        return self._chosen is not None

    def forget(self) -> None:
        """Seek the way anew: another sensor answers."""
        self._chosen = None
        self._begin_anew()

    @property
    def name(self) -> str:
        """Its commands, for errors."""
        ways = self._ways if self._chosen is None else [self._chosen]
        return ", ".join(dict.fromkeys(f"a{command}!" for command, _ in ways))

    @property
    def bound_s(self) -> float:
        # A reading before its way was sought tries them all.
        if self._chosen is None:
            return sum(self._way_bound_s(command, MAX_MEASUREMENT_S) for command, _ in self._ways)
        return self._way_bound_s(self._chosen[0], self._sensor.longest_wait_s)

    @property
    def step_bound_s(self) -> float:
        """Longest wire time of the next :meth:`seek`."""
        # A way, and one command more when the sensor was silent.
        command, _ = self._ways[self._next_way]
        return self._way_bound_s(command, self._sensor.longest_wait_s) + self._sensor.command_bound_s

    def seek(self) -> None:
        """Try the next way; the last one that fails raises, and so does a sensor that fails altogether."""
        try:
            if self._tried(self._ways[self._next_way], is_sure=False):
                return
        except LongerWaitError:
            return
        except LampwardenError:
            self._begin_anew()
            raise
        self._next_way += 1
        if self._next_way == len(self._ways):
            failure = self._failure or self._offers_none()
            self._begin_anew()
            raise failure

    def read(self) -> tuple[float, ...]:
        """Return its values, by the first way that gives any."""
        if self._chosen is not None:
            return self._read_by(*self._chosen)
        self._begin_anew()
        for way in self._ways:
            try:
                values = self._tried(way, is_sure=True)
            except LongerWaitError:
                values = self._tried(way, is_sure=True)
            if values:
                return values
        raise self._failure or self._offers_none()

    def _tried(self, way: tuple[str, bool], *, is_sure: bool) -> tuple[float, ...]:
        """Read one way, and remember it when it gives values; empty when the sensor does not read so.

        A sensor that does not know a command may be silent, or answer without the CRC that was asked for. Neither a
        sensor that is gone nor a line that spoils CRCs must pass for one: without its CRC a spoilt value is believed.

        Args:
            way: Command, and whether with CRC.
            is_sure: Whether the sensor is taken to be there: then silence is not asked after.
        """
        command, with_crc = way
        try:
            values = self._read_by(command, with_crc)
        except WireError as error:
            if with_crc and not _lacks_crc(error.raw):
                raise
            self._failure = self._failure or error
            return ()
        except LinkError as error:
            if error.fault is not LinkFault.SILENT:
                raise
            if not is_sure:
                self._sensor.identify()
            self._failure = self._failure or error
            return ()
        if values:
            self._chosen = way
        return values

    def _begin_anew(self) -> None:
        self._next_way = 0
        self._failure = None

    def _offers_none(self) -> DeviceError:
        return DeviceError(
            f"the sensor offers none of {self.name}",
            where=self._sensor.where,
            mend="name its measurement command in the profile",
        )

    def _way_bound_s(self, command: str, wait_s: float) -> float:
        if command[0] == "R":
            return self._sensor.command_bound_s
        # The service request of a measurement that was given up is waited out; then a start, a wait, and commands for
        # data: two hold 18 values at least.
        return 3 * self._sensor.command_bound_s + 2 * (wait_s + _SERVICE_GRACE_S)

    def _read_by(self, command: str, with_crc: bool) -> tuple[float, ...]:  # a pair, as kept in _ways
        if command[0] == "R":
            return self._sensor.read_continuous(int(command[1]), with_crc=with_crc)
        return self._sensor.measure(command, with_crc=with_crc)


def _lacks_crc(raw: bytes) -> bool:
    """Whether a response ends as one without CRC does."""
    return all(byte < _LOWEST_CRC_CHARACTER for byte in raw[-3:])
