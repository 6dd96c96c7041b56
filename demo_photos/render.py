"""Render photos of a road with known truth.

    python -m demo_photos.render --kind slot --count 8 --seed 1 --out DIR [--first 0] [--jobs 2]

Kinds: `layout` (lane marking and sprayed line), `slot` (near, from above), `cut` (the slot and the lane marking
from standing height; measured as a slot), `surface` (the finished sensor), `refuse` (photos that carry no
measurement, each with the reason). A scene is fixed by kind, seed, index and the renderer's VERSION; one that is
already in DIR with these four is not rendered again. About seven scenes in ten are taken with ordinary care
(`difficulty` easy or ordinary), the rest are hard: shaken, dirty, glaring, half in shadow, small.

Beside NAME.jpg the folder gets `truth.json`, one record a photo. World: millimetres, z = 0 is the pavement's mean
plane, x along the lane line, z up. `camera` is the picture's as displayed, after the EXIF orientation, in OpenCV's
convention with the centre of the first pixel at (0, 0); `sway_px` is what a rolling shutter adds from the first row
to the last and no camera model knows. `bars` tells how each bar really lies and how large it really is; `truth`
holds the quantities as they are defined for the measurement, worked out in `scene/truth.py` from the same tables
the picture is rendered from.

`python -m demo_photos.scene.check` compares rendered edges and corners with the projected truth. Rendering one
12-megapixel scene takes some 12 to 20 s of one core's time; the first run compiles the kernels, about half a
minute.
"""

from __future__ import annotations

import argparse
import hashlib
import io
import json
import os
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

VERSION = "4"
KINDS = ("layout", "slot", "cut", "surface", "refuse")


def record(scene: Any, shot: Any) -> dict[str, Any]:
    """The truth file's entry for a scene, without file name and hash."""
    cam = scene.world.camera
    out: dict[str, Any] = {"kind": scene.kind}
    if scene.ask_kind:
        out["ask_kind"] = scene.ask_kind
    if scene.why:
        out |= {"why": scene.why, "case": scene.case}
    out |= {
        "difficulty": scene.difficulty,
        "conditions": scene.conditions,
        "exif_orientation": scene.orientation,
        "camera": {
            "frame": "pixels as displayed, after the EXIF orientation is applied; "
            "OpenCV convention, centre of the first pixel at (0, 0)",
            "width": cam.width,
            "height": cam.height,
            "fx": cam.f,
            "fy": cam.f,
            "cx": cam.cx,
            "cy": cam.cy,
            "k1": cam.k1,
            "k2": cam.k2,
            "R_world_to_cam": cam.rot.tolist(),
            "t_mm": (-cam.rot @ cam.centre).tolist(),
            "C_world_mm": cam.centre.tolist(),
            "sway_px": [cam.sway_x, cam.sway_y],
            "true_focal_35mm_diagonal": scene.phone.focal35,
            "exif_focal_35mm": shot.focal35,
            "make": scene.phone.make,
            "model": scene.phone.model,
            "lens": scene.phone.lens,
        },
        "capture": scene.capture.as_dict(),
        "pavement": scene.pavement_name,
        "pavement_flatness_rms_mm": scene.flatness_mm,
        "bars": [b.record() for b in scene.bars],
        "truth": scene.truth if scene.kind != "refuse" else None,
    }
    if scene.quantities:
        out["quantities"] = scene.quantities
    return out


def draw(kind: str, seed: int, index: int) -> Any:
    """The scene with this number: same kind, seed and index, same scene.  Draws again where no view could be found."""
    import numpy as np

    from .scene import kinds, refuse

    for attempt in range(40):
        rng = np.random.default_rng([seed, KINDS.index(kind), index, attempt])
        try:
            return refuse.refuse(rng, index) if kind == "refuse" else kinds.MAKERS[kind](rng)
        except kinds.NoViewError:
            continue
    raise RuntimeError(f"no view found for {kind} {seed} {index}")


