"""A phone's camera calibration from six or more photos of reference bars or of a chessboard.

Every bar or board in a photo is a view: a plane of its own that may lie anywhere, so that nothing need be known of
where the targets lay. Unknown: the camera (log focal length, principal point, k1, k2), common to all photos, and six
of pose a view. Views only meet in the camera, so that the normal equations are solved by elimination of the poses
(Schur). Noise is estimated view by view, corners are weighted robustly, and a view far noisier than the others goes
out by name.

Covariance: the fit's own is too small, because what the model leaves out (a board that is not flat, corners located
with a common bias) is common to the corners of a photo. So it is raised to what leaving out one photo after the other
shows (jackknife: Efron, The Jackknife, the Bootstrap and Other Resampling Plans, 1982). On top come two allowances for
later photos: a phone's lens moves when it focuses, and its stabiliser shifts the picture.

Frame: the picture as stored by the sensor, as in ``models.camera``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray

from models.camera import TURNED_QUARTER, CameraCalibration
from models.measurement import Problem
from verifier.adjustment import CORNER_FLOOR_PX, camera_prior
from verifier.bars import find_bars
from verifier.photo import CaptureFacts, Photo

Array = NDArray[np.float64]

MIN_PHOTOS = 6
MIN_TURN_DEG = 20.0
"""Targets seen from directions closer together than this do not tell focal length from distance."""
MAX_RELATIVE_FOCAL_U = 0.005
"""A calibration that is not much better than what EXIF says (3 %) is not worth keeping."""
OUTLIER_RATIO = 3.0
"""A view this many times noisier than the median view does not show the target as drawn."""
BOARD_SEARCH_PX = 1200
"""Long side of the picture in which a chessboard is looked for; its corners are measured in the full one."""
WORKING_DISTANCES_MM = (300.0, 4000.0)
"""From where photos of the work are taken."""
USUAL_FOCAL_MM = 6.0
"""Real focal length of a phone's main camera, where EXIF does not state it (common practice: 4 to 7 mm)."""
STABILISER_U = 0.002
"""Standard deviation of the principal point over the picture's width: optical stabilisers move by some tenths of a
degree in the hand (assumed; 0.3 degrees is 0.4 % of the width of a 70 degree picture)."""


@dataclass(frozen=True)
class Chessboard:
    """A chessboard by its inner corners."""

    columns: int
    """Inner corners in a row: squares less one."""
    rows: int
    square_mm: float

    def __post_init__(self) -> None:
        if min(self.columns, self.rows) < 3 or self.square_mm <= 0:
            raise ValueError("a chessboard needs 3 x 3 inner corners or more, and a square size above zero")


@dataclass(frozen=True)
class AnyBars:
    """Reference bars, of any kind and number."""


Target = Chessboard | AnyBars


@dataclass(frozen=True, eq=False)
class View:
    """One flat target in one photo."""

    photo_index: int
    """Which of the photos."""
    photo: str
    """Its name."""
    target: str
    """What is seen: ``long bar 3``, ``chessboard``."""
    points_mm: Array
    """Corners on the target, (N, 2)."""
    pixels: Array
    """The same corners in the stored picture, (N, 2)."""

    @property
    def name(self) -> str:
        """For messages."""
        return f"{self.photo} ({self.target})"


@dataclass(frozen=True, eq=False)
class CameraFit:
    """Camera and poses that fit the views best."""

    camera: Array
    """log focal length, principal point x, y [px], k1, k2; shape (5,)."""
    covariance: Array
    """Shape (5, 5), without the allowances for later photos."""
    poses: Array
    """Rotation vector and translation of each view, (V, 6)."""
    sigma_px: Array
    """Standard deviation of a corner coordinate in each view, (V,)."""
    scatter_ratio: float
    """How much larger the photos' disagreement is than the fit's own covariance, at least 1."""


@dataclass(frozen=True, eq=False)
class CalibrationRun:
    """A calibration and how it came about."""

    camera: CameraCalibration
    fit: CameraFit
    views: tuple[View, ...]
    left_out: tuple[str, ...]
    """Photos and views that were not used, each with the reason."""


def calibrate(photos: Sequence[Photo], target: Target) -> CameraCalibration | Problem:
    """The calibration that ``calibrate_with_report`` gives, alone."""
    run = calibrate_with_report(photos, target)
    return run if isinstance(run, Problem) else run.camera


