"""One least-squares adjustment of a photo: camera, pavement plane, and all bars in view, with full covariance.

Unknowns: focal length, principal point, two radial distortion terms; six of the camera's pose over the pavement;
for each bar its place and direction in the plane (the first bar's fix the frame), its length scale, the height of
its printed face, two small tilts and a small bow, since a thin plate rests on the tops of the stones. Priors: the
camera's from EXIF or from a stored calibration, each bar's from its calibration. Observations: checker corners,
robustly weighted.

Near the solution the estimate is linear in corners y and priors m_k: theta = C (J'W y + sum P_k m_k) with
C = (J'WJ + sum P_k)^-1, so that each source's share of the covariance is C (J'WJ) C or C P_k C, and the shares sum to
C: the budget. Method: Gauss-Markov model with prior information, iteratively reweighted least squares (Huber, Robust
Statistics, 1981).
"""

from __future__ import annotations

import copy
import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

from models.bar import BarCalibration, nominal_calibration
from models.measurement import Problem
from verifier.bars import BarSighting
from verifier.photo import CaptureFacts
from verifier.plane import N_PARAMETERS, CovarianceSource, GroundPlane

Array = NDArray[np.float64]

SEAT_HEIGHT_MM = 0.6
"""A stiff plate rests on the tops of the stones, above the mean plane of the surface: about half a texture depth
(mean texture depth of dense asphalt 0.4-1.2 mm: common practice)."""
SEAT_HEIGHT_U_MM = 0.4
BAR_PARAMETERS = 8
"""x, y, direction, log length scale, height of the face, tilt along, tilt across, bow (middle over the ends)."""
CORNER_FLOOR_PX = 0.015
"""Corners are never believed better than this: what saddle points reach on clean renderings."""
SLOW_ERROR_EXCESS = 1.5
"""Variance of slow patterns in the corners' errors over that of white noise of the same size. Corners a whole number of
pixels apart alias alike, so that neighbours share a part of their error: 1.3 and 1.6 by second and third order terms
along the bars on photos from two renderers."""
FULL_FRAME_DIAGONAL_MM = 43.2666
NOISE_RATIO_LIMIT = 2.0
"""Corner noise of a bar in the common adjustment over that of the bar alone: 0.85 to 1.1 where all is well."""
BAR_MISFIT_LIMIT = 4.5
"""Standard deviations; the ten numbers of two bars are beyond it once in 15 000 photos that are what they seem."""
CAMERA_MISFIT_LIMIT = 22.0
"""Chi-square with 5 degrees of freedom is beyond this once in 2000 photos that are what they seem."""


@dataclass(frozen=True, eq=False)
class CameraPrior:
    """What is known of the camera beforehand: log focal length, principal point, k1, k2."""

    mean: Array
    """Shape (5,)."""
    covariance: Array
    """Shape (5, 5)."""
    source: str


@dataclass(frozen=True, eq=False)
class PlacedBar:
    """A bar as the adjustment has it."""

    sighting: BarSighting
    outline_mm: Array
    """Where the plate's corners appear on the pavement, (4, 2), in plane coordinates."""
    residuals_px: Array
    """Found less computed corners, (N, 2)."""
    kept: NDArray[np.bool_]
    """Corners that carry weight, (N,)."""


@dataclass(frozen=True, eq=False)
class Adjustment:
    """The photo's ground plane and how well everything fits."""

    plane: GroundPlane
    bars: tuple[PlacedBar, ...]
    corner_sigma_px: float
    """Standard deviation of a corner coordinate, from the residuals."""
    redundancy: int
    camera_misfit: float
    """Squared Mahalanobis distance of the camera found from its prior; chi-square with at most 5 degrees of freedom."""

    @property
    def outlines_mm(self) -> tuple[Array, ...]:
        """Bars' outlines on the pavement as seen, (4, 2) each."""
        return tuple(bar.outline_mm for bar in self.bars)


