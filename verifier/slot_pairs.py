"""Which two steps of a cross-section are the arrises.

A cross-section runs over pavement, the slot, and pavement again. Pavement is rough, with the tone of its surroundings;
on it may lie overlays (tape, paint: bright or coloured). Inside the slot it is dark, or, where light falls on a wall or
on a dry floor, smoother than pavement. On the side away from the camera a wall may be seen that light strikes squarely
and that is brighter than the pavement, but only as far inward as the slot is deep; on the camera's side no wall can be
seen.

Every pair of sharp steps is tried as the two arrises. Each column costs what it takes to explain it as what the pair
makes of it; the cheapest pair is taken, and pairs that cost nearly as little are kept as rivals. Prices are like
negative logarithms of probabilities per mm; they were set by reasoning, not fitted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from verifier.slot_section import Section, Step

Array = NDArray[np.float64]

NARROWEST_MM, WIDEST_MM = 32.0, 135.0
LIT_WALL_PRICE = 7.0
UPPER_WALL_PRICE = 4.0
"""For a bright strip inside an arris that is narrower than a whole wall: light must graze the other arris for that."""
MARGIN_PRICE = 5.0
"""For leaving outside a narrow darker margin that ends in a sharp step to pavement: nothing on a pavement does."""
NARROW_STRIP_PRICE = 7.0
NARROWEST_STRIP_MM = 16.0
"""Tape and paint are not narrower than this (common practice); a bright strip that is, is more likely a lit wall."""
FAR_MM = 45.0
"""What lies farther than this from an arris is surely not inside the slot."""
BESIDE_MM = 25.0
"""How far beside the arrises it must look like pavement; what lies farther off is nothing to the slot."""
_LEAST_ARRIS = 0.25
"""An arris that shows by less than this (natural log of brightness, half as much of texture) may be something else."""
_DARK = -0.7
"""Darker than pavement by this (natural log) is in the shade: the wall there cannot be as bright as the pavement."""


@dataclass(frozen=True)
class Pair:
    """Two steps taken for the arrises, and what it costs to explain the cross-section that way."""

    left: Step
    right: Step
    cost: float
    gain: float
    """How much cheaper this explains the cross-section than no slot at all."""
    shade: float
    """Share of the inside that looks like pavement in the shade of something; 0 where the foot of a wall is seen."""
    strips: tuple[bool, bool]
    """Whether a bright strip that might be a wall in the light lies directly outside the left and the right step."""
    foot_seen: bool
    """Whether the foot of a wall is seen where the camera's position puts it: no flat band shows that."""
    doubtful: bool
    """Light falls on what lies just inside the arris away from the camera, yet no foot of a wall is to be seen there:
    what is taken for the arris may be the foot of a wall that is as bright as the pavement."""

    @property
    def width_mm(self) -> float:
        """Distance of the two."""
        return self.left.n_mm - self.right.n_mm


@dataclass(frozen=True, eq=False)
class _Prices:
    """Running sums (N + 1,) over columns of what it costs to explain each, for one look of the pavement."""

    look: _Look
    inside: Array
    wall: Array
    outside: Array
    familiar: Array
    """Squared distance (N,) of each column to the most similar one of this side."""

    def outside_and_any(self, other: _Prices, extra: Array) -> tuple[Array, Array]:
        """Running prices outside and of the cheapest explanation whatever it be.

        Pavement may also look as on the other side, at a small price, and what is found on both sides of the slot (the
        grooves of tined concrete) is pavement.
        """
        outside = np.minimum(np.diff(self.outside), np.diff(other.outside) + extra)
        both = 2.0 * extra + 0.5 * np.maximum(self.familiar, other.familiar) * extra / 0.15
        outside = np.minimum(outside, both)
        anything = np.minimum(outside, np.diff(self.inside))
        return tuple(np.concatenate([[0.0], np.cumsum(cost)]) for cost in (outside, anything))  # type: ignore[return-value]


