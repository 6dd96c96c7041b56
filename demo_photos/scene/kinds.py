"""Whole scenes of each kind, drawn at random, with their truth."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import bars as br
from . import build as bd
from . import marks as mk
from . import pavement as pv
from . import profile as pf
from . import trace, truth
from .build import vec
from .develop import Capture
from .layers import Camera, Channel, Pavement, Solids, World

Array = NDArray[np.float64]
Rng = np.random.Generator


@dataclass(frozen=True)
class Scene:
    """A picture to be taken and all that is true of it."""

    kind: str
    difficulty: str
    conditions: list[str]
    world: World
    bars: list[br.Bar]
    phone: bd.Phone
    capture: Capture
    truth: dict[str, Any]
    pavement_name: str
    flatness_mm: float
    ask_kind: str = ""
    why: str = ""
    case: str = ""
    orientation: int = 1
    quantities: dict[str, Any] = field(default_factory=dict)


class NoViewError(Exception):
    """No camera position was found that shows what the scene must show."""


def difficulty(rng: Rng) -> str:
    """Ordinary care in seven scenes of ten."""
    return str(rng.choice(["easy", "ordinary", "hard"], p=[0.35, 0.35, 0.30]))


def pick_pavement(rng: Rng, x: float, y: float, reach: float) -> tuple[Pavement, str, float]:
    """A random pavement, levelled about (x, y)."""
    name = str(rng.choice(bd.PAVEMENTS, p=[0.11, 0.15, 0.12, 0.10, 0.15, 0.09, 0.12, 0.09, 0.07]))
    made = bd.pavement(rng, name)
    if rng.random() < 0.08:
        made, name = bd.damp(made), f"damp_{name}"
    p, flat = bd.level(made, x, y, reach)
    return p, name, flat


def pick_light(rng: Rng, hard: bool, wide: bool = False) -> str:
    """A light for a scene; hard ones have more night and low sun.  A phone's own lamp does not reach far."""
    names = ["sun", "low_sun", "overcast", "shade", "dusk", "night_mast", "night_low", "headlights", "torch"]
    easy = [0.24, 0.05, 0.22, 0.09, 0.06, 0.22, 0.05, 0.03, 0.04]
    tough = [0.12, 0.14, 0.08, 0.06, 0.09, 0.20, 0.14, 0.09, 0.08]
    odds = np.array(tough if hard else easy)
    if wide:
        odds[-1] *= 0.3
    return str(rng.choice(names, p=odds / odds.sum()))


# ---- bars ------------------------------------------------------------------------------------------------------------


def rest(
    rng: Rng, p: Pavement, kind: str, k: int, centre: Array, angle_deg: float, lift: float = 0.0, **more: Any
) -> br.Bar:
    """A bar at rest on the stones with its middle over `centre`."""
    length, width = br.SIZE_MM[kind]
    scale = float(1 + rng.normal(0, 0.00007))
    a = np.radians(angle_deg)
    ex, ey = vec(np.cos(a), np.sin(a)), vec(-np.sin(a), np.cos(a))
    corner = centre - ex * length * scale / 2 - ey * width / 2
    spots = np.array([corner + ex * u + ey * v for u in np.linspace(0, length, 7) for v in (0, width / 2, width)])
    z = np.array([pv.waves(x, y, p) for x, y in spots])
    design = np.column_stack([np.ones(len(spots)), spots - corner])
    coef = np.linalg.lstsq(design, z, rcond=None)[0]
    tops = float(np.clip(0.9 * p.relief - p.mean_height, 0.1, 1.2)) if p.relief > 0 else 0.15
    height = coef[0] + 0.7 * float((z - design @ coef).max()) + tops + rng.uniform(0.0, 0.35) + lift
    tilt = coef[1:] + rng.normal(0, 0.25, 2) / length
    white = tuple(np.array([0.80, 0.80, 0.78]) * rng.uniform(0.85, 1.06))
    base: dict[str, Any] = {
        "length_scale": scale,
        "thickness": float(3 + rng.normal(0, 0.05)),
        "white": white,
        "gloss": float(rng.uniform(0.02, 0.16)),
        "seed": int(rng.integers(1, 90)),
    }
    return br.lying(
        kind,
        k,
        float(corner[0]),
        float(corner[1]),
        angle_deg % 360,
        float(height),
        (float(tilt[0]), float(tilt[1])),
        **(base | more),
    )


def numbers(rng: Rng, kind: str, count: int) -> list[int]:
    """Different bars of a series."""
    return [int(k) for k in rng.choice(50 if kind == "L" else 29, count, replace=False)]


def outline(bar: br.Bar) -> Array:
    """(4, 2) corners of the plate in plan."""
    w, h = br.SIZE_MM[bar.kind]
    return bar.top(np.array([(0, 0), (w, 0), (w, h), (0, h)], float))[:, :2]


def overlap(a: Array, b: Array) -> bool:
    """Whether two convex outlines touch (separating axes)."""
    for poly in (a, b):
        for i in range(len(poly)):
            e = poly[(i + 1) % len(poly)] - poly[i]
            n = vec(-e[1], e[0])
            pa, pb = a @ n, b @ n
            if pa.max() < pb.min() or pb.max() < pa.min():
                return False
    return True


def beside(
    rng: Rng,
    p: Pavement,
    kind: str,
    count: int,
    origin: Array,
    angle_deg: float,
    stretch: tuple[float, float],
    clear: tuple[float, float],
    far: float,
    taken: list[Array],
    **more: Any,
) -> list[br.Bar]:
    """Bars laid beside a line: middles spread over `stretch`, nearest side between `clear` and `far` from the axis."""
    bars: list[br.Bar] = []
    length, width = br.SIZE_MM[kind]
    a = np.radians(angle_deg)
    d, nrm = vec(np.cos(a), np.sin(a)), vec(-np.sin(a), np.cos(a))
    ks = numbers(rng, kind, count)
    for i in range(count):
        for attempt in range(200):
            turn = rng.normal(0, 4.0) if rng.random() < 0.85 else rng.uniform(-90, 90)
            side = rng.choice([-1, 1])
            gap = clear[0] if side > 0 else clear[1]
            t = np.radians(turn)
            half = abs(np.sin(t)) * length / 2 + abs(np.cos(t)) * width / 2
            n = side * (gap + half + rng.uniform(0, far))
            s = rng.uniform(*stretch)
            bar = rest(
                rng, p, kind, ks[i], origin + s * d + n * nrm, angle_deg + turn + 180 * rng.integers(0, 2), **more
            )
            box = outline(bar)
            if not any(overlap(box, o) for o in taken):
                bars.append(bar)
                taken.append(box)
                break
            if attempt == 199:
                raise NoViewError("no room for a bar")
    return bars


