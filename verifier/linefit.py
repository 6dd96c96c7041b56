"""Straight lines through located edge points: robust, with a covariance that holds when deviations are correlated.

What is estimated
-----------------
The quantities of this project are defined on the least-squares straight line through the *true* edge, taken densely
over its whole visible length. The points that a photo yields differ from that in three ways: each is located with
noise; some are wrong (a stone, a chip, a crossing line); and parts of the edge are not seen at all (worn, covered).
A slow wander of the edge, however, is shape: it belongs to the line by definition, wherever it is seen.

The model is universal kriging (Cressie, Statistics for Spatial Data, 1993, section 3.4; also Rasmussen & Williams,
Gaussian Processes for Machine Learning, 2006, section 2.7)::

    offset(s) = a + b s + f(s) + e

with f a stationary Gaussian process with exponential correlation and e independent noise. A given share of f's
variance is error (raggedness, slow localisation noise), the rest is true shape. The variance and the correlation
length of f are not taken from one best fit but averaged over a grid, weighted by restricted likelihood (REML), so
that 'we cannot tell from so few points' widens the covariance. The line is the best linear unbiased predictor of
the mean and the slope of ``a + b s + shape`` over the whole span; unseen parts widen its covariance by themselves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from verifier.finding import Axis

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_MAX_NODES = 64
_LENGTHS = (0.015, 0.04, 0.1, 0.25)
"""Correlation lengths tried, as fractions of the span."""
_SHARES = (0.0, 0.15, 0.4, 0.7, 0.9)
"""Shares of the correlated part in the variance of the nodes that are tried."""


@dataclass(frozen=True, eq=False)
class LineFit:
    """A straight line through points, with its uncertainty."""

    axis: Axis
    """Origin at the middle of the span; the direction runs along increasing stations."""
    covariance: Array
    """Of (offset of the origin along the normal [mm], angle [rad]), shape (2, 2)."""
    residuals_mm: Array
    """Signed distances of all points from the axis, left positive, shape (N,)."""
    inliers: Mask
    """Which points carried the fit, shape (N,)."""
    span_mm: tuple[float, float]
    """First and last station, relative to the axis' origin, of the length that the line stands for."""
    scatter_mm: float
    """Robust standard deviation of the inliers' residuals."""
    slow_share: float
    """Estimated share of the correlated part in the scatter of averaged nodes, 0 ... 1."""

    @property
    def angle_rad(self) -> float:
        """Direction of the axis, counter-clockwise from +x of the plane."""
        return float(np.arctan2(self.axis.direction[1], self.axis.direction[0]))

    @property
    def u_angle_rad(self) -> float:
        """Standard uncertainty of the direction."""
        return float(np.sqrt(self.covariance[1, 1]))

    @property
    def length_mm(self) -> float:
        """Length of the span."""
        return self.span_mm[1] - self.span_mm[0]


@dataclass(frozen=True, eq=False)
class PlainLine:
    """Weighted least-squares line n = intercept + slope s."""

    intercept: float
    slope: float
    covariance: Array
    """Of (intercept, slope) for weights that are inverse variances, shape (2, 2)."""

    def at(self, s: Array) -> Array:
        """Offsets at stations ``s``."""
        return self.intercept + self.slope * s


def weighted_line(s: Array, n: Array, weights: Array) -> PlainLine:
    """Weighted least squares of ``n`` on ``s``, all (N,); weights are inverse variances (centred for precision)."""
    total = weights.sum()
    centre = float(weights @ s) / total
    spread = weights @ (s - centre) ** 2
    if not spread > 0:
        raise ValueError("a line needs points at two different stations at least")
    slope = float(weights @ ((s - centre) * n) / spread)
    mean = float(weights @ n) / total
    var_slope, var_mean = 1.0 / spread, 1.0 / total
    cross = -centre * var_slope
    covariance = np.array([[var_mean + centre**2 * var_slope, cross], [cross, var_slope]])
    return PlainLine(mean - slope * centre, slope, covariance)


