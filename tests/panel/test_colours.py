"""The ramp of the light maps: order in grey, contrast of the figures on it, and what the colour-blind see of it."""

from itertools import pairwise

import numpy as np
import pytest
from lampwarden.daemon.colours import at, ink_on, ramp, relative_luminance


def rgb(colour: str) -> "np.ndarray[tuple[int], np.dtype[np.float64]]":
    return np.array([int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)])


def test_more_light_is_lighter_at_every_step() -> None:
    luminances = [relative_luminance(colour) for colour in ramp()]
    assert all(b > a for a, b in pairwise(luminances))


def test_luminance_is_that_of_wcag() -> None:
    # WCAG 2.2, definition of relative luminance: black 0, white 1; pure red, green and blue their coefficients.
    assert relative_luminance("#000000") == 0.0
    assert relative_luminance("#ffffff") == pytest.approx(1.0)
    assert relative_luminance("#ff0000") == pytest.approx(0.2126)
    assert relative_luminance("#00ff00") == pytest.approx(0.7152)
    assert relative_luminance("#0000ff") == pytest.approx(0.0722)


def test_figures_on_every_colour_have_the_contrast_of_level_aa() -> None:
    for position in np.linspace(0.0, 1.0, 501):
        colour = at(float(position))
        paper, ink = relative_luminance(colour), relative_luminance(ink_on(colour))
        contrast = (max(paper, ink) + 0.05) / (min(paper, ink) + 0.05)
        assert contrast >= 4.5, colour  # WCAG 2.2, 1.4.3


@pytest.mark.parametrize("deficiency", ["Protanomaly", "Deuteranomaly"])
def test_colour_blind_eyes_see_the_same_order_and_tell_the_ends_apart(deficiency: str) -> None:
    # The model of Machado, Oliveira and Fernandes (2009) at full severity, by an independent library. It has no sound
    # model of blue-yellow blindness; there the even rise of lightness (below) keeps the order.
    colour = pytest.importorskip("colour")
    matrix = colour.matrix_cvd_Machado2009(deficiency, 1.0)
    linear = [colour.cctf_decoding(rgb(c)) for c in ramp()]
    seen = [np.clip(matrix @ c, 0.0, 1.0) for c in linear]
    luminances = [float(np.dot([0.2126, 0.7152, 0.0722], c)) for c in seen]
    assert all(b > a for a, b in pairwise(luminances))
    assert (luminances[-1] + 0.05) / (luminances[0] + 0.05) > 7.0


def test_ramp_is_even_in_oklab_lightness() -> None:
    colour = pytest.importorskip("colour")
    lightness = [float(colour.XYZ_to_Oklab(colour.sRGB_to_XYZ(rgb(c)))[0]) for c in ramp(11)]
    steps = np.diff(lightness)
    assert steps.min() > 0.8 * steps.mean()
    assert steps.max() < 1.2 * steps.mean()
