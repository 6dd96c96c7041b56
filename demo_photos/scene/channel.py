"""The slot as a hollow with walls, chips and a floor; the sensor and its grout as they lie in it.

Frame: s along the slot, n to its left, z up; the tables of `Channel` give n at each s.
"""

from __future__ import annotations

import math

from ._jit import jit
from .noise import fbm, hash2, lookup, smooth, stone, unit, vnoise

LEFT_WALL, RIGHT_WALL, FLOOR, END_WALL, WATER = 1, 2, 3, 4, 5


@jit
def to_frame(x, y, c):
    """World to slot coordinates."""
    dx, dy = x - c.ox, y - c.oy
    return dx * c.cs + dy * c.sn, dy * c.cs - dx * c.sn


@jit
def left_wall(s, z, c):
    """n of the left wall at depth z (z <= 0)."""
    pos = (s - c.s0) / c.ds
    chip = lookup(c.chip_left, pos)
    n = lookup(c.left, pos)
    if chip > 0.0:
        reach = 1.0 + z / (chip * c.chip_high + 0.3)
        if reach > 0.0:
            n += chip * math.sqrt(reach)
    return n


@jit
def right_wall(s, z, c):
    """n of the right wall at depth z (z <= 0)."""
    pos = (s - c.s0) / c.ds
    chip = lookup(c.chip_right, pos)
    n = lookup(c.right, pos)
    if chip > 0.0:
        reach = 1.0 + z / (chip * c.chip_high + 0.3)
        if reach > 0.0:
            n -= chip * math.sqrt(reach)
    return n


@jit
def is_open(s, n, c):
    """Whether the surface is missing at (s, n)."""
    if s < c.start or s > c.stop:
        return False
    return right_wall(s, 0.0, c) < n < left_wall(s, 0.0, c)


@jit
def _floor(s, n, c):
    """Height of the slot's floor, mm (negative)."""
    h = 2.2 * vnoise(s / 70.0, n / 25.0, c.seed + 1) + 0.8 * vnoise(s / 9.0, n / 9.0, c.seed + 2)
    if c.debris > 0.0:
        d, _gx, _gy, _code = stone(s, n, 13.0, c.seed + 3, c.debris)
        if d < 1.0:
            h += 6.0 * (1.0 - d * d)
    return -c.depth + h


@jit
def _solid(s, n, z, c):
    """0 in the hollow, else which part of the wall is at (s, n, z)."""
    if n > left_wall(s, z, c):
        return LEFT_WALL
    if n < right_wall(s, z, c):
        return RIGHT_WALL
    if s < c.start or s > c.stop:
        return END_WALL
    if z < -c.depth + c.water:
        return WATER if c.water > 0.0 and _floor(s, n, c) < -c.depth + c.water else FLOOR if z < _floor(s, n, c) else 0
    if z < _floor(s, n, c):
        return FLOOR
    return 0


@jit
def descend(s, n, z, ds, dn, dz, c):
    """Follow a ray that has entered the slot down to what it meets: part, s, n, z."""
    step = 1.4 / max(abs(dz), abs(dn), abs(ds))
    a, b, part = 0.0, 0.0, 0
    for k in range(400):
        b = a + step
        part = _solid(s + b * ds, n + b * dn, z + b * dz, c)
        if part > 0:
            break
        a = b
        if k == 12:
            step *= 1.6
    for _k in range(9):
        mid = 0.5 * (a + b)
        found = _solid(s + mid * ds, n + mid * dn, z + mid * dz, c)
        if found > 0:
            b, part = mid, found
        else:
            a = mid
    return part, s + a * ds, n + a * dn, z + a * dz


