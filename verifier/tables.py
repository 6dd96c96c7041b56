"""A product's table of time against temperature, read between its rows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from models.materials import TimeAtTemperature


@dataclass(frozen=True)
class TableTime:
    """A time read from a table, and how far it is to be trusted."""

    time_min: float
    """By a straight line between the rows."""
    curved_min: float
    """By an exponential between the rows: the shorter one."""
    slope_min_per_k: float
    between_rows_u_min: float
    """How far a straight line and a constant rate of change (an exponential) between the rows differ, over √12."""


def time_at(table: Sequence[TimeAtTemperature], temperature_degc: float) -> TableTime | None:
    """Time at a temperature, by straight lines between the rows; None outside the table.

    Times fall with temperature, and the fall slackens: the straight line lies above the true curve, by at most what
    separates it from an exponential through the same rows.
    """
    rows = sorted(table, key=lambda row: row.temperature_degc)
    for row in rows:
        if row.temperature_degc == temperature_degc:
            return TableTime(row.time_min, row.time_min, _slope_near(rows, temperature_degc), 0.0)
    for low, high in pairwise(rows):
        if low.temperature_degc < temperature_degc < high.temperature_degc:
            return _between(low, high, temperature_degc)
    return None


def _between(low: TimeAtTemperature, high: TimeAtTemperature, temperature_degc: float) -> TableTime:
    share = (temperature_degc - low.temperature_degc) / (high.temperature_degc - low.temperature_degc)
    straight = low.time_min + share * (high.time_min - low.time_min)
    curved = math.exp((1.0 - share) * math.log(low.time_min) + share * math.log(high.time_min))
    return TableTime(straight, curved, _slope(low, high), abs(straight - curved) / math.sqrt(12.0))


def _slope(low: TimeAtTemperature, high: TimeAtTemperature) -> float:
    return (high.time_min - low.time_min) / (high.temperature_degc - low.temperature_degc)


def _slope_near(rows: Sequence[TimeAtTemperature], temperature_degc: float) -> float:
    """The steeper of the slopes on both sides of a row; 0 for a table of one row."""
    touching = [
        _slope(low, high)
        for low, high in pairwise(rows)
        if low.temperature_degc <= temperature_degc <= high.temperature_degc
    ]
    return max(touching, key=abs, default=0.0)