def solids(bars: list[br.Bar], more_boxes: list[Array] | None = None, caps: list[Array] | None = None) -> Solids:
    """The bars and whatever else stands about, for the renderer."""
    rows, bits, row = [], [], 0
    for i, bar in enumerate(bars):
        rows.append(br.boxes_of(bar, row, i + 1))
        tags = [br.tag_bits(bar.first_tag + t) for t in range(br.TAGS[bar.kind])]
        bits += tags
        row += len(tags)
    rows += [np.atleast_2d(b) for b in (more_boxes or [])]
    return Solids(
        np.vstack(rows) if rows else np.zeros((0, 40)),
        np.array(bits) if bits else np.zeros((1, 8, 8)),
        np.array(caps).reshape(-1, 16) if caps else np.zeros((0, 16)),
        np.zeros((2, 2, 3), np.uint8),
    )


# ---- seeing ----------------------------------------------------------------------------------------------------------


def in_frame(points: Array, cam: Camera, margin: float = 0.0) -> NDArray[np.bool_]:
    """Which world points (n, 3) fall into the picture, at least `margin` pixels from its border."""
    sight = (points - cam.centre) @ cam.rot.T
    depth = sight[:, 2]
    with np.errstate(
        divide="ignore", invalid="ignore"
    ):  # far outside the field the lens polynomial folds back into the frame
        ok = (depth > 50) & (
            np.hypot(sight[:, 0], sight[:, 1]) < depth * 1.3 * np.hypot(cam.width, cam.height) / (2 * cam.f)
        )
    px = np.full((len(points), 2), -1e9)
    if ok.any():
        px[ok] = trace.project(points[ok], cam)
    return np.asarray(ok & (px > margin - 0.5).all(1) & (px < np.array([cam.width, cam.height]) - 0.5 - margin).all(1))


def seen(points: Array, w: World) -> NDArray[np.bool_]:
    """Which world points are in the picture and not behind something."""
    out = np.zeros(len(points), bool)
    trace.hidden(np.ascontiguousarray(points, float), w, out)
    return np.asarray(in_frame(points, w.camera) & ~out)


def tag_px(bar: br.Bar, cam: Camera) -> float:
    """Shortest side of the bar's tags in the picture, pixels."""
    corners = np.array([trace.project(bar.top(c), cam) for c in br.tag_corners(bar.kind)])
    return float(np.linalg.norm(np.roll(corners, -1, axis=1) - corners, axis=2).min())


def bars_ok(bars: list[br.Bar], cam: Camera, least_px: float, margin: float) -> bool:
    """All bars wholly in the picture, their tags large enough, and nothing but road in it."""
    corners = [trace.ray(x, y, cam) for x in (0.0, cam.width - 1.0) for y in (0.0, cam.height - 1.0)]
    if max(c[2] for c in corners) > -0.09:
        return False
    for bar in bars:
        w, h = br.SIZE_MM[bar.kind]
        if not in_frame(bar.top(np.array([(0, 0), (w, 0), (w, h), (0, h)], float)), cam, margin).all():
            return False
        if tag_px(bar, cam) < least_px:
            return False
    return True


def flat3(points: Array, z: float = 0.0) -> Array:
    """Plan points (n, 2) as world points."""
    return np.column_stack([points, np.full(len(points), z)])


def hold(
    rng: Rng,
    ph: bd.Phone,
    target: Array,
    height: tuple[float, float],
    lean_deg: tuple[float, float],
    portrait: bool,
    azimuth: float | None = None,
) -> Camera:
    """A hand-held camera above the road aiming near `target`, leaning `lean_deg` from looking straight down."""
    h, lean = rng.uniform(*height), np.radians(rng.uniform(*lean_deg))
    az = rng.uniform(0, 2 * np.pi) if azimuth is None else azimuth
    eye = vec(target[0] + h * np.tan(lean) * np.cos(az), target[1] + h * np.tan(lean) * np.sin(az), h)
    aim = vec(target[0], target[1], 0) + vec(*rng.normal(0, 0.05 * h, 2), 0)
    turn = rng.normal(0, 3.5)
    if lean < np.radians(12):
        turn += float(rng.choice([0, 90, 180, 270]))
    return bd.camera(ph, eye, aim, turn, portrait)


def orientation_for(rng: Rng, portrait: bool) -> int:
    """An EXIF orientation; turned ones more often for upright pictures, mirrored ones rarely."""
    if portrait:
        return int(rng.choice([6, 8, 1, 5, 7], p=[0.55, 0.22, 0.15, 0.04, 0.04]))
    return int(rng.choice([1, 3, 2, 4], p=[0.80, 0.14, 0.03, 0.03]))


def shaken(rng: Rng, cam: Camera, hard: bool) -> Camera:
    """A rolling shutter under a moving hand: a fraction of a pixel over the whole height."""
    reach = 0.5 if hard else 0.15
    return cam._replace(sway_x=float(rng.uniform(-reach, reach)), sway_y=float(rng.uniform(-reach, reach)))


def feet(rng: Rng, cam: Camera, centre: Array) -> list[Array]:
    """The toes of somebody's boots at the border of the picture, or a hose; capsule rows."""
    edge = rng.integers(0, 4)
    u, v = rng.uniform(0.1, 0.9) * cam.width, rng.uniform(0.1, 0.9) * cam.height
    px = [(u, -0.01 * cam.height), (u, 1.01 * cam.height), (-0.01 * cam.width, v), (1.01 * cam.width, v)][int(edge)]
    dx, dy, dz = trace.ray(px[0], px[1], cam)
    if dz > -0.1:
        return []
    t = -cam.centre[2] / dz
    p = vec(cam.centre[0] + t * dx, cam.centre[1] + t * dy)
    if np.linalg.norm(p - cam.centre[:2]) > 4500:
        return []
    out = (p - centre) / (np.linalg.norm(p - centre) + 1e-9)
    rows = []

    def cap(a: Array, b: Array, r: float, rgb: tuple[float, float, float], gloss: float) -> None:
        row = np.zeros(16)
        row[0:3], row[3:6], row[6], row[7:10], row[10], row[11], row[12] = a, b, r, rgb, gloss, rng.integers(1, 90), 30
        rows.append(row)

    if rng.random() < 0.7:
        side = vec(-out[1], out[0])
        tone = [(0.05, 0.045, 0.04), (0.16, 0.10, 0.05), (0.30, 0.20, 0.10)][int(rng.integers(3))]
        for k in (-1, 1):
            q = p + side * 85 * k + out * rng.uniform(15, 60)
            a, b = vec(q[0], q[1], 42), vec(q[0] + out[0] * 150, q[1] + out[1] * 150, 60)
            cap(a, b, 44, tone, 0.08)
            cap(b, b + vec(out[0] * 40, out[1] * 40, 330), 60, (0.04, 0.05, 0.09), 0.0)
    else:
        side = vec(-out[1], out[0])
        a = p - side * 900 + out * rng.uniform(10, 80)
        b = p + side * 900 + out * rng.uniform(10, 80)
        cap(
            vec(a[0], a[1], 13),
            vec(b[0], b[1], 13),
            13,
            [(0.5, 0.32, 0.02), (0.02, 0.02, 0.02), (0.03, 0.12, 0.3)][int(rng.integers(3))],
            0.2,
        )
    return rows