def best_pairs(section: Section, steps: Sequence[Step], nominal_mm: float | None) -> list[Pair]:
    """Pairs of steps as the two arrises, cheapest first."""
    n, weight = section.n_mm, _weights(section.n_mm, steps)
    below = [_priced_look(section, n < t.n_mm - 4.0, n < t.n_mm - FAR_MM, weight) for t in steps]
    above = [_priced_look(section, n > t.n_mm + 4.0, n > t.n_mm + FAR_MM, weight) for t in steps]
    pairs = []
    for right, beyond_right in zip(steps, below, strict=True):
        for left, beyond_left in zip(steps, above, strict=True):
            looks = _without_overlay(beyond_right, beyond_left)
            if NARROWEST_MM <= left.n_mm - right.n_mm <= WIDEST_MM and looks is not None:
                pairs.append(_priced(_Scene(section, steps, weight), right, left, looks, nominal_mm))
    return sorted(pairs, key=lambda p: p.cost)


@dataclass(frozen=True, eq=False)
class _Scene:
    """A cross-section with its steps and the weights of its columns."""

    section: Section
    steps: Sequence[Step]
    weight: Array


def _priced(scene: _Scene, right: Step, left: Step, looks: tuple[_Prices, _Prices], nominal_mm: float | None) -> Pair:
    """One pair with its price and with what speaks for and against it."""
    section, steps = scene.section, scene.steps
    sides = ((left, 1.0, looks[1]), (right, -1.0, looks[0]))
    feet = [_foot(section, steps, arris, -outward, look) for arris, outward, look in sides]
    strips = [_bright_strip_mm(section, steps, *side) for side in sides]
    cost, nothing = _cost(scene, right, left, *looks)
    cost += _misfit(section, right, left, nominal_mm)
    cost += NARROW_STRIP_PRICE * sum(width < NARROWEST_STRIP_MM for width in strips)
    doubtful = [w < max(NARROWEST_STRIP_MM, 1.1 * wall) for w, wall in zip(strips, section.wall_mm, strict=True)]
    cost += MARGIN_PRICE * sum(_margin_left_over(section, steps, *side) for side in sides)
    cost += UPPER_WALL_PRICE * sum(_lit_upper_wall(section, steps, a, -outward, p) for a, outward, p in sides)
    cost += LIT_WALL_PRICE * feet.count(Foot.MISSING) - sum(_FOOT_SAVING.get(f, 0.0) for f in feet)
    seen = Foot.SEEN in feet or Foot.CLEAR in feet
    shade = 0.0 if seen else _shade(section, right, left, looks)
    return Pair(left, right, cost, nothing - cost, shade, (doubtful[0], doubtful[1]), seen, Foot.MISSING in feet)


def _bright_strip_mm(section: Section, steps: Sequence[Step], arris: Step, outward: float, prices: _Prices) -> float:
    """Width of a bright, uncoloured strip that lies directly outside an arris; infinite where there is none."""
    reach = [(t.n_mm - arris.n_mm) * outward for t in steps if t.height * outward < -0.25]
    width = min((r for r in reach if r > 1.0 + 2.0 * section.blur_mm), default=np.inf)
    at = (section.n_mm - arris.n_mm) * outward
    strip = (at > 0.3 * width) & (at < 0.7 * width)
    if not np.isfinite(width) or not strip.any():
        return float(np.inf)
    tint = float(np.linalg.norm(np.median(section.colour[strip], axis=0) - prices.look.colour))
    bright = float(np.median(section.tone[strip])) - prices.look.tone > 0.2
    return float(width) if bright and tint < 0.4 else float(np.inf)


