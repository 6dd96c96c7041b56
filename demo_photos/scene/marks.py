"""What has been put on the road: markings, sprayed lines, chalk, cracks, stains, tape, leaves.

A row of the marks table:
0 type · 1-4 bounding box x0 y0 x1 y1 · 5-8 geometry · 9-11 colour · 12 half width (mm) · 13 strength · 14 softness
15 seed · 16 age (0 fresh, 1 old) · 17 wander (mm) · 18, 19 first and last row in `points`.
"""

from __future__ import annotations

import math

from ._jit import jit
from .noise import fbm, hash2, lookup, smooth, unit, vnoise

STROKE, ARC, CRACK, SEAL, STAIN, WET, TAPE, LEAF, TYRE, DUST = range(1, 11)


@jit
def stroke_centre(t: float, wander: float, seed: int) -> float:
    """Sideways departure of a sprayed line from the straight, mm, at t mm along it."""
    return wander * (vnoise(t / 620.0, 0.5, seed + 71) + 0.45 * vnoise(t / 170.0, 0.5, seed + 72))


@jit
def _spray(p, x, y, fp, h, grit, seed):
    """Coverage from deposit p (0.5 covers half): droplets where it is thin, stone tops first, hollows last."""
    n = 0.0
    if fp < 3.0:
        vis = smooth(3.0, 0.8, fp)
        n = vis * (0.60 * vnoise(x / 1.1, y / 1.1, seed + 5) + 0.40 * vnoise(x / 3.0, y / 3.0, seed + 6))
    return smooth(-0.20, 0.20, p - 0.5 + grit * n * 0.6 + 0.07 * max(-2.5, min(h, 1.5)))


@jit
def _stroke(row, x, y, fp, h):
    """Coverage of a sprayed or painted line segment: a bell of deposit, and mist beyond."""
    dx, dy = row[7] - row[5], row[8] - row[6]
    length = math.sqrt(dx * dx + dy * dy)
    dx, dy = dx / length, dy / length
    t = (x - row[5]) * dx + (y - row[6]) * dy
    seed = int(row[15])
    m = -(x - row[5]) * dy + (y - row[6]) * dx - stroke_centre(t, row[17], seed)
    half = row[12] * (1.0 + 0.10 * vnoise(t / 95.0, 2.5, seed + 1) + 0.05 * vnoise(t / 22.0, 4.5, seed + 2))
    over = max(0.0, -t, t - length)
    m2 = math.sqrt(m * m + over * over)
    soft = row[14]
    if m2 > half + 7.0 * soft + 6.0:
        return 0.0
    steep = max(2.0, 1.45 * half / soft)
    p = 1.05 * math.exp(-0.742 * (m2 / half) ** steep)
    p *= 1.0 - 0.16 * (1.0 + vnoise(t / 210.0, m / 9.0, seed + 3)) * (0.4 + 0.6 * row[16] * 2.0)
    p = max(p, 0.20 * math.exp(-max(0.0, m2 - half) / (1.6 * soft + 1.0)))
    cov = _spray(p, x, y, fp, h, 0.55 + 0.8 * row[16], seed)
    if row[16] > 0.0:
        loss = fbm(x / 24.0, y / 24.0, seed + 8, 3) + 0.22 * h
        cov *= 1.0 - smooth(0.75 - 1.1 * row[16], 1.05 - 1.1 * row[16], loss)
    return cov * row[13]


@jit
def _arc(row, x, y, fp, h):
    """Chalk or paint along a circle."""
    dx, dy = x - row[5], y - row[6]
    r = math.sqrt(dx * dx + dy * dy)
    seed = int(row[15])
    m = abs(r - row[7] - 2.0 * vnoise(dx / 60.0, dy / 60.0, seed))
    if m > row[12] + 4.0:
        return 0.0
    a = (math.atan2(dy, dx) - row[8]) % (2 * math.pi)
    if a > row[17]:
        return 0.0
    p = smooth(row[12] + row[14], row[12] - row[14], m)
    return row[13] * _spray(p, x, y, fp, h, 1.1, seed)


@jit
def _polyline(row, pts, x, y):
    """Distance from (x, y) to a polyline, and the side."""
    best = 1e9
    for k in range(int(row[18]), int(row[19]) - 1):
        ax, ay = pts[k, 0], pts[k, 1]
        bx, by = pts[k + 1, 0] - ax, pts[k + 1, 1] - ay
        t = ((x - ax) * bx + (y - ay) * by) / (bx * bx + by * by)
        t = min(1.0, max(0.0, t))
        ex, ey = x - ax - t * bx, y - ay - t * by
        d = ex * ex + ey * ey
        best = min(best, d)
    return math.sqrt(best)


