"""The command line. Thin: each command imports what it needs when it runs, so that ``--help`` is quick.

Exit codes: 0 done; 1 something went wrong while running; 2 wrong configuration or options; 130 interrupted.
"""

import logging
import sys
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from .. import __version__
from ..protocol.errors import LampwardenError
from .cli_service import add_to as add_service_commands
from .cli_tools import BENCH, ConfigOption, VerboseOption
from .cli_tools import finish as _finish
from .cli_tools import guarded as _guarded
from .cli_tools import load as _load
from .cli_tools import log_to_stderr as _log_to_stderr

if TYPE_CHECKING:
    from ..protocol.commands import AnyCommand

app = typer.Typer(
    name="lampwarden",
    help="Bench daemon for comparing horticultural lamps: timed, gated, durable readings with uncertainty.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    add_completion=True,
)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"lampwarden {__version__}")
        raise typer.Exit


@app.callback()
def common(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    """Common to all commands."""
    del version


# The daemon and the simulated bench.


@app.command()
def run(
    config: ConfigOption = BENCH,
    verbose: VerboseOption = False,
    log_json: Annotated[bool, typer.Option("--log-json", help="Logs as one JSON object a line.")] = False,
    log_file: Annotated[Path | None, typer.Option(help="Logs to a file, rotated, instead of standard error.")] = None,
) -> None:
    """Run the daemon until it is told to stop (Ctrl-C, SIGTERM)."""
    from ..drivers.registry import Registry
    from .logs import set_up
    from .service import Daemon, Opener, run_until_signal

    _guarded(lambda: set_up(level=logging.DEBUG if verbose else logging.INFO, as_json=log_json, file=log_file))
    bench = _load(config)
    daemon = Daemon(bench, Opener(Registry(config.resolve().parent)))
    if sys.stderr.isatty():
        from rich.console import Console

        from .bell import Bell

        bell = Bell(Console(stderr=True))
        daemon.on_tone = lambda tone, _: bell.tone(tone)
    _finish(run_until_signal(daemon.run))


@app.command()
def check(config: ConfigOption = BENCH) -> None:
    """Open every instrument, identify it, read it once and say what is wrong; exit 0 when all is well."""
    from .check import check_bench

    bench = _load(config)
    if not _finish(check_bench(bench, config.resolve().parent)):
        raise typer.Exit(1)


@app.command()
def simulate(
    out: Annotated[Path, typer.Option(help="Gets bench.toml and the simulated ports.")] = Path("simulated-bench"),
    scenario: Annotated[str, typer.Option(help="demo, ideal or random.")] = "demo",
    speed: Annotated[float, typer.Option(min=0.1, max=1000, help="Bench seconds in a real second.")] = 1.0,
    seed: Annotated[int, typer.Option(min=0, help="Of all chance.")] = 1,
    operator: Annotated[bool, typer.Option(help="Let a simulated operator follow the daemon's prompts.")] = True,
    port: Annotated[int, typer.Option(help="Of the embedded broker that run will start; 0 finds one.")] = 0,
) -> None:
    """Serve a simulated bench; prints the path of the bench.toml that run accepts, and goes on until input ends.

    Lines on standard input act on the bench: strike, off, move SPOT, press, long, bump, truth, quit.
    """
    from .service import run_until_signal
    from .simulate import attend, scenario_by_name, served_bench, stdin_or_none

    def work() -> None:
        with served_bench(
            scenario_by_name(scenario, seed), seed, folder=out, speed=speed, broker_port=port or None
        ) as served:
            typer.echo(served.config_path)
            sys.stdout.flush()
            _finish(
                run_until_signal(
                    lambda: attend(served, with_operator=operator, commands=stdin_or_none(), say=typer.echo)
                )
            )

    _guarded(work)


@app.command()
def demo(
    speed: Annotated[float, typer.Option(min=1, max=240, help="Bench seconds in a real second.")] = 60.0,
    seed: Annotated[int, typer.Option(min=0, help="Of all chance.")] = 1,
    json: Annotated[bool, typer.Option("--json", help="Print the summary record alone on standard output.")] = False,
    out: Annotated[Path | None, typer.Option(help="Keep the bench's files and journal here.")] = None,
) -> None:
    """Run a whole test on a simulated bench: real serial and USB paths, a real broker, time made faster."""
    from rich.console import Console

    from .demo import folder_or_temporary, run_demo
    from .progress_view import ProgressView
    from .show import show_summary

    _log_to_stderr(verbose=False, level=logging.ERROR)

    def work() -> None:
        with folder_or_temporary(out) as folder, ProgressView(Console(stderr=True)) as view:
            summary = _finish(
                run_demo(
                    folder.resolve(),
                    speed=speed,
                    seed=seed,
                    on_status=view.status,
                    on_event=view.event,
                    on_panel=lambda url: typer.echo(f"Panel, while it runs: {url}", err=True),
                )
            )
        if json:
            typer.echo(summary.model_dump_json(by_alias=True))
        else:
            show_summary(summary, Console())

    _guarded(work)


@app.command()
def campaign(
    tests: Annotated[int, typer.Option(min=1, help="How many whole tests.")] = 10,
    seed: Annotated[int, typer.Option(min=0, help="Of all chance.")] = 1,
    json: Annotated[bool, typer.Option("--json", help="One JSON line a test, then one for all.")] = False,
    faults: Annotated[bool, typer.Option("--faults", help="Let instruments fail at random.")] = False,
) -> None:
    """Run whole tests on random simulated benches in virtual time and compare the results with the truth.

    Exit code 1 when a reading was lost, one was taken before its gates, or a test did not come to its end.
    """
    from rich.console import Console

    from .campaign_view import run_campaign

    _log_to_stderr(verbose=False, level=logging.ERROR)

    def work() -> None:
        console = Console(stderr=True)
        if not run_campaign(tests, seed, as_json=json, console=console, say=typer.echo, with_faults=faults):
            raise typer.Exit(1)

    _guarded(work)


# The operator.


@app.command()
def begin(
    lamp: Annotated[str, typer.Option(help="Id of the very lamp.")],
    rated_power: Annotated[float, typer.Option(help="Watt.")],
    ballast: Annotated[str, typer.Option(help="Which ballast.")],
    fixture: Annotated[str, typer.Option(help="Which fixture.")],
    height: Annotated[float, typer.Option(help="Lamp centre above the sensor plane, mm.")],
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

    from ..protocol.commands import Begin
    from ..protocol.errors import ConfigurationError
    from ..protocol.setup import LampSetup

    def make() -> Begin:
        known_hours = hours if hours is not None else _registered_hours(config, lamp)
        try:
            setup = LampSetup.model_validate(
                {
                    "lamp": lamp,
                    "lamp_type": lamp_type,
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


@app.command()
def press(config: ConfigOption = BENCH) -> None:
    """The same as one press of the foot switch."""
    from ..protocol.commands import Press

    _send(config, lambda: Press(id=_new_id()))


@app.command()
def reread(spot: Annotated[str, typer.Argument(help="Such as C2.")], config: ConfigOption = BENCH) -> None:
    """Read a spot again; the next press is for it."""
    from ..protocol.commands import Reread

    _send(config, lambda: _checked(lambda: Reread(id=_new_id(), spot=spot.upper())))


@app.command(name="read-anyway")
def read_anyway(config: ConfigOption = BENCH) -> None:
    """Open a gate that holds beyond its longest wait; the record is flagged."""
    from ..protocol.commands import ReadAnyway

    _send(config, lambda: ReadAnyway(id=_new_id()))


@app.command()
def choose(
    spot: Annotated[str, typer.Argument(help="Such as C2.")],
    attempt: Annotated[int, typer.Argument(min=1)],
    reason: Annotated[str, typer.Option(help="Why; stands in the record.")],
    config: ConfigOption = BENCH,
) -> None:
    """Let an attempt count for a spot; the record says that you chose."""
    from ..protocol.commands import Choose

    _send(config, lambda: _checked(lambda: Choose(id=_new_id(), spot=spot.upper(), attempt=attempt, reason=reason)))


@app.command()
def abandon(
    reason: Annotated[str, typer.Option(help="Stands in the record.")] = "abandoned by the operator",
    config: ConfigOption = BENCH,
) -> None:
    """End the test without a result; what was read stays."""
    from ..protocol.commands import Abandon

    _send(config, lambda: _checked(lambda: Abandon(id=_new_id(), reason=reason)))


@app.command()
def live(config: ConfigOption = BENCH) -> None:
    """Show the latest readings, for centring the lamp over the reference point."""
    from rich.console import Console

    from .live_view import show_live

    bench = _load(config)
    _finish(show_live(bench, Console()))


@app.command()
def watch(
    config: ConfigOption = BENCH,
    mute: Annotated[bool, typer.Option("--mute", help="Do not ring the bell.")] = False,
) -> None:
    """Show the state of the bench in the terminal; works over SSH; on a pipe, prints the log."""
    from rich.console import Console

    from .watch_view import watch as show

    bench = _load(config)
    _finish(show(bench, Console(), sound=not mute))


# Records.


@app.command()
def listen(
    config: ConfigOption = BENCH,
    since: Annotated[int | None, typer.Option(min=1, help="Begin with this seq, from the journal.")] = None,
    follow: Annotated[bool, typer.Option(help="Go on with what comes; else stop after the journal.")] = True,
) -> None:
    """Print records as JSON lines, each once; says on standard error if a seq is missing."""
    from .listen import listen_to

    bench = _load(config)
    _finish(listen_to(bench, since=since, follow=follow, say=_line, warn=lambda text: typer.echo(text, err=True)))


@app.command()
def schema(out: Annotated[Path, typer.Option(help="Folder for the documents.")] = Path("contract")) -> None:
    """Write the JSON Schemas of all records and commands, and one AsyncAPI document."""
    from ..protocol.schema import write_contract

    def work() -> None:
        try:
            for path in write_contract(out, __version__):
                typer.echo(path)
        except OSError as error:
            raise LampwardenError(f"cannot be written: {error.strerror}", where=str(out)) from None

    _guarded(work)


# Results.


@app.command()
def rank(
    tests: Annotated[list[str] | None, typer.Argument(help="Test ids or files of summaries; none: all.")] = None,
    config: ConfigOption = BENCH,
    json: Annotated[bool, typer.Option("--json", help="Print the ranking as one JSON document.")] = False,
    out: Annotated[Path | None, typer.Option(help="Write the campaign page (HTML) here.")] = None,
    check_lamp: Annotated[str | None, typer.Option(help="With --out: show this check lamp's charts.")] = None,
) -> None:
    """Rank the lamps of finished tests; lamps that the bench cannot tell apart share a place."""
    from rich.console import Console

    from .comparison import compare, load_summaries, ranking_json, show_ranking

    def work() -> None:
        names = tests or []
        journals = [] if names and all(name.endswith(".json") for name in names) else [_load(config).journal.path]
        comparison = compare(load_summaries(journals, names))
        if out is not None:
            from .hand_on import write_campaign

            typer.echo(write_campaign(out, comparison, load_summaries(journals, []) if journals else [], check_lamp))
        elif json:
            typer.echo(ranking_json(comparison))
        else:
            show_ranking(comparison, Console())

    _guarded(work)


@app.command()
def checklamp(lamp: Annotated[str, typer.Argument(help="Id of the check lamp.")], config: ConfigOption = BENCH) -> None:
    """Say from a check lamp's tests whether the bench itself has drifted; exit 1 when it has."""
    from rich.console import Console

    from .comparison import check_lamp, load_summaries, show_check

    def work() -> None:
        summaries = load_summaries([_load(config).journal.path], [])
        found = check_lamp(summaries, lamp)
        show_check(found, summaries, lamp, Console())
        if found.in_control is False:
            raise typer.Exit(1)

    _guarded(work)


@app.command()
def lamp(
    lamp_id: Annotated[str | None, typer.Argument(help="One lamp; none: all.")] = None, config: ConfigOption = BENCH
) -> None:
    """Show the lamp register: hours and starts counted from the power meter; unseasoned lamps flagged."""
    from rich.console import Console

    from .register import read_register, show_register

    def work() -> None:
        lamps = read_register(_load(config).journal.path)
        if lamp_id is not None:
            if lamp_id not in lamps:
                raise LampwardenError("the journal knows no such lamp", where=lamp_id)
            lamps = {lamp_id: lamps[lamp_id]}
        show_register(lamps, Console())

    _guarded(work)


# Handing on.


@app.command(name="tests")
def list_tests(config: ConfigOption = BENCH) -> None:
    """List the tests that this bench has, oldest first."""
    from rich.console import Console

    from .hand_on import show_tests

    _guarded(lambda: show_tests(_load(config).journal.path, Console()))


@app.command()
def report(
    test_id: Annotated[str | None, typer.Argument(help="Id of the test; none: the latest.")] = None,
    out: Annotated[Path | None, typer.Option(help="The HTML file; left out: report-TEST.html.")] = None,
    config: ConfigOption = BENCH,
) -> None:
    """Write the report of a test: one HTML file to hand over, print or keep."""
    from .hand_on import write_report

    _guarded(lambda: typer.echo(write_report(_load(config).journal.path, test_id, out)))


@app.command()
def export(
    test_ids: Annotated[list[str] | None, typer.Argument(help="Ids of tests; none: the latest.")] = None,
    kind: Annotated[str, typer.Option("--format", help="csv, jsonl or parquet.")] = "csv",
    out: Annotated[Path | None, typer.Option(help="Folder for the tables; left out: export-TEST.")] = None,
    spectra: Annotated[str, typer.Option(help="long, wide or none.")] = "long",
    config: ConfigOption = BENCH,
) -> None:
    """Write tests as flat tables with a dictionary of their columns."""
    from .hand_on import write_export

    def work() -> None:
        for path in write_export(_load(config).journal.path, test_ids or [], out, kind=kind, spectra=spectra):
            typer.echo(path)

    _guarded(work)


# The first hour.


@app.command()
def init(
    out: Annotated[Path, typer.Option(help="The file to write.")] = BENCH,
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
    from ..drivers.registry import Registry
    from .initialise import Wishes, compose, find_ports, write_new

    def work() -> None:
        def ask(question: str, default: str) -> str:
            return default if yes else str(typer.prompt(question, default=default))

        wishes = Wishes(bench, title, columns, rows, pitch, reference_point, mains, tuple(instrument or ()))
        write_new(out, compose(wishes, find_ports(), Registry(out.resolve().parent), ask), force=force)
        typer.echo(f"{out} is written; next: lampwarden check --config {out}")

    _guarded(work)


@app.command()
def password(
    file: Annotated[Path, typer.Argument(help="The file to write; name it as [panel] password_file.")],
) -> None:
    """Ask for the panel's password and keep what is needed to check it in a file."""
    from .panel.guard import write_password_file

    def work() -> None:
        word = typer.prompt("Password of the panel", hide_input=True, confirmation_prompt=True)
        write_password_file(file, str(word))
        typer.echo(f"{file} is written")

    _guarded(work)


# Profiles.

profiles = typer.Typer(help="Kinds of device that are known; try one on the device at hand.", no_args_is_help=False)
app.add_typer(profiles, name="profiles")


@profiles.callback(invoke_without_command=True)
def profiles_list(context: typer.Context, config: ConfigOption = BENCH) -> None:
    """List all profiles: those beside bench.toml, the user's own, the shipped ones, and drivers of other packages."""
    from rich.console import Console

    from .profiles_view import show_profiles

    if context.invoked_subcommand is None:
        _guarded(lambda: show_profiles(config.resolve().parent, Console()))


@profiles.command(name="show")
def profiles_show(name: str, config: ConfigOption = BENCH) -> None:
    """Show what a profile reads, and how."""
    from .profiles_view import show_profile

    _guarded(lambda: show_profile(config.resolve().parent, name, typer.echo))


@profiles.command(name="try")
def profiles_try(
    file: Annotated[Path, typer.Argument(help="A profile's file, or its name.")],
    port: Annotated[str, typer.Argument(help="Such as /dev/ttyUSB0 or usb:VID:PID.")],
    option: Annotated[list[str] | None, typer.Option(help="An option of the profile, as unit=2.")] = None,
) -> None:
    """Connect and read for a few seconds; prints raw bytes and values side by side. Exit 1 if it was not understood."""
    from .profiles_view import try_profile

    options = dict(text.partition("=")[::2] for text in option or [])
    if not _finish(try_profile(file, port, options, typer.echo)):
        raise typer.Exit(1)


# Calibration.

calibrate = typer.Typer(help="Calibrate an instrument; each writes a dated file.", no_args_is_help=True)
app.add_typer(calibrate, name="calibrate")
OutOption = Annotated[Path | None, typer.Option(help="Instead of a dated file beside bench.toml.")]


@calibrate.command(name="dark")
def calibrate_dark_command(config: ConfigOption = BENCH, out: OutOption = None) -> None:
    """Take darks at several integration times, behind the shutter or with all light off."""
    from .calibrate import calibrate_dark

    _finish(calibrate_dark(_load(config), config.resolve().parent, out, typer.echo))


@calibrate.command(name="wavelength")
def calibrate_wavelength_command(
    lines: Annotated[list[str] | None, typer.Option(help="Elements of the line lamp: Hg, Ar.")] = None,
    config: ConfigOption = BENCH,
    out: OutOption = None,
) -> None:
    """Fit the wavelength scale to the emission lines of the lamp that shines now."""
    from .calibrate import calibrate_wavelength

    elements = lines or ["Hg", "Ar"]
    _finish(calibrate_wavelength(_load(config), config.resolve().parent, elements, out, typer.echo))


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
        _load(config),
        config.resolve().parent,
        standard,
        certificate=certificate,
        u_percent=u_percent,
        out=out,
        say=typer.echo,
    )
    _finish(work)


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
        _load(config),
        config.resolve().parent,
        reference_umol=reference,
        u_reference_percent=u_percent,
        pairs=pairs,
        out=out,
        say=typer.echo,
    )
    _finish(work)


# Helpers.


def _line(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def _new_id() -> str:
    from uuid import uuid4

    return uuid4().hex


def _registered_hours(config: Path, lamp: str) -> float:
    from ..protocol.errors import ConfigurationError
    from .register import read_register

    entry = read_register(_load(config).journal.path).get(lamp)
    if entry is None:
        raise ConfigurationError("the journal knows no such lamp", where=lamp, mend="state its hours with --hours")
    return entry.hours


def _checked(make: "Callable[[], AnyCommand]") -> "AnyCommand":
    from pydantic import ValidationError

    from ..protocol.errors import ConfigurationError

    try:
        return make()
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        key = ".".join(str(part) for part in first["loc"])
        raise ConfigurationError(f"{key}: {first['msg']}", where="command") from None


def _send(config: Path, make: "Callable[[], AnyCommand]") -> None:
    from .client import BenchClient
    from .service import broker_address

    def work() -> None:
        bench = _load(config)
        command = make()
        reply = _finish(BenchClient(bench.bench.id, broker_address(bench)).command(command))
        typer.echo(reply.text)

    _guarded(work)


add_service_commands(app)


def main() -> None:
    """Entry point."""
    with suppress(BrokenPipeError):
        app()


if __name__ == "__main__":
    main()