@jit
def wall_look(part, s, n, z, fp, c, p):
    """Colour, slope pair and gloss of the slot's inside: cut stones in their matrix, saw marks, dust, water."""
    if part in (FLOOR, WATER):
        k = 1.0 + 0.30 * fbm(s / 38.0, n / 14.0, c.seed + 11, 4) + 0.14 * vnoise(s / 2.0, n / 2.0, c.seed + 12)
        k += 0.16 * vnoise(s / 0.8, n / 0.8, c.seed + 15) + 0.10 * vnoise(s / 90.0, n / 1.4, c.seed + 16)
        damp = smooth(0.1, 0.7, fbm(s / 120.0, n / 40.0, c.seed + 17, 3))
        k *= 1.0 - 0.35 * damp
        if fp < 1.5:
            d, gx, gy, code = stone(s, n, 4.2, c.seed + 18, 0.35)
            if d < 1.0:
                k *= 0.75 + 0.6 * unit(code, 24)
        r, g, b = c.floor_rgb[0] * k, c.floor_rgb[1] * k, c.floor_rgb[2] * k
        ts, tn = 0.18 * vnoise(s / 6.0, n / 6.0, c.seed + 13), 0.18 * vnoise(s / 6.0, n / 6.0, c.seed + 14)
        if c.debris > 0.0:
            d, gx, gy, code = stone(s, n, 13.0, c.seed + 3, c.debris)
            if d < 1.0:
                pick = int(unit(code, 8) * p.palette.shape[0])
                t = (0.6 + 0.5 * unit(code, 24)) * smooth(1.02, 0.7, d)
                dusty = 0.5 * c.dust
                r, g, b = (
                    r * dusty + (1 - dusty) * p.palette[pick, 0] * t,
                    g * dusty + (1 - dusty) * p.palette[pick, 1] * t,
                    b * dusty + (1 - dusty) * p.palette[pick, 2] * t,
                )
                ts, tn = ts + 9.0 * d * gx, tn + 9.0 * d * gy
        if part == WATER:
            r, g, b = r * 0.45, g * 0.45, b * 0.42
        return r, g, b, ts, tn, 0.0
    side = 0 if part == LEFT_WALL else 1
    u, v = (s, z) if part != END_WALL else (n, z)
    r, g, b = c.wall_rgb[0], c.wall_rgb[1], c.wall_rgb[2]
    if p.keep1 > 0.3:
        d, gx, gy, code = stone(u, v, p.cell1, c.seed + 20 + side, min(0.9, p.keep1))
        if d >= 1.0:
            d, gx, gy, code = stone(u * 0.8 - v * 0.6, u * 0.6 + v * 0.8, p.cell2, c.seed + 22 + side, p.keep2)
        if d < 1.0 and fp < p.cell1:
            pick = int(unit(code, 8) * p.palette.shape[0])
            t = 0.75 + 0.4 * unit(code, 24)
            edge = 0.9 * smooth(1.0, 0.9, d)
            r += edge * (p.palette[pick, 0] * t - r)
            g += edge * (p.palette[pick, 1] * t - g)
            b += edge * (p.palette[pick, 2] * t - b)
    # the blade's teeth leave arcs about its axle
    swing = math.sqrt((u - 140.0 * math.floor(u / 140.0) - 70.0) ** 2 + (v - 150.0) ** 2)
    arc = vnoise(swing / 0.9, 0.5, c.seed + 31) + 0.6 * vnoise(swing / 3.0, 1.5, c.seed + 32)
    line = vnoise(u / 60.0, v / 1.1, c.seed + 33)
    k = 1.0 + 0.10 * arc + 0.09 * line
    dust = min(1.0, c.dust * smooth(-0.5, 0.5, 0.3 + fbm(u / 22.0, v / 13.0, c.seed + 34, 3)))
    r, g, b = r + dust * (c.floor_rgb[0] - r), g + dust * (c.floor_rgb[1] - g), b + dust * (c.floor_rgb[2] - b)
    return r * k, g * k, b * k, 0.05 * arc, 0.10 * line, 0.0


@jit
def openness(s, n, z, part, c):
    """Share of the sky's light that reaches a point in the slot (two-dimensional view factor)."""
    top_l, top_r = left_wall(s, 0.0, c) - n, n - right_wall(s, 0.0, c)
    deep = max(0.05, -z)
    al, ar = math.atan2(max(0.0, top_l), deep), math.atan2(max(0.0, top_r), deep)
    if part == LEFT_WALL:
        return 0.5 * (1.0 - math.cos(ar))
    if part == RIGHT_WALL:
        return 0.5 * (1.0 - math.cos(al))
    if part == END_WALL:
        return 0.5 * (1.0 - deep / math.sqrt(deep * deep + 900.0))
    return 0.5 * (math.sin(al) + math.sin(ar))


