"""Files that go with photos: plan, bar calibrations, camera calibration, marks, the result of a slot photo."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import yaml

from api.errors import UsageError
from models.bar import BarCalibration
from models.camera import CameraCalibration, camera_from_json
from models.measurement import BudgetLine, Estimate, Quantity
from models.plan import Plan
from models.plan_file import Faulty, read_bars, read_plan
from models.yaml_reader import Faults, Mapping, chosen, read_document
from verifier.marks import Mark, MarkedFeature, Marks

MAX_FILE_BYTES = 20_000_000


@dataclass(frozen=True)
class LoadedPlan:
    """A plan and the camera calibrations that lie beside it."""

    plan: Plan
    cameras: tuple[CameraCalibration, ...]


def load_plan(path: str) -> LoadedPlan:
    """Read a plan and the files it names."""
    plan = read_plan(read_text(path, "plan"))
    if isinstance(plan, Faulty):
        raise _faulty(path, plan)
    folder = Path(path).parent
    return LoadedPlan(plan, tuple(load_camera(str(folder / name)) for name in plan.camera_files))


def load_bars(path: str) -> tuple[BarCalibration, ...]:
    """Read a file of bar calibrations."""
    bars = read_bars(read_text(path, "bar calibration"))
    if isinstance(bars, Faulty):
        raise _faulty(path, bars)
    return bars


def load_camera(path: str) -> CameraCalibration:
    """Read a camera calibration."""
    try:
        return camera_from_json(json.loads(read_text(path, "camera calibration")))
    except (ValueError, RecursionError) as wrong:
        raise UsageError(f"{path}: {wrong}") from None


def load_slot_width(path: str) -> Estimate:
    """The best slot width among the results of slot photos, one JSON object a line.

    Best is the one with the smallest uncertainty.
    """
    lines = [line for line in read_text(path, "slot result").splitlines() if line.strip()]
    widths = [width for line in lines for width in _slot_widths(path, line)]
    if not widths:
        raise UsageError(
            f"{path}: no measured slot_width in it; give the output of `kerfline measure --kind slot --json`"
        )
    return min(widths, key=lambda estimate: estimate.standard_uncertainty)


def _slot_widths(path: str, line: str) -> list[Estimate]:
    try:
        result = json.loads(line)
        if not result["usable"]:
            return []
        return [_slot_estimate(m) for m in result["measurements"] if m["quantity"] == Quantity.SLOT_WIDTH.value]
    except (ValueError, KeyError, TypeError, RecursionError):
        raise UsageError(f"{path}: not the output of `kerfline measure --kind slot --json`") from None


def _slot_estimate(content: dict[str, Any]) -> Estimate:
    value, u = float(content["value"]), float(content["standard_uncertainty"])
    if not (0.0 < value < 1e4 and 0.0 < u < 1e3):
        raise ValueError("a slot width must be above zero and have an uncertainty")
    return Estimate(Quantity.SLOT_WIDTH, value, (BudgetLine("measured slot", u),), float(content["coverage_factor"]))


def load_marks(path: str) -> dict[str, Marks]:
    """Marks by the name of the photo's file (without its folder)."""
    faults = Faults()
    document = read_document(read_text(path, "marks"), faults)
    marks = {} if document is None else _marks_by_photo(document)
    if faults.found:
        raise _faulty(path, Faulty(faults.sorted()))
    return marks


def _marks_by_photo(document: Mapping) -> dict[str, Marks]:
    groups = {name: document.group(name) for name in document.names()}
    return {name: _marks(group) for name, group in groups.items() if group is not None}


def _marks(group: Mapping) -> Marks:
    found = [_mark(group, name) for name in group.names()]
    return Marks(tuple(mark for mark in found if mark is not None))


def _mark(group: Mapping, name: str) -> Mark | None:
    try:
        feature = chosen(name, MarkedFeature)
    except ValueError as unknown:
        group.note(name, str(unknown))
        return None
    points = [_point(node) for node, _ in group.items(name)]
    whole = [p for p in points if p is not None]
    if len(whole) < 2 or len(whole) != len(points):
        group.note(name, "two or more image points are expected, like `[[120, 340], [2980, 410]]`")
        return None
    return Mark(feature, np.array(whole))


def _point(node: yaml.Node) -> tuple[float, float] | None:
    """An image point ``[x, y]`` in pixels; None where it is none."""
    if not isinstance(node, yaml.SequenceNode) or len(node.value) != 2:
        return None
    try:
        x, y = (float(n.value) for n in node.value)
    except (TypeError, ValueError):
        return None
    return (x, y) if max(abs(x), abs(y)) < 1e5 else None


def read_text(path: str, what: str) -> str:
    """The text of a file that goes with the photos."""
    try:
        if Path(path).stat().st_size > MAX_FILE_BYTES:
            raise UsageError(f"{path}: too large for a {what} file")
        return Path(path).read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise UsageError(f"{path}: not a text file in UTF-8, as a {what} file must be") from None
    except (OSError, ValueError) as reason:
        told = getattr(reason, "strerror", None) or str(reason)
        raise UsageError(f"{path}: the {what} file cannot be read ({told})") from None


def _faulty(path: str, faulty: Faulty) -> UsageError:
    lines = "\n".join(f"  {fault}" for fault in faulty.faults)
    count = len(faulty.faults)
    return UsageError(f"{path}: {count} {'thing is' if count == 1 else 'things are'} wrong:\n{lines}")
