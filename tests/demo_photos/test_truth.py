"""The renderer's truth follows the definitions: closed forms and an independent search, no rendering."""

from __future__ import annotations

import numpy as np
import pytest

from demo_photos.scene import truth


def test_moving_mean_of_a_wave_is_damped_by_the_window() -> None:
    step, wavelength = 0.5, 80.0
    s = np.arange(0, 2000, step)
    means = truth.moving_mean(np.sin(2 * np.pi * s / wavelength), step)
    # 25 mm hold 51 samples, ends included: the discrete form of sinc (Dirichlet's kernel)
    k, x = 51, np.pi * step / wavelength
    assert np.abs(means).max() == pytest.approx(np.sin(k * x) / (k * np.sin(x)), rel=2e-3)


def test_moving_mean_uses_whole_windows_only() -> None:
    assert len(truth.moving_mean(np.arange(101.0), 1.0)) == 101 - 25
    with pytest.raises(ValueError, match="window"):
        truth.moving_mean(np.zeros(20), 1.0)


@pytest.mark.parametrize("wavelength", [12.5, 25.0, 50.0, 100.0])
def test_gaussian_filter_transmits_as_iso_16610_21_says(wavelength: float) -> None:
    # ISO 16610-21, 4.3: a1/a0 = exp(-pi (alpha L / wavelength)^2), alpha = sqrt(ln 2 / pi): one half at the cut-off
    step = 0.5
    s = np.arange(0, 2000, step)
    out = truth.gaussian_lowpass(np.cos(2 * np.pi * s / wavelength), step)
    inner = out[400:-400]
    expected = np.exp(-np.log(2) * (25.0 / wavelength) ** 2)
    assert (inner.max() - inner.min()) / 2 == pytest.approx(expected, abs=2e-3)


def test_gaussian_filter_keeps_a_constant_to_its_ends() -> None:
    assert np.allclose(truth.gaussian_lowpass(np.full(300, 7.0), 1.0), 7.0)


def slow_minimum_zone(s: np.ndarray, n: np.ndarray) -> float:
    """Narrowest strip by trying directions ever more finely: independent of any hull."""
    centre, span = 0.0, 0.2
    best = np.inf
    for _ in range(9):
        for slope in np.linspace(centre - span, centre + span, 201):
            rest = (n - slope * s) / np.hypot(1, slope)
            if np.ptp(rest) < best:
                best, centre = float(np.ptp(rest)), float(slope)
        span /= 20
    return best


@pytest.mark.parametrize("seed", range(6))
def test_minimum_zone_is_the_narrowest_strip(seed: int) -> None:
    rng = np.random.default_rng(seed)
    s = np.linspace(0, 400, 240)
    n = 0.03 * s + np.cumsum(rng.normal(0, 0.1, 240))
    assert truth.minimum_zone(s, n) == pytest.approx(slow_minimum_zone(s, n), abs=2e-5)


def test_minimum_zone_of_simple_curves() -> None:
    s = np.linspace(0, 100, 201)
    assert truth.minimum_zone(s, 3 + 0.1 * s) == pytest.approx(0, abs=1e-9)
    assert truth.minimum_zone(s, np.abs(s - 50) * 0.02) == pytest.approx(1.0, abs=1e-9)  # a triangle: its height
    bow = 2.0 * (1 - ((s - 50) / 50) ** 2)
    assert truth.minimum_zone(s, bow) == pytest.approx(2.0, abs=1e-9)


@pytest.mark.parametrize("angle", [0.0, 37.0, 89.99, 90.0, 91.2, 179.5])
def test_line_angle_is_the_direction_in_a_half_turn(angle: float) -> None:
    t = np.linspace(-1000, 1500, 400)[:, None]
    pts = np.array([5.0, -9.0]) + t * [np.cos(np.radians(angle)), np.sin(np.radians(angle))]
    assert truth.line_angle(pts) == pytest.approx(angle, abs=1e-6)


def test_angle_between_wraps() -> None:
    assert truth.angle_between(-0.01, 91.75) == pytest.approx(91.76)
    assert truth.angle_between(0.5, 0.2) == pytest.approx(179.7)


