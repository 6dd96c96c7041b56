"""Which two steps of a cross-section are the arrises.

A cross-section runs over pavement, the slot, and pavement again. Pavement looks like the pavement beside it, in tone,
in texture and in colour, within its own scatter. What is inside the slot may look like anything, though it is not
coloured; on the pavement beside the slot there may be overlays (paint, tape: bright or coloured; slurry: dark). Every
pair of steps is tried as the two arrises, and the cross-section is explained column by column: outside as pavement
with at most two overlays on each side, inside as inside. The cheapest pair is taken; pairs that cost little more are
rivals.

Prices are like negative logarithms of probabilities. Columns nearer to each other than ``CORRELATION_MM`` tell the same
thing, so prices per column are divided by that length. The prices were set by reasoning, not fitted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray
from scipy.stats import theilslopes

from verifier.slot_section import Section, Step

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

NARROWEST_MM, WIDEST_MM = 32.0, 135.0
CORRELATION_MM = 3.0
ANYTHING = 2.7
"""Price of a column that may look like anything, above that of pavement as it usually looks."""
MOST_UNUSUAL = 6.5
"""Highest price of a column as pavement: stains and patches are not impossible."""
COLOURED_INSIDE, ALIKE_INSIDE = 4.0, 1.5
"""What it costs besides to be coloured inside a slot, or to look there just like the pavement outside."""
OVERLAY, PLAIN_OVERLAY = 2.0, 5.0
"""Price of a column as an overlay: bright or coloured, or neither."""
OVERLAY_PRICE = 6.0
"""Price of there being one."""
NARROW_MM, NARROW_PRICE = 16.0, 4.0
"""Tape and paint are not narrower than this (common practice); the saw may have left less of a painted line."""
STEP_PRICE = 4.0
"""Price of a clear step on the pavement that nothing explains."""
SOFT_BORDER_PRICE = 2.0
"""Price of a border of an overlay without a step."""
FAR_MM, FAR_WEIGHT = 60.0, 0.15
"""What lies farther than this outside an arris is little to the slot."""
WORTH_A_LOOK = 25.0
"""Pairs that cost more than this beyond the cheapest are not looked at more closely."""
WIDE_WALL_MM = 22.0
"""A wall that would be seen less wide than this is left to the steps of the cross-section."""
_LIKE, UNLIKE = np.array([0.10, 0.12, 0.12, 0.04, 0.04]), 2.2
"""By how much pavement differs from pavement beside it: tone, texture, relief, two colours; and how many times that,
over all of them, is too much for pavement."""
_LEAST_ARRIS = 0.25
"""An arris that shows by less than this (natural log of brightness, half as much of texture) may be something else."""
_DARK = -0.7
"""Darker than pavement by this (natural log) is in the shade: the wall there cannot be as bright as the pavement."""
_LEAST_SCATTER = np.array([0.12, 0.14, 0.14, 0.07, 0.07])
_MOST_SCATTER = np.array([0.35, 0.35, 0.35, 0.2, 0.2])
"""Limits of the scatter of the pavement's columns: tone, texture, relief, two colours."""
_MOST_SLOPE = 0.01
"""Most that light falls off [natural log per mm]."""
PAVEMENT_MM = 92.0
BESIDE_MM = 50.0
"""What lies farther than these from the middle is most likely pavement, overlays on it apart."""
_LEAST_PAVEMENT_MM = 8.0
TELLING_TINT = 0.25


@dataclass(frozen=True)
class Pair:
    """Two steps taken for the arrises, and what it costs to explain the cross-section that way."""

    left: Step
    right: Step
    cost: float
    gain: float
    """How much cheaper what lies between is explained as the inside of a slot than as pavement and overlays."""
    shade: float
    """Share of the inside that looks like pavement in the shade of something; 0 where the foot of a wall is seen."""
    foot_seen: bool
    """Whether the foot of a wall is seen where the camera's position puts it: no flat band shows that."""
    smoother: float
    """By how much [natural log] the inside is smoother than pavement, in texture and relief, the lesser of both."""
    brighter: float
    """By how much [natural log] the inside is brighter than the pavement."""
    wall_beyond: frozenset[int]
    """Sides (+1 left, -1 right) on which what lies outside the arris may be a wall in the light."""

    @property
    def width_mm(self) -> float:
        """Distance of the two."""
        return self.left.n_mm - self.right.n_mm

    def arris(self, side: int) -> Step:
        """The left one (side = 1) or the right one (-1)."""
        return self.left if side > 0 else self.right


