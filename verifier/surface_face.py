"""Whether a straight band of the pavement is the top of a sensor in its grout, or a slot, a painted line, a lane line.

What a sensor shows and the others do not, all along: a face that does not look like pavement, and on both sides, right
beside it, something that looks neither like pavement. An open slot can show its lit walls on both sides; but a slot
is a hollow and is darker than the pavement around it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from verifier.plane import Array
from verifier.surface_edges import STATION_MM, SensorTop
from verifier.surface_materials import Patch, discriminant, patch
from verifier.surface_strip import Picture, Samples

MARGIN_MM = 3.0
"""Left out of the face along its edges: chamfer, glint, blur."""
PIECE_MM = 25.0


@dataclass(frozen=True)
class FaceLook:
    """What the face between the two edges looks like against the pavement far from it."""

    separation: float
    """Probability that a cell of the face looks more like the face than a cell of pavement does."""
    consistency: float
    """Share of the pieces along the axis that look like the face rather than like pavement."""
    brightness: float
    """Logarithm of how much lighter the face is than the pavement (medians)."""


def look_at_face(picture: Picture, outlines_mm: Sequence[Array], top: SensorTop, pavement: Samples) -> FaceLook:
    """Compare the face with samples (N, 4) of the pavement's features."""
    face = _face(picture, outlines_mm, top)
    model = discriminant(face.sample(face.usable), pavement)
    size = int(PIECE_MM / STATION_MM)
    ratio = np.where(face.usable, model(face.features), np.float32(0.0))
    count = max(len(ratio) // size, 1)
    pieces = np.array([piece.mean() for piece in np.array_split(ratio, count)])
    brightness = np.median(face.features[face.usable][:, 0]) - np.median(pavement[:, 0])
    return FaceLook(model.separation, float((pieces > 0).mean()), float(brightness))


def _face(picture: Picture, outlines_mm: Sequence[Array], top: SensorTop) -> Patch:
    half = top.width_mm / 2 - MARGIN_MM
    return patch(picture, outlines_mm, top.axis, top.s_mm, np.arange(-half, half, 1.5))
