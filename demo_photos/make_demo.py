"""The demonstration photos: an invented site, "Marl Cross", lane 2, sensors A and B, from layout to finished surface.

`python -m demo_photos.make_demo` writes eleven 12-megapixel JPEGs and truth.json into this folder.  One piece of road
per sensor: the same stones, the same lane marking, the same slot in the wide and the near photo and under the grout.
What the plan asks for and how each photo stands to it:

  layout and cut angle 90 deg +- 0.5, slot width 75 to 79 mm, straightness 3 mm, chips 10 mm, grout ridge 5 mm
  A  conforms throughout
  B  first layout 1.2 deg off, then laid out again; cut angle at the limit (inconclusive); first slot photo with the
     bar under a board (unusable), the next shows a slot too narrow; grout ridge of 12 mm
"""

from __future__ import annotations

import argparse
import hashlib
import json
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .render import photograph_as
from .scene import bars as br
from .scene import build as bd
from .scene import exif, kinds, refuse, truth
from .scene import marks as mk
from .scene import profile as pf
from .scene.build import vec
from .scene.layers import Channel, Light, Pavement, World

Array = NDArray[np.float64]
Rng = np.random.Generator
SIZE = (4032, 3024)
BAR_S, BAR_L = (4, 11), (2, 7)  # the site's own bars


@dataclass(frozen=True)
class Place:
    """One sensor's piece of road."""

    name: str
    seed: int
    road: Pavement
    lane: kinds.Lane
    cut: kinds.Cut
    slot: Channel
    inlay: kinds.Inlay
    sensor: Channel
    cut_angle: float


@dataclass(frozen=True)
class Shot:
    """A photo to take: file name, what stage, when, in what light, how the camera is held."""

    file: str
    place: str
    stage: str
    when: datetime
    light: str
    seed: int
    layout_angle: float = 90.0
    stale: float | None = None
    covered: bool = False
    long_bar: bool = False
    height: tuple[float, float] = (1400.0, 1700.0)
    lean: tuple[float, float] = (28.0, 50.0)
    portrait: bool = False
    ev: float = 0.0
    quality: int = 77


def _lane(rng: Rng) -> kinds.Lane:
    """A white edge line, hardly worn, the lane on its right."""
    stripe = bd.stripe(rng, 0.0, 120.0, bd.WHITE, 0.12, 1)
    facts = {
        "lane_side": "right",
        "lane_marking_width": 120.0,
        "lane_marking_thickness": stripe.thick,
        "lane_yellow": False,
        "wear": stripe.wear,
    }
    return kinds.Lane([stripe], -1, facts, stripe.low)


def _place(
    name: str,
    seed: int,
    style: str,
    angle: float,
    shape: pf.SlotShape,
    sensor_mm: float,
    spill: tuple[float, float],
    spread: float,
    bare: float,
    rise: float,
) -> Place:
    """A sensor's road, slot and inlay, the cut at `angle` degrees to the lane line."""
    rng = np.random.default_rng(seed)
    lane = _lane(rng)
    tables = pf.slot_tables(rng, 150.0, 3560.0, shape)
    cut = kinds.Cut(vec(0, 0), angle + 180.0, tables, 170.0, 3540.0, 55.0)
    middle = cut.along * 1100
    road, _ = bd.level(bd.pavement(rng, style), middle[0], middle[1], 1400)
    slot, _ = kinds.channel(rng, cut, road)
    slot = slot._replace(
        dust=1.3,
        water=0.0,
        debris=0.08,
        overcut=90.0,
        floor_rgb=vec(0.055, 0.053, 0.05),
        wall_rgb=road.matrix * 1.1 + 0.01,
    )
    lay = kinds.inlay(rng, cut, sensor_mm, 77.0, spill, spread, bare, rise)
    top = kinds.sensor_channel(
        rng,
        lay,
        kinds.SENSORS[0] if name == "A" else kinds.SENSORS[1],
        kinds.GROUTS[0] if name == "A" else kinds.GROUTS[1],
    )
    return Place(name, seed, road, lane, cut, slot, lay, top, angle)


def places() -> dict[str, Place]:
    """The two sensors."""
    a = pf.SlotShape(width=76.7, form="wander", amplitude=0.9, ragged=0.12, small_chips=4.0, big_chips=0.5, deepest=5.5)
    b = pf.SlotShape(width=73.1, form="bow", amplitude=0.8, ragged=0.14, small_chips=5.0, big_chips=0.6, deepest=7.0)
    return {
        "A": _place("A", 3101, "dense", 90.12, a, 60.0, (1.2, 0.9), 0.45, 0.3, 0.5),
        "B": _place("B", 3202, "worn", 90.59, b, 58.0, (2.0, 10.5), 2.2, 0.0, 1.6),
    }


