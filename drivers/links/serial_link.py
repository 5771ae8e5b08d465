"""Serial ports through pyserial: device files, ``socket://``, ``rfc2217://``, and USB adapters by their identity.

Reads wait in slices, because changing pyserial's time-out reconfigures the port, and over RFC 2217 renegotiates every
setting. Nothing waits for the output to drain: ``tcdrain`` has no time-out and hangs on a port whose other side holds
it off; instead the time that bytes take on the line is reckoned from the settings.

A reset from another thread flushes the port and wakes pyserial's waits. Where the hung call still does not return, its
handle is left to it, unlocked, and closed when it comes back: closing a file descriptor under a system call frees
nothing, and its number could be given to somebody else's file meanwhile.

A server of a network port may hang while its connection lives, which looks like a silent instrument. RFC 2217 lets one
ask the server itself: after a silence it is asked to purge its output, which is empty by then, and has to say that it
did. One that does not is told, and connected anew at the next use. Plain ``socket://`` has no such question; there, and
where the server answers for itself only, the connection is made anew after a longer silence.
"""

import contextlib
import errno
import fcntl
import math
import os
import select
import socket
import termios
import threading
import time
from collections.abc import Iterator, Mapping
from typing import Final, Protocol

import serial
from serial.tools import list_ports

from ...protocol.errors import DeviceError, LinkError, LinkFault, reason_of
from . import wire_log
from .base import ModemLines, Ownership, SerialSettings

# ruff: noqa: D102  the interface in base.py documents the methods

# How late a time-out can be noticed; bytes that arrive end a wait at once. Twenty milliseconds keep SDI-12's and
# Modbus's time-outs honest and cost 50 wake-ups a second while somebody waits (common practice, no source).
_SLICE_S: Final = 0.02
# Linux lets a sleep run over by so much, to wake for several things at once (prctl(2), PR_SET_TIMERSLACK, its default).
_TIMER_SLACK_S: Final = 50e-6
# The kernel takes 4 KiB at once, far more than any command: a write that waits means a port that is held off.
_WRITE_BOUND_S: Final = 2.0
# After a reset, how long the woken call gets to leave by itself: two slices and some scheduling.
_LEAVE_BOUND_S: Final = 0.2

# A silence after which the server of a network port is asked whether it is there: about the time-out of a driver.
_ASK_SERVER_AFTER_S: Final = 1.4
# How long it may take to answer: many times a network's way there and back (common practice, no source).
_SERVER_BOUND_S: Final = 1.0
# An instrument that was asked and says nothing for so long may be behind a connection that only seems to live.
_RENEW_AFTER_S: Final = 10.0
# PURGE-DATA 2, the access server's transmit buffer (RFC 2217, section 3).
_PURGE_OUTPUT: Final = b"\x02"

_MEND_ABSENT: Final = "plug it in, or correct the port"
_MEND_RIGHTS: Final = "give the user the right to the port, often by the group dialout"
_MEND_BUSY: Final = "end the other program that uses the port"
_MEND_NETWORK: Final = "check the network and the host's name"
_OPEN_FAULTS: Final = {
    errno.ENOENT: (LinkFault.ABSENT, _MEND_ABSENT),
    errno.ENODEV: (LinkFault.ABSENT, _MEND_ABSENT),
    errno.ENXIO: (LinkFault.ABSENT, _MEND_ABSENT),
    errno.ENOTTY: (LinkFault.ABSENT, "name a serial port"),
    errno.EISDIR: (LinkFault.ABSENT, "name a serial port"),
    errno.EACCES: (LinkFault.DENIED, _MEND_RIGHTS),
    errno.EPERM: (LinkFault.DENIED, _MEND_RIGHTS),
    errno.EBUSY: (LinkFault.BUSY, _MEND_BUSY),
    errno.EAGAIN: (LinkFault.BUSY, _MEND_BUSY),
    errno.ECONNREFUSED: (LinkFault.ABSENT, "start the server of the port, or correct host and port"),
    errno.EHOSTUNREACH: (LinkFault.ABSENT, _MEND_NETWORK),
    errno.ENETUNREACH: (LinkFault.ABSENT, _MEND_NETWORK),
    errno.ETIMEDOUT: (LinkFault.SILENT, "check the network and the server of the port"),
}
# How pyserial 3.5 words a server that says nothing, to a request and when it is connected.
_NO_WORD: Final = "timeout while waiting for option"
_NO_NEGOTIATION: Final = "Remote does not seem to support"
_PARITY: Final = {"N": serial.PARITY_NONE, "E": serial.PARITY_EVEN, "O": serial.PARITY_ODD}


