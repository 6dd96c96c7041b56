"""Photos with known truth: rendered on demand into a folder that git ignores, or read where they lie.

Layout of a folder: ``KIND/truth.json`` beside its photos for each kind, or one ``truth.json`` for all. World frame of a
truth file: mm, z = 0 the pavement's mean plane, x along the lane line, angles anticlockwise seen from above.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from verifier.plane import GroundPlane

Array = NDArray[np.float64]

REPOSITORY = Path(__file__).resolve().parents[2]
DEFAULT_FOLDER = REPOSITORY / ".scenes"
KINDS = ("layout", "slot", "cut", "surface", "refuse")
NOMINAL_STEP_MM = 0.5
"""Nominal widths are handed to the command rounded to this, so that the truth does not leak in."""

_SAME = ("slot_width", "slot_width_min", "slot_width_max", "slot_straightness", "edge_straightness_left",
         "edge_straightness_right", "spall_depth", "measured_length")  # fmt: skip
_SURFACE = ("sensor_width", "grout_band_left", "grout_band_right", "grout_band_left_max", "grout_band_right_max",
            "ridge_width_left", "ridge_width_right", "ridge_width", "measured_length")  # fmt: skip
QUANTITIES: dict[str, tuple[str, ...]] = {
    "layout": ("layout_angle",), "slot": _SAME, "cut": ("cut_angle", *_SAME), "surface": _SURFACE, "refuse": (),
}  # fmt: skip
"""What a photo of each kind has a truth for; ``cut`` is a slot from standing height with the lane line in view."""

_OTHER_NAMES = {"ridge_width_left": "ridge_width_left_max", "ridge_width_right": "ridge_width_right_max"}
"""Truth files that state a ridge's mean under the plain name have its maximum under these."""


@dataclass(frozen=True, eq=False)
class Scene:
    """One photo and the truth about it."""

    photo: Path
    record: dict[str, Any]

    @property
    def kind(self) -> str:
        """One of ``KINDS``."""
        return str(self.record["kind"])

    @property
    def asked_as(self) -> str:
        """The kind it is handed in as: layout, slot or surface."""
        asked = str(self.record.get("ask_kind") or self.kind)
        return "slot" if asked == "cut" else asked

    @property
    def difficulty(self) -> str:
        """'easy', 'ordinary', 'hard' or 'refuse'."""
        return str(self.record.get("difficulty", "unknown"))

    @property
    def care(self) -> str:
        """How the results are grouped: easy and ordinary photos were taken with ordinary care."""
        return "ordinary care" if self.difficulty in {"easy", "ordinary"} else self.difficulty

    @property
    def why(self) -> str:
        """Why it must be refused."""
        return str(self.record.get("why") or "")

    @property
    def case(self) -> str:
        """Short name of the mishap of a photo to refuse."""
        return str(self.record.get("case") or "")

    @property
    def facts(self) -> dict[str, Any]:
        """What is true of the road; of a photo to refuse, what the plan says."""
        return dict(self.record.get("truth") or self.record.get("quantities") or {})

    @cached_property
    def camera(self) -> GroundPlane:
        """The true camera over the world's z = 0."""
        c = self.record["camera"]
        rotation = cv2.Rodrigues(np.array(c["R_world_to_cam"], dtype=np.float64))[0].ravel()
        parameters = np.r_[np.log(c["fx"]), c["cx"], c["cy"], c["k1"], c["k2"], rotation, c["t_mm"]]
        return GroundPlane(parameters, (), (c["width"], c["height"]))

    def truths(self) -> dict[str, float]:
        """Row of the report to true value: the quantity's name, with '/wide' on what a wide slot photo carries."""
        found = {}
        for name in QUANTITIES[self.kind]:
            value = self.facts.get(_OTHER_NAMES.get(name, name), self.facts.get(name))
            if value is not None:
                found[self.row(name)] = float(value)
        return found

    def row(self, quantity: str) -> str:
        """The row of the report that a quantity of this photo goes into."""
        return f"{quantity}/wide" if self.kind == "cut" and quantity != "cut_angle" else quantity

    def widths_for_the_command(self) -> list[str]:
        """Nominal widths, for surfaces only: sensor, and sensor with the plan's gap on both sides."""
        facts = self.facts
        if self.asked_as != "surface" or "sensor_width" not in facts or "slot_edge_gap" not in facts:
            return []
        sensor = round(facts["sensor_width"] / NOMINAL_STEP_MM) * NOMINAL_STEP_MM
        return ["--sensor-width", f"{sensor:.2f}", "--slot-width", f"{sensor + sum(facts['slot_edge_gap']):.2f}"]


def render(folder: Path, kinds: Sequence[str], count: int, seed: int, jobs: int) -> None:
    """Have the renderer make what is not there yet; it keeps what was made with the same seed."""
    for kind in kinds:
        wanted = min(count, 40) if kind == "refuse" else count
        command = [sys.executable, "-m", "demo_photos.render", "--kind", kind, "--count", str(wanted),
                   "--seed", str(seed), "--jobs", str(jobs), "--out", str(folder / kind)]  # fmt: skip
        subprocess.run(command, cwd=REPOSITORY, check=True, stdout=sys.stderr)


