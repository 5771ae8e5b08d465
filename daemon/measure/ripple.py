"""What a measuring window leaves of the ripple of a lamp's light.

Lamps on alternating current pulse at twice the mains frequency, on electronic ballasts or pulse-width modulation at
any other. A window averages over its length, so what it leaves depends on how many periods it holds.
"""

import math
from typing import Final

#: Where the ripple is not known it is taken to be no slower than this: twice the lower of the two mains frequencies.
SLOWEST_RIPPLE_HZ: Final = 100.0


def residual_ripple(integration_s: float, ripple_hz: float, u_relative: float = 0.0) -> float:
    """What a rectangular window leaves of a sinusoidal ripple: largest ``|sin(pi f T) / (pi f T)|``.

    Args:
        integration_s: length of the window T, seconds.
        ripple_hz: frequency f.
        u_relative: f may be off by this share either way; the worst is given.

    Returns:
        A share of the ripple's depth, between 0 and 1; zero to rounding for a whole number of periods.
    """
    turns = integration_s * ripple_hz
    if turns <= 0.0:
        return 1.0
    low, high = turns * (1.0 - u_relative), turns * (1.0 + u_relative)
    bound = max(abs(math.sin(math.pi * x) / (math.pi * x)) for x in (low, high))
    crest = math.floor(low - 0.5) + 1.5  # where |sin| next has its crest; the sinc's own lies up to 0.07 below
    if low < crest <= high and crest > 1.0:
        bound = max(bound, 1.0 / (math.pi * max(low, crest - 0.1)))
    return bound
