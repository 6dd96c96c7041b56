"""The arris in the mean cross-section of one edge, with the wall below it taken into account.

On the side away from the camera a strip of the wall shows between arris and floor: wide and plain, or as narrow as the
blur where the camera stands above the slot. A narrow strip shifts the middle level inward where the wall is lit and
outward where it is not. Its width follows from the camera's position and the slot's depth, which is roughly known; so
the mean cross-section, lined up on the edge found, is fitted with floor, wall and pavement behind one blur, and the
arris is taken from there. What the fit leaves open goes into the budget.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.special import ndtr

from verifier.slot_texture import TextureReach

Array = NDArray[np.float64]

USUAL_DEPTH_MM = 60.0
DEPTH_SPREAD = 0.3
"""Standard deviation of the logarithm of the depth: slots for these sensors are 35 to 90 mm deep (common practice)."""
_TEXTURE = 0.05
"""Relative scatter of the pavement's mean tone from column to column."""
_CORRELATION_MM = 1.0
"""Columns closer than this share their scatter."""


GLARE_BLURS = 1.1
_ASTRAY, _MISLED = 0.1, 0.05
_SHADED, _SHADOW_MM = 0.2, 3.0
"""Probability that a shadow lies between a floor in the light and the arris that hides its wall, and the width up to
which it may be overlooked."""
_GRID_MM, _GRID_REACH_MM = 0.02, 6.0


@dataclass(frozen=True)
class ArrisFit:
    """Where the arris lies relative to the edge found, outward positive."""

    shift_mm: float
    u_mm: float
    blur_mm: float
    misfit: float
    """Root mean square of the weighted residuals."""
    may_be_shadow: bool = False
    """Whether what light shows may be the border of a shadow that the arris throws: on a floor brighter than the
    pavement, above a wall that is hidden."""

    def with_glare(self, inside: float, outside: float) -> ArrisFit:
        """The same where a share of what is inside or outside is brighter than the picture can show.

        The level there is cut off at the top, so that the middle level is too low and is met too far on the dark side:
        by anything from nothing to 1.1 blurs, if the light is up to three times what can be shown.
        """
        shift = 0.5 * (outside - inside) * GLARE_BLURS * self.blur_mm
        u = max(inside, outside) * GLARE_BLURS * self.blur_mm / math.sqrt(12.0)
        return replace(self, shift_mm=self.shift_mm + shift, u_mm=math.hypot(self.u_mm, u))

    def with_texture(self, reach: TextureReach | None) -> ArrisFit:
        """The same with what the reach of the pavement's texture says besides (Bayes' theorem, on a grid).

        A texture may end before the arris, at a chip or in dirt, and what is just inside may be as dark or as bright as
        the pavement: either has no say with a probability of its own. Light that may show a shadow's border misleads
        more often, and inward.
        """
        if reach is None:
            return self
        x = np.arange(-_GRID_REACH_MM, _GRID_REACH_MM + 1e-9, _GRID_MM)
        u = max(self.u_mm, 2.0 * _GRID_MM)
        ends = np.exp(-0.5 * ((x - reach.end_mm) / reach.u_mm) ** 2) / (reach.u_mm * math.sqrt(2.0 * math.pi))
        light = np.exp(-0.5 * ((x - self.shift_mm) / u) ** 2) / (u * math.sqrt(2.0 * math.pi))
        anywhere = np.full(len(x), 1.0 / np.ptp(x))
        outside = ((x > self.shift_mm) & (x < self.shift_mm + _SHADOW_MM)) / _SHADOW_MM
        misled, misplaced = (_SHADED, outside) if self.may_be_shadow else (_MISLED, anywhere)
        density = ((1.0 - misled) * light + misled * misplaced) * ((1.0 - _ASTRAY) * ends + _ASTRAY * anywhere)
        density /= density.sum()
        mean = float(density @ x)
        return replace(self, shift_mm=mean, u_mm=math.sqrt(float(density @ (x - mean) ** 2)))


def fit_arris(v_mm: Array, light: Array, blur_mm: float, wall_mm: float) -> ArrisFit:
    """Fit a mean cross-section lined up on the edge found.

    Args:
        v_mm: Outward offsets, shape (N,).
        light: Mean linear light, shape (N,), finite.
        blur_mm: Blur (standard deviation) expected across the edge.
        wall_mm: Apparent width of a wall ``USUAL_DEPTH_MM`` high below the arris; not positive where it is hidden.
    """
    scale = float(np.ptp(light)) or 1.0
    y = light / scale
    room = float(v_mm[-1]) - 1.5 * blur_mm - 1.5
    floor, pavement = _levels(v_mm, y)
    may_be_shadow = wall_mm < 0.3 * blur_mm and floor > pavement
    supposed = [(wall_mm, 0.0)]
    if 0.3 * blur_mm < wall_mm < room:
        supposed.append((wall_mm, wall_mm))
    shaded = shaded_strip_mm(v_mm, y) if may_be_shadow else 0.0
    if 0.0 < shaded < room:
        supposed.append((shaded, shaded))
    fits = [_fit(v_mm, y, blur_mm, strip, start) for strip, start in supposed]
    best = min(fits, key=lambda f: f[2])
    weights = np.array([math.exp(-0.5 * min(f[2] - best[2], 100.0)) for f in fits])
    weights /= weights.sum()
    shift = float(weights @ [f[0] for f in fits])
    between = float(weights @ [(f[0] - shift) ** 2 for f in fits])
    within = float(weights @ [f[1] ** 2 for f in fits])
    return ArrisFit(shift, math.sqrt(between + within), best[3], math.sqrt(best[2] / len(v_mm)), may_be_shadow)


