"""Light over the grid against closed forms: the distance law with a small source (CIE, eilv.cie.co.at/term/912)."""

import math

import pytest
from lampwarden.simulators.field import FieldPlan, GridPlan, incidence


def field(lobe: float) -> FieldPlan:
    return FieldPlan(peak_ppfd_umol=1000.0, height_m=1.0, lobe=lobe, lopsided=0.0, x_m=0.0, y_m=0.0)


def levels(plan: FieldPlan) -> list[float]:
    grid = GridPlan(columns=3, rows=3, pitch_x_m=0.5, pitch_y_m=0.5, reference="B2")
    return [incidence(plan, *grid.position_m(spot)).ppfd_umol for spot in grid.spots()]


def test_equal_intensity_falls_with_the_cube_of_the_cosine() -> None:
    # E = I/h²·cos³θ on a 3 × 3 grid at 0.5 m, h = 1 m
    corner, edge, _, _, centre, *_ = grid = levels(field(0.0))
    assert centre == pytest.approx(1000.0, abs=5e-4)
    assert edge == pytest.approx(715.542, abs=5e-4)
    assert corner == pytest.approx(544.331, abs=5e-4)
    assert sum(grid) / 9 == pytest.approx(671.0546, abs=5e-5)
    assert max(grid) / min(grid) == pytest.approx(1.5**1.5, rel=1e-12)


def test_small_lambertian_source_falls_with_the_fourth_power_of_the_cosine() -> None:
    corner, edge, *_ = grid = levels(field(1.0))
    assert edge == pytest.approx(640.0, abs=5e-4)
    assert corner == pytest.approx(444.444, abs=5e-4)
    assert sum(grid) / 9 == pytest.approx(593.0864, abs=5e-5)
    assert max(grid) / min(grid) == pytest.approx(2.25, rel=1e-12)


def test_raising_the_sensor_brings_the_inverse_square_gain() -> None:
    assert incidence(field(0.0), 0.0, 0.0, 0.2).ppfd_umol == pytest.approx(1000.0 / 0.8**2, rel=1e-12)


def test_lopsided_lamp_is_brighter_towards_its_rotation_and_dimmer_behind() -> None:
    plan = FieldPlan(peak_ppfd_umol=500.0, lopsided=0.1, rotation_deg=90.0, x_m=0.0, y_m=0.0)
    ahead, behind = incidence(plan, 0.0, 0.3).ppfd_umol, incidence(plan, 0.0, -0.3).ppfd_umol
    across = incidence(plan, 0.3, 0.0).ppfd_umol
    assert behind < across < ahead
    assert (ahead + behind) / 2 == pytest.approx(across, rel=1e-12)


def test_angle_of_incidence_is_that_of_the_triangle() -> None:
    assert incidence(field(0.0), 1.0, 0.0).angle_rad == pytest.approx(math.pi / 4, rel=1e-12)


def test_grid_has_letters_for_columns_and_digits_for_rows() -> None:
    grid = GridPlan(columns=6, rows=4, pitch_x_m=0.16, pitch_y_m=0.2, reference="C2")
    assert len(grid.spots()) == 24
    assert grid.spots()[0] == "A1"
    assert grid.spots()[-1] == "F4"
    assert grid.position_m("A1") == pytest.approx((-0.4, -0.3))
    assert grid.position_m("reference") == grid.position_m("C2")


@pytest.mark.parametrize("spot", ["", "G1", "A5", "A0", "AA", "a1", "11", "A-1"])
def test_unknown_spot_is_refused(spot: str) -> None:
    with pytest.raises(ValueError, match="no spot"):
        GridPlan().position_m(spot)