def _marks(p: Place, shot: Shot) -> tuple[bd.MarkList, kinds.Sprayed | None]:
    """What lies on the road at that stage."""
    rng = np.random.default_rng([p.seed, 5])
    m = bd.MarkList()
    middle = p.cut.along * 1100
    bd.litter(rng, m, middle, 1500, 0.5, False)
    line = None
    if shot.stage == "layout":
        if shot.stale is not None:
            d = -vec(np.cos(np.radians(shot.stale)), np.sin(np.radians(shot.stale)))
            ends = (tuple(d * 15), tuple(d * 3300))
            m.stroke(*ends, 19.0, bd.PAINTS["white"], soft=3.0, strength=0.85, age=0.3, seed=11)
            m.stroke(*ends, 30.0, (0.02, 0.02, 0.021), soft=6.0, strength=0.95, age=0.12, seed=12)
        angle = np.radians(shot.layout_angle)
        d = -vec(np.cos(angle), np.sin(angle))
        shift = vec(0.0 if shot.stale is None else -150.0, 0)
        line = kinds.Sprayed(shift + d * 12, shift + d * 3350, 19.0, 0.7, 21)
        kinds.spray(rng, m, line, "white" if shot.stale is None else "orange", 0.03)
        m.arc(-260.0, -700.0, 60.0, 0.3, 2.4, 2.6, bd.PAINTS["blue"], 7)
    elif shot.stage in ("cut", "slot"):
        for k, (s, side) in enumerate(((700, 1), (1500, -1), (2300, 1))):
            q = p.cut.plan(vec(s), vec(side * 110.0))[0]
            m.blob(mk.DUST, q[0], q[1], 420, 100, np.radians(p.cut.angle_deg), (0.30, 0.29, 0.27), 0.5, 0.45, 31 + k)
    return m, line


def _light(shot: Shot, centre: Array, reach: float, eye: Array) -> Light:
    rng = np.random.default_rng([shot.seed, 9])
    return bd.lighting(
        rng, shot.light, centre, reach, eye, shot.light in ("sun", "night_mast") and shot.seed % 2 == 1
    ).light


def _phone() -> bd.Phone:
    """One phone for the whole site."""
    return bd.Phone("Tindra", "Lumen 3", "main", *SIZE, 24.4, 1.8, 0.0062, -0.0035, 2021.4, 1506.8)


def _take(
    p: Place, shot: Shot, see: Callable[[Rng], tuple[World, list[br.Bar], dict[str, Any]]], kind: str
) -> kinds.Scene:
    """The scene of a shot: the first view that shows what it must."""
    for attempt in range(60):
        rng = np.random.default_rng([shot.seed, attempt])
        try:
            w, bars, facts = see(rng)
        except kinds.NoViewError:
            continue
        hard = False
        bright = {"sun": 1.0, "overcast": 0.5, "dusk": 0.06}.get(shot.light, 0.03)
        c = bd.capture(rng, bright, hard, 12.2, _phone().f_px)
        c = replace(
            c,
            ev=shot.ev,
            quality=shot.quality,
            sharpen=min(c.sharpen, 0.4),
            motion=min(c.motion, 0.7),
            defocus=min(c.defocus, 0.4),
            contrast=0.45,
            local=0.2,
            smear=0.01,
            iso=min(c.iso, 640),
            well=max(c.well, 700.0),
        )
        scene = kinds.Scene(
            kind,
            "ordinary",
            sorted({shot.light, shot.stage, "demo"}),
            w,
            bars,
            _phone(),
            c,
            facts,
            "demo",
            0.0,
            orientation=6 if shot.portrait else 1,
        )
        return replace(scene, ask_kind="slot" if kind == "cut" else "")
    raise RuntimeError(f"no view for {shot.file}")


def _bars(
    rng: Rng, p: Place, kind: str, stretch: tuple[float, float], clear: tuple[float, float], far: float, count: int = 2
) -> list[br.Bar]:
    """The site's own bars beside the cut."""
    made = kinds.beside(rng, p.road, kind, count, p.cut.origin, p.cut.angle_deg, stretch, clear, far, [], dirt=0.12)
    return [replace(b, k=k) for b, k in zip(made, BAR_L if kind == "L" else BAR_S, strict=False)]