def camera_prior(facts: CaptureFacts, size_px: tuple[int, int]) -> CameraPrior:
    """The prior that EXIF allows.

    The 35 mm equivalent focal length is meant by the diagonal (CIPA DC-008) but is rounded to whole millimetres, and
    some makers go by width (4 % apart at 4:3): u = 3 %. Pictures cropped from 4:3 keep the number of the whole sensor:
    u = 6 %.
    Phones straighten their pictures; what remains of distortion is within a few hundredths (common practice).
    """
    width, height = max(size_px), min(size_px)
    diagonal_px = math.hypot(width, height)
    if facts.focal_35mm:
        uncropped = abs(width / height - 4 / 3) < 0.02
        focal = facts.focal_35mm / FULL_FRAME_DIAGONAL_MM * diagonal_px
        relative_u = math.hypot(0.03 if uncropped else 0.06, 0.29 / facts.focal_35mm)
        wide = facts.focal_35mm < 19
        source = "EXIF focal length"
    else:
        focal, relative_u, wide, source = 0.8 * width, 0.3, False, "no EXIF focal length"
    mean = np.array([math.log(focal), (size_px[0] - 1) / 2, (size_px[1] - 1) / 2, 0.0, 0.0])
    k1_u, k2_u = (0.08, 0.05) if wide else (0.025, 0.015) if facts.focal_35mm else (0.05, 0.03)
    sd = np.array([relative_u, 0.006 * width, 0.006 * width, k1_u, k2_u])
    return CameraPrior(mean, np.diag(sd**2), source)