@dataclass(frozen=True, eq=False)
class _Side:
    """What the pavement on one side looks like, and running sums (N + 1,) of prices over columns."""

    look: Array
    """Tone, texture, relief, two colours."""
    pavement: Array
    inside: Array
    overlay: Array


def best_pairs(section: Section, steps: Sequence[Step], nominal_mm: float | None) -> list[Pair]:
    """Pairs of steps as the two arrises, cheapest first."""
    features = _features(section)
    sides = _settled(_side(section, features, -1.0), _side(section, features, 1.0))
    if sides is None:
        return []
    outside = {
        (t.n_mm, w): _outside(section, steps, t, w, s) for t in steps for w, s in ((-1.0, sides[0]), (1.0, sides[1]))
    }
    rough = [
        _Rough(right, left, sides, _inside(section, right, left, sides) + outside[right.n_mm, -1.0]
               + outside[left.n_mm, 1.0] + _misfit(section, steps, (right, left), nominal_mm))
        for right in steps for left in steps if NARROWEST_MM <= left.n_mm - right.n_mm <= WIDEST_MM
    ]  # fmt: skip
    limit = min((r.cost for r in rough), default=0.0) + WORTH_A_LOOK
    return sorted((_looked_at(section, features, steps, r) for r in rough if r.cost < limit), key=lambda p: p.cost)


@dataclass(frozen=True, eq=False)
class _Rough:
    """A pair with the price of its columns and steps alone."""

    right: Step
    left: Step
    sides: tuple[_Side, _Side]
    cost: float


def _features(section: Section) -> Array:
    """What each column looks like, (N, 5)."""
    return np.column_stack([np.nan_to_num(section.tone), section.texture, section.relief, section.colour])


def _side(section: Section, features: Array, way: float) -> _Side | None:
    """The pavement on one side (way = 1: left); None where too little of it is in sight.

    What is farthest off is most surely pavement, but a stain or another line may lie there: the look that most of the
    side shares is taken.
    """
    n, known = section.n_mm * way, np.isfinite(section.tone)
    zones = [known & z for z in (n > PAVEMENT_MM, (n > BESIDE_MM) & (n <= PAVEMENT_MM), n < -PAVEMENT_MM)]
    least = _LEAST_PAVEMENT_MM / (section.n_mm[1] - section.n_mm[0])
    looks = [_priced_look(section, features, zone) for zone in zones if int(zone.sum()) > least]
    shared = [float(np.mean(np.diff(look.pavement)[n > BESIDE_MM] < 0.01)) for look in looks]
    return looks[int(np.argmax(shared))] if looks else None


def _priced_look(section: Section, features: Array, where: Bools) -> _Side:
    """Prices of all columns if pavement looks as it does in some of them."""
    n = section.n_mm
    look, slope = _pavement_look(n[where], features[where])
    off = features - look
    off[:, 0] -= slope * (n - float(np.mean(n[where])))
    usual = np.clip(off[where], -0.5, 0.5)
    scatter = np.maximum(np.maximum(1.4826 * np.median(np.abs(usual), axis=0), 0.7 * usual.std(axis=0)), _LEAST_SCATTER)
    # Texture and colour of the dark are those of the sensor's noise, and say nothing.
    sure = _ramp(1.5 + off[:, 0])[:, None] ** np.array([0.0, 1.0, 1.0, 1.0, 1.0])
    unusual = 0.5 * np.sum((off * sure / np.minimum(scatter, _MOST_SCATTER)) ** 2, axis=1)
    tint = np.linalg.norm(off[:, 3:], axis=1) * sure[:, 1]
    coloured = _ramp((tint - TELLING_TINT) / TELLING_TINT)
    # What is much smoother than the pavement does not lie on it, unless it is too bright to show.
    smoother = _ramp((-off[:, 1] - 1.0) / 0.5) * _ramp(1.5 - off[:, 0])
    showy = np.maximum(coloured, _ramp(off[:, 0] / 0.3) * (1.0 - smoother))
    pavement = np.clip(unusual - 2.5, 0.0, MOST_UNUSUAL)
    inside = ANYTHING + COLOURED_INSIDE * coloured + ALIKE_INSIDE * np.exp(-pavement)
    overlay = OVERLAY + (PLAIN_OVERLAY - OVERLAY) * (1.0 - showy)
    return _Side(look, *(_running(section, p) for p in (pavement, inside, overlay)))


