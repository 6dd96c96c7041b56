"""Straight-line fits: published values, plain references, properties, and coverage of the stated uncertainty."""

from __future__ import annotations

import numpy as np
import pytest

from verifier.finding import Axis
from verifier.linefit import angle_between_rad, fit_line, slope_uncertainty_rad, vote_axis, weighted_line

# NIST Statistical Reference Datasets, linear regression, Norris.dat (public domain), also printed in
# scipy/stats/tests/test_stats.py, TestRegression.test_nist_norris.
NORRIS_X = np.array(
    [0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9, 338.0,
     447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3,
     229.2, 669.1, 448.9, 0.5]
)  # fmt: skip
NORRIS_Y = np.array(
    [0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3,
     448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6,
     228.9, 668.4, 449.2, 0.2]
)  # fmt: skip
X_AXIS = Axis(np.zeros(2), np.array([1.0, 0.0]))


def test_weighted_line_gives_nist_norris_certified_values() -> None:
    residual_sd = 0.884796396144373  # certified
    line = weighted_line(NORRIS_X, NORRIS_Y, np.full(36, residual_sd**-2.0))
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-12)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-13)
    assert np.sqrt(line.covariance[0, 0]) == pytest.approx(0.232818234301152, rel=1e-12)
    assert np.sqrt(line.covariance[1, 1]) == pytest.approx(0.429796848199937e-3, rel=1e-12)
    rest = NORRIS_Y - line.at(NORRIS_X)
    assert np.sqrt(rest @ rest / 34) == pytest.approx(residual_sd, rel=1e-12)


def test_weighted_line_refuses_points_at_one_station() -> None:
    with pytest.raises(ValueError, match="two different stations"):
        weighted_line(np.ones(5), np.arange(5.0), np.ones(5))


def test_fit_is_orthogonal_regression_when_residuals_are_white() -> None:
    """With no outliers and few points the line is that of the singular vectors (total least squares)."""
    rng = np.random.default_rng(3)
    t = np.array([-300.0, -100.0, 100.0, 300.0])
    points = np.column_stack([t, 0.7 * t]) + rng.normal(0, 0.3, (4, 2))
    fit = fit_line(points)
    centred = points - points.mean(axis=0)
    direction = np.linalg.svd(centred)[2][0]
    (x1, y1), (x2, y2) = direction, fit.axis.direction
    assert abs(x1 * y2 - y1 * x2) < 1e-7


def test_vote_finds_the_line_under_sixty_percent_of_wrong_points() -> None:
    rng = np.random.default_rng(4)
    good = np.column_stack([np.linspace(0, 2000, 60), 0.02 * np.linspace(0, 2000, 60) + rng.normal(0, 0.5, 60)])
    wrong = np.column_stack([rng.uniform(0, 2000, 90), rng.uniform(-150, 150, 90)])
    axis = vote_axis(np.concatenate([good, wrong]), 2.0)
    assert np.abs(axis.from_plane(good)[:, 1]).max() < 4.0


def test_wrong_blocks_do_not_move_the_line() -> None:
    s = np.arange(0.0, 2000.0, 40.0)
    n = np.random.default_rng(5).normal(0, 0.3, len(s))
    clean = fit_line(np.column_stack([s, n]), start=X_AXIS)
    n[10:14] += 12.0
    dirty = fit_line(np.column_stack([s, n]), start=X_AXIS)
    assert not dirty.inliers[10:14].any()
    assert abs(dirty.angle_rad - clean.angle_rad) < clean.u_angle_rad


@pytest.mark.parametrize("turn_deg", [0.0, 30.0, 90.0, 135.0, 260.0])
def test_turning_and_moving_the_points_turns_and_moves_the_line(turn_deg: float) -> None:
    rng = np.random.default_rng(6)
    points = np.column_stack([np.arange(0.0, 1500.0, 25.0), rng.normal(0, 0.5, 60)])
    turn = np.radians(turn_deg)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    base = fit_line(points, start=X_AXIS)
    start = Axis(np.array([400.0, -90.0]), rotation @ X_AXIS.direction)
    moved = fit_line(points @ rotation.T + start.origin_mm, start=start)
    assert np.sin(moved.angle_rad - base.angle_rad - turn) == pytest.approx(0.0, abs=1e-7)
    assert moved.covariance == pytest.approx(base.covariance, rel=1e-3)