class _Model:
    """Residuals of the adjustment for a fixed set of bars; parameters: camera (5), pose (6), bars (8 each)."""

    def __init__(self, bars: Sequence[BarSighting], calibrations: Sequence[BarCalibration], prior: CameraPrior) -> None:
        self.bars, self.prior = bars, prior
        self.plate = [b.corners_plate_mm for b in bars]
        self.pixels = np.concatenate([b.corners_px for b in bars])
        self.owner = np.repeat(np.arange(len(bars)), [len(p) for p in self.plate])
        self.size = N_PARAMETERS + BAR_PARAMETERS * len(bars)
        self.centre = np.array([b.design.length_mm for b in bars]) / 2
        self.prior_mean, self.prior_precisions = self._priors(calibrations)

    def _priors(self, calibrations: Sequence[BarCalibration]) -> tuple[Array, dict[str, Array]]:
        mean = np.zeros(self.size)
        mean[:5] = self.prior.mean
        camera = np.zeros((self.size, self.size))
        camera[:5, :5] = np.linalg.inv(self.prior.covariance)
        length, seat = np.zeros_like(camera), np.zeros_like(camera)
        for i, (bar, calibration) in enumerate(zip(self.bars, calibrations, strict=True)):
            k = N_PARAMETERS + BAR_PARAMETERS * i
            gauge = bar.design.gauge_length_mm
            mean[k + 3] = math.log(calibration.length_mm / gauge)
            mean[k + 4] = calibration.thickness_mm + SEAT_HEIGHT_MM
            length[k + 3, k + 3] = (gauge / calibration.length_u_mm) ** 2
            seat[k + 4, k + 4] = 1 / (calibration.thickness_u_mm**2 + SEAT_HEIGHT_U_MM**2)
            # A plate rests on stones near its ends and edges, whose tops differ by a few tenths of a millimetre;
            # a long one also follows an uneven road a little.
            seat[k + 5, k + 5] = (bar.design.length_mm / 0.3) ** 2
            seat[k + 6, k + 6] = (bar.design.height_mm / 0.1) ** 2
            seat[k + 7, k + 7] = (1000 / bar.design.length_mm / 0.4) ** 2
        return mean, {"camera model": camera, "bar length": length, "bar seat and thickness": seat}

    @property
    def prior_precision(self) -> Array:
        return np.asarray(sum(self.prior_precisions.values()))

    @property
    def free(self) -> NDArray[np.bool_]:
        """All parameters but the first bar's place and direction, which are the frame."""
        free = np.ones(self.size, dtype=bool)
        free[N_PARAMETERS : N_PARAMETERS + 3] = False
        return free

    def space_points(self, parameters: Array, i: int, plate_mm: Array) -> Array:
        """Points (N, 3) over the pavement of points (N, 2) of bar ``i``'s face."""
        k = N_PARAMETERS + BAR_PARAMETERS * i
        x, y, direction, scale, height, along, across, bow = parameters[k : k + BAR_PARAMETERS]
        flat = plate_mm * math.exp(scale)
        c, s = math.cos(direction), math.sin(direction)
        middle = (self.centre[i], self.bars[i].design.height_mm / 2)
        z = height + along * (plate_mm[:, 0] - middle[0]) + across * (plate_mm[:, 1] - middle[1])
        z += bow * (1 - (plate_mm[:, 0] / middle[0] - 1) ** 2)
        return np.column_stack([x + c * flat[:, 0] - s * flat[:, 1], y + s * flat[:, 0] + c * flat[:, 1], z])

    def predict(self, parameters: Array) -> Array:
        """All corners in the picture, (N, 2)."""
        plane = GroundPlane(parameters[:N_PARAMETERS], (), (0, 0))
        space = [self.space_points(parameters, i, p) for i, p in enumerate(self.plate)]
        return plane.to_pixels(np.concatenate(space))

    def jacobian(self, parameters: Array) -> Array:
        """Derivatives of the predicted corners, (2N, P), by the chain rule: image, camera, space, bar."""
        columns = np.zeros((len(self.pixels), 2, self.size))
        row = 0
        for i, plate in enumerate(self.plate):
            block = columns[row : row + len(plate)]
            space = self.space_points(parameters, i, plate)
            to_image = _camera_derivatives(parameters, space, block)
            k = N_PARAMETERS + BAR_PARAMETERS * i
            block[:, :, k : k + BAR_PARAMETERS] = to_image @ self._bar_derivatives(parameters, i, plate, space)
            row += len(plate)
        columns[:, :, ~self.free] = 0.0
        return columns.reshape(-1, self.size)

    def _bar_derivatives(self, parameters: Array, i: int, plate_mm: Array, space: Array) -> Array:
        """Derivatives of the space points by the bar's parameters, (N, 3, 8)."""
        k = N_PARAMETERS + BAR_PARAMETERS * i
        away = space[:, :2] - parameters[k : k + 2]
        d = np.zeros((len(plate_mm), 3, BAR_PARAMETERS))
        d[:, 0, 0] = d[:, 1, 1] = d[:, 2, 4] = 1.0
        d[:, 0, 2], d[:, 1, 2] = -away[:, 1], away[:, 0]
        d[:, :2, 3] = away
        d[:, 2, 5] = plate_mm[:, 0] - self.centre[i]
        d[:, 2, 6] = plate_mm[:, 1] - self.bars[i].design.height_mm / 2
        d[:, 2, 7] = 1 - (plate_mm[:, 0] / self.centre[i] - 1) ** 2
        return d


def _camera_derivatives(parameters: Array, space: Array, block: Array) -> Array:
    """Fill the camera's and the pose's columns of ``block`` (N, 2, P); return d(pixel)/d(space point), (N, 2, 3)."""
    focal, k1, k2 = math.exp(parameters[0]), parameters[3], parameters[4]
    rotation, by_rotation = cv2.Rodrigues(parameters[5:8])
    seen = space @ rotation.T + parameters[8:11]
    xy = seen[:, :2] / seen[:, 2:3]
    r2 = np.sum(xy * xy, axis=1)[:, None]
    stretch = 1.0 + r2 * (k1 + r2 * k2)
    block[:, :, 0] = focal * stretch * xy
    block[:, 0, 1] = block[:, 1, 2] = 1.0
    block[:, :, 3], block[:, :, 4] = focal * r2 * xy, focal * r2 * r2 * xy
    outer = xy[:, :, None] * xy[:, None, :]
    by_xy = focal * (stretch[:, :, None] * np.eye(2) + (2 * k1 + 4 * k2 * r2)[:, :, None] * outer)
    by_seen = np.zeros((len(space), 2, 3))
    by_seen[:, 0, 0] = by_seen[:, 1, 1] = 1.0 / seen[:, 2]
    by_seen[:, :, 2] = -xy / seen[:, 2:3]
    by_seen = by_xy @ by_seen
    # OpenCV orders the derivatives of the rotation matrix (3, 9): one row a component of the vector.
    turned = np.einsum("kij,nj->nik", np.asarray(by_rotation).reshape(3, 3, 3), space)
    block[:, :, 5:8] = by_seen @ turned
    block[:, :, 8:11] = by_seen
    return np.asarray(by_seen @ rotation)


