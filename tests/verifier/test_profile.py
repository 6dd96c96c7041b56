"""Straightness, filters and chips against published values and independent oracles."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter1d

from verifier.profile import GAUSSIAN_ALPHA, gaussian_lowpass, minimum_zone_width, moving_mean, straightness

# Published: JTS MinimumDiameterTest.java (locationtech/jts), tests 5, 6, 3, 1; tolerance there 1e-10.
JTS = [
    ([(0, 240), (160, 140), (220, 0), (0, 0)], 202.21190660397272),
    (
        [(39, 119), (162, 197), (135, 70), (95, 35), (33, 66), (111, 82), (97, 131), (48, 160), (-4, 182), (57, 195),
         (94, 202), (90, 174), (75, 134), (47, 114), (0, 100), (59, 81), (123, 60), (136, 43), (163, 75), (145, 114),
         (93, 136), (92, 159), (105, 175)],
        164.27512269951515,
    ),
    ([(0, 240), (220, 240), (220, 0), (0, 0)], 220.0),
    ([(0, 240), (220, 240)], 0.0),
]  # fmt: skip


@pytest.mark.parametrize(("points", "width"), JTS)
def test_minimum_zone_of_published_point_sets(points: list[tuple[int, int]], width: float) -> None:
    assert minimum_zone_width(np.array(points, float)) == pytest.approx(width, abs=1e-10)


@pytest.mark.parametrize(("n", "width"), [(3, 1.5), (4, math.sqrt(2)), (5, 1.8090169943749472), (6, math.sqrt(3))])
def test_minimum_zone_of_regular_polygons(n: int, width: float) -> None:
    """Derived: odd 1 + cos(pi/n), even 2 cos(pi/n) in the unit circle."""
    turn = 2 * np.pi * np.arange(n) / n
    assert minimum_zone_width(np.column_stack([np.cos(turn), np.sin(turn)])) == pytest.approx(width, abs=1e-12)


def test_minimum_zone_of_one_sine_period_is_narrower_than_least_squares() -> None:
    """Own reference, hull and shapely agree: 1.3623274814502844, where the least-squares zone is 1.770897."""
    x = np.arange(0, 1001, 25.0)
    assert straightness(x, np.sin(2 * np.pi * x / 1000)) == pytest.approx(1.3623274814502844, abs=1e-12)


def test_minimum_zone_of_a_square_root() -> None:
    """Textbook minimax line y = x + 1/8: vertical error 1/8, zone 0.25/sqrt 2."""
    x = np.linspace(0, 1, 4001)
    assert straightness(x, np.sqrt(x)) == pytest.approx(0.25 / math.sqrt(2), abs=1e-7)


def test_minimum_zone_of_a_parabola_is_its_sag() -> None:
    x = np.linspace(0, 3600, 37)
    assert straightness(x, 2 * (1 - ((x - 1800) / 1800) ** 2)) == pytest.approx(2.0, abs=1e-5)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(-500, 500), st.integers(-50, 50)), min_size=3, max_size=40))
def test_minimum_zone_agrees_with_geos(points: list[tuple[int, int]]) -> None:
    """Independent oracle: shapely's minimum_width (GEOS)."""
    expected = shapely.minimum_width(shapely.MultiPoint(points)).length
    assert minimum_zone_width(np.array(points, float)) == pytest.approx(expected, abs=1e-9)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**31), st.floats(-math.pi, math.pi))
def test_minimum_zone_is_unaltered_by_turning_shifting_and_order(seed: int, turn: float) -> None:
    rng = np.random.default_rng(seed)
    points = rng.normal(size=(30, 2)) * (100, 1)
    rotation = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    moved = rng.permutation(points) @ rotation.T + (1000, -50)
    assert minimum_zone_width(moved) == pytest.approx(minimum_zone_width(points), abs=1e-9)


def test_minimum_zone_refuses_gaps() -> None:
    with pytest.raises(ValueError, match="gaps"):
        minimum_zone_width(np.array([[0.0, 1.0], [np.nan, 2.0], [3.0, 4.0]]))


@pytest.mark.parametrize(
    ("wavelength", "transmission"), [(12.5, 0.0625), (25.0, 0.5), (50.0, 0.840896), (75.0, 0.925875)]
)
def test_gaussian_filter_transmission(wavelength: float, transmission: float) -> None:
    """ISO 16610-21: exp(-pi (alpha cutoff / wavelength)^2); digits from the check values."""
    s = np.arange(0, 600, 0.5)
    out = gaussian_lowpass(s, np.cos(2 * np.pi * (s - 300) / wavelength))
    assert out[600] == pytest.approx(transmission, abs=2e-6)


def test_gaussian_filter_agrees_with_scipy_inside_a_regular_profile() -> None:
    rng = np.random.default_rng(1)
    s, n = np.arange(0, 400.0), rng.normal(size=400)
    sigma = GAUSSIAN_ALPHA * 25.0 / math.sqrt(2 * math.pi)
    expected = gaussian_filter1d(n, sigma, truncate=6)
    assert gaussian_lowpass(s, n)[40:-40] == pytest.approx(expected[40:-40], abs=1e-4)


def test_gaussian_filter_keeps_a_slope_to_its_ends_on_irregular_stations_with_a_gap() -> None:
    rng = np.random.default_rng(2)
    s = np.cumsum(rng.uniform(0.3, 2.0, 500))
    n = 3.0 + 0.01 * s
    n[200:210] = np.nan
    assert gaussian_lowpass(s, n) == pytest.approx(3.0 + 0.01 * s, abs=1e-9)


def test_gaussian_filter_does_not_invent_values_in_a_long_gap() -> None:
    s = np.arange(0, 300.0)
    n = np.where((s > 100) & (s < 160), np.nan, 1.0)
    out = gaussian_lowpass(s, n)
    assert np.isnan(out[125:136]).all()
    assert np.isfinite(out[:100]).all()


@pytest.mark.parametrize(
    ("wavelength", "transmission"), [(25.0, 0.0), (41.4, 0.4993), (50.0, 0.63662), (100.0, 0.90032), (250.0, 0.98363)]
)
def test_moving_mean_transmission(wavelength: float, transmission: float) -> None:
    """sinc(length / wavelength)."""
    s = np.arange(0, 1000, 0.25)
    assert moving_mean(s, np.cos(2 * np.pi * (s - 500) / wavelength))[2000] == pytest.approx(transmission, abs=1e-4)


def test_notch_of_10_by_5_mm_leaves_2_mm_after_the_moving_mean() -> None:
    """Check values: 10 mm x 5 mm / 25 mm = 2.000 mm."""
    s = np.arange(0, 200, 0.01)
    n = np.where(np.abs(s - 100) < 5, 5.0, 0.0)
    assert np.nanmax(moving_mean(s, n)) == pytest.approx(2.0, abs=0.01)


def test_moving_mean_is_only_given_where_the_window_is_covered() -> None:
    s = np.arange(0, 101.0)
    out = moving_mean(s, np.ones(101))
    assert np.isnan(out[:12]).all()
    assert np.isfinite(out[13:88]).all()
    assert np.isnan(out[89:]).all()
