"""The road's surface at a point: colour, height, slope, gloss.  Asphalt, concrete, and a desk."""

from __future__ import annotations

import math

import numpy as np

from ._jit import jit
from .layers import Pavement
from .noise import fbm, hash2, smooth, stone, unit, vnoise


@jit
def waves(x: float, y: float, p: Pavement) -> float:
    """Long unevenness of the road, mm."""
    return (
        p.wave * vnoise(x / 900.0, y / 1100.0, p.seed + 3)
        + p.ripple * vnoise(x / 210.0, y / 260.0, p.seed + 4)
        - (p.plane_a + p.plane_b * x + p.plane_c * y)
    )


@jit
def _asphalt(x, y, fp, p):
    """Two sizes of broken stone over sand and bitumen."""
    wx = x + 2.2 * vnoise(x / 19.0, y / 19.0, p.seed + 11)
    wy = y + 2.2 * vnoise(x / 19.0, y / 19.0, p.seed + 12)
    detail = 1.0 - smooth(0.45, 1.3, fp / p.cell1)
    r, g, b = p.mean[0], p.mean[1], p.mean[2]
    h, gx, gy, cavity = 0.0, 0.0, 0.0, 0.0
    if detail > 0.0:
        d, dx, dy, code = stone(wx, wy, p.cell1, p.seed, p.keep1)
        level = 1.0
        cell = p.cell1
        if d >= 1.0:
            ux, uy = 0.829 * wx - 0.559 * wy, 0.559 * wx + 0.829 * wy
            d2, ex, ey, code2 = stone(ux, uy, p.cell2, p.seed + 1, p.keep2)
            if d2 < 1.0:
                d, code, level, cell = d2, code2, 0.62, p.cell2
                dx, dy = 0.829 * ex + 0.559 * ey, -0.559 * ex + 0.829 * ey
        if d < 1.0:
            r, g, b, h, gx, gy, cavity = _stone_face(wx, wy, fp, d, dx, dy, code, level, cell, p)
        else:
            r, g, b, h, gx, gy, cavity = _mastic(wx, wy, fp, d, p)
        if detail < 1.0:
            k = detail
            r, g, b = k * r + (1 - k) * p.mean[0], k * g + (1 - k) * p.mean[1], k * b + (1 - k) * p.mean[2]
            h, gx, gy, cavity = k * h, k * gx, k * gy, k * cavity
    return r, g, b, h, gx, gy, cavity


@jit
def _stone_face(x, y, fp, d, dx, dy, code, level, cell, p):
    """A stone's broken face: its rock, its grain, the bitumen still on it, its rounded rim."""
    pick = int(unit(code, 8) * p.palette.shape[0])
    tone = 0.78 + 0.44 * unit(code, 24)
    grain = 1.0
    if fp < 0.9:
        grain += 0.20 * vnoise(x / 0.7, y / 0.7, p.seed + 21) + 0.12 * vnoise(x / 2.3, y / 2.3, p.seed + 22)
    r, g, b = p.palette[pick, 0] * tone * grain, p.palette[pick, 1] * tone * grain, p.palette[pick, 2] * tone * grain
    worn = unit(code, 36) - p.film
    patch = 0.22 * vnoise(x / 4.3, y / 4.3, p.seed + 23)
    if fp < 0.9:
        patch += 0.16 * vnoise(x / 1.3, y / 1.3, p.seed + 25)
    coat = 0.92 * smooth(0.16, -0.16, worn + patch - 0.40 * smooth(0.70, 1.0, d))
    r, g, b = r + coat * (p.matrix[0] - r), g + coat * (p.matrix[1] - g), b + coat * (p.matrix[2] - b)
    rim = smooth(1.0 - p.rounding, 1.0, d)
    top = level * (0.78 + 0.22 * unit(code, 4))
    h = p.relief * (top - 0.55 * level * rim * rim)
    # the slope of the rim, and the stone's own tilt
    fall = -p.relief * 1.1 * level * rim / max(p.rounding, 0.05) * 0.8
    tx = (unit(code, 12) - 0.5) * 2.0 * p.tilt
    ty = (unit(code, 28) - 0.5) * 2.0 * p.tilt
    # crushed stone breaks into faces: a flat top, then a bevel towards each side
    bevel = (
        smooth(0.0, 0.12, d - 0.25 - 0.5 * unit(code, 20)) * (0.35 + 2.2 * p.tilt) / math.sqrt(dx * dx + dy * dy + 1e-9)
    )
    fall -= bevel * unit(code, 44)
    if fp < 0.8:
        tx += 0.16 * vnoise(x / 1.1, y / 1.1, p.seed + 24) + 0.10 * vnoise(x / 0.5, y / 0.5, p.seed + 26)
        ty += 0.16 * vnoise(x / 1.1, y / 1.1, p.seed + 27) + 0.10 * vnoise(x / 0.5, y / 0.5, p.seed + 28)
    return r, g, b, h, fall * dx + tx, fall * dy + ty, 0.35 * rim * rim + 0.25 * (1.0 - top)