@dataclass(frozen=True, eq=False)
class _Solution:
    parameters: Array
    covariance: Array
    normal_corners: Array
    weights: Array
    sigma_px: Array
    cost: float


def adjust(
    bars: Sequence[BarSighting],
    facts: CaptureFacts,
    size_px: tuple[int, int],
    calibrations: Sequence[BarCalibration] = (),
    prior: CameraPrior | None = None,
) -> Adjustment | Problem:
    """Adjust camera, plane and bars; a Problem where they do not fit together or the plane is not determined.

    1. Start from every pose that a bar allows (a plane seen almost from the front has two).
    2. Adjust from each start; keep the best; refuse when another, different plane fits about as well.
    3. Test the fit: corners against each other, bars against flatness and size, focal length against EXIF.
    """
    known = {(c.kind, c.number): c for c in calibrations}
    chosen = [known.get((b.design.kind, b.number)) or nominal_calibration(b.design.kind, b.number) for b in bars]
    model = _Model(bars, chosen, prior or camera_prior(facts, size_px))
    solutions = sorted((_solve(model, s) for s in _starts(model)), key=lambda s: s.cost)
    solutions = [s for s in solutions if np.isfinite(s.cost)]
    if not solutions:
        return _unfit("The bars' corners fit no flat pavement")
    best = solutions[0]
    result = _result(model, best, size_px)
    return _misfit(model, best, result) or _ambiguity(model, solutions) or result


def _unfit(what: str) -> Problem:
    return Problem("bar-not-flat", f"{what}: lay the bar flat on the pavement, nothing under it, and take it again.")


def _starts(model: _Model) -> list[Array]:
    """Parameter vectors to start from: the planar poses (cv2.SOLVEPNP_IPPE) of the bar that looks longest, other bars
    laid in that plane; for focal lengths over the whole range of the prior where that is wide."""
    anchor = max(range(len(model.bars)), key=lambda i: float(np.ptp(model.bars[i].corners_px, axis=0).max()))
    spread = math.sqrt(model.prior.covariance[0, 0])
    steps = (0.0,) if spread < 0.1 else (-1.5, -0.75, 0.0, 0.75, 1.5, 2.25)
    starts = []
    for log_focal in (model.prior.mean[0] + step * spread for step in steps):
        for rotation, translation in _poses(model, anchor, math.exp(log_focal)):
            start = _start_from(model, anchor, rotation, translation, log_focal)
            if start is not None:
                starts.append(start)
    return starts


def _poses(model: _Model, anchor: int, focal: float) -> list[tuple[Array, Array]]:
    cx, cy = model.prior.mean[1:3]
    matrix = np.array([[focal, 0, cx], [0, focal, cy], [0, 0, 1]])
    space = np.column_stack([model.plate[anchor], np.zeros(len(model.plate[anchor]))])
    count, rotations, translations, _ = cv2.solvePnPGeneric(
        space, model.bars[anchor].corners_px, matrix, None, flags=cv2.SOLVEPNP_IPPE
    )
    return [
        (np.asarray(cv2.Rodrigues(rotations[i])[0], np.float64), np.asarray(translations[i], np.float64).ravel())
        for i in range(count)
    ]


