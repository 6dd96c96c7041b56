"""Chips beside a saw's edge, told by their broken faces, and how deep the deepest is.

The step from floor or wall to whatever lies beside it shows where the saw went; a chip's broken face lies outside of
it. Such a face is a patch that begins at the saw's edge and has one outline, from the edge out to the chip's rim and
back. It is of one tone (or darkens evenly) where the pavement has stones and pores, or of a tone that the pavement
hardly has, most often between the pavement's and that of the slot's inside.

Every patch is found as the best outline under a hypothesis of the face's tone, by dynamic programming (Viterbi 1967):
the gain is the logarithm of how much more likely each cell is under that tone than in the pavement beside it (density
of tones, local along the edge), the cost is the outline's rise and fall. A stone at the edge looks like a face too. How
often it does, this photo tells: the same search along lines farther out, where no saw went, finds what stones, pores
and stains make of such a line by chance. Maxima of sums like these have exponential tails (Karlin, Altschul 1990), so
that the number to expect by chance follows also for patches more conspicuous than any found there. That number, and how
often edges are chipped, give the probability that a patch is a chip. The deepest chip then has a law of probability:
its mean is the value, its standard deviation the uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.special import expit, ndtr

from verifier.finding import Axis
from verifier.plane import GroundPlane
from verifier.slot_ribbon import covered_by, sample_along

Array = NDArray[np.float64]
Image32 = NDArray[np.float32]

CELL_MM, STATION_MM = 0.5, 1.0
"""Cells across and along the edge."""
INWARD_MM, OUTWARD_MM = 5.0, 45.0
REACH_MM = 14.0
"""Deepest chip looked for: more than tolerances allow, and stones of such size are rare."""
BEYOND_MM = 30.0
"""Strip beyond the ends of the measured length, so that a chip across an end is seen whole."""
ELSEWHERE_MM = (12.0, 21.0, 29.0, 16.5, 25.5)
"""Lines at these distances, where no saw went, show how often the pavement looks like a chip by chance."""
ENOUGH_M, LEAST_LINES = 4.0, 3
"""Length of such lines that tells it well: along a long edge the first of them do."""
_PAVEMENT_MM = (2.0, 34.0)
_WINDOW = 161
"""Stations over which a running median tells the usual tone: more than twice as long as a long chip."""
OTHER_TONE = 0.4
"""Rows whose usual tone differs from that beside the edge by this (natural log) are tape, paint or another surface."""
_TONES = np.arange(-3.0, 3.001, 0.05)
FACE_SCATTER, SHADE_SCATTER = 0.12, 0.2
"""Scatter of tone (natural log) within a face, and what is added per unit of darkness below -0.7: noise."""
_TONE_STEP = 0.15
SHADE = -0.8
"""Tone of a hollow that gets less than half of the light."""
PATCH_MM2 = 2.0
"""Area of pavement whose tone is independent of its neighbours'; where pixels are larger, in proportion."""
RISE_COST = 0.5
"""Cost of an outline's rise or fall by one cell, in units of the logarithm of likelihood."""
LONGEST_MM = 90.0
LEAST_DEPTH_MM = 2.0
"""Shallower ones are those that every sawn edge has."""


@dataclass(frozen=True, eq=False)
class EdgeStrip:
    """What the pavement beside an edge looks like."""

    s_mm: Array
    """Stations along the axis, shape (S,)."""
    v_mm: Array
    """Distances from the saw's path, away from the slot, shape (N,)."""
    tone: Image32
    """Logarithm of light relative to the usual of its row, shape (S, N); NaN where nothing is known."""
    first_mm: float
    """Distance at which the pavement is clear of the edge's blur."""
    pixels_per_mm: float

    @property
    def elsewhere_mm(self) -> tuple[float, ...]:
        """Distances of the lines that show what comes by chance."""
        count = math.ceil(ENOUGH_M * 1000.0 / (len(self.s_mm) * STATION_MM))
        return ELSEWHERE_MM[: max(count, LEAST_LINES)]

    @cached_property
    def inside(self) -> float:
        """Median tone just inside the edge."""
        near = (self.v_mm < -0.4 - self.first_mm) & (self.v_mm > -3.5 - self.first_mm)
        values = self.tone[:, near]
        return float(np.nanmedian(values)) if np.isfinite(values).any() else 0.0

    @cached_property
    def scatter(self) -> float:
        """Standard deviation of the pavement's tone, from its middle 68 %."""
        values = self.tone[:, (self.v_mm > 3.0) & (self.v_mm < 30.0)]
        values = values[np.isfinite(values)]
        return float(np.subtract(*np.percentile(values, [84.0, 16.0]))) / 2 if len(values) else math.inf


