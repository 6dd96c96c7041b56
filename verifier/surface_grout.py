"""The outer boundary of the grout beside a sensor: where smooth grout ends and pavement begins, station by station.

Grout lies just outside the sensor's edge, pavement lies far from it: from these samples a discriminant is learnt
(``surface_materials``), side by side of the sensor, and again from what it parted. The boundary is the path that
parts the evidence best (dynamic programming), with a mild price on its changes, for it is ragged.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from verifier.plane import Array
from verifier.surface_edges import STATION_MM, SensorTop
from verifier.surface_materials import Patch, discriminant, patch
from verifier.surface_strip import Picture, Samples

DEPTH_MM = 100.0
"""How far outside the sensor's edge is looked at, for samples of pavement."""
WIDEST_MM = 60.0
"""Widest grout band that is looked for."""
CELL_MM = 0.5
"""Cell across the boundary."""
SKIRT_MM = 1.0
"""Left out next to the sensor's edge: blur, chamfer, joint."""
FIRST_GROUT_MM = 3.0
"""Grout is taken for granted so far from the sensor's edge at first, where no gap is known."""
FIRST_PAVEMENT_MM = 50.0
"""Pavement is taken for granted from here on at first."""
SHARP_REACH_MM = 1.6
SHARP_GAIN = 8.0
REACH_MM = 12.0
"""How far from the best path other paths count in its uncertainty."""
BLOCK_MM = 16.0
"""Size of a patch of pavement with a few of its largest stones."""
ROUNDS = 2
MIN_SEPARATION = 0.9
"""Least probability that a cell of grout looks more like grout than a cell of pavement does."""
PRICE_PER_MM = 1.5
"""Price [nats] of each mm by which the boundary moves from one station to the next."""


@dataclass(frozen=True, eq=False)
class GroutBoundary:
    """The boundary on one side: distances from the sensor's edge."""

    distance_mm: Array
    """Shape (S,)."""
    u_mm: Array
    """Standard deviation of the place at each station, from the posterior, shape (S,)."""
    clear: NDArray[np.bool_]
    """Stations where the boundary could be seen, shape (S,)."""
    separation: float
    """Probability that a grout cell looks more like grout than a pavement cell does (area under the ROC curve)."""
    bias_mm: float
    """Correction that the mean profile across the boundary asked for; already applied."""


def distances() -> Array:
    """Centres of the cells across, outward from the sensor's edge [mm], shape (D,)."""
    return np.arange(CELL_MM / 2, DEPTH_MM, CELL_MM)


def trace_sides(views: tuple[Patch, Patch]) -> list[GroutBoundary | None]:
    """The grout's outer boundary on the left and on the right of the sensor; None where it cannot be told."""
    return [b if b is not None and b.separation > MIN_SEPARATION else None for b in trace_grout(views)]


def side_view(picture: Picture, outlines_mm: Sequence[Array], top: SensorTop, side: int) -> Patch:
    """What lies outside the edge on ``side`` (+1 left, -1 right) of the sensor's ``top``, seen outward."""
    edge_mm = float((top.left if side > 0 else top.right).at(top.s_mm).mean())
    return patch(picture, outlines_mm, top.axis, top.s_mm, edge_mm + side * distances())


@dataclass(frozen=True, eq=False)
class _Parting:
    """A division of one side's view into grout (up to ``within_mm``) and pavement (from ``beyond_mm``), (S,) each."""

    within_mm: Array
    beyond_mm: Array


def trace_grout(views: tuple[Patch, Patch], sure_mm: float = FIRST_GROUT_MM) -> list[GroutBoundary | None]:
    """Boundaries on both sides (left, right); None where samples are too few."""
    partings = [_Parting(np.full(len(v.usable), sure_mm), np.full(len(v.usable), FIRST_PAVEMENT_MM)) for v in views]
    for _ in range(ROUNDS):
        samples = [_samples(view, parting) for view, parting in zip(views, partings, strict=True)]
        evidence = [_evidence(view, own, other) for view, own, other in zip(views, samples, samples[::-1], strict=True)]
        if any(e is None for e in evidence):
            return [None, None]
        path, marginal = _best_path(np.stack([_cost(e) for e in evidence if e is not None], axis=1))
        partings = [_Parting(np.maximum(p - 1.0, sure_mm), p + 4.0) for p in path.T]
    sharp = _sharpened(path, evidence)
    return [
        _boundary(view, path[:, i], sharp[:, i], marginal[:, i], e.separation)
        for i, (view, e) in enumerate(zip(views, evidence, strict=True))
        if e is not None
    ]


