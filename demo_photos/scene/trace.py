"""From a pixel to its light: the ray, what it meets, how that is lit; and the loops over a picture.

Every pixel gets one ray through its centre; pixels at whose border the thing seen changes get sixteen, on a lattice
that is its own mirror image, so that no edge is moved.
"""

from __future__ import annotations

import math

import numpy as np

from . import channel as ch
from ._jit import jit
from .lighting import box_look, hit_box, hit_capsule, seen_share, shine, towards
from .marks import apply_marking, apply_marks, marking_lift
from .noise import lookup, smooth, vnoise
from .pavement import relief, surface, warp, waves


@jit
def ray(px, py, cam):
    """Unit direction in the world of the ray through the pixel coordinates (px, py)."""
    row = py / cam.height - 0.5
    xd = (px - cam.sway_x * row - cam.cx) / cam.f
    yd = (py - cam.sway_y * row - cam.cy) / cam.f
    x, y = xd, yd
    for _k in range(6):
        r2 = x * x + y * y
        k = 1.0 / (1.0 + r2 * (cam.k1 + r2 * cam.k2))
        x, y = xd * k, yd * k
    m = cam.rot
    dx, dy, dz = (
        m[0, 0] * x + m[1, 0] * y + m[2, 0],
        m[0, 1] * x + m[1, 1] * y + m[2, 1],
        m[0, 2] * x + m[1, 2] * y + m[2, 2],
    )
    k = 1.0 / math.sqrt(dx * dx + dy * dy + dz * dz)
    return dx * k, dy * k, dz * k


@jit
def lift_at(x, y, w):
    """Height of road, marking, sensor and grout without the stones, mm."""
    z = waves(x, y, w.pavement) + marking_lift(x, y, w.marking)
    if w.channel.mode == 2:
        z += ch.sensor_height(x, y, w.channel)
    return z


@jit
def meet_ground(ox, oy, oz, dx, dy, dz, fp, w):
    """Where a ray meets the road's relief: x, y, z."""
    t = -oz / dz
    x, y = ox + t * dx, oy + t * dy
    z = lift_at(x, y, w)
    x1, y1 = x + z * dx / dz, y + z * dy / dz
    z1 = lift_at(x1, y1, w)
    if abs(z1 - z) > 0.12:
        top, steps = max(z, z1) + 1.0, 14
        low = min(z, z1, 0.0) - 0.8
        prev = top
        hit = low
        for k in range(1, steps + 1):
            zk = top + (low - top) * k / steps
            if lift_at(x + zk * dx / dz, y + zk * dy / dz, w) >= zk:
                hit = zk
                break
            prev = zk
        for _k in range(6):
            mid = 0.5 * (prev + hit)
            if lift_at(x + mid * dx / dz, y + mid * dy / dz, w) >= mid:
                hit = mid
            else:
                prev = mid
        z1 = hit
        x1, y1 = x + z1 * dx / dz, y + z1 * dy / dz
    if w.channel.mode == 2 and ch.is_covered(x1, y1, w.channel):
        return x1, y1, z1
    if fp < 0.4 * w.pavement.cell1 and (w.pavement.kind == 0 or w.pavement.kind == 3):
        wx, wy = warp(x1, y1, w.pavement)
        h = relief(x1, y1, wx, wy, w.pavement)
        x1, y1, z1 = x1 + h * dx / dz, y1 + h * dy / dz, z1 + h
    return x1, y1, z1


@jit
def _stone_shadow(x, y, h, fp, lx, ly, lz, w):
    """Share of direct light that gets past the neighbouring stones."""
    p = w.pavement
    flat = math.sqrt(lx * lx + ly * ly)
    if p.relief <= 0.0 or flat < 0.25 or fp > 0.30 * p.cell1:
        return 1.0
    ux, uy, rise = lx / flat, ly / flat, lz / flat
    share = 1.0
    wx, wy = warp(x, y, p)
    for k in range(2):
        step = (0.16 + 0.30 * k) * p.cell1
        if step * rise > 0.9 * p.relief:
            break
        over = relief(x + ux * step, y + uy * step, wx, wy, p) - h - step * rise
        share = min(share, 1.0 - smooth(-0.10, 0.30, over))
    return share


