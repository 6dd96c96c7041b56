"""Photos that carry no measurement, each with the reason a crew should be told."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import bars as br
from . import build as bd
from . import develop, kinds, trace
from . import marks as mk
from .build import vec
from .kinds import NoViewError, Rng, Scene
from .layers import World

Array = NDArray[np.float64]


def _base(rng: Rng, ask: str, **more: Any) -> Scene:
    """An ordinary scene of the asked kind to spoil."""
    return kinds.MAKERS[ask](rng, {"difficulty": str(rng.choice(["easy", "ordinary"])), **more})


def _spoiled(scene: Scene, ask: str, case: str, why: str, **more: Any) -> Scene:
    """The scene as one to refuse."""
    quantities = {}
    if ask == "surface" and "sensor_width" in scene.truth:
        quantities = {k: scene.truth[k] for k in ("sensor_width", "slot_edge_gap")}
    return replace(
        scene,
        kind="refuse",
        ask_kind="slot" if ask == "cut" else ask,
        case=case,
        why=why,
        difficulty="refuse",
        conditions=sorted({*scene.conditions, case}),
        quantities=quantities,
        **more,
    )


def _with_bars(
    scene: Scene, bars: list[br.Bar], boxes: list[Array] | None = None, caps: list[Array] | None = None
) -> dict[str, Any]:
    """Replacement fields for a scene with other bars and things on them."""
    return {"bars": bars, "world": scene.world._replace(solids=kinds.solids(bars, boxes, caps))}


def _any_ask(rng: Rng) -> str:
    return str(rng.choice(["layout", "slot", "cut", "surface"], p=[0.3, 0.3, 0.15, 0.25]))


def _box(
    centre: Array,
    axes: Array,
    half: tuple[float, float, float],
    rgb: tuple[float, float, float],
    seed: int,
    rough: float = 1.0,
) -> Array:
    """A plain box for the renderer."""
    row = np.zeros(40)
    row[:3], row[3:12], row[12:15], row[16:19] = centre, axes.ravel(), half, rgb
    row[19], row[20], row[27], row[28], row[29] = 0.03, seed, np.linalg.norm(half), rough, 40
    return row


def _cap(a: Array, b: Array, r: float, rgb: tuple[float, float, float], seed: int) -> Array:
    row = np.zeros(16)
    row[0:3], row[3:6], row[6], row[7:10], row[10], row[11], row[12] = a, b, r, rgb, 0.03, seed, 31
    return row


def _glove(rng: Rng, at: Array, towards: Array, scale: float) -> list[Array]:
    """A gloved hand: fingers and palm at `at` (a point in the world), arm coming from `towards`."""
    rgb = [(0.45, 0.22, 0.03), (0.06, 0.06, 0.065), (0.30, 0.27, 0.20)][int(rng.integers(3))]
    d = towards / np.linalg.norm(towards)
    side = vec(-d[1], d[0], 0.0)
    rows = []
    for k in range(4):
        base = at + d * 55 * scale + side * (k - 1.5) * 24 * scale
        tip = at - d * rng.uniform(25, 55) * scale + side * (k - 1.5) * 30 * scale
        rows.append(_cap(base, vec(tip[0], tip[1], base[2]), 12.5 * scale, rgb, 60 + k))
    palm = at + d * 95 * scale + vec(0, 0, 12 * scale)
    rows.append(_cap(palm - side * 26 * scale, palm + side * 26 * scale, 38 * scale, rgb, 66))
    arm = palm + d * 420 + vec(0, 0, 230)
    rows.append(_cap(palm + d * 40 * scale, arm, 42 * scale, (0.55, 0.30, 0.02), 67))
    return rows


def no_bar(rng: Rng) -> Scene:
    """Nobody laid a bar down."""
    ask = _any_ask(rng)
    s = _base(rng, ask)
    return _spoiled(s, ask, "no_bar", "there is no bar in the picture", **_with_bars(s, []))


def cut_off(rng: Rng) -> Scene:
    """The bars mostly outside the picture: the camera has swung away until at most one tag of each is left."""
    ask = _any_ask(rng)
    for _ in range(40):
        s = _base(rng, ask)
        bar = s.bars[0]
        cam = s.world.camera
        mid = bar.top(np.array([[br.SIZE_MM[bar.kind][0] / 2, 50.0 if bar.kind == "L" else 25.0]]))[0]
        length = br.SIZE_MM[bar.kind][0]
        for share in rng.permutation(np.linspace(0.2, 1.5, 30)):
            away = vec(*rng.normal(0, 1, 2), 0)
            away *= share * length / np.linalg.norm(away)
            new = cam._replace(centre=cam.centre + away)
            w, h = br.SIZE_MM[bar.kind]
            grid = np.array([(u, v) for u in np.linspace(0, w, 41) for v in (0, h / 2, h)])
            inside = kinds.in_frame(bar.top(grid), new).mean()
            tags = sum(bool(kinds.in_frame(bar.top(c), new).all()) for c in br.tag_corners(bar.kind))
            if 0.08 < inside < 0.40 and tags <= 1 and kinds.in_frame(np.atleast_2d(mid * [1, 1, 0]) + away, new).any():
                fields = _with_bars(s, [bar])
                fields["world"] = fields["world"]._replace(camera=new)
                return _spoiled(s, ask, "cut_off", "the bar is mostly outside the picture", **fields)
    raise NoViewError


def covered(rng: Rng) -> Scene:
    """A board, a glove or mud on the only bar."""
    ask = _any_ask(rng)
    s = _base(rng, ask)
    bar = s.bars[0]
    length, width = br.SIZE_MM[bar.kind]
    how = str(rng.choice(["board", "glove", "mud"]))
    if how == "mud":
        muddy = replace(bar, mud=0.97, dirt=0.6)
        return _spoiled(s, ask, "covered", "the bar is covered by mud", **_with_bars(s, [muddy]))
    if how == "glove":
        if bar.kind == "L":
            how = "board"
        else:
            towards = vec(
                *(s.world.camera.centre[:2] - bar.top(np.array([[length / 2, 0]]))[0][:2] + rng.normal(0, 60, 2)), 0
            )
            caps = []
            for u in (0.12, 0.42, 0.72):
                at = bar.top(np.array([[length * u, width / 2]]))[0] + vec(0, 0, 10)
                caps += _glove(rng, at, towards, 1.05)
            return _spoiled(s, ask, "covered", "the bar is covered by a hand", **_with_bars(s, [bar], caps=caps))
    share = rng.uniform(0.78, 0.95)
    u0 = rng.choice([0.0, 1 - share]) * length + rng.uniform(-0.02, 0.02) * length
    centre = bar.top(np.array([[u0 + share * length / 2, width / 2]]))[0] + bar.axes[2] * 11
    turn = rng.normal(0, 0.04)
    c, sn = np.cos(turn), np.sin(turn)
    axes = np.array([c * bar.axes[0] + sn * bar.axes[1], -sn * bar.axes[0] + c * bar.axes[1], bar.axes[2]])
    board = _box(
        centre,
        axes,
        (share * length / 2, width * rng.uniform(0.56, 0.9), 9.0),
        [(0.36, 0.25, 0.13), (0.14, 0.13, 0.12), (0.42, 0.38, 0.3)][int(rng.integers(3))],
        12,
    )
    return _spoiled(s, ask, "covered", "the bar is covered by a board", **_with_bars(s, [bar], [board]))


def _tilted(bar: br.Bar, along: float, across: float, lift: float) -> br.Bar:
    """The bar turned up by `along` radians at its +x end and `across` about its length, `lift` mm up."""
    ex, ey, ez = bar.axes
    ex2 = np.cos(along) * ex + np.sin(along) * ez
    ez2 = -np.sin(along) * ex + np.cos(along) * ez
    ey2 = np.cos(across) * ey + np.sin(across) * ez2
    axes = np.array([ex2, ey2, np.cross(ex2, ey2)])
    width = br.SIZE_MM[bar.kind][1]
    drop = lift + max(0.0, -np.sin(across)) * width
    o = np.array(bar.origin) + vec(0, 0, drop)
    return replace(bar, axes=axes, origin=(float(o[0]), float(o[1]), float(o[2])), flat=False)


def _more_bars(rng: Rng, ask: str, least: int) -> Scene:
    """An ordinary scene with at least so many bars."""
    for _ in range(60):
        s = _base(rng, ask)
        if len(s.bars) >= least:
            return s
    raise NoViewError


def propped(rng: Rng) -> Scene:
    """One bar with an end or a side on a stone while another lies flat; or the only one leaning steeply."""
    ask = _any_ask(rng)
    alone = bool(rng.random() < 0.25)
    s = _base(rng, ask) if alone else _more_bars(rng, ask, 2)
    i = int(rng.integers(len(s.bars)))
    bar = s.bars[i]
    length, width = br.SIZE_MM[bar.kind]
    steep = rng.uniform(13, 24) if alone else rng.uniform(5, 14)
    boxes = []
    if rng.random() < 0.6:
        rise = np.radians(steep) if bar.kind == "S" else np.radians(min(steep, 11))
        new = _tilted(bar, float(rise), 0.0, 0.0)
        tip = new.top(np.array([[length * 0.93, width / 2]]))[0]
        h = (tip[2] - 4) / 2
        boxes.append(
            _box(
                vec(tip[0], tip[1], h),
                bar.axes,
                (min(28.0, 0.03 * length + 12), width * 0.3, max(h - 1, 2.0)),
                (0.22, 0.19, 0.17),
                21,
            )
        )
    else:
        new = _tilted(bar, 0.0, float(np.radians(steep + 8) * rng.choice([-1, 1])), 0.5)
    kept = [new] if alone else [new if k == i else b for k, b in enumerate(s.bars)]
    return _spoiled(
        s,
        ask,
        "propped",
        "a bar does not lie flat on the pavement: one end or side is raised",
        **_with_bars(s, kept, boxes),
    )


def on_a_kerb(rng: Rng) -> Scene:
    """One bar flat on the road, another level but on a kerb or a brick."""
    ask = _any_ask(rng)
    s = _more_bars(rng, ask, 2)
    i = int(rng.integers(len(s.bars)))
    bar = s.bars[i]
    length, width = br.SIZE_MM[bar.kind]
    lift = rng.uniform(45, 110) * (1.0 if bar.kind == "L" else 0.65)
    new = _tilted(bar, 0.0, 0.0, lift)
    centre = new.top(np.array([[length / 2, width / 2]]))[0]
    half = (length / 2 + 30, width / 2 + 12, (centre[2] - bar.thickness) / 2 - 0.3)
    brick = _box(vec(centre[0], centre[1], half[2]), bar.axes, half, (0.30, 0.29, 0.27), 33)
    return _spoiled(
        s,
        ask,
        "raised",
        "a bar lies on a kerb above the pavement",
        **_with_bars(s, [new if k == i else b for k, b in enumerate(s.bars)], [brick]),
    )


def in_hand(rng: Rng) -> Scene:
    """The only bar held over the road."""
    ask = str(rng.choice(["slot", "surface"]))
    for _ in range(30):
        s = _base(rng, ask)
        bar = s.bars[0]
        if bar.kind != "S":
            continue
        new = _tilted(
            bar,
            float(np.radians(rng.uniform(12, 26) * rng.choice([-1, 1]))),
            float(np.radians(rng.normal(0, 12))),
            rng.uniform(90, 220),
        )
        if not kinds.bars_ok([new], s.world.camera, 30, 5):
            continue
        end = new.top(np.array([[br.SIZE_MM["S"][0] - 8, 25.0]]))[0]
        caps = _glove(rng, end + new.axes[0] * 25, new.axes[0] * vec(1, 1, 0) + vec(*rng.normal(0, 0.2, 2), 0), 0.9)
        return _spoiled(
            s,
            ask,
            "in_hand",
            "the bar is held in the hand, not laid on the pavement",
            **_with_bars(s, [new], caps=caps),
        )
    raise NoViewError


def bent(rng: Rng) -> Scene:
    """A bar bowed upwards in the middle."""
    ask = _any_ask(rng)
    s = _base(rng, ask)
    bar = s.bars[0]
    bow = rng.uniform(16, 42) if bar.kind == "L" else rng.uniform(7, 15)
    new = replace(bar, bow=float(bow), flat=False)
    keep = [new, *s.bars[1:]] if rng.random() < 0.4 else [new]
    return _spoiled(s, ask, "bent", "a bar is bent", **_with_bars(s, keep))


def wrong_size(rng: Rng) -> Scene:
    """A bar printed too small (or stretched) beside a true one; a stretched one may be alone."""
    ask = _any_ask(rng)
    if rng.random() < 0.3:
        s = _base(rng, ask)
        new = replace(s.bars[0], length_scale=float(rng.uniform(0.90, 0.95)))
        return _spoiled(
            s,
            ask,
            "wrong_size",
            "the bar's print is stretched: its length and width do not fit its drawing",
            **_with_bars(s, [new]),
        )
    s = _more_bars(rng, ask, 2)
    i = int(rng.integers(len(s.bars)))
    scale = float(rng.uniform(0.90, 0.965))
    both = [replace(b, print_scale=scale) if k == i else b for k, b in enumerate(s.bars)]
    return _spoiled(
        s, ask, "wrong_size", "a bar is not of its nominal size: its print was scaled", **_with_bars(s, both)
    )


def _picture_of(scene: Scene, rng: Rng, long_side: int) -> NDArray[np.uint8]:
    """The scene as an upright small picture."""
    cam = scene.world.camera
    k = max(cam.width, cam.height) / long_side
    small = cam._replace(
        width=int(cam.width / k),
        height=int(cam.height / k),
        f=cam.f / k,
        cx=cam.cx / k,
        cy=cam.cy / k,
        sway_x=0.0,
        sway_y=0.0,
    )
    light, _ = trace.render(scene.world._replace(camera=small))
    c = scene.capture
    return develop.develop(
        light, replace(c, motion=c.motion / k, defocus=c.defocus / k, well=9000.0, sharpen=0.4), small.cx, small.cy, rng
    )


def photo_of_photo(rng: Rng) -> Scene:
    """A print of a good photo on a table, or the photo on a screen."""
    ask = _any_ask(rng)
    s = _base(rng, ask)
    picture = _picture_of(s, rng, 2400)
    h, w = picture.shape[:2]
    screen = bool(rng.random() < 0.4)
    long_mm = rng.uniform(255, 290) if not screen else rng.uniform(300, 520)
    size = vec(w, h) / max(w, h) * long_mm / 2
    margin = 8.0 if not screen else 0.0
    turn = rng.normal(0, 0.12)
    lean = rng.uniform(0.0, 0.12)
    u = vec(np.cos(turn), np.sin(turn), 0.0)
    v = vec(-np.sin(turn) * np.cos(lean), np.cos(turn) * np.cos(lean), np.sin(lean))
    n = np.cross(u, v)
    z = 1.0 + np.sin(lean) * (size[1] + margin)
    page = _box(
        vec(0, 0, z),
        np.array([u, v, n]),
        (size[0] + margin, size[1] + margin, 0.15 if not screen else 4.0),
        (0.8, 0.8, 0.79),
        3,
        0.0,
    )
    page[15], page[19] = 2, 0.10 if not screen else 0.2
    per_mm = max(w, h) / long_mm
    page[30:34] = -margin * per_mm, -margin * per_mm, w - 1 + margin * per_mm, h - 1 + margin * per_mm
    boxes = [page]
    if screen:
        frame = _box(
            vec(0, 0, z) - n * 2.0, np.array([u, v, n]), (size[0] + 12, size[1] + 12, 4.5), (0.02, 0.02, 0.02), 4, 0.1
        )
        boxes.append(frame)
    desk = bd.pavement(rng, "broomed")._replace(
        kind=4, matrix=vec(0.30, 0.19, 0.11) * rng.uniform(0.5, 1.3), relief=0.0, mottle=0.05
    )
    ph = s.phone
    fill = rng.uniform(0.72, 0.95)
    reach = max((size[0] + margin) * 2 / ph.width, (size[1] + margin) * 2 / ph.height) * ph.f_px / fill
    portrait = h > w
    if portrait:
        reach = max((size[0] + margin) * 2 / ph.height, (size[1] + margin) * 2 / ph.width) * ph.f_px / fill
    eye = vec(rng.normal(0, 0.1) * reach, -abs(rng.normal(0.12, 0.12)) * reach, reach)
    cam = bd.camera(ph, eye, vec(*rng.normal(0, 5, 2), 0), float(np.degrees(turn) + rng.normal(0, 2)), portrait)
    lit = bd.lighting(rng, "overcast" if rng.random() < 0.5 else "night_mast", vec(0, 0), 200, eye, False)
    rows = kinds.solids([], boxes)._replace(image=picture)
    world = World(cam, desk, bd.marking(rng, []), bd.MarkList().done(), bd.no_channel(), lit.light, rows)
    why = "this is a photo of a screen" if screen else "this is a photo of a printed photo"
    quantities = {k: s.truth[k] for k in ("sensor_width", "slot_edge_gap")} if ask == "surface" else {}
    shot = bd.capture(rng, 0.3, False, ph.width * ph.height / 1e6, ph.f_px)
    out = _spoiled(
        s,
        ask,
        "photo_of_photo",
        why,
        world=world,
        bars=[],
        capture=shot,
        orientation=kinds.orientation_for(rng, portrait),
    )
    return replace(out, conditions=["photo_of_photo", "screen" if screen else "print"], quantities=quantities)


def blurred(rng: Rng) -> Scene:
    """Shaken or out of focus beyond use: by a good part of a tag's module."""
    ask = _any_ask(rng)
    s = _base(rng, ask)
    module = min(kinds.tag_px(b, s.world.camera) for b in s.bars) / 8
    k = max(3.5, module)
    if rng.random() < 0.5:
        shot = replace(s.capture, motion=float(k * rng.uniform(2.6, 4.0)), motion_bend=float(rng.uniform(-0.2, 0.2)))
        why = "the picture is shaken"
    else:
        shot = replace(s.capture, defocus=float(k * rng.uniform(1.3, 2.0)))
        why = "the picture is out of focus"
    return _spoiled(s, ask, "blurred", why, capture=shot)


