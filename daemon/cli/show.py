"""What a person sees of a summary in the terminal. Text from devices and operators is escaped."""

from rich.console import Console, Group, RenderableType
from rich.markup import escape
from rich.table import Table
from rich.text import Text

from ...protocol.records import PhotonFigures, SummaryRecord
from ..results.stated import factor_words, stated
from ..rounding import figure


def show_summary(summary: SummaryRecord, console: Console) -> None:
    """Print a summary."""
    console.print(Group(*_parts(summary)))


def _parts(summary: SummaryRecord) -> list[RenderableType]:
    setup = summary.setup
    head = Text(f"Test {summary.test_id}", style="bold")
    if summary.simulated:
        head.append("   SIMULATED: no value is real", style="bold reverse")
    lamp = Text(
        f"Lamp {setup.lamp}, {setup.lamp_type.value.replace('_', ' ')}, {setup.rated_power_w:g} W, "
        f"{setup.burning_hours:g} h; {setup.ballast} ({setup.ballast_setting}); {setup.fixture}; {setup.height_mm:g} mm"
    )
    return [head, lamp, _grid(summary), _results(summary), _budget(summary), *_flags(summary)]


def _grid(summary: SummaryRecord) -> Table:
    table = Table(title="PPFD, µmol m⁻² s⁻¹ (? doubtful, + confirmed)", title_justify="left")
    values = {spot.spot: spot for spot in summary.spots}
    columns = [spot[:-1] for spot in summary.grid.spots() if spot.endswith("1") and spot[:-1].isalpha()]
    columns.sort(key=lambda letters: (len(letters), letters))
    table.add_column("")
    for column in columns:
        table.add_column(column, justify="right")
    for row in range(1, summary.grid.rows + 1):
        cells = [str(row)]
        for column in columns:
            spot = values.get(f"{column}{row}")
            if spot is None or spot.ppfd.value is None:
                cells.append("–")
                continue
            mark = "+" if spot.confirmed else "?" if spot.doubts else ""
            shown = f"{spot.ppfd.value:.1f}{mark}"
            cells.append(f"[u]{shown}[/u]" if spot.spot == summary.grid.reference else shown)
        table.add_row(*cells)
    return table


def _results(summary: SummaryRecord) -> Table:
    title = f"Result (± expanded: {factor_words(summary)})"
    table = Table(title=title, title_justify="left", show_header=False)
    table.add_column("what")
    table.add_column("value")
    *results, readings = stated(summary)
    rows: list[tuple[str, str]] = [
        *results,
        ("Integration time", summary.integration.text.removeprefix("integration time ")),
        *_bands(summary.figures),
        ("Supply voltage", f"{figure(summary.supply.voltage)}, span {figure(summary.supply_voltage_span)}"),
        # The record has no more of the frequency's uncertainty than the scatter of many readings.
        ("Power, frequency", f"{figure(summary.supply.power)}, {figure(summary.supply.frequency, expanded=None)}"),
        ("Air inside", f"{_air(summary, 'inside')}, warmed by {figure(summary.inside_temperature_span)}"),
        ("Air outside", _air(summary, "outside")),
        readings,
    ]
    if summary.missing_spots:
        rows.append(("Missing spots", ", ".join(summary.missing_spots)))
    for what, value in rows:
        table.add_row(what, escape(value))
    return table


def _bands(figures: PhotonFigures | None) -> list[tuple[str, str]]:
    if figures is None:
        return []
    return [
        ("PPFD by the spectrometer", figure(figures.ppfd)),
        ("Blue, 400–500 nm", figure(figures.blue)),
        ("Green, 500–600 nm", figure(figures.green)),
        ("Red, 600–700 nm", figure(figures.red)),
        ("Far-red, 700–800 nm", figure(figures.far_red)),
        ("Red to far-red, 655–665 / 725–735 nm", figure(figures.red_to_far_red)),
    ]


def _air(summary: SummaryRecord, place: str) -> str:
    air = summary.air
    names = ("temperature", "humidity", "pressure")
    return ", ".join(figure(getattr(air, f"{place}_{name}"), expanded=None) for name in names)


def _budget(summary: SummaryRecord) -> Table:
    table = Table(title="Uncertainty of the canopy average by cause,\nµmol m⁻² s⁻¹ (k = 1)", title_justify="left")
    table.add_column("cause")
    table.add_column("own", justify="right")
    table.add_column("shared by all spots", justify="right")
    for line in summary.budget:
        table.add_row(
            escape(line.cause),
            f"{line.u_own:.2f}" if line.u_own else "",
            f"{line.u_common:.2f}" if line.u_common else "",
        )
    return table


def _flags(summary: SummaryRecord) -> list[Text]:
    if not summary.flags:
        return [Text("No flags.")]
    return [Text("Flags:", style="bold"), *(Text(f"  {flag}") for flag in summary.flags)]
