"""The finished surface: width of the sensor's top, grout on both sides of it, and what of that stands on the pavement.

Definitions: ``models.measurement.Quantity`` and the project's measurement rules. The steps are those of
``measure_surface``; each has a module of its own: ``surface_search`` (where the sensor is), ``surface_edges`` and
``surface_colour`` (its two edges), ``surface_grout`` (the grout's outer boundaries), ``surface_rim`` (where on its rim
the grout ends), ``surface_litter`` (what is neither grout nor pavement), ``surface_estimates`` (numbers and their
uncertainty).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import islice

import numpy as np

from models.measurement import Problem, Quantity
from verifier.finding import Finding
from verifier.marks import MarkedFeature, Marks
from verifier.photo import Photo
from verifier.plane import Array, GroundPlane
from verifier.surface_estimates import SlotGap, conclude
from verifier.surface_face import could_be_slot, look_at_top
from verifier.surface_grout import in_sight, side_view, trace_sides
from verifier.surface_search import search
from verifier.surface_strip import Picture
from verifier.surface_top import SensorTop, is_tapered, tops

__all__ = ["SlotGap", "measure_surface"]

MAX_TRIES = 10
NOT_FOUND = Problem(
    "sensor-not-found",
    "No sensor was found near the bar: show both edges of the sensor's top along the whole bar, "
    "lay the bar beside the sensor, and take the photo from straight above.",
)

NOT_FLAT = Problem(
    "bar-not-flat",
    "The edges of the sensor are not parallel as the bar sees them: lay the bar flat on the pavement, touching "
    "it at both ends, and take the photo again.",
)
MADE_TO_MM = 1.0
"""How far a sensor's width may be off the nominal one: more than sensors are made to, and common practice allows."""
COARSE_MM = 0.9
TOO_COARSE = Problem(
    "resolution-too-low",
    "The sensor is too small in the picture for its grout to be told from the pavement: move closer, so that the bar "
    "fills a third of the picture.",
)
SLOT_LIKE = Problem(
    "wrong-kind-of-photo",
    "This could be an open slot rather than a finished surface: submit it as a slot photo, "
    "or state the sensor's nominal width and light the surface evenly.",
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
    # 2. The first with two straight edges that looks like a sensor's top in its grout.
    picture = Picture(photo.colour, plane)
    candidates = islice(tops(picture, outlines_mm, hypotheses, sensor_width_mm), MAX_TRIES)
    top = _first_sensor(picture, outlines_mm, candidates, sensor_width_mm)
    if isinstance(top, Problem):
        return Finding((), (TOO_COARSE if _is_coarse(plane, outlines_mm) else top,))
    # 3. Its edges are parallel: if not as the plane has them, the plane is wrong.
    if is_tapered(plane, top):
        return Finding((), (NOT_FLAT,))
    # 4. The grout's outer boundary on both sides.
    views = side_view(picture, outlines_mm, top, 1), side_view(picture, outlines_mm, top, -1)
    boundaries = trace_sides(views, top.skirt_mm)
    # 5. Numbers, over the length where both boundaries are in the picture.
    finding = conclude(plane, *in_sight(picture, top, boundaries), gap)
    return replace(finding, problems=(*finding.problems, *_unexpected(finding, sensor_width_mm)))


def _unexpected(finding: Finding, nominal_mm: float | None) -> Iterator[Problem]:
    """A note where the sensor's width is another than a sensor's made to ``nominal_mm`` could be.

    Sensors are made to a few tenths of a millimetre: a bar that lies higher than the pavement makes them look wider.
    """
    width = next(e for e in finding.estimates if e.quantity is Quantity.SENSOR_WIDTH)
    if nominal_mm is not None and abs(width.value - nominal_mm) > MADE_TO_MM + width.expanded_uncertainty:
        yield Problem(
            "unexpected-width",
            f"The sensor measures {width.value:.1f} mm, not the {nominal_mm:.1f} mm it should have: check that the bar "
            "lies on the pavement, on nothing else, and that the width stated is this sensor's.",
        )


def _is_coarse(plane: GroundPlane, outlines_mm: Sequence[Array]) -> bool:
    """Whether a pixel at the bars is so large that grout beside a sensor is lost in the blur of the sensor's edge."""
    middle = np.concatenate(list(outlines_mm)).mean(axis=0)[None, :]
    return bool(np.sqrt(abs(np.linalg.det(plane.pixels_per_mm(middle)[0]))) < 1.0 / COARSE_MM)


def _first_sensor(
    picture: Picture, outlines_mm: Sequence[Array], candidates: Iterable[SensorTop], nominal_mm: float | None
) -> SensorTop | Problem:
    """The first candidate that looks like a sensor's top, or why there is none."""
    for top in candidates:
        look = look_at_top(picture, outlines_mm, top)
        if look is not None and look.is_sensor:
            return SLOT_LIKE if could_be_slot(top, look, nominal_mm) else top
    return NOT_FOUND