def _start_from(model: _Model, anchor: int, rotation: Array, translation: Array, log_focal: float) -> Array | None:
    """Re-express a pose over the anchor bar in the frame of the first bar."""
    theta = model.prior_mean.copy()
    theta[0] = log_focal
    theta[5:8], theta[8:11] = cv2.Rodrigues(rotation)[0].ravel(), translation
    face = GroundPlane(theta[:N_PARAMETERS], (), (0, 0))
    if face.camera_mm[2] <= 0:
        return None
    placed = [_rigid(b.corners_plate_mm, face.to_plane(b.corners_px)) for b in model.bars]
    if any(p is None for p in placed):
        return None
    x0, y0, d0 = placed[0]  # type: ignore[misc]
    c, s = math.cos(d0), math.sin(d0)
    turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
    new_rotation = rotation @ turn
    height = model.prior_mean[N_PARAMETERS + 4]
    new_translation = rotation @ np.array([x0, y0, 0.0]) + translation - new_rotation @ np.array([0, 0, height])
    theta[5:8], theta[8:11] = cv2.Rodrigues(new_rotation)[0].ravel(), new_translation
    for i, place in enumerate(placed[1:], start=1):
        x, y, d = place  # type: ignore[misc]
        k = N_PARAMETERS + BAR_PARAMETERS * i
        theta[k : k + 3] = c * (x - x0) + s * (y - y0), -s * (x - x0) + c * (y - y0), d - d0
    return theta


def _rigid(plate_mm: Array, plane_mm: Array) -> tuple[float, float, float] | None:
    """Shift and turn that lay plate points onto plane points (Kabsch)."""
    if not np.isfinite(plane_mm).all():
        return None
    a, b = plate_mm - plate_mm.mean(axis=0), plane_mm - plane_mm.mean(axis=0)
    direction = math.atan2(float(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])), float(np.sum(a * b)))
    c, s = math.cos(direction), math.sin(direction)
    shift = plane_mm.mean(axis=0) - np.array([[c, -s], [s, c]]) @ plate_mm.mean(axis=0)
    return float(shift[0]), float(shift[1]), direction


def _solve(model: _Model, start: Array) -> _Solution:
    """Levenberg-Marquardt with Huber weights; corner noise is estimated from the residuals of each bar."""
    theta, damping = start.copy(), 1e-3
    weights = np.ones(len(model.pixels))
    sigma = np.full(len(model.pixels), 0.5)
    precision, free = model.prior_precision, model.free
    residual, cost = _evaluate(model, theta, weights, sigma)
    for iteration in range(60):
        jacobian = model.jacobian(theta)
        w = np.repeat(weights / sigma**2, 2) / SLOW_ERROR_EXCESS
        normal_corners = jacobian.T @ (w[:, None] * jacobian)
        gradient = jacobian.T @ (w * residual.ravel()) + precision @ (model.prior_mean - theta)
        normal = (normal_corners + precision)[np.ix_(free, free)]
        moved = _step(model, theta, normal, gradient, damping, weights, sigma, cost)
        if moved is None:
            damping *= 10
            if damping > 1e8:
                break
            continue
        shift, theta, residual, cost = moved
        damping = max(damping / 10, 1e-9)
        scaled = float(np.max(np.abs(shift) * np.sqrt(np.diag(normal))))
        if scaled < 0.3 or iteration < 8:
            sigma, weights = _reweight(model, residual)
            residual, cost = _evaluate(model, theta, weights, sigma)
        if scaled < 1e-3 and iteration > 3:
            break
    return _finish(model, theta)


def _evaluate(model: _Model, theta: Array, weights: Array, sigma: Array) -> tuple[Array, float]:
    residual = model.pixels - model.predict(theta)
    deviation = model.prior_mean - theta
    squares = np.sum((weights / sigma**2)[:, None] * residual**2) / SLOW_ERROR_EXCESS
    cost = float(squares + deviation @ model.prior_precision @ deviation)
    return residual, cost if np.isfinite(cost) else math.inf