def badly_exposed(rng: Rng) -> Scene:
    """White or dark all over."""
    ask = _any_ask(rng)
    s = _base(rng, ask)
    if rng.random() < 0.5:
        return _spoiled(
            s,
            ask,
            "overexposed",
            "the picture is overexposed",
            capture=replace(s.capture, ev=float(rng.uniform(3.4, 4.5)), local=0.0),
        )
    shot = replace(s.capture, ev=float(-rng.uniform(5.0, 6.5)), well=150.0, read=4.0, local=0.0)
    return _spoiled(s, ask, "underexposed", "the picture is underexposed", capture=shot)


def black(rng: Rng) -> Scene:
    """The lens was covered."""
    ask = _any_ask(rng)
    s = _base(rng, ask)
    shot = replace(s.capture, ev=-14.0, local=0.0, contrast=0.2, well=300.0)
    return _spoiled(s, ask, "black", "the picture is black", capture=shot)


def too_far(rng: Rng) -> Scene:
    """Tags below twelve pixels: moved back, or the picture is tiny."""
    ask = str(rng.choice(["layout", "cut", "slot", "surface"]))
    s = _base(rng, ask)
    cam = s.world.camera
    big = max(kinds.tag_px(b, cam) for b in s.bars)
    k = big / rng.uniform(6.0, 10.0)
    if s.bars[0].kind == "L" and k > 6:
        small = cam._replace(
            width=int(cam.width / k), height=int(cam.height / k), f=cam.f / k, cx=cam.cx / k, cy=cam.cy / k
        )
        return _spoiled(
            s, ask, "too_far", "the bar is too small in the picture: move closer", world=s.world._replace(camera=small)
        )
    far = cam._replace(
        centre=cam.centre * vec(k, k, k) + vec(*((1 - k) * s.bars[0].top(np.array([[100.0, 20.0]]))[0][:2]), 0)
    )
    lit = s.world.light
    lit = lit._replace(
        table=np.where(lit.table[:, :1] == 1, lit.table * vec(1, 1, 1, 1, k, k, k, 1, 1, 1, 1, 1, 1), lit.table)
    )
    return _spoiled(
        s,
        ask,
        "too_far",
        "the bar is too small in the picture: move closer",
        world=s.world._replace(camera=far, light=lit),
    )


