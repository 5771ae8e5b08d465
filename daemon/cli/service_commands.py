"""Commands that run the daemon and keep it in service: run, check, status, journal, collect."""

import logging
import sys
from pathlib import Path
from typing import Annotated, Final

import typer

from ...protocol.errors import ConfigurationError
from .tools import BENCH, ConfigOption, VerboseOption, finish, guarded, load, log_to_stderr

# ruff: noqa: PLC0415  commands import what they need when they run, so that --help is quick

PANEL: Final = "The daemon"
commands = typer.Typer()
journal = typer.Typer(help="Look after the journal.", no_args_is_help=True)
commands.add_typer(journal, name="journal", rich_help_panel=PANEL)


@commands.command(rich_help_panel=PANEL)
def run(
    config: ConfigOption = BENCH,
    verbose: VerboseOption = False,
    log_json: Annotated[bool, typer.Option("--log-json", help="Logs as one JSON object a line.")] = False,
    log_file: Annotated[Path | None, typer.Option(help="Logs to a file, rotated, instead of standard error.")] = None,
) -> None:
    """Run the daemon until it is told to stop (Ctrl-C, SIGTERM)."""
    from ...drivers.registry import Registry
    from ..operations.logs import set_up
    from ..operations.stop import run_until_signal
    from ..service import Daemon, Opener

    guarded(lambda: set_up(level=logging.DEBUG if verbose else logging.INFO, as_json=log_json, file=log_file))
    bench = load(config)
    daemon = Daemon(bench, Opener(Registry(config.resolve().parent)))
    if sys.stderr.isatty():
        from rich.console import Console

        from .bell import Bell

        bell = Bell(Console(stderr=True))
        daemon.on_tone = lambda tone, _: bell.tone(tone)
    finish(run_until_signal(daemon.run, daemon))


@commands.command(rich_help_panel=PANEL)
def check(config: ConfigOption = BENCH) -> None:
    """Open every instrument, identify it, read it once and say what is wrong.

    Exit 0 when all is well, 1 when an instrument is not, 2 when bench.toml is wrong.
    """
    from .check import check_bench

    bench = load(config)
    if not finish(check_bench(bench, config.resolve().parent)):
        raise typer.Exit(1)


@journal.command(name="check")
def journal_check(config: ConfigOption = BENCH) -> None:
    """Look at every page, checksum, number and archive; also beside a running daemon. Exit 0 when all is sound."""
    from ...protocol.counts import counted
    from ..store.examination import examine, ranges

    def work() -> None:
        found = examine(load(config).journal.path)
        typer.echo(f"{counted(found.records, 'record')}, {counted(found.archives, 'archive')}")
        for line in found.tree:
            typer.echo(f"damaged: {line}")
        for name, numbers in (("damaged", found.damaged), ("missing", found.missing)):
            if numbers:
                typer.echo(f"{name}: seq {ranges(numbers)}")
        for name in found.bad_archives:
            typer.echo(f"damaged archive: {name}")
        if not found.sound:
            typer.echo("stop the daemon and run: lampwarden journal recover")
            raise typer.Exit(1)
        typer.echo("all sound")

    guarded(work)


@journal.command(name="compact")
def journal_compact(config: ConfigOption = BENCH) -> None:
    """Give free space back to the disk. The daemon must not run."""
    from ..store.journal import JournalFile
    from ..store.journal_files import JournalPaths

    def work() -> None:
        bench = load(config)
        paths = JournalPaths(bench.journal.path)

        def size_mb() -> float:
            return sum(path.stat().st_size for path in paths.parts()) / 1e6

        before_mb = size_mb()
        file = JournalFile(bench.journal.path, bench.bench.id)
        try:
            file.compact()
        finally:
            file.close()
        typer.echo(f"{before_mb:.1f} MB before, {size_mb():.1f} MB now")

    guarded(work)


@journal.command(name="backup")
def journal_backup(
    out: Annotated[Path, typer.Argument(help="The file to write; nothing is replaced.")], config: ConfigOption = BENCH
) -> None:
    """Write a checked copy of the journal, of one moment; also beside a running daemon."""
    from ...protocol.counts import counted
    from ..store.examination import backup as make

    def work() -> None:
        typer.echo(f"{counted(make(load(config).journal.path, out), 'record is', 'records are')} in {out}")

    guarded(work)


@journal.command(name="recover")
def journal_recover(config: ConfigOption = BENCH) -> None:
    """Rebuild the journal from what can be read of it and from the archives. The daemon must not run.

    The daemon does the same by itself when it finds damage at its start.
    """
    from ..service import bench_clock
    from ..stamp import Stamp
    from ..store.recovery import recover as rebuild

    def work() -> None:
        bench = load(config)
        stamp = Stamp(bench.bench.id, bench_clock(bench), simulated=bench.bench.simulated)
        recovery = rebuild(bench.journal.path, bench.bench.id, stamp)
        typer.echo(recovery.text())

    guarded(work)


