"""One edge of a sensor's top: straight by nature, so one straight line with sub-pixel location.

An edge is located where light changes fastest across it, in blocks along it, through which a robust straight line is
laid. Where several parallel changes lie close together (a chamfer with its glint, a joint, a shadow), ``_settled`` says
which of them is the edge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from verifier.finding import Axis
from verifier.linefit import robust_scale
from verifier.plane import Array
from verifier.surface_colour import colour_verdict
from verifier.surface_strip import Picture, Samples

ACROSS_MM = 16.0
"""Half width of the strip in which an edge is looked for, about where the votes put it."""
STEP_MM = 0.2
SMOOTH_MM, BLUR_PX = 0.4, 0.8
"""Standard deviations of the smoothing across, and of a sharp photo's blur in pixels."""
BLOCK_MM, LONGEST_BLOCK_MM, BLOCKS = 8.0, 24.0, 40
"""Length of the blocks along an edge: longer ones on a long edge, which faint edges need, but no fewer than so many."""
SLOPE = 0.014
"""Largest slope of the edge against the voted axis."""
CHAMFER_MM = 1.6
"""Changes of light nearer to each other than this belong to one edge."""
LINES = 4
"""Lines looked at on each side of a hypothesis: the edge itself, the slot's edge outside it, a streak inside it."""
_APART, _CHAMFER, _DARK_LINE = int(2.0 / STEP_MM), int(CHAMFER_MM / STEP_MM), int(2.6 / STEP_MM)
OUTERMOST_SHARE = 0.35
"""How strong a change must be, against the strongest near it, to count."""
ARRIS_MM = 0.25
"""Radius, about, to which an arris is rounded."""
LIGHT_PX = 0.3
"""Standard uncertainty of an edge by light alone, in pixels."""
STAIR_DOUBT = 0.25
"""Standard uncertainty of which step of a stair is the edge, as a share of the stair's width."""


@dataclass(frozen=True, eq=False)
class StraightEdge:
    """One edge of the sensor: offset from an axis as a straight line of the station, n = offset + slope (s - s_mid)."""

    offset_mm: float
    slope: float
    s_mid_mm: float
    covariance: Array
    """Of (offset, slope), from the scatter of the blocks along the edge."""
    scatter_mm: float
    """Robust standard deviation of the blocks about the line."""
    share: float
    """Share of the blocks that lie on the line."""
    strength: float
    """Change of light across the edge in units of its scatter along the edge."""
    width_mm: float
    """Standard deviation of the spread of the change across the edge: blur, or a rounded arris."""
    doubt_mm: float
    """Standard uncertainty of which of several changes of light close together is the edge."""

    def at(self, s_mm: Array) -> Array:
        """Offset at stations ``s_mm``."""
        return np.asarray(self.offset_mm + self.slope * (np.asarray(s_mm) - self.s_mid_mm))


class CoherentLine(NamedTuple):
    """A line along which light changes alike from block to block."""

    score: float
    place: int
    """Index across, at the middle of the stations."""
    slope: float
    """Outward, per mm along."""
    shift_mm: float = 0.0
    doubt_mm: float = 0.0
    """See ``_Settled``."""


