"""Photos of the stages in which nothing is measured: the taped channel, the seated sensor, the pour, the labels.

`python -m demo_photos.make_stages` writes seven small JPEGs into this folder. They show the same two pieces of road as
the photos that are measured; people only look at them, so they have no truth. Sensor B's labels were never taken.
"""

from __future__ import annotations

import argparse
import io
import sys
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFilter, ImageFont

from .make_demo import Place, places
from .render import photograph_as
from .scene import build as bd
from .scene import exif, kinds, refuse
from .scene.build import vec
from .scene.layers import Channel, World

Array = NDArray[np.float64]
Rng = np.random.Generator
WIDTH, HEIGHT = 1512, 1134
TAPE_MM = 76.0
TAPE_RGB = (0.07, 0.22, 0.42)
BEAM_RGB = (0.55, 0.42, 0.06)
BEAMS_MM = (260.0, 1850.0, 3440.0)
"""Where the levelling beams lie along the cut: both ends and the middle of the sensor (common practice)."""


@dataclass(frozen=True)
class StageShot:
    """A photo to take: file, sensor, what it shows, when."""

    file: str
    place: str
    shows: str
    when: datetime
    seed: int


SHOTS = [
    StageShot("A-channel.jpg", "A", "channel", datetime(2026, 10, 7, 2, 14, 20), 132),
    StageShot("A-seating.jpg", "A", "seating", datetime(2026, 10, 7, 3, 4, 51), 142),
    StageShot("A-labels.jpg", "A", "labels", datetime(2026, 10, 7, 3, 21, 8), 152),
    StageShot("A-pour.jpg", "A", "pour", datetime(2026, 10, 7, 3, 44, 36), 162),
    StageShot("B-channel.jpg", "B", "channel", datetime(2026, 10, 7, 3, 6, 12), 172),
    StageShot("B-seating.jpg", "B", "seating", datetime(2026, 10, 7, 3, 54, 40), 182),
    StageShot("B-pour.jpg", "B", "pour", datetime(2026, 10, 7, 4, 29, 17), 192),
]


def make(shot: StageShot, site: dict[str, Place]) -> bytes:
    """The photo's bytes."""
    return _labels(shot) if shot.shows == "labels" else _on_the_road(site[shot.place], shot)


def _phone() -> bd.Phone:
    """The site's phone, set to small pictures."""
    return bd.Phone(
        "Tindra", "Lumen 3", "main", WIDTH, HEIGHT, 24.4, 1.8, 0.0062, -0.0035, WIDTH / 2 + 5, HEIGHT / 2 - 4
    )


def _facts(shot: StageShot, rng: Rng) -> exif.Facts:
    place = (0.0412 if shot.place == "A" else 0.0413, -25.0307)
    return exif.Facts(shot.when, "+00:00", f"{int(rng.integers(1000)):03d}", 24, place, "11.2")


def _on_the_road(p: Place, shot: StageShot) -> bytes:
    rng = np.random.default_rng([shot.seed, 0])
    far = shot.shows != "pour"
    at = p.cut.along * (1100 if far else 900)
    reach, height, lean = (900, (1400.0, 1600.0), (30.0, 45.0)) if far else (350, (600.0, 700.0), (10.0, 20.0))
    camera = kinds.hold(rng, _phone(), at, height, lean, False)
    light = bd.lighting(np.random.default_rng([shot.seed, 9]), "night_mast", at, reach, camera.centre, False).light
    solids = kinds.solids([], _beams(p) if shot.shows == "seating" else [])
    marking = bd.marking(np.random.default_rng(p.seed), p.lane.stripes)
    world = World(camera, p.road, marking, _tape(p).done(), _channel(rng, p, shot.shows), light, solids)
    return photograph_as(_scene(rng, shot, world), _facts(shot, rng), rng)[0]


def _scene(rng: Rng, shot: StageShot, world: World) -> kinds.Scene:
    capture = bd.capture(rng, 0.03, False, 12.2, _phone().f_px)
    capture = replace(capture, quality=72, motion=0.4, defocus=0.2, iso=min(capture.iso, 640), smear=0.01)
    return kinds.Scene("slot", "ordinary", [shot.shows, "demo"], world, [], _phone(), capture, {}, "demo", 0.0)


def _tape(p: Place) -> bd.MarkList:
    """Masking tape along both sides of the cut."""
    marks = bd.MarkList()
    bd.litter(np.random.default_rng([p.seed, 5]), marks, p.cut.along * 1100, 1500, 0.4, False)
    for k, side in enumerate((-1.0, 1.0)):
        offset = side * (38.0 + 5.0 + TAPE_MM / 2)
        ends = p.cut.plan(vec(p.cut.start - 60, p.cut.stop + 30), vec(offset, offset + side * 1.5))
        a, b = (float(ends[0][0]), float(ends[0][1])), (float(ends[1][0]), float(ends[1][1]))
        marks.stroke(a, b, TAPE_MM / 2, TAPE_RGB, soft=0.6, strength=1.0, seed=40 + k)
    return marks


