"""Where along the way from grout to pavement the grout ends: half of the change of light, or within a dark rim.

A path that parts grout from pavement cell by cell is moved to the middle of the transition that it runs in. Where the
grout stands higher than the pavement and light comes from its side, its outer flank is dark and so is the shadow that
it throws on the pavement: a dark line, within which the grout ends somewhere.
"""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from verifier.plane import Array
from verifier.surface_materials import CELL_MM, Patch
from verifier.surface_strip import Samples
from verifier.surface_top import STATION_MM

PROFILE_MM = 5.0
PIECE_MM = 100.0
ALONG_STATIONS = 3
"""Stations apart whose difference tells stones from grout."""
INSIDE_MM, OUTSIDE_MM = (-1.8, -0.8), (0.8, 2.8)
"""Where the light on both sides of a boundary is taken from: close, for the rim of the grout may be shaded."""


class Transition(NamedTuple):
    """Where the middle of the transition from grout to pavement lies beyond a path, and how wide it is [mm]."""

    shift_mm: float
    width_mm: float


def transition(view: Patch, path: Array) -> tuple[Array, Array]:
    """How far beyond the path the middle of the transition lies, and its width, station by station, (S,) each [mm].

    From overlapping pieces of ``PIECE_MM``: where a ridge is high its rim looks other than where grout is flush.
    """
    centres, pieces = _pieces(len(path))
    found = np.array([_half_level(view, path, piece) for piece in pieces])
    along = np.arange(len(path))
    return np.interp(along, centres, found[:, 0]), np.interp(along, centres, found[:, 1])


def _pieces(stations: int) -> tuple[Array, list[slice]]:
    """Middles of overlapping pieces of ``PIECE_MM`` of so many stations, and the pieces."""
    count = max(int(2 * stations * STATION_MM / PIECE_MM) - 1, 1)
    centres: Array = np.asarray((np.arange(count) + 1.0) / (count + 1.0) * stations, np.float64)
    half = max(stations / (count + 1.0), 1.0)
    return centres, [slice(max(int(c - half), 0), int(c + half) + 1) for c in centres]


def _half_level(view: Patch, path: Array, piece: slice) -> Transition:
    """Where beyond the path the light is half way from what it is just inside to what it is just outside.

    A cell that blur divides has light from both sides in proportion, in linear light, so that the half level of the
    mean over all stations is the middle of the transition. Where grout and pavement are equally light on the whole,
    how much light varies along the path takes the place of light.
    """
    x = np.arange(-PROFILE_MM, PROFILE_MM + 0.1, CELL_MM / 2)
    light, good = _straightened(view, path, x, piece)
    if good.mean() < 0.3:
        return _UNKNOWN
    inside, outside = ((x >= low) & (x <= high) for low, high in (INSIDE_MM, OUTSIDE_MM))
    difference = light[:, outside][good[:, outside]].mean(axis=0) - light[:, inside][good[:, inside]].mean(axis=0)
    noise = light[:, outside][good[:, outside]].std(axis=0) + 0.003
    change = _mean_profile(light @ (difference / noise**2).astype(np.float32), good)
    step = ALONG_STATIONS
    variation = _mean_profile(
        np.sqrt((((light[step:] - light[:-step]) / noise) ** 2).sum(axis=2)), good[step:] & good[:-step]
    )
    distinct = float(np.sqrt(((difference / noise) ** 2).sum()))
    by_light = _half_rise(x, change, inside, outside) if distinct > MIN_DIFFERENCE else None
    if by_light is not None and distinct > 2 * MIN_DIFFERENCE:
        by_light = by_light._replace(width_mm=max(by_light.width_mm, _structure(x, change, by_light.shift_mm, inside)))
    within = (x > -4.0) & (x < -1.5)
    contrast = variation[outside].mean() / (variation[within].mean() + 1e-9)
    by_variation = _half_rise(x, variation, within, outside) if contrast > MIN_CONTRAST else None
    return _outer(by_light, by_variation)


def _outer(by_light: Transition | None, by_variation: Transition | None) -> Transition:
    """The one further out, and that what lies between the two is in doubt."""
    if by_light is None or by_variation is None:
        return by_light or by_variation or _UNKNOWN
    apart = max(by_variation.shift_mm - by_light.shift_mm, 0.0)
    return Transition(by_light.shift_mm + apart, by_light.width_mm + apart)


