"""The campaign page: lamps beside each other, as one self-contained HTML file.

What may be compared and who shares a place is decided in :mod:`..results.comparison`; here it is only drawn: intervals
as a plot, shared places, every pair, and the check lamp's charts where there are enough of its tests.
"""

from collections.abc import Sequence

from ... import __version__
from ...protocol import units
from ...protocol.counts import counted
from ...protocol.records import SummaryRecord
from ..cautions import FIRST
from ..measure.charts import BenchCheck
from ..measure.compare import RankedLamp
from ..results.comparison import Comparison, what_would_tell
from ..results.stated import average
from .figures import figure, symbol
from .markup import Html, table, tag
from .page import document
from .plots import Scale, nice_ticks, number, svg, widened, x_axis, y_axis


def campaign_page(comparison: Comparison, *, check: tuple[str, BenchCheck, Sequence[float]] | None = None) -> str:
    """The page of a campaign.

    Args:
        comparison: The ranking and the tests behind it.
        check: The check lamp, what its charts say, and its values in order; None leaves the charts out.
    """
    summaries = comparison.summaries
    simulated = any(s.simulated for s in summaries)
    banner = tag("p", "Simulated: no value in this report is real.", class_="simulated") if simulated else None
    return document(
        "Lamp campaign",
        tag("p", "Lamp campaign", class_="kind"),
        tag("h1", f"{counted(len(comparison.ranking.lamps), 'lamp')}, {counted(len(summaries), 'test')}"),
        *([banner] if banner is not None else []),
        _places(comparison),
        *([_pairs(comparison)] if comparison.ranking.pairs else []),
        _tests(summaries),
        *([_check(*check)] if check is not None else []),
        tag(
            "footer",
            tag("p", FIRST),
            tag("p", f"Made by lampwarden {__version__} from bench {summaries[0].bench}.", class_="quiet"),
        ),
        simulated=simulated,
    )


def _place(lamp: RankedLamp) -> str:
    return f"{lamp.place}" if lamp.place == lamp.last_place else f"{lamp.place}–{lamp.last_place}"


def _places(comparison: Comparison) -> Html:
    ranking = comparison.ranking
    rows = [
        [
            _place(lamp),
            lamp.lamp,
            str(lamp.tests),
            f"{lamp.average.value:.1f}",
            f"{2.0 * lamp.average.u_own:.1f}",
            f"{2.0 * lamp.average.u:.1f}",
            ", ".join(lamp.not_told_from) or "–",
        ]
        for lamp in ranking.lamps
    ]
    unit = symbol(units.PPFD)
    names = ("Place", "Lamp", "Tests", f"Canopy average, {unit}", "± against each other", "± in all", "Not told from")
    scatter = ""
    if ranking.repeat_scatter is not None:
        words = "as the budgets say" if ranking.explained else "more than the budgets explain, so it is used instead"
        scatter = f" Repeats scatter by {ranking.repeat_scatter:.2%}, {words}."
    return tag(
        "section",
        tag("h2", "Places"),
        _intervals(ranking.lamps),
        table(names, rows, class_="figures"),
        tag(
            "p",
            "Lamps that this bench cannot tell apart share a range of places. ± is the expanded uncertainty (k = 2): "
            f"against each other without what all tests of the bench share, and in all.{scatter}",
            class_="quiet",
        ),
    )


def _intervals(lamps: Sequence[RankedLamp]) -> Html:
    each, left, right, top, bottom = 30.0, 168.0, 12.0, 18.0, 32.0
    width, height = 640.0, top + bottom + each * len(lamps)
    ends = [
        v for lamp in lamps for v in (lamp.average.value - 2 * lamp.average.u, lamp.average.value + 2 * lamp.average.u)
    ]
    x = Scale(*widened(ends, 1.0, 0.04), left, width - right)
    parts = [
        tag("line", x1=x.at(tick), x2=x.at(tick), y1=top - 6, y2=height - bottom, class_="hair")
        for tick in nice_ticks(x.low, x.high, 8)
    ]
    for index, lamp in enumerate(lamps):
        y = top + each * (index + 0.5)
        value, own, whole = lamp.average.value, 2 * lamp.average.u_own, 2 * lamp.average.u
        parts += [
            tag("line", x1=x.at(value - whole), x2=x.at(value + whole), y1=y, y2=y, class_="shared"),
            tag("line", x1=x.at(value - own), x2=x.at(value + own), y1=y, y2=y, class_="interval"),
            *(
                tag("line", x1=x.at(value + d), x2=x.at(value + d), y1=y - 6, y2=y + 6, class_="interval")
                for d in (-own, own)
            ),
            tag("circle", cx=x.at(value), cy=y, r=4, class_="dot"),
            tag("text", f"{_place(lamp)}   {lamp.lamp}", x=6, y=y + 4),
        ]
    parts += x_axis(x, f"canopy average, {symbol(units.PPFD)}", height - bottom, height)
    parts.append(tag("text", "black: against each other; grey: in all", x=left, y=10, class_="name"))
    label = "Canopy averages with their intervals: " + "; ".join(
        f"{_place(p)} {p.lamp} {p.average.value:.1f}" for p in lamps
    )
    return svg(width, height, label, *parts)


