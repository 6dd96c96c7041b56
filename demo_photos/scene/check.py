"""Does the picture show what the truth says?  Tags, checker corners and edges of noise-free renderings against the
projected truth.

`python -m demo_photos.scene.check` renders crops without any camera blur and prints the differences in pixels.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from . import bars as br
from . import trace
from .kinds import Scene, tag_px
from .layers import World

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Offsets:
    """Differences rendered minus projected, pixels: mean vector, rms, how many points."""

    what: str
    mean: tuple[float, float]
    rms: float
    count: int


def crop(w: World, centre: Array, half: int) -> tuple[World, tuple[int, int]]:
    """The same camera, only the pixels around `centre`; and the crop's first pixel."""
    x0, y0 = int(centre[0]) - half, int(centre[1]) - half
    cam = w.camera
    # the sway depends on the row, so a crop is taken without it
    return w._replace(
        camera=cam._replace(
            width=2 * half + 1, height=2 * half + 1, cx=cam.cx - x0, cy=cam.cy - y0, sway_x=0.0, sway_y=0.0
        )
    ), (x0, y0)


def _main_stripe(w: World) -> int:
    """Row of the marking whose edge is the lane line: the first that is not a scar."""
    return int(np.flatnonzero(w.marking.style != 2)[0])


def plain(w: World) -> World:
    """The same geometry in flat colours under even light, without unevenness, chips, wear or marks."""
    p = w.pavement._replace(
        kind=5,
        keep1=0.0,
        matrix=np.full(3, 0.4),
        relief=0.0,
        mean_height=0.0,
        wave=0.0,
        ripple=0.0,
        plane_a=0.0,
        plane_b=0.0,
        plane_c=0.0,
    )
    c = w.channel
    none = np.zeros_like(c.left)
    # the same nine-millimetre means the compared curves are given: raggedness is no offset
    even = np.zeros(17)
    even[::2] = 1 / 9
    left, right, grout_left, grout_right = (
        np.convolve(np.pad(t, 8, "edge"), even, "valid") for t in (c.left, c.right, c.grout_left, c.grout_right)
    )
    dark = np.zeros(3)
    c = c._replace(
        left=left,
        right=right,
        grout_left=grout_left,
        grout_right=grout_right,
        chip_left=none,
        chip_right=none,
        floor_rgb=dark,
        wall_rgb=dark,
        dust=0.0,
        water=0.0,
        debris=0.0,
        grout_rgb=np.full(3, 0.05),
        grout_style=0,
        bubbles=0.0,
        rise_left=np.zeros_like(c.rise_left),
        rise_right=np.zeros_like(c.rise_right),
        recess=0.0,
        proud=0.0,
        overcut=0.0,
    )
    m = w.marking
    keep = [_main_stripe(w)] if len(m.low) else []
    m = m._replace(
        low=m.low[keep],
        high=m.high[keep],
        rgb=m.rgb[keep],
        thick=m.thick[keep],
        wear=m.wear[keep],
        ragged=m.ragged[keep],
        style=m.style[keep],
        dirt=m.dirt[keep],
        seed=m.seed[keep],
    )
    m = m._replace(
        thick=0 * m.thick, wear=0 * m.wear, ragged=0 * m.ragged, style=0 * m.style, dirt=0 * m.dirt, rgb=0 * m.rgb + 0.9
    )
    lit = w.light._replace(table=np.zeros((1, 13)), ambient=np.ones(3), slant=np.zeros(3), caps=np.zeros((0, 7)))
    boxes = w.solids.boxes.copy()
    boxes[:, 25:27] = 0.0  # no dirt on the print
    return w._replace(
        solids=w.solids._replace(boxes=boxes),
        pavement=p,
        channel=c,
        marking=m,
        light=lit,
        marks=w.marks._replace(table=np.zeros((0, 20))),
    )