@jit
def _mastic(x, y, fp, d, p):
    """Sand and bitumen between the stones, deeper the further from a stone."""
    deep = smooth(1.0, 1.35, d)
    lump = vnoise(x / 2.3, y / 2.3, p.seed + 31)
    k = 1.0 + 0.35 * lump
    if fp < 0.7:
        k += 0.30 * vnoise(x / 0.75, y / 0.75, p.seed + 34)
    r, g, b = p.matrix[0] * k, p.matrix[1] * k, p.matrix[2] * k
    h = p.relief * (0.22 - 0.30 * deep + 0.14 * lump)
    gx, gy = 0.25 * vnoise(x / 1.7, y / 1.7, p.seed + 32), 0.25 * vnoise(x / 1.7, y / 1.7, p.seed + 33)
    if fp < 0.8 * p.cell3:
        d3, ex, ey, code = stone(x, y, p.cell3, p.seed + 2, p.keep3)
        if d3 < 1.0:
            pick = int(unit(code, 8) * p.palette.shape[0])
            tone = (0.35 + 0.75 * unit(code, 24)) * smooth(1.1, 0.5, d3)
            mix = 0.75 * smooth(1.0, 0.7, d3) * smooth(p.film - 0.25, p.film + 0.2, unit(code, 36))
            r += mix * (p.palette[pick, 0] * tone - r)
            g += mix * (p.palette[pick, 1] * tone - g)
            b += mix * (p.palette[pick, 2] * tone - b)
            h += 0.12 * p.relief
            gx -= 0.30 * ex * p.cell3 * d3
            gy -= 0.30 * ey * p.cell3 * d3
    return r, g, b, h, gx, gy, 0.30 + 0.38 * deep


@jit
def _pinhole(x, y, cell, seed):
    """1 inside one of the round holes that air leaves in mortar, one a lattice cell at most, small ones commoner."""
    i, j = math.floor(x / cell), math.floor(y / cell)
    code = hash2(int(i), int(j), seed)
    size = unit(code, 48)
    radius = (0.03 + 0.15 * size**5) * cell
    if unit(code, 0) > 0.5:
        return 0.0
    dx, dy = x - (i + 0.25 + 0.5 * unit(code, 16)) * cell, y - (j + 0.25 + 0.5 * unit(code, 32)) * cell
    d = math.sqrt(dx * dx + dy * dy * (0.6 + 0.8 * unit(code, 8)))
    return smooth(radius + 0.12, radius - 0.12, d) if radius > 0.15 else 0.0