def _channel(rng: Rng, p: Place, shows: str) -> Channel:
    if shows == "channel":
        return p.slot._replace(dust=0.0, debris=0.0, water=0.0)
    grout = kinds.GROUTS[0] if p.name == "A" else kinds.GROUTS[1]
    look = kinds.SENSORS[0] if p.name == "A" else kinds.SENSORS[1]
    width = 60.0 if p.name == "A" else 58.0
    if shows == "pour":
        lay = kinds.inlay(rng, p.cut, width, 77.0, (7.0, 8.5), 1.6, 0.0, 1.2)
        return kinds.sensor_channel(rng, lay, look, grout)
    bare = kinds.inlay(rng, p.cut, width, 77.0, (0.0, 0.0), 0.0, 1.0, 0.1)
    dry = kinds.sensor_channel(rng, bare, look, grout)
    return dry._replace(
        grout_left=p.cut.tables.left, grout_right=p.cut.tables.right, grout_rgb=vec(0.012, 0.012, 0.012),
        rise_left=0 * bare.rise_left, rise_right=0 * bare.rise_right, recess=12.0, film_left=0.0, bubbles=0.0,
    )  # fmt: skip


def _beams(p: Place) -> list[Array]:
    """Levelling beams across the cut."""
    angle = np.radians(p.cut.angle_deg)
    axes = np.array([[np.cos(angle), np.sin(angle), 0.0], [-np.sin(angle), np.cos(angle), 0.0], [0.0, 0.0, 1.0]])
    boxes = []
    for k, s in enumerate(BEAMS_MM):
        x, y = p.cut.origin + s * p.cut.along
        boxes.append(refuse._box(vec(x, y, 16.0), axes, (22.0, 210.0, 15.0), BEAM_RGB, 50 + k))
    return boxes


PRODUCT = ("Two-part resin grout (invented)", "Batch INV-0417", "Use by 2027-01-31")
LABELS = (
    ("GROUT  PART: BASE", *PRODUCT, "Mix 100 : 8 by mass"),
    ("GROUT  PART: HARDENER", *PRODUCT, "Irritant. Gloves, goggles"),
)


def _labels(shot: StageShot) -> bytes:
    """Two labels side by side, drawn flat: no road is needed to read them."""
    rng = np.random.default_rng([shot.seed, 0])
    picture = Image.new("RGB", (WIDTH, HEIGHT), (54, 56, 60))
    for k, lines in enumerate(LABELS):
        picture.paste(_label(lines, k), (70 + k * 700, 190))
    picture = picture.rotate(1.7, resample=Image.Resampling.BICUBIC, fillcolor=(54, 56, 60))
    pixels = np.asarray(picture.filter(ImageFilter.GaussianBlur(0.7)), np.float64)
    fall = np.linspace(0.72, 1.05, WIDTH)[None, :, None] * np.linspace(1.0, 0.86, HEIGHT)[:, None, None]
    noisy = np.clip(pixels * fall + rng.normal(0, 3.5, pixels.shape), 0, 255).astype(np.uint8)
    stored, out = Image.fromarray(noisy), io.BytesIO()
    block = exif.block(_facts(shot, rng), _phone(), 1, stored.size, 500, 1 / 60)
    stored.save(out, "JPEG", quality=72, exif=block)
    return out.getvalue()


def _label(lines: tuple[str, ...], number: int) -> Image.Image:
    label = Image.new("RGB", (660, 720), (232, 231, 224))
    pen = ImageDraw.Draw(label)
    pen.rectangle((0, 0, 659, 130), fill=(158, 38, 30) if number else (28, 78, 132))
    pen.text((24, 42), lines[0], font=ImageFont.load_default(46), fill=(250, 250, 250))
    for row, line in enumerate(lines[1:]):
        pen.text((24, 190 + row * 120), line, font=ImageFont.load_default(38), fill=(20, 20, 20))
    return label


def main(argv: list[str] | None = None) -> int:
    """The command line."""
    ap = argparse.ArgumentParser(prog="python -m demo_photos.make_stages", description=__doc__.splitlines()[0])
    ap.add_argument("--out", type=Path, default=Path(__file__).parent)
    ap.add_argument("--only", default="", help="part of a file name")
    a = ap.parse_args(argv)
    cv2.setNumThreads(1)
    a.out.mkdir(parents=True, exist_ok=True)
    site = places()
    for shot in SHOTS:
        if a.only in shot.file:
            data = make(shot, site)
            (a.out / shot.file).write_bytes(data)
            print(shot.file, len(data), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
