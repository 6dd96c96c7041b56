"""The mean cross-section of a slot and its sharp steps.

Everything that runs along the slot keeps its offset in the pavement's plane, so that cross-sections can be condensed to
one: tone, texture and colour at each offset, and the steps between them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from verifier.finding import Axis
from verifier.plane import GroundPlane
from verifier.slot_ribbon import (
    BLOCK_MM,
    Ribbon,
    align_blocks,
    block_means,
    covered_by,
    cross_scale,
    relative_tone,
    row_medians,
    sample_roughly,
    texture_blocks,
)

Array = NDArray[np.float64]
Image32 = NDArray[np.float32]

HALF_WINDOW_MM = 140.0
DEEPEST_MM = 100.0
"""Slots for these sensors are 35 to 90 mm deep (common practice); allowed for with a margin."""
_LEAST_STEP = 0.06
_RELIEF_MM = 50.0


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
    """Log of the relative change of brightness from station to station, shape (N,): the usual one."""
    relief: Array
    """Log of the scatter of tone along the slot within some 50 mm, shape (N,): also of what is seldom, like grooves."""
    colour: Array
    """Log ratios blue/green and red/green, shape (N, 2)."""
    blur_mm: float
    wall_mm: tuple[float, float]
    """Apparent width of a wall ``DEEPEST_MM`` high below the left and the right arris; not positive: hidden."""

    def wall_below_mm(self, side: int) -> float:
        """That of the left one (side = 1) or the right one (-1)."""
        return self.wall_mm[0 if side > 0 else 1]


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


def cut_section(
    colour: NDArray[np.uint8], grey: NDArray[np.uint8], plane: GroundPlane, ribbon: Ribbon, outlines_mm: Sequence[Array]
) -> Section:
    """Sample the surroundings of a ribbon and condense them to one cross-section."""
    scale = cross_scale(plane, ribbon.axis, ribbon.s_mm)
    blur = 0.8 / float(np.median(scale))
    n = np.arange(-HALF_WINDOW_MM, HALF_WINDOW_MM, max(0.4, 0.8 / float(scale.max())))
    s = np.arange(ribbon.s_mm[0], ribbon.s_mm[-1] + 1e-6, max(1.0, 1.3 / float(np.median(scale))))
    base = ribbon.centre_at(s)
    light = sample_roughly(grey, plane, ribbon.axis, s, base, n)
    light[covered_by(outlines_mm, ribbon.axis, s, base, n, 8.0)] = np.nan
    per_block = max(1, min(round(BLOCK_MM / (s[1] - s[0])), len(s)))
    light = _lined_up(light, s, n, per_block)
    tones = block_means(relative_tone(light), per_block)
    few = s[:: max(1, round(12.0 / (s[1] - s[0])), len(s) // 60)]
    middle = float(ribbon.centre_at(np.array([np.median(s)]))[0])
    walls = [wall_in_sight_mm(plane, ribbon.axis, middle + side * 35.0, side, DEEPEST_MM) for side in (1, -1)]
    profile = _median_profile(tones)
    colours = _colours(colour, plane, ribbon, few, n, outlines_mm)
    relief = _relief(light, float(s[1] - s[0]))
    return Section(n, profile, tones, _texture(light), relief, colours, blur, (walls[0], walls[1]))


def _lined_up(light: Image32, s: Array, n: Array, per_block: int) -> Image32:
    """Rows shifted so that each half of the cross-section is lined up by itself: the edges wander apart a little."""
    middles = s[: len(s) // per_block * per_block].reshape(-1, per_block).mean(axis=1)
    tones = block_means(relative_tone(light), per_block)
    texture = texture_blocks(light, per_block)
    cell = float(n[1] - n[0])
    shifts = []
    for half in ((n < -4.0) & (n > -80.0), (n > 4.0) & (n < 80.0)):
        curve = align_blocks(middles, (tones[:, half], texture[:, half]), 1.5 / cell, round(4.0 / cell)) * cell
        shifts.append(np.interp(s, middles, curve - np.median(curve)))
    blend = np.clip(n / 20.0 + 0.5, 0.0, 1.0)
    moved = n + shifts[0][:, None] * (1.0 - blend) + shifts[1][:, None] * blend
    at = np.clip((moved - n[0]) / cell, 0.0, len(n) - 1.001).astype(np.float32)
    rows = np.broadcast_to(np.arange(len(s), dtype=np.float32)[:, None], at.shape)
    return np.asarray(cv2.remap(light, at, np.ascontiguousarray(rows), cv2.INTER_LINEAR), dtype=np.float32)


def _median_profile(tones: Array) -> Array:
    """Median over blocks at each offset; where no block is known, as at the nearest offset that is."""
    known = np.isfinite(tones).any(axis=0)
    if not known.any():
        return np.zeros(tones.shape[1])
    index = np.arange(tones.shape[1])
    return np.interp(index, index[known], row_medians(np.ascontiguousarray(tones[:, known].T)))


def _texture(light: Image32) -> Array:
    """Log of the usual (median) relative change of brightness over two stations."""
    some = slice(0, None, max(1, (len(light) - 2) // 400))
    ahead, behind = light[2:][some], light[:-2][some]
    change = np.abs(ahead - behind) / ((ahead + behind) / 2 + 1e-3)
    with np.errstate(all="ignore"):
        usual = np.nan_to_num(row_medians(np.ascontiguousarray(change.T)))
    return np.asarray(gaussian_filter1d(np.log(usual + 1e-2), 1.0))


def _relief(light: Image32, step_mm: float) -> Array:
    """Log of the root mean square deviation of tone from its mean over ``_RELIEF_MM`` along the slot."""
    every = max(1, round(2.0 / step_mm))
    some = light[::every]
    known = np.isfinite(some)
    usual = float(np.median(some[known])) if known.any() else 1.0
    tone = np.log(np.where(known, some, 1.0) + np.float32(0.02 * usual + 1e-4)) * known
    size = (1, max(3, round(_RELIEF_MM / (step_mm * every))))
    share, total = (cv2.blur(x, size, borderType=cv2.BORDER_REPLICATE) for x in (known.astype(np.float32), tone))
    square = np.where(known, (tone - total / np.maximum(share, 1e-3)) ** 2, 0.0).sum(axis=0)
    return np.asarray(gaussian_filter1d(0.5 * np.log(square / np.maximum(known.sum(axis=0), 1) + 1e-4), 1.0))


def _colours(
    colour: NDArray[np.uint8], plane: GroundPlane, ribbon: Ribbon, s: Array, n: Array, outlines_mm: Sequence[Array]
) -> Array:
    base = ribbon.centre_at(s)
    light = sample_roughly(colour, plane, ribbon.axis, s, base, n)
    light[covered_by(outlines_mm, ribbon.axis, s, base, n, 8.0)] = np.nan
    floor = 0.1 * (float(np.nanmedian(light)) if np.isfinite(light).any() else 1.0)
    columns = np.ascontiguousarray(light.transpose(1, 2, 0)).reshape(-1, len(s))
    mean = np.log(row_medians(columns).reshape(len(n), 3) + floor)
    return np.nan_to_num(np.stack([mean[:, 0] - mean[:, 1], mean[:, 2] - mean[:, 1]], axis=1))


def wall_in_sight_mm(plane: GroundPlane, axis: Axis, arris_mm: float, side: int, depth_mm: float) -> float:
    """Apparent width of the wall below an arris at an offset from the axis; negative where it is hidden."""
    camera_n, height = float(axis.from_plane(plane.camera_mm[:2])[1]), float(plane.camera_mm[2])
    return side * (arris_mm - camera_n) * depth_mm / (height + depth_mm)


def find_steps(section: Section) -> list[Step]:
    """Sharp steps of tone or texture of the cross-section, from right to left."""
    cell, blur = section.n_mm[1] - section.n_mm[0], section.blur_mm
    tone = gaussian_filter1d(np.gradient(np.nan_to_num(section.tone), cell), max(0.7 * blur / cell, 0.8))
    texture = gaussian_filter1d(np.gradient(section.texture, cell), max(blur, 1.2) / cell)
    by_tone = [_step(section, tone, int(k)) for k in _peaks(np.abs(tone), 0.01)]
    least = max(_LEAST_STEP, 3.0 * _unsteadiness(by_tone))
    clear = [t for t in by_tone if abs(t.height) > least and t.agreement > 0.65 and t.rise_mm < 3.0 + 4.0 * blur]
    clear = [t for t in clear if not any(_outshines(other, t, 1.0 + 4.0 * blur) for other in clear)]
    by_texture = [_texture_step(section, texture, int(k)) for k in _peaks(np.abs(texture), 0.05)]
    alone = [
        t for t in by_texture
        if abs(t.texture) > 0.35 and all(abs(t.n_mm - other.n_mm) > _own_texture_mm(other, blur) for other in clear)
    ]  # fmt: skip
    found = [t for t in (*clear, *alone) if abs(t.n_mm) < HALF_WINDOW_MM - 8]
    return sorted(found, key=lambda t: t.n_mm)


def _own_texture_mm(step: Step, blur_mm: float) -> float:
    """How far the texture that a ragged or badly lined-up edge itself makes reaches to both sides of a step of tone.

    That texture is a bump as wide as the step's rise, behind the smoothing of the texture's slope; its two flanks look
    like steps of texture where there are none.
    """
    return 2.0 * float(np.sqrt(max(blur_mm, 1.2) ** 2 + blur_mm**2 + (step.rise_mm / 2.563) ** 2))


def _unsteadiness(steps: Sequence[Step]) -> float:
    """Usual height of a step of the cross-section: most are the pavement's own unevenness of tone."""
    return float(np.median([abs(t.height) for t in steps])) if len(steps) > 8 else 0.0