def pebbles(rng: Rng, cam: Camera, centre: Array, reach: float, taken: list[Array]) -> list[Array]:
    """Loose stones on the road, clear of the given outlines; capsule rows."""
    rows = []
    for _ in range(int(rng.integers(2, 9))):
        p = centre + rng.uniform(-reach, reach, 2)
        r = float(rng.uniform(2.0, 7.0))
        box = p + np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * 3 * r
        if any(overlap(box, o) for o in taken):
            continue
        d = rng.normal(0, 1, 2)
        d *= rng.uniform(0.2, 1.0) * r / np.linalg.norm(d)
        row = np.zeros(16)
        tone = rng.uniform(0.1, 0.42)
        row[0:3], row[3:6], row[6] = (*(p - d), 0.75 * r), (*(p + d), 0.7 * r), r
        row[7:10], row[11], row[12] = tone * np.array([1.03, 1.0, 0.94]), rng.integers(1, 90), 32
        rows.append(row)
    return rows


# ---- the lane --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Lane:
    """Markings with the lane line at y = 0; the lane lies on the side `into` (+1 or -1 along y)."""

    stripes: list[bd.Stripe]
    into: int
    facts: dict[str, Any]
    edge: Array  # y of the lane line against table_x


def lane(rng: Rng, hard: bool, conditions: list[str]) -> Lane:
    """A lane marking, perhaps doubled, perhaps with the scar of an older one beside it."""
    into = int(rng.choice([-1, 1]))
    yellow = bool(rng.random() < 0.35)
    colour = bd.YELLOW if yellow else bd.WHITE
    width = float(rng.uniform(95, 160))
    style = int(rng.random() < 0.55)
    wear = float(np.clip(rng.beta(1.4, 4.0) + (0.2 if hard and rng.random() < 0.5 else 0), 0.0, 0.62))
    if wear > 0.40:
        conditions.append("worn_marking")
    low = 0.0 if into < 0 else -width
    main = bd.stripe(rng, low, width, colour, wear, style)
    stripes = [main]
    if rng.random() < 0.18:
        conditions.append("double_marking")
        gap = rng.uniform(80, 160)
        stripes.append(
            bd.stripe(
                rng, width + gap if into < 0 else -2 * width - gap, width, colour, wear * rng.uniform(0.7, 1.3), style
            )
        )
    if rng.random() < 0.15:
        conditions.append("ghost_marking")
        y = float(into * rng.uniform(180, 700))
        scar = 0.30 if rng.random() < 0.6 else 0.035
        stripes.insert(
            0, bd.stripe(rng, y, rng.uniform(90, 150), (scar, scar, scar * 0.97), 0.1, 2, slope=rng.normal(0, 0.012))
        )
    edge = main.low if into < 0 else main.high
    facts = {
        "lane_side": "right" if into < 0 else "left",
        "lane_marking_width": width,
        "lane_marking_thickness": main.thick,
        "lane_yellow": yellow,
        "wear": wear,
    }
    return Lane(stripes, into, facts, edge)


def lane_truth(ln: Lane, w: World) -> dict[str, Any]:
    """Angle of the lane line over its visible length."""
    x = np.arange(-8500.0, 8500.0, 5.0)
    pts = np.column_stack([x, np.interp(x, bd.table_x(), ln.edge)])
    pts = pts[seen(flat3(pts), w)]
    if len(pts) < 20:
        raise NoViewError("lane line out of view")
    a = truth.line_angle(pts)
    a = a - 180 if a > 90 else a
    return {
        "lane_angle_world": a,
        "lane_visible_length": float(np.ptp(pts[:, 0])),
        "lane_visible_ends_mm": [pts[0].tolist(), pts[-1].tolist()],
    }


# ---- layout ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Sprayed:
    """The layout line: from a to b, half width, wander."""

    a: Array
    b: Array
    half: float
    wander: float
    seed: int

    def centre(self, step: float = 2.0) -> Array:
        """Plan points (n, 2) of the middle of the band."""
        d = self.b - self.a
        length = float(np.linalg.norm(d))
        d = d / length
        t = np.arange(0, length + step, step)
        off = np.array([mk.stroke_centre(float(v), self.wander, self.seed) for v in t])
        return np.asarray(self.a + t[:, None] * d + off[:, None] * vec(-d[1], d[0]))


def spray(rng: Rng, m: bd.MarkList, line: Sprayed, colour: str, age: float) -> None:
    """Put the layout line on the road, with a drip or two."""
    rgb = bd.PAINTS[colour]
    m.stroke(
        tuple(line.a),
        tuple(line.b),
        line.half,
        rgb,
        soft=rng.uniform(1.5, 7.0),
        strength=rng.uniform(0.82, 0.97),
        age=age,
        extra=line.wander,
        seed=line.seed,
    )
    centre = line.centre()
    for _ in range(int(rng.poisson(1.0))):
        p = centre[int(rng.integers(len(centre)))] + rng.normal(0, line.half * 2.0, 2)
        r = rng.uniform(2, 7)
        m.stroke((p[0], p[1]), (p[0] + 1, p[1] + 1), r, rgb, soft=1.0, strength=0.9, seed=int(rng.integers(1, 90)))


def stale_lines(rng: Rng, m: bd.MarkList, ln: Lane, at: float, angle: float, conditions: list[str]) -> None:
    """An older line, painted over in black, or nearly gone."""
    conditions.append("stale_line")
    x = at + float(rng.choice([-1, 1])) * rng.uniform(90, 420)
    a = np.radians(angle + rng.normal(0, 1.5))
    d = ln.into * vec(np.cos(a), np.sin(a)) * np.sign(np.sin(a))
    p, q = vec(x, 0) + d * rng.uniform(-10, 60), vec(x, 0) + d * rng.uniform(900, 3000)
    half = rng.uniform(14, 26)
    colour = bd.PAINTS[str(rng.choice(["white", "pink", "orange", "yellow", "green"]))]
    seed = int(rng.integers(1, 90))
    m.stroke(tuple(p), tuple(q), half, colour, soft=3.0, strength=0.7, age=rng.uniform(0.3, 0.6), seed=seed)
    m.stroke(
        tuple(p),
        tuple(q),
        half * rng.uniform(1.3, 2.2),
        (0.02, 0.02, 0.021),
        soft=6.0,
        strength=0.93,
        age=rng.uniform(0.1, 0.35),
        seed=seed + 1,
    )


