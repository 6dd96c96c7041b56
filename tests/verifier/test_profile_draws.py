"""Drawing profiles that agree with readings: against the dense way, and in time that grows with the stations."""

from __future__ import annotations

import time
from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray

from models.readings import ReadingKind
from tests.verifier.stage_readings import PLAN, SENSOR, along
from verifier.depth import slot_depth
from verifier.flushness import flushness
from verifier.profile_draws import GRID, PER_MM, PRIOR_FACTOR, draw
from verifier.readings import Number, take

Array = NDArray[np.float64]
SPAN = (0.0, 1750.0)
PRIOR = 0.5
MANY = 60_000
CASES = {
    "few": ([875.0], [60.0]),
    "two readings at one station, none at the span's ends": ([100.0, 250.0, 250.0, 900.0], [61.0, 60.0, 60.5, 62.0]),
    "past the span": ([-50.0, 0.0, 600.0, 1200.0, 1750.0, 1900.0], [60.0, 60.1, 60.0, 60.2, 60.1, 60.0]),
    "rough": (list(np.arange(0.0, 1751.0, 125.0)), [60.0 + 2.0 * (i % 3) for i in range(15)]),
}


def numbers(stations: list[float], values: list[float]) -> tuple[Number, ...]:
    return take(PLAN, along(ReadingKind.SLOT_DEPTH, "gauge", stations, values), ReadingKind.SLOT_DEPTH).numbers


def dense(read: Sequence[Number]) -> tuple[Array, Array]:
    """Mean (N,) and covariance (N, N) of the profile at the readings, all roughnesses taken together.

    The other way round than the program: prior covariance of the walk (its start as good as free) plus that of the
    readings' errors; likelihood and conditioning by the book (multivariate normal), no recursion.
    """
    s = np.array([n.station_mm for n in read])
    s = s + 0.1 * np.array([np.sum(s[:i] == s[i]) for i in range(len(s))])
    y = np.array([n.value for n in read]) - np.mean([n.value for n in read])
    errors = np.diag([n.resolution_u**2 for n in read])
    log_weight, means, covariances = [], [], []
    for factor in GRID:
        walk = (PRIOR * factor) ** 2 / PER_MM * (np.minimum.outer(s, s) - s.min()) + 1e5
        total = walk + errors
        gain = np.linalg.solve(total, walk).T
        quadratic = y @ np.linalg.solve(total, y) + np.linalg.slogdet(total)[1]
        log_weight.append(-0.5 * ((np.log(factor) / np.log(PRIOR_FACTOR)) ** 2 + quadratic))
        means.append(gain @ y)
        covariances.append(walk - gain @ walk)
    weight = np.exp(np.array(log_weight) - max(log_weight))
    weight /= weight.sum()
    mean = np.einsum("k,ki->i", weight, means)
    away = np.array(means) - mean
    covariance = np.einsum("k,kij->ij", weight, np.array(covariances) + away[:, :, None] * away[:, None, :])
    return mean + np.mean([n.value for n in read]), covariance


@pytest.mark.parametrize("case", CASES)
def test_draws_have_mean_and_covariance_of_the_dense_way(case: str) -> None:
    """To five standard deviations of what so many draws scatter by (of a covariance: of a normal one)."""
    read = numbers(*CASES[case])
    mean, covariance = dense(read)
    drawn = draw(read, SPAN, PRIOR, MANY).at_stations
    spread = np.sqrt(np.diag(covariance))
    room = 5.0 / np.sqrt(MANY)
    np.testing.assert_allclose((drawn.mean(axis=0) - mean) / spread, 0.0, atol=room + 1e-3)
    found = np.cov(drawn.T).reshape(covariance.shape)
    np.testing.assert_allclose((found - covariance) / np.outer(spread, spread), 0.0, atol=2.0 * room + 1e-3)


def test_five_hundred_stations_take_a_moment() -> None:
    """Time of the processor; with work that grows by the square or the cube of the stations it would be far more."""
    stations = list(np.linspace(0.0, 1750.0, 500))
    values = np.round(np.random.default_rng(1).normal(0.0, 0.2, 500), 1)
    depths = along(ReadingKind.SLOT_DEPTH, "gauge", stations, list(60.0 + values))
    heights = along(ReadingKind.SURFACE_HEIGHT, "feeler", stations, list(values), 1)
    start = time.process_time()
    assert slot_depth(PLAN, SENSOR, depths).estimates
    assert len(flushness(PLAN, SENSOR, heights).estimates) == 4
    assert time.process_time() - start < 4.0