def load(folder: Path, kinds: Sequence[str], count: int | None = None) -> list[Scene]:
    """Scenes of these kinds, at most ``count`` of each.

    Raises:
        FileNotFoundError: there is no truth file for any of the kinds.
    """
    files = [folder / "truth.json", *(folder / kind / "truth.json" for kind in kinds)]
    scenes = [Scene(f.parent / r["file"], r) for f in files if f.exists() for r in json.loads(f.read_text())]
    chosen = [[s for s in scenes if s.kind == kind][:count] for kind in kinds]
    if not any(chosen):
        raise FileNotFoundError(f"no truth.json with scenes of {', '.join(kinds)} under {folder}")
    return [s for of_kind in chosen for s in of_kind]


@dataclass(frozen=True, eq=False)
class Side:
    """One true edge or band edge on the road: points (N, 2) in the world, mm, along it."""

    points_mm: Array

    def at(self, shares: Array) -> Array:
        """Points at shares 0 ... 1 of its number of points, (M, 2)."""
        index = np.clip(np.rint(np.asarray(shares) * (len(self.points_mm) - 1)).astype(int), 0, len(self.points_mm) - 1)
        return np.asarray(self.points_mm[index])


STATIONS = 241


def lane_edge(scene: Scene) -> Side | None:
    """The lane marking's edge that faces the lane, over its visible length."""
    facts = scene.facts
    if "lane_angle_world" not in facts:
        return None
    if "lane_visible_ends_mm" in facts:
        return _seen_part(scene, _straight(np.array(facts["lane_visible_ends_mm"])))
    # The lane line is the world's x axis.
    slope = np.tan(np.radians((facts["lane_angle_world"] + 90.0) % 180.0 - 90.0))
    return _seen_part(scene, _straight(np.array([[-6000.0, -6000.0 * slope], [6000.0, 6000.0 * slope]])))


def _straight(ends: Array) -> Side:
    t = np.linspace(0.0, 1.0, STATIONS)[:, None]
    return Side(ends[0] + t * (ends[1] - ends[0]))


def _seen_part(scene: Scene, side: Side) -> Side | None:
    """The same straight line between the first and the last of its points that are in the picture."""
    inside = np.flatnonzero(_inside(scene, side.points_mm))
    return _straight(side.points_mm[inside[[0, -1]]]) if len(inside) >= 2 else None


def _inside(scene: Scene, world_mm: Array) -> NDArray[np.bool_]:
    plane = scene.camera
    before = world_mm @ plane.rotation[2, :2] + plane.parameters[10] > 200.0
    pixels = plane.to_pixels(world_mm)
    within = (pixels >= 0).all(axis=1) & (pixels <= np.array(plane.size_px) - 1.0).all(axis=1)
    # Far outside the picture the distortion's polynomial folds back into it: there the way back leads elsewhere.
    same = np.linalg.norm(plane.to_plane(pixels) - world_mm, axis=1) < 1.0
    return np.asarray(before & within & same)


def layout_sides(scene: Scene) -> tuple[Side, Side] | None:
    """Both edges of the sprayed band."""
    ends = scene.facts.get("layout_visible_ends_mm")
    if ends is None:
        return None
    axis = np.array(ends)
    along = (axis[1] - axis[0]) / np.linalg.norm(axis[1] - axis[0])
    half = 0.5 * scene.facts["paint_width"] * np.array([-along[1], along[0]])
    return _straight(axis + half), _straight(axis - half)


def slot_sides(scene: Scene, whole: bool = False) -> tuple[Side, Side] | None:
    """Left and right edge as the saw left them, over the measured length (or the whole visible one)."""
    edges = scene.facts.get("edges")
    if edges is None or "left_saw" not in edges:
        return None
    return _along_axis(scene, edges, np.array(edges["left_saw"]), np.array(edges["right_saw"]), whole)


def sensor_sides(scene: Scene) -> tuple[Side, Side] | None:
    """Left and right edge of the sensor's top over the measured length."""
    edges = scene.facts.get("edges")
    if edges is None or "left_grout" not in edges:
        return None
    half = np.full(len(edges["left_grout"]), 0.5 * scene.facts["sensor_width"])
    return _along_axis(scene, edges, half, -half, False)


def _along_axis(
    scene: Scene, edges: dict[str, Any], left: Array, right: Array, whole: bool
) -> tuple[Side, Side] | None:
    turn = np.radians(edges["direction_world_deg"])
    along, normal = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    s = edges["s0"] + edges["ds"] * np.arange(len(left))
    low, high = scene.facts["visible_s" if whole else "measured_s"]
    origin = np.array(scene.facts["slot_origin_mm"]) + s[:, None] * along
    sides = [origin + n[:, None] * normal for n in (left, right)]
    keep = (s >= low) & (s <= high) & _inside(scene, sides[0]) & _inside(scene, sides[1])
    return (Side(sides[0][keep]), Side(sides[1][keep])) if keep.sum() >= 10 else None
