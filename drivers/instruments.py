"""Instruments on their links: what the daemon holds and calls.

:class:`LinkPool` sees to it that instruments which name the same port share one link and one runner, so that their
calls never meet on the line. :class:`BenchInstrument` is a driver with its runner. Building checks the configuration
and touches no port; :meth:`BenchInstrument.open` does, on the runner, and may be repeated until it succeeds: a link
that was lost opens itself again at its next use.
"""

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final, Generic, TypeVar

from pydantic import JsonValue

from ..protocol.clock import Clock
from ..protocol.errors import ConfigurationError, DeviceError, LampwardenError, LinkError, LinkFault
from .links.base import ByteLink, Link, SerialSettings, UsbInterface, UsbLink
from .links.factory import Wire, same_adapter, serial_link, usb_link, wires_of
from .links.inline import UsbDevice, inline_link
from .plan import Driver, Plan
from .roles import Identity, Instrument, Prepared, Role
from .runner import InlineRunner, Runner, ThreadRunner

log = logging.getLogger("lampwarden.instruments")

RoleT = TypeVar("RoleT", bound=Instrument)
T = TypeVar("T")

# A port opens at once, a network port after its negotiation (RFC 2217: pyserial waits 3 s for it), a USB device after
# reading some descriptors of at most 1 s each.
OPEN_BOUND_S: Final = 10.0
_MEND_DRIVER: Final = "report it to the driver's maker; the log has more"


@dataclass(frozen=True, slots=True)
class InlinePort:
    """A simulated device instead of a port: it is called directly, on bench time."""

    device: object
    clock: Clock
    name: str = "inline"


Port = str | InlinePort


@dataclass(slots=True)
class _Shared:
    """A link in the pool, and how many instruments use it."""

    link: Link
    runner: Runner
    demand: object
    users: int = 0


class LinkPool:
    """The links of a bench, one a port."""

    def __init__(self) -> None:
        self._shared: dict[str | int, _Shared] = {}

    def take(self, port: Port, plan: Plan) -> tuple[Instrument, Runner]:
        """Build an instrument on the port's link, made now or shared.

        Raises:
            ConfigurationError: The port does not fit the driver, another instrument set the line otherwise, or calls
                the same adapter by another name.
        """
        key = port if isinstance(port, str) else id(port.device)
        name = port if isinstance(port, str) else port.name
        wire = _choose(port, plan)
        demand: SerialSettings | UsbInterface | None = None
        if wire is Wire.SERIAL and plan.serial is not None:
            demand = plan.serial.settings
        elif plan.usb is not None:
            demand = plan.usb.interface
        shared = self._shared.get(key)
        if shared is None:
            self._refuse_second_name(name)
            shared = self._shared[key] = _make(port, name, demand)
        elif shared.demand != demand:
            raise ConfigurationError(
                f"another instrument sets this port to {shared.demand}, this one to {demand}",
                where=name,
                mend="give all instruments of a line the same settings",
            )
        link = shared.link
        if wire is Wire.SERIAL and plan.serial is not None and isinstance(link, ByteLink):
            instrument = plan.serial.build(link)
        elif plan.usb is not None and isinstance(link, UsbLink):
            instrument = plan.usb.build(link)
        else:
            raise ConfigurationError("the port does not fit the driver", where=name)
        shared.users += 1
        return instrument, shared.runner

    def _refuse_second_name(self, port: str) -> None:
        """Two links on one adapter would speak into each other, or one would never get it."""
        for other in self._shared:
            if isinstance(other, str) and same_adapter(port, other):
                raise ConfigurationError(
                    f"this is the adapter that another instrument calls {other}",
                    where=port,
                    mend="write both ports alike if the instruments share a line; else name another adapter, each by "
                    "its serial number",
                )

    async def release(self, runner: Runner) -> None:
        """Give a link back; the last user closes it."""
        for key, shared in list(self._shared.items()):
            if shared.runner is runner:
                shared.users -= 1
                if shared.users <= 0:
                    del self._shared[key]
                    await runner.close()

    async def close(self) -> None:
        """Close all links; each within its bound."""
        shared = list(self._shared.values())
        self._shared.clear()
        for each in shared:
            await each.runner.close()


