"""How the pavement goes on outside a traced edge, on simulated strips with known lines."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, gaussian_filter1d

from verifier.slot_continuity import INWARD_MM, OUTWARD_MM, Continuity, pavement_continuity

CELL_MM = 0.5
BLUR_MM = 0.5
V_MM = np.arange(-INWARD_MM, OUTWARD_MM, CELL_MM)


def strip(borders_mm: list[float], grain_mm: float = 6.0, seed: int = 1, stations: int = 2000) -> NDArray[np.float32]:
    """Materials with textures of their own, all equally bright on average, that change at the borders."""
    rng = np.random.default_rng(seed)
    light = np.zeros((stations, len(V_MM)))
    for low, high in zip([-np.inf, *borders_mm], [*borders_mm, np.inf], strict=True):
        grains = gaussian_filter(rng.normal(size=light.shape), grain_mm / CELL_MM / 2.0)
        part = (low <= V_MM) & (high > V_MM)
        light[:, part] = (0.4 * np.exp(0.25 * grains / grains.std()))[:, part]
    return np.asarray(gaussian_filter1d(light, BLUR_MM / CELL_MM, axis=1), dtype=np.float32)


def looked_at(light: NDArray[np.float32]) -> Continuity:
    found = pavement_continuity(light, V_MM, CELL_MM, BLUR_MM)
    assert found is not None
    return found


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_pavement_ends_at_an_arris(seed: int) -> None:
    found = looked_at(strip([0.0], seed=seed))
    assert found.ends_here
    assert not found.is_whole


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_border_of_a_shadow_breaks_nothing(seed: int) -> None:
    light = strip([], seed=seed)
    light[:, V_MM < 0.0] *= 0.3
    found = looked_at(light)
    assert found.is_whole
    assert not found.ends_here


@pytest.mark.parametrize("arris_mm", [4.0, 14.0, 40.0])
def test_arris_outside_the_edge_that_was_traced_is_seen(arris_mm: float) -> None:
    found = looked_at(strip([0.0, arris_mm]))
    assert not found.ends_here
    assert found.breaks_mm[-1] == pytest.approx(arris_mm, abs=1.5)


def test_arris_close_outside_makes_the_edge_s_own_break_too_wide() -> None:
    found = looked_at(strip([0.0, 2.5]))
    assert not found.ends_here
    assert 0.8 < found.breaks_mm[0] < 3.5


def test_pavement_laid_in_stripes_along_the_slot_does_not_tell() -> None:
    light = strip([0.0, 8.0, 16.0, 24.0, 32.0, 40.0, 48.0, 56.0])
    assert pavement_continuity(light, V_MM, CELL_MM, BLUR_MM) is None


def test_texture_too_fine_to_follow_does_not_tell() -> None:
    assert pavement_continuity(strip([0.0], grain_mm=0.4), V_MM, CELL_MM, BLUR_MM) is None


def test_few_stations_do_not_tell() -> None:
    assert pavement_continuity(strip([0.0], stations=100), V_MM, CELL_MM, BLUR_MM) is None


def test_bars_far_outside_do_not_matter() -> None:
    light = strip([0.0])
    light[:, V_MM > 45.0] = np.nan
    assert looked_at(light).ends_here
