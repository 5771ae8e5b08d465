"""One sensor on an SDI-12 line: breaks, retries, measurements, and what is not believed.

Timing after SDI-12 version 1.4, section 7 (figures from memory where marked so in the codec's sources). The recorder
wakes the line with a break when it has been marking for longer than 87 ms or when another sensor was spoken to; a
sensor may sleep after 100 ms.

Answers that come late. An answer does not say to which question it belongs, nor when it was measured: one that was
given up and comes seconds later, held back by an adapter or a gateway, is a right answer to the next question. So:

- Names, announcements and values look different. What has another shape than the answer that is awaited is passed over.
- After a question for a measurement went unanswered (and be it that its repetition was answered), no other is asked
  before a break and a name, asked for since then: answers come in the order of the questions, so that whatever was
  asked before the name has come by then, or never will. Names that were still awaited before are counted off first.
- For ``SUSPECT_S`` (``sdi12_trust.py``) from then on each measurement is given the full time of an answer, and then the
  sensor is asked whether it is there. If a second value or announcement comes before that answer, nobody knows which is
  the present one, and both are refused. This finds late answers also where fresh ones overtake them. Where that
  question itself went unanswered nothing is believed for ``SUSPECT_S``: counting it off by a later name, which would be
  sooner, let late values through in simulations.

What can still pass: an answer that fresh ones overtake, and that either is later than ``SUSPECT_S`` or comes in the
very exchange whose own answer is lost; one whose order is kept, after names that were held back for longer than
``NAME_AWAITED_S``. A repetition's answer may be that to the first try; both were asked within the time that the reading
states. A late name is believed, since a name does not age while nobody changes the cable.
"""

import math
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
from .roles import Identity
from .sdi12_trust import MEASURED, NAME, PRESENCE, STRAY, Shape, Trust, shape_of

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
SERVICE_GRACE_S: Final = 0.5
# ttt has three digits, but a light sensor that takes longer than this is not one for a bench.
MAX_MEASUREMENT_S: Final = 30
# Waits up to this are expected of a sensor of which nothing is known; one that announces a longer one is given it at
# the next reading. So a port that hangs is found out in less than the longest of all waits.
FIRST_WAIT_S: Final = 5
_MAX_DATA_COMMANDS: Final = 10  # D0 to D9
# A line that is never silent is not listened to for ever.
_MOST_DRAINED: Final = 64
_NOT_THIS: Final = "those to earlier questions came, and none to this one"


class LongerWaitError(DeviceError):
    """A measurement takes longer than any before; the next reading allows for it."""


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
            self._stale_until_s = self._link.now_s() + announcement.wait_s + SERVICE_GRACE_S
            raise LongerWaitError(
                f"a measurement of {announcement.wait_s} s is announced, longer than before",
                where=self.where,
                mend="nothing: the next reading waits so long",
            )
        if announcement.wait_s:
            self._stale_until_s = self._link.now_s() + announcement.wait_s + SERVICE_GRACE_S
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
            request = self._receive(wait_s + SERVICE_GRACE_S)
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