def find_usb_serial(vid: int, pid: int, serial_number: str | None, *, where: str) -> str:
    """Return the device file of the one USB serial adapter with this identity.

    Raises:
        LinkError: ABSENT when there is none; BUSY when several fit, which only a serial number can tell apart.
    """
    fits = [
        found
        for found in list_ports.comports()
        if (found.vid, found.pid) == (vid, pid) and serial_number in {None, found.serial_number}
    ]
    if not fits:
        raise LinkError(LinkFault.ABSENT, "no such USB serial port is plugged in", where=where, mend="plug it in")
    if len(fits) > 1:
        numbers = ", ".join(sorted(str(found.serial_number) for found in fits))
        raise LinkError(
            LinkFault.BUSY,
            f"{len(fits)} USB serial ports fit",
            where=where,
            mend=f"add a serial number to the port; present are {numbers}",
        )
    return str(fits[0].device)


def _keep_alive(connection: socket.socket | None) -> None:
    """Have the system notice within 11 s that the other side of a quiet network port is gone without a word."""
    if connection is None:
        return
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for name, value in (("TCP_KEEPIDLE", 5), ("TCP_KEEPINTVL", 2), ("TCP_KEEPCNT", 3)):
        if hasattr(socket, name):  # not every system has all
            connection.setsockopt(socket.IPPROTO_TCP, getattr(socket, name), value)