def layout(rng: Rng, fixed: dict[str, Any] | None = None) -> Scene:
    """The lane marking and the sprayed line across the lane, long bars beside it."""
    fx = fixed or {}
    level_ = fx.get("difficulty") or difficulty(rng)
    hard = level_ == "hard"
    conditions: list[str] = []
    ln = lane(rng, hard, conditions)
    angle = fx.get("angle", 90.0 + float(np.clip(rng.normal(0, 1.1), -4, 4)))
    a = np.radians(angle)
    d = ln.into * vec(np.cos(a), np.sin(a))
    length = rng.uniform(1700, 3600)
    line = Sprayed(
        d * rng.uniform(-40, 50),
        d * length,
        float(rng.uniform(12, 27)),
        float(rng.uniform(0, 1.6)),
        int(rng.integers(1, 90)),
    )
    middle = d * min(length * 0.5, 1100)
    p, name, flat = pick_pavement(rng, middle[0], middle[1], 1500)
    m = bd.MarkList()
    conditions += bd.litter(rng, m, middle, 1600, 1.0, p.kind > 0)
    if rng.random() < 0.3:
        stale_lines(rng, m, ln, 0.0, angle, conditions)
    colour = str(
        rng.choice(["white", "pink", "orange", "green", "yellow", "blue"], p=[0.34, 0.2, 0.16, 0.12, 0.1, 0.08])
    )
    spray(rng, m, line, colour, float(rng.uniform(0, 0.10) + (0.15 if hard else 0)))
    marks = m.done()
    mode = pick_light(rng, hard, wide=True)

    def compose() -> tuple[World, list[br.Bar], bd.Phone, bool, str]:
        dirt = rng.uniform(0, 0.25) + (0.35 if hard and rng.random() < 0.4 else 0)
        bars = beside(
            rng,
            p,
            "L",
            int(rng.choice([1, 2, 3], p=[0.25, 0.65, 0.10])),
            vec(0, 0),
            float(np.degrees(np.arctan2(d[1], d[0]))),
            (600, 1500),
            (60, 60),
            350,
            [],
            dirt=dirt,
        )
        small = hard and rng.random() < 0.25
        ph = bd.phone(rng, small=small)
        portrait = bool(rng.random() < 0.3)
        for _ in range(120):
            cam = hold(
                rng,
                ph,
                middle * rng.uniform(0.6, 1.2),
                (1300, 1900),
                (20, 64) if ph.lens != "tele" else (45, 68),
                portrait,
            )
            if not bars_ok(bars, cam, 24 if hard else 30, 12):
                continue
            x = np.arange(-3500.0, 3500, 25)
            lane_mm = 25 * in_frame(flat3(np.column_stack([x, np.zeros_like(x)])), cam).sum()
            line_mm = 2 * in_frame(flat3(line.centre()), cam).sum()
            if lane_mm < 800 or line_mm < 900:
                continue
            cam = shaken(rng, cam, hard)
            caps = feet(rng, cam, middle) if rng.random() < 0.18 else []
            shadows = rng.random() < (0.6 if hard else 0.3)
            lit = bd.lighting(rng, mode, middle, 1000, cam.centre, shadows)
            w = World(cam, p, bd.marking(rng, ln.stripes), marks, bd.no_channel(), lit.light, solids(bars, caps=caps))
            return w, bars, ph, portrait, lit.name
        raise NoViewError

    w, bars, ph, portrait, light_name = retry(compose)
    facts = dict(ln.facts) | lane_truth(ln, w)
    pts = line.centre()
    pts = pts[seen(flat3(pts), w)]
    world_angle = truth.line_angle(pts)
    facts |= {
        "paint_width": 2 * line.half,
        "paint_colour": colour,
        "layout_angle": truth.angle_between(facts["lane_angle_world"], world_angle),
        "layout_angle_design": angle,
        "layout_angle_world": world_angle,
        "layout_visible_length": float(np.linalg.norm(pts[-1] - pts[0])),
        "layout_visible_ends_mm": [pts[0].tolist(), pts[-1].tolist()],
    }
    return finish(rng, "layout", level_, conditions, w, bars, ph, portrait, light_name, facts, name, flat)


def retry(compose: Any, tries: int = 25) -> Any:
    """Call `compose` until it finds a view."""
    for _ in range(tries):
        try:
            return compose()
        except NoViewError:
            continue
    raise NoViewError("no view found")


def finish(
    rng: Rng,
    kind: str,
    level_: str,
    conditions: list[str],
    w: World,
    bars: list[br.Bar],
    ph: bd.Phone,
    portrait: bool,
    light_name: str,
    facts: dict[str, Any],
    pavement_name: str,
    flat: float,
) -> Scene:
    """Add the exposure and the bookkeeping."""
    bright = {"sun": 1.0, "low_sun": 0.7, "overcast": 0.5, "shade": 0.3, "dusk": 0.06}.get(light_name, 0.02)
    shot = bd.capture(rng, bright, level_ == "hard", w.camera.width * w.camera.height / 1e6, ph.f_px)
    if shot.motion > 2 or shot.defocus > 1.2:
        conditions.append("soft")
    tags = (
        [pavement_name, light_name, ph.lens, *conditions]
        + (["portrait"] if portrait else [])
        + (["small_photo"] if w.camera.width * w.camera.height < 3.5e6 else [])
    )
    return Scene(
        kind,
        level_,
        sorted(set(tags)),
        w,
        bars,
        ph,
        shot,
        facts,
        pavement_name,
        flat,
        orientation=orientation_for(rng, portrait),
    )


# ---- slots -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Cut:
    """A slot in the world: its axis through `origin` at `angle_deg`, its tables, its ends along s."""

    origin: Array
    angle_deg: float
    tables: pf.SlotTables
    start: float
    stop: float
    depth: float

    @property
    def along(self) -> Array:
        """Unit vector of +s in plan."""
        a = np.radians(self.angle_deg)
        return vec(np.cos(a), np.sin(a))

    @property
    def across(self) -> Array:
        """Unit vector of +n in plan, to the left of +s."""
        return vec(-self.along[1], self.along[0])

    def plan(self, s: Array, n: Array) -> Array:
        """Plan points of slot coordinates."""
        return np.asarray(self.origin + np.outer(s, self.along) + np.outer(n, self.across))


def channel(rng: Rng, cut: Cut, p: Pavement) -> tuple[Channel, list[str]]:
    """The slot for the renderer: walls, floor, dust, water, rubble."""
    t, a = cut.tables, np.radians(cut.angle_deg)
    state = str(rng.choice(["dry", "dusty", "wet", "slurry", "clean"], p=[0.35, 0.16, 0.16, 0.12, 0.21]))
    base = p.matrix * 1.1 + 0.02
    dust_rgb = vec(0.34, 0.32, 0.29) * rng.uniform(0.6, 1.15)
    floor = {
        "dry": 0.6 * p.mean + 0.2 * dust_rgb,
        "dusty": dust_rgb,
        "wet": 0.5 * base + 0.02,
        "slurry": vec(0.19, 0.185, 0.175) * rng.uniform(0.6, 1.2),
        "clean": 0.65 * p.mean,
    }[state]
    tables = np.zeros(2)
    c = Channel(
        1,
        cut.origin[0],
        cut.origin[1],
        float(np.cos(a)),
        float(np.sin(a)),
        float(t.s[0]),
        pf.STEP_MM,
        t.left,
        t.right,
        t.chip_left,
        t.chip_right,
        rng.uniform(0.5, 1.6),
        cut.start,
        cut.stop,
        cut.depth,
        float(rng.uniform(0, 140)) if rng.random() < 0.6 else 0.0,
        floor,
        base,
        {"dry": 0.25, "dusty": 0.65, "wet": 0.05, "slurry": 0.5, "clean": 0.08}[state] * rng.uniform(0.6, 1.3),
        float(rng.uniform(2, 12)) if state == "wet" and rng.random() < 0.6 else 0.0,
        float(rng.uniform(0.05, 0.4)) if rng.random() < 0.3 else 0.0,
        int(rng.integers(1, 90)),
        0.0,
        tables,
        tables,
        tables,
        tables,
        0.0,
        vec(0, 0, 0),
        0,
        0.0,
        vec(0, 0, 0),
        0,
        0.0,
        0.0,
        0.0,
    )
    return c, [f"slot_{state}"]


