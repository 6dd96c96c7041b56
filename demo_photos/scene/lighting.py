"""Light that reaches a point and what comes back from it; boxes and capsules as casters of shadow and as things seen.

Box columns: 0-2 centre · 3-11 axes u, v, w (rows) · 12-14 half sizes · 15 look (0 plain, 1 bar, 2 picture, 3 mud) ·
16-18 colour · 19 gloss · 20 seed · 21 bar kind (0 long, 1 short) · 22 first row in `bits` · 23 plate x at the -u end ·
24 scale of the print · 25 dirt · 26 mud · 27 bounding radius · 28 roundness of texture · 29 id · 30-33 picture box in
pixels u0 v0 u1 v1 · 34 casts no shadow.
Capsule columns: 0-2, 3-5 ends · 6 radius · 7-9 colour · 10 gloss · 11 seed · 12 id · 13-15 unused.
"""

from __future__ import annotations

import math

from ._jit import jit
from .noise import fbm, smooth, vnoise


@jit
def hit_box(px, py, pz, dx, dy, dz, row):
    """Distance to a box along a ray, and which axis (0-2) and side (+1/-1) it enters by; -1 if missed."""
    near, far, axis, side = -1e18, 1e18, 0, 1.0
    ox, oy, oz = row[0] - px, row[1] - py, row[2] - pz
    for k in range(3):
        ax, ay, az = row[3 + 3 * k], row[4 + 3 * k], row[5 + 3 * k]
        e = ax * ox + ay * oy + az * oz
        f = ax * dx + ay * dy + az * dz
        if abs(f) < 1e-12:
            f = 1e-12
        t1, t2 = (e - row[12 + k]) / f, (e + row[12 + k]) / f
        sgn = -1.0
        if t1 > t2:
            t1, t2 = t2, t1
            sgn = 1.0
        if t1 > near:
            near, axis, side = t1, k, sgn
        far = min(far, t2)
        if near > far:
            return -1.0, 0, 1.0
    if far < 0.0:
        return -1.0, 0, 1.0
    return near, axis, side


@jit
def hit_capsule(px, py, pz, dx, dy, dz, row):
    """Distance to a capsule along a unit ray, -1 if missed."""
    bax, bay, baz = row[3] - row[0], row[4] - row[1], row[5] - row[2]
    oax, oay, oaz = px - row[0], py - row[1], pz - row[2]
    baba = bax * bax + bay * bay + baz * baz
    bard = bax * dx + bay * dy + baz * dz
    baoa = bax * oax + bay * oay + baz * oaz
    rdoa = dx * oax + dy * oay + dz * oaz
    oaoa = oax * oax + oay * oay + oaz * oaz
    r = row[6]
    a = baba - bard * bard
    b = baba * rdoa - baoa * bard
    c = baba * oaoa - baoa * baoa - r * r * baba
    h = b * b - a * c
    if h >= 0.0 and a > 1e-9:
        t = (-b - math.sqrt(h)) / a
        y = baoa + t * bard
        if 0.0 < y < baba:
            return t
        if y <= 0.0:
            ox, oy, oz = oax, oay, oaz
        else:
            ox, oy, oz = px - row[3], py - row[4], pz - row[5]
        b = dx * ox + dy * oy + dz * oz
        c = ox * ox + oy * oy + oz * oz - r * r
        h = b * b - c
        if h > 0.0:
            return -b - math.sqrt(h)
    return -1.0


@jit
def _soft_capsule(px, py, pz, lx, ly, lz, reach, angular, row):
    """Share of a lamp left by a capsule between it and the point."""
    ux, uy, uz = row[3] - row[0], row[4] - row[1], row[5] - row[2]
    wx, wy, wz = px - row[0], py - row[1], pz - row[2]
    b = ux * lx + uy * ly + uz * lz
    c = ux * ux + uy * uy + uz * uz
    d = lx * wx + ly * wy + lz * wz
    e = ux * wx + uy * wy + uz * wz
    den = c - b * b
    k = 0.5 if den < 1e-9 else min(1.0, max(0.0, (e - b * d) / den))
    t = min(reach, max(0.0, b * k - d))
    ex, ey, ez = wx + t * lx - k * ux, wy + t * ly - k * uy, wz + t * lz - k * uz
    gap = math.sqrt(ex * ex + ey * ey + ez * ez) - row[6]
    blur = max(0.3, t * angular)
    return smooth(-blur, blur, gap)