@jit
def _ridge_shadow(x, y, lx, ly, lz, w):
    """Share of direct light past markings, ridges and the sensor's edge."""
    flat = math.sqrt(lx * lx + ly * ly)
    if flat < 0.2:
        return 1.0
    ux, uy, rise = lx / flat, ly / flat, lz / flat
    base = lift_at(x, y, w)
    share = 1.0
    for k in range(6):
        step = 0.7 * 1.75**k
        over = lift_at(x + ux * step, y + uy * step, w) - base - step * rise
        share = min(share, 1.0 - smooth(-0.05, 0.15 + 0.05 * step, over))
    return share


@jit
def _contact(x, y, w):
    """Darkening of the sky's light close beside things that stand on the road."""
    dark = 0.0
    for k in range(w.solids.boxes.shape[0]):
        row = w.solids.boxes[k]
        ox, oy = x - row[0], y - row[1]
        far = row[27] + 40.0
        if ox * ox + oy * oy > far * far:
            continue
        u = max(0.0, abs(ox * row[3] + oy * row[4]) - row[12])
        v = max(0.0, abs(ox * row[6] + oy * row[7]) - row[13])
        reach = max(2.2, 0.5 * row[14])
        dark = max(dark, 0.55 * math.exp(-math.sqrt(u * u + v * v) / reach))
    for k in range(w.solids.caps.shape[0]):
        row = w.solids.caps[k]
        bx, by = row[3] - row[0], row[4] - row[1]
        t = ((x - row[0]) * bx + (y - row[1]) * by) / (bx * bx + by * by + 1e-9)
        t = min(1.0, max(0.0, t))
        ex, ey = x - row[0] - t * bx, y - row[1] - t * by
        z = row[2] + t * (row[5] - row[2])
        d = math.sqrt(ex * ex + ey * ey + z * z) - row[6]
        dark = max(dark, 0.6 * math.exp(-max(0.0, d) / (0.8 * row[6])))
    return 1.0 - dark


@jit
def shade(
    x, y, z, nx, ny, nz, r, g, b, gloss, vx, vy, vz, sky_share, direct_share, skip, beads, rough_h, fp, on_road, w
):
    """Light from a surface towards the eye; returns it and whether the first lamp is seen."""
    li = w.light
    sky_share *= max(0.2, (0.55 + 0.45 * nz) + li.slant[0] * nx + li.slant[1] * ny + li.slant[2] * (nz - 1.0))
    R, G, B = r * li.ambient[0] * sky_share, g * li.ambient[1] * sky_share, b * li.ambient[2] * sky_share
    lit = 1
    for k in range(li.table.shape[0]):
        lx, ly, lz, far, power, angular = towards(x, y, z, li.table[k])
        ndl = nx * lx + ny * ly + nz * lz
        if power <= 0.0 or (ndl <= 0.0 and k > 0):
            continue
        share = seen_share(x, y, z + 0.02, lx, ly, lz, far, angular, skip, li, w.solids)
        if share <= 0.5 and k == 0:
            lit = 0
        if share > 0.0 and on_road:
            share *= _stone_shadow(x, y, rough_h, fp, lx, ly, lz, w)
        share *= direct_share
        if share <= 0.0 or ndl <= 0.0:
            continue
        spec = 0.0
        if gloss > 0.01:
            spec = shine(nx, ny, nz, lx, ly, lz, vx, vy, vz, gloss)
        retro = 0.0
        if beads > 0.0:
            retro = beads * 5.0 * smooth(0.90, 1.0, lx * vx + ly * vy + lz * vz)
        e = power * share
        R += e * li.table[k, 4] * (r * (ndl + retro) + spec)
        G += e * li.table[k, 5] * (g * (ndl + retro) + spec)
        B += e * li.table[k, 6] * (b * (ndl + retro) + spec)
    if gloss > 0.25:
        mirror = gloss * (0.02 + 0.98 * (1.0 - min(1.0, max(0.0, nx * vx + ny * vy + nz * vz))) ** 5) * sky_share
        R, G, B = R + mirror * li.sky[0], G + mirror * li.sky[1], B + mirror * li.sky[2]
    return R, G, B, lit