class SerialLink:
    """A :class:`~.base.ByteLink` over pyserial.

    Args:
        port: As the operator named it; shown in errors.
        settings: Of the line.
        usb: Vendor, product and perhaps serial number, when the port is named by them; looked up at each opening,
            because device files move when adapters are plugged again.
    """

    def __init__(self, port: str, settings: SerialSettings, *, usb: tuple[int, int, str | None] | None = None) -> None:
        self._port = port
        self._settings = settings
        self._usb = usb
        self._ownership = Ownership()
        self._lock = threading.Lock()
        self._handle: serial.Serial | None = None
        self._idle = threading.Event()
        self._idle.set()
        self._generation = 0
        self._last_activity_s = -math.inf
        self._last_written = b""
        self._heard_s = -math.inf
        """When the other side of a network port last gave a sign of life."""
        self._silent_since_s = math.inf
        """When the first question since then was sent to the instrument."""
        self._server_asked_s = math.inf

    @property
    def port(self) -> str:
        return self._port

    @property
    def generation(self) -> int:
        return self._generation

    @property
    def is_open(self) -> bool:
        return self._handle is not None

    @property
    def settings(self) -> SerialSettings:
        return self._settings

    @property
    def last_written(self) -> bytes:
        return self._last_written

    def now_s(self) -> float:
        return time.monotonic()

    def quiet_s(self) -> float:
        return max(0.0, self.now_s() - self._last_activity_s)

    def claim(self) -> None:
        self._ownership.claim()

    def open(self) -> None:
        self._ownership.check(self._port)
        if self._handle is not None:
            return
        name = self._port if self._usb is None else find_usb_serial(*self._usb, where=self._port)
        try:
            handle = serial.serial_for_url(
                name,
                baudrate=self._settings.baud,
                bytesize=self._settings.data_bits,
                parity=_PARITY[self._settings.parity],
                stopbits=self._settings.stop_bits,
                timeout=_SLICE_S,
                write_timeout=None
                if name.startswith("rfc2217:")
                else _WRITE_BOUND_S,  # it knows none, but its socket does
                exclusive=True,
            )
        except (OSError, ValueError, termios.error) as error:
            raise self._open_error(error) from error
        _keep_alive(getattr(handle, "_socket", None))
        with self._lock:
            self._handle = handle
            self._generation += 1
        self._heard_s = self.now_s()
        self._silent_since_s = self._server_asked_s = math.inf

    def write(self, data: bytes) -> None:
        with self._using() as handle:
            handle.write(data)
        wire_log.sent(self._port, data)
        self._last_written = data
        now_s = self.now_s()
        self._last_activity_s = now_s + len(data) * self._settings.character_s
        self._silent_since_s = min(self._silent_since_s, now_s)

    def read(self, max_bytes: int, timeout_s: float) -> bytes:
        deadline_s = self.now_s() + timeout_s
        with self._using() as handle:
            read = _read_file if isinstance(handle, serial.Serial) else _read_stream
            while self._handle is handle:  # until it is given up under us
                data = read(handle, max_bytes)
                if data:
                    self._last_activity_s = self._heard_s = self.now_s()
                    self._silent_since_s = math.inf
                    wire_log.received(self._port, data)
                    return data
                if self.now_s() >= deadline_s:
                    if read is _read_stream:
                        self._doubt(handle)
                    return b""
        raise LinkError(LinkFault.HUNG, "the port was reset while it was read", where=self._port)

    def discard_input(self) -> bytes:
        # Not reset_input_buffer(): over RFC 2217 that asks the server to purge and waits for its word, each time.
        dropped = b""
        with self._using() as handle:
            while waiting := handle.in_waiting:
                dropped += handle.read(waiting)
        return dropped

    def send_break(self, duration_s: float) -> None:
        with self._using() as handle:
            # tcsendbreak() would round the duration to quarters of a second, and 0 to one of them.
            with contextlib.suppress(termios.error):  # a pseudo-terminal knows no break
                handle.break_condition = True
            self.pause(duration_s)
            with contextlib.suppress(termios.error):
                handle.break_condition = False
        self._last_activity_s = self.now_s()

    def pause(self, seconds: float) -> None:
        end_s = self.now_s() + seconds
        while (left_s := end_s - self.now_s()) > 0:
            asked_s = max(left_s - _TIMER_SLACK_S, 0.0)
            time.sleep(asked_s)  # noqa: TID251  silence that a wire's standard asks for, in wire time

    def modem_lines(self) -> ModemLines:
        try:
            with self._using() as handle:
                # pyserial goes on telling the last state that an RFC 2217 server has sent, also when it is gone.
                reader: threading.Thread | None = getattr(handle, "_thread", None)
                if reader is not None and not reader.is_alive():
                    raise OSError(errno.ECONNRESET, "the server of the port has closed the connection")
                self._ask_server_aside(handle)
                return ModemLines(cts=handle.cts, dsr=handle.dsr, ri=handle.ri, cd=handle.cd)
        except LinkError as error:
            if isinstance(error.__cause__, OSError) and error.__cause__.errno == errno.ENOTTY:
                raise DeviceError(
                    "the port has no modem lines", where=self._port, mend="use a real port or RFC 2217"
                ) from error
            raise

    def reset(self) -> None:
        with self._lock:
            handle, self._handle = self._handle, None
        if handle is None:
            return
        with contextlib.suppress(OSError, termios.error, AttributeError):  # not every kind of port can do all
            termios.tcflush(handle.fileno(), termios.TCIOFLUSH)
            handle.cancel_read()
            handle.cancel_write()
        if self._idle.wait(_LEAVE_BOUND_S):
            self._close(handle)
        else:
            with contextlib.suppress(OSError, AttributeError):
                fcntl.flock(handle.fileno(), fcntl.LOCK_UN)

    def close(self) -> None:
        with self._lock:
            handle, self._handle = self._handle, None
        if handle is not None:
            self._close(handle)

    @contextlib.contextmanager
    def _using(self) -> Iterator[serial.Serial]:
        """Give the open handle to one call; translate its errors; close a handle that was given up meanwhile."""
        self.open()
        handle = self._handle
        if handle is None:
            raise LinkError(LinkFault.HUNG, "the port was reset while it was opened", where=self._port)
        self._idle.clear()
        try:
            yield handle
        except (OSError, termios.error, TypeError) as error:
            # TypeError: pyserial's read() after the port was closed under it finds None for its file descriptor.
            self._give_up(handle)
            raise self._use_error(error) from error
        finally:
            self._idle.set()
            if self._handle is not handle:
                self._close(handle)

    def _doubt(self, handle: serial.Serial) -> None:
        """After a silence on a network port: see whether its server is there."""
        now_s = self.now_s()
        option = _server_question(handle)
        if option is not None and now_s - self._heard_s >= _ASK_SERVER_AFTER_S:
            option.set(_PURGE_OUTPUT)
            try:
                option.wait(_SERVER_BOUND_S)
            except ValueError:
                pass  # it refuses, and so it is there
            except serial.SerialException as error:
                self._give_up(handle)
                raise self._server_hangs() from error
            self._heard_s = self.now_s()
        if now_s - self._silent_since_s >= _RENEW_AFTER_S:
            self._give_up(handle)

    def _ask_server_aside(self, handle: serial.Serial) -> None:
        """The same without a wait, for who looks at modem lines again and again."""
        option, now_s = _server_question(handle), self.now_s()
        if option is None or now_s - self._heard_s < _ASK_SERVER_AFTER_S:
            return
        if self._server_asked_s == math.inf:
            option.set(_PURGE_OUTPUT)
            self._server_asked_s = now_s
            return
        try:
            is_there = option.is_ready()
        except ValueError:
            is_there = True
        if is_there:
            self._heard_s, self._server_asked_s = now_s, math.inf
        elif now_s - self._server_asked_s >= _SERVER_BOUND_S:
            self._give_up(handle)
            raise self._server_hangs()

    def _server_hangs(self) -> LinkError:
        return LinkError(
            LinkFault.LOST,
            "the server of the port holds the connection and does not answer",
            where=self._port,
            mend="restart the server of the port; it is connected again by itself",
        )

    def _give_up(self, handle: serial.Serial) -> None:
        with self._lock:
            if self._handle is handle:
                self._handle = None

    @staticmethod
    def _close(handle: serial.Serial) -> None:
        # pyserial 3.5 leaves a socket open when the other side has closed it first (close() after a failed shutdown()).
        connection: socket.socket | None = getattr(handle, "_socket", None)
        with contextlib.suppress(OSError, termios.error):  # gone already
            handle.close()
        if connection is not None:
            connection.close()

    def _use_error(self, error: Exception) -> LinkError:
        if isinstance(error, serial.SerialTimeoutException):
            return LinkError(
                LinkFault.SILENT, "the port takes no bytes", where=self._port, mend="check cable and flow control"
            )
        if _NO_WORD in str(error):
            return self._server_hangs()
        what = f"the port was lost: {reason_of(error)}"
        return LinkError(LinkFault.LOST, what, where=self._port, mend="plug it in again")

    def _open_error(self, error: Exception) -> LinkError:
        if isinstance(error, termios.error):
            return LinkError(
                LinkFault.DENIED,
                f"the port does not take {self._settings}: {error.args[-1]}",
                where=self._port,
                mend="set data_bits = 8 and parity = 'N', if the device takes it",
            )
        if str(error).startswith(_NO_NEGOTIATION) or _NO_WORD in str(error):
            return LinkError(
                LinkFault.SILENT,
                "the server of the port takes the connection and does not answer as RFC 2217 asks",
                where=self._port,
                mend="restart the server of the port, or correct host and port",
            )
        seen: BaseException | None = error
        while seen is not None:
            # pyserial nests errors and their words in words of its own; termios has its number among the arguments.
            number = seen.args[0] if isinstance(seen, termios.error) else getattr(seen, "errno", None)
            if number in _OPEN_FAULTS:
                fault, mend = _OPEN_FAULTS[number]
                # pyserial's own words would say port and error twice over.
                reason = "it is in use" if fault is LinkFault.BUSY else os.strerror(number).lower()
                return LinkError(fault, f"cannot open the port: {reason}", where=self._port, mend=mend)
            if isinstance(seen, socket.gaierror):
                reason = reason_of(seen).lower()
                return LinkError(
                    LinkFault.ABSENT, f"cannot open the port: {reason}", where=self._port, mend="check the host's name"
                )
            if isinstance(seen, TimeoutError):
                return LinkError(
                    LinkFault.SILENT, "cannot open the port: no answer", where=self._port, mend="check the network"
                )
            seen = seen.__cause__ or seen.__context__
        return LinkError(
            LinkFault.ABSENT, f"cannot open the port: {error}", where=self._port, mend="check the port's name"
        )


