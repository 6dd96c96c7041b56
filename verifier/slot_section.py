"""The mean cross-section of a slot: which stretch of it is the slot, and so which of its steps are the arrises.

A cross-section runs over pavement, the slot, and pavement again. Pavement is rough, with the tone of its surroundings;
on it may lie overlays (tape, paint: bright or coloured). Inside the slot it is dark, or, where light falls on a wall or
on a dry floor, smoother than pavement. On the side away from the camera a wall may be seen that light strikes squarely
and that is brighter than the pavement, but only as far inward as the slot is deep; on the camera's side no wall can be
seen.

Every pair of sharp steps is tried as the two arrises. Each column costs what it takes to explain it as what the pair
makes of it; the cheapest pair is taken, and pairs that cost nearly as little are kept as rivals.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from verifier.finding import Axis
from verifier.plane import GroundPlane
from verifier.slot_ribbon import BLOCK_MM, Ribbon, block_means, covered_by, cross_scale, sample_along

Array = NDArray[np.float64]

HALF_WINDOW_MM = 112.0
DEEPEST_MM = 100.0
"""Slots for these sensors are 35 to 90 mm deep (common practice); allowed for with a margin."""
NARROWEST_MM, WIDEST_MM = 32.0, 150.0


@dataclass(frozen=True, eq=False)
class Section:
    """Mean cross-section, lined up along the slot's middle; offsets n grow to the left of the axis."""

    n_mm: Array
    """Shape (N,)."""
    tone: Array
    """Log brightness, darkest tones levelled out, shape (N,): median over blocks of stations."""
    block_tones: Array
    """The same for each block, shape (B, N); NaN where covered."""
    texture: Array
    """Log of the relative change of brightness from station to station, shape (N,)."""
    colour: Array
    """Log ratios blue/green and red/green, shape (N, 2)."""
    blur_mm: float
    wall_mm: tuple[float, float]
    """Widest apparent wall below the left and the right arris per mm of depth-limited view (not positive: hidden)."""


@dataclass(frozen=True)
class Step:
    """A sharp step along the whole slot."""

    n_mm: float
    height: float
    """Change of log brightness towards greater n."""
    rise_mm: float
    """Distance over which the middle 80 % of the step happens."""
    agreement: float
    """Share of blocks that show it with the same sign."""
    texture: float = 0.0
    """Change of log texture towards greater n."""


@dataclass(frozen=True)
class Pair:
    """Two steps taken for the arrises, and what it costs to explain the cross-section that way."""

    left: Step
    right: Step
    cost: float

    @property
    def width_mm(self) -> float:
        """Distance of the two."""
        return self.left.n_mm - self.right.n_mm


def cut_section(
    colour: NDArray[np.uint8], grey: NDArray[np.uint8], plane: GroundPlane, ribbon: Ribbon, outlines_mm: Sequence[Array]
) -> Section:
    """Sample the surroundings of a ribbon and condense them to one cross-section."""
    scale = cross_scale(plane, ribbon.axis, ribbon.s_mm)
    blur = 0.8 / float(np.median(scale))
    n = np.arange(-HALF_WINDOW_MM, HALF_WINDOW_MM, max(0.35, 0.7 / float(scale.max())))
    s = np.arange(ribbon.s_mm[0], ribbon.s_mm[-1] + 1e-6, max(1.0, 1.3 / float(np.median(scale))))
    base = ribbon.centre_at(s)
    light = sample_along(grey, plane, ribbon.axis, s, base, n).astype(np.float64)
    light[covered_by(outlines_mm, ribbon.axis, s, base, n, 8.0)] = np.nan
    tones = block_means(_tone(light), max(1, round(BLOCK_MM / (s[1] - s[0]))))
    few = s[:: max(1, round(12.0 / (s[1] - s[0])))]
    middle = float(ribbon.centre_at(np.array([np.median(s)]))[0])
    walls = tuple(_wall_per_depth(plane, ribbon.axis, middle, side) for side in (1, -1))
    with np.errstate(all="ignore"):
        profile = np.nanmedian(tones, axis=0)
    return Section(
        n, profile, tones, _texture(light), _colours(colour, plane, ribbon, few, n, outlines_mm), blur,
        (walls[0], walls[1]),
    )  # fmt: skip


