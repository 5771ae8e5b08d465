"""Commands that set a bench up: configuration, profiles, calibration, the contract's documents."""

from pathlib import Path
from typing import Annotated, Final

import typer

from ... import __version__
from ...protocol.errors import LampwardenError
from .tools import BENCH, ConfigOption, finish, guarded, load

# ruff: noqa: PLC0415  commands import what they need when they run, so that --help is quick

PANEL: Final = "Setting up"
commands = typer.Typer()
profiles = typer.Typer(help="Kinds of device that are known; try one on the device at hand.", no_args_is_help=False)
commands.add_typer(profiles, name="profiles", rich_help_panel=PANEL)
calibrate = typer.Typer(help="Calibrate an instrument; each writes a dated file.", no_args_is_help=True)
commands.add_typer(calibrate, name="calibrate", rich_help_panel=PANEL)
OutOption = Annotated[Path | None, typer.Option(help="Instead of a dated file beside bench.toml.")]


@commands.command(rich_help_panel=PANEL)
def init(
    out: Annotated[Path, typer.Option("--out", "--config", "-c", help="The file to write.")] = BENCH,
    bench: Annotated[str | None, typer.Option(help="Short name of the bench.")] = None,
    title: Annotated[str | None, typer.Option(help="What people call it.")] = None,
    columns: Annotated[int | None, typer.Option(min=1, max=52)] = None,
    rows: Annotated[int | None, typer.Option(min=1, max=99)] = None,
    pitch: Annotated[float | None, typer.Option(help="From spot to spot, mm.")] = None,
    reference_point: Annotated[str | None, typer.Option(help="Such as C2.")] = None,
    mains: Annotated[str | None, typer.Option(help="Volt/hertz, such as 230/50.")] = None,
    instrument: Annotated[list[str] | None, typer.Option(help="ROLE=PROFILE@PORT; may be given again.")] = None,
    yes: Annotated[bool, typer.Option("--yes", "-y", help="Ask nothing.")] = False,
    force: Annotated[bool, typer.Option(help="Replace a file that is there.")] = False,
    reference: Annotated[bool, typer.Option("--reference", help="Print every key of bench.toml, and stop.")] = False,
) -> None:
    """Look for instruments, ask a few questions and write a commented bench.toml."""
    if reference:
        from .reference import reference as text

        typer.echo(text(), nl=False)
        return
    from ...drivers.registry import Registry
    from .initialise import Wishes, compose
    from .initialise_file import refuse_old, write_new
    from .initialise_ports import find_ports

    def work() -> None:
        def ask(question: str, default: str) -> str:
            return default if yes else str(typer.prompt(question, default=default))

        def tell(reason: str) -> None:
            typer.echo(f"Not taken: {reason}", err=True)

        if not force:
            refuse_old(out)
        wishes = Wishes(bench, title, columns, rows, pitch, reference_point, mains, tuple(instrument or ()))
        write_new(out, compose(wishes, find_ports(), Registry(out.resolve().parent), ask, tell), force=force)
        typer.echo(f"{out} is written; next: lampwarden check --config {out}")

    guarded(work)


@commands.command(rich_help_panel=PANEL)
def password(
    file: Annotated[Path, typer.Argument(help="The file to write; name it in bench.toml: panel.password_file.")],
) -> None:
    """Ask for the panel's password and keep what is needed to check it in a file."""
    from ..panel.guard import write_password_file

    def work() -> None:
        word = typer.prompt("Password of the panel", hide_input=True, confirmation_prompt=True)
        write_password_file(file, str(word))
        typer.echo(f"{file} is written")

    guarded(work)


@commands.command(rich_help_panel=PANEL)
def schema(out: Annotated[Path, typer.Option(help="Folder for the documents.")] = Path("contract")) -> None:
    """Write the JSON Schemas of all records and commands, and one AsyncAPI document."""
    from ...protocol.schema import write_contract

    def work() -> None:
        try:
            for path in write_contract(out, __version__):
                typer.echo(path)
        except OSError as error:
            raise LampwardenError(f"cannot be written: {error.strerror}", where=str(out)) from None

    guarded(work)


