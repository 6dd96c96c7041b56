"""One side of a slot: which of the steps in its straightened cross-section is the arris.

Going outward from the dark middle one may meet the floor's or a shadow's edge, the foot of the wall, the arris, and
then tape, paint or slurry on the pavement. The arris is the outermost sharp step that runs along the slot, has
pavement outside and something else inside, and that the camera's position allows: the wall below an arris can be
seen only on the side away from the camera, and appears at most as wide as its depth makes it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, uniform_filter1d

from verifier.finding import Axis
from verifier.plane import GroundPlane
from verifier.slot_ribbon import Ribbon, align_blocks, covered_by, sample_along

Array = NDArray[np.float64]

REACH_MM = 75.0
"""How far outside the dark core the cross-section is looked at."""
DEEPEST_MM = 100.0
"""Slots for these sensors are 35 to 90 mm deep (common practice); allowed for with a margin."""
_BLOCK_MM = 40.0
_STATION_MM = 2.0
_LEAST_STEP = 0.05
"""Smallest step (natural log of brightness) that can be told from a pavement's own unevenness of tone."""


@dataclass(frozen=True, eq=False)
class SideView:
    """Straightened cross-sections of one side; offsets grow away from the slot."""

    side: int
    """+1 left, -1 right of the axis."""
    s_mm: Array
    """Stations, shape (S,)."""
    base_mm: Array
    """Offset from the axis (left positive) of u = 0 at each station, shape (S,)."""
    u_mm: Array
    """Outward offsets, shape (U,)."""
    blocks: Array
    """Log brightness of blocks of stations, shape (B, U); NaN where covered or out of the picture."""
    texture: Array
    """Relative scatter of brightness along each offset, shape (U,)."""

    @property
    def profile(self) -> Array:
        """Median over blocks of log brightness, shape (U,)."""
        return np.asarray(np.nanmedian(self.blocks, axis=0))


@dataclass(frozen=True)
class Step:
    """A sharp step along the whole side."""

    u_mm: float
    height: float
    """Change of log brightness outward."""
    rise_mm: float
    """Distance over which the middle 80 % of the step happens."""
    agreement: float
    """Share of blocks that show it with the same sign."""


@dataclass(frozen=True)
class Arris:
    """The step taken for the arris, and what else it might have been."""

    step: Step
    rivals: tuple[Step, ...]
    """Steps that cannot be ruled out as the arris."""


def view_side(
    grey: NDArray[np.uint8], plane: GroundPlane, ribbon: Ribbon, side: int, outlines_mm: Sequence[Array], cell_mm: float
) -> SideView:
    """Sample one side of a slot and line its cross-sections up on that side's own edge."""
    s = np.arange(*ribbon.span_mm, _STATION_MM)
    u = np.arange(-ribbon.half_width_mm, REACH_MM, cell_mm)
    base = ribbon.centre_at(s) + side * ribbon.half_width_mm
    near = u[np.abs(u) < 14.0]
    shift = _side_shift(_sample(grey, plane, ribbon.axis, s, base, side * near, outlines_mm), near, s)
    base = base + side * shift
    light = _sample(grey, plane, ribbon.axis, s, base, side * u, outlines_mm)
    return SideView(side, s, base, u, _blocks(_tone(light, u), _per_block(s)), _texture(light))


def _tone(light: Array, u: Array) -> Array:
    """Log brightness, levelled out below a tenth of the pavement's so that the dark of the slot is one tone."""
    with np.errstate(all="ignore"):
        pavement = float(np.nanmedian(light[:, u > 8.0]))
    return np.asarray(np.log(light + 0.1 * pavement))


def _sample(
    grey: NDArray[np.uint8], plane: GroundPlane, axis: Axis, s: Array, base: Array, n: Array, outlines: Sequence[Array]
) -> Array:
    """Linear light (S, N), NaN on bars; ``n`` may fall as well as rise."""
    light = sample_along(grey, plane, axis, s, base, n).astype(np.float64)
    light[covered_by(outlines, axis, s, base, n, 8.0)] = np.nan
    return np.asarray(light)


def _per_block(s: Array) -> int:
    return max(1, min(round(_BLOCK_MM / (s[1] - s[0])), len(s)))