def _sharpened(path: Array, evidence: list[_Evidence | None]) -> Array:
    """The boundaries (S, K) followed closely: within ``SHARP_REACH_MM`` of the paths each cell counts for itself.

    That its neighbours are alike makes a cell poor evidence of which material lies there, but not of where one ends.
    """
    cost = np.stack([_cost(e, SHARP_GAIN) for e in evidence if e is not None], axis=1)
    d = np.arange(cost.shape[2]) * CELL_MM
    cost[np.abs(d - path[..., None]) > SHARP_REACH_MM] = 1e4
    return _best_path(cost)[0]


@dataclass(frozen=True, eq=False)
class _Evidence:
    """Log likelihood ratio grout : pavement of each cell of a view, as it counts, (S, D)."""

    ratio: Samples
    separation: float


@dataclass(frozen=True, eq=False)
class _Samples:
    """Cells of a view that are taken for grout and for pavement, (S, D) each."""

    grout: NDArray[np.bool_]
    pavement: NDArray[np.bool_]
    pavement_features: Samples
    """Shape (N, 4)."""


def _samples(view: Patch, parting: _Parting) -> _Samples:
    d = distances()
    grout = view.usable & (d >= SKIRT_MM) & (d < parting.within_mm[:, None])
    pavement = view.usable & (d > parting.beyond_mm[:, None])
    return _Samples(grout, pavement, view.sample(pavement))


def _evidence(view: Patch, own: _Samples, other: _Samples) -> _Evidence | None:
    """Learn from samples what grout and pavement look like, and judge every cell; None with too few samples.

    Where a bar covers the pavement on this side, that on the other side must do.
    """
    pavement = own.pavement_features if own.pavement.sum() > 3000 else other.pavement_features
    if own.grout.sum() < 50 or len(pavement) < 500:
        return None
    model = discriminant(view.sample(own.grout), pavement)
    ratio = model(view.features)
    share = np.float32(_independent_share(ratio, own.pavement))
    return _Evidence(np.where(view.usable, ratio * share, np.float32(0.0)), model.separation)


def _independent_share(ratio: Samples, pavement: NDArray[np.bool_]) -> float:
    """Share of the cells that count as independent, from the variance of means over ``BLOCK_MM`` squares of pavement."""
    rows, columns = round(BLOCK_MM / STATION_MM), round(BLOCK_MM / CELL_MM)
    weight = pavement.astype(np.float32)
    means = cv2.blur(ratio * weight, (columns, rows), borderType=cv2.BORDER_CONSTANT)
    filled = cv2.blur(weight, (columns, rows), borderType=cv2.BORDER_CONSTANT)
    whole = filled > 0.9
    if whole.sum() < 4 * rows * columns:
        return 0.01
    single = float(ratio[pavement].var()) + 1e-9
    return float(np.clip(single / (rows * columns * (means[whole] / filled[whole]).var() + 1e-9), 0.003, 1.0))


def _cost(evidence: _Evidence, gain: float = 1.0) -> Samples:
    """Cost (S, D + 1) of a boundary in front of each cell: evidence, times ``gain``, given up on both sides of it."""
    reach = int(WIDEST_MM / CELL_MM)
    inside = np.cumsum(evidence.ratio[:, :reach] * np.float32(gain), axis=1, dtype=np.float32)
    return np.asarray(-np.pad(inside, ((0, 0), (1, 0))))


def _best_path(cost: Samples) -> tuple[Array, Array]:
    """Cheapest boundary [mm] (S, K) for K sides with cost (S, K, D), and min-marginals (S, K, D)."""
    price = (PRICE_PER_MM * CELL_MM * np.arange(cost.shape[2])).astype(np.float32)
    total = np.stack([cost, cost[::-1]], axis=1)
    for before, here in pairwise(total):
        up = np.minimum.accumulate(before - price, axis=-1)
        down = np.minimum.accumulate((before + price)[..., ::-1], axis=-1)[..., ::-1]
        here += np.minimum(up + price, down - price)
    marginal = total[:, 0] + total[::-1, 1] - cost
    return np.argmin(marginal, axis=2) * CELL_MM, marginal - marginal.min(axis=2, keepdims=True)