def _step(
    model: _Model,
    theta: Array,
    normal: Array,
    gradient: Array,
    damping: float,
    weights: Array,
    sigma: Array,
    cost: float,
) -> tuple[Array, Array, Array, float] | None:
    free = model.free
    try:
        shift = np.asarray(np.linalg.solve(normal + damping * np.diag(np.diag(normal)), gradient[free]), np.float64)
    except np.linalg.LinAlgError:
        return None
    moved = theta.copy()
    moved[free] += shift
    residual, new_cost = _evaluate(model, moved, weights, sigma)
    return (shift, moved, residual, new_cost) if new_cost <= cost * (1 + 1e-12) else None


def _reweight(model: _Model, residual: Array) -> tuple[Array, Array]:
    """Noise of each bar's corners from the median residual, and Huber-Tukey weights."""
    sigma = np.empty(len(model.pixels))
    size = np.linalg.norm(residual, axis=1)
    for i in range(len(model.bars)):
        own = model.owner == i
        # The median length of a two-dimensional normal deviate is 1.1774 sigma; 7 unknowns a bar are paid for.
        spread = float(np.median(size[own])) / 1.1774 * math.sqrt(2 * own.sum() / max(2 * own.sum() - 8, 4))
        sigma[own] = max(spread, CORNER_FLOOR_PX)
    ratio = size / (3.0 * sigma)
    weights = np.where(ratio < 1, 1.0, np.where(ratio < 2.5, 1 / np.maximum(ratio, 1e-9), 0.0))
    return sigma, weights


def _finish(model: _Model, theta: Array) -> _Solution:
    residual = model.pixels - model.predict(theta)
    sigma, weights = _reweight(model, residual)
    jacobian, free = model.jacobian(theta), model.free
    w = np.repeat(weights / sigma**2, 2) / SLOW_ERROR_EXCESS
    normal_corners = jacobian.T @ (w[:, None] * jacobian)
    covariance = np.zeros((model.size, model.size))
    try:
        covariance[np.ix_(free, free)] = np.linalg.inv((normal_corners + model.prior_precision)[np.ix_(free, free)])
    except np.linalg.LinAlgError:
        return _Solution(theta, covariance, normal_corners, weights, sigma, math.inf)
    # The cost of a Gaussian model with unknown noise: 2 n log sigma + prior deviations.
    _, prior_cost = _evaluate(model, theta, np.zeros_like(weights), sigma)
    cost = float(np.sum(4 * np.log(sigma)) + np.sum(np.minimum((residual / sigma[:, None]) ** 2, 9.0))) + prior_cost
    return _Solution(theta, covariance, normal_corners, weights, sigma, cost if np.isfinite(cost) else math.inf)


def _result(model: _Model, solution: _Solution, size_px: tuple[int, int]) -> Adjustment:
    keep = slice(0, N_PARAMETERS)
    c = solution.covariance
    shares = [CovarianceSource("corner detection and pose", (c @ solution.normal_corners @ c)[keep, keep])]
    shares += [CovarianceSource(name, (c @ p @ c)[keep, keep]) for name, p in model.prior_precisions.items()]
    plane = GroundPlane(solution.parameters[keep].copy(), tuple(shares), size_px)
    residual = model.pixels - model.predict(solution.parameters)
    placed = tuple(_placed(model, solution, plane, residual, i) for i in range(len(model.bars)))
    redundancy = int(2 * np.sum(solution.weights > 0)) - int(model.free.sum()) + 5 + 5 * len(model.bars)
    shift = solution.parameters[:5] - model.prior.mean
    misfit = float(shift @ np.linalg.inv(model.prior.covariance) @ shift)
    return Adjustment(plane, placed, float(np.median(solution.sigma_px)), redundancy, misfit)


def _placed(model: _Model, solution: _Solution, plane: GroundPlane, residual: Array, i: int) -> PlacedBar:
    bar, own = model.bars[i], model.owner == i
    length, height = bar.design.length_mm, bar.design.height_mm
    plate = np.array([[0, 0], [length, 0], [length, height], [0, height]])
    outline = plane.to_plane(plane.to_pixels(model.space_points(solution.parameters, i, plate)))
    return PlacedBar(bar, outline, residual[own], solution.weights[own] > 0)


