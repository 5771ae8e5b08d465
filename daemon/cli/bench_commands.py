"""Commands for the person at the bench: begin a test, do what its prompts ask, look on."""

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from .tools import BENCH, ConfigOption, finish, guarded, line, load, remark

if TYPE_CHECKING:
    from ...protocol.commands import AnyCommand

# ruff: noqa: PLC0415  commands import what they need when they run, so that --help is quick

PANEL: Final = "At the bench"
commands = typer.Typer()


@commands.command(rich_help_panel=PANEL)
def begin(
    lamp: Annotated[str, typer.Option(help="Id of the very lamp.")],
    rated_power: Annotated[float, typer.Option(help="Watt.")],
    ballast: Annotated[str, typer.Option(help="Which ballast.")],
    fixture: Annotated[str, typer.Option(help="Which fixture.")],
    height: Annotated[float, typer.Option(min=1, help="Lamp centre above the sensor plane, mm.")],
    hours: Annotated[
        float | None, typer.Option(help="Burnt before this test; left out: as the lamp register counted.")
    ] = None,
    lamp_type: Annotated[
        str, typer.Option(help="high_pressure_sodium, metal_halide, mercury, fluorescent, led or other.")
    ] = "high_pressure_sodium",
    ballast_setting: Annotated[str, typer.Option(help="Dial or tap of the ballast.")] = "as supplied",
    rotation: Annotated[float, typer.Option(help="Lamp about its axis, degrees.")] = 0.0,
    position: Annotated[str, typer.Option(help="base_up, base_down, horizontal or universal.")] = "horizontal",
    fan: Annotated[str, typer.Option(help="Fan setting.")] = "off",
    test_id: Annotated[str | None, typer.Option(help="Made from date and lamp when left out.")] = None,
    config: ConfigOption = BENCH,
) -> None:
    """Begin a test of a lamp."""
    from pydantic import ValidationError

    from ...protocol.commands import Begin
    from ...protocol.errors import ConfigurationError
    from ...protocol.setup import LampSetup

    def make() -> Begin:
        known_hours = hours if hours is not None else _registered_hours(config, lamp)
        try:
            setup = LampSetup.model_validate(
                {
                    "lamp": lamp,
                    "lamp_type": lamp_type.lower(),
                    "rated_power_w": rated_power,
                    "burning_hours": known_hours,
                    "ballast": ballast,
                    "ballast_setting": ballast_setting,
                    "fixture": fixture,
                    "rotation_deg": rotation,
                    "burning_position": position,
                    "height_mm": height,
                    "fan": fan,
                }
            )
            return Begin(id=_new_id(), setup=setup, test_id=test_id)
        except ValidationError as error:
            first = error.errors(include_url=False)[0]
            key = ".".join(str(part) for part in first["loc"])
            raise ConfigurationError(f"{key}: {first['msg']}", where="begin") from None

    _send(config, make)


@commands.command(rich_help_panel=PANEL)
def press(config: ConfigOption = BENCH) -> None:
    """The same as one press of the foot switch."""
    from ...protocol.commands import Press

    _send(config, lambda: Press(id=_new_id()))


@commands.command(rich_help_panel=PANEL)
def reread(spot: Annotated[str, typer.Argument(help="Such as C2.")], config: ConfigOption = BENCH) -> None:
    """Read a spot again; the next press is for it."""
    from ...protocol.commands import Reread

    _send(config, lambda: _checked(lambda: Reread(id=_new_id(), spot=spot.upper())))


@commands.command(rich_help_panel=PANEL, name="read-anyway")
def read_anyway(config: ConfigOption = BENCH) -> None:
    """Open a gate that holds beyond its longest wait; the record is flagged."""
    from ...protocol.commands import ReadAnyway

    _send(config, lambda: ReadAnyway(id=_new_id()))


@commands.command(rich_help_panel=PANEL)
def choose(
    spot: Annotated[str, typer.Argument(help="Such as C2.")],
    attempt: Annotated[int, typer.Argument(min=1)],
    reason: Annotated[str, typer.Option(help="Why; stands in the record.")],
    config: ConfigOption = BENCH,
) -> None:
    """Let an attempt count for a spot; the record says that you chose."""
    from ...protocol.commands import Choose

    _send(config, lambda: _checked(lambda: Choose(id=_new_id(), spot=spot.upper(), attempt=attempt, reason=reason)))


@commands.command(rich_help_panel=PANEL)
def abandon(
    reason: Annotated[str, typer.Option(help="Stands in the record.")] = "abandoned by the operator",
    config: ConfigOption = BENCH,
) -> None:
    """End the test without a result; what was read stays."""
    from ...protocol.commands import Abandon

    _send(config, lambda: _checked(lambda: Abandon(id=_new_id(), reason=reason)))


@commands.command(rich_help_panel=PANEL)
def live(config: ConfigOption = BENCH) -> None:
    """Show the latest readings, for centring the lamp over the reference point."""
    from rich.console import Console

    from .live_view import show_live

    bench = load(config)
    finish(show_live(bench, Console()))


@commands.command(rich_help_panel=PANEL)
def watch(
    config: ConfigOption = BENCH,
    mute: Annotated[bool, typer.Option("--mute", help="Do not ring the bell.")] = False,
) -> None:
    """Show the state of the bench in the terminal; works over SSH; on a pipe, prints the log.

    Goes on until interrupted. What is not there (daemon, broker) is waited for; standard error or the screen says so.
    """
    from rich.console import Console

    from .watch_view import watch as show

    bench = load(config)
    console = Console()
    say = (lambda _: None) if console.is_terminal else remark
    finish(show(bench, console, sound=not mute, say=say))


@commands.command(rich_help_panel=PANEL)
def listen(
    config: ConfigOption = BENCH,
    since: Annotated[int | None, typer.Option(min=1, help="Begin with this seq, from the journal.")] = None,
    follow: Annotated[bool, typer.Option(help="Go on with what comes; else stop after the journal.")] = True,
) -> None:
    """Print records as JSON lines, each once; says on standard error if a seq is missing or the broker is not there."""
    from ..mqtt.listen import listen_to

    bench = load(config)
    finish(listen_to(bench, since=since, follow=follow, say=line, warn=lambda text: typer.echo(text, err=True)))


def _new_id() -> str:
    from uuid import uuid4

    return uuid4().hex


def _registered_hours(config: Path, lamp: str) -> float:
    from ...protocol.errors import ConfigurationError
    from ..results.register import read_register

    entry = read_register(load(config).journal.path).get(lamp)
    if entry is None:
        raise ConfigurationError("the journal knows no such lamp", where=lamp, mend="state its hours with --hours")
    return entry.hours


def _checked(make: "Callable[[], AnyCommand]") -> "AnyCommand":
    from pydantic import ValidationError

    from ...protocol.errors import ConfigurationError

    try:
        return make()
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        key = ".".join(str(part) for part in first["loc"])
        raise ConfigurationError(f"{key}: {first['msg']}", where="command") from None


def _send(config: Path, make: "Callable[[], AnyCommand]") -> None:
    from ..mqtt.client import BenchClient
    from ..service import broker_address

    def work() -> None:
        bench = load(config)
        command = make()
        reply = finish(BenchClient(bench.bench.id, broker_address(bench)).command(command))
        typer.echo(reply.text)

    guarded(work)