MIN_DIFFERENCE = 0.7
"""Least difference of mean light across a boundary, in units of its variation on pavement, to locate it by."""
MIN_CONTRAST = 2.0
"""Least ratio of how much light varies on pavement and on grout, to locate a boundary by it."""


_UNKNOWN = Transition(0.0, 2.0)


def _half_rise(x: Array, profile: Array, inside: NDArray[np.bool_], outside: NDArray[np.bool_]) -> Transition | None:
    """The place nearest to 0, within 2 mm, where the profile crosses half way from inside to outside; None without one.

    The width is that of a straight ramp of the profile's slope there.
    """
    low, high = float(profile[inside].mean()), float(profile[outside].mean())
    level, step = (low + high) / 2, float(x[1] - x[0])
    crossings = np.flatnonzero((profile[:-1] < level) & (profile[1:] >= level))
    places = x[crossings] + (level - profile[crossings]) / (profile[crossings + 1] - profile[crossings]) * step
    if not len(places) or np.abs(places).min() > 2.0:
        return None
    best = int(np.argmin(np.abs(places)))
    around = profile[max(crossings[best] - 1, 0) : crossings[best] + 3]
    slope = float(around[-1] - around[0]) / (step * (len(around) - 1))
    return Transition(float(places[best]), float(np.clip((high - low) / max(slope, 1e-9), 0.3, 4.0)))


def _structure(x: Array, profile: Array, place_mm: float, inside: NDArray[np.bool_]) -> float:
    """How far beyond a place the profile falls back by a third before it stays on pavement's level; 0 if it does not.

    A groove along the grout with more of it beyond, or a lit rim outside its own shadow, looks like this.
    """
    low, high = float(profile[inside].mean()), float(profile[x > PROFILE_MM - 2.0].mean())
    back = np.flatnonzero(
        (x > place_mm + 0.8) & (x < PROFILE_MM - 1.5) & ((profile - low) / (high - low + 1e-12) < 0.67)
    )
    return float(x[back[-1]] - place_mm + 0.5) if len(back) else 0.0


def _straightened(view: Patch, path: Array, x: Array, piece: slice) -> tuple[Samples, NDArray[np.bool_]]:
    """Light (P, X, 3) at distances ``x`` beyond a piece of the path, and where it was in sight (P, X)."""
    return _shifted(view.light[piece], view.usable[piece], path[piece], x)


def _shifted(light: Samples, usable: NDArray[np.bool_], path: Array, x: Array) -> tuple[Samples, NDArray[np.bool_]]:
    """Light (P, D) or (P, D, 3) at distances ``x`` beyond the path (P,), and where it was in sight (P, X)."""
    place = (path[:, None] + x) / CELL_MM - 0.5
    left = np.clip(np.floor(place).astype(np.intp), 0, light.shape[1] - 2)
    weight = np.clip(place - left, 0, 1).astype(np.float32).reshape(*place.shape, *[1] * (light.ndim - 2))
    index = (left + np.arange(len(path))[:, None] * light.shape[1]).ravel()
    cells = light.reshape(-1, *light.shape[2:])
    before, after = (np.take(cells, k, axis=0).reshape(*place.shape, *light.shape[2:]) for k in (index, index + 1))
    return before + (after - before) * weight, np.take(usable.ravel(), index).reshape(place.shape)


def _mean_profile(values: Samples, good: NDArray[np.bool_]) -> Array:
    """Mean of (S, X) over the good stations, (X,)."""
    return np.asarray((values * good).sum(axis=0) / np.maximum(good.sum(axis=0), 1), dtype=np.float64)