def _tone(light: Array) -> Array:
    """Log brightness, levelled out below an eighth of the usual so that the dark of the slot is one tone."""
    usual = float(np.nanmedian(light)) if np.isfinite(light).any() else 1.0
    return np.log(light + 0.12 * usual)


def _texture(light: Array) -> Array:
    """Log of the root mean square relative change between neighbouring stations (changes limited to 1)."""
    pair = (light[2:] + light[:-2]) / 2
    change = np.clip((light[2:] - light[:-2]) / (pair + 1e-3), -1.0, 1.0)
    known = np.isfinite(change)
    power = np.sum(np.where(known, change, 0.0) ** 2, axis=0) / np.maximum(known.sum(axis=0), 1)
    return np.asarray(gaussian_filter1d(0.5 * np.log(power + 1e-5), 1.0))


def _colours(
    colour: NDArray[np.uint8], plane: GroundPlane, ribbon: Ribbon, s: Array, n: Array, outlines_mm: Sequence[Array]
) -> Array:
    base = ribbon.centre_at(s)
    light = sample_along(colour, plane, ribbon.axis, s, base, n).astype(np.float64)
    light[covered_by(outlines_mm, ribbon.axis, s, base, n, 8.0)] = np.nan
    floor = 0.1 * (float(np.nanmedian(light)) if np.isfinite(light).any() else 1.0)
    with np.errstate(all="ignore"):
        mean = np.log(np.nanmedian(light, axis=0) + floor)
    return np.nan_to_num(np.stack([mean[:, 0] - mean[:, 1], mean[:, 2] - mean[:, 1]], axis=1))


def _wall_per_depth(plane: GroundPlane, axis: Axis, middle_mm: float, side: int) -> float:
    """Apparent width of the wall DEEPEST_MM high below an arris about 35 mm beside the middle; negative: hidden."""
    camera_n, height = float(axis.from_plane(plane.camera_mm[:2])[1]), float(plane.camera_mm[2])
    return side * (middle_mm + side * 35.0 - camera_n) * DEEPEST_MM / (height + DEEPEST_MM)


def find_steps(section: Section) -> list[Step]:
    """Sharp steps of tone or texture of the cross-section, from right to left."""
    n, cell, blur = section.n_mm, section.n_mm[1] - section.n_mm[0], section.blur_mm
    tone = gaussian_filter1d(np.gradient(np.nan_to_num(section.tone), cell), max(0.7 * blur / cell, 0.8))
    texture = gaussian_filter1d(np.gradient(section.texture, cell), max(1.0 * blur / cell, 1.2))
    by_tone = [_step(section, tone, int(k)) for k in _peaks(np.abs(tone), 0.01)]
    clear = [t for t in by_tone if abs(t.height) > 0.04 and t.agreement > 0.65 and t.rise_mm < 3.0 + 4.0 * blur]
    clear = [t for t in clear if not any(_outshines(other, t, 1.0 + 4.0 * blur) for other in clear)]
    by_texture = [_texture_step(section, texture, int(k)) for k in _peaks(np.abs(texture), 0.05)]
    alone = [
        t for t in by_texture
        if abs(t.texture) > 0.35 and all(abs(t.n_mm - other.n_mm) > 1.0 + 2.0 * blur for other in clear)
    ]  # fmt: skip
    found = [t for t in (*clear, *alone) if abs(t.n_mm) < HALF_WINDOW_MM - 8]
    return sorted(found, key=lambda t: t.n_mm)


def _peaks(size: Array, least: float) -> NDArray[np.intp]:
    return np.flatnonzero((size[1:-1] >= size[:-2]) & (size[1:-1] > size[2:]) & (size[1:-1] > least)) + 1


def _outshines(a: Step, b: Step, reach_mm: float) -> bool:
    """Whether step b is only the skirt of the steeper step a."""
    near = a is not b and abs(a.n_mm - b.n_mm) < reach_mm
    return near and abs(a.height) / a.rise_mm > 4 * abs(b.height) / b.rise_mm