def calibrate_with_report(photos: Sequence[Photo], target: Target) -> CalibrationRun | Problem:
    """Calibrate the camera that took ``photos``.

    1. All photos must be whole pictures of one camera: same make, model, lens, size, focal length and zoom.
    2. Find the target in each; a photo without it is left out with its reason.
    3. Fit; leave out views far noisier than the rest, and fit again.
    4. Refuse when the directions of view are too alike to tell focal length from distance.
    """
    mixed = _mixed_cameras(photos)
    if mixed is not None:
        return mixed
    views, left_out = _find_views(photos, target)
    fit, views, noisy = (
        _fit_without_outliers(views, photos[0]) if _photo_count(views) >= MIN_PHOTOS else (None, views, [])
    )
    left_out += noisy
    if fit is None or _photo_count(views) < MIN_PHOTOS:
        return _too_few(_photo_count(views), left_out)
    weak = _weakness(fit, _stored_size(photos[0]))
    if weak is not None:
        return weak
    camera = _as_calibration(fit, photos, views)
    return CalibrationRun(camera, fit, tuple(views), tuple(left_out))


def _photo_count(views: Sequence[View]) -> int:
    return len({v.photo_index for v in views})


def _too_few(count: int, left_out: Sequence[str]) -> Problem:
    reasons = f" Left out: {'; '.join(left_out)}." if left_out else ""
    return Problem(
        "calibration-too-few-photos",
        f"A calibration needs at least {MIN_PHOTOS} photos that show the target, there are {count}.{reasons} "
        "Take more, from different sides and tilts.",
    )


def _mixed_cameras(photos: Sequence[Photo]) -> Problem | None:
    """A problem where the photos are not of one camera in one setting, or are mirrored."""
    if not photos:
        return _too_few(0, ())
    mirrored = [p.name for p in photos if p.facts.orientation not in TURNED_QUARTER]
    if mirrored:
        return Problem(
            "calibration-mirrored", f"Mirrored pictures cannot be used: switch mirroring off ({mirrored[0]})."
        )
    first = _setting(photos[0])
    for photo in photos[1:]:
        for what, here, there in zip(_SETTING_WORDS, _setting(photo), first, strict=True):
            if here != there:
                return Problem(
                    "calibration-mixed-cameras",
                    f"{photo.name} has {what} {here}, {photos[0].name} has {there}: use photos of one camera, "
                    "with one lens, without zoom, in full size.",
                )
    return None


_SETTING_WORDS = ("make", "model", "lens", "focal length [mm]", "35 mm equivalent [mm]", "digital zoom", "size")


def _setting(photo: Photo) -> tuple[object, ...]:
    facts = photo.facts
    return (
        facts.make, facts.model, facts.lens, facts.focal_mm, facts.focal_35mm, facts.digital_zoom or 1.0,
        _stored_size(photo),
    )  # fmt: skip


def _stored_size(photo: Photo) -> tuple[int, int]:
    """Width and height as the sensor stores the picture."""
    width, height = photo.size_px
    return (height, width) if TURNED_QUARTER.get(photo.facts.orientation, 0) % 2 else (width, height)


def _find_views(photos: Sequence[Photo], target: Target) -> tuple[list[View], list[str]]:
    views: list[View] = []
    left_out: list[str] = []
    seen: set[str] = set()
    for index, photo in enumerate(photos):
        if photo.sha256 and photo.sha256 in seen:
            left_out.append(f"{photo.name}: the same photo twice")
            continue
        seen.add(photo.sha256)
        found = _board_view(index, photo, target) if isinstance(target, Chessboard) else _bar_views(index, photo)
        if isinstance(found, Problem):
            left_out.append(f"{photo.name}: {found.message.rstrip('.')}")
        else:
            views += found
    return views, left_out


def _bar_views(index: int, photo: Photo) -> list[View] | Problem:
    found = find_bars(photo)
    if isinstance(found, Problem):
        return found
    return [View(index, photo.name, b.name, b.corners_plate_mm, _as_stored(photo, b.corners_px)) for b in found.bars]


def _board_view(index: int, photo: Photo, board: Chessboard) -> list[View] | Problem:
    pixels = find_chessboard(photo.grey, board)
    if pixels is None:
        return Problem(
            "chessboard-not-found",
            f"no chessboard of {board.columns} x {board.rows} inner corners was found, whole and with a white rim",
        )
    rows, columns = np.mgrid[: board.rows, : board.columns]
    points = np.column_stack([columns.ravel(), rows.ravel()]) * board.square_mm
    return [View(index, photo.name, "chessboard", points, _as_stored(photo, pixels))]


