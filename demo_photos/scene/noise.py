"""Random fields that are the same wherever and whenever they are asked: hashes, value noise, scattered stones."""

from __future__ import annotations

import math

import numpy as np

from ._jit import jit

_U = np.uint64
_A, _B, _C = _U(0x9E3779B97F4A7C15), _U(0xC2B2AE3D27D4EB4F), _U(0x165667B19E3779F9)
_D = _U(0xD6E8FEB86659FD93)
_S32, _M16 = _U(32), _U(0xFFFF)

_LATTICE = np.random.default_rng(20770119).uniform(-1.0, 1.0, (256, 256)).astype(np.float32)

FACES = 6
SHAPES = 64


def _stone_shapes() -> np.ndarray:
    """SHAPES convex outlines, each FACES half planes (nx, ny, 1/reach); mean reach is one."""
    rng = np.random.default_rng(5150)
    shapes = np.empty((SHAPES, FACES, 3))
    for shape in shapes:
        angle = (np.arange(FACES) + rng.uniform(-0.42, 0.42, FACES)) * 2 * np.pi / FACES + rng.uniform(0, 2 * np.pi)
        squash = rng.uniform(0.62, 1.0)
        axis = rng.uniform(0, np.pi)
        reach = np.sqrt(np.cos(angle - axis) ** 2 + (squash * np.sin(angle - axis)) ** 2) * rng.uniform(
            0.85, 1.08, FACES
        )
        shape[:, 0], shape[:, 1], shape[:, 2] = np.cos(angle), np.sin(angle), 1 / reach
    return shapes


_SHAPES = _stone_shapes()


@jit
def hash2(ix: int, iy: int, seed: int) -> np.uint64:
    """64 well-mixed bits from a lattice point."""
    h = (_U(ix) * _A) ^ (_U(iy) * _B) ^ (_U(seed) * _C)
    h ^= h >> _S32
    h *= _D
    h ^= h >> _S32
    h *= _D
    h ^= h >> _S32
    return h


@jit
def unit(h: np.uint64, shift: int) -> float:
    """16 of the 64 bits as a number in [0, 1)."""
    return float((h >> _U(shift)) & _M16) * (1.0 / 65536.0)


@jit
def vnoise(x: float, y: float, seed: int) -> float:
    """Smooth value noise in about [-1, 1], features one unit across."""
    x += seed * 17.31
    y += seed * 29.77
    fx, fy = math.floor(x), math.floor(y)
    u, v = x - fx, y - fy
    i0, j0 = int(fx) & 255, int(fy) & 255
    i1, j1 = (i0 + 1) & 255, (j0 + 1) & 255
    u = u * u * (3.0 - 2.0 * u)
    v = v * v * (3.0 - 2.0 * v)
    a = _LATTICE[j0, i0] + (_LATTICE[j0, i1] - _LATTICE[j0, i0]) * u
    b = _LATTICE[j1, i0] + (_LATTICE[j1, i1] - _LATTICE[j1, i0]) * u
    return a + (b - a) * v


@jit
def fbm(x: float, y: float, seed: int, octaves: int) -> float:
    """Sum of octaves of value noise, each turned and half as strong, about [-1, 1]."""
    total, gain = 0.0, 0.55
    for k in range(octaves):
        total += gain * vnoise(x, y, seed + k)
        x, y = 1.63 * x - 1.21 * y, 1.21 * x + 1.63 * y
        gain *= 0.52
    return total


@jit
def stone(x: float, y: float, cell: float, seed: int, keep: float) -> tuple[float, float, float, np.uint64]:
    """The scattered stone that covers (x, y) best.

    Returns its reach d (0 in the middle, 1 at the rim, larger outside), the gradient of d (1/mm), and its hash.
    Stones are convex polygons, one a lattice cell at most; a share `keep` of the cells has one.
    """
    inv = 1.0 / cell
    u, v = x * inv, y * inv
    iu, iv = int(math.floor(u)), int(math.floor(v))
    if u - iu < 0.5:
        iu -= 1
    if v - iv < 0.5:
        iv -= 1
    best, gx, gy, best_hash = 9.0, 0.0, 0.0, _U(0)
    for a in range(2):
        for b in range(2):
            h = hash2(iu + a, iv + b, seed)
            if unit(h, 48) > keep:
                continue
            dx = u - (iu + a + 0.5 + (unit(h, 0) - 0.5) * 0.62)
            dy = v - (iv + b + 0.5 + (unit(h, 16) - 0.5) * 0.62)
            radius = 0.36 + 0.30 * unit(h, 32)
            if dx * dx + dy * dy > 1.35 * radius * radius:
                continue
            shape = _SHAPES[int((h >> _U(40)) & _U(63))]
            reach, active = -1.0, 0
            for k in range(FACES):
                r = (dx * shape[k, 0] + dy * shape[k, 1]) * shape[k, 2]
                if r > reach:
                    reach, active = r, k
            reach /= radius
            if reach < best:
                best, best_hash = reach, h
                scale = shape[active, 2] / radius * inv
                gx, gy = shape[active, 0] * scale, shape[active, 1] * scale
    return best, gx, gy, best_hash


@jit
def smooth(a: float, b: float, x: float) -> float:
    """Cubic step from 0 at a to 1 at b."""
    t = (x - a) / (b - a)
    if t <= 0.0:
        return 0.0
    if t >= 1.0:
        return 1.0
    return t * t * (3.0 - 2.0 * t)


@jit
def lookup(table: np.ndarray, position: float) -> float:
    """Linear interpolation in a one-dimensional table, held constant beyond its ends."""
    last = table.shape[0] - 1
    if position <= 0.0:
        return table[0]
    if position >= last:
        return table[last]
    i = int(position)
    f = position - i
    return table[i] * (1.0 - f) + table[i + 1] * f