def _strip(cut: Cut, half: float) -> Array:
    """Plan outline of a strip along the whole slot."""
    return _paired(cut, vec(cut.start, cut.stop, cut.stop, cut.start), vec(-half, -half, half, half))


def slot_shape(rng: Rng, hard: bool) -> pf.SlotShape:
    """Width, form and chips of a random slot."""
    form = str(rng.choice(["straight", "bow", "wander", "kink", "step"], p=[0.3, 0.2, 0.3, 0.12, 0.08]))
    rough_edge = rng.random() < (0.5 if hard else 0.2)
    return pf.SlotShape(
        width=float(rng.uniform(48, 96)),
        form=form,
        amplitude=float(rng.gamma(1.6, 0.9)),
        taper=float(rng.normal(0, 0.4)),
        ragged=float(rng.uniform(0.08, 0.28)),
        small_chips=float(rng.uniform(1, 9)) * (1.6 if rough_edge else 1),
        big_chips=float(rng.uniform(0.2, 1.4)) if rough_edge or rng.random() < 0.5 else 0.0,
        deepest=float(rng.uniform(4, 13)),
    )


def beside_slot(rng: Rng, m: bd.MarkList, cut: Cut, centre_s: float, half: float, conditions: list[str]) -> None:
    """What lies beside a fresh cut: slurry dried pale, tape, the remains of the layout line."""
    if rng.random() < 0.45:
        conditions.append("slurry")
        tone = vec(0.36, 0.35, 0.33) * rng.uniform(0.6, 1.2)
        for _ in range(int(rng.integers(1, 4))):
            q = cut.plan(vec(centre_s + rng.uniform(-600, 600)), vec(rng.choice([-1, 1]) * rng.uniform(30, 220)))[0]
            m.blob(
                mk.DUST,
                q[0],
                q[1],
                rng.uniform(150, 600),
                rng.uniform(60, 220),
                np.radians(cut.angle_deg) + rng.normal(0, 0.2),
                tuple(tone),
                rng.uniform(0.3, 0.9),
                rng.uniform(0.15, 0.6),
                int(rng.integers(1, 90)),
            )
    if rng.random() < 0.25:
        conditions.append("paint_at_slot")
        side = rng.choice([-1, 1])
        n = side * (half + rng.uniform(-10, 8))
        ends = cut.plan(vec(cut.start + 20, cut.stop - 20), vec(n, n + rng.normal(0, 3)))
        m.stroke(
            tuple(ends[0]),
            tuple(ends[1]),
            rng.uniform(10, 22),
            bd.PAINTS[str(rng.choice(["white", "pink", "orange", "green"]))],
            soft=3.0,
            strength=0.9,
            age=rng.uniform(0, 0.3),
            seed=int(rng.integers(1, 90)),
        )
    if rng.random() < 0.22:
        conditions.append("tape")
        side = rng.choice([-1, 1])
        wide = rng.uniform(12, 26)
        n = side * (half + wide + rng.uniform(1.0, 22))
        q = cut.plan(vec(centre_s + rng.uniform(-200, 200)), vec(n))[0]
        rgb = [(0.66, 0.60, 0.42), (0.07, 0.20, 0.50), (0.50, 0.51, 0.53), (0.72, 0.70, 0.66)][int(rng.integers(4))]
        m.tape(
            q[0],
            q[1],
            np.radians(cut.angle_deg) + rng.normal(0, 0.004),
            wide,
            rng.uniform(250, 900),
            rgb,
            rng.uniform(0.05, 0.3),
            int(rng.integers(1, 90)),
        )


def slot_truth(cut: Cut, bars: list[br.Bar], w: World, lane_facts: dict[str, Any] | None) -> dict[str, Any]:
    """All quantities of a slot photo, along the first bar's +x."""
    t = cut.tables
    step = 1.0
    keep = slice(0, None, 2)
    edges = truth.EdgeTable(t.s[keep], t.left[keep], t.right[keep], t.chip_left[keep], t.chip_right[keep])
    inside = (edges.s >= cut.start) & (edges.s <= cut.stop)
    ok = inside & seen(flat3(_paired(cut, edges.s, edges.left)), w)
    ok &= seen(flat3(_paired(cut, edges.s, edges.right)), w)
    visible = _longest(edges.s, ok)
    first = min(bars, key=lambda b: b.first_tag)
    along, angle = cut.along, cut.angle_deg
    flipped = bool(first.axes[0][:2] @ along < 0)
    covered = truth.bars_span(
        [dict(b.record()) for b in bars],
        (float(cut.origin[0]), float(cut.origin[1])),
        (float(along[0]), float(along[1])),
        br.SIZE_MM,
    )
    measured = covered.meet(visible)
    if measured.length < 120:
        raise NoViewError("slot out of view")
    axis_seen = _axis_angle(cut, edges.cut(visible))
    axis_measured = _axis_angle(cut, edges.cut(measured))
    if flipped:
        edges, angle = edges.reversed(), angle + 180
        visible, measured = truth.Span(-visible.high, -visible.low), truth.Span(-measured.high, -measured.low)
    part = edges.cut(measured)
    shown = edges.cut(visible)
    out: dict[str, Any] = {
        "visible_s": [visible.low, visible.high],
        "measured_s": [measured.low, measured.high],
        "measured_length": measured.length,
        "slot_origin_mm": cut.origin.tolist(),
        "slot_angle_world_design": cut.angle_deg,
        "s_direction_flipped": flipped,
        "axis_angle_world": axis_measured,
        "axis_angle_world_visible": axis_seen,
    }
    out |= truth.slot_quantities(part, step)
    if lane_facts is not None:
        out |= lane_facts
        out["cut_angle"] = truth.angle_between(lane_facts["lane_angle_world"], axis_seen)
        out["cut_angle_measured"] = truth.angle_between(lane_facts["lane_angle_world"], axis_measured)
    out["edges"] = {
        "frame": "s along the slot in the direction of the first bar's +x, n to its left, from slot_origin_mm; "
        "1 mm step",
        "s0": float(shown.s[0]),
        "ds": step,
        "direction_world_deg": angle % 360,
        "left_saw": shown.left.round(3).tolist(),
        "right_saw": shown.right.round(3).tolist(),
        "left_with_spalls": (shown.left + shown.chip_left).round(3).tolist(),
        "right_with_spalls": (shown.right - shown.chip_right).round(3).tolist(),
    }
    out["depth"] = cut.depth
    return out