def _without_strokes(s: Scene, keep_old: bool) -> World:
    """The world without its sprayed lines (fresh ones, or all)."""
    t = s.world.marks.table
    keep = t[:, 0] != mk.STROKE
    if keep_old:
        black_paint = (t[:, 0] == mk.STROKE) & (t[:, 9] < 0.05)
        keep |= black_paint
    return s.world._replace(marks=s.world.marks._replace(table=t[keep]))


def no_line(rng: Rng) -> Scene:
    """Nothing sprayed yet, or only the blacked-out rest of an older line."""
    s = _base(rng, "layout")
    return _spoiled(
        s,
        "layout",
        "no_layout_line",
        "there is no painted layout line in the picture",
        world=_without_strokes(s, bool(rng.random() < 0.4)),
    )


def no_lane(rng: Rng) -> Scene:
    """A layout line on a road without markings."""
    s = _base(rng, "layout")
    return _spoiled(
        s,
        "layout",
        "no_lane_marking",
        "there is no lane marking in the picture",
        world=s.world._replace(marking=bd.marking(rng, [])),
    )


def no_slot(rng: Rng) -> Scene:
    """Where a slot should be there is a crack, a sealed joint, the layout line, or nothing."""
    ask = str(rng.choice(["slot", "cut"]))
    s = _base(rng, ask)
    m = bd.MarkList()
    c = s.world.channel
    o, d = vec(c.ox, c.oy), vec(c.cs, c.sn)
    a, b = o + d * c.start, o + d * c.stop
    what = str(rng.choice(["crack", "sealed crack", "painted line", "nothing", "shadow"]))
    lit = s.world.light
    if what == "crack":
        m.line(mk.CRACK, bd.random_walk(rng, a, b, 24, 14), rng.uniform(1.5, 5), (0.015, 0.015, 0.015), 0.95, 0.5, 5)
    elif what == "sealed crack":
        m.line(mk.SEAL, bd.random_walk(rng, a, b, 18, 9), rng.uniform(20, 34), (0.018, 0.018, 0.019), 0.97, 1.0, 5)
    elif what == "painted line":
        m.stroke(tuple(a), tuple(b), rng.uniform(15, 26), bd.PAINTS["white"], soft=3.0, strength=0.92, seed=7)
    elif what == "shadow":
        n = vec(-d[1], d[0])
        row = np.zeros(13)
        az = np.arctan2(n[1], n[0])
        row[1:4] = np.cos(0.7) * np.cos(az), np.cos(0.7) * np.sin(az), np.sin(0.7)
        row[4:7], row[7] = (2.7, 2.6, 2.4), 0.0048
        p = o + n * 900 / np.tan(0.7)
        pole = vec(*(p - d * 6000), 900, *(p + d * 6000), 900, 33)
        lit = lit._replace(table=row[None], caps=pole[None], ambient=vec(0.42, 0.5, 0.62))
    marks = m.done()
    old = s.world.marks
    shift = np.zeros(20)
    shift[18:20] = len(old.points)
    new = marks.table + shift * (marks.table[:, :1] > 0)
    table = np.vstack([old.table, new])
    points = np.vstack([old.points.reshape(-1, 2), marks.points])
    keep = table[:, 0] != mk.TAPE
    w = s.world._replace(marks=old._replace(table=table[keep], points=points), channel=bd.no_channel(), light=lit)
    why = "there is no slot in the picture" + ("" if what == "nothing" else f", only a {what}")
    return _spoiled(s, ask, "no_slot", why, world=w)


