"""The saw's path told from chips, along one edge.

An edge as seen is the saw's path + noise + chips. The path is a slow curve (a blade cannot turn in less than about its
own length in the cut), the noise is symmetric, and chips go outward only. So the deviation of a station from the path
is modelled as a Gaussian, with some probability plus an exponentially distributed depth, and the path as a smoothing
spline of a set stiffness. Path, noise, share and mean depth of chips are
worked out together by expectation and maximisation: a station counts with the expectation of its noise, given its
deviation (Dempster, Laird, Rubin 1977), and adds the information that is left (Louis 1982). Unlike a trimmed mean this
leaves no bias towards either side.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solveh_banded
from scipy.ndimage import percentile_filter
from scipy.special import log_ndtr, logsumexp

from verifier.profile import CUTOFF_MM, GAUSSIAN_ALPHA, gaussian_lowpass

Array = NDArray[np.float64]

WANDER = 1.5e-3
"""Density of the path's curvature [mm^-1/2]: white curvature of this density makes waves of 100 mm about 0.05 mm high
(RMS in their octave), of 200 mm 0.14 mm, of 400 mm 0.4 mm. The stiffness of the blade in the cut sets it; common
practice knows no published figure."""
LONGEST_CORRELATION_MM = 12.0
"""Stones and pores shift neighbouring stations together no farther than this."""
BIN_MM = 8.0
MOST_BINS = 250
LEAST_NOISE_MM = 0.02
LOCATION_ERROR = 0.22
"""Error of a single station's edge in units of the blur: textures shift the middle level (see ``slot_edges``)."""


_ANNEALING = tuple((WANDER * min(1.0, 0.2 * 1.3**k), 0.5 * 0.7**k if k < 9 else 0.0) for k in range(14))
"""From a stiff path in coarse noise to the real ones, so that the first path, which chips may pull, does not bind."""


@dataclass(frozen=True, eq=False)
class SawPath:
    """One edge as the saw left it, with what else was seen."""

    s_mm: Array
    """Stations of the path, shape (K,)."""
    outward_mm: Array
    """The path, positive away from the slot, shape (K,)."""
    covariance: Array
    """Covariance of the path from noise along the edge, shape (K, K)."""
    noise_mm: float
    """Standard deviation of a single station about the path, chips excluded."""
    correlation: float
    """Stations that carry as much as one independent one."""
    stations_mm: Array
    """Stations the edge was seen at or missed, shape (N,)."""
    ragged_mm: Array
    """What is left of each station's deviation with its chip taken off (expectation), shape (N,); 0 where unseen."""
    chipped_share: float
    chip_depth_mm: float
    """Mean depth of chips (of the exponential law)."""

    def at(self, s_mm: Array) -> Array:
        """The path at other stations; straight between its own."""
        return np.interp(s_mm, self.s_mm, self.outward_mm)


@dataclass(frozen=True)
class _Law:
    """Law of a station's deviation: Gaussian, and with a probability an exponential depth on top."""

    sigma: float
    share: float
    depth: float

    def log_density(self, r: Array) -> Array:
        """Logarithm of the density at deviations r [1/mm]."""
        z = r / self.sigma
        core = math.log1p(-self.share) - 0.5 * z * z - math.log(self.sigma * math.sqrt(2 * math.pi))
        ratio = self.sigma / self.depth
        chip = math.log(self.share / self.depth) + ratio * ratio / 2 - ratio * z + log_ndtr(z - ratio)
        stray = math.log(0.005 / 20.0)
        return np.asarray(logsumexp(np.stack([core, chip, np.full_like(core, stray)]), axis=0))

    def chip_probability(self, r: Array) -> Array:
        """Probability that a station with deviation r lies in a chip."""
        z = np.asarray(r) / self.sigma
        core = math.log1p(-self.share) - 0.5 * z * z - math.log(self.sigma * math.sqrt(2 * math.pi))
        return np.asarray(1.0 - np.exp(np.minimum(core - self.log_density(r), 0.0)))

    def noise_given(self, r: Array) -> tuple[Array, Array]:
        """Expectation and variance of the Gaussian part, given the deviation (Tweedie's formula)."""
        grid = np.linspace(min(float(np.min(r)), -1.0) - self.sigma, max(float(np.max(r)), 1.0) + self.sigma, 4001)
        slope = np.gradient(self.log_density(grid), grid)
        curvature = np.gradient(slope, grid)
        mean = -(self.sigma**2) * np.interp(r, grid, slope)
        variance = self.sigma**2 * (1.0 + self.sigma**2 * np.interp(r, grid, curvature))
        return mean, np.clip(variance, 0.0, self.sigma**2)


