"""Calibrated bars and cameras in a plan file."""

from __future__ import annotations

import yaml

from models.bar import LONG_BAR, SHORT_BAR, BarCalibration, BarKind, nominal_calibration
from models.form import Choice, Custom, Day, Schema, measure_schema, object_schema
from models.units import Dimension
from models.yaml_reader import Mapping, repeated

LARGEST_LENGTH_DOUBT = 0.05
"""A bar whose stated length differs from the drawing by more than this part is a slip of the pen or another bar."""


def read_bar_list(document: Mapping, name: str, required: bool) -> tuple[BarCalibration, ...]:
    """The bars under this name."""
    groups = document.groups(name, required=required)
    bars = [(group, _bar(group)) for group in groups]
    twice = repeated((b.kind, b.number) for _, b in bars if b is not None)
    for group, bar in bars:
        if bar is not None and (bar.kind, bar.number) in twice:
            group.note(None, f"{bar.kind} bar {bar.number} is listed more than once; keep the latest calibration")
    return tuple(bar for _, bar in bars if bar is not None)


def _bar(group: Mapping) -> BarCalibration | None:
    """One bar: what is not stated is as drawn."""
    kind, number = group.choice("kind", BarKind, required=True), group.whole("number", required=True)
    length, length_u = group.length_mm("length", required=True), group.length_mm("length_u", required=True)
    thickness, thickness_u = group.length_mm("thickness"), group.length_mm("thickness_u")
    day = group.day("date")
    group.close()
    if kind is None or number is None or length is None or length_u is None:
        return None
    nominal = nominal_calibration(kind, number)
    _check_bar(group, nominal, length)
    return BarCalibration(
        kind, number, length, length_u, thickness or nominal.thickness_mm, thickness_u or nominal.thickness_u_mm, day
    )


def _check_bar(group: Mapping, nominal: BarCalibration, length_mm: float) -> None:
    count = (LONG_BAR if nominal.kind is BarKind.LONG else SHORT_BAR).series_count
    if nominal.number >= count:
        group.note("number", f"{nominal.kind} bars are numbered 0 to {count - 1}")
    if abs(length_mm / nominal.length_mm - 1.0) > LARGEST_LENGTH_DOUBT:
        group.note(
            "length",
            f"is {length_mm:g} mm; the length between the outermost tags' centres is {nominal.length_mm:g} mm as drawn",
        )


def _camera_files(document: Mapping, name: str, required: bool) -> tuple[str, ...]:
    """File names of stored camera calibrations."""
    names = []
    for node, where in document.items(name):
        if isinstance(node, yaml.ScalarNode) and node.value.strip():
            names.append(node.value.strip())
        else:
            document.faults.note(node, where, "the name of a file that `kerfline calibrate` wrote is expected")
    return tuple(names)


def _bars_schema() -> Schema:
    length = measure_schema(Dimension.LENGTH)
    number: Schema = {"type": "integer", "minimum": 0, "maximum": LONG_BAR.series_count - 1}
    fields: dict[str, Schema] = {"kind": Choice(BarKind).schema(), "number": number}
    fields |= dict.fromkeys(("length", "length_u", "thickness", "thickness_u"), length)
    required = ("kind", "number", "length", "length_u")
    return {"type": "array", "items": object_schema({**fields, "date": Day().schema()}, required)}


BARS = Custom(read_bar_list, _bars_schema)
CAMERAS = Custom(_camera_files, lambda: {"type": "array", "items": {"type": "string", "minLength": 1}})