@dataclass(frozen=True)
class Face:
    """A patch beside the edge that may be the broken face of a chip."""

    s_mm: float
    """Station of its middle."""
    length_mm: float
    depth_mm: float
    weight: float
    """How much it looks like a face; see ``_weight``."""
    by_chance_per_m: float
    """Number of patches that look as much like one to expect by chance along a metre of edge."""

    @property
    def probability(self) -> float:
        """That it is a chip."""
        return float(expit(CHIP_LOGIT - CHANCE_POWER * math.log(self.by_chance_per_m + LEAST_CHANCE_PER_M)))


@dataclass(frozen=True)
class EdgeChips:
    """What may be chips along one edge."""

    faces: tuple[Face, ...]
    length_mm: float
    scatter: float
    """Of the pavement's tone beside it (natural log)."""
    blur_mm: float


CHIP_LOGIT, CHANCE_POWER, LEAST_CHANCE_PER_M = -3.4, 1.35, 0.003
"""Probability of a chip from the number expected by chance: logistic in its logarithm, fitted to rendered scenes. Were
the numbers exact, the power would be 1 and the constant the logarithm of the number of such chips a metre."""
WEIGHTS = {"one": -7.6, "depth": 1.2, "slenderness": 1.2, "rim": 0.8, "between": 0.75, "gain": 0.9}
"""Of the signs of a face, as logistic regression finds them on rendered scenes. They only rank patches: what a rank
means, each photo tells by itself."""


def look_beside(
    grey: NDArray[np.uint8], plane: GroundPlane, axis: Axis, s_mm: Array, edge_mm: Array, side: int, blur_mm: float,
    outlines_mm: Sequence[Array], pixels_per_mm: float,
) -> EdgeStrip:  # fmt: skip
    """The strip beside an edge, averaged over cells.

    Args:
        grey: The picture.
        plane: Its ground plane.
        axis: The slot's axis.
        s_mm: Stations, evenly spaced by ``STATION_MM``, shape (S,).
        edge_mm: The saw's path at the stations, offset from the axis, left positive, shape (S,).
        side: +1 for the left edge, -1 for the right one.
        blur_mm: Blur (standard deviation) across the edge.
        outlines_mm: Bars, which hide what is under them.
        pixels_per_mm: Resolution across the slot.
    """
    v = np.arange(-INWARD_MM, OUTWARD_MM, CELL_MM)
    along, across = (int(np.clip(round(c * pixels_per_mm), 1, most)) for c, most in ((STATION_MM, 4), (CELL_MM, 3)))
    fine_s = (s_mm[:, None] + ((np.arange(along) + 0.5) / along - 0.5) * STATION_MM).ravel()
    fine_v = (v[:, None] + ((np.arange(across) + 0.5) / across - 0.5) * CELL_MM).ravel()
    base = np.interp(fine_s, s_mm, edge_mm)
    light = sample_along(grey, plane, axis, fine_s, base, side * fine_v)
    light[covered_by(outlines_mm, axis, fine_s, base, side * fine_v, 4.0)] = np.nan
    cells = light.reshape(len(s_mm), along, len(v), across).mean(axis=(1, 3))
    return EdgeStrip(s_mm, v, relative_tone(cells, v), max(0.5, 1.5 * blur_mm), pixels_per_mm)


def relative_tone(light: Image32, v_mm: Array) -> Image32:
    """Logarithm of light (S, N) relative to the running median of its row; NaN on other surfaces than beside the edge.

    Inside the edge it is relative to the pavement beside it.
    """
    known = light[:, (v_mm > _PAVEMENT_MM[0]) & (v_mm < 30.0)]
    usual = float(np.nanmedian(known)) if np.isfinite(known).any() else 1.0
    tone = np.log(np.maximum(light, 0.0) + np.float32(0.02 * usual + 1e-4))
    median = _running_median(tone)
    beside = (v_mm >= 2.0) & (v_mm <= 10.0)
    pavement = _median_of_known(median[:, beside], axis=1)[:, None]
    out = tone - median
    out[(np.abs(median - pavement) > OTHER_TONE) & (v_mm >= 2.0)] = np.nan
    out[:, v_mm < 0] = (tone - pavement)[:, v_mm < 0]
    return np.asarray(out, np.float32)


