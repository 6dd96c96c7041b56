"""Telling materials apart in a strip of pavement: features of each cell, and a discriminant learnt from samples.

Nothing is assumed about colours: the photo itself shows samples of each material. The features are lightness, two
colour differences, and how much lightness varies along the strip, for pavement has stones and grout has none. All
look along the strip only, never across it, so that they do not smear a boundary that runs along. Each of two
materials gets a normal model of the four (quadratic discriminant; R. O. Duda, P. E. Hart, D. G. Stork, Pattern
Classification, 2001, section 2.6); the discriminant's histograms over the samples turn it into a log likelihood ratio.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from verifier.finding import Axis
from verifier.plane import Array
from verifier.surface_search import opponent
from verifier.surface_strip import Picture, Samples, log_light
from verifier.surface_top import STATION_MM, bars_in_strip

BAR_MARGIN_MM = 3.0
"""Left out around a bar: its side, seen aslant, and its thin shadow."""
CELL_MM = 0.5
"""Cell across the grout's boundary."""
TEXTURE_MM = 6.0
"""Length along the strip over which variation is summed up."""


@dataclass(frozen=True, eq=False)
class Patch:
    """A strip of stations along and offsets across, cell by cell."""

    features: Samples
    """Shape (S, D, 4)."""
    usable: NDArray[np.bool_]
    """In the picture and not covered by a bar, shape (S, D)."""
    light: Samples
    """Linear light, blue, green, red, (S, D, 3)."""

    def sample(self, mask: NDArray[np.bool_], count: int = 5000) -> Samples:
        """Features (N, 4) of at most ``count`` of the cells under the mask (S, D)."""
        index = np.flatnonzero(mask)
        if len(index) > count:  # at random: any regular pick would favour some columns
            index = index[np.random.default_rng(0).integers(0, len(index), count)]
        return self.features.reshape(-1, 4)[index]


def patch(picture: Picture, outlines_mm: Sequence[Array], axis: Axis, s_mm: Array, n_mm: Array) -> Patch:
    """The cells at stations ``s_mm`` (``STATION_MM`` apart) and offsets ``n_mm`` (evenly spaced) of ``axis``."""
    fine = np.arange(s_mm[0] - STATION_MM / 4, s_mm[-1] + STATION_MM / 2, STATION_MM / 2)[: 2 * len(s_mm)]
    pixels = picture.grid(axis, fine, n_mm)
    colour = log_light(picture.codes(pixels))
    channels = opponent(colour)
    features = np.empty((len(s_mm), len(n_mm), 4), dtype=np.float32)
    features[..., :3] = _stations(np.asarray(cv2.blur(channels, (1, 3))))
    features[..., 3] = _stations(_texture(np.ascontiguousarray(channels[..., 0])))
    usable = picture.inside(pixels[::2]) & ~bars_in_strip(outlines_mm, axis, s_mm, n_mm, BAR_MARGIN_MM)
    return Patch(features, usable, _stations(np.asarray(cv2.exp(colour), np.float32)))


def _stations(fine: Samples) -> Samples:
    """Mean of each pair of rows: two rows make a station."""
    return np.asarray((fine[::2] + fine[1::2]) * np.float32(0.5))


def _texture(lightness: Samples) -> Samples:
    """Logarithm of how much lightness changes along the strip, within ``TEXTURE_MM``."""
    change = cv2.filter2D(lightness, cv2.CV_32F, np.array([[-1.0], [0.0], [1.0]]), borderType=cv2.BORDER_REFLECT_101)
    size = 2 * int(TEXTURE_MM / STATION_MM) + 1
    return np.asarray(cv2.log(cv2.blur(change * change, (1, size)) + np.float32(1e-5))) * np.float32(0.5)


@dataclass(frozen=True, eq=False)
class _Normal:
    """A multivariate normal model."""

    mean: Array
    whiten: Array
    log_det: float

    def distance2(self, x: Samples) -> Samples:
        """Squared Mahalanobis distance plus log determinant, for (..., 4)."""
        whiten = np.column_stack([self.whiten.T, -self.whiten.T @ self.mean])
        z = cv2.transform(x.reshape(-1, 1, 4), whiten)
        squares = np.asarray(cv2.transform(z * z, np.array([[1.0, 1.0, 1.0, 1.0, self.log_det]])), np.float32)
        return squares.reshape(x.shape[:-1])


@dataclass(frozen=True, eq=False)
class _Material:
    """One normal model, or two: in the light and in shadow."""

    parts: tuple[_Normal, ...]
    log_weights: tuple[float, ...]

    def distance2(self, x: Samples) -> Samples:
        """Twice the negative log density (less a constant) of the likelier part, for (..., 4)."""
        terms = [p.distance2(x) - np.float32(2 * w) for p, w in zip(self.parts, self.log_weights, strict=True)]
        return np.asarray(np.minimum.reduce(terms))


