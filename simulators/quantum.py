"""What a quantum sensor shows: PPFD with the errors of a real one.

Reading = light at the post, followed with a first-order lag after each move, times calibration, cosine and spectral
errors that are fixed for this very instrument and lamp, plus zero offset, plus noise. The errors are drawn from the
seed within the standard uncertainties that its certificate states, so that an uncertainty computed by the daemon can be
put to the test.

The lag applies to moves and shadows. A change of the lamp's light is followed at once: it takes minutes, the lag
seconds, and an arc that goes out is seen a few seconds too early.
"""

import math
from bisect import bisect_right
from dataclasses import dataclass

import numpy as np

from .lamp import Lamp
from .post import SensorPost, Stand
from .seeds import Noise


@dataclass(frozen=True, slots=True, kw_only=True)
class QuantumPlan:
    """A quantum sensor and its certificate.

    Attributes:
        factor: Certified factor: PPFD = factor × reading.
        u_calibration_rel: Standard uncertainty of the factor.
        u_cosine_rel: Standard uncertainty of the cosine response at 60°; the error grows with the square of the angle.
        u_spectral_rel: Standard uncertainty of the response to this lamp's spectrum against the calibration lamp's.
        lag_s: Time constant of the reading after a move.
        noise_rel: Standard deviation of a reading, relative.
        noise_umol: Standard deviation of a reading, absolute.
        zero_umol: Reading in the dark.
        resolution_umol: Last digit.
    """

    factor: float = 1.013
    u_calibration_rel: float = 0.0125
    u_cosine_rel: float = 0.01
    u_spectral_rel: float = 0.01
    lag_s: float = 3.0
    noise_rel: float = 0.0008
    noise_umol: float = 0.1
    zero_umol: float = 0.2
    resolution_umol: float = 0.1


class LaggedPost:
    """The light at the post as an instrument with a first-order lag follows it.

    Between two stands the followed value approaches the present one exponentially, so it is enough to keep, for every
    stand, the value that had been reached when it began.
    """

    __slots__ = ("_angle_factor", "_lag_s", "_post", "_reached", "_seen")

    def __init__(self, post: SensorPost, lag_s: float, cosine_error: float) -> None:
        self._post = post
        self._lag_s = lag_s
        self._angle_factor = cosine_error / math.radians(60.0) ** 2
        self._seen: list[Stand] = []
        self._reached: list[float] = []

    def _target(self, stand: Stand) -> float:
        return stand.ppfd_umol * (1.0 + self._angle_factor * stand.angle_rad**2)

    def _left(self, passed_s: float) -> float:
        return math.exp(-passed_s / self._lag_s) if self._lag_s > 0.0 else 0.0

    def _follow(self) -> None:
        stands = self._post.stands
        # stands still ahead of time may have been replaced by a move
        while self._seen and (len(self._seen) > len(stands) or self._seen[-1] is not stands[len(self._seen) - 1]):
            self._seen.pop()
            self._reached.pop()
        for stand in stands[len(self._seen) :]:
            if self._seen:
                before = self._seen[-1]
                aim = self._target(before)
                reached = aim + (self._reached[-1] - aim) * self._left(stand.since_s - before.since_s)
            else:
                reached = self._target(stand)
            self._seen.append(stand)
            self._reached.append(reached)

    def ppfd_umol(self, at_s: float) -> float:
        """PPFD seen at an instant, if the lamp gave all its light."""
        stands = self._post.stands
        if len(stands) != len(self._seen) or stands[-1] is not self._seen[-1]:
            self._follow()
        index = len(stands) - 1
        if at_s < stands[index].since_s:
            index = max(0, bisect_right(stands, at_s, key=lambda each: each.since_s) - 1)
        stand = self._seen[index]
        aim = self._target(stand)
        return aim + (self._reached[index] - aim) * self._left(at_s - stand.since_s)


class QuantumSignal:
    """The readings of one quantum sensor."""

    def __init__(
        self,
        plan: QuantumPlan,
        *,
        post: SensorPost,
        lamp: Lamp,
        ambient_umol: float,
        truth: np.random.Generator,
        mismatch: np.random.Generator,
        noise: np.random.Generator,
    ) -> None:
        calibration, cosine = (float(each) for each in truth.standard_normal(2))
        spectral = float(mismatch.standard_normal())
        self.plan = plan
        self._lamp = lamp
        self._ambient_umol = ambient_umol
        self._noise = Noise(noise)
        self._gain = (1.0 + plan.u_calibration_rel * calibration) / plan.factor
        self._spectral = 1.0 + plan.u_spectral_rel * spectral
        self._light = LaggedPost(post, plan.lag_s, plan.u_cosine_rel * cosine)

    def reading_umol(self, at_s: float) -> float:
        """What the instrument shows at an instant, before the certified factor; noise in the dark may be below zero."""
        lamp = self._light.ppfd_umol(at_s) * self._lamp.relative_light(at_s) * self._spectral
        shown = self._gain * (lamp + self._ambient_umol) + self.plan.zero_umol
        shown += self._noise.draw() * math.hypot(self.plan.noise_umol, self.plan.noise_rel * shown)
        resolution = self.plan.resolution_umol
        return round(shown / resolution) * resolution if resolution else shown