@jit
def _see_slot(x, y, z, dx, dy, dz, fp, w):
    """Light from inside the slot for a ray that entered it at (x, y, z)."""
    c = w.channel
    s, n = ch.to_frame(x, y, c)
    ds, dn = dx * c.cs + dy * c.sn, dy * c.cs - dx * c.sn
    part, s, n, z = ch.descend(s, n, min(z, 0.0), ds, dn, dz, c)
    r, g, b, a1, a2, _gloss = ch.wall_look(part, s, n, z, fp, c, w.pavement)
    pos = (s - c.s0) / c.ds
    fresh = 0.0
    if part == ch.LEFT_WALL or part == ch.RIGHT_WALL:
        side = -1.0 if part == ch.LEFT_WALL else 1.0
        if part == ch.LEFT_WALL:
            fresh = smooth(0.15, 0.6, n - lookup(c.left, pos))
        else:
            fresh = smooth(0.15, 0.6, lookup(c.right, pos) - n)
        ls, ln, lz = a1, side, a2 + 0.9 * fresh
        if fresh > 0.0:
            t = 0.85 + 0.25 * vnoise(s / 2.2, z / 2.2, c.seed + 91)
            pick = w.pavement.matrix
            r, g, b = (
                r + fresh * (1.25 * pick[0] * t + 0.03 - r),
                g + fresh * (1.25 * pick[1] * t + 0.03 - g),
                b + fresh * (1.25 * pick[2] * t + 0.03 - b),
            )
            ls += fresh * 0.35 * vnoise(s / 3.0, z / 3.0, c.seed + 92)
            lz += fresh * 0.35 * vnoise(s / 2.4, z / 2.4, c.seed + 93)
    elif part == ch.END_WALL:
        ls, ln, lz = (1.0 if s < 0.5 * (c.start + c.stop) else -1.0), a1, a2
    else:
        ls, ln, lz = a1, a2, 1.0
    k = 1.0 / math.sqrt(ls * ls + ln * ln + lz * lz)
    ls, ln, lz = ls * k, ln * k, lz * k
    nx, ny = ls * c.cs - ln * c.sn, ls * c.sn + ln * c.cs
    wx, wy = c.ox + s * c.cs - n * c.sn, c.oy + s * c.sn + n * c.cs
    sky_share = ch.openness(s, n, z, part, c)
    # the walls light each other a little
    sky_share = sky_share + 0.10 * (1.0 - sky_share) * 0.6 * (c.wall_rgb[1] + 0.1)
    li = w.light
    R, G, B = r * li.ambient[0] * sky_share, g * li.ambient[1] * sky_share, b * li.ambient[2] * sky_share
    lit = 0
    for k2 in range(li.table.shape[0]):
        lx, ly, lzz, far, power, angular = towards(wx, wy, z, li.table[k2])
        us, un = lx * c.cs + ly * c.sn, ly * c.cs - lx * c.sn
        share = ch.lit_through(s, n, z, us, un, lzz, angular, c)
        bounce = 0.05 * max(0.0, lzz)
        if share > 0.0:
            share *= seen_share(wx, wy, z, lx, ly, lzz, far, angular, -1, li, w.solids)
        if share > 0.5 and k2 == 0:
            lit = 1
        ndl = max(0.0, nx * lx + ny * ly + lz * lzz)
        e = power * (share * ndl + bounce * sky_share)
        R, G, B = R + e * r * li.table[k2, 4], G + e * g * li.table[k2, 5], B + e * b * li.table[k2, 6]
        if part == ch.WATER and share > 0.0:
            sp = power * share * shine(0.0, 0.0, 1.0, lx, ly, lzz, -dx, -dy, -dz, 0.9)
            R, G, B = R + sp * li.table[k2, 4], G + sp * li.table[k2, 5], B + sp * li.table[k2, 6]
    if part == ch.WATER:
        f = 0.02 + 0.98 * (1.0 + dz) ** 5 if dz > -1.0 else 0.02
        R, G, B = R + f * li.sky[0] * sky_share, G + f * li.sky[1] * sky_share, B + f * li.sky[2] * sky_share
    return R, G, B, 2000 + part * 4 + lit * 2 + (1 if fresh > 0.5 else 0)