def _step(section: Section, slope: Array, k: int) -> Step:
    """Height between the plateaus on both sides, rise by the slope's width, and agreement of the blocks."""
    n = section.n_mm
    above, below = _plateaus(section, k, 2.0)
    height = float(np.median(section.tone[above]) - np.median(section.tone[below]))
    with np.errstate(all="ignore"):
        single = np.mean(section.block_tones[:, above], axis=1) - np.mean(section.block_tones[:, below], axis=1)
    single = single[np.isfinite(single)]
    agreement = float(np.mean(single * np.sign(height) > 0.25 * abs(height))) if len(single) else 0.0
    rise = 0.8 * abs(height) / float(abs(slope[k]))
    return Step(float(n[k]), height, rise, agreement, _texture_change(section, k))


def _texture_step(section: Section, slope: Array, k: int) -> Step:
    """A place where the texture changes but the tone hardly does; its rise cannot be told and is taken as the blur's."""
    above, below = _plateaus(section, k, 2.0)
    height = float(np.median(section.tone[above]) - np.median(section.tone[below]))
    return Step(float(section.n_mm[k]), height, 2.6 * section.blur_mm, 1.0, _texture_change(section, k))


def _texture_change(section: Section, k: int) -> float:
    above, below = _plateaus(section, k, 4.0)
    return float(np.median(section.texture[above]) - np.median(section.texture[below]))


def _plateaus(section: Section, k: int, length_mm: float) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Columns just above and just below a step, outside its blur."""
    n, margin = section.n_mm, 0.5 + 1.3 * section.blur_mm
    k = int(np.clip(k, np.searchsorted(n, n[0] + 8.0), np.searchsorted(n, n[-1] - 8.0)))
    above = (n > n[k] + margin) & (n < n[k] + margin + length_mm)
    return above, (n < n[k] - margin) & (n > n[k] - margin - length_mm)


@dataclass(frozen=True, eq=False)
class _Prices:
    """Running sums (N + 1,) over columns of what it costs to explain each, for one look of the pavement."""

    look: _Look
    inside: Array
    wall: Array
    outside: Array


def best_pairs(section: Section, steps: Sequence[Step], nominal_mm: float | None) -> list[Pair]:
    """Pairs of steps as the two arrises, cheapest first."""
    n = section.n_mm
    below = [_priced_look(section, n < t.n_mm - 4.0) for t in steps]
    above = [_priced_look(section, n > t.n_mm + 4.0) for t in steps]
    pairs = []
    for right, beyond_right in zip(steps, below, strict=True):
        for left, beyond_left in zip(steps, above, strict=True):
            if NARROWEST_MM <= left.n_mm - right.n_mm <= WIDEST_MM:
                looks = _without_overlay(beyond_right, beyond_left)
                if looks is not None:
                    cost = _cost(section, right, left, *looks) + _misfit(section, right, left, nominal_mm)
                    pairs.append(Pair(left, right, cost))
    return sorted(pairs, key=lambda p: p.cost)


def _misfit(section: Section, right: Step, left: Step, nominal_mm: float | None) -> float:
    """Price of steps that are not sharp or hardly there, and of a width far from the plan's."""
    blunt = sum(6.0 * max(0.0, t.rise_mm / (2.6 * section.blur_mm + 0.8) - 1.0) for t in (right, left))
    weak = sum(3.0 * max(0.0, 1.0 - abs(t.height) / 0.4 - abs(t.texture) / 0.8) for t in (right, left))
    off = 0.0 if nominal_mm is None else 0.5 * min(((left.n_mm - right.n_mm - nominal_mm) / 4.0) ** 2, 25.0)
    return blunt + weak + off