ALONG_MM = 25.0
"""Length of the means along the path in which a dark rim is told from the joints between stones."""
SHORTEST_MM = 30.0
"""Shorter, it is a dark stone."""
RIM_FROM_MM, RIM_TO_MM = -2.0, 2.5
"""Where about the path the darkest part of a rim is looked for."""
PAVEMENT_FROM_MM, PAVEMENT_TO_MM = 8.0, 22.0
DARK, FAINT = 2.5, 1.0
"""How much darker than pavement a dark rim is somewhere, and along its whole length, in standard deviations of means of
pavement along ``ALONG_MM``."""
DARKER = 0.3
"""How much darker than grout it must be, too (log ratio): dark grout has no rim that could be told."""
THROUGHOUT = 0.9
"""Share of a dark rim that is darker than most pavement."""
WIDEST_RIM_MM = 3.0
"""Wider, it is a dark stone, a groove of the pavement, or a shadow that falls on grout and pavement alike."""
_BLACK = 0.004
"""Added to light before its logarithm: the light of code value 12, below which noise rules."""


class Rim(NamedTuple):
    """A strip along a path of which it is unclear whether it is the grout's flank, station by station, (S,) each."""

    shift_mm: Array
    """How far beyond the path the grout ends, as far as the strip changes that; 0 where there is none."""
    u_mm: Array
    """Standard uncertainty that the strip brings; 0 where there is none."""


def unclear_rim(view: Patch, path: Array) -> Rim:
    """The dark line along the path (S,) where there is one, else the smooth strip where there is one."""
    dark, smooth = dark_rim(view, path), smooth_rim(view, path)
    return Rim(*(np.where(dark.u_mm > 0, a, b) for a, b in zip(dark, smooth, strict=True)))


def dark_rim(view: Patch, path: Array) -> Rim:
    """The dark line along the path (S,), where there is one.

    Where the path runs on the inner side of the line, nothing speaks for either: the grout ends in its middle, evenly
    distributed over its width. Where the path runs on the outer side, the line was told to be grout by its look: only
    that part of it which a steep rim's shadow may be is in doubt.
    """
    inner, outer = _dark_sides(view, path)
    width, here = np.nan_to_num(outer - inner), np.isfinite(inner)
    taken_for_grout = np.nan_to_num(inner + outer) < 0.0
    shift = np.where(here & ~taken_for_grout, np.nan_to_num(inner + outer) / 2, 0.0)
    return Rim(shift, width * np.where(taken_for_grout, 0.25, 1.0 / np.sqrt(12.0)))


SMOOTH_TO_MM = 3.5
"""Wider than this a smooth strip is pavement, unless it is flawless; then it counts up to here."""
FLAWLESS, AS_SMOOTH, LESS_SMOOTH = 0.2, 0.45, 0.6
"""Variation along the path, against pavement's, below which a strip is flawless, is smooth, and where it ends; grout
must be as smooth as its end."""
FLANK_SHARE = 0.4
"""How often a smooth strip is a shaded flank of the grout rather than smooth pavement: a guess."""


def smooth_rim(view: Patch, path: Array) -> Rim:
    """A strip beyond the path (S,) that varies along it no more than grout does, over ``PIECE_MM``.

    A flank of the grout that lies in its own shade may be as light as pavement, but has no stones in it. Neither has
    the binder of some pavements. The grout ends at the strip's outer side or where the path runs.
    """
    x = np.arange(-4.0, 10.0, CELL_MM)
    light, good = _straightened(view, path, x, slice(0, None))
    step = ALONG_STATIONS
    noise = light[:, x > SMOOTH_TO_MM][good[:, x > SMOOTH_TO_MM]].std(axis=0) + 0.003
    variation = np.sqrt((((light[step:] - light[:-step]) / noise) ** 2).sum(axis=2))
    both = good[step:] & good[:-step]
    centres, pieces = _pieces(len(path))
    widths = [_smooth_width(x, _mean_profile(variation[piece], both[piece])) for piece in pieces]
    width = np.interp(np.arange(len(path)), centres, widths)
    return Rim(FLANK_SHARE * width, np.sqrt(FLANK_SHARE * (1.0 - FLANK_SHARE)) * width)


def _smooth_width(x: Array, variation: Array) -> float:
    """Width of the smooth strip just beyond the path [mm]; 0 where there is none."""
    pavement = float(np.median(variation[x > 5.0]))
    grout = float(variation[(x > -4.0) & (x < -1.5)].mean())
    near = (x > 0.9) & (x < 2.2)
    if not (grout < LESS_SMOOTH * pavement and variation[near].min() < AS_SMOOTH * pavement):
        return 0.0
    first = int(np.flatnonzero(near)[np.argmin(variation[near])])
    rough = np.flatnonzero(variation[first:] > LESS_SMOOTH * pavement)
    end = float(x[first + rough[0]]) if len(rough) else np.inf
    if variation[near].min() < FLAWLESS * pavement:
        return min(end, SMOOTH_TO_MM)
    return end if end <= SMOOTH_TO_MM else 0.0


