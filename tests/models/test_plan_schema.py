"""The schema for editors: it is one, it takes our own plans, and it knows the very fields that the reader knows."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml

from models.plan_file import Faulty, read_plan
from models.plan_schema import plan_schema
from models.plan_template import new_plan_text
from models.units import Dimension, examples, parse

ROOT = Path(__file__).parents[2]
DEMO = (ROOT / "demo_photos" / "plan.yaml").read_text(encoding="utf-8")
README_FORMS = """
project: x
version: 1.0
bars: [{kind: long, number: 3, length: 900.1 mm, length_u: 20 um, date: 2026-03-01}]
decision_rule: {rule: risk-limited, consumer_risk: 5 %}
cameras: [phone.json]
"""
SCHEMA = plan_schema()
VALIDATOR = jsonschema.Draft202012Validator(SCHEMA)


class _EditorLoader(yaml.SafeLoader):
    """YAML as editors read it (core schema, YAML 1.2): days stay texts."""


_EditorLoader.yaml_implicit_resolvers = {
    first: [(tag, pattern) for tag, pattern in resolvers if tag != "tag:yaml.org,2002:timestamp"]
    for first, resolvers in yaml.SafeLoader.yaml_implicit_resolvers.items()
}


def told(text: str) -> list[str]:
    content = yaml.load(text, _EditorLoader)
    return [f"{list(error.path)}: {error.message}" for error in VALIDATOR.iter_errors(content)]


def test_it_is_a_schema_of_draft_2020_12() -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    assert SCHEMA["$schema"] == "https://json-schema.org/draft/2020-12/schema"


@pytest.mark.parametrize("text", [DEMO, new_plan_text(), README_FORMS], ids=["demo", "new", "other forms"])
def test_plans_that_the_reader_takes_are_valid(text: str) -> None:
    assert not isinstance(read_plan(text), Faulty)
    assert told(text) == []


@pytest.mark.parametrize(
    "text",
    [
        "project: x\n",
        "project: x\nversion: 1\ncolour: red\n",
        "project: x\nversion: 1\ntolerances: {slot_widht: {upper: 3 mm}}\n",
        "project: x\nversion: 1\ntolerances: {slot_width: {upper: 3}}\n",
        "project: x\nversion: 1\ntolerances: {slot_width: {upper: 3 deg}}\n",
        "project: x\nversion: 1\nunits: metric\n",
        "project: x\nversion: 1\nstages: [{id: a, readings: [{kind: slot-dept}]}]\n",
        "project: x\nversion: 1\nstages: [{id: a, hold_point: maybe}]\n",
        "project: x\nversion: 1\ndecision_rule: risk-limited\n",
    ],
)
def test_slips_are_seen_by_both(text: str) -> None:
    assert told(text)
    assert isinstance(read_plan(text), Faulty)


def objects(schema: dict[str, Any], path: tuple[str | int, ...] = ()) -> Iterator[tuple[tuple[str | int, ...], Any]]:
    """Every object of the schema with the path to it; 0 stands for an item of a list."""
    if "properties" in schema:
        yield path, schema["properties"]
        for name, part in schema["properties"].items():
            yield from objects(part, (*path, name))
    if "items" in schema:
        yield from objects(schema["items"], (*path, 0))
    for option in schema.get("anyOf", ()):
        yield from objects(option, path)


def probe(path: tuple[str | int, ...], properties: Any) -> Any:
    """A document with a name at this path that nobody knows."""
    inner: Any = {name: part["const"] for name, part in properties.items() if "const" in part} | {"zzzz": "1"}
    for step in reversed(path):
        inner = [inner] if step == 0 else {step: inner}
    return inner


OBJECTS = list(objects(SCHEMA))


def test_there_are_objects_to_probe() -> None:
    assert {path[0] for path, _ in OBJECTS if path} >= {"sites", "tolerances", "stages", "instruments", "materials"}
    assert len(OBJECTS) > 60


@pytest.mark.parametrize(("path", "properties"), OBJECTS, ids=lambda v: ".".join(map(str, v)) or "plan")
def test_schema_and_reader_know_the_same_fields(path: tuple[str | int, ...], properties: Any) -> None:
    plan = read_plan(yaml.safe_dump(probe(path, properties)))
    assert isinstance(plan, Faulty)
    (message,) = (f.message for f in plan.faults if f.where.endswith("zzzz"))
    if path == ("tolerances",):
        assert message.startswith("'zzzz' is not known; write one of: ")
    known = message.partition("known here: " if "known here" in message else "write one of: ")[2]
    assert set(known.split(", ")) == set(properties)


@pytest.mark.parametrize("dimension", Dimension)
def test_examples_in_the_schema_are_taken_by_the_reader(dimension: Dimension) -> None:
    definition = SCHEMA["$defs"][dimension.value.replace(" ", "-")]
    assert definition["examples"] == examples(dimension)
    for text in definition["examples"]:
        parse(text, dimension)
        jsonschema.validate(text, definition)


@pytest.mark.parametrize(
    ("text", "dimension"),
    [
        ("3 1/8 in", Dimension.LENGTH), ("-1/2 in", Dimension.LENGTH), ("1-1/8 inches", Dimension.LENGTH),
        (".5 cm", Dimension.LENGTH), ("1e3 um", Dimension.LENGTH), ("-40 degF", Dimension.TEMPERATURE),
        ("0.05", Dimension.RATIO), ("1 h", Dimension.TIME), ("1750 kg/m3", Dimension.DENSITY),
    ],
)  # fmt: skip
def test_what_the_reader_takes_the_schema_takes(text: str, dimension: Dimension) -> None:
    parse(text, dimension)
    jsonschema.validate(text, SCHEMA["$defs"][dimension.value.replace(" ", "-")])