def _margin_left_over(section: Section, steps: Sequence[Step], arris: Step, outward: float, prices: _Prices) -> bool:
    """Whether a narrow strip outside an arris ends in a sharp rise to pavement as it usually looks."""
    n = section.n_mm
    for step in steps:
        reach = (step.n_mm - arris.n_mm) * outward
        if not 1.0 + 2.0 * section.blur_mm < reach < NARROWEST_STRIP_MM or step.agreement < 0.85:
            continue
        beyond = ((n - step.n_mm) * outward > 0.5 + 1.5 * section.blur_mm) & ((n - step.n_mm) * outward < 8.0)
        if step.height * outward > 0.12 and abs(float(np.median(section.tone[beyond])) - prices.look.tone) < 0.25:
            return True
    return False


def _lit_upper_wall(section: Section, steps: Sequence[Step], arris: Step, inward: float, prices: _Prices) -> bool:
    """Whether a bright strip lies inside an arris that is narrower than the wall must be there."""
    n, highest = section.n_mm, section.wall_mm[0 if inward < 0 else 1]
    reach = [(t.n_mm - arris.n_mm) * inward for t in steps if t.height * inward < -0.4]
    width = min((r for r in reach if r > 1.0 + 2.0 * section.blur_mm), default=np.inf)
    if width > 0.3 * highest:
        return False
    at = (n - arris.n_mm) * inward
    strip = (at > 0.3 * width) & (at < 0.7 * width)
    return bool(strip.any()) and float(np.median(section.tone[strip])) - prices.look.tone > 0.3


class Foot(Enum):
    """The foot of the wall below an arris."""

    HIDDEN = "cannot be told, or need not be seen"
    SEEN = "seen where it must be"
    CLEAR = "clearly seen where it must be"
    MISSING = "ought to be seen and is not"


_FOOT_SAVING = {Foot.SEEN: 3.0, Foot.CLEAR: 5.0}
"""What the foot of a wall, seen where the camera's position puts it, speaks for a pair."""


def _foot(section: Section, steps: Sequence[Step], arris: Step, inward: float, prices: _Prices) -> Foot:
    """Whether the wall below an arris is told from the floor, as it ought to be where light falls on it."""
    n, highest = section.n_mm, section.wall_mm[0 if inward < 0 else 1]
    if 0.35 * highest < 0.8 + 1.5 * section.blur_mm:
        return Foot.HIDDEN
    if abs(arris.height) < _LEAST_ARRIS and abs(arris.texture) < 2.0 * _LEAST_ARRIS:
        return Foot.MISSING
    feet = [t for t in steps if 0.3 * highest - 0.5 < (t.n_mm - arris.n_mm) * inward < 1.1 * highest + 0.5]
    if any(abs(t.height) > 0.5 for t in feet):
        return Foot.CLEAR
    if any(abs(t.height) > 0.1 for t in feet):
        return Foot.SEEN
    reach = (n - arris.n_mm) * inward
    beside = (reach > 0.5 + 1.5 * section.blur_mm) & (reach < 3.0 + 1.5 * section.blur_mm)
    return Foot.HIDDEN if float(np.median(section.tone[beside])) - prices.look.tone < _DARK else Foot.MISSING


def _shade(section: Section, right: Step, left: Step, looks: tuple[_Prices, _Prices]) -> float:
    """Share of the inside that looks like pavement in the shade: darker, with the same relative texture."""
    n = section.n_mm
    inside = (n > right.n_mm + 1.5 * section.blur_mm) & (n < left.n_mm - 1.5 * section.blur_mm)
    if not inside.any():
        return 1.0
    tone = section.tone[inside] - min(look.look.tone for look in looks)
    other = np.min([np.abs(section.texture[inside] - look.look.texture) for look in looks], axis=0)
    return float(np.mean((other < 0.3) & (tone < -0.25) & (tone > -1.4)))


def _weights(n: Array, steps: Sequence[Step]) -> Array:
    """Weight of each column: what lies far from any step only repeats what its neighbours say."""
    if not steps:
        return np.ones(len(n))
    clear = [t.n_mm for t in steps if abs(t.height) > 0.2 or abs(t.texture) > 0.4] or [t.n_mm for t in steps]
    nearest = np.min(np.abs(n[:, None] - np.array(clear)), axis=1)
    return np.asarray(0.2 + 0.8 * np.exp(-nearest / 8.0))