def find_chessboard(grey: NDArray[np.uint8], board: Chessboard) -> Array | None:
    """Inner corners (rows x columns, 2) of a chessboard, row by row; None where it is not seen whole."""
    factor = min(1.0, BOARD_SEARCH_PX / max(grey.shape))
    small = grey if factor == 1.0 else cv2.resize(grey, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    size = (board.columns, board.rows)
    found, corners = cv2.findChessboardCorners(
        small, size, flags=cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE
    )
    if not found:
        found, corners = cv2.findChessboardCornersSB(small, size)
    if not found:
        return None
    # Resizing keeps the picture's outer border in place, not the centre of its first pixel.
    start = (np.asarray(corners, dtype=np.float64).reshape(-1, 2) + 0.5) / factor - 0.5
    window = _refinement_window(start.reshape(board.rows, board.columns, 2))
    refined = cv2.cornerSubPix(
        grey, start.astype(np.float32).reshape(-1, 1, 2), (window, window), (-1, -1), (3, 50, 1e-3)
    )
    return np.asarray(refined, dtype=np.float64).reshape(-1, 2)


def _refinement_window(grid: Array) -> int:
    """Half the side of the window: a third of the smallest square, lest the window hold a second corner."""
    along = np.linalg.norm(np.diff(grid, axis=1), axis=2).min()
    across = np.linalg.norm(np.diff(grid, axis=0), axis=2).min()
    return int(np.clip(min(along, across) / 3, 2, 15))


def _as_stored(photo: Photo, pixels: Array) -> Array:
    """Pixels of the displayed picture in the frame of the stored one: the rest of the four quarter turns."""
    width, height = photo.size_px
    for _ in range(-TURNED_QUARTER[photo.facts.orientation] % 4):
        pixels = np.column_stack([height - 1 - pixels[:, 1], pixels[:, 0]])
        width, height = height, width
    return pixels


def _fit_without_outliers(views: list[View], photo: Photo) -> tuple[CameraFit | None, list[View], list[str]]:
    """Fit, and drop views far noisier than the median one, until none is left; at most a third of them may go."""
    reasons: list[str] = []
    size, facts = _stored_size(photo), photo.facts
    allowed = len(views) // 3
    fit = fit_camera(views, size, facts)
    while fit is not None and len(reasons) < allowed:
        worst = int(np.argmax(fit.sigma_px))
        limit = OUTLIER_RATIO * max(float(np.median(fit.sigma_px)), 2 * CORNER_FLOOR_PX)
        if fit.sigma_px[worst] <= limit:
            break
        reasons.append(
            f"{views[worst].name}: its corners are off by {fit.sigma_px[worst]:.2f} px, those of the other photos by "
            f"{np.median(fit.sigma_px):.2f} px (target bent, blurred or partly hidden)"
        )
        views = [v for i, v in enumerate(views) if i != worst]
        fit = fit_camera(views, size, facts)
    return fit, views, reasons


def fit_camera(views: Sequence[View], size_px: tuple[int, int], facts: CaptureFacts | None = None) -> CameraFit | None:
    """Fit one camera to all views by robust least squares; None where no start converges.

    Args:
        views: two or more; corners in the stored picture.
        size_px: its width and height.
        facts: where they state a focal length, the search starts there.
    """
    bundle = _Bundle(views, size_px)
    fits = [fit for start in _starts(size_px, facts) if (fit := bundle.solve(start)) is not None]
    return min(fits, key=lambda fit: float(np.median(fit.sigma_px)), default=None)


def _starts(size_px: tuple[int, int], facts: CaptureFacts | None) -> list[Array]:
    """Cameras to start from: the EXIF one, or three focal lengths from wide to long where EXIF has none."""
    prior = camera_prior(facts or CaptureFacts(), size_px).mean
    if facts is not None and facts.focal_35mm:
        return [prior]
    starts = []
    for factor in (0.75, 1.0, 1.6):
        start = prior.copy()
        start[0] += math.log(factor)
        starts.append(start)
    return starts


@dataclass(frozen=True, eq=False)
class _State:
    """Where the search stands."""

    camera: Array
    poses: Array
    sigma_px: Array
    """Noise of each view, (V,)."""
    weights: tuple[Array, ...]
    """Of each view's corners, 0 to 1."""


class _Bundle:
    """Views of flat targets by one camera."""

    def __init__(self, views: Sequence[View], size_px: tuple[int, int]) -> None:
        self.views = views
        centred = [v.points_mm - v.points_mm.mean(axis=0) for v in views]
        self.space = [np.column_stack([p, np.zeros(len(p))]) for p in centred]
        photos = list(dict.fromkeys(v.photo_index for v in views))
        self.owner = np.array([photos.index(v.photo_index) for v in views])
        # So weak that it decides only what the photos leave open; it keeps the search within the possible.
        width, height = size_px
        centre_precision = 1 / (0.05 * max(size_px)) ** 2
        self.weak_mean = np.array([0.0, (width - 1) / 2, (height - 1) / 2, 0.0, 0.0])
        self.weak_precision = np.diag([0.0, centre_precision, centre_precision, 1 / 0.5**2, 1 / 0.5**2])

    def solve(self, camera: Array) -> CameraFit | None:
        """Reweighted Levenberg-Marquardt from ``camera``; poses are found anew once the camera is about right."""
        ones = tuple(np.ones(len(s)) for s in self.space)
        state = _State(camera, self._poses(camera), np.ones(len(self.views)), ones)
        for repeat in range(8):
            moved = self._converge(state)
            if moved is None:
                return None
            if repeat == 1:
                moved = replace(moved, poses=self._better_poses(moved))
            state = self._reweighted(moved)
        covariance, ratio = self._covariance(state)
        return CameraFit(state.camera, covariance, state.poses, state.sigma_px, ratio)

    def _poses(self, camera: Array) -> Array:
        """The better one of the two poses that a flat target allows (cv2.SOLVEPNP_IPPE), (V, 6)."""
        poses = []
        for view, space in zip(self.views, self.space, strict=True):
            _, rotations, translations, _ = cv2.solvePnPGeneric(
                space, view.pixels, _matrix(camera), _distortion(camera), flags=cv2.SOLVEPNP_IPPE
            )
            both = [np.concatenate([r.ravel(), t.ravel()]) for r, t in zip(rotations, translations, strict=True)]
            poses.append(min(both, key=partial(_pose_misfit, camera, view, space)))
        return np.array(poses)

    def _better_poses(self, state: _State) -> Array:
        """Each view's pose, or the one found afresh where that fits better (a start in the wrong one of the two)."""
        fresh = self._poses(state.camera)
        return np.array([
            min(pair, key=partial(_pose_misfit, state.camera, view, space))
            for view, space, *pair in zip(self.views, self.space, state.poses, fresh, strict=True)
        ])  # fmt: skip

    def _converge(self, state: _State) -> _State | None:
        """Levenberg-Marquardt at fixed weights; None where the cost is not finite."""
        damping, cost = 1e-3, self._cost(state)
        for _ in range(30):
            moved = self._moved(state, damping)
            new_cost = math.inf if moved is None else self._cost(moved)
            if moved is None or not new_cost <= cost:
                damping *= 10
                if damping > 1e8:
                    break
                continue
            done = cost - new_cost < 1e-10 * max(cost, 1e-12)
            state, cost, damping = moved, new_cost, max(damping / 10, 1e-12)
            if done:
                break
        return state if np.isfinite(cost) else None

    def _residuals(self, state: _State) -> list[Array]:
        """Found less computed corners of each view, (N, 2)."""
        return [
            view.pixels - _project(state.camera, pose, space)[0]
            for view, space, pose in zip(self.views, self.space, state.poses, strict=True)
        ]

    def _cost(self, state: _State) -> float:
        deviation = self.weak_mean - state.camera
        cost = float(deviation @ self.weak_precision @ deviation)
        for residual, sigma, w in zip(self._residuals(state), state.sigma_px, state.weights, strict=True):
            cost += float(np.sum(w[:, None] * residual**2)) / sigma**2
        return cost if np.isfinite(cost) else math.inf

    def _moved(self, state: _State, damping: float) -> _State | None:
        """After one damped Gauss-Newton step, the poses eliminated first."""
        schur = self.weak_precision * (1 + damping)
        right = self.weak_precision @ (self.weak_mean - state.camera)
        solved: list[Array] = []
        try:
            for b in self._blocks(state):
                damped = b.pose + damping * np.diag(np.diag(b.pose))
                solved.append(np.asarray(np.linalg.solve(damped, np.column_stack([b.mixed.T, b.pose_gradient]))))
                schur = schur + b.camera + damping * np.diag(np.diag(b.camera)) - b.mixed @ solved[-1][:, :5]
                right = right + b.camera_gradient - b.mixed @ solved[-1][:, 5]
            shift = np.linalg.solve(schur, right)
        except np.linalg.LinAlgError:
            return None
        turns = np.array([s[:, 5] - s[:, :5] @ shift for s in solved])
        return replace(state, camera=state.camera + shift, poses=state.poses + turns)

    def _blocks(self, state: _State) -> list[_Block]:
        return [
            _block(state.camera, pose, space, view.pixels, w / sigma**2)
            for view, space, pose, sigma, w in zip(
                self.views, self.space, state.poses, state.sigma_px, state.weights, strict=True
            )
        ]

    def _reweighted(self, state: _State) -> _State:
        """Noise of each view from its median residual, and Huber weights that end in zero (as in the adjustment)."""
        sigma, weights = [], []
        for residual in self._residuals(state):
            size = np.linalg.norm(residual, axis=1)
            # The median length of a two-dimensional normal deviate is 1.1774 sigma; the pose's 6 unknowns are paid for.
            spread = float(np.median(size)) / 1.1774 * math.sqrt(2 * len(size) / max(2 * len(size) - 6, 2))
            sigma.append(max(spread, CORNER_FLOOR_PX))
            ratio = size / (3.0 * sigma[-1])
            weights.append(
                np.asarray(np.where(ratio < 1, 1.0, np.where(ratio < 2.5, 1 / np.maximum(ratio, 1e-9), 0.0)))
            )
        return replace(state, sigma_px=np.array(sigma), weights=tuple(weights))

    def _covariance(self, state: _State) -> tuple[Array, float]:
        """Covariance of the camera, raised to the photos' disagreement, and by how much its roots were raised."""
        reduced, scores = self._reduced(state)
        whole = reduced.sum(axis=0) + self.weak_precision
        jackknife = _jackknife(whole, reduced, scores)
        ratio = max(1.0, float(np.trace(whole @ jackknife)) / len(state.camera))
        return np.linalg.inv(whole) * ratio, math.sqrt(ratio)

    def _reduced(self, state: _State) -> tuple[Array, Array]:
        """Normal matrices (K, 5, 5) and gradients (K, 5) of the camera that each photo adds, its poses eliminated."""
        count = int(self.owner.max()) + 1
        reduced, scores = np.zeros((count, 5, 5)), np.zeros((count, 5))
        for k, b in zip(self.owner, self._blocks(state), strict=True):
            reduced[k] += b.camera - b.mixed @ np.linalg.solve(b.pose, b.mixed.T)
            scores[k] += b.camera_gradient - b.mixed @ np.linalg.solve(b.pose, b.pose_gradient)
        return reduced, scores


def _pose_misfit(camera: Array, view: View, space: Array, pose: Array) -> float:
    return float(np.sum((_project(camera, pose, space)[0] - view.pixels) ** 2))


def _jackknife(whole: Array, reduced: Array, scores: Array) -> Array:
    """Covariance (5, 5) from leaving out one photo after the other, each refit taken as one Gauss-Newton step."""
    count = len(reduced)
    shifts = []
    for own, score in zip(reduced, scores, strict=True):
        rest = whole - own
        shifts.append(-np.linalg.solve(rest, score) if np.linalg.cond(rest) < 1e14 else np.zeros(5))
    deviations = np.array(shifts) - np.mean(shifts, axis=0)
    return np.asarray((count - 1) / count * deviations.T @ deviations)


@dataclass(frozen=True, eq=False)
class _Block:
    """What one view adds to the normal equations."""

    camera: Array
    mixed: Array
    pose: Array
    camera_gradient: Array
    pose_gradient: Array


def _block(camera: Array, pose: Array, space: Array, pixels: Array, weights: Array) -> _Block:
    predicted, to_camera, to_pose = _project(camera, pose, space)
    w = np.repeat(weights, 2)
    residual = (pixels - predicted).ravel() * w
    weighted = w[:, None] * to_camera
    return _Block(
        to_camera.T @ weighted, weighted.T @ to_pose, to_pose.T @ (w[:, None] * to_pose),
        to_camera.T @ residual, to_pose.T @ residual,
    )  # fmt: skip


def _project(camera: Array, pose: Array, space: Array) -> tuple[Array, Array, Array]:
    """Pixels (N, 2) of points on a target, and their derivatives by camera (2N, 5) and pose (2N, 6)."""
    pixels, columns = cv2.projectPoints(space, pose[:3], pose[3:], _matrix(camera), _distortion(camera))
    jacobian = np.asarray(columns, dtype=np.float64)
    # Columns: rotation 3, translation 3, fx, fy, cx, cy, k1, k2, p1, p2.
    by_log_focal = (jacobian[:, 6] + jacobian[:, 7]) * math.exp(camera[0])
    to_camera = np.column_stack([by_log_focal, jacobian[:, 8:12]])
    found = np.asarray(pixels, dtype=np.float64).reshape(-1, 2)
    return found, to_camera, jacobian[:, :6]


def _matrix(camera: Array) -> Array:
    focal = math.exp(camera[0])
    return np.array([[focal, 0, camera[1]], [0, focal, camera[2]], [0, 0, 1.0]])


def _distortion(camera: Array) -> Array:
    return np.array([camera[3], camera[4], 0.0, 0.0])


def _weakness(fit: CameraFit, size_px: tuple[int, int]) -> Problem | None:
    """A problem where the photos do not determine the camera, or its distortion makes no sense within the picture."""
    if _largest_turn_deg(fit.poses) < MIN_TURN_DEG or math.sqrt(fit.covariance[0, 0]) > MAX_RELATIVE_FOCAL_U:
        return Problem(
            "calibration-too-alike",
            "The photos look at the target from directions too alike to tell focal length from distance: "
            "tilt the phone, up to 45 degrees, to all four sides, and turn it upright and level.",
        )
    if _least_stretch(fit.camera, size_px) <= 0.2:
        return Problem(
            "calibration-corners-empty",
            "The photos do not determine the lens's distortion: take some with the target reaching into the corners.",
        )
    return None


def _largest_turn_deg(poses: Array) -> float:
    """Largest angle between the normals of two targets as the camera sees them."""
    normals = np.array([cv2.Rodrigues(p[:3])[0][:, 2] for p in poses])
    # A target may have been taken as seen from behind: a plane and its mirror image look alike.
    return math.degrees(math.acos(float(np.clip(np.abs(normals @ normals.T), 0, 1).min())))


def _least_stretch(camera: Array, size_px: tuple[int, int]) -> float:
    """Smallest derivative of the distorted by the ideal radius out to the picture's farthest corner."""
    width, height = size_px
    farthest = math.hypot(width / 2 + abs(camera[1] - width / 2), height / 2 + abs(camera[2] - height / 2))
    r2 = np.linspace(0, farthest / math.exp(camera[0]), 50) ** 2
    return float(np.min(1 + r2 * (3 * camera[3] + 5 * r2 * camera[4])))


def _as_calibration(fit: CameraFit, photos: Sequence[Photo], views: Sequence[View]) -> CameraCalibration:
    facts = photos[0].facts
    width, height = _stored_size(photos[0])
    covariance = fit.covariance + _allowances(fit, facts, max(width, height))
    camera, used = fit.camera, sorted({v.photo_index for v in views})
    return CameraCalibration(
        facts.make or "", facts.model or "", facts.lens, width, height, math.exp(camera[0]),
        (float(camera[1]), float(camera[2])), float(camera[3]), float(camera[4]),
        tuple(tuple(float(v) for v in row) for row in covariance), _photo_count(views),
        tuple(photos[i].sha256 for i in used),
    )  # fmt: skip


def _allowances(fit: CameraFit, facts: CaptureFacts, width_px: int) -> Array:
    """Covariance of what differs from one photo to the next: focusing, and the stabiliser.

    A lens of focal length f focused at distance d stands f (1 + f / d) from the sensor (thin lens, first order). Later
    photos are taken at distances between two limits, 1/d as uniform between them; the calibration's was its views'.
    """
    focal_mm = facts.focal_mm or USUAL_FOCAL_MM
    near, far = (1 / d for d in WORKING_DISTANCES_MM)
    calibrated = float(np.mean(1 / np.linalg.norm(fit.poses[:, 3:], axis=1)))
    focusing = focal_mm * math.hypot((near - far) / math.sqrt(12), (near + far) / 2 - calibrated)
    stabiliser = STABILISER_U * width_px
    return np.diag([focusing**2, stabiliser**2, stabiliser**2, 0.0, 0.0])