def _ambiguity(model: _Model, solutions: Sequence[_Solution]) -> Problem | None:
    """A second plane that fits nearly as well: its normal differs by more than its own uncertainty."""
    best = solutions[0]
    normal = cv2.Rodrigues(best.parameters[5:8])[0][:, 2]
    for other in solutions[1:]:
        turned = float(np.arccos(np.clip(normal @ cv2.Rodrigues(other.parameters[5:8])[0][:, 2], -1, 1)))
        if turned > math.radians(2) and other.cost - best.cost < 12:
            return Problem(
                "plane-ambiguous",
                "From this angle the bar fits two different planes: lay a second bar across the first, or move closer.",
            )
    return None


def _misfit(model: _Model, best: _Solution, result: Adjustment) -> Problem | None:
    """What does not fit: corners off one plane, a bar that tilts or has another size, another camera than EXIF says."""
    for i, placed in enumerate(result.bars):
        together = float(best.sigma_px[model.owner == i][0])
        alone = max(_own_noise_px(placed.sighting, result.plane), CORNER_FLOOR_PX)
        if np.mean(~placed.kept) > 0.3 or alone > max(0.5, 0.005 * placed.sighting.tags[0].side_px):
            return _unfit("The checker corners do not lie on a flat bar")
        # Bars that disagree look like noise to the adjustment: each bar by itself shows what the noise is.
        few = 1.0 + 6.0 / len(placed.residuals_px)  # what is known of noise from few corners is uncertain
        if together > max(NOISE_RATIO_LIMIT * few * alone, 0.12):
            return _disagreement(model, best)
    for i, bar in enumerate(model.bars):
        problem = _bar_misfit(model, best, i, bar)
        if problem:
            return problem
    if result.camera_misfit <= CAMERA_MISFIT_LIMIT:
        return None
    stretch = min(_stretched_cost(model, best, which) for which in _suspects(model))
    return _camera_problem(stretch < _freed(model, best, "camera model", 900.0).cost + _EQUALLY_LIKELY)


_EQUALLY_LIKELY = 20.0
"""Costs (minus twice a logarithm of likelihood) that are nearer than this leave open which cause is at work."""
_WIDEST_STRETCH = 0.12
"""Logarithm of height over length, print over drawing: further off, tags are no longer read."""


def _camera_problem(stretch: bool) -> Problem:
    what = "does not look as this camera sees"
    action = "send the original photo, not a crop, a screenshot or a photo of a photo"
    if stretch:
        what += ", or the bar's print is stretched"
        action += ", and measure the control lengths on the print, along and across"
    return Problem("camera-disagrees", f"The picture {what}: {action}.")


def _disagreement(model: _Model, best: _Solution) -> Problem:
    """Each bar is well seen and yet they do not fit together: which cause, set free, makes them fit best.

    A bar that lies higher, parallel to the pavement, looks in every way like a larger one: no photo tells them apart.
    """
    costs = {
        "camera": _freed(model, best, "camera model", 900.0).cost,
        "seat": _freed(model, best, "bar seat and thickness", 900.0).cost,
        "stretch": min(_stretched_cost(model, best, which) for which in _suspects(model)),
    }
    sized = _freed(model, best, "bar length", 1e6)  # up to a tenth: a print scaled to fit its paper
    if len(model.bars) > 1:
        costs["size"] = sized.cost
    likely = {cause for cause, cost in costs.items() if cost < min(costs.values()) + _EQUALLY_LIKELY}
    alone = len(model.bars) == 1 and "stretch" in likely  # a stretch shortens one bar as another camera's angle does
    if "camera" in likely or alone:
        return _camera_problem("stretch" in likely)
    if "size" in likely:
        return _larger_or_higher(model, sized)
    if "seat" in likely:
        return _unfit(
            "The bars do not lie in one plane"
            if len(model.bars) > 1
            else "The bar is bent or has not the shape of its drawing"
        )
    return _wrong_size("The print of a bar is stretched: its length and its height do not fit one scale")


def _freed(model: _Model, best: _Solution, name: str, factor: float) -> _Solution:
    """The adjustment once a prior's variances are ``factor`` times as large."""
    loose = copy.copy(model)
    loose.prior_precisions = {n: p / (factor if n == name else 1.0) for n, p in model.prior_precisions.items()}
    return _solve(loose, best.parameters)


