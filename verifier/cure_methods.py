"""Ways to reckon a cure from logged temperatures, and the time from which grinding may start by them.

Every method that the plan has figures for must be content: the product's table; Nurse-Saul and Arrhenius (ASTM C1074),
each against the table's time at the reference temperature; and the plan's floor.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from models.materials import Material
from models.measurement import BudgetLine, Problem, Quantity
from models.plan import Plan
from verifier.cure_log import TemperatureLog, temperature_shifts
from verifier.events import clock_line
from verifier.maturity import arrhenius_rate, nurse_saul_rate, table_rate
from verifier.tables import time_at

Array = NDArray[np.float64]

LONGEST_CURE_MIN = 14.0 * 24.0 * 60.0
"""No forecast looks further ahead, and a longer time from pour to grinding was told wrongly."""
DRIFT_K = 1.0
"""Standard uncertainty, after an hour, of a temperature taken to stay as it was; grows with the root of time."""
DEFAULT_FLOOR_MIN = 60.0
"""Common practice: never ground within an hour of the pour, where the plan sets no floor."""


@dataclass(frozen=True)
class Method:
    """One way to reckon a cure: what a minute at a temperature brings, and how much is needed."""

    name: str
    rate: Callable[[Array], Array]
    needed: float
    quantity: Quantity | None = None


@dataclass(frozen=True)
class Required:
    """Minutes after the pour from which grinding may start, and its uncertainty; infinite where no end is in sight."""

    time_min: float
    budget: tuple[BudgetLine, ...]
    method: str


def floor_min(material: Material) -> float:
    """The plan's floor, else the usual hour."""
    return material.cure_floor_min or DEFAULT_FLOOR_MIN


def methods_of(material: Material) -> tuple[tuple[Method, ...], tuple[Problem, ...]]:
    """All ways to reckon the cure that the plan has figures for."""
    if not material.cure:
        words = f"The plan gives no cure time for {material.id}: add the table of its product's sheet."
        return (), (Problem("cure-time-unknown", words),)
    found = [Method("the product's table", partial(table_rate, table=material.cure), 1.0)]
    reference = material.reference_temperature_degc
    if reference is None:
        return tuple(found), ()
    needed = time_at(material.cure, reference)
    if needed is None:
        words = f"The cure table of {material.id} does not reach the reference temperature of {reference:g} degC."
        return tuple(found), (Problem("no-cure-at-reference", words),)
    return (*found, *_maturity_methods(material, reference, needed.time_min)), ()


def _maturity_methods(material: Material, reference: float, needed_min: float) -> list[Method]:
    """The two forms of ASTM C1074, where the plan has their constants."""
    energy, datum = material.activation_energy_j_per_mol, material.datum_temperature_degc
    found = []
    if energy is not None:
        arrhenius = partial(arrhenius_rate, activation_energy_j_per_mol=energy, reference_degc=reference)
        found.append(Method("equivalent age (Arrhenius)", arrhenius, needed_min, Quantity.EQUIVALENT_AGE))
    if datum is not None and datum < reference:
        nurse_saul = partial(nurse_saul_rate, datum_degc=datum, reference_degc=reference)
        quantity = Quantity.EQUIVALENT_AGE_NURSE_SAUL
        found.append(Method("equivalent age (Nurse-Saul)", nurse_saul, needed_min, quantity))
    return found


def progress(method: Method, log: TemperatureLog, until_min: float, shift: float = 0.0) -> float:
    """What the time from the pour's end to a minute brings by a method."""
    grid = _grid(until_min)
    middle = 0.5 * (grid[1:] + grid[:-1])
    return float(np.sum(method.rate(log.at(middle, shift)) * np.diff(grid)))


def _grid(until_min: float) -> Array:
    """Minutes from the pour's end to a time, at most one minute apart."""
    return np.linspace(0.0, until_min, max(math.ceil(until_min), 1) + 1)


def required_time(
    plan: Plan, material: Material, methods: Sequence[Method], log: TemperatureLog, is_past: bool
) -> Required:
    """When every method is content, and the floor with it."""
    slowest = max(methods, key=lambda m: reached(m, log))
    time_min = reached(slowest, log)
    floor = floor_min(material)
    if not math.isfinite(time_min):
        return Required(math.inf, (), slowest.name)
    if time_min <= floor:
        return Required(floor, (clock_line(plan),), "the plan's floor")
    lines = [BudgetLine(name, _change(slowest, log, time_min, _colder_by(u))) for name, u in temperature_shifts(log)]
    ahead = BudgetLine(_drift_name(is_past), _change(slowest, log, time_min, _drift(log)))
    return Required(time_min, (*lines, ahead, clock_line(plan)), slowest.name)


def _colder_by(u: float) -> Callable[[Array], Array]:
    """All temperatures lower by u."""
    return lambda minute: np.full(minute.shape, -u)


def _drift_name(is_past: bool) -> str:
    return "temperature after the last one logged" + ("" if is_past else ", taken to stay")


def _drift(log: TemperatureLog) -> Callable[[Array], Array]:
    """How much colder it may have become after the last logged temperature."""
    return lambda minute: -DRIFT_K * np.sqrt(np.maximum(minute - log.at_min[-1], 0.0) / 60.0)


def _change(method: Method, log: TemperatureLog, time_min: float, shift: Callable[[Array], Array]) -> float:
    """How much later the method is content when it is colder by a shift; both ways alike, where never is in sight."""
    later = reached(method, log, shift)
    if math.isfinite(later):
        return abs(later - time_min)
    return abs(time_min - reached(method, log, lambda minute: -shift(minute)))


def reached(method: Method, log: TemperatureLog, shift: Callable[[Array], Array] | None = None) -> float:
    """Minutes after the pour's end at which a method has what it needs; infinite where it never has."""
    last = max(float(log.at_min[-1]), 0.0)
    grid = _grid(last + 24.0 * 60.0)
    middle = 0.5 * (grid[1:] + grid[:-1])
    rate = method.rate(log.at(middle, 0.0 if shift is None else shift(middle)))
    gained = np.concatenate([[0.0], np.cumsum(rate * np.diff(grid))])
    if gained[-1] >= method.needed:
        return float(np.interp(method.needed, *_rising(gained, grid)))
    # A day past the last temperature nothing is known to change: the rest at the last rate.
    slow = float(rate[-1])
    more = (method.needed - gained[-1]) / slow if slow > 0.0 else math.inf
    return grid[-1] + more if more < LONGEST_CURE_MIN else math.inf


def _rising(gained: Array, grid: Array) -> tuple[Array, Array]:
    """Without the stretches in which nothing is gained, so that it can be read the other way round."""
    keep = np.concatenate([[True], np.diff(gained) > 0.0])
    return gained[keep], grid[keep]