def shaded_strip_mm(v_mm: Array, light: Array) -> float:
    """Width of a dark strip between an edge at 0 with a brighter inside and the pavement; 0.0 where there is none.

    Where the wall is hidden its arris may still throw a shadow on a floor in the light: the edge seen is the shadow's,
    and the arris lies at its other border. Sharpening makes a dark rim too, though not as dark.
    """
    floor, pavement = _levels(v_mm, light)
    outside = np.flatnonzero(v_mm > 0.0)
    darkest = int(outside[np.argmin(light[outside])]) if len(outside) else 0
    dark = float(light[darkest])
    if floor < pavement or pavement - dark < MOST_RIM * (floor - dark):
        return 0.0
    risen = np.flatnonzero((v_mm > v_mm[darkest]) & (light > (pavement + dark) / 2))
    return float(v_mm[risen[0]]) if len(risen) else 0.0


def _levels(v_mm: Array, light: Array) -> tuple[float, float]:
    """Light well inside and well outside of an edge at 0."""
    return float(np.median(light[v_mm <= 0.7 * v_mm[0]])), float(np.median(light[v_mm >= 0.6 * v_mm[-1]]))


MOST_RIM = 0.15
"""Depth of the rim that sharpening leaves, as a share of the step beside it: cameras sharpen by less."""


def _fit(v: Array, y: Array, blur: float, wall: float, start: float) -> tuple[float, float, float, float]:
    """Shift, its standard uncertainty, twice the negative log posterior, and the blur."""
    seen = wall >= 0.3 * blur
    beside = (v > start + 1.5 * blur) & (v < start + 1.5 * blur + 2.0)
    top = float(np.median(y[beside])) if beside.any() else float(np.percentile(y, 95))
    low = float(np.percentile(y, 5))
    sigma = (_TEXTURE * np.abs(y) + 0.01) * math.sqrt(max(_CORRELATION_MM / (v[1] - v[0]), 1.0))

    reach = min(max(0.6 * blur, wall), 2.0)

    def residual(p: Array) -> Array:
        model = _model(v, p, wall if seen else 0.0)
        prior = [
            (p[0] - start) / reach, (p[1] - math.log(blur)) / 0.2, p[2] / DEPTH_SPREAD,
            (p[3] - low) / 0.5, (p[4] - top) / 0.3, (p[5] - (low + top) / 2) / 0.5, (p[6] - low) / 0.5, p[7] / 0.05,
        ]  # fmt: skip
        return np.concatenate([(model - y) / sigma, prior])

    first = np.array([start, math.log(blur), 0.0, low, top, (low + top) / 2, (low + top) / 2, 0.0])
    found = least_squares(residual, first, method="lm" if len(v) > 8 else "trf", max_nfev=200)
    covariance = np.linalg.pinv(found.jac.T @ found.jac)
    widening = max(1.0, float(np.mean(found.fun[: len(v)] ** 2)))
    return float(found.x[0]), math.sqrt(covariance[0, 0] * widening), 2.0 * float(found.cost), math.exp(found.x[1])


def _model(v: Array, p: Array, wall: float) -> Array:
    """Floor, wall (straight from foot to arris) and pavement (with a slope) behind a Gaussian blur."""
    arris, blur, width = p[0], math.exp(p[1]), wall * math.exp(p[2])
    floor, pavement, at_arris, at_foot, slope = p[3], p[4], p[5], p[6], p[7]
    outer = (v - arris) / blur
    rise = ndtr(outer)
    light = floor + (pavement - floor) * rise + slope * (v - arris) * rise
    if width <= 0:
        return np.asarray(light)
    inner = (v - arris + width) / blur
    strip = ndtr(inner) - rise
    # Mean of a ramp from 0 at the foot to 1 at the arris under the blur, by integration in closed form.
    ramp = (inner * ndtr(inner) + _bell(inner) - outer * rise - _bell(outer)) * blur / width - rise
    return np.asarray(light + (at_foot - floor) * strip + (at_arris - at_foot) * ramp)


def _bell(x: Array) -> Array:
    return np.asarray(np.exp(-0.5 * x * x) / math.sqrt(2 * math.pi))