def _suspects(model: _Model) -> list[tuple[int, ...]]:
    """Bars whose print may be stretched: one of them, or all, as prints from one machine are."""
    everyone = tuple(range(len(model.bars)))
    return [everyone] if len(everyone) == 1 else [*((i,) for i in everyone), everyone]


def _stretched_cost(model: _Model, best: _Solution, which: tuple[int, ...]) -> float:
    """Cost of the adjustment with the height of some bars' prints set free."""

    def cost(stretch: float) -> float:
        other = copy.copy(model)
        scale = np.array([1.0, math.exp(stretch)])
        other.plate = [p * scale if i in which else p for i, p in enumerate(model.plate)]
        return _solve(other, best.parameters).cost

    found = minimize_scalar(cost, bounds=(-_WIDEST_STRETCH, _WIDEST_STRETCH), method="bounded", options={"xatol": 2e-3})
    return float(found.fun)


def _wrong_size(what: str) -> Problem:
    return Problem("bar-wrong-size", f"{what}: measure the control lengths on the print, and replace it if one is off.")


def _larger_or_higher(model: _Model, sized: _Solution) -> Problem:
    scales = [float(sized.parameters[N_PARAMETERS + BAR_PARAMETERS * i + 3]) for i in range(len(model.bars))]
    large, small = (model.bars[int(k)].name for k in (np.argmax(scales), np.argmin(scales)))
    more = 100 * math.expm1(max(scales) - min(scales))
    return Problem(
        "bar-wrong-size",
        f"Compared with the {small}, the {large} looks {more:.1f} % too large: lay both flat on the pavement, none "
        "higher than the other; if they do, one print is not of its drawing's size: measure the control lengths.",
    )


def _own_noise_px(bar: BarSighting, plane: GroundPlane) -> float:
    """Noise of one bar's corners without any other bar: what a homography and a cubic along the bar leave.

    The cubic takes up bow and what is left of distortion; the median serves as in ``_reweight``.
    """
    straight = plane.rays(bar.corners_px)[:, :2] * plane.focal_px
    homography, inliers = cv2.findHomography(bar.corners_plate_mm, straight, cv2.LMEDS)
    if inliers is None or not np.any(inliers):
        return math.inf
    residual = straight - cv2.perspectiveTransform(bar.corners_plate_mm[:, None], homography)[:, 0]
    good = np.linalg.norm(residual, axis=1) < 4 * np.median(np.linalg.norm(residual, axis=1))
    cubic = np.vander(bar.corners_plate_mm[:, 0] / bar.design.length_mm, 4)
    residual = residual - cubic @ np.linalg.lstsq(cubic[good], residual[good], rcond=None)[0]
    freedom = math.sqrt(2 * len(residual) / max(2 * len(residual) - 12, 4))
    return float(np.median(np.linalg.norm(residual, axis=1))) / 1.1774 * freedom


def _bar_misfit(model: _Model, best: _Solution, i: int, bar: BarSighting) -> Problem | None:
    """A bar whose length, height, tilts or bow differ from their priors by more than they can.

    An estimate is drawn towards its prior: the variance of its deviation is the prior's less the posterior's
    (innovation of a Gauss-Markov estimate), not the prior's.
    """
    k = N_PARAMETERS + BAR_PARAMETERS * i
    own = slice(k + 3, k + BAR_PARAMETERS)
    deviation = (best.parameters - model.prior_mean)[own]
    prior = 1.0 / np.diag(model.prior_precision)[own]
    spread = np.sqrt(np.maximum(prior - np.diag(best.covariance)[own], 0.01 * prior))
    length, height, along, across, bow = np.abs(deviation) / spread
    if bow > BAR_MISFIT_LIMIT:
        return _unfit(f"The {bar.name} is bent")
    if max(along, across, height, length) > BAR_MISFIT_LIMIT:
        return _disagreement(model, best)
    return None
