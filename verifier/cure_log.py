"""The grout's temperatures after the pour, as far as they were logged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from models.measurement import Problem
from models.plan import Plan
from models.readings import Reading, ReadingKind
from verifier.events import minutes
from verifier.readings import Number, take

Array = NDArray[np.float64]

LONGEST_GAP_MIN = 60.0
"""Temperatures further apart leave the cure between them to guesswork."""


@dataclass(frozen=True)
class TemperatureLog:
    """The grout's temperature after the pour: minutes since its end, and degrees Celsius."""

    at_min: Array
    degc: Array
    numbers: tuple[Number, ...]

    def at(self, minute: Array, shift: Array | float = 0.0) -> Array:
        """Temperature at minutes after the pour: straight between logged ones, held before and after them."""
        return np.asarray(np.interp(minute, self.at_min, self.degc) + shift)


def temperature_log(
    plan: Plan, readings: Sequence[Reading], poured: datetime
) -> tuple[TemperatureLog, tuple[Problem, ...]]:
    """The grout's temperatures from the end of the pour on; without any, the pavement's or the air's last one."""
    taken = take(plan, readings, ReadingKind.GROUT_TEMPERATURE)
    timed = _after(taken.numbers, poured)
    if timed:
        return _log(timed, poured), (*taken.problems, *_gaps(timed, poured))
    for kind in (ReadingKind.PAVEMENT_TEMPERATURE, ReadingKind.AIR_TEMPERATURE):
        others = [n for n in take(plan, readings, kind).numbers if n.reading.at is not None]
        if others:
            last = max(others, key=lambda n: n.reading.at or poured)
            return _log([last], poured), (*taken.problems, _stand_in(kind))
    words = "Log the grout's temperature after the pour: how long it must cure depends on it."
    return TemperatureLog(np.empty(0), np.empty(0), ()), (*taken.problems, Problem("temperature-missing", words))


def _after(numbers: Sequence[Number], poured: datetime) -> list[Number]:
    """Numbers with a time from a quarter of an hour before the pour's end on, in the order of time."""
    start = poured - timedelta(minutes=15)
    timed = [n for n in numbers if n.reading.at is not None and n.reading.at >= start]
    return sorted(timed, key=lambda n: n.reading.at or start)


def _log(numbers: Sequence[Number], poured: datetime) -> TemperatureLog:
    at = np.array([minutes(poured, n.reading.at or poured) for n in numbers])
    return TemperatureLog(at, np.array([n.value for n in numbers]), tuple(numbers))


def _stand_in(kind: ReadingKind) -> Problem:
    word = kind.replace("-", " ")
    return Problem("temperature-stand-in", f"No grout temperature is logged; the {word} stands in for it. Log it.")


def _gaps(numbers: Sequence[Number], poured: datetime) -> tuple[Problem, ...]:
    """A problem where temperatures are too far apart to know the cure between them."""
    at = [0.0, *(minutes(poured, n.reading.at or poured) for n in numbers)]
    widest = max(b - a for a, b in pairwise(at))
    if widest <= LONGEST_GAP_MIN:
        return ()
    words = f"No temperature was logged for {widest:.0f} min: log it at least every {LONGEST_GAP_MIN:g} min."
    return (Problem("temperature-gap", words),)


def temperature_shifts(log: TemperatureLog) -> tuple[tuple[str, float], ...]:
    """By how much all temperatures may be off together [K]."""
    calibration = max(n.calibration_u for n in log.numbers)
    resolution = max(n.resolution_u for n in log.numbers)
    return ("calibration of the thermometer", calibration), ("resolution of the thermometer", resolution)