@jit
def _concrete(x, y, fp, p):
    """Mortar with sand in it, pinholes, and what the broom or the comb left."""
    along = x * p.dir_x + y * p.dir_y
    across = -x * p.dir_y + y * p.dir_x
    k = 1.0 + 0.06 * vnoise(x / 7.0, y / 7.0, p.seed + 41) + 0.04 * vnoise(x / 21.0, y / 21.0, p.seed + 40)
    h, ga, gc, cavity = 0.0, 0.0, 0.0, 0.0
    if fp < 1.6:
        fine = smooth(1.6, 0.5, fp)
        k += fine * (0.15 * vnoise(x / 0.8, y / 0.8, p.seed + 42) + 0.09 * vnoise(x / 1.9, y / 1.9, p.seed + 43))
        sand = vnoise(x / 1.3, y / 1.3, p.seed + 39)
        k += fine * (0.16 * smooth(0.55, 0.8, sand) - 0.20 * smooth(-0.6, -0.85, sand))
    if p.kind == 1:
        a = vnoise(along / 70.0, across / 1.7, p.seed + 44)
        c = vnoise(along / 31.0, across / 0.75, p.seed + 45)
        e = vnoise(along / 160.0, across / 6.0, p.seed + 46)
        vis = smooth(2.6, 0.7, fp)
        h = p.texture * (0.5 * a + 0.25 * c + 0.3 * e) * vis
        b2 = vnoise(along / 70.0, (across + 0.3) / 1.7, p.seed + 44) + 0.5 * vnoise(
            along / 31.0, (across + 0.3) / 0.75, p.seed + 45
        )
        gc = p.texture * 0.5 * (b2 - a - 0.5 * c) / 0.3 * vis
        k += 0.09 * (a + 0.7 * e) * vis
        cavity = vis * 0.22 * smooth(0.1, -0.9, a + 0.5 * c)
    elif p.kind == 2:
        wob = (
            across
            + 1.2 * vnoise(along / 340.0, across / 700.0, p.seed + 47)
            + 0.5 * vnoise(along / 40.0, 0.5, p.seed + 48)
        )
        row = math.floor(wob / p.pitch)
        spot = (0.35 + 0.3 * unit(hash2(int(row), 0, p.seed + 49), 0)) * p.pitch
        off = wob - row * p.pitch - spot
        half = (
            1.35
            + 0.35 * vnoise(along / 60.0, row * 3.7, p.seed + 50)
            + 0.25 * vnoise(along / 3.1, row * 1.7 + (0.5 if off > 0 else 0.0), p.seed + 59)
        )
        cut = smooth(half + 0.55 + 0.4 * fp, half - 0.45 - 0.4 * fp, abs(off))
        cut *= smooth(-0.9, -0.5, vnoise(along / 25.0, row * 5.1, p.seed + 51))
        h = -p.texture * cut
        edge = smooth(half - 0.9, half, abs(off)) * cut
        gc = (1.0 if off > 0 else -1.0) * 0.9 * edge
        cavity = cut * (0.5 + 0.25 * vnoise(along / 9.0, off / 2.0, p.seed + 38))
        k *= 1.0 - 0.22 * cut
        k += 0.04 * vnoise(along / 50.0, across / 2.0, p.seed + 52)
    r, g, b = p.matrix[0] * k, p.matrix[1] * k, p.matrix[2] * k
    show = smooth(1.1, 0.4, fp / p.cell1) if p.kind == 3 else smooth(4.0, 2.5, fp)
    if show > 0.0:
        d, dx, dy, code = stone(x, y, p.cell1, p.seed, p.keep1)
        if p.kind == 3:
            if d < 1.0:
                pick = int(unit(code, 8) * p.palette.shape[0])
                tone = (0.75 + 0.5 * unit(code, 24)) * (
                    1.0 + (0.10 * vnoise(x / 1.0, y / 1.0, p.seed + 53) if fp < 0.8 else 0.0)
                )
                r, g, b = p.palette[pick, 0] * tone, p.palette[pick, 1] * tone, p.palette[pick, 2] * tone
                rim = smooth(0.25, 1.0, d)
                h = p.relief * (1.0 - 0.8 * rim * rim)
                ga, gc = 0.0, 0.0
                cavity = 0.30 * rim * rim
                gx, gy = -p.relief * 1.6 * rim * dx, -p.relief * 1.6 * rim * dy
            else:
                cavity += 0.25 * smooth(1.25, 1.0, d) + 0.1
                gx, gy = 0.2 * vnoise(x / 1.4, y / 1.4, p.seed + 54), 0.2 * vnoise(x / 1.4, y / 1.4, p.seed + 55)
            k = show
            r, g, b = k * r + (1 - k) * p.mean[0], k * g + (1 - k) * p.mean[1], k * b + (1 - k) * p.mean[2]
            return r, g, b, k * h, k * gx, k * gy, k * cavity
        # a stone that shows, a pinhole
        hole = _pinhole(x, y, 11.0, p.seed + 56) + _pinhole(x, y, 4.3, p.seed + 57)
        if hole > 0.0:
            hole = min(1.0, hole) * smooth(2.0, 0.8, fp) * show
            cavity += 0.6 * hole
            r, g, b = r * (1 - 0.55 * hole), g * (1 - 0.55 * hole), b * (1 - 0.55 * hole)
        if d < 0.9 and unit(code, 20) > 0.86:
            pick = int(unit(code, 8) * p.palette.shape[0])
            m = (
                show
                * (0.15 + 0.45 * unit(code, 44))
                * smooth(0.9, 0.6, d + 0.25 * vnoise(x / 2.0, y / 2.0, p.seed + 58))
            )
            r += m * (p.palette[pick, 0] - r)
            g += m * (p.palette[pick, 1] - g)
            b += m * (p.palette[pick, 2] - b)
    gx, gy = ga * p.dir_x - gc * p.dir_y, ga * p.dir_y + gc * p.dir_x
    if fp < 0.8:
        gx += 0.10 * vnoise(x / 0.8, y / 0.8, p.seed + 54)
        gy += 0.10 * vnoise(x / 0.8, y / 0.8, p.seed + 55)
    return r, g, b, h, gx, gy, cavity


