"""The exit hole: where it is, how wide, how steep, and how deep the conduit lies.

Common practice, to be overruled by the plan: about 18 in from the pavement's edge, about 1 1/2 in in diameter, some
1 in straight down and then at 45 degrees or less, the conduit's top at least 4 in below the surface.
"""

from __future__ import annotations

from collections.abc import Sequence

from models.measurement import Quantity
from models.plan import Plan
from models.readings import Reading, ReadingKind
from verifier.repeated import simple, together
from verifier.worked import Worked

QUANTITIES = {
    ReadingKind.HOLE_EDGE_DISTANCE: Quantity.HOLE_EDGE_DISTANCE,
    ReadingKind.HOLE_LINE_OFFSET: Quantity.HOLE_LINE_OFFSET,
    ReadingKind.HOLE_DIAMETER: Quantity.HOLE_DIAMETER,
    ReadingKind.DRILL_ANGLE: Quantity.DRILL_ANGLE,
    ReadingKind.CONDUIT_COVER: Quantity.CONDUIT_COVER,
}
"""Each is the reading itself: distances in mm, the angle in degrees from the vertical."""


def exit_hole(plan: Plan, readings: Sequence[Reading]) -> Worked:
    """Every quantity of the exit hole that was read."""
    return together(*(simple(plan, readings, kind, quantity) for kind, quantity in QUANTITIES.items()))
