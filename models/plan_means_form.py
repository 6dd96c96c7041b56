"""The form of instruments and materials in a plan file."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

from models.form import AnyMeasure, Choice, Day, Field, Form, Identifier, Measure, Number, Text, Things
from models.instruments import DIMENSIONS, Instrument, InstrumentKind
from models.materials import Material, MaterialKind, MixBasis, MixPart, TimeAtTemperature
from models.plan_limits import limits_kind
from models.units import BASE_UNIT, Dimension
from models.yaml_reader import Mapping

_ID = Field("id", "id", Identifier(), "Short name, unique in its list.", required=True)
_STEPS = {Dimension.TEMPERATURE: Dimension.TEMPERATURE_DIFFERENCE}
"""A thermometer's resolution and uncertainty are differences: 1 degF is 5/9 K."""
_FIGURES = AnyMeasure(tuple(dict.fromkeys(_STEPS.get(d, d) for ds in DIMENSIONS.values() for d in ds)))


def _finish_instrument(group: Mapping, values: dict[str, Any]) -> None:
    kind = values.get("kind")
    if kind is None:
        return
    _settle_dimension(group, values, kind)
    for name, attribute, lowest in (("resolution", "resolution", "above"), ("u", "standard_uncertainty", "at_least")):
        _convert_figure(group, values, (name, attribute), lowest)
    if values.get("per_metre") and values.get("dimension") is not Dimension.LENGTH:
        group.note("per_metre", f"a {kind} does not read lengths")
    _check_calibration(group, values, kind)


def _settle_dimension(group: Mapping, values: dict[str, Any], kind: InstrumentKind) -> None:
    readable = DIMENSIONS[kind]
    if "dimension" in values and values["dimension"] not in readable:
        group.note("dimension", f"a {kind} reads {' or '.join(readable)}")
    if "dimension" not in group.names() and len(readable) > 1:
        group.note(None, f"a {kind} reads {' or '.join(readable)}; add a line `dimension: {readable[0]}`")
    values.setdefault("dimension", readable[0])


def _convert_figure(group: Mapping, values: dict[str, Any], names: tuple[str, str], lowest: str) -> None:
    """A figure in the unit that the instrument's dimension asks for."""
    name, attribute = names
    dimension = _STEPS.get(values["dimension"], values["dimension"])
    if attribute in values:
        values[attribute] = group.converted(name, Measure(dimension, **{lowest: 0.0}).convert)


def _check_calibration(group: Mapping, values: dict[str, Any], kind: InstrumentKind) -> None:
    calibrated, until = values.get("calibrated"), values.get("calibration_valid_until")
    if "calibrated" not in group.names() and kind is not InstrumentKind.CLOCK:
        group.note(None, "`calibrated` is missing; add the day of its calibration, like `calibrated: 2026-03-01`")
    if calibrated is not None and until is not None and until < calibrated:
        group.note("valid_until", "lies before the day of calibration")


INSTRUMENT = Form(
    Instrument,
    (
        _ID,
        Field("kind", "kind", Choice(InstrumentKind), "What it is.", required=True),
        Field("dimension", "dimension", Choice(Dimension), "What it reads, where its kind can read more than one."),
        Field("resolution", "resolution", _FIGURES, "Smallest step that is read.", required=True),
        Field("u", "standard_uncertainty", _FIGURES, "Standard uncertainty (k = 1) of its calibration.", required=True),
        Field(
            "per_metre",
            "per_metre",
            Measure(Dimension.SLOPE, at_least=0.0),
            "Standard uncertainty that grows with length.",
        ),
        Field(
            "relative",
            "relative",
            Measure(Dimension.RATIO, at_least=0.0, at_most=1.0),
            "Standard uncertainty as a part of the reading.",
        ),
        Field("calibrated", "calibrated", Day(), "Day of the calibration; a clock needs none."),
        Field("valid_until", "calibration_valid_until", Day(), "Last day on which the calibration holds."),
        Field("text", "text", Text(), "A note."),
    ),
    _finish_instrument,
)

