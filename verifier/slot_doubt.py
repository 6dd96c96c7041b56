"""What makes it doubtful that a traced edge is the arris: lines beside it, how the pavement goes on, its looks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from verifier.slot_continuity import CLEARLY_BROKEN, FAR_MM, Continuity
from verifier.slot_edges import Edge
from verifier.slot_pairs import TELLING_TINT, Pair, margin_mm
from verifier.slot_section import HALF_WINDOW_MM, Section, Step

SMOOTHER, MUCH_SMOOTHER = 0.58, 1.0
"""Paint keeps the relief of what it lies on; a floor that is smoother by this (natural log) was sawn; by the latter,
however bright it is."""
MOST_HIDDEN_MM = 45.0
"""How far outside the edge that light shows the arris may lie: a wall in sight, or a floor in the sun."""
DEEP_GAIN, DARK_INSIDE = 36.0, -0.5
"""What a slot must gain, and how dark it must be (natural log), to be one whose edges are no saw's."""
NEAR_PX_PER_MM = 1.0
"""Photos that show more than this were taken from near by."""
RAGGED_NEAR_MM = 0.6
"""Scatter of an edge, chips left out, that a photo from near by does not show of a sawn edge: one that is ragged both
ways all along follows pieces of the wall in the light, or stones, and no saw."""
LEAST_BLUR_PX = 0.4
"""Less than any camera blurs: a pixel alone has a standard deviation of 0.29 px, the mosaic of its colours adds as
much. What looks sharper is no step but a kink in a slope."""
FAINT_STEP, FAINT_IN_BLURS = 0.3, 0.7
"""Step of the mean cross-section (natural log of light) that hardly shows, and the scatter of a straight line there, in
units of its blur."""
THROUGHOUT = 0.85
"""Share of a strip that is as smooth as all of it is taken to be; the rest may be what lies in its blur."""
CLEAR_COST, WALL_COST = 6.0, 12.0
"""A pair of arrises must explain the cross-section by this much better than any other; or by the greater one, where
what lies outside one of them may be a wall in the light or a part of the floor."""
EVEN_COST = 2.0
"""Pairs whose costs differ by less explain the cross-section about equally well."""
CLOSE_MM = 4.0
"""Lines nearer to each other than this make the width uncertain, not the slot."""
WALL_SHARES = (0.3, 1.0)
"""Apparent width of such a wall as a share of that of one ``slot_section.DEEPEST_MM`` high."""


def unsure_edges(
    section: Section, pairs: Sequence[Pair], edges: tuple[Edge, Edge], pixels_per_mm: float
) -> frozenset[int]:
    """Sides whose edge may not be the arris.

    Args:
        section: The cross-section.
        pairs: Pairs of its steps as the two arrises, the one that was traced first.
        edges: What was traced, left and right.
        pixels_per_mm: Across the slot.
    """
    rivals = _rivals(pairs, section)
    unsure = set(rivals.inside) | set(rivals.outside)
    for edge in edges:
        side, arris = edge.trace.side, pairs[0].arris(edge.trace.side)
        hides, goes_on = _hides_arris(edge.pavement, section, pairs[0], side), _goes_on(edge.pavement)
        surely = not hides and _surely_ends(edge.pavement, rivals.outside.get(side, ()))
        if surely and side not in rivals.inside | rivals.even:
            unsure.discard(side)
        if hides or goes_on or _is_no_saws(edge, pixels_per_mm, surely) or _is_of_stones(edge, arris):
            unsure.add(side)
    return frozenset(unsure)


def _goes_on(pavement: Continuity | None) -> bool:
    """Whether the pavement is seen to go on across an edge."""
    return pavement is not None and pavement.is_whole


def _surely_ends(pavement: Continuity | None, rivals_mm: Sequence[float]) -> bool:
    """Whether the pavement ends at an edge, and is not broken at a line outside that may be the arris as well."""
    if pavement is None or pavement.left_here >= CLEARLY_BROKEN:
        return False
    return not any(abs(place - rival) < CLOSE_MM for place in pavement.breaks_mm for rival in rivals_mm)


def _hides_arris(pavement: Continuity | None, section: Section, pair: Pair, side: int) -> bool:
    """Whether a wall or a part of the floor may lie between an edge and a break of the pavement outside it."""
    if pavement is None:
        return False
    near = [place for place in pavement.breaks_mm if place < MOST_HIDDEN_MM]
    return may_hide_arris(section, pair.arris(side), side, pavement) or any(
        _may_be_floor(section, pair, side, place) for place in near
    )