def _wide(p: Place, shot: Shot) -> kinds.Scene:
    """Layout or cut from standing height."""
    marks, line = _marks(p, shot)
    layout = shot.stage == "layout"
    clear = 70.0 if layout else 48.0
    target = p.cut.along * 950

    def see(rng: Rng) -> tuple[World, list[br.Bar], dict[str, Any]]:
        shift = (215.0, 70.0) if layout and shot.stale is not None else (clear, clear)
        bars = _bars(rng, p, "L", (700, 1500), shift, 160)
        for _ in range(200):
            cam = kinds.hold(rng, _phone(), target, shot.height, shot.lean, shot.portrait)
            x = np.arange(-3500.0, 3500, 25)
            lane_mm = 25 * kinds.in_frame(kinds.flat3(np.column_stack([x, 0 * x])), cam).sum()
            s = np.arange(170.0, 3300, 10)
            cut_mm = 10 * kinds.in_frame(kinds.flat3(p.cut.origin + np.outer(s, p.cut.along)), cam).sum()
            if lane_mm < 1300 or cut_mm < 1600 or not kinds.bars_ok(bars, cam, 40, 20):
                continue
            channel = bd.no_channel() if layout else p.slot
            w = World(
                cam,
                p.road,
                bd.marking(np.random.default_rng(p.seed), p.lane.stripes),
                marks.done(),
                channel,
                _light(shot, target, 900, cam.centre),
                kinds.solids(bars),
            )
            lane_facts = kinds.lane_truth(p.lane, w)
            if not layout:
                return w, bars, kinds.slot_truth(p.cut, bars, w, lane_facts)
            assert line is not None
            pts = line.centre()
            pts = pts[kinds.seen(kinds.flat3(pts), w)]
            world_angle = truth.line_angle(pts)
            facts = (
                p.lane.facts
                | lane_facts
                | {
                    "layout_angle": truth.angle_between(lane_facts["lane_angle_world"], world_angle),
                    "layout_angle_world": world_angle,
                    "layout_visible_length": float(np.linalg.norm(pts[-1] - pts[0])),
                    "paint_width": 2 * line.half,
                }
            )
            return w, bars, facts
        raise kinds.NoViewError

    return _take(p, shot, see, "layout" if layout else "cut")


def _near(p: Place, shot: Shot) -> kinds.Scene:
    """Slot or surface from above."""
    marks, _ = _marks(p, shot)
    surface = shot.stage == "surface"
    kind = "L" if shot.long_bar else "S"
    at = p.cut.along * 1150

    def see(rng: Rng) -> tuple[World, list[br.Bar], dict[str, Any]]:
        t = p.cut.tables
        if surface:
            clear = (float(p.inlay.grout_left.max()) + 4, float(-p.inlay.grout_right.min()) + 4)
        else:
            clear = (float((t.left + t.chip_left).max()) + 4, float((t.chip_right - t.right).max()) + 4)
        reach = 130 if kind == "S" else 150
        bars = _bars(
            rng, p, kind, (1150 - reach, 1150 + reach), clear, 35 if kind == "S" else 80, 1 if shot.covered else 2
        )
        for _ in range(200):
            cam = kinds.hold(rng, _phone(), at + rng.normal(0, 20, 2), shot.height, shot.lean, shot.portrait)
            if not kinds.bars_ok(bars, cam, 60, 60):
                continue
            w = World(
                cam,
                p.road,
                bd.marking(np.random.default_rng(p.seed), p.lane.stripes),
                marks.done(),
                p.sensor if surface else p.slot,
                _light(shot, at, 350, cam.centre),
                kinds.solids(bars),
            )
            return w, bars, kinds.surface_truth(p.inlay, bars, w) if surface else kinds.slot_truth(p.cut, bars, w, None)
        raise kinds.NoViewError

    scene = _take(p, shot, see, "surface" if surface else "slot")
    return _board_on(scene) if shot.covered else scene


def _board_on(scene: kinds.Scene) -> kinds.Scene:
    """The same photo with a board left lying over most of the bar."""
    bar = scene.bars[0]
    length, width = br.SIZE_MM[bar.kind]
    centre = bar.top(np.array([[length * 0.56, width / 2]]))[0] + vec(0, 0, 12)
    c, s = np.cos(0.07), np.sin(0.07)
    axes = np.array([c * bar.axes[0] + s * bar.axes[1], -s * bar.axes[0] + c * bar.axes[1], bar.axes[2]])
    board = refuse._box(centre, axes, (length * 0.46, width * 0.62, 10.0), (0.36, 0.26, 0.15), 17)
    world = scene.world._replace(solids=kinds.solids(scene.bars, [board]))
    return replace(
        scene,
        kind="refuse",
        ask_kind="slot",
        difficulty="refuse",
        why="the bar is covered by a board",
        case="covered",
        world=world,
    )


