"""Where the pavement beside a traced edge is broken: at the arris, and nowhere else if the edge traced is the arris.

A station of the pavement looks like the same station a little farther out: the same stone, the same groove. Across an
arris, the foot of a wall or the rim of a floor nothing goes on. The border of a shadow breaks nothing, nor does thin
paint where the relief goes on below it. So light is correlated, over the stations, between places a short way apart on
both sides of each offset, and compared with what is usual farther out on the same pavement, in the same photo. This
needs no levels and no colours: it tells lines where the light does not, and lines of light where there is no edge.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from verifier.slot_ribbon import slow_along

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]
Image32 = NDArray[np.float32]

INWARD_MM, OUTWARD_MM = 6.0, 62.0
"""Offsets about the edge that are looked at: as far out as a slot's other lines may lie."""
FAR_MM = (6.0, 44.0)
"""Where the pavement is taken to be itself: most of this is, whatever breaks there are."""
LEAST_USUAL, LEAST_SIGMAS = 0.2, 4.0
"""Correlation that must be usual to miss it elsewhere, and in units of its standard error."""
BROKEN, BROKEN_SIGMAS = 0.4, 2.5
"""Share of the usual correlation below which the pavement is broken, and by how many standard errors less."""
STILL_WHOLE = 0.5
"""An edge at which more than this share is left is none."""
WELL_OUTSIDE_MM, MOST_BREAKS = 25.0, 2
"""A pavement that is broken more often than by one overlay out there is brushed along the slot, and does not tell."""
CLEARLY_BROKEN = 0.25
"""One at which less than this is left, and no other break outside, is surely the arris."""
_SLOW_MM = 20.0
_MOST_SIGMAS = 3.0
_ZONE_MM = 0.8
_LEAST_LAG_MM, _LAG_BLURS = 1.5, 2.2
_STONES_MM = 15.0
_LEAST_STATIONS = 150
_NEAR_MM, _LEAST_KNOWN = 22.0, 0.6
"""Stations must be known this far out; offsets at this share of them."""


@dataclass(frozen=True)
class Continuity:
    """How the pavement goes on outside a traced edge."""

    left_here: float
    """Correlation across the edge as a share of the usual; near 0 at an arris."""
    breaks_mm: tuple[float, ...]
    """Offsets outside the edge at which the pavement is broken besides, innermost first."""

    @property
    def is_whole(self) -> bool:
        """Whether the pavement goes on across the edge, or seems to while it is broken outside, so that it is none."""
        return self.left_here > (CLEARLY_BROKEN if self.breaks_mm else STILL_WHOLE)

    @property
    def ends_here(self) -> bool:
        """Whether the pavement surely ends at the edge and nowhere outside."""
        return self.left_here < CLEARLY_BROKEN and not self.breaks_mm


def pavement_continuity(light: Image32, v_mm: Array, step_mm: float, blur_mm: float) -> Continuity | None:
    """Where the pavement beside an edge is broken.

    Args:
        light: Linear light of stations beside sound pieces of the edge, shape (S, N); NaN where unknown.
        v_mm: Outward offsets from the edge, evenly spaced, shape (N,).
        step_mm: Distance of stations.
        blur_mm: Blur across the edge (standard deviation).

    Returns:
        None where too little is seen or the pavement's texture is too fine to be followed.
    """
    light = light[np.isfinite(light[:, v_mm < _NEAR_MM]).all(axis=1)]
    if len(light) < _LEAST_STATIONS:
        return None
    # What lies under a bar at most stations is not known, and neither whole nor broken.
    seen = int(np.argmin([*(np.isfinite(light).mean(axis=0) > _LEAST_KNOWN), False]))
    v_mm, texture = v_mm[:seen], _texture(light[:, :seen], step_mm, blur_mm)
    at, alike, lag_mm = _alike(texture, v_mm, max(_LEAST_LAG_MM, _LAG_BLURS * blur_mm))
    far = (at > FAR_MM[0]) & (at < FAR_MM[1])
    usual, error = float(np.median(alike[far])), 1.0 / np.sqrt(_independent(texture, v_mm))
    if usual < max(LEAST_USUAL, LEAST_SIGMAS * error):
        return None
    broken = (alike < BROKEN * usual) & (alike < usual - BROKEN_SIGMAS * error)
    here = float(alike[np.abs(at) < 0.5 * lag_mm].min()) / usual
    breaks = tuple(_breaks(at, broken, lag_mm, blur_mm))
    banded = sum(place > WELL_OUTSIDE_MM for place in breaks) > MOST_BREAKS
    return None if banded else Continuity(here, breaks)


def _texture(light: Image32, step_mm: float, blur_mm: float) -> Array:
    """Log of light less what changes slowly along the edge, glints limited; 0 where unknown."""
    known = np.isfinite(light)
    floor = 0.02 * float(np.median(light[known]))
    log = np.log(np.where(known, light, 1.0) + np.float32(floor))
    fast = np.where(known, log - slow_along(log, _SLOW_MM / step_mm), np.float32(0.0))
    most = _MOST_SIGMAS * fast.std(axis=0)
    smooth = gaussian_filter1d(np.clip(fast, -most, most), max(0.5 * blur_mm / step_mm, 0.5), axis=0)
    return smooth.astype(np.float64)


def _alike(texture: Array, v: Array, lag_mm: float) -> tuple[Array, Array, float]:
    """Offsets (K,), correlation of the texture on both sides of each, and how far apart those are [mm]."""
    cell = float(v[1] - v[0])
    width = max(1, round(_ZONE_MM / cell))
    apart = max(1, round(lag_mm / cell)) + width
    sums = np.concatenate([np.zeros((len(texture), 1)), np.cumsum(texture, axis=1)], axis=1)
    zones = sums[:, width:] - sums[:, :-width]
    power = np.sum(zones**2, axis=0)
    products = np.sum(zones[:, :-apart] * zones[:, apart:], axis=0)
    middles = v[: zones.shape[1]] + (width - 1) * cell / 2
    alike = products / np.sqrt(power[:-apart] * power[apart:] + 1e-12)
    return (middles[:-apart] + middles[apart:]) / 2, alike, apart * cell


def _independent(texture: Array, v: Array) -> float:
    """Number of independent stations, from the autocorrelation along the edge of light some way out."""
    column = texture[:, int(np.argmin(np.abs(v - _STONES_MM)))]
    power = float(column @ column) + 1e-12
    total = 1.0
    for lag in range(1, len(column) // 4):
        rho = float(column[lag:] @ column[:-lag]) / power
        if rho < 0.05:
            break
        total += 2.0 * rho
    return len(column) / total


def _breaks(at: Array, broken: Bools, lag_mm: float, blur_mm: float) -> Iterator[float]:
    """Places of breaks outside the edge: middles of those apart from its own, and how much its own extends too far."""
    index = np.flatnonzero(broken & (at > -0.5 * lag_mm))
    for run in np.split(index, np.flatnonzero(np.diff(index) > 1) + 1):
        if not len(run):
            continue
        low, high = float(at[run[0]]), float(at[run[-1]])
        if low > 0.6 * lag_mm:
            yield (low + high) / 2
        elif high - 0.5 * lag_mm > max(0.8, 0.5 * blur_mm):
            yield high - 0.5 * lag_mm