_ROW = Form(
    TimeAtTemperature,
    (
        Field("at", "temperature_degc", Measure(Dimension.TEMPERATURE), "Temperature of the row.", required=True),
        Field("time", "time_min", Measure(Dimension.TIME, above=0.0), "Time at that temperature.", required=True),
    ),
)
_TABLE = Things(_ROW, at_least=1, key=None)
_PART = Form(
    MixPart,
    (
        Field("name", "name", Identifier(), "Name of the part.", required=True),
        Field("share", "share", Number(), "Its share of the mix, as the product's sheet writes it.", required=True),
    ),
)


def _check_material(group: Mapping, values: dict[str, Any]) -> None:
    for name in ("pot_life", "cure"):
        _check_table(group, name, values.get(name, ()))
    if "parts" in group.names() and "mix_basis" not in group.names():
        group.note(None, "`mix_basis` is missing; add `mix_basis: mass` or `mix_basis: volume`")
    if ("activation_energy" in group.names()) != ("reference_temperature" in group.names()):
        group.note(None, "`activation_energy` and `reference_temperature` go together: the equivalent age needs both")


def _check_table(group: Mapping, name: str, rows: tuple[TimeAtTemperature, ...]) -> None:
    whole = [r for r in rows if r.temperature_degc is not None and r.time_min is not None]
    if any(a.temperature_degc >= b.temperature_degc for a, b in pairwise(whole)):
        group.note(name, "temperatures must rise from row to row")
    elif any(a.time_min < b.time_min for a, b in pairwise(whole)):
        group.note(name, f"takes longer when warmer ({BASE_UNIT[Dimension.TIME]}): see the product's sheet again")


_SHARE = Measure(Dimension.RATIO, at_least=0.0, at_most=1.0)

MATERIAL = Form(
    Material,
    (
        _ID,
        Field("kind", "kind", Choice(MaterialKind), "What it is for.", required=True),
        Field("product", "product", Text(), "Name of the product."),
        Field("batch", "batch", Text(), "Batch on the label."),
        Field("expires", "expires", Day(), "Last day on which it may be used."),
        Field("mass", "mass_g", Measure(Dimension.MASS, above=0.0), "How much of it is there, by mass."),
        Field("volume", "volume_l", Measure(Dimension.VOLUME, above=0.0), "How much of it is there, by volume."),
        Field("density", "density_g_per_l", Measure(Dimension.DENSITY, above=0.0), "Density of the mixed product."),
        Field("waste", "waste_share", _SHARE, "What is lost or struck off, as a part of what the channel takes."),
        Field("parts", "parts", Things(_PART, at_least=2, key="name"), "Parts to be mixed; the first leads."),
        Field("mix_basis", "mix_basis", Choice(MixBasis), "By what the parts are portioned."),
        Field("ratio_tolerance", "ratio_tolerance", _SHARE, "How far the ratio may be off, either way."),
        Field("mixing_time", "mixing_time_min", limits_kind(Dimension.TIME, 0.0), "Limits of the mixing time."),
        Field("pot_life", "pot_life", _TABLE, "From start of mixing to end of pour, by temperature."),
        Field("cure", "cure", _TABLE, "From end of pour to grinding, by temperature."),
        Field("cure_floor", "cure_floor_min", Measure(Dimension.TIME, at_least=0.0), "Never ground before this."),
        Field("datum_temperature", "datum_temperature_degc", Measure(Dimension.TEMPERATURE), "T0 of ASTM C1074."),
        Field(
            "activation_energy",
            "activation_energy_j_per_mol",
            Measure(Dimension.MOLAR_ENERGY, above=0.0),
            "Ea of ASTM C1074.",
        ),
        Field(
            "reference_temperature", "reference_temperature_degc", Measure(Dimension.TEMPERATURE), "Ts of ASTM C1074."
        ),
        Field("clause", "clause", Text(), "Clause or sheet that sets these."),
    ),
    _check_material,
)