@commands.command(rich_help_panel=PANEL)
def status(
    config: ConfigOption = BENCH,
    json: Annotated[bool, typer.Option("--json", help="One JSON object.")] = False,
) -> None:
    """Show how the bench is: daemon, test, instruments, journal, broker. Exit 0 when nothing needs a person."""
    from rich.console import Console

    from ..operations.status import as_json, bench_status, show

    found = finish(bench_status(load(config)))
    if json:
        typer.echo(as_json(found))
    else:
        show(found, Console())
    if not found.well:
        raise typer.Exit(1)


@commands.command(rich_help_panel=PANEL)
def replay(
    from_seq: Annotated[int, typer.Argument(min=1, help="The first seq to publish again.")],
    config: ConfigOption = BENCH,
) -> None:
    """Have the daemon publish its records again, for a broker or reader that lost them."""
    from uuid import uuid4

    from ...protocol.commands import Replay
    from ..mqtt.client import BenchClient
    from ..service import broker_address

    def work() -> None:
        bench = load(config)
        client = BenchClient(bench.bench.id, broker_address(bench))
        typer.echo(finish(client.command(Replay(id=uuid4().hex, from_seq=from_seq))).text)

    guarded(work)


@commands.command(rich_help_panel=PANEL)
def samples(
    out: Annotated[Path, typer.Option(help="Folder for the files.")] = Path("samples"),
    bench: Annotated[str, typer.Option(help="Id of the bench.")] = "north-house",
    central: Annotated[str, typer.Option(help="Host and port of the central broker.")] = "central.example:8883",
    config: Annotated[
        Path | None, typer.Option("--config", "-c", help="A bench.toml: gives the bench's id and its foot switch.")
    ] = None,
    pedal: Annotated[list[str] | None, typer.Option(help="A USB foot switch, VID:PID; may be repeated.")] = None,
) -> None:
    """Write sample files: systemd unit, udev rules, Mosquitto configuration and rights, bridge to a central broker."""
    from ..config import load_config
    from ..operations.deployment_files import Places, pedals_of, write_samples

    def work() -> None:
        executable = str(Path(sys.argv[0]).resolve())
        known = None if config is None else load_config(config)
        pedals = tuple(pedal or ()) + (() if known is None else pedals_of(known))
        of_bench = bench if known is None else known.bench.id
        for path in write_samples(out, Places(of_bench, executable=executable, central=central, pedals=pedals)):
            typer.echo(path)

    guarded(work)


@commands.command(rich_help_panel=PANEL)
def collect(
    out: Annotated[Path, typer.Option(help="Folder of the data set.")] = Path("collected"),
    config: Annotated[Path | None, typer.Option("--config", "-c", help="Take the broker from this bench.toml.")] = None,
    host: Annotated[str | None, typer.Option(help="Of the broker, without a bench.toml.")] = None,
    port: Annotated[int, typer.Option(min=1, max=65535, help="Of the broker.")] = 1883,
    username: Annotated[str | None, typer.Option(help="For the broker.")] = None,
    password_file: Annotated[Path | None, typer.Option(help="Readable by its owner alone.")] = None,
    ca_file: Annotated[Path | None, typer.Option(help="Use TLS; who vouches for the broker.")] = None,
    bench: Annotated[list[str] | None, typer.Option(help="Only this bench; may be given again.")] = None,
    name: Annotated[str, typer.Option(help="Of this collector: its session on the broker.")] = "collect",
    every: Annotated[
        float, typer.Option(min=1.0, help="Seconds between two rounds of files; the last at a stop.")
    ] = 300.0,
    verbose: VerboseOption = False,
) -> None:
    """Write the records of all benches of a broker into one Parquet data set, each once, until told to stop."""
    from ...protocol.counts import counted
    from ..mqtt.address import BrokerAddress
    from ..mqtt.collect import Collector
    from ..mqtt.credentials import read_secret, tls_context
    from ..operations.stop import run_until_signal
    from ..service import broker_address

    def work() -> None:
        if (config is None) == (host is None):
            raise ConfigurationError("name the broker with --config or with --host", where="collect")
        if config is not None:
            address = broker_address(load(config))
        else:
            secret = None if password_file is None else read_secret(password_file, "--password-file")
            tls = None if ca_file is None else tls_context(ca_file, None, None)
            address = BrokerAddress(host or "", port, username=username, password=secret, tls=tls)
        collector = Collector(
            address, out, f"lampwarden-{name}", tuple(bench or ["+"]), say=typer.echo, file_every_s=every
        )
        finish(run_until_signal(collector.run))
        typer.echo(f"{counted(collector.new, 'new record')} of {counted(collector.taken, 'message')}")

    log_to_stderr(verbose=verbose)
    guarded(work)
