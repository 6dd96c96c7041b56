"""The finished surface: width of the sensor's top, grout on both sides of it, and what of that stands on the pavement.

Definitions: ``models.measurement.Quantity`` and the project's measurement rules. The steps are those of
``measure_surface``; each has a module of its own: ``surface_search`` (where the sensor is), ``surface_edges`` (its two
edges), ``surface_grout`` (the grout's outer boundaries), ``surface_estimates`` (numbers and their uncertainty).
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import islice

from models.measurement import Problem
from verifier.finding import Finding
from verifier.marks import MarkedFeature, Marks
from verifier.photo import Photo
from verifier.plane import Array, GroundPlane
from verifier.surface_edges import tops
from verifier.surface_estimates import SlotGap, conclude
from verifier.surface_grout import side_view, trace_sides
from verifier.surface_search import search
from verifier.surface_strip import Picture

__all__ = ["SlotGap", "measure_surface"]

MAX_TRIES = 3
NOT_FOUND = Problem(
    "sensor-not-found",
    "No sensor was found near the bar: show both edges of the sensor's top along the whole bar, "
    "lay the bar beside the sensor, and take the photo from straight above.",
)


def measure_surface(
    photo: Photo,
    plane: GroundPlane,
    outlines_mm: Sequence[Array],
    marks: Marks | None = None,
    gap: SlotGap | None = None,
    sensor_width_mm: float | None = None,
) -> Finding:
    """Measure the finished surface around a sensor in one photo.

    Args:
        photo: the photo.
        plane: its camera and pavement plane.
        outlines_mm: outlines (4, 2) of the bars in view, plane coordinates; at least one.
        marks: where a person has marked the sensor; steers the search only.
        gap: the room between sensor and slot edge; without it there is no ridge width.
        sensor_width_mm: nominal width of the sensor's top; steers the search only.

    Returns:
        Estimates with curves, or problems alone where nothing can be told.
    """
    # 1. Straight bands that could be the sensor, best first.
    mark = marks.of(MarkedFeature.SENSOR) if marks else None
    hypotheses = search(photo.colour, plane, outlines_mm, mark, sensor_width_mm)
    # 2. Those with two straight edges; the first with grout outside at least one of them is the sensor.
    picture = Picture(photo.colour, plane)
    problem = NOT_FOUND
    for top in islice(tops(picture, outlines_mm, hypotheses, sensor_width_mm), MAX_TRIES):
        # 3. The grout's outer boundary on both sides.
        views = (side_view(picture, outlines_mm, top, 1), side_view(picture, outlines_mm, top, -1))
        boundaries = trace_sides(views)
        # 4. Numbers.
        if any(boundary is not None for boundary in boundaries):
            return conclude(plane, top, boundaries, gap)
    return Finding((), (problem,))
