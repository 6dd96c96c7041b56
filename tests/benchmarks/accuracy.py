"""How good the measuring is, on fresh photos with known truth; see ``main`` for the options.

    python -m tests.benchmarks.accuracy --count 60

renders 60 scenes a kind (40 to refuse) into ``.scenes``, keeps them, hands each photo to the command as a crew would,
and prints: per quantity count, refusals, bias, RMS error, largest error, median U, share of truths within value ± U,
worst error in U and results beyond 2 U; the same photos by a general-purpose recipe and by a careful person
(``baselines``); the ratio of our RMS error to the bound that corner and edge noise set (``bound``); needless refusals
and photos that should have been refused. Nothing is left out: a photo that gives no value is counted as such.
"""

from __future__ import annotations

import argparse
import json
import os
import shlex
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from tests.benchmarks.report import PhotoReport, Value, everything
from tests.benchmarks.scenes import DEFAULT_FOLDER, KINDS, Scene, load, render

DEADLINE_S = 600


@dataclass(frozen=True)
class Work:
    """One photo and what is wanted of it."""

    scene: Scene
    command: str
    with_baselines: bool


def measured(work: Work) -> PhotoReport:
    """Run the command and the others on one photo."""
    scene = work.scene
    started = time.perf_counter()
    result, crash = _run(work)
    seconds = time.perf_counter() - started
    ours = {
        scene.row(m["quantity"]): Value(m["value"], m["expanded_uncertainty"]) for m in result.get("measurements", [])
    }
    problems = tuple(p["code"] for p in result.get("problems", []))
    others = _others(scene) if work.with_baselines and scene.kind != "refuse" else {}
    return PhotoReport(
        scene.photo.name, scene.kind, scene.difficulty, scene.care, scene.why, scene.case,
        bool(result.get("usable")), problems, seconds, scene.truths(), ours, crash=crash, **others,
    )  # fmt: skip


def _run(work: Work) -> tuple[dict[str, Any], str]:
    """The command's JSON of one photo, and what it said where there is none."""
    scene = work.scene
    command = [*shlex.split(work.command), "--kind", scene.asked_as, "--json", *scene.widths_for_the_command()]
    try:
        done = subprocess.run([*command, str(scene.photo)], capture_output=True, text=True, timeout=DEADLINE_S)
    except subprocess.TimeoutExpired:
        return {}, f"no answer in {DEADLINE_S} s"
    for line in done.stdout.splitlines():
        if line.startswith("{"):
            return json.loads(line), ""
    return {}, done.stderr[-300:] or f"exit status {done.returncode} and no output"


def _others(scene: Scene) -> dict[str, Any]:
    """Recipe, person and bound."""
    import cv2

    from models.measurement import Problem
    from tests.benchmarks import baselines
    from tests.benchmarks.bound import bounds
    from verifier.photo import decode

    cv2.setNumThreads(1)
    photo = decode(scene.photo.name, scene.photo.read_bytes())
    if isinstance(photo, Problem):
        return {}
    homography = baselines.tag_homography(photo.grey)
    return {
        "recipe": baselines.recipe(scene, photo.grey, homography),
        "person": baselines.person(scene, homography),
        "bound": bounds(scene, photo),
    }


def measure_all(works: Sequence[Work], jobs: int) -> Iterator[PhotoReport]:
    """Reports in the order of the photos, as they become ready."""
    if jobs <= 1:
        yield from map(measured, works)
        return
    with ProcessPoolExecutor(jobs) as pool:
        yield from pool.map(measured, works)


def options(arguments: Sequence[str] | None) -> argparse.Namespace:
    """The command line."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.accuracy", description=__doc__.split("\n")[0])
    parser.add_argument("--scenes", type=Path, help="measure the photos of this folder; render none")
    parser.add_argument("--count", type=int, default=60, help="scenes a kind (default 60; at most 40 to refuse)")
    parser.add_argument("--kinds", nargs="+", choices=KINDS, default=list(KINDS))
    parser.add_argument("--seed", type=int, default=20, help="of the rendered scenes")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--command", default=f"{shlex.quote(sys.executable)} -m api measure")
    parser.add_argument("--no-baselines", action="store_true", help="only our own command")
    parser.add_argument("--out", type=Path, help="keep every photo's figures in this JSON file")
    return parser.parse_args(arguments)


def main(arguments: Sequence[str] | None = None) -> int:
    """Render, measure, print."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    chosen = options(arguments)
    folder = chosen.scenes or DEFAULT_FOLDER
    if chosen.scenes is None:
        render(folder, chosen.kinds, chosen.count, chosen.seed, chosen.jobs)
    works = [Work(s, chosen.command, not chosen.no_baselines) for s in load(folder, chosen.kinds, chosen.count)]
    reports = []
    for report in measure_all(works, chosen.jobs):
        reports.append(report)
        print(f"{len(reports)}/{len(works)} {report.photo} {report.seconds:.1f} s", file=sys.stderr, flush=True)
    print(everything(reports))
    if chosen.out:
        chosen.out.write_text(json.dumps([asdict(r) for r in reports], indent=1))
    return 0


if __name__ == "__main__":
    sys.exit(main())
