"""SDI-12 instruments: breaks, retries, measurements.

Timing after SDI-12 version 1.4, section 7 (figures from memory where marked so in the codec's sources). The recorder
wakes the line with a break when it has been marking for longer than 87 ms or when another sensor was spoken to; a
sensor may sleep after 100 ms.

Answers that come late. An answer does not say to which question it belongs, nor when it was measured: one that was
given up and comes seconds later, held back by an adapter or a gateway, is a right answer to the next question. So:

- Names, announcements and values look different. What has another shape than the answer that is awaited is passed over.
- After a question for a measurement went unanswered (and be it that its repetition was answered), no other is asked
  before a break and a name, asked for since then: answers come in the order of the questions, so that whatever was
  asked before the name has come by then, or never will. Names that were still awaited before are counted off first.
- For ``SUSPECT_S`` (``sdi12_trust.py``) from then on the sensor is asked after each measurement whether it is there. If
  a second value or announcement comes before that answer, nobody knows which is the present one, and both are refused.
  This finds late answers also where fresh ones overtake them.

What can still pass: an answer that fresh ones overtake, and that either is later than ``SUSPECT_S`` or comes in the
very exchange whose own answer is lost; one whose order is kept, after names that were held back for longer than
``NAME_AWAITED_S``. A repetition's answer may be that to the first try; both were asked within the
time that the reading states. A late name is believed, since a name does not age while nobody changes the cable.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

from ..protocol.counts import counted
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
from .sdi12_trust import MEASURED, NAME, PRESENCE, STRAY, Shape, Trust, shape_of

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
# A line that is never silent is not listened to for ever.
_MOST_DRAINED: Final = 64
_NOT_THIS: Final = "those to earlier questions came, and none to this one"
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
        self._trust = Trust()
        self._strays: list[Shape] = []
        self._due_s = -math.inf
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

    @property
    def sync_bound_s(self) -> float:
        """Longest wire time that a measurement takes longer now, because a late answer may come."""
        return 2 * self.command_bound_s / BREAKS if self._trust.is_suspect(self._link.now_s()) else 0.0

    def ask(self, body: str, *, with_crc: bool = False, breaks: int = BREAKS) -> Response:
        """Send a command and return its response; silence and broken answers are tried again.

        With ``with_crc`` the CRC is checked and taken off, except where the sensor answers with its bare address: that
        is how it declines a command or tells that a measurement was aborted.
        """
        failure: LampwardenError | None = None
        command = encode_command(self._address, body)
        trust = self._trust
        is_measuring = body not in {PRESENCE, NAME}
        for _ in range(breaks):
            self._wake(is_new=failure is not None or (body == NAME and trust.is_lost))
            for attempt in range(TRIES_PER_BREAK):
                if attempt:
                    self._link.pause(RETRY_SILENCE_S - self._link.quiet_s())
                try:
                    self._drain()
                    response = self._exchange(command, body)
                except (WireError, LinkError) as error:
                    if isinstance(error, LinkError) and error.fault is not LinkFault.SILENT:
                        raise
                    failure = self._placed(error)
                    if is_measuring:
                        trust.unanswered(self._link.now_s())
                    continue
                if is_measuring:
                    if response.body or not trust.is_bare_awaited(self._link.now_s()):
                        trust.answered()
                    else:
                        trust.came(Shape.BARE, self._link.now_s())
                        trust.unanswered(self._link.now_s())
                try:
                    return check_crc(response) if with_crc and response.body else response
                except WireError as error:
                    failure = self._placed(error)
        assert failure is not None  # noqa: S101  BREAKS is at least one
        raise failure

    def _placed(self, error: WireError | LinkError) -> LampwardenError:
        if isinstance(error, LinkError):
            return error
        return WireError(
            error.what, raw=error.raw, offset=error.offset, where=self.where, mend="check the line settings"
        )

    def identify(self) -> Identity:
        """Ask ``aI!``; silence as well while nobody knows to which question the names that come belong."""
        response = self.ask(NAME)
        found = decode_identification(response)
        if self._trust.is_lost:
            raise self._late("the names of earlier questions still come")
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
        self._trust.presence_asked(self._link.now_s())
        try:
            found = self._receive(self._reply_s(command), of_anybody=True)
        except (WireError, LinkError):
            return None
        self._trust.came(Shape.BARE, self._link.now_s())
        return found.address if not found.body and found.address != self._address else None

    def read_continuous(self, index: int, *, with_crc: bool) -> tuple[float, ...]:
        """Ask ``aR0!`` or ``aRC0!``; empty when the sensor does not offer it (it then answers with its address)."""
        is_suspect = self._synchronise()
        values = decode_values(self.ask(f"RC{index}" if with_crc else f"R{index}", with_crc=with_crc))
        if is_suspect:
            self._confirm()
        return values

    def measure(self, command: str, *, with_crc: bool) -> tuple[float, ...]:
        """Start a measurement (``M``, ``M1`` … ``C9``), wait for it, and collect all its values.

        Raises:
            DeviceError: The sensor aborted it, announces none, or wants longer than a bench can wait.
            LongerWaitError: It wants longer than ever before; the next one may.
        """
        body = command[0] + ("C" if with_crc else "") + command[1:]
        self._link.pause(self._stale_until_s - self._link.now_s())
        is_suspect = self._synchronise()
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
                if is_suspect:
                    self._confirm()
                return tuple(values)
            self._synchronise()  # these may come a second time, and would pass for the rest
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

    def _synchronise(self) -> bool:
        """Before a measurement: see to it that no answer to an earlier one is awaited.

        Returns:
            Whether a late answer may come all the same, so that what is read needs :meth:`_confirm`.
        """
        if self._trust.is_lost:
            self.ask(NAME, breaks=1)
            if self._trust.is_lost:
                raise self._late("the names of earlier questions still come")
        return self._trust.is_suspect(self._link.now_s())

    def _confirm(self) -> None:
        """After a measurement: refuse it when a second answer comes before that to a question of another kind."""
        try:
            self._ask_once_more()
        except (LinkError, WireError):
            self._trust.unanswered(self._link.now_s())
            raise

    def _ask_once_more(self) -> None:
        # The present answer is given its time. What comes is looked at, not thrown away as in ask().
        self._link.pause(self._due_s - self._link.now_s())
        if self._trust.is_bare_awaited(self._link.now_s()):
            raise self._late("another one may come")
        self._strays.clear()
        command = encode_command(self._address, PRESENCE)
        for attempt in range(TRIES_PER_BREAK):
            if attempt:
                self._link.pause(RETRY_SILENCE_S - self._link.quiet_s())
            try:
                self._exchange(command, PRESENCE, begins_anew=False)
            except LinkError as error:
                if error.fault is not LinkFault.SILENT or attempt == TRIES_PER_BREAK - 1:
                    raise
            else:
                break
        if MEASURED.intersection(self._strays):
            raise self._late("two came to one question")

    def _drain(self) -> None:
        """Throw away what has come; while late answers may come, take note of them."""
        trust, link = self._trust, self._link
        if trust.is_suspect(link.now_s()):
            for _ in range(_MOST_DRAINED):
                if not (data := link.read(MAX_RESPONSE_BYTES, 0.0)):
                    break
                self._receiver.feed(data)
                self._note_all()
        link.discard_input()

    def _note_all(self) -> None:
        while True:
            try:
                response = self._receiver.next_message()
            except WireError:
                continue
            if response is NEED_DATA:
                return
            if response.address == self._address:
                self._trust.came(shape_of(response), self._link.now_s())

    def _late(self, what: str) -> LinkError:
        return LinkError(
            LinkFault.SILENT,
            f"answers come late: {what}; none is believed",
            where=self.where,
            mend="nothing if it stops; else check the adapter or gateway between here and the sensor",
        )

    def _exchange(self, command: bytes, body: str, *, begins_anew: bool = True) -> Response:
        """Write a command and return the first response that may be its answer."""
        self._link.write(command)
        if body == NAME:
            self._trust.name_asked(self._link.now_s())
        elif body == PRESENCE:
            self._trust.presence_asked(self._link.now_s())
        reply_s = self._reply_s(command)
        self._due_s = self._link.now_s() + reply_s
        response = self._receive(reply_s, stray=STRAY[body[:1]], begins_anew=begins_anew)
        if body in {PRESENCE, NAME}:
            self._trust.came(shape_of(response), self._link.now_s())
        return response

    def _receive(
        self,
        timeout_s: float,
        *,
        of_anybody: bool = False,
        stray: frozenset[Shape] = frozenset(),
        begins_anew: bool = True,
    ) -> Response:
        """Return the next response, passing over those whose shape is in ``stray``."""
        link, receiver = self._link, self._receiver
        if begins_anew:
            receiver.reset()
        deadline_s = link.now_s() + timeout_s
        passed_over = 0
        wait_s = timeout_s
        while True:
            response = receiver.next_message()
            if response is NEED_DATA:
                data = link.read(MAX_RESPONSE_BYTES, wait_s)
                if not data:
                    if passed_over:
                        raise self._late(_NOT_THIS)
                    raise LinkError(
                        LinkFault.SILENT,
                        "no answer",
                        where=self.where,
                        mend="check power, wiring, address and settings",
                    )
                receiver.feed(data)
                wait_s = _GAP_S
                continue
            if response.address != self._address and not of_anybody:
                raise WireError(f"address {response.address} answers", raw=(response.address + response.body).encode())
            shape = shape_of(response)
            if shape not in stray:
                return response
            self._trust.came(shape, link.now_s())
            self._strays.append(shape)
            passed_over += 1
            wait_s = deadline_s - link.now_s()
            if wait_s <= 0.0:
                raise self._late(_NOT_THIS)


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
                        f"{measurement.name} gave {counted(len(values), 'value')}; value {field.index + 1} is wanted",
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
        # A reading before its way was sought tries them all, and each may leave a late answer to the next.
        if self._chosen is None:
            sync_s = 2 * self._sensor.command_bound_s / BREAKS
            return sum(self._way_bound_s(command, MAX_MEASUREMENT_S) + sync_s for command, _ in self._ways)
        return self._way_bound_s(self._chosen[0], self._sensor.longest_wait_s) + self._sensor.sync_bound_s

    @property
    def step_bound_s(self) -> float:
        """Longest wire time of the next :meth:`seek`."""
        # A way, and one command more when the sensor was silent.
        command, _ = self._ways[self._next_way]
        sensor = self._sensor
        return self._way_bound_s(command, sensor.longest_wait_s) + sensor.command_bound_s + sensor.sync_bound_s

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