def _paired(cut: Cut, s: Array, n: Array) -> Array:
    """Plan points for pairs (s, n)."""
    return np.asarray(cut.origin + s[:, None] * cut.along + n[:, None] * cut.across)


def _longest(s: Array, ok: NDArray[np.bool_]) -> truth.Span:
    """The longest unbroken stretch of s that is in view."""
    idx = np.flatnonzero(ok)
    if len(idx) < 2:
        raise NoViewError("slot out of view")
    runs = np.split(idx, np.flatnonzero(np.diff(idx) > 1) + 1)
    run = max(runs, key=len)
    return truth.Span(float(s[run[0]]), float(s[run[-1]]))


def _axis_angle(cut: Cut, e: truth.EdgeTable) -> float:
    """Direction of the axis, the mean of the two edges, in the world."""
    return truth.line_angle(_paired(cut, e.s, 0.5 * (e.left + e.right)))


def slot(rng: Rng, fixed: dict[str, Any] | None = None) -> Scene:
    """A near photo of the slot, from above, with short or long bars beside it."""
    fx = fixed or {}
    level_ = fx.get("difficulty") or difficulty(rng)
    hard = level_ == "hard"
    conditions: list[str] = []
    shape = fx.get("shape") or slot_shape(rng, hard)
    angle = fx.get("angle", 90 + float(np.clip(rng.normal(0, 1.1), -4, 4))) + 180 * int(rng.integers(0, 2))
    kind = fx.get("bar_kind") or str(rng.choice(["S", "L"], p=[0.62, 0.38]))
    tables = fx.get("tables") or pf.slot_tables(rng, -1700, 1700, shape)
    cut = Cut(
        vec(rng.uniform(-300, 300), rng.uniform(-2500, -700)),
        angle,
        tables,
        -1650.0,
        1650.0,
        float(rng.uniform(38, 75)),
    )
    p, name, flat = pick_pavement(rng, cut.origin[0], cut.origin[1], 500)
    m = bd.MarkList()
    reach = 500 if kind == "S" else 900
    conditions += bd.litter(rng, m, cut.origin, reach, 0.8, p.kind > 0)
    half = shape.width / 2 + 3
    if rng.random() < 0.12:
        conditions.append("wet_patch")
        q = cut.origin + rng.normal(0, 200, 2)
        m.blob(
            mk.WET,
            q[0],
            q[1],
            rng.uniform(120, 420),
            rng.uniform(80, 260),
            rng.uniform(0, 3),
            (0, 0, 0),
            1.0,
            0.25,
            int(rng.integers(1, 90)),
        )
    beside_slot(rng, m, cut, 0.0, half, conditions)
    marks = m.done()
    ch_, more = channel(rng, cut, p)
    conditions += more
    mode = pick_light(rng, hard)

    def compose() -> tuple[World, list[br.Bar], bd.Phone, bool, str, dict[str, Any]]:
        dirt = rng.uniform(0, 0.3) + (0.4 if hard and rng.random() < 0.4 else 0)
        count = int(rng.choice([1, 2, 3], p=[0.45, 0.48, 0.07]))
        spread = (-170, 170) if kind == "S" else (-200, 200)
        clear = float(np.max(np.abs([tables.left + tables.chip_left, tables.right - tables.chip_right]))) + 4
        bars = beside(
            rng, p, kind, count, cut.origin, angle, spread, (clear, clear), 70 if kind == "S" else 130, [], dirt=dirt
        )
        ph = bd.phone(rng, small=hard and rng.random() < 0.25)
        portrait = bool(rng.random() < 0.4)
        for _ in range(150):
            high = (380, 1000) if kind == "S" else (800, 1450)
            if ph.lens == "tele":
                high = (800, 1700)
            cam = hold(
                rng, ph, cut.origin + rng.normal(0, 40, 2), high, (0, 30 if rng.random() < 0.8 else 42), portrait
            )
            if not bars_ok(bars, cam, 32 if hard else 44, 12):
                continue
            cam = shaken(rng, cam, hard)
            caps = feet(rng, cam, cut.origin) if rng.random() < 0.12 else []
            if rng.random() < 0.15:
                lane_box = _strip(cut, clear)
                caps = caps + pebbles(rng, cam, cut.origin, 350, [outline(b) for b in bars] + [lane_box])
            shadows = rng.random() < (0.55 if hard else 0.25)
            lit = bd.lighting(rng, mode, cut.origin, 350, cam.centre, shadows)
            w = World(cam, p, bd.marking(rng, []), marks, ch_, lit.light, solids(bars, caps=caps))
            return w, bars, ph, portrait, lit.name, slot_truth(cut, bars, w, None)
        raise NoViewError

    w, bars, ph, portrait, light_name, facts = retry(compose)
    facts |= {
        "nominal_width": shape.width,
        "form": shape.form,
        "form_amplitude": shape.amplitude,
        "slot_ends_s": [cut.start, cut.stop],
        "walk_view": False,
    }
    return finish(rng, "slot", level_, conditions, w, bars, ph, portrait, light_name, facts, name, flat)


