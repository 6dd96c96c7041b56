"""The JSON Schema of a plan file, from the same form that the reader uses: editors complete and check with it."""

from __future__ import annotations

from models.form import MEASURE_SCHEMAS, Schema
from models.plan_form import PLAN

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def plan_schema() -> Schema:
    """JSON Schema (draft 2020-12) of a plan, as its YAML stands in an editor.

    What the schema takes is not yet a plan without fault: references and bounds are the reader's part.
    """
    return {
        "$schema": DIALECT,
        "title": "Plan of a weigh-in-motion installation",
        "description": "Every measure is written with its unit: `76 mm`, `3 1/8 in`, `0.5 deg`.",
        **PLAN.schema(),
        "$defs": MEASURE_SCHEMAS,
    }
