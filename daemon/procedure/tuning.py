"""Talks the spectrometer through darks, the integration-time search and the frames of a window.

What is decided is decided in ``measure.integration``; here it is only carried out.
"""

from collections.abc import Awaitable, Callable
from typing import Final

import numpy as np

from ...protocol.counts import counted
from ...protocol.records import IntegrationNote
from ..measure.arrays import FloatArray
from ..measure.integration import IntegrationSearch, SearchSettings, TooWeak, Tuned
from ..measure.spectrum import SATURATION_FRACTION

CaptureCall = Callable[[float, int], Awaitable[FloatArray]]
"""Expose: (integration_s, averages) → counts, shape ``(n_pixels,)``."""

LONGEST_INTEGRATION_S: Final = 2.0
"""A reading must fit its window several times over; longer exposures than this do not."""
LADDER_S: Final = (0.001, 0.01, 0.1, 0.5, 2.0)
"""Integration times of the lamp-off darks of a spectrometer without a shutter: the search lands between them."""
LADDER_AVERAGES: Final = 4
DARK_AVERAGES: Final = 16
"""The dark is shared by all spots, so its noise should be well below that of one reading."""
FRAMES: Final = 4
"""Captures in a window: enough for their scatter to tell of flicker, few enough not to cost time on the wire."""
OVERHEAD_S: Final = 0.05
"""Wire time allowed for each capture (8 kB over USB full speed is 10 ms; common practice, no source)."""


async def search(
    capture: CaptureCall,
    *,
    min_s: float,
    max_s: float,
    full_scale_counts: float,
    ripple_hz: float | None,
    dark: FloatArray | None,
) -> IntegrationNote:
    """Find the integration time at the spot where the sensor stands.

    Args:
        capture: Of the spectrometer.
        min_s: Shortest integration time of the instrument.
        max_s: Longest of the instrument.
        full_scale_counts: Largest count.
        ripple_hz: Of the light, or None if none is known.
        dark: Counts in the dark at a short exposure, shape ``(n_pixels,)``; None if not known.
    """
    stepper = IntegrationSearch(
        SearchSettings(
            min_s=min_s,
            max_s=max(min_s, min(max_s, LONGEST_INTEGRATION_S)),
            full_scale_counts=full_scale_counts,
            ripple_hz=ripple_hz,
        )
    )
    while (integration_s := stepper.next_exposure_s) is not None:
        counts = await capture(integration_s, stepper.next_averages)
        peak = int(np.argmax(counts))
        floor = float(dark[peak]) if dark is not None else float(np.percentile(counts, 1.0))
        stepper.observe(float(counts[peak]), floor, bool(counts[peak] >= SATURATION_FRACTION * full_scale_counts))
    outcome = stepper.outcome
    if isinstance(outcome, Tuned):
        bound = outcome.residual_ripple_bound
        periods = f", {counted(outcome.whole_periods, 'whole ripple period')}" if outcome.whole_periods else ""
        return IntegrationNote(
            outcome="tuned",
            integration_s=outcome.integration_s,
            whole_ripple_periods=outcome.whole_periods,
            fraction_of_full_scale=outcome.fraction_of_full_scale,
            residual_ripple_percent=None if bound is None else 100.0 * bound,
            exposures=outcome.exposures,
            text=(
                f"integration time {outcome.integration_s * 1000:.4g} ms{periods}, peak at "
                f"{outcome.fraction_of_full_scale:.0%} of full scale, found in {counted(outcome.exposures, 'exposure')}"
            ),
        )
    assert outcome is not None  # noqa: S101 - the search ends with an outcome
    weak = isinstance(outcome, TooWeak)
    return IntegrationNote(
        outcome="too_weak" if weak else "too_strong",
        integration_s=None,
        whole_ripple_periods=None,
        fraction_of_full_scale=None,
        residual_ripple_percent=None,
        exposures=outcome.exposures,
        text=f"{'too weak' if weak else 'too strong'}: {outcome.reason}",
    )


def frames_for(integration_s: float, window_s: float) -> tuple[int, int]:
    """How many captures, of how many exposures each, fill a window.

    Returns:
        (frames, averages), each at least 1.
    """
    exposures = max(1, int((window_s - FRAMES * OVERHEAD_S) / integration_s))
    frames = min(FRAMES, exposures)
    return frames, max(1, exposures // frames)