def _simulated_slopes(
    rng: np.random.Generator, noise: float, shape: float, slow_error: float, gap: tuple[float, float] | None
) -> tuple[float, float]:
    """Slope error and its stated uncertainty for one simulated edge of 2 m with blocks every 40 mm."""
    s = np.arange(0.0, 2000.1, 40.0)
    apart = np.abs(s[:, None] - s)
    smooth = np.linalg.cholesky(np.exp(-((apart / 300.0) ** 2)) + 1e-8 * np.eye(len(s)))
    rough = np.linalg.cholesky(np.exp(-apart / 80.0))
    true_shape = shape * smooth @ rng.normal(size=len(s))
    truth = np.polyfit(s, true_shape, 1)[0]
    n = true_shape + slow_error * rough @ rng.normal(size=len(s)) + noise * rng.normal(size=len(s))
    wrong = rng.random(len(s)) < 0.05
    n[wrong] += rng.uniform(-15, 15, np.count_nonzero(wrong))
    keep = np.ones(len(s), dtype=bool) if gap is None else (s < gap[0]) | (s > gap[1])
    fit = fit_line(np.column_stack([s, n])[keep], start=X_AXIS, span_mm=(0.0, 2000.0))
    return fit.angle_rad - truth, fit.u_angle_rad


@pytest.mark.parametrize(
    ("noise", "shape", "slow_error", "gap", "fullest"),
    [
        (0.5, 0.0, 0.0, None, 0.990),
        (0.4, 0.0, 0.4, None, 0.990),
        (0.4, 0.5, 0.3, None, 1.0),  # true shape is partly taken for error: covered more often than promised
        (0.4, 0.5, 0.3, (1200.0, 1900.0), 1.0),
    ],
)
def test_uncertainty_of_the_direction_covers_the_truth(
    noise: float, shape: float, slow_error: float, gap: tuple[float, float] | None, fullest: float
) -> None:
    """value +- 2 u holds the truth in 95 % of 300 simulated edges, give or take what 300 draws allow (+- 3.8 %)."""
    rng = np.random.default_rng(7)
    pairs = np.array([_simulated_slopes(rng, noise, shape, slow_error, gap) for _ in range(300)])
    covered = float(np.mean(np.abs(pairs[:, 0]) < 2 * pairs[:, 1]))
    assert 0.912 <= covered <= fullest
    rms = float(np.sqrt(np.mean(pairs[:, 0] ** 2)))
    assert np.median(pairs[:, 1]) < 2.6 * rms  # and U is no empty promise


def test_an_unseen_stretch_widens_the_uncertainty() -> None:
    s = np.arange(0.0, 2000.0, 40.0)
    n = np.random.default_rng(8).normal(0, 0.4, len(s))
    whole = fit_line(np.column_stack([s, n]), start=X_AXIS, span_mm=(0.0, 2000.0))
    part = s < 1000
    half = fit_line(np.column_stack([s, n])[part], start=X_AXIS, span_mm=(0.0, 2000.0))
    assert half.u_angle_rad > 2 * whole.u_angle_rad


def test_a_fit_needs_four_points() -> None:
    with pytest.raises(ValueError, match="4 points"):
        fit_line(np.array([[0.0, 0.0], [1.0, 0.0], [2.0, 0.0]]))


def test_angle_between_is_counter_clockwise_from_the_first_to_the_second() -> None:
    second = Axis(np.zeros(2), np.array([np.cos(np.radians(91.5)), np.sin(np.radians(91.5))]))
    assert np.degrees(angle_between_rad(X_AXIS, second)) == pytest.approx(91.5)
    assert np.degrees(angle_between_rad(second, X_AXIS)) == pytest.approx(88.5)
    backwards = Axis(np.zeros(2), -second.direction)
    assert np.degrees(angle_between_rad(X_AXIS, backwards)) == pytest.approx(91.5)


def test_slope_uncertainty_of_white_error_is_the_textbook_one() -> None:
    """For uncorrelated errors at 101 points u(slope) = sigma / sqrt(sum (s - mean)^2)."""
    s = np.linspace(-1000, 1000, 101)
    assert slope_uncertainty_rad(2000.0, 0.5, 1e-6) == pytest.approx(0.5 / np.sqrt(s @ s), rel=1e-9)
    fully = slope_uncertainty_rad(2000.0, 0.5, 1e9)
    assert fully == pytest.approx(0.0, abs=1e-6)  # a common shift does not turn a line