def a_slot(rng: np.random.Generator, length: float = 600.0) -> truth.EdgeTable:
    s = np.arange(0, length + 1.0)
    left = 38 + 0.3 * np.sin(s / 90) + rng.normal(0, 0.1, len(s))
    right = -38 - 0.2 * np.cos(s / 70) + rng.normal(0, 0.1, len(s))
    chip = np.zeros(len(s))
    chip[300:310] = [1, 2, 3, 4, 5, 5, 4, 3, 2, 1]
    return truth.EdgeTable(s, left, right, chip, 0.4 * chip[::-1])


def test_slot_seen_from_its_other_end_swaps_left_and_right() -> None:
    edges = a_slot(np.random.default_rng(1))
    one, other = truth.slot_quantities(edges, 1.0), truth.slot_quantities(edges.reversed(), 1.0)
    assert other["edge_straightness_left"] == pytest.approx(one["edge_straightness_right"])
    for name in ("slot_width", "slot_width_min", "slot_width_max", "slot_straightness", "spall_depth"):
        assert other[name] == pytest.approx(one[name])
    assert np.allclose(edges.reversed().reversed().left, edges.left)


def test_chips_count_in_the_spall_depth_only() -> None:
    edges = a_slot(np.random.default_rng(2))
    bare = truth.EdgeTable(edges.s, edges.left, edges.right, 0 * edges.s, 0 * edges.s)
    with_chips, without = truth.slot_quantities(edges, 1.0), truth.slot_quantities(bare, 1.0)
    assert with_chips["spall_depth"] == 5.0
    assert without["spall_depth"] == 0.0
    for name in ("slot_width", "slot_width_max", "slot_straightness"):
        assert with_chips[name] == without[name]
    assert with_chips["slot_width_with_spalls"] > with_chips["slot_width"]


def test_width_is_taken_square_to_a_slanting_axis() -> None:
    s = np.arange(0, 500.0)
    slope = np.tan(np.radians(3.0))
    none = np.zeros(len(s))
    half = 38.0 / np.cos(np.radians(3.0))
    got = truth.slot_quantities(truth.EdgeTable(s, slope * s + half, slope * s - half, none, none), 1.0)
    assert got["slot_width"] == pytest.approx(76.0, abs=1e-9)
    assert got["slot_straightness"] == pytest.approx(0.0, abs=1e-6)


def test_ridge_is_the_band_less_the_gap_and_never_negative() -> None:
    band = np.full(300, 8.0)
    band[100:140] = 14.0
    got = truth.band_quantities("left", band, 8.5, 1.0)
    assert got["grout_band_left_max"] == pytest.approx(14.0)
    assert got["ridge_width_left"] == pytest.approx(5.5)
    assert got["ridge_width_left_mean"] == pytest.approx(band.mean() - 8.5)
    assert truth.band_quantities("left", np.full(300, 8.0), 8.5, 1.0)["ridge_width_left"] == 0.0


def test_a_short_smear_is_averaged_over_the_window() -> None:
    band = np.full(300, 8.0)
    band[150:160] = 18.0
    assert truth.band_quantities("right", band, 8.0, 1.0)["ridge_width_right"] == pytest.approx(10.0 * 10 / 26)


def test_bars_span_runs_from_the_first_extent_to_the_last() -> None:
    bar = {"kind": "S", "origin_mm": [10.0, 60.0, 0.4], "ex": [1.0, 0, 0], "ey": [0, 1.0, 0], "length_scale": 1.001}
    far = {"kind": "S", "origin_mm": [500.0, -60.0, 0.4], "ex": [0, -1.0, 0], "ey": [1.0, 0, 0], "length_scale": 1.0}
    span = truth.bars_span([bar, far], (0.0, 0.0), (1.0, 0.0), {"S": (300.0, 50.0)})
    assert (span.low, span.high) == pytest.approx((10.0, 550.0))
    assert span.meet(truth.Span(100.0, 900.0)).length == pytest.approx(450.0)