def _blocks(rows: Array, per_block: int) -> Array:
    """Means of runs of rows that ignore NaN; NaN where less than half is known."""
    rows = rows[: len(rows) // per_block * per_block]
    stack = rows.reshape(-1, per_block, rows.shape[1])
    known = np.isfinite(stack)
    count = known.sum(axis=1)
    total = np.where(known, stack, 0.0).sum(axis=1)
    return np.asarray(np.where(count * 2 >= per_block, total / np.maximum(count, 1), np.nan))


def _side_shift(light: Array, u: Array, s: Array) -> Array:
    """Outward shift of this side's own edge against the ribbon at each station."""
    per_block = _per_block(s)
    middles = s[: len(s) // per_block * per_block].reshape(-1, per_block).mean(axis=1)
    shifts = align_blocks(middles, _blocks(np.log(light + 0.01), per_block)) * (u[1] - u[0])
    return np.interp(s, middles, shifts)


def _texture(light: Array) -> Array:
    """Relative scatter along each offset about its 50 mm running mean (departures limited to 1)."""
    known = np.isfinite(light)
    mean = uniform_filter1d(np.where(known, light, 0.0), 25, axis=0) / np.maximum(
        uniform_filter1d(known.astype(np.float64), 25, axis=0), 1e-3
    )
    ratio = np.where(known, np.clip(light / np.maximum(mean, 1e-4) - 1.0, -1.0, 1.0), 0.0)
    return np.asarray(np.sqrt(np.sum(ratio**2, axis=0) / np.maximum(known.sum(axis=0), 1)))


def find_steps(view: SideView, blur_mm: float) -> list[Step]:
    """Sharp steps of the median cross-section, from inside to outside."""
    u, cell = view.u_mm, view.u_mm[1] - view.u_mm[0]
    profile = view.profile
    slope = gaussian_filter1d(np.gradient(profile, cell), max(blur_mm / cell * 0.7, 0.8))
    peaks = _peaks(np.abs(slope))
    steps = [_step(view, profile, slope, int(k), blur_mm) for k in peaks]
    inside = [t for t in steps if u[0] + 2 < t.u_mm < u[-1] - 8 and abs(t.height) > _LEAST_STEP]
    sharp = [t for t in inside if t.agreement > 0.7 and t.rise_mm < 2.5 + 4.0 * blur_mm]
    return [t for t in sharp if not any(_outshines(other, t, 1.0 + 2.0 * blur_mm) for other in sharp)]


def _outshines(a: Step, b: Step, reach_mm: float) -> bool:
    """Whether step b is only the skirt of the steeper step a."""
    return a is not b and abs(a.u_mm - b.u_mm) < reach_mm and abs(a.height) / a.rise_mm > 2 * abs(b.height) / b.rise_mm


def _peaks(values: Array) -> NDArray[np.intp]:
    middle = values[1:-1]
    return np.flatnonzero((middle >= values[:-2]) & (middle > values[2:]) & (middle > 0.004)) + 1


def _step(view: SideView, profile: Array, slope: Array, k: int, blur_mm: float) -> Step:
    """Height between the plateaus on both sides, rise by the slope's width, and agreement of the blocks."""
    u = view.u_mm
    near, far = 0.8 + 1.3 * blur_mm, 2.8 + 1.3 * blur_mm
    outside, inside = (u > u[k] + near) & (u < u[k] + far), (u > u[k] - far) & (u < u[k] - near)
    if not outside.any() or not inside.any():
        return Step(float(u[k]), 0.0, math.inf, 0.0)
    height = float(np.median(profile[outside]) - np.median(profile[inside]))
    with np.errstate(all="ignore"):
        single = np.nanmean(view.blocks[:, outside], axis=1) - np.nanmean(view.blocks[:, inside], axis=1)
    single = single[np.isfinite(single)]
    agreement = float(np.mean(single * np.sign(height) > 0.3 * abs(height))) if len(single) else 0.0
    steepest = float(abs(slope[k]))
    rise = 0.8 * abs(height) / steepest if steepest > 0 else math.inf
    return Step(float(u[k]), height, rise, agreement)


@dataclass(frozen=True)
class Pavement:
    """What untouched pavement beside the slot looks like: log brightness and relative texture."""

    tone: float
    texture: float

    def unlike(self, tone: float, texture: float) -> float:
        """How unlike pavement a zone is: about 1 at the border of what still passes."""
        by_tone = abs(tone - self.tone) / 0.25
        by_texture = abs(math.log((texture + 0.01) / (self.texture + 0.01))) / 0.7
        return math.hypot(by_tone, by_texture)


def pavement_beside(view: SideView) -> Pavement:
    """Median look of what lies 20 to 70 mm outside the dark core, smooth stuff (tape) left out if there is other."""
    far = view.u_mm > 20.0
    tone, texture = view.profile[far], view.texture[far]
    known = np.isfinite(tone)
    rough = known & (texture > 0.4 * float(np.max(texture[known], initial=0.0)))
    return Pavement(float(np.median(tone[rough])), float(np.median(texture[rough]))) if rough.any() else Pavement(0, 0)


def wall_in_sight_mm(plane: GroundPlane, axis: Axis, edge_mm: float, side: int, depth_mm: float) -> float:
    """Apparent width of the wall below an arris at offset ``edge_mm``; negative on the side where it is hidden."""
    camera_n, height = float(axis.from_plane(plane.camera_mm[:2])[1]), float(plane.camera_mm[2])
    return side * (edge_mm - camera_n) * depth_mm / (height + depth_mm)


def choose_arris(
    steps: Sequence[Step], view: SideView, wall_mm: float, references: Sequence[Pavement], blur_mm: float
) -> Arris | None:
    """The arris among the steps of one side.

    Args:
        steps: From ``find_steps``.
        view: The side.
        wall_mm: Greatest apparent width of the wall below the arris; not positive on the camera's side.
        references: What pavement looks like, on both sides of the slot.
        blur_mm: Optical blur (standard deviation) across the edge.
    """
    core = _core_edge(steps)
    if core is None:
        return None
    sharpest = min(t.rise_mm for t in steps)
    limit = 2.0 * sharpest + 1.0
    reach = max(wall_mm, 0.0) + 2.0
    outer = [t for t in steps if core.u_mm <= t.u_mm <= core.u_mm + reach and (t.rise_mm <= limit or t is core)]
    scored = [(t, *_looks(t, steps, view, references, blur_mm)) for t in outer]
    best = core
    for step, inside, outside in scored:
        if step is not core and outside < 1.5 and inside > outside + 0.7:
            best = step
    doubtful = [
        t for t, inside, outside in scored
        if t is not best and t is not core and abs(inside - outside) < 0.7 and t.u_mm > best.u_mm
    ]  # fmt: skip
    return Arris(best, tuple(doubtful))


def _core_edge(steps: Sequence[Step]) -> Step | None:
    """The dark core's edge: the strongest step to brighter near u = 0."""
    near = [t for t in steps if abs(t.u_mm) < 14.0 and t.height > 0]
    return max(near, key=lambda t: t.height - 0.02 * abs(t.u_mm), default=None)


def _looks(
    step: Step, steps: Sequence[Step], view: SideView, references: Sequence[Pavement], blur_mm: float
) -> tuple[float, float]:
    """How unlike pavement the zones just inside and just outside a step are."""
    inner = max((t.u_mm for t in steps if t.u_mm < step.u_mm), default=step.u_mm - 8.0)
    outer = min((t.u_mm for t in steps if t.u_mm > step.u_mm), default=step.u_mm + 12.0)
    margin = 0.5 + 1.3 * blur_mm
    zones = ((max(inner, step.u_mm - 8.0), step.u_mm), (step.u_mm, min(outer, step.u_mm + 12.0)))
    result = []
    for low, high in zones:
        zone = (view.u_mm > low + margin) & (view.u_mm < high - margin)
        if not zone.any():
            zone = np.abs(view.u_mm - (low + high) / 2) <= (view.u_mm[1] - view.u_mm[0])
        tone, texture = float(np.nanmedian(view.profile[zone])), float(np.median(view.texture[zone]))
        result.append(min(p.unlike(tone, texture) for p in references))
    return result[0], result[1]
