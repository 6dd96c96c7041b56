"""How far the pavement's own texture reaches towards a slot.

Light shows where something begins; it does not show whether a strip as narrow as the blur belongs to the pavement or to
the wall below it, where both are about equally bright. But what a station of the pavement looks like just outside the
arris goes on up to the arris (the same stone, the same groove) and not beyond it: a wall has a texture of its own. So
the light at each offset is regressed, over the stations, on the light of a zone of pavement farther out. The slope
falls with distance as the pavement's own texture does, which is measured still farther out, and to nothing across the
arris, behind the same blur: its middle is the arris, whatever the mean levels are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from verifier.slot_ribbon import slow_along

Array = NDArray[np.float64]
Image32 = NDArray[np.float32]

INWARD_MM, OUTWARD_MM = 5.0, 12.0
"""Offsets about the edge that the strip must cover."""
LEAST_SLOPE = 0.35
"""A texture that goes on less than this from the zone to the edge does not tell."""
FARTHEST_MM = 3.5
"""Where the arris may lie farther outside than this beyond the blur, textures do not go on for long enough to tell."""
MOST_UNCERTAIN_MM = 0.6
_SLOW_MM = 30.0
"""Changes of light along the edge slower than this are no texture."""
_MOST_SIGMAS = 3.0
_PARTS = 10
_GRID_MM = 0.05
_UNKNOWN_BLUR = 0.2
"""Standard uncertainty of where texture ends within the blur, in units of the blur."""
_LEAST_STATIONS = 150


@dataclass(frozen=True)
class TextureReach:
    """Where the pavement's texture ends, outward positive from the edge found."""

    end_mm: float
    u_mm: float


def texture_reach(light: Image32, v_mm: Array, step_mm: float, blur_mm: float, room_mm: float) -> TextureReach | None:
    """Where the pavement's texture ends.

    Args:
        light: Linear light of stations beside sound pieces of the edge, shape (S, N); NaN where unknown.
        v_mm: Outward offsets from the edge, evenly spaced, from ``-INWARD_MM`` outward, shape (N,).
        step_mm: Distance of stations.
        blur_mm: Blur across the edge (standard deviation).
        room_mm: How far outside the edge found the arris may lie.

    Returns:
        None where too little is seen, or where the texture is too fine to tell.
    """
    texture = _texture(light, step_mm)
    zone_mm, width_mm = 1.5 * blur_mm + 0.4 + max(room_mm, 0.0), max(0.8, 0.8 * blur_mm)
    if room_mm > FARTHEST_MM or len(texture) < _LEAST_STATIONS or zone_mm + 2.0 * width_mm + 1.0 > v_mm[-1]:
        return None
    products = _Products.of(texture, v_mm, zone_mm, width_mm)
    end, slope = _end(*products.slopes(), v_mm, blur_mm)
    if slope < LEAST_SLOPE:
        return None
    without = [_end(*products.slopes(without=k), v_mm, blur_mm)[0] for k in range(_PARTS)]
    # Delete-a-group jackknife (Kott 2001).
    scatter = float(np.sqrt((_PARTS - 1) * np.var(without)))
    u = float(np.hypot(scatter, _UNKNOWN_BLUR * blur_mm / slope + 0.5 * float(v_mm[1] - v_mm[0])))
    return TextureReach(end, u) if u < MOST_UNCERTAIN_MM else None


def _texture(light: Image32, step_mm: float) -> Array:
    """Light less what changes slowly along the edge, single glints limited, of stations that are wholly known."""
    known = light[np.isfinite(light).all(axis=1)]
    if len(known) < 2:
        return known.astype(np.float64)
    fast = (known - slow_along(known, _SLOW_MM / step_mm)).astype(np.float64)
    most = _MOST_SIGMAS * fast.std(axis=0)
    return np.asarray(np.clip(fast, -most, most))


def _end(slope: Array, usual: Array, v: Array, blur: float) -> tuple[float, float]:
    """Where the slope falls to half of the pavement's usual one, and the usual one there."""
    v = v[: len(slope)]
    places = np.arange(v[0] + 2.0 * blur, v[-1] - 0.5 * blur, _GRID_MM)
    models = usual * ndtr((v - places[:, None]) / blur)
    # The texture there may be a little stronger or weaker than farther out: a common factor, near 1.
    prior = 0.3
    factor = (models @ slope + prior) / (np.sum(models**2, axis=1) + prior)
    misfit = np.sum((slope - factor[:, None] * models) ** 2, axis=1) + prior * (factor - 1.0) ** 2
    best = float(places[int(np.argmin(misfit))])
    return best, float(np.interp(best, v, usual))


@dataclass(frozen=True, eq=False)
class _Products:
    """Sums over stations, part by part, of products of light in zones with light at all offsets."""

    starts: NDArray[np.intp]
    """First offset of each zone, shape (Z,)."""
    mixed: Array
    """Zone times offset, shape (P, Z, N)."""
    squares: Array
    """Zone times itself, shape (P, Z)."""

    @classmethod
    def of(cls, texture: Array, v: Array, zone_mm: float, width_mm: float) -> _Products:
        width = max(1, round(width_mm / float(v[1] - v[0])))
        starts = np.arange(int(np.searchsorted(v, zone_mm)), len(v) - width, max(1, width // 2))
        sums = np.concatenate([np.zeros((len(texture), 1)), np.cumsum(texture, axis=1)], axis=1)
        zones = (sums[:, starts + width] - sums[:, starts]) / width
        parts = [(zones[k], texture[k]) for k in np.array_split(np.arange(len(texture)), _PARTS)]
        mixed = np.stack([zone.T @ light for zone, light in parts])
        return cls(starts, mixed, np.stack([np.sum(zone**2, axis=0) for zone, _ in parts]))

    def slopes(self, without: int | None = None) -> tuple[Array, Array]:
        """Slope of light at each offset inside of the first zone on the light in it, shape (N,), and the same of pairs
        of places as far apart that both lie on the pavement; all parts but one."""
        mixed, squares = (
            part.sum(axis=0) - (part[without] if without is not None else 0.0) for part in (self.mixed, self.squares)
        )
        slopes, first = mixed / squares[:, None], int(self.starts[0])
        total, count = np.zeros(first), np.zeros(first)
        for row, start in zip(slopes, self.starts, strict=True):
            shift = int(start) - first
            nearest = max(first - shift, 0)
            total[nearest:] += row[nearest + shift : start]
            count[nearest:] += 1.0
        known = np.flatnonzero(count)
        usual = np.interp(np.arange(first), known, total[known] / count[known]) if len(known) else total
        return np.asarray(slopes[0, :first]), np.asarray(usual)