@dataclass(frozen=True, slots=True)
class _Known:
    """Who answered, and behind which opening of the link."""

    identity: Identity
    generation: int


class BenchInstrument(Generic[RoleT]):
    """One instrument of the bench: its driver, run where its link is run."""

    def __init__(
        self, name: str, driver: Driver, port: Port, instrument: RoleT, runner: Runner, pool: LinkPool
    ) -> None:
        self.name = name
        self.driver = driver
        self.port = port if isinstance(port, str) else port.name
        self.instrument = instrument
        self.runner = runner
        self._pool = pool
        self._is_closed = False
        self._known: _Known | None = None
        self._logged = ""

    async def open(self) -> Identity:
        """Open the link where needed and ask the device who it is; may be called again after any error.

        Raises:
            LinkError: Each fault, with how to mend it.
            LampwardenError: What the device answered makes no sense.
        """
        self._known = await self._identify()
        await self._prepare()
        return self._known.identity

    async def call(self, fn: Callable[[RoleT], T], *, bound_s: float | None = None) -> T:
        """Run ``fn`` with the instrument on its runner.

        Once :meth:`open` has told who is there, no other device is spoken to: behind a link that was opened anew since,
        for whatever reason and by whichever instrument of the line, the device is asked first who it is.

        Args:
            fn: Such as ``lambda meter: meter.read_supply()``.
            bound_s: Wire time allowed; None is the instrument's own ``bound_s``. A link that is closed is opened first,
                within a bound of its own.

        Raises:
            LinkError, WireError, DeviceError: As the driver; DeviceError also when another device answers by now.
        """
        link, known = self.runner.link, self._known
        if not link.is_open:
            await self._run(link.open, OPEN_BOUND_S)
        if known is not None and link.generation != known.generation:
            known = await self._recognise(known)
        try:
            within_s = self.instrument.bound_s if bound_s is None else bound_s
            if known is None:
                return await self.runner.call(lambda: fn(self.instrument), within_s)
            return await self.runner.call(lambda: self._with(known, fn), within_s)
        except LampwardenError as error:
            self._place(error)
            raise
        except Exception as error:
            raise self._outside(error) from error

    def _with(self, known: "_Known", fn: Callable[[RoleT], T]) -> T:
        """On the runner: call, but neither ask nor believe a device that may be another one."""
        link = self.runner.link
        if link.generation == known.generation:
            result = fn(self.instrument)
            if link.generation == known.generation:
                return result
        raise LinkError(LinkFault.LOST, "the port was opened anew meanwhile", where=self.port, mend="read again")

    async def _identify(self) -> "_Known":
        await self._run(self.runner.link.open, OPEN_BOUND_S)

        def identified() -> _Known:
            identity: object = self.instrument.identify()
            if not isinstance(identity, Identity):
                raise DeviceError(f"its driver calls {type(identity).__name__} an identity", mend=_MEND_DRIVER)
            return _Known(identity, self.runner.link.generation)

        return await self._run(identified, self._bound_s(lambda one: one.identify_bound_s))

    async def _prepare(self) -> None:
        if isinstance(instrument := self.instrument, Prepared):
            while not await self._run(instrument.prepare, self._bound_s(lambda one: one.step_bound_s)):
                pass

    async def _recognise(self, known: "_Known") -> "_Known":
        found = await self._identify()
        if found.identity.raw != known.identity.raw:
            # Until somebody opens it knowingly.
            raise DeviceError(
                f"another device answers: {found.identity.raw!r}, where {known.identity.raw!r} was",
                where=self.port,
                mend="change the cable, unless it was meant",
            )
        self._known = found
        return found

    def _bound_s(self, of_prepared: Callable[[Prepared], float]) -> float:
        try:
            instrument: Instrument = self.instrument
            return of_prepared(instrument) if isinstance(instrument, Prepared) else instrument.bound_s
        except Exception as error:
            raise self._outside(error) from error

    async def input_ready(self, within_s: float) -> bool:
        """See :meth:`~.runner.Runner.input_ready`."""
        return await self.runner.input_ready(within_s)

    async def close(self) -> None:
        """Leave the device as found and give its link back; bounded, idempotent."""
        if not self._is_closed:
            self._is_closed = True
            await self._pool.release(self.runner)

    async def _run(self, fn: Callable[[], T], bound_s: float) -> T:
        try:
            return await self.runner.call(fn, bound_s)
        except LampwardenError as error:
            self._place(error)
            raise
        except Exception as error:
            raise self._outside(error) from error

    def _outside(self, error: Exception) -> Exception:
        """What to raise for an error that no driver should raise.

        A driver of somebody else's must not end the daemon: it is a fault of its device. An error in one of ours is a
        defect, and must not pass for that.
        """
        if not self.driver.is_foreign:
            return error
        text = f"its driver {self.driver.name} failed: {type(error).__name__}: {error}"
        if text != self._logged:
            self._logged = text
            log.error("%s: %s", self.name, text, exc_info=error)
        return DeviceError(text, where=self.port, mend=_MEND_DRIVER)

    def _place(self, error: LampwardenError) -> None:
        """Codecs do not know where they are."""
        error.where = error.where or self.port