@jit
def _kerf(x, y, w):
    """Darkness of the saw's overcut past the slot's ends."""
    c = w.channel
    s, n = ch.to_frame(x, y, c)
    past = max(c.start - s, s - c.stop)
    if past < 0.0 or past > c.overcut:
        return 0.0
    pos = (s - c.s0) / c.ds
    d = min(abs(n - lookup(c.left, pos) + 1.6), abs(n - lookup(c.right, pos) - 1.6))
    return smooth(2.0, 1.2, d + 0.25 * vnoise(s / 3.0, n, c.seed + 95)) * smooth(c.overcut, c.overcut - 15.0, past)


@jit
def _see_ground(x, y, z, dx, dy, dz, fp, w):
    """Light from the road at (x, y, z) with all that lies on it."""
    r, g, b, h, gx, gy, cavity = surface(x, y, fp, w.pavement)
    gloss, part, beads, level, mark_id = w.pavement.gloss, 0, 0.0, 0.0, 0
    sens_n, sens_s = 0.0, 0.0
    if w.channel.mode == 2:
        part, sr, sg, sb, sens_n, sens_s, sgloss, scavity = ch.sensor_look(x, y, fp, h, w.channel)
    if part == 0:
        r, g, b, gloss, cavity, m_id, beads, level = apply_marking(x, y, fp, h, r, g, b, gloss, cavity, w.marking)
        r, g, b, gloss, _lift, cavity, mark_id = apply_marks(x, y, fp, h, r, g, b, gloss, cavity, w.marks)
        if mark_id == 0:
            mark_id = m_id
        else:
            beads = 0.0
        if w.channel.mode == 1 and w.channel.overcut > 0.0:
            k = _kerf(x, y, w)
            r, g, b, cavity = r * (1 - 0.8 * k), g * (1 - 0.8 * k), b * (1 - 0.8 * k), max(cavity, 0.9 * k)
        film = 1.0 - 0.75 * smooth(0.25, 0.6, gloss)
        gx, gy = gx * (1.0 - level) * film, gy * (1.0 - level) * film
    else:
        r, g, b, gloss, cavity = sr, sg, sb, sgloss, scavity
        c = w.channel
        gx, gy = sens_s * c.cs - sens_n * c.sn, sens_s * c.sn + sens_n * c.cs
        mark_id = 100 * part
    near = False
    if w.channel.mode == 2:
        _s, n = ch.to_frame(x, y, w.channel)
        near = abs(n) < 90.0
    if not near and w.marking.low.shape[0] > 0:
        near = (
            marking_lift(x, y, w.marking) > 0.0
            or marking_lift(x, y + 4.0, w.marking) > 0.0
            or marking_lift(x, y - 4.0, w.marking) > 0.0
        )
    if near:
        e = 0.35 + 0.5 * fp
        gx += (lift_at(x + e, y, w) - lift_at(x - e, y, w)) / (2 * e)
        gy += (lift_at(x, y + e, w) - lift_at(x, y - e, w)) / (2 * e)
    k = 1.0 / math.sqrt(gx * gx + gy * gy + 1.0)
    nx, ny, nz = -gx * k, -gy * k, k
    direct = 1.0 - 0.45 * cavity
    if near:
        lx, ly, lz, _far, _power, _angular = towards(x, y, z, w.light.table[0])
        direct *= _ridge_shadow(x, y, lx, ly, lz, w)
    sky = (1.0 - 0.8 * cavity) * _contact(x, y, w)
    R, G, B, lit = shade(
        x, y, z, nx, ny, nz, r, g, b, gloss, -dx, -dy, -dz, sky, direct, -1, beads, h, fp, part == 0 and level < 0.5, w
    )
    return R, G, B, 1000 + 2 * mark_id + lit


