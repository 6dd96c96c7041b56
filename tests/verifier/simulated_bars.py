"""Checker corners of bars on a simulated road, made without the code under test: OpenCV's projection, own geometry.

What the adjustment's priors leave open (camera, bar length, thickness, seat, tilts, bow) is drawn from these same
priors, so that the posterior's coverage can be judged; a mishap is added on top.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from models.bar import LONG_BAR, SHORT_BAR, BarDesign, nominal_calibration
from verifier.adjustment import BAR_PARAMETERS, SLOW_ERROR_EXCESS, _Model, camera_prior
from verifier.bars import BarSighting, TagSighting, checker_corners_mm, tag_corners_mm
from verifier.photo import CaptureFacts
from verifier.plane import N_PARAMETERS, GroundPlane

Array = NDArray[np.float64]
SIZE = (4032, 3024)
FOCAL_35MM = 26.0
FACTS = CaptureFacts(focal_35mm=FOCAL_35MM)


@dataclass(frozen=True)
class Place:
    """Where a bar lies, in the frame of the first bar: lower left corner [mm] and direction [deg]."""

    design: BarDesign
    number: int
    x_mm: float = 0.0
    y_mm: float = 0.0
    direction_deg: float = 0.0


@dataclass(frozen=True)
class Seat:
    """How a bar differs from its drawing and from lying flat."""

    log_scale: float = 0.0
    face_mm: float = 3.6
    tilt_along: float = 0.0
    """Height [mm] gained per mm of length."""
    tilt_across: float = 0.0
    bow_mm: float = 0.0
    """Height of the middle above the ends."""


@dataclass(frozen=True)
class View:
    """A camera over the road: it looks at a point from a distance, ``tilt`` off straight down, along ``heading``."""

    places: tuple[Place, ...]
    target_mm: tuple[float, float]
    distance_mm: float
    tilt_deg: float
    heading_deg: float
    noise_px: float = 0.06


@dataclass(frozen=True, eq=False)
class Simulated:
    """One photo: what the adjustment gets, and the truth."""

    sightings: tuple[BarSighting, ...]
    truth: GroundPlane
    seats: tuple[Seat, ...]
    parameters: Array = field(default_factory=lambda: np.zeros(0))
    """The adjustment's whole vector at the truth."""


WIDE = View((Place(LONG_BAR, 3), Place(LONG_BAR, 8, -300.0, 650.0, 84.0)), (300.0, 350.0), 2400.0, 42.0, 70.0)
NEAR = View((Place(SHORT_BAR, 2), Place(SHORT_BAR, 9, 40.0, -160.0, 171.0)), (150.0, -60.0), 620.0, 18.0, 100.0)
NEAR_LONG = View((Place(LONG_BAR, 5), Place(LONG_BAR, 21, 30.0, -230.0, 3.0)), (500.0, -60.0), 1250.0, 25.0, 80.0)
LONE = View((Place(LONG_BAR, 5),), (500.0, -60.0), 1500.0, 35.0, 60.0)


def aimed(view: View, camera: Array) -> GroundPlane:
    """Camera (log focal, principal point, k1, k2) posed as the view says."""
    tilt, heading = math.radians(view.tilt_deg), math.radians(view.heading_deg)
    forward = np.array([math.sin(tilt) * math.cos(heading), math.sin(tilt) * math.sin(heading), -math.cos(tilt)])
    right = np.array([math.sin(heading), -math.cos(heading), 0.0])
    rotation = np.vstack([right, np.cross(forward, right), forward])
    centre = np.array([*view.target_mm, 0.0]) - view.distance_mm * forward
    pose = np.r_[cv2.Rodrigues(rotation)[0].ravel(), -rotation @ centre]
    return GroundPlane(np.r_[camera, pose], (), SIZE)


def space_points(place: Place, seat: Seat, plate_mm: Array) -> Array:
    """Points (N, 3) in the road's frame of points (N, 2) of a bar's face."""
    a = math.radians(place.direction_deg)
    turn = np.array([[math.cos(a), -math.sin(a)], [math.sin(a), math.cos(a)]])
    ground = (plate_mm * math.exp(seat.log_scale)) @ turn.T + (place.x_mm, place.y_mm)
    along, across = plate_mm[:, 0] - place.design.length_mm / 2, plate_mm[:, 1] - place.design.height_mm / 2
    bow = seat.bow_mm * (1 - (2 * along / place.design.length_mm) ** 2)
    return np.column_stack([ground, seat.face_mm + seat.tilt_along * along + seat.tilt_across * across + bow])


def project(plane: GroundPlane, space: Array) -> Array:
    """OpenCV's projection, (N, 2)."""
    focal, (_, cx, cy, k1, k2) = plane.focal_px, plane.parameters[:5]
    matrix = np.array([[focal, 0, cx], [0, focal, cy], [0, 0, 1]])
    distortion = np.array([k1, k2, 0.0, 0.0])
    pixels, _ = cv2.projectPoints(space, plane.parameters[5:8], plane.parameters[8:11], matrix, distortion)
    return np.asarray(pixels, dtype=np.float64)[:, 0]


