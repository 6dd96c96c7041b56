"""The outer boundary of the grout beside a sensor: where smooth grout ends and pavement begins, station by station.

Grout lies just outside the sensor's edge, pavement lies far from it: from these samples a discriminant is learnt
(``surface_materials``), side by side of the sensor, and again from what it parted. The boundary is the path that
parts the evidence best (dynamic programming), with a mild price on its changes, for it is ragged.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from verifier.plane import Array
from verifier.surface_litter import hidden, is_two_materials
from verifier.surface_materials import CELL_MM, Patch, discriminant, patch
from verifier.surface_rim import transition, unclear_rim
from verifier.surface_strip import Picture, Samples
from verifier.surface_top import STATION_MM, SensorTop, longest_run

DEPTH_MM = 100.0
"""How far outside the sensor's edge is looked at, for samples of pavement."""
WIDEST_MM = 60.0
"""Widest grout band that is looked for."""
FIRST_GROUT_MM = 2.0
"""Depth of grout that is taken for granted at first, from where the blur of the sensor's edge ends."""
FIRST_PAVEMENT_MM = 50.0
"""Pavement is taken for granted from here on at first."""
SHARP_REACH_MM = 1.6
SHARP_GAIN = 8.0
REACH_MM = 12.0
"""How far from the best path other paths count in its uncertainty."""
BLOCK_MM = 16.0
"""Size of a patch of pavement with a few of its largest stones."""
ROUNDS, MAX_ROUNDS = 2, 3
"""How often to learn from what was parted: once more where the edge of a shadow came between."""
MIN_SEPARATION = 0.9
"""Least probability that a cell of grout looks more like grout than a cell of pavement does."""
PRICE_PER_MM = 1.5
"""Price [nats] of each mm by which the boundary moves from one station to the next."""


@dataclass(frozen=True, eq=False)
class GroutBoundary:
    """The boundary on one side: distances from the sensor's edge, station by station, (S,) each."""

    distance_mm: Array
    soft_mm: Array
    """The same, followed less closely: where the two differ, it is unclear what belongs to the grout."""
    u_mm: Array
    """Standard deviation of the place, from the evidence for other paths."""
    transition_mm: Array
    """Width of the transition from grout to pavement: blur, a rounded rim, its shadow."""
    u_rim_mm: Array
    """Standard uncertainty of where in a dark or smooth rim the grout ends; 0 where there is none."""
    clear: NDArray[np.bool_]
    """Stations where the boundary is in sight."""
    separation: float
    """Probability that a grout cell looks more like grout than a pavement cell does (area under the ROC curve)."""

    def part(self, run: slice) -> GroutBoundary:
        """The same over a part of the stations."""
        names = ("distance_mm", "soft_mm", "u_mm", "transition_mm", "u_rim_mm", "clear")
        return replace(self, **{name: getattr(self, name)[run] for name in names})


def distances() -> Array:
    """Centres of the cells across, outward from the sensor's edge [mm], shape (D,)."""
    return np.arange(CELL_MM / 2, DEPTH_MM, CELL_MM)


def trace_sides(views: tuple[Patch, Patch], skirt_mm: float) -> list[GroutBoundary | None]:
    """The grout's outer boundary on the left and on the right of the sensor; None where it cannot be told."""
    found = trace_grout(views, skirt_mm)
    return [b if b and _is_told(view, b, skirt_mm) else None for view, b in zip(views, found, strict=True)]


def _is_told(view: Patch, boundary: GroutBoundary, skirt_mm: float) -> bool:
    """Whether one material ends at the boundary, and another one begins."""
    mixed = is_two_materials(view, distances(), boundary.distance_mm, skirt_mm)
    return boundary.separation > MIN_SEPARATION and not mixed


def in_sight(
    picture: Picture, top: SensorTop, boundaries: Sequence[GroutBoundary | None]
) -> tuple[SensorTop, list[GroutBoundary | None]]:
    """The sensor and its boundaries, cut to the longest stretch along which all of them are in the picture."""
    good = np.ones(len(top.s_mm), dtype=bool)
    for side, boundary in zip((1, -1), boundaries, strict=True):
        if boundary is not None:
            n = top.edge(side).at(top.s_mm) + side * boundary.distance_mm
            pixels = picture.plane.to_pixels(top.axis.to_plane(top.s_mm, n))
            good &= picture.inside(pixels[:, None, :].astype(np.float32))[:, 0]
    run = longest_run(good)
    return replace(top, s_mm=top.s_mm[run]), [b if b is None else b.part(run) for b in boundaries]


def side_view(picture: Picture, outlines_mm: Sequence[Array], top: SensorTop, side: int) -> Patch:
    """What lies outside the edge on ``side`` (+1 left, -1 right) of the sensor's ``top``, seen outward."""
    edge_mm = float(top.edge(side).at(top.s_mm).mean())
    return patch(picture, outlines_mm, top.axis, top.s_mm, edge_mm + side * distances())


@dataclass(frozen=True, eq=False)
class _Parting:
    """A division of one side's view into grout and pavement, by distance from the sensor's edge, (S,) each."""

    skirt_mm: float
    """Grout from here on."""
    within_mm: Array
    """Grout up to here."""
    beyond_mm: Array
    """Pavement from here on."""
    shaded_mm: Array | None = None
    """Where there are two sorts of grout: up to here the one, beyond it the other (shadow and light)."""