def saddles(w: World, bar: br.Bar) -> Offsets:
    """Checker saddle points found by cornerSubPix in a blur-free rendering of the bar's middle against their
    projection.
    """
    pts = trace.project(bar.top(br.checker_corners(bar.kind)), w.camera)
    inside = (pts > 25).all(1) & (pts < np.array([w.camera.width, w.camera.height]) - 25).all(1)
    out = []
    for p in pts[inside][:: max(1, int(inside.sum()) // 12)]:
        small, (x0, y0) = crop(w, p, 20)
        rgb, _ = trace.render(small)
        # cornerSubPix wants a little blur: bare steps alias
        grey = np.clip(cv2.GaussianBlur(rgb.mean(2) / rgb.max(), (0, 0), 0.9) * 255 + 0.5, 0, 255).astype(np.uint8)
        start = (p - [x0, y0]).reshape(1, 1, 2).astype(np.float32)
        win = int(np.clip(tag_px(bar, w.camera) / 10, 2, 4))
        got = cv2.cornerSubPix(grey, start.copy(), (win, win), (-1, -1), (3, 60, 1e-4))
        out.append(got.reshape(2) + [x0, y0] - p)
    return _sum_up("checker saddles", np.array(out))


def crossings(w: World, inner: Array, outer: Array, edge: Array, what: str, channel: int = 1) -> Offsets:
    """Half-way crossing of a step between plan points `inner` and `outer` (n, 2), against where `edge` (n, 2) projects.

    Each is a short profile at right angles to the edge; levels are the medians at the profile's two ends.
    """
    out = []
    for a, b, e in zip(inner, outer, edge, strict=True):
        pa, pb, pe = (trace.project(np.array([[*q, 0.0]]), w.camera)[0] for q in (a, b, e))
        small, (x0, y0) = crop(w, pe, 26)
        rgb, _ = trace.render(small)
        d = (pb - pa) / np.linalg.norm(pb - pa)
        t = np.arange(-12, 12.01, 0.05)
        side = np.array([-d[1], d[0]])
        prof = np.mean(
            [_sample(rgb[..., channel], pe - [x0, y0] + t[:, None] * d + k * side) for k in (-1, -0.5, 0, 0.5, 1)],
            axis=0,
        )
        lo, hi = np.median(prof[:80]), np.median(prof[-80:])
        if abs(hi - lo) < 0.02:
            continue
        # area under the step is its position, whatever the pixel's shape
        pos = t[0] + 24.0 * (hi - prof.mean()) / (hi - lo)
        out.append([pos, 0.0])
    return _sum_up(what, np.array(out).reshape(-1, 2))


def _sample(img: NDArray[np.float32], pts: Array) -> Array:
    return np.asarray(
        cv2.remap(
            img,
            pts[:, 0].astype(np.float32).reshape(1, -1),
            pts[:, 1].astype(np.float32).reshape(1, -1),
            cv2.INTER_LINEAR,
        )[0],
        float,
    )


def _sum_up(what: str, d: Array) -> Offsets:
    if not len(d):
        return Offsets(what, (0.0, 0.0), 0.0, 0)
    return Offsets(what, (float(d[:, 0].mean()), float(d[:, 1].mean())), float(np.sqrt((d**2).sum(1).mean())), len(d))


def tags_found(picture: NDArray[np.uint8], bars: list[br.Bar], w: World) -> tuple[int, int, float]:
    """Tags of the bars in an upright picture: found with the right id and first corner upper left, of how many, worst
    corner offset.
    """
    det = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11))
    corners, ids, _ = det.detectMarkers(picture if picture.ndim == 2 else cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY))
    found = {} if ids is None else {int(i): c.reshape(4, 2) for i, c in zip(np.ravel(ids), corners, strict=True)}
    good, total, worst = 0, 0, 0.0
    for bar in bars:
        for t, plate in enumerate(br.tag_corners(bar.kind)):
            total += 1
            got = found.get(bar.first_tag + t)
            if got is None:
                continue
            off = np.linalg.norm(got - trace.project(bar.top(plate), w.camera), axis=1).max()
            worst = max(worst, float(off))
            good += int(off < 6)
    return good, total, worst