def _misfit(section: Section, right: Step, left: Step, nominal_mm: float | None) -> float:
    """Price of steps that are not sharp or hardly there, and of a width far from the plan's."""
    blunt = sum(6.0 * max(0.0, t.rise_mm / (2.6 * section.blur_mm + 0.8) - 1.0) for t in (right, left))
    weak = sum(3.0 * max(0.0, 1.0 - abs(t.height) / 0.4 - abs(t.texture) / 0.8) for t in (right, left))
    strong = sum(1.5 * min(abs(t.height), 1.0) for t in (right, left))
    partly = sum(30.0 * max(0.0, 0.9 - t.agreement) for t in (right, left))
    off = 0.0 if nominal_mm is None else 0.5 * min(((left.n_mm - right.n_mm - nominal_mm) / 4.0) ** 2, 25.0)
    return blunt + weak - strong + partly + off


def _cost(scene: _Scene, right: Step, left: Step, beyond_right: _Prices, beyond_left: _Prices) -> tuple[float, float]:
    """Price of the whole cross-section with this pair, and with no slot.

    What lies within the blur of the arrises is neither inside nor outside.
    """
    section, n = scene.section, scene.section.n_mm
    skip = 0.5 + 1.5 * section.blur_mm
    outer_right, inner_right = np.searchsorted(n, (right.n_mm - skip, right.n_mm + skip))
    inner_left, outer_left = np.searchsorted(n, (left.n_mm - skip, left.n_mm + skip))
    middle = int(np.searchsorted(n, (left.n_mm + right.n_mm) / 2))
    extra = 0.15 * scene.weight * (n[1] - n[0])
    end_right, end_left = np.searchsorted(n, (right.n_mm - skip - BESIDE_MM, left.n_mm + skip + BESIDE_MM))
    near_right, far_right = beyond_right.outside_and_any(beyond_left, extra)
    near_left, far_left = beyond_left.outside_and_any(beyond_right, extra)
    outside = near_right[outer_right] - near_right[end_right] + near_left[end_left] - near_left[outer_left]
    outside += far_right[end_right] + far_left[-1] - far_left[end_left]
    inside = beyond_right.inside[middle] - beyond_right.inside[inner_right]
    inside += beyond_left.inside[inner_left] - beyond_left.inside[middle]
    widest = left.n_mm - right.n_mm
    saved = _wall_saving(n, beyond_left, left.n_mm - skip, -1.0, min(section.wall_mm[0], widest))
    saved += _wall_saving(n, beyond_right, right.n_mm + skip, 1.0, min(section.wall_mm[1], widest))
    nothing = near_right[middle] + near_left[-1] - near_left[middle]
    return float(outside + inside + saved), float(nothing)


def _wall_saving(n: Array, prices: _Prices, arris: float, inward: float, wall: float) -> float:
    """What is saved by taking columns next to an arris for its wall; a fixed price is asked for it."""
    if wall <= 0.5:
        return 0.0
    ends = np.searchsorted(n, np.stack([np.full(8, arris), arris + inward * np.linspace(wall / 8, wall, 8)]))
    low, high = np.sort(ends, axis=0)
    extra = (prices.wall[high] - prices.wall[low]) - (prices.inside[high] - prices.inside[low])
    return min(0.0, 1.5 + float(extra.min()))


def _priced_look(section: Section, near: NDArray[np.bool_], far: NDArray[np.bool_], weight: Array) -> _Prices | None:
    look = _pavement(section, near)
    return None if look is None else _prices(section, look, weight, _familiar(section, far))