def wide_cut(rng: Rng, fixed: dict[str, Any] | None = None) -> Scene:
    """The slot and the lane marking from standing height."""
    fx = fixed or {}
    level_ = fx.get("difficulty") or difficulty(rng)
    hard = level_ == "hard"
    conditions: list[str] = []
    ln = lane(rng, hard, conditions)
    shape = fx.get("shape") or slot_shape(rng, hard)
    angle = fx.get("angle", 90 + float(np.clip(rng.normal(0, 1.1), -4, 4)))
    length = float(rng.uniform(1900, 3600))
    first = float(rng.uniform(50, 350))
    tables = fx.get("tables") or pf.slot_tables(rng, first - 20, first + length + 20, shape)
    cut = Cut(
        vec(0, 0), angle if ln.into > 0 else angle + 180, tables, first, first + length, float(rng.uniform(38, 75))
    )
    middle = cut.along * (first + min(0.5 * length, 1000))
    p, name, flat = pick_pavement(rng, middle[0], middle[1], 1400)
    m = bd.MarkList()
    conditions += bd.litter(rng, m, middle, 1600, 0.9, p.kind > 0)
    if rng.random() < 0.2:
        stale_lines(rng, m, ln, 0.0, angle, conditions)
    half = shape.width / 2 + 3
    beside_slot(rng, m, cut, first + 0.4 * length, half, conditions)
    marks = m.done()
    ch_, more = channel(rng, cut, p)
    conditions += more
    mode = pick_light(rng, hard, wide=True)
    clear = float(np.max(np.abs([tables.left + tables.chip_left, tables.right - tables.chip_right]))) + 6

    def compose() -> tuple[World, list[br.Bar], bd.Phone, bool, str, dict[str, Any]]:
        dirt = rng.uniform(0, 0.25) + (0.35 if hard and rng.random() < 0.4 else 0)
        count = int(rng.choice([1, 2, 3], p=[0.2, 0.62, 0.18]))
        bars = beside(
            rng,
            p,
            "L",
            count,
            cut.origin,
            cut.angle_deg,
            (first + 480, first + 1500),
            (clear, clear),
            220,
            [],
            dirt=dirt,
        )
        ph = bd.phone(rng, small=hard and rng.random() < 0.2)
        portrait = bool(rng.random() < 0.4)
        for _ in range(150):
            cam = hold(
                rng,
                ph,
                middle * rng.uniform(0.6, 1.15),
                (1300, 1900),
                (20, 62) if ph.lens != "tele" else (45, 66),
                portrait,
            )
            if not bars_ok(bars, cam, 24 if hard else 30, 12):
                continue
            x = np.arange(-3500.0, 3500, 25)
            if 25 * in_frame(flat3(np.column_stack([x, np.zeros_like(x)])), cam).sum() < 800:
                continue
            s = np.arange(first, first + length, 10)
            if 10 * in_frame(flat3(_paired(cut, s, 0 * s)), cam).sum() < 900:
                continue
            cam = shaken(rng, cam, hard)
            caps = feet(rng, cam, middle) if rng.random() < 0.18 else []
            lit = bd.lighting(rng, mode, middle, 900, cam.centre, rng.random() < (0.6 if hard else 0.3))
            w = World(cam, p, bd.marking(rng, ln.stripes), marks, ch_, lit.light, solids(bars, caps=caps))
            return w, bars, ph, portrait, lit.name, slot_truth(cut, bars, w, lane_truth(ln, w))
        raise NoViewError

    w, bars, ph, portrait, light_name, facts = retry(compose)
    facts |= ln.facts | {
        "nominal_width": shape.width,
        "form": shape.form,
        "form_amplitude": shape.amplitude,
        "slot_ends_s": [cut.start, cut.stop],
        "walk_view": True,
        "cut_angle_design": angle,
    }
    scene = finish(rng, "cut", level_, conditions, w, bars, ph, portrait, light_name, facts, name, flat)
    return replace(scene, ask_kind="slot")


# ---- surfaces --------------------------------------------------------------------------------------------------------

SENSORS = [
    ("brushed", 0, (0.50, 0.50, 0.51), 0.45),
    ("sand_filled", 1, (0.36, 0.31, 0.23), 0.02),
    ("sand_grey", 1, (0.28, 0.27, 0.25), 0.02),
    ("dark_resin", 2, (0.035, 0.035, 0.038), 0.25),
    ("painted", 3, (0.12, 0.20, 0.16), 0.12),
    ("painted_white", 3, (0.62, 0.61, 0.57), 0.10),
]
GROUTS = [
    ("grey", (0.27, 0.265, 0.25)),
    ("black", (0.035, 0.034, 0.034)),
    ("sand", (0.42, 0.35, 0.24)),
    ("light_grey", (0.42, 0.415, 0.40)),
    ("brown", (0.16, 0.12, 0.09)),
]


@dataclass(frozen=True)
class Inlay:
    """A sensor in its grout: half width, grout boundaries and ridges against the slot's tables."""

    cut: Cut
    width: float
    grout_left: Array
    grout_right: Array
    rise_left: Array
    rise_right: Array
    nominal_slot: float


def inlay(
    rng: Rng,
    cut: Cut,
    width: float,
    nominal_slot: float,
    spill: tuple[float, float],
    spread: float,
    bare: float,
    rise: float,
) -> Inlay:
    """Grout past the slot's edges by `spill` (left, right) on average where there is any."""
    t = cut.tables
    n = len(t.s)
    left = t.left + pf.overspill(rng, n, spill[0], spread, bare)
    right = t.right - pf.overspill(rng, n, spill[1], spread, bare)
    over_l, over_r = left - t.left, t.right - right
    lift = [
        np.clip(rise * (0.7 + 0.3 * pf.rough(rng, n, pf.STEP_MM, 80, 1.0)), 0.1, None) * np.clip(o / 4.0, 0.08, 1)
        for o in (over_l, over_r)
    ]
    return Inlay(cut, width, left, right, lift[0], lift[1], nominal_slot)


def sensor_channel(rng: Rng, lay: Inlay, look: tuple[Any, ...], grout: tuple[Any, ...]) -> Channel:
    """The sensor for the renderer."""
    cut, t, a = lay.cut, lay.cut.tables, np.radians(lay.cut.angle_deg)
    tone = rng.uniform(0.85, 1.15)
    return Channel(
        2,
        cut.origin[0],
        cut.origin[1],
        float(np.cos(a)),
        float(np.sin(a)),
        float(t.s[0]),
        pf.STEP_MM,
        t.left,
        t.right,
        t.chip_left,
        t.chip_right,
        1.0,
        cut.start,
        cut.stop,
        50.0,
        0.0,
        vec(0.2, 0.2, 0.2),
        vec(0.2, 0.2, 0.2),
        0.0,
        0.0,
        0.0,
        int(rng.integers(1, 90)),
        lay.width / 2,
        lay.grout_left,
        lay.grout_right,
        lay.rise_left,
        lay.rise_right,
        float(rng.uniform(0, 0.8)) if rng.random() < 0.4 else 0.0,
        vec(*look[2]) * tone,
        look[1],
        look[3],
        vec(*grout[1]) * rng.uniform(0.85, 1.15),
        int(rng.integers(0, 3)),
        float(rng.uniform(-0.2, 0.3)),
        0.0,
        float(rng.uniform(0, 0.25)) if rng.random() < 0.6 else 0.0,
    )


