"""The search for the spectrometer's integration time, as a pure stepper.

Owns the decision what to expose next and when to stop. It exposes nothing itself: the caller asks
:attr:`IntegrationSearch.next_exposure_s` and :attr:`~IntegrationSearch.next_averages`, captures, reports the highest
count with :meth:`~IntegrationSearch.observe`, and goes on until there is an :attr:`~IntegrationSearch.outcome`.

Why not double or bisect until it fits: both cost an exposure for every factor of two, and both stop at times that cut
the light's ripple in the middle of a period (tests/studies/integration_time.py prints the comparison). Counts are
proportional to time, so one short exposure with some signal foretells the time and a second confirms it; one with next
to none is followed by another short one, and one that saturates by a far shorter one. The first exposure is one
ripple period (or as many as fill the geometric middle of the instrument's range), since a shorter one sees the lamp at
some unknown phase of its ripple.

A window over a whole number of ripple periods leaves nothing of the ripple (ripple.py). So the largest whole number
is taken that keeps the peak under the limit: with four or more periods that is over 70 % of full scale, as one period
less or more is then a step of at most a fifth. Where one period is less than the noise of the peak, that noise decides
which number it is. If not even one period fits, exposures shorter than a period are
averaged, and the crest of the ripple is kept under the limit too: an average hides clipped exposures.
"""

import math
from dataclasses import dataclass, replace
from typing import Final

from ...protocol.errors import MeasurementError
from .ripple import SLOWEST_RIPPLE_HZ, largest_ripple, residual_ripple

#: A saturated exposure says only "shorter": the next is shorter by this factor, and so many at least are averaged:
#: together they foretell the time to a few percent even where each shows little, and they cost next to no light.
_STEP_DOWN: Final = 300.0
_SHORT_AVERAGES: Final = 100
#: An exposure without any signal says only "longer".
_STEP_UP: Final = 100.0
#: The second short exposure aims here: enough signal for a good line, far from saturation if the first misled.
_SHORT_FRACTION: Final = 0.4
#: Here instead where the time will hold very many periods: then it is long, near half of it would be dear, and what a
#: weaker signal misleads by is a few periods of a hundred, kept off the limit by a wider margin.
_SHORTER_FRACTION: Final = 0.05
#: An exposure of very many periods, foretold from so little, is good enough if it comes to within this many margins of
#: the limit: another as long would gain a few percent of signal.
_LOSS: Final = 12.0
#: Signal, gathered over a capture's exposures, from which the time is foretold well enough to try it: to some 2 %.
_ENOUGH: Final = 0.02
#: After an average whose crest may be clipped, the next exposure is shorter than its line says by this factor.
_CLIPPED: Final = 0.85
#: A peak that a line from exposures below one ripple period puts at less than this times the limit may be under it.
_DOUBTFUL_LINE: Final = 1.35
#: Averages of exposures below one ripple period span at least so many periods.
_PERIODS_AVERAGED: Final = 4.0