def build_instrument(
    role: Role[RoleT],
    driver: Driver,
    port: Port,
    options: Mapping[str, JsonValue] | None = None,
    *,
    name: str,
    pool: LinkPool,
) -> BenchInstrument[RoleT]:
    """Check driver, options and port, and build the instrument without touching the port.

    Raises:
        ConfigurationError: The driver is for another role, an option is wrong, or the port does not fit.
    """
    if driver.role.name != role.name:
        raise ConfigurationError(
            f"driver {driver.name} is for the role {driver.role.name}, not {role.name}",
            where=name,
            mend="choose another driver or another role",
        )
    try:
        instrument, runner = pool.take(port, driver.plan(options or {}))
    except LampwardenError:
        raise
    except Exception as error:
        if not driver.is_foreign:
            raise
        raise ConfigurationError(
            f"driver {driver.name} failed: {type(error).__name__}: {error}", where=name, mend=_MEND_DRIVER
        ) from error
    if not isinstance(instrument, role.protocol):
        raise ConfigurationError(f"driver {driver.name} does not fill the role {role.name}", where=name)
    return BenchInstrument(name, driver, port, instrument, runner, pool)


def _choose(port: Port, plan: Plan) -> Wire:
    """Which of the driver's wires the port has; USB first where both fit."""
    offered = [wire for wire, given in ((Wire.USB, plan.usb), (Wire.SERIAL, plan.serial)) if given is not None]
    if isinstance(port, InlinePort):
        possible: tuple[Wire, ...] = (Wire.USB,) if isinstance(port.device, UsbDevice) else (Wire.SERIAL,)
    else:
        possible = wires_of(port)
    fits = [wire for wire in offered if wire in possible]
    if not fits:
        wanted = " or ".join(wire.value for wire in offered)
        raise ConfigurationError(
            f"the driver needs a {wanted} port", where=port if isinstance(port, str) else port.name
        )
    return fits[0]


def _make(port: Port, name: str, demand: SerialSettings | UsbInterface | None) -> _Shared:
    if isinstance(port, InlinePort):
        settings = demand if isinstance(demand, SerialSettings) else None
        inline = inline_link(port.device, port.clock, port=name, settings=settings)
        return _Shared(inline, InlineRunner(inline, port.clock), demand)
    link: Link
    if isinstance(demand, SerialSettings):
        link = serial_link(port, demand)
    elif isinstance(demand, UsbInterface):
        link = usb_link(port, demand)
    else:
        raise ConfigurationError("the driver plans no link", where=name)
    return _Shared(link, ThreadRunner(link), demand)