def _pavement_look(n: Array, features: Array) -> tuple[Array, float]:
    """Median look of the rougher half of a side's columns, and the slope of their tone [1/mm], as light falls off.

    Overlays are smooth, and so is what lies in the dark.
    """
    rough = features[:, 1] + features[:, 2]
    kept = rough >= np.median(rough)
    look = np.median(features[kept], axis=0)
    slope = float(theilslopes(features[kept, 0], n[kept])[0]) if float(np.ptp(n[kept])) > 30.0 else 0.0
    slope = float(np.clip(slope, -_MOST_SLOPE, _MOST_SLOPE))
    look[0] = float(np.median(features[kept, 0] - slope * (n[kept] - n.mean())))
    return look, slope


def _settled(right: _Side | None, left: _Side | None) -> tuple[_Side, _Side] | None:
    """Both sides; one that is out of sight, or smoother than the other and brighter or of another colour (tape all
    over), is replaced."""
    if right is None or left is None:
        only = right or left
        return None if only is None else (only, only)
    dark, bright = sorted((right, left), key=lambda side: float(side.look[0]))
    brighter, smoother = bright.look[0] - dark.look[0], dark.look[1] - bright.look[1]
    if (brighter > 0.3 and smoother > 0.4) or (brighter > 0.8 and smoother > 0.15):
        return dark, dark
    rough, smooth = sorted((right, left), key=lambda side: -float(side.look[1] + side.look[2]))
    tint, rougher = np.linalg.norm(right.look[3:] - left.look[3:]), rough.look[1:3] - smooth.look[1:3]
    return (rough, rough) if tint > TELLING_TINT and float(rougher.sum()) > 0.3 else (right, left)


def _inside(section: Section, right: Step, left: Step, sides: tuple[_Side, _Side]) -> float:
    """Price of the columns inside; what lies within the blur of the arrises is neither inside nor outside."""
    skip, middle = margin_mm(section), (left.n_mm + right.n_mm) / 2
    below = _between(section.n_mm, sides[0].inside, right.n_mm + skip, middle)
    return below + _between(section.n_mm, sides[1].inside, middle, left.n_mm - skip)


def margin_mm(section: Section) -> float:
    """How far from an arris its blur reaches: what is nearer is neither inside nor outside."""
    return 0.5 + 1.5 * section.blur_mm


def _between(n: Array, running: Array, low: float, high: float) -> float:
    first, last = np.searchsorted(n, (low, high))
    return float(running[max(last, first)] - running[first])


def _outside(section: Section, steps: Sequence[Step], arris: Step, way: float, side: _Side) -> float:
    """Cheapest price of what lies outside an arris, going outward: pavement with at most two overlays on it."""
    n, skip = section.n_mm * way, margin_mm(section)
    outward = np.flatnonzero(n > arris.n_mm * way + skip)[:: 1 if way > 0 else -1]
    reach = n[outward] - arris.n_mm * way
    pavement = np.diff(side.pavement)[outward] * np.where(reach < FAR_MM, 1.0, FAR_WEIGHT)
    overlay = np.diff(side.overlay)[outward] * np.where(reach < FAR_MM, 1.0, FAR_WEIGHT)
    places = [((t.n_mm - arris.n_mm) * way, _clearness(t)) for t in steps]
    within = [(place, clearness) for place, clearness in places if skip < place < FAR_MM]
    return _with_overlays(pavement, overlay, _crossings(within, reach, section.blur_mm), reach)


def _crossings(steps: Sequence[tuple[float, float]], reach: Array, blur_mm: float) -> Array:
    """Clearness of the steps (place, clearness) at columns (N,); of those close together only the clearest counts."""
    crossed = np.zeros(len(reach))
    for place, clearness in steps:
        if all(c < clearness or p == place for p, c in steps if abs(p - place) < 3.0 + 3.0 * blur_mm):
            crossed[min(int(np.searchsorted(reach, place)), len(reach) - 1)] = clearness
    return crossed


def _with_overlays(pavement: Array, overlay: Array, crossed: Array, reach: Array) -> float:
    """Least price of columns (N,) as pavement or overlays; ``crossed``: clearness of a step at each column.

    A step in the midst of pavement or of an overlay wants an explanation; where an overlay begins or ends, it has one,
    and a border without a step wants one instead.
    """
    on_pavement = np.concatenate([[0.0], np.cumsum(pavement + STEP_PRICE * crossed)])
    on_overlay = np.concatenate([[0.0], np.cumsum(overlay + OVERLAY_PRICE * crossed)])
    at, steps = np.append(reach, reach[-1] if len(reach) else 0.0), np.append(crossed, 0.0)
    soft = SOFT_BORDER_PRICE * (1.0 - steps)
    soft[0] = soft[-1] = 0.0
    before = on_pavement
    for _ in range(2):
        begun = before - on_overlay + OVERLAY_PRICE + soft - OVERLAY_PRICE * steps
        best = np.minimum.accumulate(begun)
        first = np.maximum.accumulate(np.where(begun <= best, np.arange(len(begun)), 0))
        narrow = NARROW_PRICE * np.clip(1.0 - (at - at[first]) / NARROW_MM, 0.0, 1.0)
        ended = best + on_overlay - on_pavement + soft - STEP_PRICE * steps + narrow
        before = np.minimum(before, np.minimum.accumulate(ended) + on_pavement)
    return float(before[-1])


