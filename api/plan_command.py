"""``kerfline plan check``: everything wrong in a plan, at once."""

from __future__ import annotations

import argparse

from api.errors import EXIT_OK
from api.inputs import load_plan
from models.wording import limits_as_text


def run_plan_check(options: argparse.Namespace) -> int:
    """Read the plan and say what it asks; faults end the command with all of them listed."""
    loaded = load_plan(options.plan)
    plan = loaded.plan
    print(f"{options.plan}: {plan.project}, version {plan.version}: nothing wrong.")
    print(f"  sensors: {', '.join(plan.sensors()) or 'none'}")
    print(f"  decision rule: {plan.rule.rule.value}")
    for tolerance in plan.tolerances:
        limits = limits_as_text(tolerance.limits, tolerance.quantity.unit)
        print(f"  {tolerance.quantity.value}: {limits}{f'  ({tolerance.clause})' if tolerance.clause else ''}")
    print(f"  bars with a calibration: {len(plan.bars)}; cameras with a calibration: {len(loaded.cameras)}")
    return EXIT_OK
