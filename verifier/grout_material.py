"""Which of the plan's materials is the grout of a stage."""

from __future__ import annotations

from dataclasses import dataclass

from models.materials import Material, MaterialKind
from models.measurement import Problem
from models.plan import Plan


@dataclass(frozen=True)
class GroutChoice:
    """The grout, or why it cannot be told."""

    material: Material | None
    problems: tuple[Problem, ...] = ()


def grout_of(plan: Plan) -> GroutChoice:
    """The one grout that the stages use; where none is listed in a stage, the one grout of the plan."""
    grouts = [m for m in plan.materials if m.kind is MaterialKind.GROUT]
    listed = {name for stage in plan.stages for name in stage.materials}
    used = [m for m in grouts if m.id in listed] or grouts
    if len(used) == 1:
        return GroutChoice(used[0])
    names = ", ".join(m.id for m in used) or "none"
    message = f"The plan must list one grout in its grout stage, with its product's sheet; it has: {names}."
    return GroutChoice(None, (Problem("grout-unclear", message),))
