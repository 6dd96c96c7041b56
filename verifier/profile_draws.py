"""Extremes of a profile that is known only at stations: floor of a slot, width of a cut, height of a ground surface.

The least of several readings is not the least of the profile: reading errors pull it down, and what lies between the
stations, and past the last one, is not seen. Both are worked out by Monte Carlo (JCGM 101) on one model: the profile
is a random walk along the sensor (variance grows with distance), read with independent errors.

- How rough the profile is comes from the readings themselves by their likelihood; a broad prior helps where they are
  few.
- The profile at the stations given the readings is normal. A walk has no memory, so that it is drawn exactly in one
  pass over the stations and one back (Kalman filter and backward sampling), in time that grows with their number.
- Between two stations a random walk with known ends is a Brownian bridge, whose extreme has the distribution
  P(min < m) = exp(-2 (a - m)(b - m) / (s² h)), s² the variance per mm and h the distance (a textbook result on
  Brownian motion). The ends of the span are stations without a reading.
- A profile may as well run straight from station to station, or step from one setting of the blade to the next: the
  readings cannot tell. Half of the draws take it so; the interval spans both beliefs.

Draws come from a generator seeded by a constant, so that the same readings give the same figures anywhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from models.measurement import BudgetLine, Estimate, Quantity
from verifier.readings import Number, propagate

Array = NDArray[np.float64]

DRAWS = 4000
SEED = 20_260_101
PER_MM = 100.0
"""Roughness is stated as the standard deviation of the change over this length [mm]."""
PRIOR_FACTOR = 2.5
"""The prior of roughness is log-normal; one standard deviation is this factor up or down."""
GRID = np.geomspace(1.0 / 30.0, 30.0, 41)
"""Roughness values tried, as multiples of the prior's median."""
SMOOTH_SHARE = 0.5
"""Part of the draws that take the profile as straight between the stations."""
COVERAGE = 0.96
"""Of all draws. Each belief is half of them, so that more than 95 % is wanted. As `python -m tests.benchmarks.stages`
prints, extremes then lie within U in 94 to 100 % of simulated walks, sines, steps and flat profiles; of profiles rough
within a few centimetres in 97 to 100 % at a spacing of 125 mm, and in 89 to 99 % further apart: what is rough between
stations is not seen from them."""
LEAST_NOISE = 1e-6
"""An instrument of no stated resolution still has some [unit of the profile]."""


@dataclass(frozen=True)
class Stations:
    """Where the profile is followed, in order; readings at one station are kept as they are."""

    s_mm: Array
    value: Array
    """What was read, less the mean of all readings; 0 where nothing was."""
    weight: Array
    """1/u² of each reading; 0 where nothing was read."""
    mean: float


@dataclass(frozen=True)
class Draws:
    """Profiles that the readings allow, one a row, and their extremes over the whole span."""

    numbers: tuple[Number, ...]
    """The readings in the order of their stations."""
    at_stations: Array
    """Height or depth at each reading's station, shape (D, N)."""
    lowest: Array
    """Least anywhere over the span, shape (D,)."""
    highest: Array
    """Greatest anywhere over the span, shape (D,)."""
    roughness: float
    """Mean standard deviation of the change over 100 mm."""


def draw(numbers: Sequence[Number], span_mm: tuple[float, float], roughness_prior: float, draws: int = DRAWS) -> Draws:
    """Profiles that agree with the readings.

    Args:
        numbers: at least one reading with its station.
        span_mm: first and last station over which extremes are wanted.
        roughness_prior: median of the prior: standard deviation of the profile's change over 100 mm, in the profile's
            unit.
        draws: number of profiles.
    """
    generator = np.random.default_rng(SEED)
    ordered = tuple(sorted(numbers, key=lambda n: (n.station_mm, n.value)))
    stations = _stations(ordered, span_mm)
    variance = _roughness_draws(stations, roughness_prior, draws, generator)
    profiles = _profiles(stations, variance, generator)
    between = np.where(generator.random(draws) < SMOOTH_SHARE, 0.0, variance)
    lowest = -_highest(-profiles, stations.s_mm, between, span_mm, generator)
    highest = _highest(profiles, stations.s_mm, between, span_mm, generator)
    at = profiles[:, stations.weight > 0.0]
    return Draws(ordered, at, lowest, highest, float(np.mean(np.sqrt(variance * PER_MM))))


def _stations(ordered: Sequence[Number], span_mm: tuple[float, float]) -> Stations:
    """Stations of the readings and, where there is none, of the span's ends."""
    read = [(n.station_mm, n.value, 1.0 / max(n.resolution_u, LEAST_NOISE) ** 2) for n in ordered]
    mean = sum(value for _, value, _ in read) / len(read)
    known = {station for station, _, _ in read}
    ends = [(end, mean, 0.0) for end in sorted(set(span_mm)) if end not in known]
    # Ties keep the order of the readings, so that columns and numbers match.
    s, value, weight = np.array(sorted(read + ends, key=lambda row: row[0]), dtype=np.float64).T
    return Stations(s, value - mean, weight, mean)


def _roughness_draws(stations: Stations, prior: float, draws: int, generator: np.random.Generator) -> Array:
    """Variance per mm, drawn from prior times likelihood on a grid, shape (D,)."""
    log_weight = -0.5 * (np.log(GRID) / np.log(PRIOR_FACTOR)) ** 2
    per_mm = (prior * GRID) ** 2 / PER_MM
    log_weight = log_weight + _log_likelihood(stations, per_mm)
    weight = np.exp(log_weight - log_weight.max())
    return per_mm[generator.choice(len(GRID), size=draws, p=weight / weight.sum())]