@dataclass(frozen=True, eq=False)
class EdgeStrip:
    """The change of light about the place where an edge is expected, seen outward."""

    change: Array
    """Shape (B, N, 3): blocks along, ``STEP_MM`` across, outward."""
    profiles: Array
    """Linear light, shape (B, N, 3)."""
    pixel_mm: float
    """Size of a pixel across."""
    centres_mm: Array
    """Stations of the blocks, shape (B,)."""
    mid_mm: float
    guess_mm: float
    """Offset of the middle across from the axis."""
    outward: int
    """+1 where the sensor lies below the edge."""

    @classmethod
    def look(
        cls, picture: Picture, axis: Axis, s_mm: Array, guess_mm: float, outward: int, usable: NDArray[np.bool_]
    ) -> EdgeStrip | None:
        """Look about offset ``guess_mm`` of ``axis`` at the usable stations (S,); None where too few are."""
        n = np.arange(-ACROSS_MM, ACROSS_MM + STEP_MM / 2, STEP_MM)
        light = picture.linear(picture.grid(axis, s_mm, guess_mm + outward * n))
        centres, profiles = _blocks(light, s_mm, usable)
        if len(centres) < max(6, 0.5 * (s_mm[-1] - s_mm[0]) / _block_mm(s_mm)):
            return None
        middle = axis.to_plane(np.array([s_mm.mean()]), np.array([guess_mm]))
        pixel = 1.0 / np.linalg.norm(picture.plane.pixels_per_mm(middle)[0] @ axis.normal)
        return cls(_change(profiles), profiles, float(pixel), centres, float(centres.mean()), guess_mm, outward)

    def outward_mm(self, line: CoherentLine) -> float:
        """How far outside the guess a line lies."""
        return line.place * STEP_MM - ACROSS_MM + line.shift_mm

    def lines(self) -> list[CoherentLine]:
        """The most coherent lines, best first, each moved to the change near it that is the top's edge."""
        found = _coherent_lines(self.change, self.centres_mm - self.mid_mm)
        inner = range(_APART, self.change.shape[1] - _APART)
        moved = [self._moved(line) for line in found if line.place in inner]
        return [
            line
            for i, line in enumerate(moved)
            if line.place in inner and all(abs(line.place - m.place) > 2 for m in moved[:i])
        ]

    def _moved(self, line: CoherentLine) -> CoherentLine:
        s_mm = self.centres_mm - self.mid_mm
        profiles = _along(self.profiles, s_mm, line.slope)
        settled = _settled(_along(self.change, s_mm, line.slope), profiles.mean(axis=2), line.place, self.pixel_mm)
        steps = np.arange(profiles.shape[1], dtype=np.float64) - settled.place
        n_mm = np.asarray(steps * STEP_MM - settled.shift_mm, np.float64)
        u_mm = float(np.hypot(LIGHT_PX * self.pixel_mm, settled.doubt_mm))
        colour = colour_verdict(profiles, n_mm, u_mm, self.pixel_mm)
        doubt = float(np.hypot(settled.doubt_mm, colour.doubt_mm))
        return line._replace(place=settled.place, shift_mm=settled.shift_mm + colour.shift_mm, doubt_mm=doubt)

    def fit(self, coherent: CoherentLine) -> StraightEdge | None:
        """Locate the edge in every block near a coherent line and lay a robust straight line through the places."""
        s_mm = self.centres_mm - self.mid_mm
        pattern = np.median(_along(self.change, s_mm, coherent.slope)[:, coherent.place], axis=0)
        signed = self.change @ (pattern / (np.linalg.norm(pattern) + 1e-12))
        line, height = _fitted(signed, s_mm, coherent)
        if line is None:
            return None
        level = _along(signed[..., None], s_mm, float(line.value[1]) * STEP_MM)[..., 0]
        outside_mm = float(line.value[0]) * STEP_MM - ACROSS_MM + coherent.shift_mm
        return StraightEdge(
            offset_mm=self.guess_mm + self.outward * outside_mm,
            slope=self.outward * float(line.value[1]) * STEP_MM,
            s_mid_mm=self.mid_mm,
            covariance=line.covariance * STEP_MM**2,
            scatter_mm=line.scatter * STEP_MM,
            share=line.share,
            strength=float(np.median(height) / (robust_scale(height) + 0.02)),
            width_mm=_spread(np.median(level, axis=0), float(line.value[0])),
            doubt_mm=coherent.doubt_mm,
        )