@jit
def seen_share(px, py, pz, lx, ly, lz, reach, angular, skip, light, solids):
    """Share of a lamp that a point sees past all boxes and capsules (unit direction, distance to the lamp)."""
    for k in range(solids.boxes.shape[0]):
        row = solids.boxes[k]
        if k == skip or row[34] > 0.0:
            continue
        ox, oy, oz = row[0] - px, row[1] - py, row[2] - pz
        t = ox * lx + oy * ly + oz * lz
        if t < -row[27]:
            continue
        if ox * ox + oy * oy + oz * oz - t * t > row[27] * row[27]:
            continue
        near, _axis, _side = hit_box(px, py, pz, lx, ly, lz, row)
        if near > 1e-3 and near < reach:
            return 0.0
    share = 1.0
    for k in range(solids.caps.shape[0]):
        share = min(share, _soft_capsule(px, py, pz, lx, ly, lz, reach, angular, solids.caps[k]))
    for k in range(light.caps.shape[0]):
        share = min(share, _soft_capsule(px, py, pz, lx, ly, lz, reach, angular, light.caps[k]))
    return share


@jit
def towards(px, py, pz, row):
    """Unit vector to a lamp, its distance, its light here (a factor on its colour), its angular radius."""
    if row[0] == 0.0:
        return row[1], row[2], row[3], 1e9, 1.0, row[7]
    dx, dy, dz = row[1] - px, row[2] - py, row[3] - pz
    d2 = dx * dx + dy * dy + dz * dz
    d = math.sqrt(d2)
    dx, dy, dz = dx / d, dy / d, dz / d
    beam = smooth(row[12], row[11], -(dx * row[8] + dy * row[9] + dz * row[10]))
    return dx, dy, dz, d, 1e6 / d2 * beam, row[7] / d


@jit
def bar_is_black(u, v, row, solids):
    """Whether the print at plate coordinates (u, v) mm is black."""
    short = row[21] > 0.5
    k = 0.5 if short else 1.0
    u, v = u / k, v / k  # now in the long bar's millimetres
    tags, pitch = (3, 250.0) if short else (5, 225.0)
    field = 150.0 if short else 125.0
    i = int(math.floor((u - 10.0) / pitch))
    if i < 0 or i >= tags:
        return False
    a = u - 10.0 - i * pitch
    if a < 80.0:
        if v < 10.0 or v >= 90.0:
            return False
        col, line = int(a / 10.0), int((90.0 - v) / 10.0)
        return solids.bits[int(row[22]) + i, min(line, 7), min(col, 7)] < 0.5
    a = u - 100.0 - i * pitch
    if i < tags - 1 and 0.0 <= a < field and 0.0 <= v < 100.0:
        return (int(a / 25.0) + int(v / 25.0)) % 2 == 0
    return False