def _peaks(size: Array, least: float) -> NDArray[np.intp]:
    return np.flatnonzero((size[1:-1] >= size[:-2]) & (size[1:-1] > size[2:]) & (size[1:-1] > least)) + 1


def _outshines(a: Step, b: Step, reach_mm: float) -> bool:
    """Whether step b is only the skirt of the steeper step a, or the same step in blocks that are not well lined up."""
    apart = abs(a.n_mm - b.n_mm)
    if a is b or apart > reach_mm:
        return False
    same = a.height * b.height > 0 and abs(a.height) > abs(b.height) and apart < 0.6 * reach_mm
    return same or abs(a.height) / a.rise_mm > 4 * abs(b.height) / b.rise_mm


def _step(section: Section, slope: Array, k: int) -> Step:
    """Height by the slope's own peak, rise by its steepness, and agreement of the blocks."""
    height = _area(slope, k) * float(section.n_mm[1] - section.n_mm[0])
    above, below = _plateaus(section, k, 2.0)
    with np.errstate(all="ignore"):
        single = np.mean(section.block_tones[:, above], axis=1) - np.mean(section.block_tones[:, below], axis=1)
    single = single[np.isfinite(single)]
    agreement = float(np.mean(single * np.sign(height) > 0.25 * abs(height))) if len(single) else 0.0
    return Step(float(section.n_mm[k]), height, 0.8 * abs(height) / float(abs(slope[k])), agreement,
                _texture_change(section, k))  # fmt: skip


def _area(slope: Array, k: int) -> float:
    """Sum of a slope's peak, out to where it has fallen below a tenth, changes sign or begins another peak."""
    total, sign = float(slope[k]), float(np.sign(slope[k]))
    for way in (1, -1):
        i = k + way
        while (
            0 <= i < len(slope) and slope[i] * sign > 0.1 * abs(slope[k]) and slope[i] * sign <= slope[i - way] * sign
        ):
            total += float(slope[i])
            i += way
    return total


def _texture_step(section: Section, slope: Array, k: int) -> Step:
    """A place where the texture changes but the tone hardly does; its rise is unknown and taken as the blur's."""
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