def _material(samples: Samples) -> _Material:
    """Fit one part or, where lightness falls into two distinct groups, two."""
    split = _two_groups(samples[:, 0].astype(np.float64))
    if split is None:
        return _Material((_normal(samples),), (0.0,))
    dark = samples[:, 0] < split
    share = float(dark.mean())
    return _Material(
        (_normal(samples[dark]), _normal(samples[~dark])), (float(np.log(share)), float(np.log(1 - share)))
    )


GROUPS_APART = 3.0
"""Least distance of two groups' means, in units of their mean standard deviation, to count as two (Ashman's D is this
over the square root of 2; K. M. Ashman, C. M. Bird, S. E. Zepf, Astron. J. 108 (1994) 2348, ask for D > 2)."""
SMALLEST_GROUP = 0.05


def _two_groups(x: Array) -> float | None:
    """Where to split values into two groups by two-means clustering; None where they are rather one."""
    x = np.sort(x)
    total = np.cumsum(x)
    split = float(x[len(x) // 10] + x[(9 * len(x)) // 10]) / 2
    for _ in range(8):
        count = int(np.searchsorted(x, split))
        if min(count, len(x) - count) < max(SMALLEST_GROUP * len(x), 20):
            return None
        split = float(total[count - 1] / count + (total[-1] - total[count - 1]) / (len(x) - count)) / 2
    count = int(np.searchsorted(x, split))
    dark, light = x[:count], x[count:]
    spread = (_spread(dark) + _spread(light)) / 2 + 0.02
    return split if np.median(light) - np.median(dark) > GROUPS_APART * spread else None


def _spread(x: Array) -> float:
    return float(1.4826 * np.median(np.abs(x - np.median(x))))


def _normal(samples: Samples) -> _Normal:
    """Robust fit: from median and MAD, outliers (paint, pores, debris) are cut off, twice.

    A floor under the variances keeps a flawless surface from becoming a needle.
    """
    x = np.ascontiguousarray(samples.T, dtype=np.float64)
    off = np.abs(x - np.median(x, axis=1, keepdims=True))
    x = x[:, (off < 5 * (1.4826 * np.median(off, axis=1, keepdims=True) + 0.02)).all(axis=0)]
    for _ in range(2):
        model = _plain_normal(x)
        x = x[:, model.distance2(x.T.astype(np.float32)) - model.log_det < 18.5]  # 99.9 % of a chi-squared of 4 degrees
    return _plain_normal(x)


def _plain_normal(x: Array) -> _Normal:
    """Mean and covariance of samples (4, N)."""
    covariance = np.cov(x) + np.diag(np.full(len(x), 0.02**2))
    value, vector = np.linalg.eigh(covariance)
    return _Normal(x.mean(axis=1), vector / np.sqrt(value), float(np.log(value).sum()))


@dataclass(frozen=True, eq=False)
class Discriminant:
    """Log likelihood ratio of two materials, first : second, as a function of the quadratic discriminant."""

    first: _Material
    second: _Material
    grid: Array
    ratio: Samples
    separation: float
    """Probability that a cell of the first looks more like the first than a cell of the second does (area under the
    receiver's operating characteristic): 0.5 for materials that look alike, 1 for such as are never confused."""

    def __call__(self, features: Samples) -> Samples:
        """Log likelihood ratio (...) of features (..., 4)."""
        step = self.grid[1] - self.grid[0]
        place = (self.raw(features) - np.float32(self.grid[0] - step / 2)) * np.float32(1.0 / step)
        return self.ratio[np.clip(place, 0, len(self.grid) - 1).astype(np.int16)]

    def raw(self, features: Samples) -> Samples:
        """Quadratic discriminant: positive where the first is likelier."""
        return self.second.distance2(features) - self.first.distance2(features)


def discriminant(first: Samples, second: Samples) -> Discriminant:
    """Learn from samples (N, 4) of both materials."""
    a, b = _material(first), _material(second)
    qa, qb = b.distance2(first) - a.distance2(first), b.distance2(second) - a.distance2(second)
    # a tenth of each may lie beyond: only where both occur does the ratio need detail
    low, high = np.quantile(qb, 0.1), np.quantile(qa, 0.9)
    edges = np.linspace(min(low, high - 1), max(high, low + 1), 61)
    ha, hb = _histogram(qa, edges), _histogram(qb, edges)
    ratio = np.clip(np.log(ha / hb), -4, 4).astype(np.float32)
    separation = float((ha * (np.cumsum(hb) - hb / 2)).sum())
    return Discriminant(a, b, (edges[:-1] + edges[1:]) / 2, ratio, separation)


def _histogram(q: Samples, edges: Array) -> Array:
    """Smoothed relative frequencies of ``q``, values beyond the edges counted in the outer bins."""
    counts = np.histogram(np.clip(q, edges[0], edges[-1]), edges)[0].astype(np.float64)
    smooth = np.convolve(np.pad(counts, 2, mode="edge"), [0.1, 0.2, 0.4, 0.2, 0.1], mode="valid")
    smooth = smooth + 0.002 * smooth.sum() / len(smooth) + 1.0
    return np.asarray(smooth / smooth.sum())