def _dark_sides(view: Patch, path: Array) -> tuple[Array, Array]:
    """Inner and outer side of a dark line along the path, (S,) each [mm beyond the path]; NaN where there is none."""
    x = np.arange(RIM_FROM_MM - 2.0, PAVEMENT_TO_MM, CELL_MM / 2)
    lightness, good = _shifted(view.light.mean(axis=2), view.usable, path, x)
    mean = _mean_along(lightness, good)
    pavement = mean[:, x > PAVEMENT_FROM_MM][good[:, x > PAVEMENT_FROM_MM]]
    nowhere = np.full(len(path), np.nan)
    if len(pavement) < 500:
        return nowhere, nowhere
    near = np.flatnonzero((x >= RIM_FROM_MM) & (x <= RIM_TO_MM))
    stations, darkest = np.arange(len(path)), near[0] + np.argmin(mean[:, near], axis=1)
    dark, grout = mean[stations, darkest], mean[:, : near[0]].max(axis=1)
    level, spread = _level(pavement)
    throughout = _mean_along((lightness < level).astype(np.float32), good)[stations, darkest]
    depth = np.log((level + _BLACK) / (dark + _BLACK)) / spread
    is_line = (dark < grout * np.exp(-DARKER)) & (throughout > THROUGHOUT)
    is_dark = _runs_with(_long_runs(is_line & (depth > FAINT)), depth > DARK)
    sides = np.stack([nowhere, nowhere])
    for i in np.flatnonzero(is_dark):
        inner = _way(mean[i, darkest[i] :: -1], (dark[i] + grout[i]) / 2)
        outer = _way(mean[i, darkest[i] :], (dark[i] + level) / 2)
        sides[:, i] = x[darkest[i]] + np.array([-inner, outer]) * CELL_MM / 2
    sides[:, ~(sides[1] - sides[0] < WIDEST_RIM_MM)] = np.nan
    return sides[0], sides[1]


def _level(pavement: Samples) -> tuple[float, float]:
    """Median of means of pavement in linear light, and their spread as a log ratio."""
    logs = np.log(pavement + _BLACK)
    middle = float(np.median(logs))
    return float(np.exp(middle)) - _BLACK, 1.4826 * float(np.median(np.abs(logs - middle))) + 0.01


def _long_runs(flags: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Only those stretches of ``flags`` (S,) that go on for ``SHORTEST_MM``."""
    kernel = np.ones((1, int(SHORTEST_MM / STATION_MM)), np.uint8)
    return np.asarray(cv2.morphologyEx(flags.astype(np.uint8)[None, :], cv2.MORPH_OPEN, kernel)[0] > 0)


def _runs_with(runs: NDArray[np.bool_], flags: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Only those stretches of ``runs`` (S,) in which a flag (S,) is set for a stone's length at least."""
    _, labels = cv2.connectedComponents(runs.astype(np.uint8)[None, :])
    counts = np.bincount(labels[0][runs & flags], minlength=labels.max() + 1)
    return np.asarray(runs & (counts[labels[0]] * STATION_MM >= SHORTEST_MM / 2))


def _mean_along(values: Samples, good: NDArray[np.bool_]) -> Samples:
    """Mean of (S, X) over ``ALONG_MM`` of the good stations about each."""
    size = (1, int(ALONG_MM / STATION_MM))
    weight = good.astype(np.float32)
    return np.asarray(cv2.blur(values * weight, size) / np.maximum(cv2.blur(weight, size), np.float32(0.01)))


def _way(profile: Samples, level: float) -> float:
    """Samples from the first to where the profile reaches a level, between samples by linear interpolation."""
    above = np.flatnonzero(profile >= level)
    if len(above) == 0:
        return float(len(profile) - 1)
    k = int(above[0])
    return k - float((profile[k] - level) / (profile[k] - profile[k - 1])) if k else 0.0