def ambiguous(rng: Rng) -> Scene:
    """Two fresh layout lines of the same colour."""
    for _ in range(20):
        s = _base(rng, "layout")
        t = s.world.marks.table
        strokes = np.flatnonzero(
            (t[:, 0] == mk.STROKE) & (np.hypot(t[:, 7] - t[:, 5], t[:, 8] - t[:, 6]) > 1000) & (t[:, 9:12].max(1) > 0.1)
        )
        if not len(strokes):
            continue
        row = t[strokes[-1]].copy()
        turn = np.radians(rng.uniform(0.8, 3.0) * rng.choice([-1, 1]))
        c, sn = np.cos(turn), np.sin(turn)
        dx, dy = row[7] - row[5], row[8] - row[6]
        shift = rng.choice([-1, 1]) * rng.uniform(110, 320)
        row[5] += shift
        row[7], row[8] = row[5] + c * dx - sn * dy, row[6] + sn * dx + c * dy
        pad = 60
        row[1:5] = (
            min(row[5], row[7]) - pad,
            min(row[6], row[8]) - pad,
            max(row[5], row[7]) + pad,
            max(row[6], row[8]) + pad,
        )
        row[15] += 3
        pts = np.array(
            [vec(row[5], row[6]) + k * vec(row[7] - row[5], row[8] - row[6]) for k in np.linspace(0, 1, 100)]
        )
        if kinds.in_frame(kinds.flat3(pts), s.world.camera).mean() < 0.4:
            continue
        if any(
            kinds.overlap(kinds.outline(b), np.array([p - 20, p + vec(20, -20), p + 20, p + vec(-20, 20)]))
            for b in s.bars
            for p in pts[::4]
        ):
            continue
        w = s.world._replace(marks=s.world.marks._replace(table=np.vstack([t, row])))
        return _spoiled(s, "layout", "ambiguous", "there are two fresh layout lines: which one counts?", world=w)
    raise NoViewError