def _familiar(section: Section, where: NDArray[np.bool_]) -> Array:
    """Squared distance of every column to the most similar one of a side, in tone and texture."""
    features = np.stack([section.tone / 0.35, section.texture / 0.4], axis=1)
    known = features[where & np.isfinite(section.tone)]
    if len(known) < 8:
        return np.full(len(features), 100.0)
    some = known[:: max(1, len(known) // 60)]
    return np.asarray(np.min(np.sum((features[:, None] - some) ** 2, axis=2), axis=1))


def _without_overlay(right: _Prices | None, left: _Prices | None) -> tuple[_Prices, _Prices] | None:
    """Looks of both sides; one that is much brighter and smoother than the other (tape all over) is replaced by it.

    A side without a look takes the other's; none at all gives None.
    """
    if right is None or left is None:
        only = right or left
        return None if only is None else (only, only)
    dark, bright = sorted((right, left), key=lambda prices: prices.look.tone)
    if bright.look.tone > dark.look.tone + 0.3 and bright.look.texture < dark.look.texture - 0.4:
        return dark, dark
    if bright.look.tone > dark.look.tone + 0.8 and bright.look.texture < dark.look.texture - 0.15:
        return dark, dark
    return right, left


@dataclass(frozen=True, eq=False)
class _Look:
    tone: float
    texture: float
    colour: Array


def _pavement(section: Section, where: NDArray[np.bool_]) -> _Look | None:
    """Median look of the rougher columns: overlays are smooth."""
    where = where & np.isfinite(section.tone)
    if int(where.sum()) < 8:
        return None
    # Not what is much darker than the rest: the texture of the dark is the sensor's noise.
    where &= section.tone >= np.median(section.tone[where]) - 0.5
    rough = where & (section.texture >= np.quantile(section.texture[where], 0.6))
    colour = np.median(section.colour[rough], axis=0)
    return _Look(float(np.median(section.tone[rough])), float(np.median(section.texture[rough])), colour)


def _prices(section: Section, look: _Look, weight: Array, familiar: Array) -> _Prices:
    """Price per mm of each column as inside, wall, and outside (pavement or overlay), summed up.

    Prices are like negative logarithms of probabilities: pavement looks like the pavement beside it; what is inside may
    look like anything, though seldom coloured or much brighter; overlays are coloured or much brighter.
    """
    tone = np.nan_to_num(section.tone - look.tone)
    smoother = look.texture - section.texture
    # Texture and colour of the dark are those of the sensor's noise, and say nothing.
    tint = np.linalg.norm(section.colour - look.colour, axis=1) * _ramp(1.5 + tone)
    textured = smoother * _ramp(1.5 + tone)
    pavement = np.minimum(0.5 * ((tone / 0.35) ** 2 + (textured / 0.4) ** 2 + (tint / 0.25) ** 2), 3.0)
    plain = np.where(smoother > 0.3, 0.45 - tone, 0.7 - tone)
    overlay = 1.1 + 2.5 * _ramp(np.maximum(plain / 0.4, 0.0) * np.maximum((0.4 - tint) / 0.2, 0.0))
    alike = np.exp(-0.5 * ((tone / 0.15) ** 2 + (textured / 0.2) ** 2 + (tint / 0.15) ** 2))
    odd = 0.6 * _ramp((tint - 0.25) / 0.25)
    shaded = _ramp((-tone - 0.3) / 0.3) * _ramp((1.6 + tone) / 0.3) * np.exp(-0.5 * (smoother / 0.2) ** 2)
    inside = 0.8 + 1.2 * alike + 0.8 * shaded + 0.6 * _ramp(tone / 0.5) + 1.0 * _ramp((tone - 0.8) / 0.5) + odd
    wall = 0.8 + odd
    cell = section.n_mm[1] - section.n_mm[0]
    sums = [_running(weight * cost, cell) for cost in (inside, wall, np.minimum(pavement, overlay))]
    return _Prices(look, sums[0], sums[1], sums[2], familiar)


def _running(cost: Array, cell: float) -> Array:
    return np.concatenate([[0.0], np.cumsum(cost) * cell])


def _ramp(x: Array) -> Array:
    return np.asarray(np.clip(x, 0.0, 1.0))