def _clearness(step: Step) -> float:
    """How clear a step is, 0 ... 1."""
    return min(max(abs(step.height) / 0.6 + abs(step.texture) / 1.2 - 0.2, 0.0), 1.0)


def _flush(section: Section, steps: Sequence[Step], pair: tuple[Step, Step], sides: tuple[_Side, _Side]) -> float:
    """Cheapest price of what lies between two steps as pavement and overlays: as if there were no slot."""
    right, left = pair
    skip = margin_mm(section)
    within = np.flatnonzero((section.n_mm > right.n_mm + skip) & (section.n_mm < left.n_mm - skip))
    if not len(within):
        return 0.0
    reach = section.n_mm[within] - right.n_mm
    pavement, overlay = (
        np.minimum(*(np.diff(running)[within] for running in runs))
        for runs in ((sides[0].pavement, sides[1].pavement), (sides[0].overlay, sides[1].overlay))
    )
    inner = [(t.n_mm - right.n_mm, _clearness(t)) for t in steps if right.n_mm + skip < t.n_mm < left.n_mm - skip]
    crossed = _crossings(inner, reach, section.blur_mm)
    # The two edges are explained as the borders of overlays, or else want an explanation as well.
    bare = _with_overlays(pavement, overlay, crossed, reach)
    ends = STEP_PRICE * (_clearness(right) + _clearness(left))
    covered = OVERLAY_PRICE + float(np.sum(overlay + OVERLAY_PRICE * crossed))
    return min(bare + ends, covered)


def _misfit(section: Section, steps: Sequence[Step], pair: tuple[Step, Step], nominal_mm: float | None) -> float:
    """Price of steps that are not sharp, hardly there or beside a clearer one, and of a width far from the plan's."""
    price = 0.0
    for arris in pair:
        price += 6.0 * max(0.0, arris.rise_mm / (2.6 * section.blur_mm + 0.8) - 1.0)
        price += 3.0 * max(0.0, 1.5 - abs(arris.height) / 0.4 - abs(arris.texture) / 0.8)
        price += 15.0 * max(0.0, 0.9 - arris.agreement)
        price += 5.0 * _outdone(section, steps, arris)
    width = pair[1].n_mm - pair[0].n_mm
    return price if nominal_mm is None else price + 0.5 * min(((width - nominal_mm) / 4.0) ** 2, 25.0)


def _outdone(section: Section, steps: Sequence[Step], arris: Step) -> float:
    """By how much, 0 ... 1, another step so near that both may be parts of one rise is the greater."""
    near = [abs(t.height) for t in steps if abs(t.n_mm - arris.n_mm) < 1.5 + 3.0 * section.blur_mm]
    return 1.0 - abs(arris.height) / max(near) if max(near) > 0.3 else 0.0


def _looked_at(section: Section, features: Array, steps: Sequence[Step], rough: _Rough) -> Pair:
    """One pair with what the walls say for and against it."""
    right, left, sides = rough.right, rough.left, rough.sides
    feet = [
        _foot(section, steps, arris, inward, side)
        for arris, inward, side in ((left, -1.0, sides[1]), (right, 1.0, sides[0]))
    ]
    cost = rough.cost + sum(_FOOT_PRICE[f] for f in feet)
    seen = Foot.SEEN in feet or Foot.CLEAR in feet
    shade = 0.0 if seen else _shade(section, right, left, sides)
    gain = _flush(section, steps, (right, left), sides) - _inside(section, right, left, sides) + rough.cost - cost
    smoother, brighter = _against_pavement(section, right, left, sides)
    beyond = frozenset(s for s, a in ((1, left), (-1, right)) if _wall_beyond(section, features, a, s))
    return Pair(left, right, cost, gain, shade, seen, smoother, brighter, beyond)


class Foot(Enum):
    """The foot of the wall below an arris."""

    HIDDEN = "cannot be told, or need not be seen"
    SEEN = "seen where it must be"
    CLEAR = "clearly seen where it must be"
    MISSING = "ought to be seen and is not"


