"""How a capture is begun, and how the driver learns that it is ready, for spectrometers that must not be asked before.

Owns the hand-shake and its bound; what is set before and what the answer holds is the spectrometer's own. Four ways,
after IEEE 488.2 and SCPI-99:

``status-byte``         a bit of the status byte, read by a serial poll (USB488, 4.3.1) or by ``*STB?`` (10.36)
``service-request``     the same, and a service request ends the wait early where the wire has one (USB488, 3.4)
``condition``           bits of a condition register, by its query, such as ``STATus:OPERation:CONDition?`` (9.3)
``operation-complete``  ``*OPC?``, which is answered when all is done (10.19)

A bit that was set before the start says nothing of this capture: an older spectrum would pass for the new one. So the
bit is looked at before, and a device that claims to be ready before it was started is refused.
"""

from dataclasses import dataclass
from enum import Enum
from typing import Final

from ..protocol.errors import DeviceError, WireError
from .codecs.scpi import decode_integer
from .message_link import QUERY_S
from .scpi_device import ScpiDevice

# SCPI-99 volume 1, 9.1: bit 2 of the status byte tells that the error queue is not empty (from memory).
_ERROR_QUEUE_BIT: Final = 0x04


class Ready(Enum):
    """The ways to know, by their names in profiles."""

    STATUS_BYTE = "status-byte"
    SERVICE_REQUEST = "service-request"
    CONDITION = "condition"
    OPERATION_COMPLETE = "operation-complete"


@dataclass(frozen=True, slots=True)
class Handshake:
    """One kind of spectrometer's hand-shake.

    Attributes:
        clear: Command that takes back what an earlier capture left, sent before each start.
        start: Command that begins a capture.
        ready: How its end is known.
        query: For CONDITION and OPERATION_COMPLETE.
        mask: Bits that tell, any of them.
        is_set: Whether ready is a bit that is set; else none of them is.
        poll_s: Time between two looks, after the exposures' own time.
        fetch: Query for the counts.
    """

    clear: str | None
    start: str
    ready: Ready
    query: str
    mask: int
    is_set: bool
    poll_s: float
    fetch: str

    @property
    def bound_s(self) -> float:
        """Wire time of one capture beyond its exposures and their grace: two commands, a look before and a last one."""
        return 4 * QUERY_S + self.poll_s


class Capturing:
    """One capture after the other, each begun and waited for."""

    def __init__(self, device: ScpiDevice, handshake: Handshake) -> None:
        self._device = device
        self._handshake = handshake

    def run(self, exposures_s: float, grace_s: float) -> None:
        """Begin a capture and return when it can be fetched.

        Args:
            exposures_s: Time that the exposures take; nothing is asked meanwhile.
            grace_s: How much longer it may take.

        Raises:
            DeviceError: It was ready before it was started, reported an error, or was not ready in time.
        """
        handshake = self._handshake
        if handshake.clear is not None:
            self._device.send(handshake.clear)
        if handshake.ready is Ready.OPERATION_COMPLETE:
            self._device.send(handshake.start)
            self._device.query(handshake.query, decode=self._one, timeout_s=exposures_s + grace_s)
            return
        if handshake.is_set and self._is_ready():
            raise DeviceError(
                "it says that it is ready before it was started",
                where=self._device.port,
                mend='let "clear" in the profile take the bit back, by *CLS for example',
            )
        self._device.send(handshake.start)
        self._wait(exposures_s, grace_s)

    def _one(self, answer: str) -> None:
        if decode_integer(answer) != 1:
            query, where = self._handshake.query, self._device.port
            raise WireError(f"{query} is answered by 1 only", raw=answer.encode(), where=where)

    def _wait(self, exposures_s: float, grace_s: float) -> None:
        handshake, device = self._handshake, self._device
        wait = device.wait_service if handshake.ready is Ready.SERVICE_REQUEST else device.pause
        end_s = device.now_s() + exposures_s + grace_s
        wait(exposures_s)
        while not self._is_ready():
            left_s = end_s - device.now_s()
            if left_s <= 0:
                device.raise_errors(handshake.start)
                raise DeviceError(
                    f"not ready {grace_s:g} s after exposures of {exposures_s:g} s",
                    where=device.port,
                    mend="check start, ready, query and mask in the profile, and overhead_s",
                )
            wait(min(handshake.poll_s, left_s))

    def _is_ready(self) -> bool:
        handshake, device = self._handshake, self._device
        if handshake.ready is Ready.CONDITION:
            bits = device.query(handshake.query, decode=decode_integer)
        else:
            bits = device.read_status_byte()
            if bits & _ERROR_QUEUE_BIT & ~handshake.mask:
                device.raise_errors(handshake.start)
        return bool(bits & handshake.mask) is handshake.is_set