@dataclass(frozen=True, slots=True)
class SearchSettings:
    """What the search must know of instrument and lamp.

    Attributes:
        min_s: shortest integration time of the instrument, seconds.
        max_s: longest that may be used, seconds.
        full_scale_counts: largest count.
        ripple_hz: fundamental frequency of the light's ripple; None if it is not known: then it may be anything
            from :data:`SLOWEST_RIPPLE_HZ` up. A light without ripple has a depth of 0.
        ripple_u_relative: how far the true frequency may be off, relative.
        ripple_depth: modulation depth at most, 1 for 100 % (crest twice the mean).
        limit_fraction: raw peak counts stay at or below this share of full scale.
        low_fraction: a peak below this share asks for a longer exposure, if one is possible.
        margin_fraction: kept below the limit when predicting, for noise and drift of the peak.
        weakest_fraction: a net peak below this share at the longest exposure is too weak.
        most_exposures: bound of the search.
        most_averages: most exposures that one capture may average.
    """

    min_s: float
    max_s: float
    full_scale_counts: float
    ripple_hz: float | None = None
    ripple_u_relative: float = 0.0
    ripple_depth: float = 1.0
    limit_fraction: float = 0.90
    low_fraction: float = 0.70
    margin_fraction: float = 0.005
    weakest_fraction: float = 0.02
    most_exposures: int = 5
    most_averages: int = 1000

    def __post_init__(self) -> None:
        if not 0.0 < self.min_s <= self.max_s < math.inf:
            raise MeasurementError(f"integration times from {self.min_s} to {self.max_s} s are no range")
        if not 0.0 < self.low_fraction < self.limit_fraction - self.margin_fraction < 1.0:
            raise MeasurementError("the limit must lie above the low mark and below full scale")
        if self.ripple_hz is not None and not self.ripple_hz > 0.0:
            raise MeasurementError("a ripple frequency is positive, or not given")
        if not 0.0 <= self.ripple_depth <= 1.0 or self.ripple_u_relative < 0.0:
            raise MeasurementError("ripple depth lies between 0 and 1, its uncertainty is not negative")
        if self.full_scale_counts <= 0.0 or self.most_exposures < 3 or self.most_averages < 1:
            raise MeasurementError("full scale, exposures (3) and averages (1) have a least value")


@dataclass(frozen=True, slots=True)
class Tuned:
    """An integration time that was seen to work.

    Attributes:
        integration_s: seconds.
        whole_periods: ripple periods it holds; None if shorter than one, or the ripple is not known.
        fraction_of_full_scale: raw peak, averaged over the capture, as a share of full scale.
        averages_suggested: exposures to average for a spot as bright as this one.
        residual_ripple_bound: largest relative error that ripple of any waveform may leave in one exposure.
        residual_ripple_sine: the same for a sinusoid, as the light of lamps on plain ballasts nearly is.
        exposures: captures it took.
        note: what the technician should know, in words.
    """

    integration_s: float
    whole_periods: int | None
    fraction_of_full_scale: float
    averages_suggested: int
    residual_ripple_bound: float
    residual_ripple_sine: float
    exposures: int
    note: str


@dataclass(frozen=True, slots=True)
class TooWeak:
    """Even the longest exposure shows too little light."""

    integration_s: float
    fraction_of_full_scale: float
    exposures: int
    reason: str


@dataclass(frozen=True, slots=True)
class TooStrong:
    """Even the shortest exposure that could be found is, or may be at the ripple's crest, over the limit."""

    integration_s: float
    exposures: int
    reason: str


Outcome = Tuned | TooWeak | TooStrong


@dataclass(frozen=True, slots=True)
class _Seen:
    """One capture as shares of full scale."""

    integration_s: float
    raw: float
    net: float
    saturated: bool
    averages: int

    @property
    def gathered(self) -> float:
        """Signal of all its exposures together, full scales: shot noise goes with its root."""
        return self.net * self.averages


@dataclass(frozen=True, slots=True)
class _Line:
    """Raw peak as a share of full scale against time: ``offset + slope_per_s * t``.

    ``margin`` is what the noise of the exposures behind it may make of a peak at full scale: it grows as the share of
    noise does, with the root of the signal (shot noise).
    """

    offset: float
    slope_per_s: float
    margin: float


