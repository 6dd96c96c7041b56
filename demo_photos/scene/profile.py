"""Curves a saw, a trowel or a spray can leaves: tables against s, drawn at random."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

Array = NDArray[np.float64]
Rng = np.random.Generator

STEP_MM = 0.5


def rough(rng: Rng, n: int, step: float, wavelength: float, rms: float) -> Array:
    """Zero-mean stationary noise of about one wavelength and a given rms, shape (n,)."""
    sigma = wavelength / step / 5.0
    pad = int(4 * sigma) + 1
    raw = gaussian_filter1d(rng.standard_normal(n + 2 * pad), sigma)[pad : pad + n]
    return np.asarray((raw - raw.mean()) / max(raw.std(), 1e-12) * rms)


@dataclass(frozen=True)
class SlotShape:
    """What a random slot is drawn from (mm)."""

    width: float = 76.0
    form: str = "straight"  # straight, bow, wander, kink, step
    amplitude: float = 0.5
    taper: float = 0.0  # change of width over a metre
    ragged: float = 0.18
    small_chips: float = 5.0  # a metre and edge
    big_chips: float = 0.4
    deepest: float = 6.0


def _path(rng: Rng, s: Array, shape: SlotShape) -> Array:
    """Sideways departure of the saw's line from the straight."""
    a, span = shape.amplitude, s[-1] - s[0]
    t = (s - s[0]) / span
    where = rng.uniform(0.3, 0.7)
    if shape.form == "bow":
        reach = rng.uniform(1400, 2600)
        return np.asarray(a * (4 * ((s - s.mean()) / reach) ** 2 - 0.33) * rng.choice([-1, 1]))
    if shape.form == "kink":
        return np.asarray(a * np.abs(s - s[0] - where * span) / 900.0 * rng.choice([-1, 1]))
    if shape.form == "step":
        mid = s[0] + span * np.array(sorted(rng.uniform(0.1, 0.9, 3)))
        return np.asarray(sum(a * rng.choice([-1, 1]) * 0.5 * np.tanh((s - m) / 12.0) for m in mid))
    if shape.form == "wander":
        return rough(rng, len(s), s[1] - s[0], rng.uniform(500, 1400), 0.45 * a)
    return np.asarray(0.0 * t)


def _chips(rng: Rng, s: Array, shape: SlotShape) -> Array:
    """Depth of chips along one edge, >= 0: many small ones and a few big ones, each with a broken outline."""
    out = np.zeros_like(s)
    span = (s[-1] - s[0]) / 1000.0
    sizes = list(rng.uniform(0.4, 1.8, rng.poisson(shape.small_chips * span)))
    if shape.big_chips > 0:
        sizes += list(rng.uniform(1.8, max(1.9, shape.deepest), rng.poisson(shape.big_chips * span)))
    for depth in sizes:
        half = 0.5 * depth * rng.uniform(1.6, 4.5) + 1.0
        centre = rng.uniform(s[0], s[-1])
        lo, hi = np.searchsorted(s, [centre - half, centre + half])
        u = (s[lo:hi] - centre) / half
        if len(u) < 5:
            continue
        skew, power = rng.uniform(-0.5, 0.5), rng.uniform(0.7, 2.2)
        body = (1 - np.abs(np.clip(u + skew * (1 - u * u), -1, 1)) ** power) ** rng.uniform(0.45, 1.0)
        body = np.clip(body * (1 + 0.16 * rough(rng, len(u), 0.5, 5.0, 1.0)), 0, None)
        out[lo:hi] = np.maximum(out[lo:hi], depth * body / max(body.max(), 1e-6))
    return out


@dataclass(frozen=True)
class SlotTables:
    """Edges of a slot against s (step STEP_MM): saw's path and chips, left positive."""

    s: Array
    left: Array
    right: Array
    chip_left: Array
    chip_right: Array


def slot_tables(rng: Rng, low: float, high: float, shape: SlotShape) -> SlotTables:
    """A slot from `low` to `high` mm, two saw cuts that wander a little on their own, chips along both."""
    s = np.arange(low, high + STEP_MM, STEP_MM)
    n = len(s)
    path = _path(rng, s, shape)
    own = 0.12 + 0.15 * shape.amplitude
    edges = []
    for side in (1.0, -1.0):
        drift = rough(rng, n, STEP_MM, rng.uniform(250, 700), own * rng.uniform(0.4, 1.0))
        grain = rough(rng, n, STEP_MM, 3.0, shape.ragged * 0.7) + rough(rng, n, STEP_MM, 9.0, shape.ragged * 0.7)
        edges.append(path + side * (0.5 * shape.width + 0.5 * shape.taper * (s - s.mean()) / 1000.0) + drift + grain)
    return SlotTables(s, edges[0], edges[1], _chips(rng, s, shape), _chips(rng, s, shape))


def overspill(rng: Rng, n: int, mean: float, spread: float, bare: float) -> Array:
    """How far grout reaches past the slot's edge (mm, >= 0): blobs, tongues, bare stretches (share `bare`)."""
    long = rough(rng, n, STEP_MM, rng.uniform(120, 320), 1.0)
    short = rough(rng, n, STEP_MM, rng.uniform(25, 60), 0.35)
    reach = mean + spread * (long + short)
    if bare > 0:
        gate = rough(rng, n, STEP_MM, rng.uniform(180, 420), 1.0)
        cut = np.quantile(gate, bare)
        reach = reach * np.clip((gate - cut) / 0.35, 0, 1)
    ragged = rough(rng, n, STEP_MM, 4.0, 0.22) + rough(rng, n, STEP_MM, 10.0, 0.35)
    return np.asarray(np.clip(reach, 0, None) + np.where(reach > 0.5, ragged, 0.25 * ragged).clip(-0.3, None))