@jit
def lit_through(s, n, z, ls, ln, lz, angular, c):
    """Share of a lamp that a point in the slot sees past the top edges; (ls, ln, lz) points to the lamp."""
    if lz <= 0.02:
        return 0.0
    t = -z / lz
    s1, n1 = s + t * ls, n + t * ln
    blur = max(0.06, t * angular)
    gap = min(left_wall(s1, 0.0, c) - n1, n1 - right_wall(s1, 0.0, c))
    gap = min(gap, s1 - c.start, c.stop - s1)
    return smooth(-blur, blur, gap + 0.05)


@jit
def grout_band(s, c):
    """Outer boundaries of the grout: n on the left, n on the right, and the ridge's heights."""
    pos = (s - c.s0) / c.ds
    return lookup(c.grout_left, pos), lookup(c.grout_right, pos), lookup(c.rise_left, pos), lookup(c.rise_right, pos)


@jit
def sensor_height(x, y, c):
    """Height of sensor and grout over the pavement, mm; 0 outside."""
    s, n = to_frame(x, y, c)
    if s < c.start or s > c.stop or abs(n) > 140.0:
        return 0.0
    if abs(n) <= c.half:
        return c.proud
    gl, gr, hl, hr = grout_band(s, c)
    pos = (s - c.s0) / c.ds
    if n > 0.0:
        inside, rise, edge = gl - n, hl, lookup(c.left, pos)
    else:
        inside, rise, edge = n - gr, hr, -lookup(c.right, pos)
    if inside <= 0.0:
        return 0.0
    over = abs(n) - edge
    level = -c.recess * smooth(0.8, -0.6, over) * smooth(0.0, 1.5, abs(n) - c.half)
    lump = 1.0 + 0.3 * vnoise(s / 40.0, n / 14.0, c.seed + 41) + 0.12 * vnoise(s / 7.0, n / 5.0, c.seed + 42)
    return level + rise * lump * smooth(-4.0, 2.5, over) * smooth(0.0, 2.2, inside)


@jit
def is_covered(x, y, c):
    """Whether sensor or grout hides the stones at (x, y)."""
    s, n = to_frame(x, y, c)
    if s < c.start or s > c.stop:
        return False
    gl, gr, _rise_left, _rise_right = grout_band(s, c)
    return gr < n < gl or abs(n) <= c.half


@jit
def sensor_look(x, y, fp, h, c):
    """What lies at (x, y) of sensor and grout: part (0 none, 1 sensor, 2 grout), colour, slopes along n and s, gloss,
    cavity.
    """
    s, n = to_frame(x, y, c)
    if s < c.start or s > c.stop or abs(n) > 140.0:
        return 0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    if abs(n) <= c.half:
        return _sensor_top(s, n, fp, c)
    gl, gr, _hl, _hr = grout_band(s, c)
    if n > gl or n < gr:
        return 0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    return _grout_look(s, n, fp, c)