def find_saw_path(s_mm: Array, outward_mm: Array, least_noise_mm: float = LEAST_NOISE_MM) -> SawPath:
    """Separate the saw's path from noise and chips.

    Args:
        s_mm: Stations [mm], strictly rising, evenly spaced, shape (N,).
        outward_mm: Edge at each station [mm], positive away from the slot; NaN where unseen.
        least_noise_mm: Lower bound for the noise of a station.

    Raises:
        ValueError: if fewer than 20 stations are seen.
    """
    seen = np.isfinite(outward_mm)
    if int(seen.sum()) < 20:
        raise ValueError(f"a path needs at least 20 stations, got {int(seen.sum())}")
    spline = _Spline.over(s_mm)
    step = float(np.median(np.diff(s_mm)))
    path = _first_path(spline, outward_mm, seen)
    law = _first_law((outward_mm - path)[seen], least_noise_mm)
    for wander, floor in _ANNEALING:
        noise, variance = law.noise_given((outward_mm - path)[seen])
        law = _next_law((outward_mm - path)[seen], noise, variance, law, max(floor, least_noise_mm))
        correlation = _correlation(noise, seen, round(LONGEST_CORRELATION_MM / step))
        target, weight = spline.bin_means(path[seen] + noise, seen, law.sigma**2 * correlation)
        path = spline.at_stations(spline.smooth(target, weight, wander))
    noise, variance = law.noise_given((outward_mm - path)[seen])
    information = (1.0 - variance / law.sigma**2) / (law.sigma**2 * correlation)
    covariance = spline.covariance(
        np.bincount(spline.bin_of[seen], information, len(spline.centres)).astype(np.float64), WANDER
    )
    values = np.interp(spline.centres, s_mm, path)
    return SawPath(
        spline.centres, values, covariance, law.sigma, correlation, s_mm, _placed(noise, seen), law.share, law.depth,
    )  # fmt: skip


def _placed(values: Array, seen: NDArray[np.bool_]) -> Array:
    out = np.zeros(len(seen))
    out[seen] = values
    return out


def raggedness(path: SawPath, s_mm: Array, blur_mm: float) -> tuple[Array, float]:
    """The edge's own raggedness within 25 mm, beyond the slow path, at stations; and its standard uncertainty [mm].

    A station's deviation is raggedness of the edge and error of its location; the latter is taken as LOCATION_ERROR of
    the blur. The share of the variance that is the edge's own is kept, low-passed as straightness is defined.
    """
    variance = path.noise_mm**2
    location = min((LOCATION_ERROR * blur_mm) ** 2, variance)
    step = float(np.median(np.diff(path.stations_mm)))
    # Noise through the Gaussian filter: equivalent length alpha sqrt(2) cutoff.
    left = math.sqrt(location * path.correlation * step / (GAUSSIAN_ALPHA * math.sqrt(2.0) * CUTOFF_MM))
    slow = gaussian_lowpass(path.stations_mm, path.ragged_mm)
    kept = math.sqrt(1.0 - location / variance) * np.interp(s_mm, path.stations_mm, np.nan_to_num(slow))
    return np.asarray(kept - kept.mean()), left


def chip_probability(path: SawPath, s_mm: Array, outward_mm: Array) -> Array:
    """Probability (N,) that each station lies in a chip; NaN where it was not seen."""
    return _Law(path.noise_mm, path.chipped_share, path.chip_depth_mm).chip_probability(outward_mm - path.at(s_mm))


def _first_path(spline: _Spline, e: Array, seen: NDArray[np.bool_]) -> Array:
    """A first path: a stiff curve through a running low quantile, which chips shorter than about 60 mm leave alone.

    The quantile runs over the stations that were seen: what is put in for the others would pass for the edge.
    """
    step = float(spline.stations[1] - spline.stations[0])
    low = percentile_filter(e[seen], 35, max(3, round(100.0 / step) | 1), mode="nearest")
    target, weight = spline.bin_means(low, seen, 50.0)
    return spline.at_stations(spline.smooth(target, np.maximum(weight, 1e-9), 0.5 * WANDER))