class _ServerQuestion(Protocol):
    """The part of pyserial's options of RFC 2217 that is used here."""

    def set(self, value: bytes) -> None: ...
    def is_ready(self) -> bool: ...
    def wait(self, timeout: float) -> None: ...


def _server_question(handle: serial.Serial) -> _ServerQuestion | None:
    """What asks an RFC 2217 server itself; None on other ports."""
    options: Mapping[str, _ServerQuestion] = getattr(handle, "_rfc2217_options", {})
    return options.get("purge")


def _read_file(handle: serial.Serial, max_bytes: int) -> bytes:
    """Wait a slice for what a device file has, and take all of it by one call.

    pyserial's read() fetches a known number of bytes: first the one that says that some are there, then those that
    ``in_waiting`` counts. Two calls of the system hand an answer over here, five there.
    """
    descriptor = handle.fileno()
    if not select.select([descriptor], [], [], _SLICE_S)[0]:
        return b""
    try:
        data = os.read(descriptor, max_bytes)
    except BlockingIOError:
        return b""  # a reset has flushed it
    if not data:  # Linux: always ready, and never anything there
        raise serial.SerialException("it is ready and has no data: unplugged, or another program reads it")
    return data


def _read_stream(handle: serial.Serial, max_bytes: int) -> bytes:
    """The same for pyserial's other kinds of ports, which are no files."""
    data = handle.read(min(max_bytes, max(1, handle.in_waiting)))
    while data and len(data) < max_bytes and (waiting := handle.in_waiting):
        data += handle.read(min(max_bytes - len(data), waiting))
    return bytes(data)