def trace_grout(views: tuple[Patch, Patch], skirt_mm: float) -> list[GroutBoundary | None]:
    """Boundaries on both sides (left, right); None where samples are too few."""
    partings = [_first_parting(len(view.usable), skirt_mm) for view in views]
    for done in range(MAX_ROUNDS):
        samples = [_samples(view, parting) for view, parting in zip(views, partings, strict=True)]
        evidence = [_evidence(view, own, other) for view, own, other in zip(views, samples, samples[::-1], strict=True)]
        if any(e is None for e in evidence):
            return [None, None]
        path, marginal = _best_path(np.stack([_cost(e) for e in evidence if e is not None], axis=1))
        if done >= ROUNDS - 1 and (done >= ROUNDS or all(p.shaded_mm is None for p in partings)):
            break
        partings = [_next_parting(*state) for state in zip(views, partings, samples, path.T, strict=True)]
    sharp = _sharpened(path, evidence)
    return [
        _boundary(view, path[:, i], sharp[:, i], marginal[:, i], e.separation, skirt_mm)
        for i, (view, e) in enumerate(zip(views, evidence, strict=True))
        if e is not None
    ]


def _first_parting(stations: int, skirt_mm: float) -> _Parting:
    """What is taken for granted before anything was found."""
    within = np.full(stations, skirt_mm + FIRST_GROUT_MM)
    return _Parting(skirt_mm, within, np.full(stations, FIRST_PAVEMENT_MM))


def _next_parting(view: Patch, parting: _Parting, samples: _Samples, path: Array) -> _Parting:
    """What to learn from in the next round, given the path found in this one."""
    shaded = parting.shaded_mm
    if shaded is None and _is_edge_of_shadow(view, samples, path):
        return _Parting(parting.skirt_mm, path + 3.5, np.full(len(path), FIRST_PAVEMENT_MM), path)
    within = np.maximum(path - 1.0, parting.skirt_mm + FIRST_GROUT_MM)
    return _Parting(parting.skirt_mm, within, path + 4.0, shaded)


def _is_edge_of_shadow(view: Patch, samples: _Samples, path: Array) -> bool:
    """Whether what lies just beyond the path is lit grout, so that the path follows the edge of a shadow on grout.

    Lit grout is lighter than what was taken for grout, smoother than pavement, and does not look like pavement.
    """
    d = distances()
    beyond = view.sample(view.usable & (d > path[:, None] + 0.75) & (d < path[:, None] + 3.5))
    grout, pavement = view.sample(samples.grout), samples.pavement_features
    if min(len(beyond), len(grout)) < 100 or len(pavement) < 500:
        return False
    lighter = np.median(beyond[:, 0]) - np.median(grout[:, 0]) > 0.3
    smoother = np.median(pavement[:, 3]) - np.median(beyond[:, 3]) > 0.1
    return bool(lighter and smoother and discriminant(beyond, pavement).separation > MIN_SEPARATION)


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
    lit_grout: NDArray[np.bool_] | None
    pavement: NDArray[np.bool_]
    pavement_features: Samples
    """Shape (N, 4)."""


def _samples(view: Patch, parting: _Parting) -> _Samples:
    d = distances()
    grout = view.usable & (d >= parting.skirt_mm) & (d < parting.within_mm[:, None])
    pavement = view.usable & (d > parting.beyond_mm[:, None])
    if parting.shaded_mm is None:
        return _Samples(grout, None, pavement, view.sample(pavement))
    shaded = d < parting.shaded_mm[:, None] - 0.5
    lit = d > parting.shaded_mm[:, None] + 0.75
    return _Samples(grout & shaded, grout & lit, pavement, view.sample(pavement))


def _evidence(view: Patch, own: _Samples, other: _Samples) -> _Evidence | None:
    """Learn from samples what grout and pavement look like, and judge every cell; None with too few samples.

    Where a bar covers the pavement on this side, that on the other side must do.
    """
    pavement = own.pavement_features if own.pavement.sum() > 3000 else other.pavement_features
    sorts = [g for g in (own.grout, own.lit_grout) if g is not None and g.sum() >= 50]
    if not sorts or len(pavement) < 500:
        return None
    models = [discriminant(view.sample(sort), pavement) for sort in sorts]
    ratio = np.maximum.reduce([model(view.features) for model in models])
    share = np.float32(_independent_share(ratio, own.pavement))
    return _Evidence(np.where(view.usable, ratio * share, np.float32(0.0)), models[-1].separation)


def _independent_share(ratio: Samples, pavement: NDArray[np.bool_]) -> float:
    """Share of the cells that count as independent, from the variance of means over ``BLOCK_MM`` of pavement."""
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


def _boundary(
    view: Patch, path: Array, sharp: Array, marginal: Array, separation: float, skirt_mm: float
) -> GroutBoundary:
    """The sharpened path, moved to the middle of the transition, with the spread of its likely alternatives."""
    d = np.arange(marginal.shape[1]) * CELL_MM
    weight = np.exp(-np.minimum(marginal, 50.0)) * (np.abs(d - path[:, None]) < REACH_MM)
    weight /= weight.sum(axis=1, keepdims=True)
    sd = np.sqrt(np.maximum((weight * (d - path[:, None]) ** 2).sum(axis=1), 0.0))
    shift, width = transition(view, sharp)
    rim = unclear_rim(view, sharp + shift)
    shift = shift + rim.shift_mm
    clear = _is_clear(view, sharp) & ~hidden(view, distances(), sharp, skirt_mm)
    return GroutBoundary(sharp + shift, path + shift, sd, width, rim.u_mm, clear, separation)


def _is_clear(view: Patch, path: Array) -> NDArray[np.bool_]:
    """Stations where the cells on both sides of the path, 3 mm deep, are in sight."""
    cells = np.rint((path[:, None] + np.array([-3.0, 0.0, 3.0])) / CELL_MM).astype(int)
    cells = np.clip(cells, 0, view.usable.shape[1] - 1)
    return np.asarray(np.take_along_axis(view.usable, cells, 1).all(axis=1))
