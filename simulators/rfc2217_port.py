"""Serves a serial device through RFC 2217 (Telnet COM port control), in real time.

The way to a simulated line that has what a pseudo-terminal lacks: line settings, breaks and modem lines. The Telnet
side is pyserial's ``PortManager`` over a stand-in for the serial port it usually manages. A device given ``expects``
gets only bytes sent at those settings; anything else would be noise on a real line, and is dropped here.
"""

import heapq
from dataclasses import dataclass

from serial.rfc2217 import PortManager

from .device import SerialDevice
from .ports import BenchLock, SocketPort, TimeSource


@dataclass(frozen=True, slots=True)
class LineSettings:
    """Baud rate, data bits, parity and stop bits that a device is set to."""

    baud: int
    data_bits: int
    parity: str
    stop_bits: int


class _Line:
    """What pyserial's ``PortManager`` takes for the serial port it manages."""

    def __init__(self, port: "Rfc2217Port") -> None:
        self._port = port
        self.baudrate = 9600
        self.bytesize = 8
        self.parity = "N"
        self.stopbits = 1
        self.xonxoff = self.rtscts = False
        self.dtr = self.rts = True
        self.cts = self.dsr = self.ri = self.cd = False
        self._in_break = False

    @property
    def break_condition(self) -> bool:
        """Whether the host holds the line in a break."""
        return self._in_break

    @break_condition.setter
    def break_condition(self, on: bool) -> None:
        if on and not self._in_break:
            self._port.note_break()
        self._in_break = on

    def settings(self) -> LineSettings:
        """How the host has set the line."""
        return LineSettings(self.baudrate, self.bytesize, self.parity, int(self.stopbits))

    def reset_input_buffer(self) -> None:
        """Throw away what the device has sent and the host has not seen."""
        self._port.forget_due()

    def reset_output_buffer(self) -> None:
        """Nothing is held back in the other direction."""


class Rfc2217Port(SocketPort):
    """A device behind an RFC 2217 serial server on the loopback, with breaks and modem lines.

    A hung device does not hang the server, which goes on to answer for itself.
    """

    scheme = "rfc2217"
    hangs_with_device = False

    def __init__(
        self,
        device: SerialDevice,
        time: TimeSource,
        number: int = 0,
        *,
        lock: BenchLock | None = None,
        expects: LineSettings | None = None,
    ) -> None:
        super().__init__(device, time, number, lock=lock)
        self._expects = expects
        self._line = _Line(self)
        self._manager: PortManager | None = None
        self._lines: dict[str, bool] = {}

    def set_lines(self, **lines: bool) -> None:
        """Set modem lines ``cts``, ``dsr``, ``ri``, ``cd``, from any thread.

        Raises:
            ValueError: There is no such line.
        """
        if unknown := set(lines) - {"cts", "dsr", "ri", "cd"}:
            raise ValueError(f"no modem line {', '.join(sorted(unknown))}")
        self._lines = {**self._lines, **lines}
        self._wake()

    def note_break(self) -> None:
        """The host has begun a break."""
        self._break()

    def forget_due(self) -> None:
        """The host has purged its receive buffer."""
        now_s = self._time.monotonic()
        self._due = [item for item in self._due if item[0] > now_s]
        heapq.heapify(self._due)

    def _connected(self) -> None:
        self._line = _Line(self)
        vars(self._line).update(self._lines)
        self._manager = PortManager(self._line, _Writer(self))  # type: ignore[arg-type]  # it needs no more of them

    def _arrived(self, data: bytes) -> None:
        if self._manager is None:
            return
        payload = b"".join(self._manager.filter(data))
        if payload and self._expects in {None, self._line.settings()}:
            self._ask(payload)

    def _transmit(self, data: bytes) -> None:
        if self._manager is not None and self._expects in {None, self._line.settings()}:
            self._send_raw(b"".join(self._manager.escape(data)))

    def _send_due(self) -> None:
        if self._manager is not None and self._peer is not None:
            vars(self._line).update(self._lines)
            self._manager.check_modem_lines()
        super()._send_due()

    def send_raw(self, data: bytes) -> None:
        """Send Telnet bytes as they are."""
        self._send_raw(data)


class _Writer:
    """The connection that ``PortManager`` writes its negotiation to."""

    def __init__(self, port: Rfc2217Port) -> None:
        self._port = port

    def write(self, data: bytes) -> None:
        """Send bytes as they are."""
        self._port.send_raw(data)
