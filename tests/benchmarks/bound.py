"""The least standard deviation that corner noise and edge noise allow: the Fisher information bound.

Corners. A checker corner is where two edges cross. In white noise of ``s`` grey levels a pixel, a step of contrast
``C`` blurred by a Gaussian of ``sigma`` px has the derivative C g(x) to its place, g the Gaussian density, so that one
pixel row across it holds the information

    I_1 = (1 / s^2) integral (C g)^2 dx = C^2 / (2 sqrt(pi) sigma s^2),

the variance of the edge's place being 1 / I_1 = 2 sqrt(pi) sigma s^2 / C^2 for a row, and that over n for n rows. Each
of a corner's two edges has half a square on either side to itself, a square of ``a`` px in all, so that

    var(corner, each axis) = 2 sqrt(pi) sigma s^2 / (C^2 a).

Plane. The corners' information goes through the adjustment's own Jacobian at the truth, J, and the priors' precision
P is added (Bayesian information, van Trees 1968, 2.4.3): C_theta = (J' W J + P)^-1, W = 1 / var(corner). What a
quantity q takes from the plane is (dq/dtheta) C_theta (dq/dtheta)'.

Edges. A true edge is cut into stations of d mm, k pixel rows each; in mm the information of a station is
w = k m^2 I_1, m the pixels per mm across the edge there. A straight edge's mean offset has the variance 1 / sum w, its
direction 1 / sum w (t - t_mean)^2. Edges are independent: a width adds two offsets, an axis is the mean of two edges
(a quarter of the sum of their variances), the lane line is one edge.

Two noises are put in for the edges. 'pixels' takes the camera's noise alone, as seen on the bar's plain squares;
'ground' takes the grey levels' standard deviation beside the edge, texture and all, for white noise a pixel: what an
edge finder that does not know the stones has to live with. Ragged edges, unflat pavement, sharpening and JPEG are in
neither, so that the first is out of reach on a real road. Extremes (least and largest width, straightness, chips) have
no such bound.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from models.bar import nominal_calibration
from models.measurement import Problem
from tests.benchmarks.scenes import Scene, Side, lane_edge, layout_sides, sensor_sides, slot_sides
from verifier.adjustment import BAR_PARAMETERS, _Model, camera_prior
from verifier.bars import BarSighting, find_bars
from verifier.photo import Photo
from verifier.plane import N_PARAMETERS, CovarianceSource, GroundPlane

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]
STATION_COUNT = 120


@dataclass(frozen=True)
class Bound:
    """Least standard deviation of a quantity, in its unit."""

    pixels: float
    """With the camera's noise alone."""
    ground: float
    """With the ground's texture counted as noise of the edges."""


def bounds(scene: Scene, photo: Photo) -> dict[str, Bound]:
    """Row of the report to bound, for the quantities that have one; empty where no bar is found."""
    sightings = find_bars(photo)
    if isinstance(sightings, Problem):
        return {}
    noise = max(pixel_noise(photo.grey, sightings.bars), 0.3)
    plane = plane_at_truth(scene, photo, sightings.bars, noise)
    blur = max(float(np.median([b.blur_px for b in sightings.bars])), 0.4)
    measure = _Measure(scene, photo.grey, plane, blur, noise)
    found: dict[str, Bound | None] = {}
    lane, layout = lane_edge(scene), layout_sides(scene)
    if scene.kind == "layout" and lane is not None and layout is not None:
        found["layout_angle"] = measure.angle(lane, layout)
    if scene.kind in {"slot", "cut"}:
        found[scene.row("slot_width")] = measure.width(slot_sides(scene))
    if scene.kind == "cut" and lane is not None:
        found["cut_angle"] = measure.angle(lane, slot_sides(scene, whole=True))
    if scene.kind == "surface":
        found["sensor_width"] = measure.width(sensor_sides(scene))
    return {row: bound for row, bound in found.items() if bound is not None}


# --- noise, as the picture shows it


def pixel_noise(grey: Grey, bars: Sequence[BarSighting]) -> float:
    """Standard deviation of grey levels within the bars' plain squares, slopes taken off; median over the squares."""
    spreads = [_patch_noise(grey, corner + o) for bar in bars for corner, o in _square_middles(bar)]
    kept = [s for s in spreads if s is not None]
    return float(np.median(kept)) if kept else 2.0


def _square_middles(bar: BarSighting) -> list[tuple[Array, Array]]:
    half = bar.design.square_mm / 2
    away = cv2.perspectiveTransform((bar.corners_plate_mm + half).reshape(-1, 1, 2), bar.plate_to_px)[:, 0]
    here = cv2.perspectiveTransform(bar.corners_plate_mm.reshape(-1, 1, 2), bar.plate_to_px)[:, 0]
    return list(zip(bar.corners_px, np.asarray(away - here, dtype=np.float64), strict=True))


