"""Flushness after grinding: heights over the pavement along the sensor, and a straightedge in the direction of travel.

- ``proud_height``: largest height over the pavement anywhere along the sensor, below 0 where all lies lower.
- ``low_height``: largest depth below the pavement, below 0 where all stands proud.
- ``height_step``: largest difference between neighbouring stations.
- ``height_evenness``: minimum-zone straightness (ISO 12780-1) of the heights at the stations along the sensor.
- ``straightedge_gap``: largest gap under a straightedge of 3 m (EN 13036-7) simulated on the profile in the direction
  of travel, the worst of the lines that were read.

Only the last pass of grinding counts. All come from the profiles that the readings allow (`verifier.profile_draws`), so
that the reading errors neither raise a maximum nor pass for roughness.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from models.measurement import BudgetLine, Estimate, Measurement, Problem, Quantity, Verdict
from models.plan import Plan, Sensor
from models.readings import Reading, ReadingKind
from models.units import Dimension, show
from verifier.profile import minimum_zone_width
from verifier.profile_draws import Draws, draw, estimate, shared_lines
from verifier.profile_extremes import ProfileReadings, greatest, least, profile_readings
from verifier.readings import Number, of_kind, propagate, take
from verifier.straightedge import STRAIGHTEDGE_MM, straightedge_gap
from verifier.worked import Worked

Array = NDArray[np.float64]

GROUND_ROUGHNESS_MM = 0.1
"""Prior: how much the height of a ground surface changes over 100 mm (from memory)."""
TRAVEL_ROUGHNESS_MM = 0.3
"""Prior: the same for the pavement beside it in the direction of travel (from memory)."""
ZONE_DRAWS = 500
"""The zone is worked out one profile at a time; so many are enough for its spread."""


def flushness(plan: Plan, sensor: Sensor, readings: Sequence[Reading]) -> Worked:
    """Heights along the sensor after the last pass."""
    profile = last_pass_profile(plan, sensor, readings)
    if not profile.numbers:
        return Worked(problems=profile.problems)
    draws = profile.draws(GROUND_ROUGHNESS_MM)
    lowest = least(Quantity.LOW_HEIGHT, draws)
    estimates = [greatest(Quantity.PROUD_HEIGHT, draws), replace(lowest, value=-lowest.value)]
    if len({n.station_mm for n in profile.numbers}) > 1:
        estimates += [height_step(draws), evenness(draws)]
    return Worked(tuple(estimates), profile.problems, profile.remarks, used=profile.readings())


def last_pass_profile(plan: Plan, sensor: Sensor, readings: Sequence[Reading]) -> ProfileReadings:
    """Heights along the sensor after the last pass of grinding that was read."""
    heights = last_pass(of_kind(readings, ReadingKind.SURFACE_HEIGHT))
    return profile_readings(plan, sensor, heights, ReadingKind.SURFACE_HEIGHT)


def last_pass(readings: Sequence[Reading]) -> tuple[Reading, ...]:
    """The readings of the highest pass number; a reading without one counts as pass 0."""
    latest = max((r.pass_number or 0 for r in readings), default=0)
    return tuple(r for r in readings if (r.pass_number or 0) == latest)


def height_step(draws: Draws) -> Estimate:
    """Largest step between neighbouring stations."""
    steps = np.abs(np.diff(draws.at_stations, axis=1))
    worst = int(steps.mean(axis=0).argmax())
    pair = (draws.numbers[worst], draws.numbers[worst + 1])
    return _without_between(Quantity.HEIGHT_STEP, steps.max(axis=1), shared_lines(draws, pair))


def evenness(draws: Draws) -> Estimate:
    """Minimum-zone straightness of the heights at the stations."""
    stations = np.array([n.station_mm for n in draws.numbers])
    zones = np.array([minimum_zone_width(np.column_stack([stations, row])) for row in draws.at_stations[:ZONE_DRAWS]])
    ordered = sorted(draws.numbers, key=lambda n: n.value)
    return _without_between(Quantity.HEIGHT_EVENNESS, zones, shared_lines(draws, (ordered[-1], ordered[0])))


def _without_between(quantity: Quantity, wanted: Array, common: tuple[BudgetLine, ...]) -> Estimate:
    """An estimate that is defined at the stations alone."""
    return estimate(quantity, wanted, wanted, common, "what lies between the stations")


@dataclass(frozen=True)
class TravelLine:
    """One line of heights in the direction of travel, at one station along the sensor."""

    station_mm: float
    numbers: tuple[Number, ...]
    """Heights; the station of each is its position in the direction of travel."""


def evenness_of_travel(plan: Plan, readings: Sequence[Reading]) -> Worked:
    """Straightedge over the profile in the direction of travel: the worst line of the last pass."""
    lines, problems = travel_lines(plan, last_pass(of_kind(readings, ReadingKind.PROFILE_HEIGHT)))
    usable = [line for line in lines if len({n.station_mm for n in line.numbers}) >= 3]
    short = tuple(_too_few(plan, line) for line in lines if line not in usable)
    if not usable:
        return Worked(problems=(*problems, *short))
    worst = max((_gap(line) for line in usable), key=lambda e: e.value)
    remarks = tuple(x for line in usable for x in _reach(plan, line))
    used = tuple(n.reading for line in usable for n in line.numbers)
    return Worked((worst,), (*problems, *short), tuple(dict.fromkeys(remarks)), used=used)


def travel_lines(plan: Plan, readings: Sequence[Reading]) -> tuple[tuple[TravelLine, ...], tuple[Problem, ...]]:
    """Heights sorted into lines, each in the order of travel."""
    taken = take(plan, readings, ReadingKind.PROFILE_HEIGHT)
    lines: dict[float, list[Number]] = {}
    problems = list(taken.problems)
    for number in taken.numbers:
        travel = number.reading.value("travel")
        form = number.reading.form.field("travel")
        if travel is None or form is None or not form.lowest <= travel <= form.highest:
            problems.append(_no_travel(number))
            continue
        moved = replace(number, reading=replace(number.reading, station_mm=travel))
        lines.setdefault(number.station_mm, []).append(moved)
    ordered = sorted(lines.items())
    return tuple(TravelLine(s, tuple(sorted(n, key=lambda x: x.station_mm))) for s, n in ordered), tuple(problems)


def _no_travel(number: Number) -> Problem:
    words = "say where in the direction of travel it was read, within 10 m of the sensor; it is left out until then."
    return Problem("travel-missing", f"{number.reading.named()}: {words}")


def _too_few(plan: Plan, line: TravelLine) -> Problem:
    where = show(line.station_mm, Dimension.LENGTH, plan.units)
    words = f"Line at station {where}: a straightedge needs heights at three places in the direction of travel,"
    return Problem("profile-too-short", f"{words} before, on and after the sensor.")


def _reach(plan: Plan, line: TravelLine) -> tuple[Problem, ...]:
    """A profile shorter than the straightedge cannot show what the whole edge would."""
    reach = line.numbers[-1].station_mm - line.numbers[0].station_mm
    if reach >= STRAIGHTEDGE_MM:
        return ()
    where, long, edge = (show(x, Dimension.LENGTH, plan.units) for x in (line.station_mm, reach, STRAIGHTEDGE_MM))
    words = f"The profile at station {where} is {long} long, shorter than the straightedge of {edge}: only gaps within"
    return (Problem("profile-shorter-than-edge", f"{words} it are seen."),)


def _gap(line: TravelLine) -> Estimate:
    # Readings at one place are two looks at one height: their draws all but agree, and one of them stands for it.
    position, columns = np.unique([n.station_mm for n in line.numbers], return_index=True)
    draws = draw(line.numbers, (float(position[0]), float(position[-1])), TRAVEL_ROUGHNESS_MM)
    gaps = straightedge_gap(position, draws.at_stations[:, columns])
    # What the gauge's calibration adds: the edge rests on two heights and the gap is theirs less a third.
    third = draws.numbers[int(np.argmin(draws.at_stations.mean(axis=0)))]
    common = propagate([(0.5, draws.numbers[0]), (0.5, draws.numbers[-1]), (-1.0, third)])[1:]
    return _without_between(Quantity.STRAIGHTEDGE_GAP, gaps, common)


def advice(plan: Plan, measurements: Sequence[Measurement], profile: ProfileReadings) -> tuple[Problem, ...]:
    """Another pass, or done: what the verdicts on the heights mean for the crew."""
    judged = {m.estimate.quantity: m.judgement.verdict for m in measurements if m.judgement is not None}
    if not judged or not profile.numbers:
        return ()
    if judged.get(Quantity.LOW_HEIGHT) is Verdict.NONCONFORMING:
        low = min(profile.numbers, key=lambda n: n.value)
        words = f"Too low at {_place(plan, low)}: grinding does not help; ask the inspector."
        return (Problem("too-low", words),)
    if all(verdict is Verdict.CONFORMING for verdict in judged.values()):
        words = "The heights are within the plan's limits: they need no more grinding."
        return (Problem("grinding-done", words),)
    high = max(profile.numbers, key=lambda n: n.value)
    words = f"Not yet shown flush: highest at {_place(plan, high)}. Grind another pass"
    return (Problem("another-pass", f"{words} there and read the heights again, or read at more stations."),)


def _place(plan: Plan, number: Number) -> str:
    station, height = (show(x, Dimension.LENGTH, plan.units, 4) for x in (number.station_mm, number.value))
    return f"station {station} ({height} over the pavement)"
