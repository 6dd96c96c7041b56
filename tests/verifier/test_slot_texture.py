"""Where the pavement's texture ends, on simulated strips with known truth; and what the arris makes of it."""

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, gaussian_filter1d

from verifier.slot_texture import FARTHEST_MM, INWARD_MM, OUTWARD_MM, texture_reach
from verifier.slot_wall import ArrisFit

CELL_MM = 0.2
BLUR_MM = 0.5
ROOM_MM = 2.0
V_MM = np.arange(-INWARD_MM, OUTWARD_MM, CELL_MM)


def strip(end_mm: float, grain_mm: float = 6.0, stations: int = 3000, seed: int = 3) -> NDArray[np.float32]:
    """A pavement that ends at an offset, and beyond it a wall just as bright with a texture of its own, blurred."""
    rng = np.random.default_rng(seed)

    def field() -> NDArray[np.float64]:
        grains = gaussian_filter(rng.normal(size=(stations, len(V_MM))), grain_mm / CELL_MM / 2.0)
        return np.asarray(0.4 + 0.1 * grains / grains.std())

    sharp = np.where(end_mm < V_MM, field(), field())
    return np.asarray(gaussian_filter1d(sharp, BLUR_MM / CELL_MM, axis=1), dtype=np.float32)


@pytest.mark.parametrize("end_mm", [-0.5, 0.0, 0.8, 1.6])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_end_is_found_although_both_sides_are_equally_bright(end_mm: float, seed: int) -> None:
    reach = texture_reach(strip(end_mm, seed=seed), V_MM, CELL_MM, BLUR_MM, ROOM_MM)
    assert reach is not None
    assert reach.end_mm == pytest.approx(end_mm, abs=2.0 * reach.u_mm)
    assert reach.u_mm < 0.4


def test_texture_finer_than_the_way_to_the_edge_does_not_tell() -> None:
    assert texture_reach(strip(0.0, grain_mm=0.3), V_MM, CELL_MM, BLUR_MM, ROOM_MM) is None


def test_few_stations_do_not_tell() -> None:
    assert texture_reach(strip(0.0, stations=100), V_MM, CELL_MM, BLUR_MM, ROOM_MM) is None


def test_stations_that_are_not_wholly_seen_do_not_count() -> None:
    light = strip(0.0, stations=400)
    light[::2, 10] = np.nan
    light[1::4, -1] = np.nan
    assert texture_reach(light, V_MM, CELL_MM, BLUR_MM, ROOM_MM) is None


def test_wide_walls_are_left_to_others() -> None:
    assert texture_reach(strip(0.0), V_MM, CELL_MM, BLUR_MM, FARTHEST_MM + 0.1) is None


UNSURE = ArrisFit(shift_mm=1.0, u_mm=0.7, blur_mm=BLUR_MM, misfit=0.1)
SURE = ArrisFit(shift_mm=0.0, u_mm=0.1, blur_mm=BLUR_MM, misfit=0.1)


def test_texture_decides_where_the_cross_section_does_not() -> None:
    reach = texture_reach(strip(0.0), V_MM, CELL_MM, BLUR_MM, ROOM_MM)
    found = UNSURE.with_texture(reach)
    assert abs(found.shift_mm) < 0.4
    assert found.u_mm < 0.6 * UNSURE.u_mm


def test_texture_that_ends_elsewhere_makes_a_sure_arris_unsure() -> None:
    """What lies just inside may be as dark as the pavement: the arris that light shows is then not the arris."""
    reach = texture_reach(strip(1.6), V_MM, CELL_MM, BLUR_MM, ROOM_MM)
    found = SURE.with_texture(reach)
    assert 0.0 <= found.shift_mm < 1.6
    assert found.u_mm > 3.0 * SURE.u_mm


def test_texture_that_ends_at_a_sure_arris_leaves_it_alone() -> None:
    found = SURE.with_texture(texture_reach(strip(0.0), V_MM, CELL_MM, BLUR_MM, ROOM_MM))
    assert found.shift_mm == pytest.approx(SURE.shift_mm, abs=0.05)
    assert found.u_mm == pytest.approx(SURE.u_mm, rel=0.5)


def test_no_texture_changes_nothing() -> None:
    assert UNSURE.with_texture(None) == UNSURE


def test_glare_inside_moves_the_arris_inward_and_makes_it_less_sure() -> None:
    found = SURE.with_glare(inside=1.0, outside=0.0)
    assert -1.1 * BLUR_MM < found.shift_mm < 0.0
    assert found.u_mm > SURE.u_mm
    assert SURE.with_glare(0.0, 1.0).shift_mm == -found.shift_mm
    assert SURE.with_glare(0.0, 0.0) == SURE


@pytest.mark.parametrize("over", [1.0, 1.5, 2.0, 3.0])
def test_truth_lies_within_the_allowance_for_glare(over: float) -> None:
    """A step from 0.25 to ``over`` times full scale, cut off there, met at the middle of what is left."""
    v = np.linspace(-3.0, 3.0, 6001) * BLUR_MM
    light = np.minimum(0.25 + (over - 0.25) * np.array([0.5 * math.erfc(x / BLUR_MM / math.sqrt(2.0)) for x in v]), 1.0)
    met = float(v[np.argmin(np.abs(light - 0.625))])
    found = SURE.with_glare(inside=1.0, outside=0.0)
    assert abs(met + found.shift_mm) <= 2.0 * found.u_mm