@jit
def look(px, py, w, boxes_seen):  # noqa: C901 - a ray's whole way in one piece
    """Colour and id of what is seen through pixel coordinates (px, py)."""
    cam = w.camera
    dx, dy, dz = ray(px, py, cam)
    ox, oy, oz = cam.centre[0], cam.centre[1], cam.centre[2]
    best, which, axis, side = 1e18, -1, 0, 1.0
    for k in range(w.solids.boxes.shape[0]):
        if px < boxes_seen[k, 0] or py < boxes_seen[k, 1] or px > boxes_seen[k, 2] or py > boxes_seen[k, 3]:
            continue
        t, a, sd = hit_box(ox, oy, oz, dx, dy, dz, w.solids.boxes[k])
        if 0.0 < t < best:
            best, which, axis, side = t, k, a, sd
    cap = -1
    for k in range(w.solids.caps.shape[0]):
        t = hit_capsule(ox, oy, oz, dx, dy, dz, w.solids.caps[k])
        if 0.0 < t < best:
            best, cap, which = t, k, -1
    ground_t = 1e17
    if dz < -1e-4:
        ground_t = -oz / dz
    if ground_t > 60000.0 and best > 1e17:
        return w.light.sky[0] * 0.3, w.light.sky[1] * 0.3, w.light.sky[2] * 0.3, 1
    x, y, z, fp = 0.0, 0.0, 0.0, 1.0
    if ground_t < 60000.0:
        fp = ground_t / cam.f / math.sqrt(-dz)
        x, y, z = meet_ground(ox, oy, oz, dx, dy, dz, fp, w)
        ground_t = (z - oz) / dz
    if best < ground_t:
        hx, hy, hz = ox + best * dx, oy + best * dy, oz + best * dz
        fp = best / cam.f
        if cap >= 0:
            return _see_capsule(hx, hy, hz, dx, dy, dz, cap, w)
        row = w.solids.boxes[which]
        i = 3 + 3 * axis
        nx, ny, nz = side * row[i], side * row[i + 1], side * row[i + 2]
        qu = (hx - row[0]) * row[3] + (hy - row[1]) * row[4] + (hz - row[2]) * row[5]
        qv = (hx - row[0]) * row[6] + (hy - row[1]) * row[7] + (hz - row[2]) * row[8]
        r, g, b, gloss, ident = box_look(row, qu, qv, axis, side, fp, w.solids)
        R, G, B, lit = shade(
            hx, hy, hz, nx, ny, nz, r, g, b, gloss, -dx, -dy, -dz, 1.0, 1.0, which, 0.0, 0.0, fp, False, w
        )
        return R, G, B, 5000 + 2 * ident + lit
    if w.channel.mode == 1:
        s, n = ch.to_frame(x, y, w.channel)
        if ch.is_open(s, n, w.channel):
            return _see_slot(x, y, z, dx, dy, dz, fp, w)
    return _see_ground(x, y, z, dx, dy, dz, fp, w)


@jit
def _see_capsule(hx, hy, hz, dx, dy, dz, k, w):
    """Light from a boot, a hose, a sleeve."""
    row = w.solids.caps[k]
    bx, by, bz = row[3] - row[0], row[4] - row[1], row[5] - row[2]
    t = ((hx - row[0]) * bx + (hy - row[1]) * by + (hz - row[2]) * bz) / (bx * bx + by * by + bz * bz + 1e-9)
    t = min(1.0, max(0.0, t))
    nx, ny, nz = (hx - row[0] - t * bx) / row[6], (hy - row[1] - t * by) / row[6], (hz - row[2] - t * bz) / row[6]
    seed = int(row[11])
    tone = 1.0 + 0.25 * vnoise(hx / 14.0, (hy + hz) / 14.0, seed) + 0.12 * vnoise(hx / 1.3, (hy + hz) / 1.3, seed + 1)
    nx += 0.15 * vnoise(hx / 9.0, hy / 9.0, seed + 2)
    R, G, B, _lit = shade(
        hx + nx,
        hy + ny,
        hz + nz,
        nx,
        ny,
        nz,
        row[7] * tone,
        row[8] * tone,
        row[9] * tone,
        row[10],
        -dx,
        -dy,
        -dz,
        0.9,
        1.0,
        -1,
        0.0,
        0.0,
        1.0,
        False,
        w,
    )
    return R, G, B, 9000 + int(row[12])


@jit
def paint(w, boxes_seen, rgb, ident):
    """One ray a pixel: fills rgb (h, w, 3) and ident (h, w)."""
    for j in range(w.camera.height):
        for i in range(w.camera.width):
            r, g, b, k = look(float(i), float(j), w, boxes_seen)
            rgb[j, i, 0], rgb[j, i, 1], rgb[j, i, 2] = r, g, b
            ident[j, i] = k


