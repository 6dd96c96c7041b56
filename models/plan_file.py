"""From the text of a plan file to a plan, or to the list of everything wrong in it."""

from __future__ import annotations

from dataclasses import dataclass

from models.bar import BarCalibration
from models.plan import Plan
from models.plan_bars import read_bar_list
from models.plan_form import PLAN
from models.plan_references import settled
from models.yaml_reader import Fault, Faults, read_document


@dataclass(frozen=True)
class Faulty:
    """A file that could not be taken, and everything wrong in it, from the top down."""

    faults: tuple[Fault, ...]


def read_plan(text: str) -> Plan | Faulty:
    """Read a plan; see the README for its form."""
    faults = Faults()
    document = read_document(text, faults)
    if document is None:
        return Faulty(faults.sorted())
    plan: Plan = settled(PLAN.read(document), document)
    return Faulty(faults.sorted()) if faults.found else plan


def read_bars(text: str) -> tuple[BarCalibration, ...] | Faulty:
    """Read a file of bar calibrations: a list under ``bars``, as in a plan."""
    faults = Faults()
    document = read_document(text, faults)
    if document is None:
        return Faulty(faults.sorted())
    bars = read_bar_list(document, "bars", required=True)
    document.close()
    if not bars and not faults.found:
        document.note(None, "no bar is listed; add one under `bars`")
    return Faulty(faults.sorted()) if faults.found else bars
