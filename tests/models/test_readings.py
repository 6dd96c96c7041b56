"""The catalogue of readings is whole, and agrees with the units and the quantities it leads to."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from models.measurement import Quantity
from models.readings import FORMS, Reading, ReadingKind
from models.units import BASE_UNIT, dimension_of

PHOTO_QUANTITIES = 18
"""Quantities of photos: the first members of the list, in millimetres but for the two angles."""


@pytest.mark.parametrize("kind", list(ReadingKind))
def test_every_kind_has_a_form(kind: ReadingKind) -> None:
    form = FORMS[kind]
    assert form.kind is kind
    assert form.title
    assert form.timed or form.fields, "a reading without numbers is nothing but its time"
    assert kind.value == kind.name.lower().replace("_", "-")


@pytest.mark.parametrize("kind", list(ReadingKind))
def test_every_field_has_a_span_in_its_base_unit(kind: ReadingKind) -> None:
    for field in FORMS[kind].fields:
        assert field.lowest < field.highest
        assert field.unit == BASE_UNIT[field.dimension]
        assert FORMS[kind].field(field.name) is field
    assert FORMS[kind].field("no such field") is None


def test_what_common_practice_asks_for_is_a_likely_reading() -> None:
    """Triangles of 3-4-5 to 9-12-15 ft, a hole 18 in from the edge and 1 1/2 in wide, a conduit 4 in down."""
    likely = {
        ReadingKind.TAPE_TRIANGLE: (914.4, 4572.0),
        ReadingKind.HOLE_EDGE_DISTANCE: (457.2,),
        ReadingKind.HOLE_DIAMETER: (38.1,),
        ReadingKind.CONDUIT_COVER: (101.6,),
        ReadingKind.DRILL_ANGLE: (45.0,),
    }
    for kind, values in likely.items():
        field = FORMS[kind].fields[0]
        assert all(field.lowest <= v <= field.highest for v in values)


@pytest.mark.parametrize("quantity", list(Quantity))
def test_every_quantity_has_a_unit_that_is_known(quantity: Quantity) -> None:
    assert BASE_UNIT[dimension_of(quantity.unit)] == quantity.unit


def test_the_quantities_of_photos_are_as_they_were() -> None:
    photo = list(Quantity)[:PHOTO_QUANTITIES]
    assert photo[0] is Quantity.LAYOUT_ANGLE
    assert photo[-1] is Quantity.RIDGE_WIDTH
    assert [q for q in photo if q.unit != "mm"] == [Quantity.LAYOUT_ANGLE, Quantity.CUT_ANGLE]
    assert {q.unit for q in photo} == {"mm", "deg"}


def test_a_reading_is_named_in_words() -> None:
    one = Reading(ReadingKind.SURFACE_HEIGHT, (("value", 0.3),), 350.0, 2, datetime(2026, 6, 1, tzinfo=UTC), "feeler")
    assert one.named() == "height over the pavement at station 350 mm after pass 2"
    assert one.value() == 0.3
    assert one.value("other") is None
    part = Reading(ReadingKind.PART_AMOUNT, (("mass", 70.0),), texts=(("part", "hardener"), ("batch", "2")))
    assert part.named() == "amount of part hardener 2"
    assert part.text("part") == "hardener"
    assert part.text("corner") == ""