@jit
def _desk(x, y, p):
    """Boards with a grain."""
    board = math.floor(y / 140.0)
    shift = 900.0 * unit(hash2(int(board), 7, p.seed), 0)
    ring = vnoise((x + shift) / 260.0, y / 9.0, p.seed + int(board) % 7) + 0.4 * vnoise(
        (x + shift) / 90.0, y / 2.2, p.seed + 9
    )
    k = 1.0 + 0.22 * ring + 0.08 * vnoise((x + shift) / 30.0, y / 0.7, p.seed + 10)
    gap = smooth(1.2, 0.4, min(y - board * 140.0, (board + 1) * 140.0 - y))
    k *= 1.0 - 0.7 * gap
    return p.matrix[0] * k, p.matrix[1] * k, p.matrix[2] * k, 0.0, 0.0, 0.0, 0.0


@jit
def surface(x, y, fp, p):
    """Bare pavement at (x, y) for a pixel footprint `fp` mm: r, g, b, height, slope x, slope y, cavity in [0, 1]."""
    if p.kind == 4:
        return _desk(x, y, p)
    if p.kind == 5:
        return p.matrix[0], p.matrix[1], p.matrix[2], 0.0, 0.0, 0.0, 0.0
    if p.kind == 0:
        r, g, b, h, gx, gy, cavity = _asphalt(x, y, fp, p)
    else:
        r, g, b, h, gx, gy, cavity = _concrete(x, y, fp, p)
    haze = p.grime * (0.7 + 0.5 * vnoise(x / 33.0, y / 33.0, p.seed + 67))
    r, g, b = r + haze * (1.15 * p.mean[0] - r), g + haze * (1.12 * p.mean[1] - g), b + haze * (1.05 * p.mean[2] - b)
    if p.kind != 1 and p.kind != 2 and fp > 0.3 * p.cell1:
        far = smooth(0.3, 0.9, fp / p.cell1) * (1.0 - p.grime)
        n = vnoise(x / 7.0, y / 7.0, p.seed + 68) + 0.7 * vnoise(x / 17.0, y / 17.0, p.seed + 69)
        k = 1.0 + far * n * 0.55 / (1.0 + fp / 5.0)
        r, g, b = r * k, g * k, b * k
    m = fbm(x / p.mottle_size, y / p.mottle_size, p.seed + 61, 3)
    m2 = vnoise(x / (p.mottle_size * 0.09), y / (p.mottle_size * 0.09), p.seed + 65)
    k = 1.0 + p.mottle * (m + 0.35 * m2)
    warm = 0.25 * p.mottle * vnoise(x / (p.mottle_size * 0.6), y / (p.mottle_size * 0.6), p.seed + 66)
    return r * k * (1 + warm), g * k, b * k * (1 - warm), h - p.mean_height, gx, gy, cavity


@jit
def warp(x, y, p):
    """How far the lattice of the stones is pushed aside at (x, y), so that no rows are seen: two offsets, mm."""
    if p.kind != 0:
        return 0.0, 0.0
    return 2.2 * vnoise(x / 19.0, y / 19.0, p.seed + 11), 2.2 * vnoise(x / 19.0, y / 19.0, p.seed + 12)


@jit
def relief(x, y, wx, wy, p):
    """Height of the large stones only, mm, given the warp nearby: for shadows and parallax."""
    if p.kind == 0:
        d, _dx, _dy, code = stone(x + wx, y + wy, p.cell1, p.seed, p.keep1)
        if d < 1.0:
            rim = smooth(1.0 - p.rounding, 1.0, d)
            return p.relief * (0.78 + 0.22 * unit(code, 4) - 0.55 * rim * rim) - p.mean_height
        return p.relief * (0.22 - 0.30 * smooth(1.0, 1.35, d)) - p.mean_height
    if p.kind == 3:
        d, _dx, _dy, code = stone(x, y, p.cell1, p.seed, p.keep1)
        if d < 1.0:
            rim = smooth(0.25, 1.0, d)
            return p.relief * (1.0 - 0.8 * rim * rim) - p.mean_height
        return -p.mean_height
    return 0.0


@jit
def _probe(p, n, size, seed, total):
    """Mean colour and mean height over n random points of a square, into total (4,)."""
    for k in range(n):
        code = hash2(k, 99, seed)
        x, y = (unit(code, 0) - 0.5) * size, (unit(code, 16) - 0.5) * size
        if p.kind == 0:
            r, g, b, h, _gx, _gy, cavity = _asphalt(x, y, 0.1, p)
        else:
            r, g, b, h, _gx, _gy, cavity = _concrete(x, y, 0.1, p)
        shade = 1.0 - 0.5 * cavity
        total[0] += r * shade
        total[1] += g * shade
        total[2] += b * shade
        total[3] += h


def settle(p: Pavement) -> Pavement:
    """The same pavement with its distant colour and mean height filled in from a sample of 20 000 points."""
    if p.kind == 4:
        return p
    probe = np.zeros(4)
    _probe(p, 20000, 2500.0, p.seed, probe)
    probe /= 20000
    return p._replace(mean=probe[:3].copy(), mean_height=float(probe[3]))