def across(points: Array, reach: float) -> tuple[Array, Array]:
    """Plan points `reach` mm to either side of a curve of plan points (n, 2), for the inner points of it; the curve's
    own too.
    """
    d = np.gradient(points, axis=0)
    n = np.column_stack([-d[:, 1], d[:, 0]]) / np.linalg.norm(d, axis=1, keepdims=True)
    return points - reach * n, points + reach * n


def edge_offsets(scene: Scene) -> list[Offsets]:
    """Edges named in a scene's truth against a plain rendering of it."""
    w = plain(scene.world)
    out = [saddles(w, bar) for bar in scene.bars[:1]]
    curves: list[tuple[str, Array]] = []
    e = scene.truth.get("edges")
    if e and scene.kind in ("slot", "cut"):
        s = e["s0"] + np.arange(len(e["left_saw"])) * e["ds"]
        a = np.radians(e["direction_world_deg"])
        along, left = np.array([np.cos(a), np.sin(a)]), np.array([-np.sin(a), np.cos(a)])
        for side in ("left", "right"):
            curves.append(
                (
                    f"slot edge {side}",
                    scene.truth["slot_origin_mm"] + s[:, None] * along + np.array(e[f"{side}_saw"])[:, None] * left,
                )
            )
    if e and scene.kind == "surface":
        s = e["s0"] + np.arange(len(e["left_grout"])) * e["ds"]
        a = np.radians(e["direction_world_deg"])
        along, left = np.array([np.cos(a), np.sin(a)]), np.array([-np.sin(a), np.cos(a)])
        for side, sign in (("left", 1.0), ("right", -1.0)):
            curves.append(
                (
                    f"grout {side}",
                    scene.truth["slot_origin_mm"]
                    + s[:, None] * along
                    + sign * np.array(e[f"{side}_grout"])[:, None] * left,
                )
            )
    if "lane_visible_ends_mm" in scene.truth:
        (x0, _), (x1, _) = scene.truth["lane_visible_ends_mm"]
        x = np.arange(x0, x1, 5.0)
        table = w.marking.low[0] if scene.truth["lane_side"] == "right" else w.marking.high[0]
        curves.append(
            (
                "lane line",
                np.column_stack([x, np.interp(x, w.marking.x0 + w.marking.dx * np.arange(len(table)), table)]),
            )
        )
    empty = w.solids._replace(boxes=np.zeros((0, 40)), caps=np.zeros((0, 16)))
    w = w._replace(solids=empty)
    for what, curve in curves:
        # only the stretch in the middle of the picture: near the border crops would run out of it
        smooth_curve = np.column_stack([np.convolve(curve[:, i], np.ones(9) / 9, "valid") for i in (0, 1)])
        px = trace.project(np.column_stack([smooth_curve, np.zeros(len(smooth_curve))]), w.camera)
        ok = (px > 40).all(1) & (px < np.array([w.camera.width, w.camera.height]) - 40).all(1)
        # and where a step is at least twice the profile's reach away from the next one
        low, high = (
            trace.project(np.column_stack([q, np.zeros(len(q))]), w.camera) for q in across(smooth_curve, 22.0)
        )
        ok &= np.linalg.norm(high - low, axis=1) > 30.0
        pts = smooth_curve[ok][:: max(1, int(ok.sum()) // 40)]
        if len(pts) < 3:
            continue
        inner, outer = across(pts, 15.0)
        out.append(crossings(w, inner, outer, pts, what))
    return out


def main() -> int:
    """Check three scenes of each kind; exit status 1 if any edge or corner is off by 0.05 px on average."""
    from demo_photos.render import draw

    bad = 0
    for kind in ("slot", "cut", "layout", "surface"):
        for index in range(3):
            for off in edge_offsets(draw(kind, 77, index)):
                worst = max(abs(off.mean[0]), abs(off.mean[1]))
                bad += int(worst > 0.05)
                mean = f"{off.mean[0]:+.3f} {off.mean[1]:+.3f}"
                note = "<-- off" if worst > 0.05 else ""
                print(f"{kind} {index} {off.what:16} mean {mean}  rms {off.rms:.3f}  n {off.count}", note)
    return int(bad > 0)


if __name__ == "__main__":
    sys.exit(main())