class IntegrationSearch:
    """Finds the integration time at one spot. See the module's head; not reusable."""

    __slots__ = ("_averages", "_next_s", "_outcome", "_seen", "_settings")

    def __init__(self, settings: SearchSettings) -> None:
        self._settings = settings
        self._seen: list[_Seen] = []
        self._outcome: Outcome | None = None
        self._next_s: float | None = None
        self._averages = 1
        middle_s = math.sqrt(settings.min_s * settings.max_s)
        if self._fewest_periods() is not None:
            self._ask(self._whole(max(1, round(middle_s * (settings.ripple_hz or 0.0)))))
        else:
            self._ask(middle_s)

    @property
    def settings(self) -> SearchSettings:
        """What the search was started with."""
        return self._settings

    @property
    def next_exposure_s(self) -> float | None:
        """Integration time of the next capture in seconds; None once there is an outcome."""
        return self._next_s

    @property
    def next_averages(self) -> int:
        """Exposures to average in the next capture: more than one where the exposure is below a ripple period."""
        return self._averages

    @property
    def outcome(self) -> Outcome | None:
        """The result, None while the search goes on."""
        return self._outcome

    def observe(self, peak_counts: float, dark_counts: float, saturated: bool) -> None:
        """Report the capture that was asked for.

        Args:
            peak_counts: highest raw count of any good pixel.
            dark_counts: what that pixel would show without light, as well as is known.
            saturated: whether any good pixel reached saturation in any exposure.

        Raises:
            MeasurementError: nothing was asked for, or counts that are not finite.
        """
        if self._next_s is None:
            raise MeasurementError("the search for the integration time has ended")
        if not (math.isfinite(peak_counts) and math.isfinite(dark_counts)):
            raise MeasurementError("counts that are not finite", where="integration time")
        full = self._settings.full_scale_counts
        seen = _Seen(self._next_s, peak_counts / full, (peak_counts - dark_counts) / full, saturated, self._averages)
        # An average of exposures whose crest may have been clipped says no more than a saturated one.
        seen = replace(seen, saturated=saturated or self._crest(seen) >= 1.0)
        self._seen.append(seen)
        if seen.saturated:
            self._shorten()
        elif self._shows_nothing(seen):
            self._lengthen(seen)
        else:
            self._judge(seen)
        if self._outcome is None and len(self._seen) >= self._settings.most_exposures:
            self._settle_for_best()
        if self._outcome is not None:
            self._next_s = None

    # What to do after a capture.

    def _shorten(self) -> None:
        shortest = self._too_long_s()
        if shortest <= self._settings.min_s * (1.0 + 1e-9):
            self._outcome = TooStrong(
                shortest,
                len(self._seen),
                "the shortest exposure saturates, or may at the ripple's crest: more distance or a filter is needed",
            )
            return
        known = [s for s in self._seen if not s.saturated and not self._shows_nothing(s)]
        if known:
            # The line misled by little if it put whole periods just under the limit; else the light is unsteady.
            wanted_s = self._wanted_s(self._line(known[-1]))
            self._ask(self._allowed(shortest / 4.0) if wanted_s is None or wanted_s > 0.98 * shortest else wanted_s)
            return
        target_s = shortest / _STEP_DOWN
        self._ask(self._allowed(self._settings.min_s if target_s < 4.0 * self._settings.min_s else target_s))
        self._averages = max(self._averages, min(_SHORT_AVERAGES, self._settings.most_averages))

    def _lengthen(self, seen: _Seen) -> None:
        longest_s = self._longest_s()
        if seen.integration_s >= longest_s * (1.0 - 1e-9):
            self._outcome = self._too_weak(seen)
        else:
            self._ask(self._allowed(min(seen.integration_s * _STEP_UP, longest_s)))

    def _judge(self, seen: _Seen) -> None:
        line = self._line(seen)
        wanted_s = self._wanted_s(line)
        if wanted_s is None:
            self._outcome = TooStrong(
                self._settings.min_s,
                len(self._seen),
                "the shortest exposure may saturate at the crest of the ripple: more distance or a filter is needed",
            )
            return
        if self._periods(seen.integration_s) is None and self._crest(seen) > self._settings.limit_fraction:
            # Part of the crest may have been clipped and the average be too low: a little more than the line says.
            wanted_s = max(wanted_s * _CLIPPED, self._settings.min_s)
        same = math.isclose(wanted_s, seen.integration_s, rel_tol=1e-9)
        fewest_s = self._worth_trying(line, wanted_s)
        if fewest_s is not None:
            self._ask(fewest_s)
            return
        repeated = len([s for s in self._seen if not s.saturated]) > 1
        confirmed = same and self._crest(seen) <= self._settings.limit_fraction
        if repeated and (confirmed or self._near_enough(seen, wanted_s)):
            self._accept(seen)
        elif repeated or len(self._seen) > 2 or seen.gathered >= _ENOUGH:
            self._ask(wanted_s)
        else:
            # One weak exposure: a second short one, then the line is known.
            fraction = _SHORTER_FRACTION if self._is_fine(self._periods(wanted_s)) else _SHORT_FRACTION
            short_s = seen.integration_s * fraction / seen.net
            if self._periods(wanted_s) is not None:
                short_s = max(short_s, self._whole(1))  # where whole periods fit, short is one of them at least
            self._ask(self._allowed(min(short_s, wanted_s)))

    def _accept(self, seen: _Seen) -> None:
        settings = self._settings
        if seen.net < settings.weakest_fraction and seen.integration_s >= self._longest_s() * (1.0 - 1e-9):
            self._outcome = self._too_weak(seen)
            return
        periods = self._periods(seen.integration_s)
        averages = averages_for(seen.net, most=settings.most_averages)
        if settings.ripple_depth == 0.0:
            note = "light without ripple"
        elif settings.ripple_hz is None:
            averages = max(averages, self._spanning(seen.integration_s))
            note = f"ripple not known, taken as no slower than {SLOWEST_RIPPLE_HZ:g} Hz"
        elif periods is None:
            averages = max(averages, self._spanning(seen.integration_s))
            note = "shorter than one ripple period: many exposures are averaged, some ripple may remain"
        else:
            note = f"{periods} whole ripple periods"
        if seen.raw < settings.low_fraction:
            note += f"; the peak reaches only {seen.raw:.0%} of full scale"
        self._outcome = Tuned(
            integration_s=seen.integration_s,
            whole_periods=periods,
            fraction_of_full_scale=seen.raw,
            averages_suggested=averages,
            residual_ripple_bound=self.ripple_bound(seen.integration_s),
            residual_ripple_sine=settings.ripple_depth
            * residual_ripple(seen.integration_s, settings.ripple_hz or SLOWEST_RIPPLE_HZ),
            exposures=len(self._seen),
            note=note,
        )

    def _settle_for_best(self) -> None:
        limit = self._settings.limit_fraction
        fit = [s for s in self._seen if not s.saturated and self._crest(s) <= limit]
        if fit:
            self._accept(max(fit, key=lambda s: s.integration_s))
        else:
            self._outcome = TooStrong(
                min(s.integration_s for s in self._seen),
                len(self._seen),
                "no exposure stayed under the limit: the light is too strong or too unsteady",
            )

    def _too_weak(self, seen: _Seen) -> TooWeak:
        return TooWeak(
            seen.integration_s,
            seen.raw,
            len(self._seen),
            f"after {seen.integration_s:g} s the light stands only {max(seen.net, 0.0):.2%} of full scale above dark",
        )

    # What is known of the light.

    def _line(self, seen: _Seen) -> _Line:
        """The line through the two longest unsaturated captures, or through the one and its dark."""
        offset, slope = seen.raw - seen.net, seen.net / seen.integration_s
        others = [s for s in self._seen[:-1] if not s.saturated and s.net > 0.0]
        if others and self._periods(seen.integration_s) is not None:
            other = max(others, key=lambda s: s.integration_s)
            apart = seen.integration_s / other.integration_s
            whole = self._periods(other.integration_s) is not None
            if whole and not 0.5 < apart < 2.0:
                line = (seen.raw - other.raw) / (seen.integration_s - other.integration_s)
                # Noise lifts the highest of many pixels most where there is least signal, which flattens the line.
                if line > 0.0:
                    slope = line
                    offset = seen.raw - slope * seen.integration_s
        return _Line(offset, slope, self._settings.margin_fraction / math.sqrt(max(seen.gathered, 1e-4)))

    def _wanted_s(self, line: _Line) -> float | None:
        """The time to use if the line is right; None if there is none that is short enough."""
        settings = self._settings
        # Each exposure that came out over the limit shows that the peak is noisier than thought.
        over = sum(not s.saturated and s.raw > settings.limit_fraction for s in self._seen)
        room = settings.limit_fraction - settings.margin_fraction * (1 + 2 * over) - line.offset
        if room <= 0.0:
            return None
        exact_s = room / line.slope_per_s
        fewest = self._fewest_periods()
        if fewest is not None and settings.ripple_hz is not None:
            periods = math.floor(min(exact_s, settings.max_s) * settings.ripple_hz * (1.0 + 1e-12))
            if math.isfinite(self._too_long_s()):
                periods = min(periods, math.ceil(self._too_long_s() * settings.ripple_hz * (1.0 - 1e-9)) - 1)
            if self._is_fine(periods) and line.margin > settings.margin_fraction:
                room -= line.margin - settings.margin_fraction
                periods = min(periods, math.floor(room / line.slope_per_s * settings.ripple_hz))
            if periods >= fewest:
                return self._whole(periods)
        wanted_s = self._below_crest_s(exact_s)
        if settings.ripple_hz is None:
            # Nothing to be whole of: the middle of the wanted range, so that drift leaves it neither way.
            middle = (settings.limit_fraction + settings.low_fraction) / 2.0 - line.offset
            wanted_s = min(wanted_s, middle / line.slope_per_s)
        return None if wanted_s < settings.min_s else min(wanted_s, settings.max_s)

    def _too_long_s(self) -> float:
        """Shortest time that was seen to saturate."""
        return min((s.integration_s for s in self._seen if s.saturated), default=math.inf)

    def _worth_trying(self, line: _Line, wanted_s: float) -> float | None:
        """The fewest whole periods, where only a line from exposures below a period says that they do not fit.

        Such a line may be a third off, as the exposures meet the ripple at a few phases only.
        """
        fewest = self._fewest_periods()
        if fewest is None or self._periods(wanted_s) is not None:
            return None
        whole_s = self._whole(fewest)
        tried = any(math.isclose(s.integration_s, whole_s, rel_tol=1e-9) for s in self._seen)
        expected = line.offset + line.slope_per_s * whole_s
        near = expected <= _DOUBTFUL_LINE * self._settings.limit_fraction
        return whole_s if near and not tried and whole_s < self._too_long_s() else None

    def _below_crest_s(self, exact_s: float) -> float:
        """The time at which the ripple's crest reaches what the mean reaches at ``exact_s``.

        The light of the best placed window never falls as it grows longer, so bisection finds it.
        """
        low_s, high_s = 0.0, exact_s
        if self._settings.ripple_hz is not None:
            high_s = min(exact_s, 1.0 / self._settings.ripple_hz)
        for _ in range(60):
            middle_s = (low_s + high_s) / 2.0
            if middle_s * (1.0 + self.ripple_bound(middle_s)) <= exact_s:
                low_s = middle_s
            else:
                high_s = middle_s
        return low_s

    def _crest(self, seen: _Seen) -> float:
        """Raw peak at the ripple's crest, as a share of full scale; the peak itself over whole periods."""
        if self._periods(seen.integration_s) is not None:
            return seen.raw
        return seen.raw + seen.net * self.ripple_bound(seen.integration_s)

    def _near_enough(self, seen: _Seen, wanted_s: float) -> bool:
        """Whether another exposure would gain nothing worth having."""
        settings = self._settings
        crest = self._crest(seen)
        if crest > settings.limit_fraction:
            return False
        periods = self._periods(seen.integration_s)
        if periods is not None:
            # The largest number of whole periods is asked for; where one period is less than the noise of the peak,
            # that noise decides which it is.
            return self._is_fine(periods) and crest >= settings.limit_fraction - _LOSS * settings.margin_fraction
        if self._periods(wanted_s) is not None:
            return False
        return crest >= settings.low_fraction or wanted_s <= seen.integration_s * 1.02

    def _is_fine(self, periods: int | None) -> bool:
        """Whether one period of so many is less than the noise of the peak."""
        return periods is not None and periods * self._settings.margin_fraction >= 0.5

    def _shows_nothing(self, seen: _Seen) -> bool:
        # A ten thousandth of full scale is six counts of 16 bits: below that the peak is noise.
        return seen.net <= 1e-4

    # Whole periods.

    def _fewest_periods(self) -> int | None:
        """Fewest whole ripple periods that the instrument's range can hold, None if it holds none."""
        settings = self._settings
        if settings.ripple_hz is None:
            return None
        fewest = max(1, math.ceil(settings.min_s * settings.ripple_hz * (1.0 - 1e-12)))
        return fewest if fewest / settings.ripple_hz <= settings.max_s * (1.0 + 1e-12) else None

    def _whole(self, periods: int) -> float:
        fewest = self._fewest_periods() or 1
        ripple_hz = self._settings.ripple_hz or 1.0
        most = math.floor(self._settings.max_s * ripple_hz * (1.0 + 1e-12))
        return min(max(periods, fewest), most) / ripple_hz

    def _periods(self, integration_s: float) -> int | None:
        if self._settings.ripple_hz is None:
            return None
        periods = round(integration_s * self._settings.ripple_hz)
        whole = periods >= 1 and math.isclose(integration_s * self._settings.ripple_hz, periods, rel_tol=1e-9)
        return periods if whole else None

    def _allowed(self, target_s: float) -> float:
        """Within the instrument's range; down to whole periods where at least one fits."""
        settings = self._settings
        fewest = self._fewest_periods()
        if fewest is not None and settings.ripple_hz is not None:
            periods = math.floor(target_s * settings.ripple_hz * (1.0 + 1e-12))
            if periods >= fewest:
                return self._whole(periods)
        return min(max(target_s, settings.min_s), settings.max_s)

    def _longest_s(self) -> float:
        return self._allowed(self._settings.max_s)

    def _spanning(self, integration_s: float) -> int:
        """Exposures that together span some ripple periods, should they follow one another without a gap."""
        settings = self._settings
        if settings.ripple_depth == 0.0:
            return 1
        period_s = 1.0 / (settings.ripple_hz or SLOWEST_RIPPLE_HZ)
        return min(max(1, math.ceil(_PERIODS_AVERAGED * period_s / integration_s)), settings.most_averages)

    def _ask(self, integration_s: float) -> None:
        self._next_s = integration_s
        self._averages = 1 if self._periods(integration_s) is not None else self._spanning(integration_s)

    def ripple_bound(self, integration_s: float) -> float:
        """Largest relative error that ripple may leave in one exposure (see :func:`.ripple.largest_ripple`).

        Averages are not counted in: exposures may fall on the same phase again and again.
        """
        settings = self._settings
        return settings.ripple_depth * largest_ripple(integration_s, settings.ripple_hz, settings.ripple_u_relative)


def averages_for(
    peak_fraction: float, *, full_fraction: float = 0.8, base: int = 1, most: int = 64, read_fraction: float = 0.0
) -> int:
    """Exposures to average at a dim spot so that it is as free of noise as a bright one.

    Shot noise asks for averages in inverse proportion to the signal, read noise for the inverse square.

    Args:
        peak_fraction: net peak of the spot as a share of full scale.
        full_fraction: net peak at which ``base`` averages are enough.
        base: averages there.
        most: bound, so that a reading stays within its window.
        read_fraction: signal, as a share of full scale, at which read noise equals shot noise (0: no read noise).

    Returns:
        Between ``base`` and ``most``; ``most`` where there is no signal.
    """
    if peak_fraction <= 0.0:
        return max(most, base)
    noise = (peak_fraction + read_fraction) / peak_fraction**2
    reference = (full_fraction + read_fraction) / full_fraction**2
    # A rounding of the ratio just above a whole number asks for no further exposure.
    return max(base, min(most, math.ceil(base * noise / reference - 1e-9)))