def _pairs(comparison: Comparison) -> Html:
    pairs = comparison.ranking.pairs
    some_alike = not all(pair.told_apart for pair in pairs)
    rows = []
    for pair in pairs:
        would = "".join(what_would_tell(pair)) or "–"
        rows.append(
            [
                f"{pair.better} over {pair.other}",
                f"{100 * (pair.ratio.value - 1):+.2f} %",
                f"{200 * pair.ratio.u_own:.2f} %",
                "< 0.001" if pair.p_value < 0.001 else f"{pair.p_value:.3f}",
                "told apart" if pair.told_apart else "not told apart",
                *([would] if some_alike else []),
            ]
        )
    names = ("Pair", "Difference", "± (k = 2)", "p", "Verdict", *(("What would tell",) if some_alike else ()))
    note = "p after Holm (1979): the chance of so large a difference between equal lamps, corrected for all pairs."
    return tag("section", tag("h2", "Pairs"), table(names, rows, class_="figures"), tag("p", note, class_="quiet"))


def _tests(summaries: Sequence[SummaryRecord]) -> Html:
    rows = [
        [
            str(s.test_id),
            s.setup.lamp,
            f"{s.finished:%Y-%m-%d %H:%M}",
            average(s, s.canopy_average),
            figure(s.uniformity_ratio),
            f"{s.setup.burning_hours:g}",
            str(len(s.flags)),
        ]
        for s in summaries
    ]
    names = ("Test", "Lamp", "Finished (UTC)", "Canopy average", "Max/min", "Hours burnt", "Flags")
    return tag("section", tag("h2", "Tests"), table(names, rows, class_="small"))


def _check(lamp: str, check: BenchCheck, values: Sequence[float]) -> Html:
    verdict = {True: "The bench repeats itself.", False: "The bench has moved.", None: "Too few values to say."}
    text = f"{verdict[check.in_control]} {check.reason[0].upper()}{check.reason[1:]}."
    plot = [_chart(check, values)] if len(values) > 1 else []
    return tag("section", tag("h2", f"Check lamp {lamp}"), tag("p", text), *plot, class_="whole")


def _chart(check: BenchCheck, values: Sequence[float]) -> Html:
    width, height, left, right, top, bottom = 640.0, 210.0, 58.0, 120.0, 18.0, 32.0
    limits = check.limits
    levels = [] if limits is None else [limits.lower, limits.centre, limits.upper]
    y = Scale(*widened([*values, *levels], 1.0, 0.06), height - bottom, top)
    x = Scale(0.5, len(values) + 0.5, left, width - right)
    parts = [*y_axis(y, f"canopy average, {symbol(units.PPFD)}", left, width - right)]
    parts += x_axis(x, "test of the check lamp, in order", height - bottom, height)
    for level, name, dashed in zip(levels, ("lower limit", "centre", "upper limit"), (True, False, True), strict=False):
        style = "limit" if dashed else "axis"
        parts.append(tag("line", x1=left, x2=width - right, y1=y.at(level), y2=y.at(level), class_=style))
        parts.append(tag("text", f"{name} {number(level, 0.1)}", x=width - right + 6, y=y.at(level) + 4))
    path = " ".join(f"{x.at(i + 1):.1f},{y.at(v):.1f}" for i, v in enumerate(values))
    parts.append(tag("polyline", points=path, class_="line"))
    if check.averages:
        parts.append(tag("text", "dotted: moving average (EWMA)", x=width - right, y=10, text_anchor="end"))
        smooth = " ".join(f"{x.at(i + 1):.1f},{y.at(v):.1f}" for i, v in enumerate(check.averages))
        parts.append(tag("polyline", points=smooth, class_="line", stroke_dasharray="2 3"))
    out = {finding.index for finding in check.findings}
    for index, value in enumerate(values):
        style, r = ("out", 6.0) if index in out else ("dot", 3.0)
        parts.append(tag("circle", cx=x.at(index + 1), cy=y.at(value), r=r, class_=style))
    label = f"Control chart of the check lamp: {check.reason}"
    return svg(width, height, label, *parts)