SHOTS = [
    Shot("A-layout.jpg", "A", "layout", datetime(2026, 10, 6, 19, 12, 44), "dusk", 11, layout_angle=90.09),
    Shot("A-cut-wide.jpg", "A", "cut", datetime(2026, 10, 6, 23, 41, 7), "night_mast", 22),
    Shot(
        "A-slot.jpg",
        "A",
        "slot",
        datetime(2026, 10, 7, 0, 8, 31),
        "night_mast",
        32,
        height=(480.0, 620.0),
        lean=(4.0, 18.0),
    ),
    Shot(
        "A-slot-2.jpg",
        "A",
        "slot",
        datetime(2026, 10, 7, 0, 9, 58),
        "night_mast",
        42,
        long_bar=True,
        height=(1050.0, 1250.0),
        lean=(3.0, 16.0),
        portrait=True,
    ),
    Shot(
        "A-surface.jpg",
        "A",
        "surface",
        datetime(2026, 10, 7, 8, 22, 15),
        "overcast",
        52,
        height=(430.0, 560.0),
        lean=(4.0, 18.0),
    ),
    Shot("B-layout-1.jpg", "B", "layout", datetime(2026, 10, 6, 20, 2, 19), "night_mast", 62, layout_angle=91.2),
    Shot(
        "B-layout-2.jpg",
        "B",
        "layout",
        datetime(2026, 10, 6, 20, 37, 50),
        "night_mast",
        72,
        layout_angle=90.15,
        stale=91.2,
    ),
    Shot("B-cut-wide.jpg", "B", "cut", datetime(2026, 10, 7, 0, 52, 3), "night_mast", 82, ev=-0.35),
    Shot(
        "B-slot-1.jpg",
        "B",
        "slot",
        datetime(2026, 10, 7, 1, 17, 40),
        "night_mast",
        92,
        covered=True,
        ev=-0.35,
        height=(480.0, 600.0),
        lean=(4.0, 18.0),
    ),
    Shot(
        "B-slot-2.jpg",
        "B",
        "slot",
        datetime(2026, 10, 7, 1, 19, 5),
        "night_mast",
        102,
        height=(480.0, 620.0),
        lean=(4.0, 18.0),
        portrait=True,
    ),
    Shot(
        "B-surface.jpg",
        "B",
        "surface",
        datetime(2026, 10, 7, 9, 5, 27),
        "sun",
        112,
        height=(430.0, 560.0),
        lean=(4.0, 18.0),
    ),
]


def make(shot: Shot, sites: dict[str, Place], folder: Path) -> dict[str, Any]:
    """Take one photo; returns its entry for the truth file."""
    p = sites[shot.place]
    scene = _wide(p, shot) if shot.stage in ("layout", "cut") else _near(p, shot)
    rng = np.random.default_rng([shot.seed, 777])
    facts = exif.Facts(
        shot.when,
        "+00:00",
        f"{int(rng.integers(1000)):03d}",
        24,
        (0.0412 if shot.place == "A" else 0.0413, -25.0307),
        "11.2",
    )
    data, entry = photograph_as(scene, facts, rng)
    (folder / shot.file).write_bytes(data)
    return {
        "file": shot.file,
        "sensor": shot.place,
        **entry,
        "bytes": len(data),
        "sha256": hashlib.sha256(data).hexdigest(),
    }


def main(argv: list[str] | None = None) -> int:
    """The command line."""
    ap = argparse.ArgumentParser(prog="python -m demo_photos.make_demo", description=__doc__.splitlines()[0])
    ap.add_argument("--out", type=Path, default=Path(__file__).parent)
    ap.add_argument("--only", default="", help="part of a file name; the other entries of truth.json are kept")
    a = ap.parse_args(argv)
    cv2.setNumThreads(1)
    a.out.mkdir(parents=True, exist_ok=True)
    note = a.out / "truth.json"
    entries = {e["file"]: e for e in (json.loads(note.read_text()) if note.exists() else [])}
    sites = places()
    for shot in SHOTS:
        if a.only in shot.file:
            entries[shot.file] = make(shot, sites, a.out)
            print(shot.file, entries[shot.file]["bytes"], flush=True)
            note.write_text(json.dumps([entries[s.file] for s in SHOTS if s.file in entries], indent=None))
    return 0


if __name__ == "__main__":
    sys.exit(main())