def surface_truth(lay: Inlay, bars: list[br.Bar], w: World) -> dict[str, Any]:
    """All quantities of a surface photo, along the first bar's +x."""
    cut = lay.cut
    keep = slice(0, None, 2)
    s = cut.tables.s[keep]
    gl, gr = lay.grout_left[keep], lay.grout_right[keep]
    ok = (s >= cut.start) & (s <= cut.stop) & seen(flat3(_paired(cut, s, gl)), w) & seen(flat3(_paired(cut, s, gr)), w)
    visible = _longest(s, ok)
    first = min(bars, key=lambda b: b.first_tag)
    along = cut.along
    flipped = bool(first.axes[0][:2] @ along < 0)
    covered = truth.bars_span(
        [dict(b.record()) for b in bars],
        (float(cut.origin[0]), float(cut.origin[1])),
        (float(along[0]), float(along[1])),
        br.SIZE_MM,
    )
    measured = covered.meet(visible)
    if measured.length < 120:
        raise NoViewError("sensor out of view")
    half = lay.width / 2
    left, right = gl - half, -gr - half
    sl, sr = cut.tables.left[keep], -cut.tables.right[keep]
    angle = cut.angle_deg
    if flipped:
        s, left, right, sl, sr, angle = -s[::-1], right[::-1], left[::-1], sr[::-1], sl[::-1], angle + 180
        visible, measured = truth.Span(-visible.high, -visible.low), truth.Span(-measured.high, -measured.low)
    k = (s >= measured.low) & (s <= measured.high)
    v = (s >= visible.low) & (s <= visible.high)
    gap = (lay.nominal_slot - lay.width) / 2
    out: dict[str, Any] = {
        "visible_s": [visible.low, visible.high],
        "measured_s": [measured.low, measured.high],
        "measured_length": measured.length,
        "sensor_width": lay.width,
        "s_direction_flipped": flipped,
        "slot_edge_gap": [gap, gap],
        "axis_angle_world": cut.angle_deg % 180,
        "slot_origin_mm": cut.origin.tolist(),
    }
    out |= truth.band_quantities("left", left[k], gap, 1.0) | truth.band_quantities("right", right[k], gap, 1.0)
    out["ridge_width"] = max(out["ridge_width_left"], out["ridge_width_right"])
    out["edges"] = {
        "frame": "s along the sensor in the direction of the first bar's +x; distances from the sensor axis, 1 mm step",
        "s0": float(s[v][0]),
        "ds": 1.0,
        "direction_world_deg": angle % 360,
        "left_slot": sl[v].round(3).tolist(),
        "right_slot": sr[v].round(3).tolist(),
        "left_grout": (left[v] + half).round(3).tolist(),
        "right_grout": (right[v] + half).round(3).tolist(),
    }
    return out


def surface(rng: Rng, fixed: dict[str, Any] | None = None) -> Scene:
    """The finished surface: sensor, grout, pavement, a bar beside."""
    fx = fixed or {}
    level_ = fx.get("difficulty") or difficulty(rng)
    hard = level_ == "hard"
    conditions: list[str] = []
    width = fx.get("sensor_width") or float(rng.uniform(46, 74))
    gap = float(rng.uniform(4, 13))
    nominal = width + 2 * gap
    shape = pf.SlotShape(
        width=nominal + float(rng.normal(0, 0.8)), form="wander", amplitude=0.6, ragged=0.2, small_chips=0, big_chips=0
    )
    angle = 90 + float(np.clip(rng.normal(0, 1.1), -4, 4)) + 180 * int(rng.integers(0, 2))
    cut = Cut(
        vec(rng.uniform(-300, 300), rng.uniform(-2500, -700)),
        angle,
        pf.slot_tables(rng, -1700, 1700, shape),
        -1650.0,
        1650.0,
        50.0,
    )
    shift = float(rng.normal(0, 0.12)) * gap
    cut = replace(cut, tables=replace(cut.tables, left=cut.tables.left + shift, right=cut.tables.right + shift))
    ridge = str(rng.choice(["flush", "small", "ridge", "wide"], p=[0.22, 0.33, 0.33, 0.12]))
    mean = {"flush": 0.0, "small": rng.uniform(0.5, 3), "ridge": rng.uniform(3, 10), "wide": rng.uniform(8, 22)}[ridge]
    spill = (mean * rng.uniform(0.4, 1.3), mean * rng.uniform(0.2, 1.3))
    spread = 0.0 if ridge == "flush" else 0.2 * mean + 0.3
    lay = inlay(
        rng,
        cut,
        width,
        nominal,
        spill,
        spread,
        float(rng.choice([0, 0.2, 0.45])),
        float(rng.uniform(0.2, 3.5)) if ridge != "flush" else 0.0,
    )
    p, name, flat = pick_pavement(rng, cut.origin[0], cut.origin[1], 500)
    m = bd.MarkList()
    conditions += bd.litter(rng, m, cut.origin, 450, 0.8, p.kind > 0) + [ridge]
    if rng.random() < 0.18:
        conditions.append("damp")
        q = cut.origin + rng.normal(0, 150, 2)
        m.blob(
            mk.WET,
            q[0],
            q[1],
            rng.uniform(150, 500),
            rng.uniform(100, 300),
            rng.uniform(0, 3),
            (0, 0, 0),
            1.0,
            0.3,
            int(rng.integers(1, 90)),
        )
    marks = m.done()
    look = SENSORS[int(rng.choice(len(SENSORS), p=[0.42, 0.17, 0.12, 0.12, 0.09, 0.08]))]
    for _ in range(50):
        grout = GROUTS[int(rng.choice(len(GROUTS), p=[0.34, 0.20, 0.18, 0.18, 0.10]))]
        far_pave = np.abs(np.log(np.array(grout[1]).mean() / p.mean.mean()))
        far_top = np.abs(np.log(np.array(grout[1]).mean() / np.array(look[2]).mean()))
        if far_pave > 0.22 and far_top > 0.25:
            break
    ch_ = sensor_channel(rng, lay, look, grout)
    mode = pick_light(rng, hard)
    clear_l, clear_r = float(lay.grout_left.max()) + 3, float((-lay.grout_right).max()) + 3

    def compose() -> tuple[World, list[br.Bar], bd.Phone, bool, str, dict[str, Any]]:
        dirt = rng.uniform(0, 0.3) + (0.4 if hard and rng.random() < 0.4 else 0)
        kind = "S" if rng.random() < 0.88 else "L"
        count = int(rng.choice([1, 2], p=[0.55, 0.45]))
        bars = beside(rng, p, kind, count, cut.origin, angle, (-140, 140), (clear_l, clear_r), 55, [], dirt=dirt)
        ph = bd.phone(rng, small=hard and rng.random() < 0.25)
        portrait = bool(rng.random() < 0.4)
        for _ in range(150):
            high = (320, 850) if kind == "S" else (800, 1400)
            if ph.lens == "tele":
                high = (700, 1500)
            cam = hold(
                rng, ph, cut.origin + rng.normal(0, 30, 2), high, (0, 30 if rng.random() < 0.8 else 42), portrait
            )
            if not bars_ok(bars, cam, 36 if hard else 48, 12):
                continue
            cam = shaken(rng, cam, hard)
            caps = feet(rng, cam, cut.origin) if rng.random() < 0.10 else []
            if rng.random() < 0.15:
                caps = caps + pebbles(
                    rng, cam, cut.origin, 300, [outline(b) for b in bars] + [_strip(cut, max(clear_l, clear_r))]
                )
            lit = bd.lighting(rng, mode, cut.origin, 300, cam.centre, rng.random() < (0.5 if hard else 0.22))
            w = World(cam, p, bd.marking(rng, []), marks, ch_, lit.light, solids(bars, caps=caps))
            return w, bars, ph, portrait, lit.name, surface_truth(lay, bars, w)
        raise NoViewError

    w, bars, ph, portrait, light_name, facts = retry(compose)
    facts |= {"sensor_colour": look[0], "grout_colour": grout[0], "grout_band_form": ridge}
    return finish(rng, "surface", level_, conditions, w, bars, ph, portrait, light_name, facts, name, flat)


MAKERS = {"layout": layout, "slot": slot, "cut": wide_cut, "surface": surface}