def _patch_noise(grey: Grey, middle: Array) -> float | None:
    x, y = (round(float(v)) for v in middle)
    patch = grey[y - 2 : y + 3, x - 2 : x + 3].astype(np.float64)
    if patch.shape != (5, 5) or patch.max() >= 254 or patch.min() <= 1:
        return None
    v, u = np.mgrid[-2:3, -2:3]
    slopes = np.column_stack([np.ones(25), u.ravel(), v.ravel()])
    rest = patch.ravel() - slopes @ np.linalg.lstsq(slopes, patch.ravel(), rcond=None)[0]
    return float(np.sqrt(np.sum(rest**2) / 22))


# --- plane


def plane_at_truth(scene: Scene, photo: Photo, bars: Sequence[BarSighting], noise: float) -> GroundPlane:
    """True camera and pavement in the first bar's frame, with the least covariance that corners and priors allow."""
    calibrations = [nominal_calibration(b.design.kind, b.number) for b in bars]
    model = _Model(bars, calibrations, camera_prior(photo.facts, photo.size_px))
    truth = _vector_at_truth(scene, bars)
    jacobian = model.jacobian(truth)
    weights = np.concatenate([np.full(2 * len(b.corners_px), 1 / _corner_variance(b, noise)) for b in bars])
    normal = jacobian.T @ (weights[:, None] * jacobian) + model.prior_precision
    covariance = np.zeros_like(normal)
    free = np.ix_(model.free, model.free)
    covariance[free] = np.linalg.inv(normal[free])
    keep = slice(0, N_PARAMETERS)
    return GroundPlane(truth[keep], (CovarianceSource("bound", covariance[keep, keep]),), photo.size_px)


def _corner_variance(bar: BarSighting, noise: float) -> float:
    """Each coordinate, px^2."""
    middles = _square_middles(bar)
    square_px = float(np.median([np.linalg.norm(o) for _, o in middles])) * math.sqrt(2)
    return row_variance(noise, bar.contrast, bar.blur_px) / square_px


def row_variance(noise: float, contrast: float, blur_px: float) -> float:
    """Variance [px^2] of an edge's place from one pixel row across it."""
    return 2 * math.sqrt(math.pi) * max(blur_px, 0.4) * noise**2 / contrast**2


def _vector_at_truth(scene: Scene, bars: Sequence[BarSighting]) -> Array:
    """The adjustment's parameters at the truth: world shifted and turned into the first bar's frame."""
    records = {r["first_tag_id"]: r for r in scene.record["bars"]}
    first = records[bars[0].first_tag_id]
    frame = _frame(first)
    rotation = scene.camera.rotation @ frame[:3, :3]
    translation = scene.camera.rotation @ frame[:3, 3] + scene.camera.parameters[8:11]
    values = [*scene.camera.parameters[:5], *cv2.Rodrigues(rotation)[0].ravel(), *translation]
    for bar in bars:
        values += _bar_at_truth(records[bar.first_tag_id], frame, bar)
    return np.array(values)


def _frame(record: dict[str, object]) -> Array:
    """From the first bar's frame to the world, (4, 4): the bar's corner on the ground, its long side along x."""
    ex, origin = np.array(record["ex"]), np.array(record["origin_mm"])
    c, s = ex[:2] / np.linalg.norm(ex[:2])
    return np.array([[c, -s, 0, origin[0]], [s, c, 0, origin[1]], [0, 0, 1, 0], [0, 0, 0, 1]])


def _bar_at_truth(record: dict[str, object], frame: Array, bar: BarSighting) -> list[float]:
    """x, y, direction, log scale, height of the face at the middle, tilts, bow."""
    origin, ex, ey = (np.array(record[k], dtype=np.float64) for k in ("origin_mm", "ex", "ey"))
    away = frame[:2, :2].T @ (origin[:2] - frame[:2, 3])
    direction = frame[:2, :2].T @ ex[:2]
    middle = origin + ex * bar.design.length_mm / 2 + ey * bar.design.height_mm / 2
    height = middle[2] + float(record["thickness_mm"])  # type: ignore[arg-type]
    scale = math.log(float(record["length_scale"]))  # type: ignore[arg-type]
    known = [*away, math.atan2(direction[1], direction[0]), scale, height, ex[2], ey[2], 0.0]
    assert len(known) == BAR_PARAMETERS
    return [float(v) for v in known]


# --- edges


@dataclass(frozen=True, eq=False)
class _Stations:
    """Stations of one edge: position along [mm], information of each with both noises [1/mm^2]."""

    along_mm: Array
    pixels: Array
    ground: Array

    def offset_variance(self, information: Array) -> float:
        return 1.0 / float(np.sum(information))

    def direction_variance(self, information: Array) -> float:
        mean = np.sum(information * self.along_mm) / np.sum(information)
        return 1.0 / float(np.sum(information * (self.along_mm - mean) ** 2))