@jit
def _blob(row, x, y):
    """1 inside an irregular patch, 0 outside, soft rim."""
    dx, dy = x - row[5], y - row[6]
    c, s = math.cos(row[17]), math.sin(row[17])
    u, v = (c * dx + s * dy) / row[7], (-s * dx + c * dy) / row[8]
    d = math.sqrt(u * u + v * v)
    seed = int(row[15])
    d += 0.45 * fbm(dx / (0.55 * row[7]), dy / (0.55 * row[7]), seed, 4)
    return smooth(1.0 + row[14], 1.0 - row[14], d)


@jit
def _leaf(row, x, y):
    """A leaf: pointed oval with a rib; returns coverage and tone."""
    dx, dy = x - row[5], y - row[6]
    c, s = math.cos(row[17]), math.sin(row[17])
    u, v = c * dx + s * dy, -s * dx + c * dy
    v -= 0.0012 * u * u
    if abs(u) >= row[7]:
        return 0.0, 1.0
    w = row[8] * (1.0 - (u / row[7]) ** 2) * (1.0 + 0.18 * math.cos(u * 1.1))
    cov = smooth(w + 0.25, w - 0.25, abs(v))
    rib = smooth(0.7, 0.2, abs(v)) + 0.4 * smooth(0.5, 0.1, abs((abs(v) * 0.8 + u) % 7.0 - 3.5))
    return cov, (0.85 + 0.3 * vnoise(u / 9.0, v / 5.0, int(row[15]))) * (1.0 + 0.35 * rib)


@jit
def apply_marks(x, y, fp, h, r, g, b, gloss, cavity, marks):  # noqa: C901 - one branch a kind of mark
    """Lay all marks over the colour (r, g, b); returns colour, gloss, lift (mm), cavity, and an id for edge finding."""
    lift, mark_id = 0.0, 0
    for k in range(marks.table.shape[0]):
        row = marks.table[k]
        if x < row[1] or y < row[2] or x > row[3] or y > row[4]:
            continue
        kind = int(row[0])
        cov, tone, soak, shine = 0.0, 1.0, 0.0, gloss
        if kind == STROKE:
            cov = _stroke(row, x, y, fp, h)
            shine = 0.10 * (1.0 - row[16])
        elif kind == ARC:
            cov = _arc(row, x, y, fp, h)
        elif kind in (CRACK, SEAL):
            seed = int(row[15])
            wobble = (
                0.0 if seed == 0 else 4.5 * vnoise(x / 26.0, y / 26.0, seed) + 1.3 * vnoise(x / 5.0, y / 5.0, seed + 1)
            )
            d = _polyline(row, marks.points, x + wobble, y - wobble)
            half = row[12] * (0.75 + (0.45 if seed > 0 else 0.08) * vnoise(x / 33.0, y / 33.0, seed + 2))
            cov = row[13] * smooth(half + row[14] + 0.5 * fp, half - row[14] - 0.5 * fp, d)
            if kind == SEAL:
                shine = 0.35
                lift += 1.2 * cov
            else:
                cavity = max(cavity, 0.8 * cov)
        elif kind == STAIN:
            soak = row[13] * _blob(row, x, y) * (1.0 + 0.25 * vnoise(x / 8.0, y / 8.0, int(row[15])))
        elif kind == WET:
            w = row[13] * _blob(row, x, y)
            w = smooth(0.15, 0.75, w - 0.10 * h)
            r, g, b = r * (1 - 0.52 * w), g * (1 - 0.50 * w), b * (1 - 0.48 * w)
            gloss = max(gloss, 0.75 * w)
        elif kind == TAPE:
            dx, dy = x - row[5], y - row[6]
            u, v = row[7] * dx + row[8] * dy, -row[8] * dx + row[7] * dy
            v += 0.5 * vnoise(u / 55.0, 1.5, int(row[15]))
            rag = 0.6 * vnoise(v / 1.6, 3.5, int(row[15]) + 1)
            cov = smooth(0.25, -0.25, abs(v) - row[12]) * smooth(0.3, -0.3, abs(u) - row[13] + rag)
            crease = vnoise(u / 14.0, v / 38.0, int(row[15]) + 2)
            tone = 1.0 + 0.10 * crease + 0.05 * vnoise(u / 1.3, v / 60.0, int(row[15]) + 3) - 0.10 * (h > 0.3)
            shine = row[14]
            lift += 0.15 * cov
        elif kind == LEAF:
            cov, tone = _leaf(row, x, y)
            lift += 1.5 * cov
            shine = 0.12
        elif kind == TYRE:
            dx, dy = x - row[5], y - row[6]
            u, v = row[7] * dx + row[8] * dy, -row[8] * dx + row[7] * dy
            v += 25.0 * vnoise(u / 1500.0, 0.5, int(row[15]))
            rib = 0.6 + 0.4 * smooth(0.25, 0.45, abs((v / 22.0) % 1.0 - 0.5))
            soak = row[13] * smooth(row[12] + 25.0, row[12] - 15.0, abs(v)) * rib
            soak *= 0.6 + 0.4 * vnoise(u / 400.0, v / 60.0, int(row[15]) + 1) + 0.12 * max(-1.0, min(1.0, h))
        elif kind == DUST:
            d = row[13] * _blob(row, x, y) * (0.75 + 0.35 * vnoise(x / 17.0, y / 17.0, int(row[15])))
            d = min(
                0.97,
                max(
                    0.0,
                    d
                    * (1.0 + 0.25 * max(0.0, min(1.5, -h)))
                    * (0.8 + 0.2 * vnoise(x / 2.2, y / 2.2, int(row[15]) + 3)),
                ),
            )
            r, g, b = r + d * (row[9] - r), g + d * (row[10] - g), b + d * (row[11] - b)
            cavity *= 1.0 - 0.6 * d
            gloss *= 1.0 - d
        if soak > 0.0:
            soak = min(0.9, soak)
            r, g, b = r + soak * (row[9] - r), g + soak * (row[10] - g), b + soak * (row[11] - b)
        if cov > 0.0:
            r, g, b = r + cov * (row[9] * tone - r), g + cov * (row[10] * tone - g), b + cov * (row[11] * tone - b)
            gloss = gloss + cov * (shine - gloss)
            if kind != CRACK:
                cavity *= 1.0 - 0.45 * cov
            if cov > 0.5:
                mark_id = k + 1
    return r, g, b, gloss, lift, cavity, mark_id