_FOOT_PRICE = {Foot.HIDDEN: 0.0, Foot.SEEN: -2.0, Foot.CLEAR: -3.0, Foot.MISSING: 4.0}
"""What the foot of a wall, seen where the camera's position puts it, speaks for a pair."""


def _foot(section: Section, steps: Sequence[Step], arris: Step, inward: float, side: _Side) -> Foot:
    """Whether the wall below an arris is told from the floor, as it ought to be where light falls on it."""
    n, highest = section.n_mm, section.wall_below_mm(-1 if inward > 0 else 1)
    if 0.35 * highest < 0.8 + 1.5 * section.blur_mm:
        return Foot.HIDDEN
    if abs(arris.height) < _LEAST_ARRIS and abs(arris.texture) < 2.0 * _LEAST_ARRIS:
        return Foot.MISSING
    feet = [t for t in steps if 0.3 * highest - 0.5 < (t.n_mm - arris.n_mm) * inward < 1.1 * highest + 0.5]
    if any(abs(t.height) > 0.5 for t in feet):
        return Foot.CLEAR
    if any(abs(t.height) > 0.1 for t in feet):
        return Foot.SEEN
    if any(t.height * inward < -0.5 and 0.0 < (t.n_mm - arris.n_mm) * inward < 0.3 * highest for t in steps):
        return Foot.HIDDEN  # light grazes the upper part of the wall; the rest is in the shade
    reach = (n - arris.n_mm) * inward
    beside = (reach > margin_mm(section)) & (reach < 3.0 + 1.5 * section.blur_mm)
    return Foot.HIDDEN if float(np.median(section.tone[beside]) - side.look[0]) < _DARK else Foot.MISSING


def _shade(section: Section, right: Step, left: Step, sides: tuple[_Side, _Side]) -> float:
    """Share of the inside that looks like pavement in the shade: darker, with the same relative texture.

    The border of a shadow is as wide as the lamp or the sun seems from there: one that is as sharp as the picture is
    thrown by something on the pavement itself.
    """
    n, sharp = section.n_mm, 2.6 * section.blur_mm + 0.8
    inside = (n > right.n_mm + 1.5 * section.blur_mm) & (n < left.n_mm - 1.5 * section.blur_mm)
    if not inside.any() or min(right.rise_mm, left.rise_mm) < sharp:
        return 0.0
    tone = section.tone[inside] - min(side.look[0] for side in sides)
    other = np.min([np.abs(section.texture[inside] - side.look[1]) for side in sides], axis=0)
    return float(np.mean((other < 0.3) & (tone < -0.25) & (tone > -1.4)))


def _against_pavement(section: Section, right: Step, left: Step, sides: tuple[_Side, _Side]) -> tuple[float, float]:
    """By how much the inside is smoother than pavement, and brighter."""
    inside = (section.n_mm > right.n_mm + 2.0) & (section.n_mm < left.n_mm - 2.0)
    usual = (sides[0].look + sides[1].look) / 2
    tone, texture, relief = (float(np.median(x[inside])) for x in (section.tone, section.texture, section.relief))
    return float(min(usual[1] - texture, usual[2] - relief)), float(tone - usual[0])


def _wall_beyond(section: Section, features: Array, arris: Step, side: int) -> bool:
    """Whether what lies outside an arris, as far as a wall there would be seen, differs from the pavement beyond.

    Then it may be the wall, in the light and much like pavement, and what is taken for the arris its foot. What is
    coloured is not.
    """
    wall, n = section.wall_below_mm(side), (section.n_mm - arris.n_mm) * side
    skip, least = margin_mm(section), 3.0 / (section.n_mm[1] - section.n_mm[0])
    if wall < WIDE_WALL_MM:
        return False
    for width in np.linspace(0.35, 0.95, 9) * wall:
        strip, beyond = features[(n > skip) & (n < width - skip / 2)], features[(n > width + skip) & (n < width + 30.0)]
        if min(len(strip), len(beyond)) < least:
            continue
        change = strip.mean(axis=0) - beyond.mean(axis=0)
        usual = np.hypot(_LIKE, 0.5 * np.sqrt(strip.var(axis=0) + beyond.var(axis=0)))
        if float(np.linalg.norm(change / usual)) > UNLIKE and float(np.linalg.norm(change[3:])) < TELLING_TINT:
            return True
    return False


def _running(section: Section, price: Array) -> Array:
    """Running sum over columns of a price per independent column."""
    cell = float(section.n_mm[1] - section.n_mm[0])
    return np.concatenate([[0.0], np.cumsum(price) * cell / CORRELATION_MM])


def _ramp(x: Array) -> Array:
    return np.asarray(np.clip(x, 0.0, 1.0))