@jit
def _sensor_top(s, n, fp, c):
    r, g, b = c.sensor_rgb[0], c.sensor_rgb[1], c.sensor_rgb[2]
    rim = c.half - abs(n)
    slope_n, slope_s, cavity = 0.0, 0.0, 0.0
    k = 1.0 + 0.05 * fbm(s / 90.0, n / 40.0, c.seed + 51, 3)
    if c.sensor_style == 0:
        streak = vnoise(s / 95.0, n / 0.42, c.seed + 52) + 0.6 * vnoise(s / 30.0, n / 0.9, c.seed + 53)
        k += 0.10 * streak
        slope_n = 0.05 * streak
        scratch = vnoise((s + 3.1 * n) / 44.0, (n - 0.2 * s) / 1.4, c.seed + 54)
        k += 0.12 * smooth(0.62, 0.85, scratch)
        slope_n += 0.5 * smooth(0.7, 0.0, rim)
        k *= 1.0 + 0.25 * smooth(0.7, 0.3, rim)
    elif c.sensor_style == 1:
        k += 0.16 * vnoise(s / 0.8, n / 0.8, c.seed + 55) * smooth(1.5, 0.4, fp) + 0.08 * vnoise(
            s / 2.4, n / 2.4, c.seed + 56
        )
        k += 0.05 * vnoise(s / 3.0, n / 55.0, c.seed + 57)
        slope_n, slope_s = 0.15 * vnoise(s / 1.0, n / 1.0, c.seed + 58), 0.15 * vnoise(s / 1.0, n / 1.0, c.seed + 59)
    elif c.sensor_style == 2:
        k += 0.10 * fbm(s / 12.0, n / 12.0, c.seed + 60, 3)
        slope_n, slope_s = (
            0.02 * vnoise(s / 14.0, n / 14.0, c.seed + 61),
            0.02 * vnoise(s / 14.0, n / 14.0, c.seed + 62),
        )
        cavity = 0.5 * smooth(0.75, 0.9, vnoise(s / 2.2, n / 2.2, c.seed + 63))
    else:
        wear = smooth(0.35, 0.5, fbm(s / 30.0, n / 9.0, c.seed + 64, 4))
        r, g, b = r + wear * (0.4 - r), g + wear * (0.4 - g), b + wear * (0.4 - b)
        k += 0.03 * vnoise(s / 1.2, n / 1.2, c.seed + 65)
    return 1, r * k, g * k, b * k, slope_n, slope_s, c.sensor_gloss, cavity


@jit
def _grout_look(s, n, fp, c):
    k = 1.0 + 0.10 * fbm(s / 34.0, n / 16.0, c.seed + 71, 3)
    slope_n, slope_s, cavity, gloss = 0.0, 0.0, 0.0, 0.06
    if fp < 1.6:
        fine = smooth(1.6, 0.5, fp)
        k += fine * (0.10 * vnoise(s / 0.9, n / 0.9, c.seed + 72) + 0.06 * vnoise(s / 2.1, n / 2.1, c.seed + 73))
        slope_n, slope_s = (
            0.14 * fine * vnoise(s / 1.3, n / 1.3, c.seed + 74),
            0.14 * fine * vnoise(s / 1.3, n / 1.3, c.seed + 75),
        )
    if c.grout_style == 1:  # trowel marks
        drag = vnoise(s / 26.0, n / 1.6, c.seed + 76)
        k += 0.06 * drag
        slope_n += 0.10 * drag
    elif c.grout_style == 2:  # ground: crossing scratches, cut sand grains
        a = vnoise((s * 0.8 + n * 0.6) / 24.0, (n * 0.8 - s * 0.6) / 0.8, c.seed + 77)
        b2 = vnoise((s * 0.6 - n * 0.8) / 24.0, (n * 0.6 + s * 0.8) / 0.8, c.seed + 78)
        k += 0.06 * (a + b2)
        d, _gx, _gy, code = stone(s, n, 1.9, c.seed + 79, 0.6)
        if d < 1.0 and fp < 1.2:
            k += 0.30 * (unit(code, 24) - 0.45)
    if c.bubbles > 0.0:
        cell = 6.5
        code = hash2(int(math.floor(s / cell)), int(math.floor(n / cell)), c.seed + 80)
        if unit(code, 0) < c.bubbles:
            bx = (math.floor(s / cell) + 0.25 + 0.5 * unit(code, 16)) * cell
            by = (math.floor(n / cell) + 0.25 + 0.5 * unit(code, 32)) * cell
            rad = 0.4 + 1.2 * unit(code, 48) ** 3
            hole = smooth(rad + 0.15, rad - 0.25, math.sqrt((s - bx) ** 2 + (n - by) ** 2))
            cavity = 0.75 * hole
            k *= 1.0 - 0.55 * hole
    return 2, c.grout_rgb[0] * k, c.grout_rgb[1] * k, c.grout_rgb[2] * k, slope_n, slope_s, gloss, cavity