def _blocks(light: Samples, s_mm: Array, usable: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Centres (B,) and mean profiles (B, N, 3) of blocks that are mostly usable."""
    size = max(int(round(_block_mm(s_mm) / (s_mm[1] - s_mm[0]))), 1)
    count = len(s_mm) // size
    used = usable[: count * size].reshape(count, size)
    grouped = light[: count * size].reshape(count, size, *light.shape[1:])
    profiles = (
        np.einsum("bs,bsnc->bnc", used.astype(np.float32), grouped) / np.maximum(used.sum(axis=1), 1)[:, None, None]
    )
    good = used.mean(axis=1) > 0.6
    return s_mm[: count * size].reshape(count, size).mean(axis=1)[good], profiles[good].astype(np.float64)


def _block_mm(s_mm: Array) -> float:
    """Length of blocks for stations over this length."""
    return float(np.clip((s_mm[-1] - s_mm[0]) / BLOCKS, BLOCK_MM, LONGEST_BLOCK_MM))


def _change(profiles: Array) -> Array:
    """Change of light across, (B, N, 3): derivative of a Gaussian of ``SMOOTH_MM``, relative to the light there."""
    half = 6
    x = np.arange(-half, half + 1)
    kernel = x * np.exp(-0.5 * (x * STEP_MM / SMOOTH_MM) ** 2)
    kernel /= (kernel * x).sum()
    flat = np.ascontiguousarray(profiles.transpose(0, 2, 1).reshape(-1, profiles.shape[1]))
    change = cv2.filter2D(flat, cv2.CV_64F, kernel[None, :], borderType=cv2.BORDER_REPLICATE)
    level = cv2.blur(flat, (61, 1), borderType=cv2.BORDER_REPLICATE) + 0.01
    return np.asarray((change / level).reshape(len(profiles), 3, -1).transpose(0, 2, 1))


def _along(change: Array, s_mm: Array, slope: float) -> Array:
    """Change (B, N, 3) with each block shifted so that a line of ``slope`` runs level (whole steps)."""
    shift = np.rint(slope * s_mm / STEP_MM).astype(int)
    index = np.clip(np.arange(change.shape[1])[None, :] + shift[:, None], 0, change.shape[1] - 1)
    return np.take_along_axis(change, index[..., None], axis=1)


def _coherent_lines(change: Array, s_mm: Array) -> list[CoherentLine]:
    """The lines along which the change is most alike from block to block, best first.

    Each block's change counts up to about its typical size, so that a few strong ones elsewhere do not outvote many.
    """
    change, s_mm = _pooled(change), _pooled(s_mm)
    change = change[:, : change.shape[1] // 2 * 2].reshape(len(change), -1, 2, 3).mean(axis=2)
    size = np.sqrt((change**2).sum(axis=2, keepdims=True))
    bounded = (change / np.sqrt(size**2 + (2.0 * np.median(size)) ** 2 + 1e-12)).astype(np.float32)
    reach = float(np.abs(s_mm).max()) + 1e-9
    slopes = np.arange(-SLOPE, SLOPE + 1e-9, 2 * STEP_MM / reach)
    scores = np.stack([(_along(bounded, s_mm, slope / 2).mean(axis=0) ** 2).sum(axis=1) for slope in slopes])
    found: list[CoherentLine] = []
    for _ in range(LINES):
        row, place = np.unravel_index(np.argmax(scores), scores.shape)
        score = float(scores[row, place])
        if found and score < 0.2 * found[0].score:
            break
        found.append(CoherentLine(score, 2 * int(place), float(slopes[row])))
        scores[:, max(int(place) - _APART // 2, 0) : int(place) + _APART // 2 + 1] = 0.0
    return found


def _pooled(blocks: Array) -> Array:
    """Means of neighbouring blocks two by two, where there are plenty."""
    return blocks if len(blocks) < 40 else blocks[: len(blocks) // 2 * 2].reshape(-1, 2, *blocks.shape[1:]).mean(axis=1)


class _Settled(NamedTuple):
    """Which change of light is taken for the top's edge."""

    place: int
    shift_mm: float
    """How far outside that change the edge lies."""
    doubt_mm: float
    """Standard uncertainty that the company of other changes brings."""


def _settled(change: Array, light: Array, place: int, pixel_mm: float) -> _Settled:
    """The change that is the top's edge, among those close to the one at index ``place`` across level blocks.

    ``change`` (B, N, 3) and ``light`` (B, N). Several parallel changes close together are, seen outward:

    - up and down: a bright line. A narrow one is a glinting chamfer, part of the top, and the edge is its outer side;
      in a wider one a flank of the grout in the light lies beside it, and the edge is somewhere within it.
    - down and up: a dark line, a joint or the shadow of a proud top. It is not part of the top, and the edge is its
      inner side; a little outside it, for the arris is rounded and its shaded part belongs to the top.
    - down and down: a chamfer less lit than the face, then grout: the edge is the last step.
    - up and up: grout in the top's shadow, then grout in the light: the edge is the first step.
    """
    middle, level = np.median(change, axis=0), np.median(light, axis=0)
    size, rise = np.sqrt((middle**2).sum(axis=1)), middle.sum(axis=1)
    near = range(max(place - _CHAMFER, 1), min(place + _CHAMFER + 1, len(size) - 1))
    crests = [i for i in near if i == place or (_is_crest(size, i) and size[i] > OUTERMOST_SHARE * size[place])]
    falls, rises = [i for i in crests if rise[i] < 0], [i for i in crests if rise[i] >= 0]
    line = _bright_line(level, rise, falls[-1] if falls else rises[0], pixel_mm)
    if line is not None:
        return line
    if not falls:
        inner = _fall_into_dark(level, rise, rises[0])
        if inner is not None:
            return _Settled(inner, ARRIS_MM, ARRIS_MM)
        return _Settled(rises[0], 0.0, STAIR_DOUBT * (rises[-1] - rises[0]) * STEP_MM)
    shade = ARRIS_MM * _darkness_outside(level, falls[-1])
    stair = STAIR_DOUBT * (falls[-1] - falls[0]) * STEP_MM
    return _Settled(falls[-1], shade, float(np.hypot(stair, shade)) + (ARRIS_MM / 2 if rises else 0.0))


WIDEST_LINE_MM, GLINT_MM = 2.6, 0.3
"""Width of a bright line beside an edge: at most; and what of it is a glinting chamfer at least (common practice: a
third to half of a millimetre)."""
BRIGHTER = 0.2
"""How much brighter than the face a line must be, as a share of how much brighter it is than what lies outside: the
bright rim that sharpening leaves is fainter."""


def _bright_line(level: Array, rise: Array, crest: int, pixel_mm: float) -> _Settled | None:
    """The edge somewhere within a bright line wider than a glinting chamfer, which ends or begins at a crest, if any.

    The two sides of a line as narrow as its blur are seen two standard deviations of the blur apart.
    """
    widest, blur_mm = int(WIDEST_LINE_MM / STEP_MM), float(np.hypot(SMOOTH_MM, BLUR_PX * pixel_mm))
    first = fall = crest
    if rise[crest] < 0:
        low = max(crest - widest, 0)
        first = low + int(np.argmax(rise[low : crest + 1]))
        bounded = first > low
    else:
        fall = crest + int(np.argmin(rise[crest : crest + widest + 1]))
        bounded = fall < crest + widest
    width_mm = (fall - first) * STEP_MM
    if not bounded or width_mm < 2.0 * blur_mm + GLINT_MM or -rise[fall] < rise[first]:
        return None
    face = float(np.median(level[max(first - widest, 0) : max(first - _CHAMFER // 2, 1)]))
    outside = float(np.median(level[fall + _CHAMFER // 2 : fall + widest]))
    top = float(level[first : fall + 1].max())
    if outside > face or top - face < BRIGHTER * (top - outside):
        return None
    unknown_mm = width_mm - GLINT_MM
    return _Settled(fall, -unknown_mm / 2, unknown_mm / math.sqrt(12.0))


def _is_crest(size: Array, i: int) -> bool:
    return bool(size[i] >= size[i - 1] and size[i] >= size[i + 1])


def _fall_into_dark(level: Array, rise: Array, place: int) -> int | None:
    """Index of the fall of light on the inner side of a dark line whose outer side is at ``place``, if there is one."""
    low = max(place - _DARK_LINE, 1)
    face = float(np.median(level[max(low - _DARK_LINE // 2, 0) : low + 1]))
    beyond = float(np.median(level[place + _CHAMFER // 2 : place + _DARK_LINE]))
    if place - low < 3 or not _depth(level[low:place], face, beyond) > 0.2:
        return None
    return low + int(np.argmin(rise[low:place]))


def _darkness_outside(level: Array, place: int) -> float:
    """How distinct a dark line just outside index ``place`` is, 0 ... 1; sharpening's dark rim is none."""
    face = float(np.median(level[max(place - _DARK_LINE, 0) : max(place - _CHAMFER // 2, 1)]))
    high = min(place + _DARK_LINE, len(level) - 1)
    beyond = float(np.median(level[high : high + _DARK_LINE // 2]))
    return float(np.clip((_depth(level[place:high], beyond, face) - 0.12) / 0.3, 0.0, 1.0))


def _depth(line: Array, near: float, far: float) -> float:
    """By how much a line is darker than what is on one side of it (``near``), against the other side (``far``)."""
    dark = float(line.min())
    return (near - dark) / max(far - dark, 1e-3)


def _fitted(signed: Array, s_mm: Array, coherent: CoherentLine) -> tuple[_Line | None, Array]:
    """Robust straight line (in steps across) through the peaks of (B, N) near a coherent line, and their heights."""
    value, line, height = np.array([float(coherent.place), coherent.slope / STEP_MM]), None, np.zeros(0)
    for reach_mm in (1.0, 0.7, 0.5):
        where, height = _peaks_near(signed, value[0] + value[1] * s_mm, reach_mm)
        line = _robust_line(s_mm, where, height)
        if line is None:
            break
        value = line.value
    return line, height


def _peaks_near(signed: Array, expected: Array, reach_mm: float) -> tuple[Array, Array]:
    """In each row, the peak within ``reach_mm`` of the expected place (index): its sub-sample place and its height."""
    index = np.arange(signed.shape[1])
    reach = reach_mm / STEP_MM
    inner = (signed[:, 1:-1] >= signed[:, :-2]) & (signed[:, 1:-1] >= signed[:, 2:])
    crest = np.pad(inner, ((0, 0), (1, 1))) & (np.abs(index - expected[:, None]) <= reach)
    peak = np.argmax(np.where(crest, signed, -1.0), axis=1)
    found = crest.any(axis=1)
    height = np.where(found, signed[np.arange(len(signed)), peak], 0.0)
    return np.where(found, _parabola(signed, peak), expected), np.maximum(height, 0.0)


def _parabola(rows: Array, peak: Array) -> Array:
    """Sub-sample place of the maximum of each row, from the three samples about it."""
    i = np.arange(len(rows))
    inner = np.clip(peak, 1, rows.shape[1] - 2)
    a, b, c = rows[i, inner - 1], rows[i, inner], rows[i, inner + 1]
    bend = a - 2 * b + c
    return inner + np.where(np.abs(bend) > 1e-12, np.clip(0.5 * (a - c) / np.where(bend == 0, 1, bend), -1, 1), 0.0)


def _spread(mean: Array, place: float) -> float:
    """Standard deviation [mm] of the peak of a curve at index ``place``, above a quarter of its height."""
    x = np.arange(len(mean))
    near = np.abs(x - np.clip(place, 0, len(mean) - 1)) <= 1.2 / STEP_MM
    weight = np.maximum(mean[near] - 0.25 * mean[near].max(), 0.0) + 1e-12
    centre = (weight @ x[near]) / weight.sum()
    return float(STEP_MM * np.sqrt((weight @ (x[near] - centre) ** 2) / weight.sum()))


@dataclass(frozen=True, eq=False)
class _Line:
    """Robust straight line: (offset, slope) and its covariance, scatter about it, share of points that lie on it."""

    value: Array
    covariance: Array
    scatter: float
    share: float


def _robust_line(x: Array, y: Array, height: Array) -> _Line | None:
    """Straight line by iteratively reweighted least squares (Tukey's biweight, scale from the MAD).

    Points with little ``height`` are left out and count against the share; None with fewer than six others.
    """
    design = np.column_stack([np.ones_like(x), x])
    keep = height > 0.25 * np.median(height)
    if keep.sum() < 6:
        return None
    value = np.linalg.lstsq(design[keep], y[keep], rcond=None)[0]
    for _ in range(15):
        residual = y - design @ value
        scale = max(robust_scale(residual[keep]), 0.05)
        weight = keep * np.maximum(1.0 - (residual / (4.685 * scale)) ** 2, 0.0) ** 2
        normal = design.T @ (weight[:, None] * design) + 1e-9 * np.eye(2)
        value = np.linalg.solve(normal, design.T @ (weight * y))
    kept = weight > 0.05
    variance = scale**2 * max(_correlation_factor((y - design @ value)[kept]), 1.0)
    return _Line(
        np.asarray(value, np.float64),
        np.asarray(variance * np.linalg.inv(normal), np.float64),
        scale,
        float(kept.mean()),
    )


def _correlation_factor(residual: Array) -> float:
    """By how much neighbouring residuals that are alike raise the variance of a mean: 1 + 2 sum of autocorrelation.

    Summed over the first few lags only, as is usual for a first-order process (Zieba, Metrol. Meas. Syst. 17 (2010) 3).
    """
    r = residual - residual.mean()
    power = float(r @ r) + 1e-12
    factor = 1.0
    for lag in range(1, min(6, len(r) // 4)):
        rho = float(r[lag:] @ r[:-lag]) / power
        if rho <= 0.1:
            break
        factor += 2 * rho
    return factor