def robust_scale(residuals: Array) -> float:
    """Standard deviation from the median absolute deviation (normal consistent)."""
    return float(1.4826 * np.median(np.abs(residuals - np.median(residuals))))


def vote_axis(points_mm: Array, tolerance_mm: float, *, weights: Array | None = None, anchors: int = 24) -> Axis:
    """The line through two of the points that most points (by weight) agree with, to within ``tolerance_mm``.

    Exhaustive over pairs of at most ``anchors`` points of the first and of the last third along the main direction:
    no chance is involved, so the same photo always gives the same line.
    """
    points = np.asarray(points_mm, dtype=np.float64)
    if len(points) < 2:
        raise ValueError("a line needs two points at least")
    along = points @ _main_direction(points)
    order = np.argsort(along)
    third = max(len(points) // 3, 1)
    first, last = _thin(order[:third], anchors), _thin(order[-third:], anchors)
    starts, ends = points[np.repeat(first, len(last))], points[np.tile(last, len(first))]
    directions = ends - starts
    lengths = np.hypot(*directions.T)
    directions = directions / np.maximum(lengths, 1e-9)[:, None]
    normals = np.stack([-directions[:, 1], directions[:, 0]], axis=1)
    distances = normals @ points.T - np.sum(normals * starts, axis=1)[:, None]
    quality = np.maximum(1.0 - (distances / tolerance_mm) ** 2, 0.0)
    votes = quality @ (np.ones(len(points)) if weights is None else weights)
    best = int(np.argmax(np.where(lengths > 1e-6, votes, -1.0)))
    return Axis(starts[best], directions[best])


def fit_line(
    points_mm: Array,
    sigma_mm: Array | None = None,
    *,
    start: Axis | None = None,
    span_mm: tuple[float, float] | None = None,
    error_share: float = 0.3,
    tolerance_mm: float | None = None,
) -> LineFit:
    """Robust straight line through points (N, 2) of the plane.

    ``sigma_mm`` (N,): relative standard deviations of the points across the line (their common scale is estimated).
    ``start``: where the line is already known roughly (else it is voted for, with ``tolerance_mm``, default 3 mm).
    ``span_mm``: first and last station *on the start axis* of the visible length that the line stands for
    (default: that of the inliers). ``error_share``: the share of slow deviations that is error rather than shape.

    Errors: ValueError for fewer than 4 points or no extent.
    """
    points = np.asarray(points_mm, dtype=np.float64)
    if len(points) < 4:
        raise ValueError(f"a line fit with uncertainty needs 4 points at least, got {len(points)}")
    sigma = np.ones(len(points)) if sigma_mm is None else np.asarray(sigma_mm, dtype=np.float64)
    axis = start or vote_axis(points, tolerance_mm or 3.0, weights=1.0 / sigma)
    frame = axis.from_plane(points)
    inliers, line = _reweighted(frame[:, 0], frame[:, 1], sigma)
    low, high = span_mm or (float(frame[inliers, 0].min()), float(frame[inliers, 0].max()))
    for _ in range(3):  # turn the frame onto the line, so that offsets are orthogonal distances
        axis, shift = _turned(axis, line, 0.5 * (low + high))
        low, high = low - shift, high - shift
        frame = axis.from_plane(points)
        line = weighted_line(frame[inliers, 0], frame[inliers, 1], sigma[inliers] ** -2.0)
    solution = _predict(frame[inliers, 0], frame[inliers, 1], sigma[inliers], (low, high), error_share)
    direction = axis.direction + solution.mean[1] * axis.normal
    final = Axis(axis.origin_mm + solution.mean[0] * axis.normal, direction / np.hypot(*direction))
    residuals = final.from_plane(points)[:, 1]
    scatter = robust_scale(residuals[inliers])
    return LineFit(final, solution.covariance, residuals, inliers, (low, high), scatter, solution.slow_share)


def angle_between_rad(first: Axis, second: Axis) -> float:
    """Angle from the first line to the second, counter-clockwise, in [0, pi)."""
    (x1, y1), (x2, y2) = first.direction, second.direction
    return float(np.arctan2(x1 * y2 - y1 * x2, x1 * x2 + y1 * y2) % np.pi)


def _main_direction(points: Array) -> Array:
    centred = points - points.mean(axis=0)
    return np.asarray(np.linalg.eigh(centred.T @ centred)[1][:, 1])


def _thin(indices: NDArray[np.intp], count: int) -> NDArray[np.intp]:
    if len(indices) <= count:
        return indices
    return indices[np.linspace(0, len(indices) - 1, count).round().astype(np.intp)]


def _turned(axis: Axis, line: PlainLine, middle: float) -> tuple[Axis, float]:
    """The axis moved onto ``line`` with its origin at station ``middle``, and by how much stations shift."""
    origin = axis.to_plane(np.array(middle), np.array(line.at(np.array(middle))))
    direction = axis.direction + line.slope * axis.normal
    return Axis(origin.ravel(), direction / np.hypot(*direction)), middle


def _reweighted(s: Array, n: Array, sigma: Array) -> tuple[Mask, PlainLine]:
    """Tukey's biweight by iteration (Beaton & Tukey 1974, c = 4.685), from the given frame: inliers and line."""
    base = sigma**-2.0
    line = weighted_line(s, n, base * (np.abs(n) <= np.quantile(np.abs(n), 0.8) + 1e-9))
    weights = np.ones(len(s))
    for _ in range(12):
        scaled = (n - line.at(s)) / sigma
        scale = max(robust_scale(scaled), 1e-9 * max(float(np.abs(scaled).max()), 1.0), 1e-12)
        weights = np.maximum(1.0 - (scaled / (4.685 * scale)) ** 2, 0.0) ** 2
        if np.count_nonzero(weights) < 4:
            break
        line = weighted_line(s, n, base * weights)
    inliers = weights > 0.0
    if np.count_nonzero(inliers) < 4:
        inliers = np.ones(len(s), dtype=bool)
    return inliers, line


@dataclass(frozen=True, eq=False)
class _Prediction:
    mean: Array
    covariance: Array
    slow_share: float


@dataclass(frozen=True, eq=False)
class _Nodes:
    """Points averaged in equal intervals of the span."""

    s: Array
    n: Array
    variance: Array
    """Relative variance, mean 1."""


def _nodes(s: Array, n: Array, sigma: Array, span: tuple[float, float]) -> _Nodes:
    weights = sigma**-2.0
    width = max((span[1] - span[0]) / _MAX_NODES, 1e-9)
    bins = np.clip(((s - span[0]) / width).astype(np.intp), -1, _MAX_NODES) + 1
    total = np.bincount(bins, weights, _MAX_NODES + 2)
    held = total > 0
    mean_s = np.bincount(bins, weights * s, _MAX_NODES + 2)[held] / total[held]
    mean_n = np.bincount(bins, weights * n, _MAX_NODES + 2)[held] / total[held]
    variance = 1.0 / total[held]
    return _Nodes(mean_s, mean_n, variance / variance.mean())


def _predict(s: Array, n: Array, sigma: Array, span: tuple[float, float], error_share: float) -> _Prediction:
    """Offset at the middle of the span and slope of the true edge's least-squares line, averaged over the grid."""
    length = span[1] - span[0]
    if not length > 0:
        raise ValueError("a line needs points at two different stations at least")
    nodes = _nodes(s, n, sigma, span)
    if len(nodes.s) < 5:  # too few to say anything about correlation: classic least squares, Student's widening
        return _plain_prediction(s, n, sigma)
    trend = np.column_stack([np.ones(len(nodes.s)), nodes.s])
    dense = np.linspace(span[0], span[1], 2 * _MAX_NODES)
    project = np.linalg.pinv(np.column_stack([np.ones(len(dense)), dense]))
    kernels = [_kernel(nodes, dense, project, fraction * length) for fraction in _LENGTHS]
    grid = [(kernel, share) for share in _SHARES for kernel in (kernels if share > 0 else kernels[:1])]
    log_likelihoods, means, covariances = [], [], []
    for kernel, share in grid:
        mean, cov, log_lik = _krige(nodes, trend, kernel, share, error_share)
        log_likelihoods.append(log_lik - (0.0 if share > 0 else -np.log(len(_LENGTHS))))
        means.append(mean)
        covariances.append(cov)
    weights = np.exp(np.array(log_likelihoods) - max(log_likelihoods))
    weights /= weights.sum()
    mean = weights @ np.array(means)
    apart = np.array(means) - mean
    covariance = np.einsum("g,gij->ij", weights, np.array(covariances)) + (apart.T * weights) @ apart
    return _Prediction(mean, covariance, float(weights @ np.array([share for _, share in grid])))


@dataclass(frozen=True, eq=False)
class _Kernel:
    """Correlations for one correlation length, whatever the share of the correlated part."""

    nodes: Array
    """Between nodes, (N, N)."""
    towards: Array
    """Of the true line's offset and slope with the nodes, (2, N)."""
    own: Array
    """Of offset and slope with one another, (2, 2)."""


def _kernel(nodes: _Nodes, dense: Array, project: Array, correlation_mm: float) -> _Kernel:
    return _Kernel(
        np.exp(-np.abs(nodes.s[:, None] - nodes.s) / correlation_mm),
        project @ np.exp(-np.abs(dense[:, None] - nodes.s) / correlation_mm),
        project @ np.exp(-np.abs(dense[:, None] - dense) / correlation_mm) @ project.T,
    )


def _krige(
    nodes: _Nodes, trend: Array, kernel: _Kernel, share: float, error_share: float
) -> tuple[Array, Array, float]:
    """Universal kriging of (offset, slope) for one correlation length and share; restricted log likelihood."""
    count = len(nodes.s)
    total = share * kernel.nodes + (1.0 - share) * np.diag(nodes.variance)
    lower = np.linalg.cholesky(total + 1e-9 * np.eye(count))
    shape = (1.0 - error_share) * share
    white = np.linalg.solve(lower, np.column_stack([trend, nodes.n, shape * kernel.towards.T]))
    white_trend, white_n, white_towards = white[:, :2], white[:, 2], white[:, 3:]
    normal = white_trend.T @ white_trend
    beta = np.linalg.solve(normal, white_trend.T @ white_n)
    rest = white_n - white_trend @ beta
    freedom = count - 2
    squares = max(float(rest @ rest), 1e-18)
    log_lik = -np.log(np.diag(lower)).sum() - 0.5 * np.linalg.slogdet(normal)[1] - 0.5 * freedom * np.log(squares)
    gap = np.eye(2) - white_towards.T @ white_trend
    mean = beta + white_towards.T @ rest
    relative = shape * kernel.own - white_towards.T @ white_towards + gap @ np.linalg.solve(normal, gap.T)
    variance = squares / max(freedom - 2, 1)  # Student's widening for an estimated variance
    return mean, variance * relative, float(log_lik)


def _plain_prediction(s: Array, n: Array, sigma: Array) -> _Prediction:
    line = weighted_line(s, n, sigma**-2.0)
    squares = float(np.sum(((n - line.at(s)) / sigma) ** 2))
    freedom = max(len(s) - 2, 1)
    widening = (squares / freedom) * (freedom / (freedom - 2) if freedom > 2 else 3.0)
    return _Prediction(np.array([line.intercept, line.slope]), widening * line.covariance, 0.0)


def slope_uncertainty_rad(length_mm: float, sigma_mm: float, correlation_mm: float) -> float:
    """What a stationary error of the offsets adds to the direction of a least-squares line over ``length_mm``.

    The error has standard deviation ``sigma_mm`` and exponential correlation of length ``correlation_mm``.
    """
    s = np.linspace(-0.5, 0.5, 101) * length_mm
    weights = s / (s @ s)
    correlation = np.exp(-np.abs(s[:, None] - s) / correlation_mm)
    return float(sigma_mm * np.sqrt(weights @ correlation @ weights))