def may_hide_arris(section: Section, arris: Step, side: int, pavement: Continuity) -> bool:
    """Whether what lies between an edge and the next break outside may be a wall, and the break the arris.

    A strip wider than a wall can be seen there, or coloured, is paint or tape on the pavement.
    """
    highest = section.wall_below_mm(side)
    if not pavement.breaks_mm or highest <= 0.0 or pavement.breaks_mm[0] > highest + 0.5:
        return False
    reach = (section.n_mm - arris.n_mm) * side
    strip, beyond = (reach > 0.0) & (reach < pavement.breaks_mm[0]), (reach > FAR_MM[0]) & (reach < FAR_MM[1])
    tint = section.colour[strip].mean(axis=0) - np.median(section.colour[beyond], axis=0)
    return float(np.linalg.norm(tint)) < TELLING_TINT


def _may_be_floor(section: Section, pair: Pair, side: int, outer_mm: float) -> bool:
    """Whether what lies between an edge and a line farther out may be floor in another light, and that line the arris:
    of the inside's colour, and far smoother throughout than the pavement beyond."""
    arris, margin = pair.arris(side), margin_mm(section)
    reach = (section.n_mm - arris.n_mm) * side
    inside = (reach > -pair.width_mm / 2) & (reach < -margin)
    strip = (reach > margin) & (reach < outer_mm - margin)
    beyond = (reach > outer_mm + margin) & (reach < HALF_WINDOW_MM)
    if not (inside.any() and strip.any() and beyond.any()):
        return False
    tint = np.median(section.colour[strip], axis=0) - np.median(section.colour[inside], axis=0)
    smoother = float(np.median(section.texture[beyond]) - np.quantile(section.texture[strip], THROUGHOUT))
    return float(np.linalg.norm(tint)) < TELLING_TINT / 2 and smoother > MUCH_SMOOTHER


def is_deep(pair: Pair) -> bool:
    """Whether a band is a slot whatever its edges look like: a wall shows its depth; it is dark and smooth inside, or
    much too smooth for anything that lies on this pavement."""
    plain = pair.smoother >= (SMOOTHER if pair.brighter < DARK_INSIDE else MUCH_SMOOTHER)
    return pair.foot_seen and pair.gain > DEEP_GAIN and plain


def _is_no_saws(edge: Edge, pixels_per_mm: float, surely: bool) -> bool:
    """Whether what was traced is sharper than the camera can show, or more ragged than a saw leaves it where the
    pavement does not surely end there."""
    ragged = pixels_per_mm > NEAR_PX_PER_MM and edge.path.noise_mm > RAGGED_NEAR_MM and not surely
    return ragged or edge.trace.blur_mm * pixels_per_mm < LEAST_BLUR_PX


def _is_of_stones(edge: Edge, step: Step) -> bool:
    """Whether light shows borders of stones along the edge rather than the edge.

    The mean cross-section shows hardly a step there, and the trace scatters as no straight line would behind its blur.
    """
    faint = abs(step.height) < FAINT_STEP and not edge.trace.by_texture
    return faint and edge.path.noise_mm > FAINT_IN_BLURS * edge.trace.blur_mm


@dataclass(frozen=True)
class _Rivals:
    """Sides (+1 left, -1 right) whose arris may be another line, well apart from that of the best pair."""

    inside: frozenset[int]
    """Farther in: what lies between may be paint or tape beside the slot."""
    outside: Mapping[int, tuple[float, ...]]
    """Farther out, and how far where that is known: what lies between may be a wall, or a floor in the light."""
    even: frozenset[int]
    """Those among both that explain the cross-section about as well."""


def _rivals(pairs: Sequence[Pair], section: Section) -> _Rivals:
    best = pairs[0]
    inside, outside, even = set[int](), {side: tuple[float, ...]() for side in best.wall_beyond}, set[int]()
    for other in pairs[1:]:
        for side in (1, -1):
            wall = section.wall_below_mm(side)
            out_mm = side * (other.arris(side).n_mm - best.arris(side).n_mm)
            hidden = WALL_SHARES[0] * wall < out_mm < WALL_SHARES[1] * wall
            hidden = hidden or (out_mm > CLOSE_MM and _may_be_floor(section, best, side, out_mm))
            clear = WALL_COST if hidden else CLEAR_COST
            if abs(out_mm) > CLOSE_MM and other.cost < best.cost + clear:
                if out_mm > 0.0:
                    outside[side] = (*outside.get(side, ()), out_mm)
                else:
                    inside.add(side)
                if other.cost < best.cost + EVEN_COST:
                    even.add(side)
    return _Rivals(frozenset(inside), outside, frozenset(even))


def which_line_mm(pairs: Sequence[Pair]) -> float:
    """Standard uncertainty of the width because the arris may be another line close to the best pair's.

    Prices are negative logarithms of probabilities; the mixture's standard deviation about the best.
    """
    best = pairs[0]
    apart = np.array([
        [p.left.n_mm - best.left.n_mm, p.right.n_mm - best.right.n_mm, p.cost - best.cost] for p in pairs
    ])  # fmt: skip
    close = (np.abs(apart[:, :2]) <= CLOSE_MM).all(axis=1)
    weight = np.exp(-apart[close, 2])
    off = apart[close, 0] - apart[close, 1]
    return float(np.sqrt(weight @ off**2 / weight.sum()))
