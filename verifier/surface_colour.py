"""Which side of a change of light is which material, told by colour: light and shade change lightness, not colour.

Beside the edge of a sensor's top the grout may slope, so that a bright or a dark line runs along the edge, and light
changes most where shading does, not where the material does. Colour, as the ratios of red, green and blue light, does
not depend on the slope of a dull surface lit by one sort of lamp (the dichromatic reflection model; S. A. Shafer, Using
color to separate reflection components, Color Research and Application 10 (1985) 210-218). A phone records colour at
half the resolution of light (JPEG's chroma subsampling, one colour a pixel on the sensor), so that it decides between
places that lie apart, not about fractions of a pixel; and the lighter side's colour bleeds into the darker side.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from verifier.plane import Array

INSIDE_MM, OUTSIDE_MM = (-6.5, -2.6), (2.4, 4.4)
"""Where the sensor's colour and the grout's are taken from, seen outward from the edge."""
REACH_MM = 2.2
"""How far from the change of light the change of colour may lie."""
LEAST_DIFFERENCE = 0.1
"""Least difference of the two colours (log ratio) to tell them apart."""
MOST_SPREAD = 0.25
"""Largest spread of a colour across, as a share of the difference between both."""
MOST_NOISE = 0.35
"""Largest standard deviation of the difference from block to block, as a share of it."""
U_MM, U_PX = 0.15, 0.7
"""Standard uncertainty of the place where colour changes: of its own, and by the pixel."""
BLEED_PX = 1.2
"""How far, in pixels, colour bleeds into the darker side for each unit of the logarithm of how much darker it is."""
MISLED = 0.3
"""How often light is misled by shading, of all edges: grout is seldom flush, so that a slope in another light often
runs along the edge (a guess)."""
MATERIAL = 0.25
"""How near to pure a colour must be to tell a material (0 the sensor's, 1 the grout's)."""
_BLACK = 0.004


class ColourVerdict(NamedTuple):
    """What colour says about an edge that light has found."""

    shift_mm: float
    """How far outside of it the edge lies."""
    doubt_mm: float
    """Standard uncertainty that their disagreement brings."""


SILENT = ColourVerdict(0.0, 0.0)


def colour_verdict(profiles: Array, n_mm: Array, u_light_mm: float, pixel_mm: float) -> ColourVerdict:
    """Weigh where colour changes against where light does.

    The edge found by light is right, and the two differ by their errors; or it is the edge of a shade, and the material
    changes anywhere within ``REACH_MM``. The probabilities of the two, given how far they are apart, are the weights.

    Args:
        profiles: linear light of level blocks across the edge, (B, N, 3), blue, green, red.
        n_mm: distance outside the edge found by light, (N,).
        u_light_mm: standard uncertainty of that edge.
        pixel_mm: size of a pixel across the edge.
    """
    mixture = _mixture(profiles, n_mm)
    if mixture is None:
        return SILENT
    apart = _half_way(mixture.share, n_mm)
    if apart is None:
        return SILENT
    at_edge = float(np.interp(0.0, n_mm, mixture.share))
    if MATERIAL < at_edge < 1.0 - MATERIAL or (at_edge < 0.5) != (apart > 0):
        return SILENT  # neither material's colour there: the edge itself, a glint, or a third material
    u_colour = U_MM + pixel_mm * (U_PX + BLEED_PX * max(_darkening(profiles, n_mm) * np.sign(apart), 0.0))
    if abs(apart) < u_colour:
        return SILENT  # no disagreement
    u = float(np.sqrt(u_light_mm**2 + u_colour**2 + mixture.spread**2))
    right = (1.0 - MISLED) * float(np.exp(-0.5 * (apart / u) ** 2)) / (u * np.sqrt(2 * np.pi))
    wrong = MISLED / (2.0 * REACH_MM)
    weight = wrong / (right + wrong)
    doubt = np.hypot(apart * np.sqrt(weight * (1.0 - weight)), weight * u_colour)
    return ColourVerdict(weight * apart, float(doubt))


def _darkening(profiles: Array, n_mm: Array) -> float:
    """Logarithm of how much darker it is just outside the edge than just inside."""
    level = np.median(profiles, axis=0).mean(axis=1) + _BLACK
    inside, outside = ((n_mm > low) & (n_mm < high) for low, high in ((-1.6, -0.6), (0.6, 1.6)))
    return float(np.log(level[inside].mean() / level[outside].mean()))


class _Mixture(NamedTuple):
    """How much of the grout's colour there is across an edge."""

    share: Array
    """0 for the sensor's colour, 1 for the grout's, shape (N,)."""
    spread: float
    """Standard deviation of the share within both materials."""


def _mixture(profiles: Array, n_mm: Array) -> _Mixture | None:
    """Shares of the grout's colour across; None where the two colours cannot be told apart."""
    inside, outside = ((n_mm > low) & (n_mm < high) for low, high in (INSIDE_MM, OUTSIDE_MM))
    if min(inside.sum(), outside.sum()) < 4:
        return None
    colour = _colour(np.median(profiles, axis=0))
    difference = colour[outside].mean(axis=0) - colour[inside].mean(axis=0)
    size = float(np.linalg.norm(difference))
    if size < LEAST_DIFFERENCE:
        return None
    across = difference / size**2
    blocks = _colour(profiles) @ across
    noise = float((blocks[:, outside].mean(axis=1) - blocks[:, inside].mean(axis=1)).std())
    share = (colour - colour[inside].mean(axis=0)) @ across
    spread = float(share[inside].std() + share[outside].std())
    return _Mixture(share, spread) if noise < MOST_NOISE and spread < MOST_SPREAD else None


def _colour(light: Array) -> Array:
    """Two logarithms of ratios (..., 2) of blue, green and red light (..., 3)."""
    logs = np.log(light + _BLACK)
    return np.stack([logs[..., 2] - logs[..., 0], logs[..., 2] + logs[..., 0] - 2 * logs[..., 1]], axis=-1)


def _half_way(share: Array, n_mm: Array) -> float | None:
    """The place nearest to 0, within ``REACH_MM``, where the share rises through a half; None where there is none."""
    rises = np.flatnonzero((share[:-1] < 0.5) & (share[1:] >= 0.5))
    places = n_mm[rises] + (0.5 - share[rises]) / (share[rises + 1] - share[rises]) * (n_mm[1] - n_mm[0])
    places = places[np.abs(places) < REACH_MM]
    return float(places[np.argmin(np.abs(places))]) if len(places) else None