@jit
def refine(w, boxes_seen, rgb, ident):
    """Sixteen rays for every pixel whose neighbours see something else; returns how many that were."""
    count = 0
    h, wd = w.camera.height, w.camera.width
    for j in range(h):
        for i in range(wd):
            here = ident[j, i]
            edge = False
            for b in range(max(0, j - 1), min(h, j + 2)):
                for a in range(max(0, i - 1), min(wd, i + 2)):
                    if ident[b, a] != here:
                        edge = True
            if not edge:
                continue
            count += 1
            R, G, B = 0.0, 0.0, 0.0
            for k in range(16):
                du = (k + 0.5) / 16.0 - 0.5
                dv = ((7 * k + 3) % 16 + 0.5) / 16.0 - 0.5
                r, g, b2, _m = look(i + du, j + dv, w, boxes_seen)
                R, G, B = R + r, G + g, B + b2
            rgb[j, i, 0], rgb[j, i, 1], rgb[j, i, 2] = R / 16.0, G / 16.0, B / 16.0
    return count


def project(points: np.ndarray, cam) -> np.ndarray:  # type: ignore[no-untyped-def]
    """World points (n, 3) mm to pixels (n, 2) of the displayed picture, by the truth's camera (without sway)."""
    q = (np.asarray(points, float) - cam.centre) @ cam.rot.T
    xy = q[:, :2] / q[:, 2:3]
    r2 = (xy**2).sum(1, keepdims=True)
    xy = xy * (1 + r2 * (cam.k1 + r2 * cam.k2))
    return xy * cam.f + [cam.cx, cam.cy]


def seen_boxes(w) -> np.ndarray:  # type: ignore[no-untyped-def]
    """Pixel rectangle (x0, y0, x1, y1) that holds each box; everything where a corner is behind the camera."""
    out = np.zeros((len(w.solids.boxes), 4))
    for k, row in enumerate(w.solids.boxes):
        axes = row[3:12].reshape(3, 3) * row[12:15, None]
        corners = np.array(
            [row[:3] + a * axes[0] + b * axes[1] + c * axes[2] for a in (-1, 1) for b in (-1, 1) for c in (-1, 1)]
        )
        depth = (corners - w.camera.centre) @ w.camera.rot[2]
        if depth.min() < 20.0:
            out[k] = -1e9, -1e9, 1e9, 1e9
            continue
        px = project(corners, w.camera)
        pad = 6.0 + abs(w.camera.sway_x) + abs(w.camera.sway_y)
        out[k] = *(px.min(0) - pad), *(px.max(0) + pad)
    return out


def render(w) -> tuple[np.ndarray, np.ndarray]:  # type: ignore[no-untyped-def]
    """Linear light (h, w, 3) float32 and ids (h, w) int32."""
    rgb = np.zeros((w.camera.height, w.camera.width, 3), np.float32)
    ident = np.zeros(rgb.shape[:2], np.int32)
    seen = seen_boxes(w)
    paint(w, seen, rgb, ident)
    refine(w, seen, rgb, ident)
    return rgb, ident


@jit
def hidden(points, w, out):
    """Whether a box or capsule stands between the camera and each world point (n, 3); fills out (n,)."""
    ox, oy, oz = w.camera.centre[0], w.camera.centre[1], w.camera.centre[2]
    for k in range(points.shape[0]):
        dx, dy, dz = points[k, 0] - ox, points[k, 1] - oy, points[k, 2] - oz
        far = math.sqrt(dx * dx + dy * dy + dz * dz)
        dx, dy, dz = dx / far, dy / far, dz / far
        out[k] = False
        for b in range(w.solids.boxes.shape[0]):
            t, _a, _sd = hit_box(ox, oy, oz, dx, dy, dz, w.solids.boxes[b])
            if 0.0 < t < far - 0.5:
                out[k] = True
        for b in range(w.solids.caps.shape[0]):
            t = hit_capsule(ox, oy, oz, dx, dy, dz, w.solids.caps[b])
            if 0.0 < t < far - 0.5:
                out[k] = True