def depth_of_field(scene: Any) -> Any:
    """Radius of the blur disc for every pixel (h, w), from the road's depth and the lens; focus on the middle of the
    picture.
    """
    import numpy as np

    cam = scene.world.camera
    x, y = (
        (np.arange(cam.width, dtype=np.float32) - cam.cx) / cam.f,
        (np.arange(cam.height, dtype=np.float32) - cam.cy) / cam.f,
    )
    m = cam.rot
    down = -(m[0, 2] * x[None] + m[1, 2] * y[:, None] + m[2, 2])
    nearness = np.maximum(down, 0.02) / cam.centre[2]  # 1/depth, 1/mm
    focus = nearness[cam.height // 2, cam.width // 2] + scene.capture.focus_error * 1e-3
    return (0.5 * scene.phone.aperture_px * np.abs(nearness - focus)).astype(np.float32)


def photograph_as(scene: Any, facts: Any, rng: Any) -> tuple[bytes, dict[str, Any]]:
    """JPEG bytes and the truth entry of a scene, with given EXIF facts."""
    from PIL import Image

    from .scene import develop, exif, trace

    cam = scene.world.camera
    light, _ = trace.render(scene.world)
    pixels = develop.develop(light, scene.capture, cam.cx, cam.cy, rng, depth_of_field(scene))
    stored = exif.as_stored(Image.fromarray(pixels), scene.orientation)
    block = exif.block(facts, scene.phone, scene.orientation, stored.size, scene.capture.iso, scene.capture.exposure_s)
    out = io.BytesIO()
    stored.save(out, "JPEG", quality=scene.capture.quality, exif=block, subsampling="4:2:0")
    return out.getvalue(), record(scene, facts)


def photograph(scene: Any, rng: Any) -> tuple[bytes, dict[str, Any]]:
    """JPEG bytes and the truth entry of a scene, with random EXIF facts."""
    from .scene import exif

    return photograph_as(scene, exif.facts(rng, scene.phone), rng)


def make(job: tuple[str, int, int, str]) -> tuple[str, float]:
    """Render one scene into a folder unless it is there already; returns its name and the seconds it took."""
    kind, seed, index, folder = job
    started = time.perf_counter()
    name = f"{kind}_{index:03d}"
    photo, note = Path(folder) / f"{name}.jpg", Path(folder) / ".scenes" / f"{name}.json"
    made_by = {"renderer": VERSION, "seed": seed, "index": index}
    if photo.exists() and note.exists():
        old = json.loads(note.read_text())
        if old["made_by"] == made_by and old["sha256"] == hashlib.sha256(photo.read_bytes()).hexdigest():
            return name, 0.0
    import cv2
    import numpy as np

    cv2.setNumThreads(1)
    data, entry = photograph(draw(kind, seed, index), np.random.default_rng([seed, KINDS.index(kind), index, 999]))
    entry = {
        "file": photo.name,
        **entry,
        "bytes": len(data),
        "sha256": hashlib.sha256(data).hexdigest(),
        "made_by": made_by,
    }
    note.parent.mkdir(parents=True, exist_ok=True)
    photo.write_bytes(data)
    note.write_text(json.dumps(entry))
    return name, time.perf_counter() - started


def gather(folder: Path) -> int:
    """Write truth.json from the notes of all scenes in a folder; returns how many."""
    notes = [json.loads(p.read_text()) for p in sorted((folder / ".scenes").glob("*.json"))]
    notes = [n for n in notes if (folder / n["file"]).exists()]
    (folder / "truth.json").write_text(json.dumps(notes))
    return len(notes)


def run(jobs: list[tuple[str, int, int, str]], workers: int) -> Iterator[tuple[str, float]]:
    """Do the jobs, one after another or in several processes."""
    if workers <= 1:
        yield from map(make, jobs)
        return
    with ProcessPoolExecutor(workers) as pool:
        yield from pool.map(make, jobs)


def main(argv: list[str] | None = None) -> int:
    """The command line."""
    ap = argparse.ArgumentParser(
        prog="python -m demo_photos.render", description="Render photos of a road with known truth."
    )
    ap.add_argument("--kind", choices=KINDS, required=True)
    ap.add_argument("--count", type=int, default=1)
    ap.add_argument("--first", type=int, default=0, help="index of the first scene (default 0)")
    ap.add_argument("--seed", type=int, default=1)
    ap.add_argument("--out", type=Path, required=True)
    ap.add_argument("--jobs", type=int, default=1)
    a = ap.parse_args(argv)
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    a.out.mkdir(parents=True, exist_ok=True)
    jobs = [(a.kind, a.seed, a.first + i, str(a.out)) for i in range(a.count)]
    for name, seconds in run(jobs, a.jobs):
        print(f"{name} {seconds:.1f} s" if seconds else f"{name} already there", flush=True)
        gather(a.out)
    return 0


if __name__ == "__main__":
    sys.exit(main())
