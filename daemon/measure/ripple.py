"""What a measuring window leaves of the ripple of a lamp's light.

Lamps on alternating current pulse at twice the mains frequency, on electronic ballasts or pulse-width modulation at
any other. A window averages over its length: over a whole number of periods it leaves nothing of any waveform, else
what it leaves depends on the waveform. A sinusoid leaves ``|sin(pi f T) / (pi f T)|`` of its depth. The worst waveform
of the same depth is the square one, half of each period on: the odd part f of a period beyond whole ones then adds or
lacks ``min(f, 1 - f)`` periods' worth of light.
"""

import math
from typing import Final

#: Where the ripple is not known it is taken to be no slower than this: twice the lower of the two mains frequencies.
SLOWEST_RIPPLE_HZ: Final = 100.0


def residual_ripple(integration_s: float, ripple_hz: float) -> float:
    """What a rectangular window leaves of a sinusoidal ripple, as a share of its depth: ``|sinc(f T)|``.

    Args:
        integration_s: length of the window T, seconds.
        ripple_hz: frequency f.

    Returns:
        Between 0 and 1; zero to rounding for a whole number of periods.
    """
    angle = math.pi * integration_s * ripple_hz
    return abs(math.sin(angle) / angle) if angle > 0.0 else 1.0


def largest_ripple(integration_s: float, ripple_hz: float | None, u_relative: float = 0.0) -> float:
    """Most that a rectangular window may leave of a ripple of any waveform, as a share of its depth.

    Depth is how far the light rises or falls from its mean at most, relative to the mean: a square wave, half of each
    period on, is the worst.

    Args:
        integration_s: length of the window, seconds.
        ripple_hz: fundamental frequency; None if it is only known to be :data:`SLOWEST_RIPPLE_HZ` or more.
        u_relative: the frequency may be off by this share either way; the worst is given.

    Returns:
        Between 0 and 1.
    """
    if ripple_hz is None:
        return min(1.0, 0.5 / max(integration_s * SLOWEST_RIPPLE_HZ, 0.5))
    low = integration_s * ripple_hz * (1.0 - u_relative)
    high = integration_s * ripple_hz * (1.0 + u_relative)
    half = math.ceil(low - 0.5) + 0.5  # the first half-integer at or after: there the odd part is largest
    return max(_left_over(turns) for turns in (low, high, min(half, high)))


def _left_over(turns: float) -> float:
    return 1.0 if turns <= 0.5 else abs(turns - round(turns)) / turns