def wrong_kind(rng: Rng) -> Scene:
    """A good photo of something else than was asked for."""
    have, ask = [
        ("slot", "layout"),
        ("surface", "layout"),
        ("surface", "slot"),
        ("layout", "slot"),
        ("layout", "surface"),
        ("slot", "surface"),
    ][int(rng.integers(6))]
    s = _base(rng, have)
    if have == "layout":
        s = replace(s, world=s.world)
    return _spoiled(s, ask, "wrong_kind", f"this is a {have} photo, not a {ask} photo")


def no_sensor(rng: Rng) -> Scene:
    """Bare pavement, or a slot filled flush with grout and no sensor to be seen."""
    s = _base(rng, "surface")
    if rng.random() < 0.5:
        w = s.world._replace(channel=bd.no_channel())
    else:
        w = s.world._replace(channel=s.world.channel._replace(half=-1.0))
    return _spoiled(s, "surface", "no_sensor", "there is no sensor in the picture", world=w)


CASES: list[tuple[Callable[[Rng], Scene], float]] = [
    (no_bar, 1.5),
    (cut_off, 1.5),
    (covered, 2.0),
    (propped, 2.0),
    (on_a_kerb, 1.0),
    (in_hand, 1.0),
    (bent, 1.5),
    (wrong_size, 1.5),
    (photo_of_photo, 2.0),
    (blurred, 2.0),
    (badly_exposed, 1.5),
    (black, 0.5),
    (too_far, 1.5),
    (no_line, 1.5),
    (no_lane, 1.5),
    (no_slot, 2.0),
    (ambiguous, 1.5),
    (wrong_kind, 2.0),
    (no_sensor, 1.0),
]


def refuse(rng: Rng, index: int) -> Scene:
    """Scene `index` of a series: the cases take turns so that a short series holds them all, about as often as their
    weights.
    """
    weights = np.array([w for _, w in CASES])
    turns = np.argsort(
        [(k + 0.5) / w + 0.001 * i for i, w in enumerate(weights) for k in range(int(2 * w))], kind="stable"
    )
    owner = [i for i, w in enumerate(weights) for _ in range(int(2 * w))]
    return CASES[owner[turns[index % len(turns)]]][0](rng)
