"""Whether a straight band of the pavement is the top of a sensor in its grout, or a slot, a painted line, a lane line.

What a sensor shows and the others do not, all along its length: a smooth face that does not look like pavement; right
beside it, on both sides, the same smooth stuff, which does not look like pavement either. An open slot, which can show
a lit wall on each side of its floor, is a hollow and darker than the pavement around it, and its floor is seldom as
straight as a sensor.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from verifier.plane import Array
from verifier.surface_materials import Patch, discriminant, patch
from verifier.surface_strip import Picture, Samples
from verifier.surface_top import STATION_MM, SensorTop

MARGIN_MM = 3.0
"""Left out of the face along its edges: chamfer, glint, blur."""
BESIDE_MM = np.array([0.25, 0.75, 1.25, 1.75])
"""Distances at which grout must show, from where the blur of the sensor's edge ends."""
PAVEMENT_MM = np.arange(52.0, 100.0, 4.0)
"""Distances from the sensor's edge at which pavement shows."""
PIECE_MM = 25.0
COUNT = 2000
"""Cells of each material that are compared: for a yes or no, fewer will do."""


@dataclass(frozen=True)
class TopLook:
    """What a band and its surroundings look like."""

    face_separation: float
    """Probability that a cell of the face looks more like the face than a cell of pavement does."""
    face_consistency: float
    """Share of the pieces along the axis that look like the face rather than like pavement."""
    face_lightness: float
    """Logarithm of how much lighter the face is than pavement."""
    grout_lightness: float
    """The same for what lies right beside the face, on the lighter side."""
    grout_separation: tuple[float, float]
    """As ``face_separation``, for what lies right beside the face on the left and on the right."""
    grout_difference: tuple[float, float]
    """Between what lies beside the face on the left and on the right: in lightness, in colour (log ratios)."""
    roughness: float
    """How much rougher than may be the face is (log ratio); negative: it is smooth enough."""

    @property
    def is_sensor(self) -> bool:
        """Whether all of it speaks for a sensor's top in its grout."""
        return (
            self.face_separation > 0.85
            and self.face_consistency > 0.9
            and min(self.grout_separation) > 0.85
            and self.grout_difference[0] < 1.6
            and self.grout_difference[1] < 0.2
            and self.roughness < 0.0
        )


DARK, VERY_DARK = -0.3, -1.0
"""Lightness against pavement below which a band could be a hollow (log ratio)."""
STRAIGHT_MM = 0.15
"""Scatter of blocks about a straight edge that a sensor, made in one piece, stays below on most photos."""


def could_be_slot(top: SensorTop, look: TopLook, nominal_mm: float | None) -> bool:
    """Whether an open slot could look like this: very dark inside, or dark with dark walls and sawn rather than made.

    A width within ``NOMINAL_MM`` of the sensor's speaks for the sensor: a slot is wider by its gaps.
    """
    if nominal_mm is not None and abs(top.width_mm - nominal_mm) < NOMINAL_MM:
        return False
    sawn = max(top.left.scatter_mm, top.right.scatter_mm) > STRAIGHT_MM
    return look.face_lightness < VERY_DARK or (sawn and max(look.face_lightness, look.grout_lightness) < DARK)


NOMINAL_MM = 1.5
"""How near a width must be to the sensor's nominal one to speak for it."""
SMOOTH = -2.0
"""Texture (see ``surface_materials``) below which anything counts as smooth, whatever the pavement is like."""
SMOOTHER = 0.3
"""By how much smoother than rough pavement the face must be (log ratio); grout may be rough, in a raking light."""


def look_at_top(picture: Picture, outlines_mm: Sequence[Array], top: SensorTop) -> TopLook | None:
    """Compare the face, what is beside it, and pavement further off; None where too little of them is in sight."""
    face = _patch(picture, outlines_mm, top, np.arange(MARGIN_MM - top.width_mm / 2, top.width_mm / 2 - MARGIN_MM, 2.0))
    half = top.width_mm / 2
    beside = [_patch(picture, outlines_mm, top, side * (half + top.skirt_mm + BESIDE_MM)) for side in (1, -1)]
    far = [_patch(picture, outlines_mm, top, side * (half + PAVEMENT_MM)) for side in (1, -1)]
    pavement = np.concatenate([f.sample(f.usable, COUNT) for f in far])
    grout = [b.sample(b.usable, COUNT) for b in beside]
    if len(pavement) < 500 or min(len(g) for g in grout) < 100 or face.usable.mean() < 0.5:
        return None
    model = discriminant(face.sample(face.usable, COUNT), pavement)
    texture = float(np.median(face.sample(face.usable, COUNT)[:, 3]))
    limit = max(float(np.median(pavement[:, 3])) - SMOOTHER, SMOOTH)
    return TopLook(
        face_separation=model.separation,
        face_consistency=_consistency(face, model(face.features)),
        face_lightness=float(np.median(face.features[face.usable][:, 0]) - np.median(pavement[:, 0])),
        grout_lightness=max(float(np.median(g[:, 0])) for g in grout) - float(np.median(pavement[:, 0])),
        grout_separation=(discriminant(grout[0], pavement).separation, discriminant(grout[1], pavement).separation),
        grout_difference=_difference(*beside),
        roughness=texture - limit,
    )


def _difference(left: Patch, right: Patch) -> tuple[float, float]:
    """Difference in lightness and in colour at the same stations: a shadow that crosses both does not count."""
    both = left.usable.all(axis=1) & right.usable.all(axis=1)
    if both.sum() < 20:
        return 0.0, 0.0
    off = np.median(left.features[both].mean(axis=1) - right.features[both].mean(axis=1), axis=0)
    return float(abs(off[0])), float(np.hypot(off[1], off[2]))


def _patch(picture: Picture, outlines_mm: Sequence[Array], top: SensorTop, n_mm: Array) -> Patch:
    return patch(picture, outlines_mm, top.axis, top.s_mm, n_mm)


def _consistency(face: Patch, ratio: Samples) -> float:
    """Share of the pieces of ``PIECE_MM`` in which the face's evidence is positive on the whole."""
    evidence = np.where(face.usable, ratio, np.float32(0.0))
    count = max(int(len(evidence) * STATION_MM / PIECE_MM), 1)
    return float(np.mean([piece.mean() > 0 for piece in np.array_split(evidence, count)]))