def _cost(section: Section, right: Step, left: Step, beyond_right: _Prices, beyond_left: _Prices) -> float:
    """Price of the whole cross-section; what lies within the blur of the arrises is neither inside nor outside."""
    n, skip = section.n_mm, 0.5 + 1.5 * section.blur_mm
    outer_right, inner_right = np.searchsorted(n, (right.n_mm - skip, right.n_mm + skip))
    inner_left, outer_left = np.searchsorted(n, (left.n_mm - skip, left.n_mm + skip))
    middle = int(np.searchsorted(n, (left.n_mm + right.n_mm) / 2))
    outside = beyond_right.outside[outer_right] + beyond_left.outside[-1] - beyond_left.outside[outer_left]
    inside = beyond_right.inside[middle] - beyond_right.inside[inner_right]
    inside += beyond_left.inside[inner_left] - beyond_left.inside[middle]
    widest = left.n_mm - right.n_mm
    saved = _wall_saving(n, beyond_left, left.n_mm - skip, -1.0, min(section.wall_mm[0], widest))
    saved += _wall_saving(n, beyond_right, right.n_mm + skip, 1.0, min(section.wall_mm[1], widest))
    return float(outside + inside + saved)


def _wall_saving(n: Array, prices: _Prices, arris: float, inward: float, wall: float) -> float:
    """What is saved by taking columns next to an arris for its wall; a fixed price is asked for it."""
    if wall <= 0.5:
        return 0.0
    ends = np.searchsorted(n, np.stack([np.full(8, arris), arris + inward * np.linspace(wall / 8, wall, 8)]))
    low, high = np.sort(ends, axis=0)
    extra = (prices.wall[high] - prices.wall[low]) - (prices.inside[high] - prices.inside[low])
    return min(0.0, 1.5 + float(extra.min()))


def _priced_look(section: Section, where: NDArray[np.bool_]) -> _Prices | None:
    look = _pavement(section, where)
    return None if look is None else _prices(section, look)


def _without_overlay(right: _Prices | None, left: _Prices | None) -> tuple[_Prices, _Prices] | None:
    """Looks of both sides; one that is much brighter and smoother than the other (tape all over) is replaced by it.

    A side without a look takes the other's; none at all gives None.
    """
    if right is None or left is None:
        only = right or left
        return None if only is None else (only, only)
    dark, bright = sorted((right, left), key=lambda prices: prices.look.tone)
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
    rough = where & (section.texture >= np.quantile(section.texture[where], 0.6))
    colour = np.median(section.colour[rough], axis=0)
    return _Look(float(np.median(section.tone[rough])), float(np.median(section.texture[rough])), colour)


def _prices(section: Section, look: _Look) -> _Prices:
    """Price per mm of each column as inside, wall, and outside (pavement or overlay), summed up.

    Prices are like negative logarithms of probabilities: pavement looks like the pavement beside it; what is inside may
    look like anything, though seldom coloured or much brighter; overlays are coloured or much brighter.
    """
    tone = np.nan_to_num(section.tone - look.tone)
    smoother = look.texture - section.texture
    tint = np.linalg.norm(section.colour - look.colour, axis=1)
    # The texture of the dark is that of the sensor's noise, and says nothing.
    textured = smoother * _ramp(1.5 + tone)
    pavement = np.minimum(0.5 * ((tone / 0.25) ** 2 + (textured / 0.4) ** 2 + (tint / 0.25) ** 2), 3.0)
    overlay = 1.1 + 2.5 * _ramp(np.maximum((0.9 - tone) / 0.5, 0.0) * np.maximum((0.4 - tint) / 0.2, 0.0))
    odd = 1.5 * _ramp((tint - 0.25) / 0.25)
    inside = 0.8 + 2.0 * _ramp((tone - 0.8) / 0.5) + odd
    wall = 0.8 + odd
    cell = section.n_mm[1] - section.n_mm[0]
    sums = [_running(cost, cell) for cost in (inside, wall, np.minimum(pavement, overlay))]
    return _Prices(look, sums[0], sums[1], sums[2])


def _running(cost: Array, cell: float) -> Array:
    return np.concatenate([[0.0], np.cumsum(cost) * cell])


def _ramp(x: Array) -> Array:
    return np.asarray(np.clip(x, 0.0, 1.0))
