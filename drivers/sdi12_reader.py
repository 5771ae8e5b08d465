"""SDI-12 instruments: which measurement gives which quantity, and how a sensor's way to be read is found.

``sdi12_sensor.py`` speaks to the sensor. A sensor need not offer continuous readings or a CRC: the ways are tried one
after the other, and the first that gives values is kept.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from ..protocol.counts import counted
from ..protocol.errors import DeviceError, LampwardenError, LinkError, LinkFault, WireError
from .quantities import Conversion, Quantity
from .roles import Identity
from .sdi12_sensor import BREAKS, MAX_MEASUREMENT_S, SERVICE_GRACE_S, LongerWaitError, Sdi12Sensor

# ruff: noqa: D102  reader.py documents the methods

# CRC characters are 40h to 7Fh (4.4.12.2); values end in a digit or a point.
_LOWEST_CRC_CHARACTER: Final = 0x40


@dataclass(frozen=True, slots=True)
class ValueField:
    """Which value of a measurement gives a quantity; ``index`` counts from 0.

    ``command`` is the measurement that gives it; None: the reader's.
    """

    index: int
    conversion: Conversion
    command: str | None = None


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
        return 3 * self._sensor.command_bound_s + 2 * (wait_s + SERVICE_GRACE_S)

    def _read_by(self, command: str, with_crc: bool) -> tuple[float, ...]:  # a pair, as kept in _ways
        if command[0] == "R":
            return self._sensor.read_continuous(int(command[1]), with_crc=with_crc)
        return self._sensor.measure(command, with_crc=with_crc)


def _lacks_crc(raw: bytes) -> bool:
    """Whether a response ends as one without CRC does."""
    return all(byte < _LOWEST_CRC_CHARACTER for byte in raw[-3:])
