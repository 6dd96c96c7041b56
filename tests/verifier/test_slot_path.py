"""The saw's path told from noise and chips, on edges made with a known path."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from verifier.slot_path import chip_probability, find_saw_path, raggedness

Array = NDArray[np.float64]

S = np.arange(0.0, 1000.0)


def _bow(sag_mm: float) -> Array:
    return np.asarray(sag_mm * (1.0 - ((S - 500.0) / 500.0) ** 2))


def _noise(rng: np.random.Generator, sigma_mm: float) -> Array:
    noise = gaussian_filter1d(rng.normal(size=len(S)), 1.5)
    return np.asarray(noise * sigma_mm / noise.std())


def _chips(rng: np.random.Generator, count: int) -> Array:
    chips = np.zeros(len(S))
    for middle, depth, length in zip(
        rng.uniform(30, 970, count), rng.uniform(1, 6, count), rng.uniform(10, 40, count), strict=True
    ):
        chips = np.maximum(chips, depth * np.clip(1.0 - (2 * (S - middle) / length) ** 2, 0.0, 1.0))
    return chips


@pytest.mark.parametrize("seed", range(6))
def test_chips_do_not_pull_the_path_outward(seed: int) -> None:
    """A third of the edge chipped by 1 to 6 mm: a plain mean would lie 0.5 to 1 mm outward."""
    rng = np.random.default_rng(seed)
    chips = _chips(rng, 16)
    path = find_saw_path(S, _bow(3.0) + _noise(rng, 0.15) + chips)
    error = path.at(S[10:-10]) - _bow(3.0)[10:-10]
    assert np.mean(chips) > 0.3
    assert abs(np.mean(error)) < 0.08
    assert np.std(error) < 0.15


def test_covariance_holds_the_error_of_the_mean() -> None:
    """Over 40 edges without chips the error of the mean, in its own standard uncertainty, has variance about 1.

    For 40 values the 99.9 % range of the mean square is 0.42 to 1.9 (chi-square); correlation is estimated, so a
    little more is allowed for.
    """
    ratios = []
    for seed in range(40):
        path = find_saw_path(S, _noise(np.random.default_rng(seed), 0.3))
        ratios.append(path.outward_mm.mean() / np.sqrt(path.covariance.mean()))
    assert 0.3 < np.mean(np.square(ratios)) < 2.5


def test_a_path_is_found_through_gaps() -> None:
    rng = np.random.default_rng(3)
    edge = _bow(2.0) + _noise(rng, 0.1)
    edge[400:450] = np.nan
    assert find_saw_path(S, edge).at(S) == pytest.approx(_bow(2.0), abs=0.25)


def test_stations_in_a_chip_are_told() -> None:
    rng = np.random.default_rng(4)
    edge = _noise(rng, 0.1)
    edge[480:520] += 4.0
    probability = chip_probability(find_saw_path(S, edge), S, edge)
    assert probability[485:515].min() > 0.95
    assert np.median(probability[:400]) < 0.3


def test_raggedness_of_a_sharp_picture_is_the_edges_own() -> None:
    """Waves of 60 mm, 0.3 mm high: the slow path and the raggedness together must carry them."""
    wave = 0.3 * np.sin(2 * np.pi * S / 60.0)
    path = find_saw_path(S, wave + _noise(np.random.default_rng(8), 0.05))
    found = path.at(S) + raggedness(path, S, 0.05)[0]
    assert np.corrcoef(found[50:-50], wave[50:-50])[0, 1] > 0.9
    assert 0.5 < found[50:-50].std() / wave[50:-50].std() < 1.1


def test_too_few_stations_are_misuse() -> None:
    with pytest.raises(ValueError, match="20 stations"):
        find_saw_path(S[:30], np.full(30, np.nan))


def test_what_stands_at_the_borders_of_a_gap_does_not_carry_the_path_through_it() -> None:
    """Chips at both ends of 250 mm that were not seen; a path through what is put in there would follow them."""
    rng = np.random.default_rng(5)
    s = np.arange(0.0, 1000.0, 1.0)
    edge = rng.normal(0.0, 0.1, len(s))
    edge[350:380] += 1.5
    edge[630:650] += 3.5
    edge[380:630] = np.nan
    path = find_saw_path(s, edge)
    assert np.abs(path.at(s[380:630])).max() < 1.0
