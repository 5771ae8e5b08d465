"""A result's figures as they are stated to people, in the terminal and in the report alike. Pure.

The averages over the canopy are stated for 95 %: their combined uncertainty times the coverage factor that the
effective degrees of freedom of the budget ask for (JCGM 100:2008, G.4; the record's ``coverage_factor``). It is the
canopy average's; the area-weighted one is made of the same readings with the same causes of uncertainty. For other
figures the record has no degrees of freedom; they are stated with k = 2.
"""

from typing import Final

from ...protocol.quantity import Quantity
from ...protocol.records import SummaryRecord
from ..rounding import figure

ELSEWHERE: Final = 2.0


def average_factor(summary: SummaryRecord) -> float:
    """What the combined uncertainties of the averages are multiplied by."""
    return ELSEWHERE if summary.coverage_factor is None else summary.coverage_factor


def average(summary: SummaryRecord, of: Quantity) -> str:
    """One of the averages over the canopy."""
    return figure(of, expanded=average_factor(summary))


def factor_words(summary: SummaryRecord) -> str:
    """What ± means in :func:`stated`."""
    if summary.coverage_factor is None:
        return "k = 2"
    return f"k = {summary.coverage_factor:.2f} (95 %) for the averages, k = 2 elsewhere"


def stated(summary: SummaryRecord) -> list[tuple[str, str]]:
    """Names and figures, the canopy average first."""
    return [
        ("Canopy average", average(summary, summary.canopy_average)),
        ("Area-weighted average", average(summary, summary.area_weighted_average)),
        ("Uniformity ratio (max/min)", figure(summary.uniformity_ratio)),
        ("Min/average", figure(summary.minimum_to_average)),
        ("Coefficient of variation", figure(summary.coefficient_of_variation)),
        ("Opening reading", figure(summary.opening)),
        ("Closing reading", figure(summary.closing)),
        ("Drift at the reference point", f"{figure(summary.drift)}, {summary.drift_treatment.replace('_', ' ')}"),
        ("Photons at the canopy plane", figure(summary.photons_per_joule)),
        ("Readings taken", str(summary.readings_taken)),
    ]
