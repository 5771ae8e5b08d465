"""The colours of light maps, on the panel and in reports: one ramp, computed here.

A straight line in OKLab (Björn Ottosson, "A perceptual color space for image processing", 2020, whose matrices are
below) from a dark blue to a pale yellow. Lightness rises evenly along it, so that the order can be read in grey too;
and blue to yellow is the one direction that people with any red–green blindness see as others do. Every colour of it
carries black or white figures with a contrast of 4.5 or more (WCAG 2.2, 1.4.3). Colour never stands alone: the figure
is always printed on it.
"""

from typing import Final

_DARK: Final = (0.30, -0.005, -0.105)
_PALE: Final = (0.95, -0.020, 0.105)
"""Ends of the ramp: OKLab lightness, a and b."""
STEPS: Final = 33


def _srgb(lightness: float, a: float, b: float) -> tuple[float, float, float]:
    """OKLab to linear sRGB (Ottosson 2020), then the transfer function of IEC 61966-2-1; 0 to 1, clipped."""
    cone = (
        (lightness + 0.3963377774 * a + 0.2158037573 * b) ** 3,
        (lightness - 0.1055613458 * a - 0.0638541728 * b) ** 3,
        (lightness - 0.0894841775 * a - 1.2914855480 * b) ** 3,
    )
    linear = (
        4.0767416621 * cone[0] - 3.3077115913 * cone[1] + 0.2309699292 * cone[2],
        -1.2684380046 * cone[0] + 2.6097574011 * cone[1] - 0.3413193965 * cone[2],
        -0.0041960863 * cone[0] - 0.7034186147 * cone[1] + 1.7076147010 * cone[2],
    )
    red, green, blue = (min(1.0, max(0.0, value)) for value in linear)
    return _encoded(red), _encoded(green), _encoded(blue)


def _encoded(linear: float) -> float:
    return 12.92 * linear if linear <= 0.0031308 else 1.055 * linear ** (1.0 / 2.4) - 0.055


def at(position: float) -> str:
    """The colour at a position from 0 (least light) to 1 (most), as ``#rrggbb``."""
    t = min(1.0, max(0.0, position))
    lab = [dark + t * (pale - dark) for dark, pale in zip(_DARK, _PALE, strict=True)]
    return "#" + "".join(f"{round(255 * channel):02x}" for channel in _srgb(*lab))


def ink_on(colour: str) -> str:
    """Black or white, whichever stands out more on a colour (contrast ratio of WCAG 2.2)."""
    luminance = relative_luminance(colour)
    return "#ffffff" if 1.05 / (luminance + 0.05) >= (luminance + 0.05) / 0.05 else "#000000"


def relative_luminance(colour: str) -> float:
    """Of ``#rrggbb``, as WCAG 2.2 defines it."""
    channels = [int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def ramp(steps: int = STEPS) -> list[str]:
    """The ramp as evenly spaced colours, least light first."""
    return [at(i / (steps - 1)) for i in range(steps)]