def sighting(place: Place, seat: Seat, plane: GroundPlane, noise: Array | float = 0.0) -> BarSighting:
    """A bar as the bar finder hands it over."""
    plate = checker_corners_mm(place.design)
    pixels = project(plane, space_points(place, seat, plate)) + noise
    first = place.design.first_tag_id + place.design.tag_ids_per_bar * place.number
    tags = tuple(
        TagSighting(first + i, project(plane, space_points(place, seat, tag_corners_mm(place.design, i))))
        for i in range(len(place.design.tag_centre_x_mm))
    )
    homography = np.asarray(cv2.findHomography(plate, pixels)[0], dtype=np.float64)
    return BarSighting(place.design, place.number, tags, plate, pixels, homography, 150.0, 0.9)


def vector_at_truth(view: View, plane: GroundPlane, seats: Sequence[Seat]) -> Array:
    """The adjustment's vector: camera and pose, then eight numbers a bar."""
    bars = [
        (p.x_mm, p.y_mm, math.radians(p.direction_deg), s.log_scale, s.face_mm, s.tilt_along, s.tilt_across, s.bow_mm)
        for p, s in zip(view.places, seats, strict=True)
    ]
    return np.concatenate([plane.parameters, np.ravel(bars)])


def flat(view: View) -> Simulated:
    """The view without noise, everything as the priors expect."""
    seats = tuple(Seat() for _ in view.places)
    plane = aimed(view, camera_prior(FACTS, SIZE).mean)
    return _simulated(view, plane, seats, None)


def drawn(view: View, seed: int) -> Simulated:
    """The view with camera, bars and corner noise drawn at random."""
    rng = np.random.default_rng(seed)
    nominal = flat(view)
    calibrations = [nominal_calibration(p.design.kind, p.number) for p in view.places]
    model = _Model(nominal.sightings, calibrations, camera_prior(FACTS, SIZE))
    open_mm = [i for i in range(model.size) if model.prior_precision[i, i] > 0]
    spread = np.zeros(model.size)
    spread[open_mm] = 1 / np.sqrt(np.diag(model.prior_precision)[open_mm])
    values = model.prior_mean + spread * rng.normal(0, 1, model.size)
    seats = tuple(_seat(values[N_PARAMETERS + BAR_PARAMETERS * i + 3 :]) for i in range(len(view.places)))
    return _simulated(view, aimed(view, values[:5]), seats, rng)


def _seat(values: Array) -> Seat:
    return Seat(*(float(v) for v in values[: BAR_PARAMETERS - 3]))


def _simulated(view: View, plane: GroundPlane, seats: tuple[Seat, ...], rng: np.random.Generator | None) -> Simulated:
    bars = []
    for place, seat in zip(view.places, seats, strict=True):
        noise = _corner_noise(place.design, view.noise_px, rng) if rng is not None else 0.0
        bars.append(sighting(place, seat, plane, noise))
    return Simulated(tuple(bars), plane, seats, vector_at_truth(view, plane, seats))


def _corner_noise(design: BarDesign, noise_px: float, rng: np.random.Generator) -> Array:
    """White noise, and the excess that slow patterns along a bar have over it in photos (``SLOW_ERROR_EXCESS``)."""
    slow = slow_patterns(design)
    white = rng.normal(0, noise_px, (len(slow), 2))
    return np.asarray(white + slow @ rng.normal(0, noise_px * np.sqrt(SLOW_ERROR_EXCESS - 1), (slow.shape[1], 2)))


def slow_patterns(design: BarDesign) -> Array:
    """Orthonormal smooth functions over the corners of a bar, (N, 6)."""
    x, y = (checker_corners_mm(design) / (design.length_mm, design.height_mm) - 0.5).T
    slow, _ = np.linalg.qr(np.column_stack([np.ones_like(x), x, y, x * y, x**2, x**3]))
    return np.asarray(slow)


def with_seats(view: View, seats: tuple[Seat, ...], seed: int = 1) -> Simulated:
    """The view with these seats and corner noise, the camera as the prior expects."""
    return _simulated(view, aimed(view, camera_prior(FACTS, SIZE).mean), seats, np.random.default_rng(seed))


def zoomed(view: View, factor: float, seed: int = 1) -> Simulated:
    """The view through a lens whose focal length is ``factor`` times what EXIF says."""
    camera = camera_prior(FACTS, SIZE).mean.copy()
    camera[0] += math.log(factor)
    further = replace(view, distance_mm=view.distance_mm * min(factor, 1.2))
    seats = tuple(Seat() for _ in view.places)
    return _simulated(further, aimed(further, camera), seats, np.random.default_rng(seed))


def same_turn(vector: Array, near: Array) -> Array:
    """The rotation vector of the same rotation that lies nearest to ``near``: vectors 2 pi apart turn alike."""
    angle = float(np.linalg.norm(vector))
    axis = vector / angle
    alike = [axis * (angle + 2 * math.pi * k) for k in (-1, 0, 1)]
    return np.asarray(min(alike, key=lambda v: float(np.linalg.norm(v - near))))


def parameter_error(estimate: GroundPlane, truth: GroundPlane) -> Array:
    """Estimate less truth, (11,)."""
    true = truth.parameters.copy()
    true[5:8] = same_turn(true[5:8], estimate.parameters[5:8])
    return np.asarray(estimate.parameters - true)