def _running_median(tone: Image32, every: int = 8) -> Array:
    """Median of each column over ``_WINDOW`` rows, worked out at every eighth and straight between."""
    at = np.arange(0, len(tone) + every, every)
    half = _WINDOW // 2
    medians = np.stack([_median_of_known(tone[max(0, k - half) : k + half + 1], axis=0) for k in at])
    part = np.arange(len(tone)) / every
    low = part.astype(np.intp)
    share = (part - low)[:, None]
    return np.asarray(medians[low] * (1 - share) + medians[np.minimum(low + 1, len(at) - 1)] * share)


def _median_of_known(values: NDArray[np.floating], axis: int) -> Array:
    """Median that leaves NaN out; NaN where nothing is known."""
    known = np.isfinite(values)
    middle = (known.sum(axis=axis, keepdims=True) - 1) // 2
    ordered = np.take_along_axis(np.sort(values, axis=axis), np.maximum(middle, 0), axis=axis)
    return np.asarray(np.squeeze(ordered, axis=axis), np.float64)


def find_faces(strip: EdgeStrip, span_mm: tuple[float, float], blur_mm: float) -> EdgeChips:
    """Patches beside the edge that may be broken faces, likeliest first, each with its number to expect by chance."""
    length = span_mm[1] - span_mm[0]
    patches = _find_patches(strip)
    weights = {id(p): _weight(p, strip) for p in patches}
    chance = _Chance.of([weights[id(p)] for p in patches if p.line > 0], _seen_length_m(strip))
    faces = [
        Face(p.middle_mm(strip), p.length_mm, p.depth_mm(strip), weights[id(p)], chance.per_m(weights[id(p)]))
        for p in patches
        if p.line == 0 and p.depth_mm(strip) >= LEAST_DEPTH_MM
        and strip.s_mm[p.start] < span_mm[1] and strip.s_mm[p.stop - 1] > span_mm[0]
    ]  # fmt: skip
    faces.sort(key=lambda f: f.by_chance_per_m)
    return EdgeChips(tuple(faces[:_MOST_FACES]), length, strip.scatter, blur_mm)


_MOST_FACES = 5