_OfEdges = Callable[[Callable[[_Stations], Array]], float]
"""Standard deviation that the edges add, given which of the two noises to take."""


@dataclass(frozen=True, eq=False)
class _Measure:
    scene: Scene
    grey: Grey
    plane: GroundPlane
    blur_px: float
    noise: float

    def angle(self, lane: Side, band: tuple[Side, Side] | None) -> Bound | None:
        """Between the lane line and the axis of a band, degrees."""
        if band is None:
            return None
        one, left, right = (self._stations(side) for side in (lane, *band))
        ends = [self._pixels(side.at(np.array([0.0, 1.0]))) for side in (lane, *band)]

        def turn(plane: GroundPlane) -> Array:
            d = [np.diff(plane.to_plane(e), axis=0)[0] for e in ends]
            axis = d[1] / np.linalg.norm(d[1]) + d[2] / np.linalg.norm(d[2])
            return np.degrees([math.atan2(d[0][0] * axis[1] - d[0][1] * axis[0], d[0] @ axis)])

        def edges(pick: Callable[[_Stations], Array]) -> float:
            of = [s.direction_variance(pick(s)) for s in (one, left, right)]
            return math.degrees(math.sqrt(of[0] + (of[1] + of[2]) / 4))

        return self._sum(turn, edges)

    def width(self, band: tuple[Side, Side] | None) -> Bound | None:
        """Mean distance of two edges, mm."""
        if band is None:
            return None
        left, right = (self._stations(side) for side in band)
        places = [self._pixels(side.at(np.linspace(0, 1, 9))) for side in band]

        def apart(plane: GroundPlane) -> Array:
            a, b = (plane.to_plane(p) for p in places)
            along = np.linalg.svd(0.5 * (a + b) - (0.5 * (a + b)).mean(axis=0))[2][0]
            return np.array([np.mean(np.abs((a - b) @ np.array([-along[1], along[0]])))])

        def edges(pick: Callable[[_Stations], Array]) -> float:
            return math.sqrt(left.offset_variance(pick(left)) + right.offset_variance(pick(right)))

        return self._sum(apart, edges)

    def _sum(self, quantity: Callable[[GroundPlane], Array], edges: _OfEdges) -> Bound:
        row = self.plane.sensitivity(quantity)[0]
        plane = float(row @ self.plane.covariance @ row)
        return Bound(
            math.sqrt(plane + edges(lambda s: s.pixels) ** 2), math.sqrt(plane + edges(lambda s: s.ground) ** 2)
        )

    def _pixels(self, world_mm: Array) -> Array:
        return self.scene.camera.to_pixels(world_mm)

    def _stations(self, side: Side) -> _Stations:
        points = side.at(np.linspace(0.0, 1.0, STATION_COUNT + 1))
        middles, steps = 0.5 * (points[1:] + points[:-1]), np.diff(points, axis=0)
        lengths = np.linalg.norm(steps, axis=1)
        lengths = np.maximum(lengths, 1e-6)
        along = steps / lengths[:, None]
        jacobian = self.scene.camera.pixels_per_mm(middles)
        tangent = np.einsum("nij,nj->ni", jacobian, along)
        rows = np.linalg.norm(tangent, axis=1) * lengths
        across = np.abs(np.linalg.det(jacobian)) / np.linalg.norm(tangent, axis=1)
        tangent /= np.linalg.norm(tangent, axis=1)[:, None]
        contrast, texture = self._beside(self._pixels(middles), np.column_stack([-tangent[:, 1], tangent[:, 0]]))
        s = np.cumsum(lengths) - lengths / 2
        return _Stations(
            s,
            rows * across**2 / row_variance(self.noise, contrast, self.blur_px),
            rows * across**2 / row_variance(max(texture, self.noise), contrast, self.blur_px),
        )

    def _beside(self, pixels: Array, normal: Array) -> tuple[float, float]:
        """Contrast of an edge and standard deviation of the grey levels on its rougher side."""
        near, far = 2.5 * self.blur_px, 2.5 * self.blur_px + 8.0
        t = np.concatenate([-np.linspace(near, far, 12), np.linspace(near, far, 12)])
        grid = (pixels[:, None] + t[None, :, None] * normal[:, None]).astype(np.float32)
        values = cv2.remap(self.grey, grid[..., 0], grid[..., 1], cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE)
        first, second = values[:, :12].astype(np.float64), values[:, 12:].astype(np.float64)
        contrast = max(float(np.median(np.abs(first.mean(axis=1) - second.mean(axis=1)))), 3.0)
        local = [float(np.median(side.std(axis=1, ddof=1))) for side in (first, second)]
        return contrast, max(local)
