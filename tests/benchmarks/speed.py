"""How fast the measuring is, and how much memory it takes; see ``main`` for the options.

    python -m tests.benchmarks.speed

On each photo, one thread: the whole work of the process after its imports (read the file, measure, write the result)
as a ratio to ``cv2.imdecode`` of the same file, the two taken in turns and the medians divided, so that a busy machine
does not show; the same for the first photo of a fresh process; where the time goes, stage by stage; peak memory of a
fresh process that measures one photo. Then a batch with two jobs against one, in turns, by the clock on the wall.

The photos are the demo's where they are there, else rendered scenes. This process stays small and imports nothing
heavy: Linux hands a child the largest size that its parent had.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

REPOSITORY = Path(__file__).resolve().parents[2]
ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}
STAGES = ("decode", "find_bars", "adjust", "_find")
"""Names in ``verifier.measure``: bytes to pixels; bars; camera, plane and bars adjusted; line, slot or surface."""
STAGE_NAMES = dict(zip(STAGES, ("decode", "bars", "adjustment", "finding"), strict=True))


@dataclass(frozen=True)
class Subject:
    """A photo, what it is handed in as, and the nominal widths of slot and sensor for a surface [mm]."""

    photo: str
    kind: str
    widths_mm: tuple[float, float] | None = None


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.speed", description=__doc__.split("\n")[0])
    parser.add_argument("--scenes", type=Path, help="folder of photos with truth.json")
    parser.add_argument("--photos-a-kind", type=int, default=2)
    parser.add_argument("--repeats", type=int, default=7)
    parser.add_argument("--batch", type=int, default=12, help="photos in the batch for one and two jobs")
    parser.add_argument("--child", choices=("repeat", "first"), help=argparse.SUPPRESS)
    parser.add_argument("--photo", help=argparse.SUPPRESS)
    parser.add_argument("--kind", help=argparse.SUPPRESS)
    parser.add_argument("--widths", nargs=2, type=float, help=argparse.SUPPRESS)
    chosen = parser.parse_args(arguments)
    if chosen.child:
        subject = Subject(chosen.photo, chosen.kind, tuple(chosen.widths) if chosen.widths else None)
        print(json.dumps(CHILDREN[chosen.child](subject, chosen.repeats)))
        return 0
    subjects = find_subjects(chosen.scenes, chosen.photos_a_kind)
    print_photos([Timing(s, *(_child(what, s, chosen.repeats) for what in CHILDREN)) for s in subjects])
    print_jobs(subjects, chosen.batch)
    return 0


# --- the parent


@dataclass(frozen=True)
class Timing:
    """What the two children measured on one photo."""

    subject: Subject
    repeat: dict[str, Any]
    first: dict[str, Any]


def find_subjects(folder: Path | None, of_a_kind: int) -> list[Subject]:
    """Photos of this folder, of the demo, or of rendered scenes."""
    folders = [folder] if folder else [REPOSITORY / "demo_photos", REPOSITORY / ".scenes"]
    for place in folders:
        truths = [f for f in sorted(place.rglob("truth.json")) if isinstance(json.loads(f.read_text()), list)]
        records = [(f.parent / r["file"], r) for f in truths for r in json.loads(f.read_text())]
        subjects = _first_of_each(records, of_a_kind)
        if subjects:
            return subjects
    raise SystemExit(f"no photos with truth.json in {', '.join(map(str, folders))}: run the accuracy benchmark first")


def _first_of_each(records: Sequence[tuple[Path, dict[str, Any]]], count: int) -> list[Subject]:
    kinds: dict[str, list[Subject]] = {}
    for photo, record in records:
        if record["kind"] != "refuse" and photo.exists():
            asked = "slot" if record["kind"] == "cut" else record["kind"]
            kinds.setdefault(record["kind"], []).append(Subject(str(photo), asked, _widths_mm(record)))
    return [subject for of_kind in kinds.values() for subject in of_kind[:count]]


def _widths_mm(record: dict[str, Any]) -> tuple[float, float] | None:
    """Nominal slot and sensor width, to half a millimetre."""
    truth = record.get("truth") or {}
    if "sensor_width" not in truth or "slot_edge_gap" not in truth:
        return None
    sensor = round(2 * truth["sensor_width"]) / 2
    return sensor + sum(truth["slot_edge_gap"]), sensor


def _child(what: str, subject: Subject, repeats: int) -> dict[str, Any]:
    command = [sys.executable, "-m", "tests.benchmarks.speed", "--child", what, "--photo", subject.photo,
               "--kind", subject.kind, "--repeats", str(repeats)]  # fmt: skip
    if subject.widths_mm:
        command += ["--widths", *map(str, subject.widths_mm)]
    done = subprocess.run(
        command, cwd=REPOSITORY, env={**os.environ, **ONE_THREAD}, check=True, capture_output=True, text=True
    )
    result: dict[str, Any] = json.loads(done.stdout)
    return result


def print_photos(timings: Sequence[Timing]) -> None:
    """A line a photo, and the summary."""
    stages = "".join(f"{name:>11}" for name in (*STAGE_NAMES.values(), "rest"))
    print("One thread; times as multiples of cv2.imdecode of the same file.")
    print(f"{'photo':22} {'megapixels':>10} {'imdecode':>9} {'whole':>6} {'first':>6} {'peak MB':>8} {stages}  usable")
    for timing in timings:
        print(_photo_line(timing))
    whole, firsts = [_ratio(t.repeat) for t in timings], [_ratio(t.first) for t in timings]
    peaks = [t.first["peak_mb"] for t in timings]
    print(f"whole work over imdecode: median {statistics.median(whole):.2f}, largest {max(whole):.2f}")
    print(f"first photo of a process: median {statistics.median(firsts):.2f}, largest {max(firsts):.2f}")
    print(f"peak memory: median {statistics.median(peaks):.0f} MB, largest {max(peaks):.0f} MB")


def _photo_line(timing: Timing) -> str:
    repeat, first, subject = timing.repeat, timing.first, timing.subject
    parts = "".join(f"{repeat['stages'][name] / repeat['decode_s']:11.2f}" for name in (*STAGES, "rest"))
    return (
        f"{Path(subject.photo).name:22} {repeat['megapixels']:10.1f} {1000 * repeat['decode_s']:6.0f} ms "
        f"{_ratio(repeat):6.2f} {_ratio(first):6.2f} {first['peak_mb']:8.0f} {parts}  "
        f"{'yes' if repeat['usable'] else 'no'} ({subject.kind})"
    )


def _ratio(timing: dict[str, Any]) -> float:
    return float(timing["whole_s"] / timing["decode_s"])


def print_jobs(subjects: Sequence[Subject], count: int, repeats: int = 3) -> None:
    """Two jobs against one on a batch of the kind that has most photos; surfaces need widths of their own."""
    kinds = [s.kind for s in subjects if s.kind != "surface"]
    if not kinds:
        return
    kind = max(kinds, key=kinds.count)
    own = [s.photo for s in subjects if s.kind == kind]
    batch = [own[i % len(own)] for i in range(count)]
    walls: dict[int, list[float]] = {1: [], 2: []}
    for _ in range(repeats):
        for jobs, taken in walls.items():
            taken.append(_batch_s(batch, kind, jobs))
    one, two = (statistics.median(walls[jobs]) for jobs in (1, 2))
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    print(f"batch of {count} {kind} photos, {cores} cores, load {os.getloadavg()[0]:.1f} (ours is 1 to 2):")
    print(f"  one job {one:.1f} s, two jobs {two:.1f} s: {one / two:.2f} times as fast")


def _batch_s(batch: Sequence[str], kind: str, jobs: int) -> float:
    command = [sys.executable, "-m", "api", "measure", "--kind", kind, "--json", "--jobs", str(jobs), *batch]
    started = time.perf_counter()
    subprocess.run(command, cwd=REPOSITORY, env={**os.environ, **ONE_THREAD}, capture_output=True)
    return time.perf_counter() - started


# --- the children: they import what is heavy


def _prepared(subject: Subject) -> tuple[Callable[[], bool], Callable[[], None]]:
    """The whole work on a photo, which tells whether it was usable, and the bare decoding of its file."""
    import importlib

    import cv2
    import numpy as np

    from api.batch import PRELOAD, Means, settings_from
    from api.rendering import result_as_json
    from api.tasks import PhotoTask
    from api.work import do_photo
    from models.measurement import PhotoKind

    for name in (*PRELOAD, "verifier.layout", "verifier.slot", "verifier.surface"):
        importlib.import_module(name)
    cv2.setNumThreads(1)
    slot_mm, sensor_mm = subject.widths_mm or (None, None)
    settings = settings_from(Means(slot_width_mm=slot_mm, sensor_width_mm=sensor_mm))
    task = PhotoTask(subject.photo, PhotoKind(subject.kind), settings)
    data = np.frombuffer(Path(subject.photo).read_bytes(), np.uint8)

    def whole() -> bool:
        result = do_photo(task)
        json.dumps(result_as_json(result))
        return result.usable

    def decode() -> None:
        if cv2.imdecode(data, cv2.IMREAD_COLOR) is None:
            raise ValueError(f"{subject.photo} cannot be decoded")

    return whole, decode


def _timed(work: Callable[[], object]) -> float:
    """Processor time of this process, which on one thread is the time that nothing else took."""
    started = time.process_time()
    work()
    return time.process_time() - started


def repeat_child(subject: Subject, repeats: int) -> dict[str, Any]:
    """Medians of interleaved repeats, stage by stage."""
    whole, decode = _prepared(subject)
    usable = whole()
    spent = _watched_stages()
    decodes, wholes, stages = [], [], []
    for _ in range(repeats):
        decodes.append(_timed(decode))
        for name in spent:
            spent[name] = 0.0
        wholes.append(_timed(whole))
        stages.append({**spent, "rest": wholes[-1] - sum(spent.values())})
    return {
        "decode_s": statistics.median(decodes), "whole_s": statistics.median(wholes), "usable": usable,
        "stages": {name: statistics.median(s[name] for s in stages) for name in (*STAGES, "rest")},
        "megapixels": _megapixels(subject.photo),
    }  # fmt: skip


def _watched_stages() -> dict[str, float]:
    """Wrap the stages of the pipeline so that each adds its time to the dictionary that is returned."""
    import verifier.measure as pipeline

    spent = dict.fromkeys(STAGES, 0.0)

    def watch(name: str, stage: Callable[..., Any]) -> Callable[..., Any]:
        def watched(*given: Any, **named: Any) -> Any:
            started = time.process_time()
            try:
                return stage(*given, **named)
            finally:
                spent[name] += time.process_time() - started

        return watched

    for name in STAGES:
        setattr(pipeline, name, watch(name, getattr(pipeline, name)))
    return spent


def first_child(subject: Subject, repeats: int) -> dict[str, Any]:
    """The first photo of this process after its imports, and the process's peak memory with it."""
    import resource

    whole, decode = _prepared(subject)
    whole_s = _timed(whole)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    to_mb = 1e6 if sys.platform == "darwin" else 1e6 / 1024
    decodes = [_timed(decode) for _ in range(repeats)]
    return {"whole_s": whole_s, "decode_s": statistics.median(decodes), "peak_mb": peak / to_mb}


def _megapixels(photo: str) -> float:
    from PIL import Image

    with Image.open(photo) as picture:
        return picture.width * picture.height / 1e6


CHILDREN: dict[str, Callable[[Subject, int], dict[str, Any]]] = {"repeat": repeat_child, "first": first_child}


if __name__ == "__main__":
    sys.exit(main())