def _log_likelihood(stations: Stations, per_mm: Array) -> Array:
    """Of the readings given variances per mm, shape (K,); the profile's level left open (restricted likelihood)."""
    known = _filtered(stations, per_mm)
    quadratic = np.sum(stations.weight * stations.value**2) - np.sum(known.carried**2 / known.precision, axis=0)
    return np.asarray(-0.5 * (quadratic + np.log(known.precision).sum(axis=0) - np.log(known.stiffness).sum(axis=0)))


def _steps(s_mm: Array) -> Array:
    """Distances between neighbours; readings at one station count as a tenth of a millimetre apart."""
    return np.maximum(np.diff(s_mm), 0.1)


@dataclass(frozen=True)
class _Filtered:
    """What is known of the profile at each station from the readings up to it, shapes (N, K) for K variances per mm.

    Given the profile at the next station, that at this one is normal with ``precision`` and with the mean
    (``carried`` + stiffness of the step times the next height) / ``precision``.
    """

    precision: Array
    carried: Array
    """Precision times mean, without what the next station tells."""
    stiffness: Array
    """1 / variance of each step, shape (N - 1, K)."""


def _filtered(stations: Stations, per_mm: Array) -> _Filtered:
    """Forward pass of the Kalman filter in information form; its precisions are the pivots of the whole matrix.

    Without the next station the precision is what was read here and what comes over from before, the latter softened
    by the step between (two springs in a row): sums and products of positive numbers, so that nothing cancels.
    """
    stiffness = 1.0 / (per_mm * _steps(stations.s_mm)[:, None])
    onward = np.vstack([stiffness, np.zeros_like(per_mm)])
    precision = np.empty_like(onward)
    carried = np.empty_like(onward)
    before, carried_before = np.zeros_like(per_mm), np.zeros_like(per_mm)
    for i, (weight, value) in enumerate(zip(stations.weight, stations.value, strict=True)):
        here = weight + before
        carried[i] = weight * value + carried_before
        precision[i] = here + onward[i]
        passed_on = onward[i] / precision[i]
        before, carried_before = passed_on * here, passed_on * carried[i]
    return _Filtered(precision, carried, stiffness)


def _profiles(stations: Stations, variance: Array, generator: np.random.Generator) -> Array:
    """Profiles at the stations, one a row, each with its own roughness: drawn from the last station back."""
    per_mm, which = np.unique(variance, return_inverse=True)
    known = _filtered(stations, per_mm)
    heights = np.empty((len(stations.s_mm), len(variance)))
    pull: Array | float = 0.0
    for i in reversed(range(len(heights))):
        precision = known.precision[i][which]
        noise = generator.standard_normal(len(variance)) / np.sqrt(precision)
        heights[i] = (known.carried[i][which] + pull) / precision + noise
        pull = known.stiffness[i - 1][which] * heights[i] if i else 0.0
    return heights.T + stations.mean


def _highest(
    at: Array, s_mm: Array, variance: Array, span_mm: tuple[float, float], generator: np.random.Generator
) -> Array:
    """Highest point of each profile over the span, between the stations too, shape (D,)."""
    first, last = span_mm
    found = [at[:, (s_mm >= first) & (s_mm <= last)].max(axis=1)]
    for i, (left, right) in enumerate(pairwise(s_mm)):
        if first <= left < right <= last:
            found.append(_bridge_top(at[:, i], at[:, i + 1], variance * (right - left), generator))
    return np.asarray(np.max(found, axis=0))


def _bridge_top(a: Array, b: Array, variance: Array, generator: np.random.Generator) -> Array:
    """Highest point of a Brownian bridge from a to b whose walk has this variance over its length."""
    u = 1.0 - generator.random(len(a))
    return 0.5 * (a + b + np.sqrt((a - b) ** 2 - 2.0 * variance * np.log(u)))


def estimate(
    quantity: Quantity, wanted: Array, stations_alone: Array, common: tuple[BudgetLine, ...], unseen: str
) -> Estimate:
    """Estimate from draws: mean and reach of the draws, with what instruments share added.

    Args:
        quantity: what it is.
        wanted: the quantity in each draw, shape (D,).
        stations_alone: the same from the stations alone: what it scatters by is put down to the readings.
        common: budget lines of what all readings share (calibration, scale).
        unseen: name of the budget line for the rest.
    """
    value = float(wanted.mean())
    low, high = np.quantile(wanted, [(1.0 - COVERAGE) / 2.0, (1.0 + COVERAGE) / 2.0])
    reach = max(high - value, value - low)
    spread = float(wanted.std())
    readings_u = min(float(stations_alone.std()), spread)
    lines = (BudgetLine("errors of the single readings", readings_u), *common)
    if spread > readings_u:
        lines = (BudgetLine(unseen, float(np.sqrt(spread**2 - readings_u**2))), *lines)
    factor = max(2.0, float(reach) / spread) if spread > 0.0 else 2.0
    return Estimate(quantity, value, lines, factor)


def shared_lines(draws: Draws, ends: Sequence[Number]) -> tuple[BudgetLine, ...]:
    """Lines for what the readings share: calibration, scale, and the rounding of readings that hardly differ.

    Args:
        draws: what the extremes were worked out from.
        ends: the reading that is the extreme; for a range the highest, then the lowest.
    """
    lines = propagate(zip((1.0, -1.0), ends, strict=False))[1:]
    step = max(n.resolution_u for n in draws.numbers)
    scatter = float(np.std([n.value for n in draws.numbers]))
    # Readings that differ by less than a step of the gauge are rounded alike (JCGM 100, F.2.2.1); no range is.
    alike = len(ends) == 1 and scatter < step * np.sqrt(12.0)
    return (BudgetLine("resolution, the same at all stations", step), *lines) if alike else lines