def _boundary(view: Patch, path: Array, sharp: Array, marginal: Array, separation: float) -> GroutBoundary:
    """The sharpened path, moved to the middle of the transition, with the spread of its likely alternatives."""
    d = np.arange(marginal.shape[1]) * CELL_MM
    weight = np.exp(-np.minimum(marginal, 50.0)) * (np.abs(d - path[:, None]) < REACH_MM)
    weight /= weight.sum(axis=1, keepdims=True)
    sd = np.sqrt(np.maximum((weight * (d - path[:, None]) ** 2).sum(axis=1), 0.0))
    bias = _half_level(view, sharp)
    return GroutBoundary(sharp + bias, sd, _is_clear(view, sharp), separation, bias)


def _is_clear(view: Patch, path: Array) -> NDArray[np.bool_]:
    """Stations where the cells on both sides of the path, 3 mm deep, are in sight."""
    cells = np.rint((path[:, None] + np.array([-3.0, 0.0, 3.0])) / CELL_MM).astype(int)
    cells = np.clip(cells, 0, view.usable.shape[1] - 1)
    return np.asarray(np.take_along_axis(view.usable, cells, 1).all(axis=1))


PROFILE_MM = 5.0
ALONG_STATIONS = 3
"""Stations apart whose difference tells stones from grout."""
MIN_CONTRAST = 2.5


def _half_level(view: Patch, path: Array) -> float:
    """How far beyond the path the light rises half way from what it is on grout to what it is on pavement [mm].

    A cell that blur divides departs from grout by its share of pavement, in linear light, so that the half level of
    the mean departure is the middle of the transition; but a shaded rim of the grout departs too, and puts it too far
    in. Variation along the path does not know the rim, for that is alike all along; but it feels the path's own
    jitter, which puts it too far in. So the further out of the two is the better.
    """
    x = np.arange(-PROFILE_MM, PROFILE_MM + 0.1, CELL_MM / 2)
    light, good = _straightened(view, path, x)
    inner = good & (x < -1.2) & (x > -4) & (path[:, None] + x > SKIRT_MM)
    if inner.sum() < 50:
        return 0.0
    grout = np.array([np.median(light[..., c][inner]) for c in range(3)])
    spread = np.array([1.4826 * np.median(np.abs(light[..., c][inner] - grout[c])) for c in range(3)]) + 0.002
    step = ALONG_STATIONS
    variation = _profile((light[step:] - light[:-step]) / spread, good[step:] & good[:-step])
    departure = _profile((light - grout) / spread, good)
    found = [c for c in (_half_rise(x, variation), _half_rise(x, departure)) if c is not None]
    return max(found) if found else 0.0


def _straightened(view: Patch, path: Array, x: Array) -> tuple[Samples, NDArray[np.bool_]]:
    """Light (S, X, 3) at distances ``x`` beyond the path, and where it was in sight (S, X)."""
    place = (path[:, None] + x) / CELL_MM - 0.5
    left = np.clip(np.floor(place).astype(int), 0, view.light.shape[1] - 2)
    weight = np.clip(place - left, 0, 1).astype(np.float32)[..., None]
    rows = np.arange(len(path))[:, None]
    light = view.light[rows, left] * (1 - weight) + view.light[rows, left + 1] * weight
    return light, view.usable[rows, left]


def _profile(departure: Samples, good: NDArray[np.bool_]) -> Array:
    """Mean length of the departures (S, X, 3) over the good stations, (X,)."""
    length = np.sqrt((departure**2).sum(axis=2))
    return np.asarray((length * good).sum(axis=0) / np.maximum(good.sum(axis=0), 1), dtype=np.float64)


def _half_rise(x: Array, profile: Array) -> float | None:
    """Where the profile first rises half way, within 2.5 mm of 0; None where it hardly rises."""
    low, high = profile[(x < -1.5) & (x > -3.5)].mean(), profile[(x > 1.5) & (x < 4.5)].mean()
    level = (low + high) / 2
    rises = np.nonzero((profile[:-1] < level) & (profile[1:] >= level) & (np.abs(x[:-1]) < 2.5))[0]
    if high < MIN_CONTRAST * low or not len(rises):
        return None
    i = int(rises[0])
    return float(x[i] + (level - profile[i]) / (profile[i + 1] - profile[i]) * (x[1] - x[0]))