def _first_law(r: Array, least: float) -> _Law:
    inward = -r[r < 0]
    sigma = 1.48 * float(np.median(inward)) if len(inward) > 5 else float(np.std(r))
    return _Law(max(sigma, least), 0.3, max(3.0 * sigma, 1.0))


def _next_law(r: Array, noise: Array, variance: Array, law: _Law, least: float) -> _Law:
    """One step of maximisation for the law; the mean chip is kept well above the noise, else the two trade places."""
    core = np.abs(r) < 8.0 * law.sigma
    sigma = math.sqrt(float(np.mean(noise[core] ** 2 + variance[core]))) if core.any() else law.sigma
    sigma = max(sigma, least)
    share = float(np.clip(np.mean(law.chip_probability(r)), 0.01, 0.9))
    depth = float(np.mean(r - noise)) / share
    return _Law(sigma, share, float(np.clip(depth, max(1.5 * sigma, 0.2), 20.0)))


def _correlation(noise: Array, seen: NDArray[np.bool_], most_lags: int) -> float:
    """1 + 2 x sum of autocorrelations of the expected noise, until the first that is small."""
    series = np.zeros(len(seen))
    series[seen] = noise - noise.mean()
    power = float(series @ series)
    total = 1.0
    for lag in range(1, most_lags + 1):
        rho = float(series[lag:] @ series[:-lag]) / power if power > 0 else 0.0
        if rho < 0.05:
            break
        total += 2.0 * rho
    return total


@dataclass(frozen=True, eq=False)
class _Spline:
    """Smoothing spline on bins of stations (second differences penalised), as banded matrices."""

    centres: Array
    bin_of: NDArray[np.intp]
    stations: Array
    penalty: Array
    """Integral of the squared second derivative, discretised; upper band form, shape (3, K)."""

    @classmethod
    def over(cls, s_mm: Array) -> _Spline:
        length = float(s_mm[-1] - s_mm[0])
        count = int(np.clip(round(length / BIN_MM), 6, MOST_BINS))
        edges = np.linspace(s_mm[0], s_mm[-1], count + 1)
        width = length / count
        bin_of = np.clip(((s_mm - s_mm[0]) / width).astype(np.intp), 0, count - 1)
        second = np.diff(np.eye(count), n=2, axis=0) / width**2
        full = second.T @ second * width
        band = np.stack([np.concatenate([np.zeros(k), np.diagonal(full, k)]) for k in (2, 1, 0)])
        return cls((edges[1:] + edges[:-1]) / 2, bin_of, s_mm, band)

    @property
    def width(self) -> float:
        return float(self.centres[1] - self.centres[0])

    def bin_means(self, values: Array, seen: NDArray[np.bool_], variance: float) -> tuple[Array, Array]:
        """Mean and weight (inverse variance) of each bin."""
        count = np.bincount(self.bin_of[seen], minlength=len(self.centres)).astype(np.float64)
        total = np.bincount(self.bin_of[seen], values, len(self.centres))
        return total / np.maximum(count, 1.0), count / variance

    def _matrix(self, weight: Array, wander: float) -> Array:
        """Upper band form of weight + penalty of the prior."""
        band = self.penalty / wander**2
        band[2] += weight
        return np.asarray(band)

    def smooth(self, target: Array, weight: Array, wander: float) -> Array:
        """The spline through bin means ``target`` with inverse variances ``weight``."""
        return np.asarray(solveh_banded(self._matrix(weight, wander), weight * target))

    def covariance(self, weight: Array, wander: float) -> Array:
        """Posterior covariance of the bins for weights (inverse variances), shape (K, K)."""
        least = 1e-6 * float(weight.max())
        return np.asarray(solveh_banded(self._matrix(np.maximum(weight, least), wander), np.eye(len(weight))))

    def at_stations(self, values: Array) -> Array:
        """Values of the bins at all stations; the outer half bins continue straight."""
        out = np.interp(self.stations, self.centres, values)
        for outside, i, j in ((self.stations < self.centres[0], 0, 1), (self.stations > self.centres[-1], -1, -2)):
            slope = (values[i] - values[j]) / (self.centres[i] - self.centres[j])
            out[outside] = values[i] + slope * (self.stations[outside] - self.centres[i])
        return np.asarray(out)