@dataclass(frozen=True, eq=False)
class _Patch:
    """A patch that begins at a line."""

    line: int
    """0: the saw's edge; else where no saw went."""
    first: int
    """First column of the strip that belongs to it."""
    start: int
    stop: int
    """Its stations."""
    heights: NDArray[np.int16]
    """Cells it reaches out at each of its stations."""
    gain: float

    @property
    def length_mm(self) -> float:
        return (self.stop - self.start) * STATION_MM

    def depth_mm(self, strip: EdgeStrip) -> float:
        """Its largest distance from the line, with what lies in the edge's blur."""
        return strip.first_mm - CELL_MM / 2 + int(self.heights.max()) * CELL_MM

    def middle_mm(self, strip: EdgeStrip) -> float:
        return float(strip.s_mm[(self.start + self.stop - 1) // 2])


def _find_patches(strip: EdgeStrip) -> list[_Patch]:
    """The best patches at the edge and at the lines elsewhere that do not overlap, best first."""
    evidence = _evidence(strip)
    reach = round(REACH_MM / CELL_MM)
    firsts = [int(np.argmin(np.abs(strip.v_mm - d))) for d in (strip.first_mm, *strip.elsewhere_mm)]
    gains = np.zeros((len(firsts), *evidence.shape[:2], reach + 1), np.float32)
    for line, first in enumerate(firsts):
        np.cumsum(evidence[:, :, first : first + reach], axis=2, out=gains[line, :, :, 1:])
    outlines = best_outlines(gains.reshape(-1, *gains.shape[2:]), RISE_COST).reshape(gains.shape[:3])
    found: list[_Patch] = []
    for line, first in enumerate(firsts):
        for gain, outline in zip(gains[line], outlines[line], strict=True):
            found += _patches_of(gain, outline, line, first)
    found = [p for p in found if _is_closed(p, strip, reach)]
    return _best_apart(found, strip)


def _best_apart(patches: Sequence[_Patch], strip: EdgeStrip) -> list[_Patch]:
    """The patches of most gain that do not overlap on their line, best first."""
    taken = np.zeros((1 + len(ELSEWHERE_MM), len(strip.s_mm)), dtype=bool)
    kept = []
    for patch in sorted(patches, key=lambda p: -p.gain):
        stretch = taken[patch.line, patch.start : patch.stop]
        if not stretch.any():
            kept.append(patch)
            stretch[:] = True
    return kept


def _is_closed(patch: _Patch, strip: EdgeStrip, reach: int) -> bool:
    """Whether the outline is closed within reach, and not longer, nor higher than long, as no chip is."""
    depth = patch.depth_mm(strip) if patch.line == 0 else int(patch.heights.max()) * CELL_MM
    if patch.start == 0 or patch.stop == len(strip.s_mm) or int(patch.heights.max()) == reach:
        return False
    beyond = np.minimum(patch.first + patch.heights + 2, len(strip.v_mm) - 1)
    seen = np.isfinite(strip.tone[np.arange(patch.start, patch.stop), beyond]).mean()
    return bool(seen > 0.8) and depth <= patch.length_mm < LONGEST_MM


def _evidence(strip: EdgeStrip) -> Image32:
    """Log of likelihood as a face over that as pavement for each tone a face may have, shape (M, S, N), per cell.

    Tones reach from a little beyond the pavement's to a little beyond the inside's, as a face lies between wall and
    pavement also in how it takes the light, and down to that of a hollow in the shade. The last hypothesis is any tone
    in that range.
    """
    known = np.isfinite(strip.tone)
    tone = np.clip(np.nan_to_num(strip.tone), _TONES[0] + 0.1, _TONES[-1] - 0.1)
    index = np.round((tone - _TONES[0]) / 0.05).astype(np.intp)
    pavement = np.asarray(_pavement_density(strip, index, known), np.float32)
    low, high = max(min(strip.inside, SHADE) - 0.2, -2.6), min(max(strip.inside, 0.0) + 0.2, 2.2)
    tones = np.linspace(low, high, max(3, math.ceil((high - low) / _TONE_STEP) + 1))
    out = np.empty((len(tones) + 1, *tone.shape), np.float32)
    for k, face in enumerate(tones):
        sigma = FACE_SCATTER + SHADE_SCATTER * max(-0.7 - face, 0.0)
        bell = np.exp(-0.5 * ((_TONES - face) / sigma) ** 2) / (sigma * math.sqrt(2 * math.pi))
        out[k] = np.log(bell.astype(np.float32)[index] / pavement + np.float32(_STRAY))
    anything = np.where((low < _TONES) & (high > _TONES), 0.95 / (high - low), 1e-6).astype(np.float32)
    out[-1] = np.log(anything[index] / pavement + np.float32(0.05))
    np.clip(out, -8.0, 4.0, out=out)
    out[:, ~known] = -0.5
    return out * np.float32(CELL_MM * STATION_MM / (PATCH_MM2 * max(1.0, 1.0 / strip.pixels_per_mm)))


_STRAY = 0.003
"""Share of a face's cells that look like pavement."""
_BLOCK = 40


def _pavement_density(strip: EdgeStrip, index: NDArray[np.intp], known: NDArray[np.bool_]) -> Array:
    """Density of each cell's tone in the pavement, mostly that within 100 mm along the edge, shape (S, N)."""
    zone = (strip.v_mm > _PAVEMENT_MM[0]) & (strip.v_mm < _PAVEMENT_MM[1])
    block = np.minimum(np.arange(len(index)) // _BLOCK, max(len(index) // _BLOCK - 1, 0))
    counts = np.zeros((int(block[-1]) + 1, len(_TONES)))
    cells = known & zone
    np.add.at(counts, (np.broadcast_to(block[:, None], index.shape)[cells], index[cells]), 1.0)
    local = gaussian_filter1d(counts, 100.0 / _BLOCK, axis=0, mode="nearest")
    shares = [c / np.maximum(c.sum(axis=1, keepdims=True), 1.0) for c in (local, counts.sum(axis=0, keepdims=True))]
    density = gaussian_filter1d((0.7 * shares[0] + 0.3 * shares[1]) / 0.05, 1.6, axis=1)
    return np.asarray((0.985 * density + 0.015 / 6.0)[block[:, None], index])


def best_outlines(gains: Image32, rise_cost: float) -> NDArray[np.int16]:
    """Heights (M, S) of the outlines that gain most less the cost of their rise and fall.

    Args:
        gains: What each height at each station gains, shape (M, S, H), H < 256; height 0 gains nothing.
        rise_cost: Cost of a rise or fall by one.
    """
    count, stations, heights = gains.shape
    slope = np.asarray(rise_cost * np.arange(heights), np.float32)
    from_ = np.zeros((stations, count, heights), np.uint8)
    cost = -gains[:, 0].copy()
    for k in range(1, stations):
        cost, from_[k] = _cheapest_step(cost, slope)
        cost -= gains[:, k]
    at = np.argmin(cost, axis=1)
    out = np.zeros((count, stations), np.int16)
    rows = np.arange(count)
    for k in range(stations - 1, -1, -1):
        out[:, k] = at
        at = from_[k][rows, at]
    return out


def _cheapest_step(cost: Image32, slope: Image32) -> tuple[Image32, NDArray[np.uint8]]:
    """Least cost of each height from all heights before, and from which: the lower envelope of cones, in two passes."""
    heights = np.arange(len(slope), dtype=np.uint8)
    rising, falling = cost - slope, (cost + slope)[:, ::-1]
    best_rising, best_falling = (np.minimum.accumulate(x, axis=1) for x in (rising, falling))
    from_below = np.maximum.accumulate(np.where(rising <= best_rising, heights, 0), axis=1)
    from_above = len(slope) - 1 - np.maximum.accumulate(np.where(falling <= best_falling, heights, 0), axis=1)[:, ::-1]
    up, down = best_rising + slope, best_falling[:, ::-1] - slope
    return np.minimum(up, down), np.where(down < up, from_above, from_below).astype(np.uint8)


def _patches_of(gains: Image32, outline: NDArray[np.int16], line: int, first: int) -> list[_Patch]:
    """The stretches in which one outline stands out, each with what it gains."""
    ends = np.flatnonzero(np.diff(np.concatenate([[0], (outline > 0).astype(np.int8), [0]])))
    gained = np.take_along_axis(gains, outline[:, None].astype(np.intp), axis=1)[:, 0]
    found = []
    for start, stop in ends.reshape(-1, 2):
        heights = outline[start:stop]
        rise = float(np.abs(np.diff(np.concatenate([[0], heights, [0]]).astype(np.int32))).sum())
        gain = float(gained[start:stop].sum()) - RISE_COST * rise
        found.append(_Patch(line, first, int(start), int(stop), heights, gain))
    return found


def _weight(patch: _Patch, strip: EdgeStrip) -> float:
    """How much a patch looks like a face: deep, longer than deep, with a rim that stands out, of a tone towards the
    inside's, and of much gain for its area."""
    inner, rim = _tone_and_rim(patch, strip)
    depth = max(patch.depth_mm(strip), 1.0)
    inside = strip.inside
    between = float(np.clip(inner * np.sign(inside), -0.5, 1.5)) if abs(inside) > 0.3 else 0.0
    area = float(patch.heights.sum()) * CELL_MM * STATION_MM
    signs = {
        "one": 1.0,
        "depth": math.log(depth),
        "slenderness": math.log(patch.length_mm / depth),
        "rim": min(abs(rim) / max(strip.scatter, 0.08), 4.0),
        "between": between,
        "gain": math.log(max(patch.gain, 0.1) / area),
    }
    return sum(WEIGHTS[name] * value for name, value in signs.items())


def _tone_and_rim(patch: _Patch, strip: EdgeStrip) -> tuple[float, float]:
    """Median tone of a patch, and its step against what lies just outside its outline."""
    tone = strip.tone[patch.start : patch.stop]
    column = np.arange(tone.shape[1])[None]
    top = patch.first + patch.heights[:, None].astype(np.intp)
    within = tone[(column >= patch.first) & (column < top)]
    flanks = slice(patch.first, patch.first + max(2, int(patch.heights.max()) // 2))
    beside = [
        strip.tone[max(0, patch.start - 4) : patch.start, flanks],
        strip.tone[patch.stop : patch.stop + 4, flanks],
    ]
    outside = np.concatenate([tone[(column > top) & (column <= top + 3)], *(b.ravel() for b in beside)])
    medians = [float(np.nanmedian(x)) if np.isfinite(x).any() else 0.0 for x in (within, outside)]
    return medians[0], medians[0] - medians[1]


def _seen_length_m(strip: EdgeStrip) -> float:
    """Length of the lines elsewhere that could be searched [m]."""
    known = np.isfinite(strip.tone)
    shares = [known[:, (strip.v_mm >= d) & (strip.v_mm < d + 5.0)].mean() for d in strip.elsewhere_mm]
    return float(np.sum(shares)) * len(strip.s_mm) * STATION_MM / 1000.0


@dataclass(frozen=True, eq=False)
class _Chance:
    """How many patches of at least a weight the pavement makes by chance: an exponential tail beyond those seen."""

    weights: Array
    """Of patches elsewhere, falling."""
    length_m: float
    """Of the lines they were looked for along."""
    count: int
    """How many of the heaviest tell the tail."""
    scale: float

    @classmethod
    def of(cls, weights: Sequence[float], length_m: float) -> _Chance:
        ordered = np.sort(np.asarray(weights, np.float64))[::-1]
        count = min(len(ordered), max(3, len(ordered) // 4))
        excess = float(np.sum(ordered[:count] - ordered[count - 1])) if count else 0.0
        # As if two more had been seen with the usual scale: few patches do not tell it well.
        return cls(ordered, length_m, count, (excess + 2.0 * _USUAL_SCALE) / (count + 2.0))

    def per_m(self, weight: float) -> float:
        """To expect along a metre, with the usual pavement counting as one metre more."""
        usual = _USUAL_PER_M * math.exp(-(weight - _USUAL_FROM) / _USUAL_SCALE)
        if self.count < 3:
            return usual
        start = float(self.weights[self.count - 1])
        seen = float(np.sum(self.weights >= weight)) if weight < start else 0.0
        tail = (self.count + 0.5) * math.exp(-max(weight - start, 0.0) / self.scale)
        return (seen + tail + usual) / (self.length_m + 1.0)


_USUAL_PER_M, _USUAL_FROM, _USUAL_SCALE = 12.0, -5.0, 0.65
"""Tail of weights in the mean over rendered scenes; other renderings have the same within a factor of 1.5."""


@dataclass(frozen=True)
class DeepestChip:
    """Mean and standard deviation of the deepest chip's depth, the latter by its causes."""

    depth_mm: float
    u_which_mm: float
    """Which patches are chips, and what does not show."""
    u_rim_mm: float
    """Where the rims of chips lie."""


PEAK_SHARE = 1.1
"""An outline of least cost cuts a chip's peak by a tenth."""
RIM_MM, RIM_SHARE, RIM_BLURS = 0.4, 0.1, 0.3
"""Standard uncertainty of a rim: a part, a share of the depth, and a share of the blur."""
USUAL_MM, USUAL_SPREAD_MM = 1.5, 0.6
"""Deepest of the small chips a sawn edge has (common practice: up to 2 mm), which show in few photos."""
CHIPS_PER_M = 1.0
"""Deeper chips a metre of edge, as assumed where nothing is seen."""
UNSEEN_LEAST, UNSEEN_PER_SCATTER, UNSEEN_MOST = 0.1, 1.0, 0.6
"""Share of deeper chips that do not show: more, the more the pavement's own tone scatters."""
UNSEEN_MM = (1.5, 11.0)
"""Range of depth of those, the shallow ones more often."""
_DEPTHS = np.arange(0.0, 22.0, 0.1)


def deepest_chip_of(edges: Sequence[EdgeChips]) -> DeepestChip:
    """Law of the deepest chip along some edges: the deepest of what every edge has, what is seen, and what is not."""
    below = ndtr((_DEPTHS - USUAL_MM) / USUAL_SPREAD_MM)
    rims, shares = [], []
    for edge in edges:
        below = below * _unseen(edge)
        for face in edge.faces:
            depth = face.depth_mm * PEAK_SHARE
            rim = RIM_MM + RIM_SHARE * depth + RIM_BLURS * edge.blur_mm
            below = below * (1.0 - face.probability * (1.0 - ndtr((_DEPTHS - depth) / rim)))
            rims.append(rim)
            shares.append(face.probability)
    density = np.clip(np.diff(below, prepend=0.0), 0.0, None)
    density /= density.sum()
    mean = float(density @ _DEPTHS)
    variance = float(density @ (_DEPTHS - mean) ** 2)
    rim = float(np.sqrt(np.average(np.square(rims), weights=shares))) if shares else RIM_MM
    rim = min(rim, math.sqrt(variance))
    return DeepestChip(mean, math.sqrt(max(variance - rim**2, 0.0)), rim)


def _unseen(edge: EdgeChips) -> Array:
    """Probability that no chip deeper than each of ``_DEPTHS`` went unseen."""
    share = min(UNSEEN_LEAST + UNSEEN_PER_SCATTER * edge.scatter, UNSEEN_MOST)
    missed = -math.expm1(-CHIPS_PER_M * edge.length_mm / 1000.0 * share)
    low, high = UNSEEN_MM
    shallower = np.clip((_DEPTHS - low) / (high - low), 0.0, 1.0) ** 0.6
    return np.asarray(1.0 - missed * (1.0 - shallower))