@profiles.callback(invoke_without_command=True)
def profiles_list(context: typer.Context, config: ConfigOption = BENCH) -> None:
    """List all profiles: those beside bench.toml, the user's own, the shipped ones, and drivers of other packages."""
    from rich.console import Console

    from .profiles_view import show_profiles

    if context.invoked_subcommand is None:
        guarded(lambda: show_profiles(config.resolve().parent, Console()))


def _bench_folder(context: typer.Context) -> Path:
    """Folder of the bench that is named behind the command, or else before it."""
    source = context.get_parameter_source("config")
    own = source is not None and source.name != "DEFAULT"
    named = context if own or context.parent is None else context.parent
    config: Path = named.params["config"]
    return config.resolve().parent


@profiles.command(name="show")
def profiles_show(context: typer.Context, name: str, config: ConfigOption = BENCH) -> None:
    """Show what a profile reads, and how."""
    from .profiles_view import show_profile

    del config
    guarded(lambda: show_profile(_bench_folder(context), name, typer.echo))


@profiles.command(name="keys")
def profiles_keys() -> None:
    """Print every key of a profile, wire by wire."""
    from .profiles_reference import profile_reference

    typer.echo(profile_reference(), nl=False)


@profiles.command(name="try")
def profiles_try(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(help="A profile's file, or its name.")],
    port: Annotated[str, typer.Argument(help="Such as /dev/ttyUSB0 or usb:VID:PID.")],
    option: Annotated[list[str] | None, typer.Option(help="An option of the profile, as unit=2.")] = None,
    config: ConfigOption = BENCH,
) -> None:
    """Connect and read for a few seconds; prints raw bytes and values side by side. Exit 1 if it was not understood."""
    from .profiles_view import try_profile

    del config
    options = dict(text.partition("=")[::2] for text in option or [])
    if not finish(try_profile(file, port, options, typer.echo, folder=_bench_folder(context))):
        raise typer.Exit(1)


@calibrate.command(name="dark")
def calibrate_dark_command(config: ConfigOption = BENCH, out: OutOption = None) -> None:
    """Take darks at several integration times, behind the shutter or with all light off."""
    from .calibrate import calibrate_dark

    finish(calibrate_dark(load(config), config.resolve().parent, out, typer.echo))


@calibrate.command(name="wavelength")
def calibrate_wavelength_command(
    lines: Annotated[list[str] | None, typer.Option(help="Elements of the line lamp: Hg, Ar.")] = None,
    config: ConfigOption = BENCH,
    out: OutOption = None,
) -> None:
    """Fit the wavelength scale to the emission lines of the lamp that shines now."""
    from .calibrate import calibrate_wavelength

    elements = lines or ["Hg", "Ar"]
    finish(calibrate_wavelength(load(config), config.resolve().parent, elements, out, typer.echo))


@calibrate.command(name="irradiance")
def calibrate_irradiance_command(
    standard: Annotated[Path, typer.Argument(help="CSV: wavelength in nm, irradiance in W/m2/nm.")],
    certificate: Annotated[str, typer.Option(help="Of the standard lamp.")],
    u_percent: Annotated[float, typer.Option(min=0, help="Standard uncertainty of the table as a whole, %.")],
    config: ConfigOption = BENCH,
    out: OutOption = None,
) -> None:
    """Find the irradiance factors under a standard lamp."""
    from .calibrate import calibrate_irradiance

    work = calibrate_irradiance(
        load(config),
        config.resolve().parent,
        standard,
        certificate=certificate,
        u_percent=u_percent,
        out=out,
        say=typer.echo,
    )
    finish(work)


@calibrate.command(name="quantum")
def calibrate_quantum_command(
    reference: Annotated[float | None, typer.Option(help="PPFD of a reference; left out: the spectrometer's.")] = None,
    u_percent: Annotated[float, typer.Option(min=0, help="Standard uncertainty of the reference, %.")] = 1.0,
    pairs: Annotated[int, typer.Option(min=2, help="Readings, one a second.")] = 20,
    config: ConfigOption = BENCH,
    out: OutOption = None,
) -> None:
    """Find the quantum sensor's factor against a reference or against the spectrometer beside it."""
    from .calibrate import calibrate_quantum

    work = calibrate_quantum(
        load(config),
        config.resolve().parent,
        reference_umol=reference,
        u_reference_percent=u_percent,
        pairs=pairs,
        out=out,
        say=typer.echo,
    )
    finish(work)