@jit
def box_look(row, qu, qv, axis, side, fp, solids):
    """Colour, gloss and id of a box at local (qu, qv) on its top, or on a side."""
    seed = int(row[20])
    look = int(row[15])
    r, g, b, gloss = row[16], row[17], row[18], row[19]
    ident = int(row[29]) * 8 + axis
    if look == 1:
        if axis == 2 and side > 0:
            u = (qu + row[12]) / row[24] + row[23]
            v = (qv + row[13]) / (2.0 * row[13]) * (50.0 if row[21] > 0.5 else 100.0)
            black = bar_is_black(u, v, row, solids)
            k = 1.0 + 0.015 * fbm(u / 60.0, v / 60.0, seed, 3) + 0.012 * vnoise(u / 0.7, v / 0.7, seed + 5)
            if black:
                r, g, b = 0.043 * k, 0.043 * k, 0.046 * k
                ident += 3
            else:
                r, g, b = r * k, g * k, b * k
            if row[25] > 0.0:
                smear = row[25] * smooth(
                    -0.15, 0.75, fbm(u / 120.0, v / 55.0, seed + 6, 4) + 0.25 * vnoise(u / 7.0, v / 7.0, seed + 7)
                )
                speck = row[25] * 1.3 * smooth(0.72, 0.85, vnoise(u / 1.7, v / 1.7, seed + 8))
                m = min(0.9, 0.6 * smear + speck)
                r, g, b = r + m * (0.20 - r), g + m * (0.17 - g), b + m * (0.14 - b)
            if row[26] > 0.0:
                blot = fbm(u / 45.0, v / 45.0, seed + 9, 4)
                edge = 0.85 - 1.2 * row[26]
                m = smooth(edge, edge + 0.05, blot)
                t = 0.8 + 0.3 * vnoise(u / 5.0, v / 5.0, seed + 10)
                r, g, b = r + m * (0.11 * t - r), g + m * (0.085 * t - g), b + m * (0.06 * t - b)
                if m > 0.5:
                    ident += 4
        else:
            k = 0.9 + 0.1 * vnoise(qu / 9.0, 0.5, seed)
            r, g, b = 0.55 * k, 0.56 * k, 0.57 * k
    elif look == 2 and axis == 2 and side > 0:
        pu = row[30] + (qu + row[12]) / (2 * row[12]) * (row[32] - row[30])
        pv = row[33] - (qv + row[13]) / (2 * row[13]) * (row[33] - row[31])
        r, g, b = _picture(pu, pv, fp * (row[32] - row[30]) / (2 * row[12]), row, solids)
    else:
        k = 1.0 + row[28] * (0.35 * fbm(qu / 40.0, qv / 14.0, seed, 4) + 0.12 * vnoise(qu / 1.6, qv / 1.6, seed + 4))
        r, g, b = r * k, g * k, b * k
    return r, g, b, gloss, ident


@jit
def _picture(pu, pv, span, row, solids):
    """A stored picture at (pu, pv), averaged over `span` of its pixels; white margin around it."""
    img = solids.image
    h, w = img.shape[0], img.shape[1]
    if pu < 0 or pv < 0 or pu > w - 1 or pv > h - 1:
        return 0.78, 0.78, 0.77
    n = 1 if span < 1.3 else 2 if span < 2.6 else 3
    total_r, total_g, total_b = 0.0, 0.0, 0.0
    for a in range(n):
        for b in range(n):
            x = min(w - 1.001, max(0.0, pu + ((a + 0.5) / n - 0.5) * span))
            y = min(h - 1.001, max(0.0, pv + ((b + 0.5) / n - 0.5) * span))
            i, j = int(x), int(y)
            fx, fy = x - i, y - j
            for c in range(3):
                top = img[j, i, c] * (1 - fx) + img[j, i + 1, c] * fx
                low = img[j + 1, i, c] * (1 - fx) + img[j + 1, i + 1, c] * fx
                val = (top * (1 - fy) + low * fy) / 255.0
                val = val * val * (0.3 + 0.7 * val) * 0.8 + 0.012
                if c == 0:
                    total_r += val
                elif c == 1:
                    total_g += val
                else:
                    total_b += val
    k = 1.0 / (n * n)
    return total_r * k, total_g * k, total_b * k


@jit
def shine(nx, ny, nz, lx, ly, lz, vx, vy, vz, gloss):
    """Blinn's highlight: narrow and strong where gloss is high."""
    hx, hy, hz = lx + vx, ly + vy, lz + vz
    k = 1.0 / math.sqrt(hx * hx + hy * hy + hz * hz + 1e-12)
    d = (nx * hx + ny * hy + nz * hz) * k
    if d <= 0.0:
        return 0.0
    power = 12.0 + 240.0 * gloss * gloss
    return gloss * (power + 8.0) / 110.0 * d**power