@jit
def marking_cover(k, x, y, fp, h, m):
    """Coverage of stripe k at (x, y) and how deep inside it the point lies, mm."""
    pos = (x - m.x0) / m.dx
    low, high = lookup(m.low[k], pos), lookup(m.high[k], pos)
    inside = min(y - low, high - y)
    rag = m.ragged[k]
    if inside < -4.0 - 3.0 * rag:
        return 0.0, inside
    seed = int(m.seed[k])
    if inside < 12.0 and fp < 3.0:
        inside += rag * (0.7 * vnoise(x / 3.2, y / 3.2, seed + 1) + 0.5 * vnoise(x / 9.0, y / 9.0, seed + 2))
    soft = 0.35 + 0.35 * rag
    cov = smooth(-soft, soft, inside)
    if m.wear[k] > 0.0:
        flake = fbm(x / 46.0, y / 46.0, seed + 3, 4) + 0.30 * fbm(x / 7.0, y / 7.0, seed + 8, 2) + 0.13 * h
        edge = 1.05 - 1.25 * m.wear[k]
        cov *= 1.0 - smooth(edge - 0.06, edge + 0.06 + 0.02 * fp, flake)
    return cov, inside


@jit
def marking_lift(x, y, m):
    """Thickness of the markings at (x, y) ignoring wear, mm: a cheap height for rays and shadows."""
    lift = 0.0
    for k in range(m.low.shape[0]):
        if m.thick[k] <= 0.0:
            continue
        pos = (x - m.x0) / m.dx
        inside = min(y - lookup(m.low[k], pos), lookup(m.high[k], pos) - y)
        if inside > 0.0:
            lift = max(lift, m.thick[k] * smooth(0.0, 1.3, inside))
    return lift


@jit
def apply_marking(x, y, fp, h, r, g, b, gloss, cavity, m):
    """Lay the stripes over the colour; returns colour, gloss, cavity, id, glass beads, and how far the paint levels the
    stones.
    """
    mark_id, beads, level = 0, 0.0, 0.0
    for k in range(m.low.shape[0]):
        cov, _inside = marking_cover(k, x, y, fp, h, m)
        if cov <= 0.0:
            continue
        seed = int(m.seed[k])
        style = int(m.style[k])
        dirt = m.dirt[k] * (
            0.55 + 0.45 * fbm(x / 120.0, y / 60.0, seed + 12, 3) + 0.2 * vnoise(x / 4.0, y / 4.0, seed + 15)
        )
        tone = 1.0 - min(0.75, max(0.0, dirt))
        if fp < 1.2 and m.dirt[k] > 0.0:
            tone *= 1.0 + 0.05 * vnoise(x / 1.2, y / 1.2, seed + 16)
        if style == 2:
            cov *= 0.55 + 0.3 * vnoise(x / 11.0, y / 11.0, seed + 17)
        r, g, b = (
            r + cov * (m.rgb[k, 0] * tone - r),
            g + cov * (m.rgb[k, 1] * tone - g),
            b + cov * (m.rgb[k, 2] * tone - b),
        )
        gloss += cov * ((0.10 if style == 1 else 0.04) - gloss)
        if style != 2:
            cavity *= 1.0 - cov * (0.75 if style == 1 else 0.4)
        if style == 1:
            code = hash2(int(math.floor(x / 0.8)), int(math.floor(y / 0.8)), seed)
            if unit(code, 0) < 0.05:
                beads = cov
            level = max(level, 0.75 * cov)
        elif style != 2:
            level = max(level, 0.2 * cov)
        if cov > 0.5:
            mark_id = 40 + k
    return r, g, b, gloss, cavity, mark_id, beads, level
