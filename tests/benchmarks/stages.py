"""How often value ± U of the stages' computations holds the truth, over simulated floors, surfaces and layouts.

    python -m tests.benchmarks.stages

Each line is one shape of the truth and one number of stations: in how many per cent of the cases the truth lay within
U, mean U, and mean error, beside the error of who takes the least and greatest reading for the truth. For tape
triangles, with and without one side read wrongly: how often the blunder was named, how often the wrong one.

Shapes are ours: walks (the change over 100 mm has the standard deviation in the name), sines, steps, flat ones, and
surfaces rough within a few centimetres, which stations further apart do not see. Seeds are fixed.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from models.instruments import Instrument, InstrumentKind
from models.measurement import Quantity
from models.plan import Plan, Sensor
from models.readings import Reading, ReadingKind
from models.units import Dimension
from verifier.depth import slot_depth
from verifier.flushness import evenness_of_travel, flushness
from verifier.profile import minimum_zone_width
from verifier.squareness import squareness
from verifier.straightedge import straightedge_gap
from verifier.worked import Worked

Array = NDArray[np.float64]
Rng = np.random.Generator
Shape = Callable[[Rng, Array], Array]

LENGTH_MM = 1750
SENSOR = Sensor("A", 60.0, float(LENGTH_MM), 76.0, slot_depth_mm=60.0)
FOOT_MM = 304.8


@dataclass
class Tally:
    """Cases of one line, counted."""

    hits: list[bool] = field(default_factory=list)
    reach: list[float] = field(default_factory=list)
    error: list[float] = field(default_factory=list)
    plain_error: list[float] = field(default_factory=list)

    def add(self, worked: Worked, quantity: Quantity, truth: float, plain: float = np.nan) -> None:
        """One case: what was worked out, the truth, and what the readings alone would say."""
        estimate = worked.estimate(quantity)
        assert estimate is not None
        self.hits.append(abs(estimate.value - truth) <= estimate.expanded_uncertainty)
        self.reach.append(estimate.expanded_uncertainty)
        self.error.append(estimate.value - truth)
        self.plain_error.append(plain - truth)

    def line(self, name: str) -> str:
        """The line of the table."""
        plain = float(np.mean(self.plain_error))
        beside = "" if np.isnan(plain) else f"{plain:>14.3f}"
        return (
            f"{name:<44} {100 * np.mean(self.hits):>8.1f} {np.mean(self.reach):>8.3f} "
            f"{np.mean(self.error):>9.3f} {beside}".rstrip()
        )


HEADING = f"{'':<44} {'held, %':>8} {'mean U':>8} {'error':>9} {'readings alone':>14}"


def main(arguments: Sequence[str] | None = None) -> int:
    """Simulate and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.stages", description=__doc__.split("\n")[0])
    parser.add_argument("--cases", type=int, default=200, help="cases a line (default: 200)")
    cases = parser.parse_args(arguments).cases
    for table in (depth_table, surface_table, travel_table, square_table):
        print("\n".join(table(cases)), flush=True)
        print()
    return 0


def _walk(per_100_mm: float) -> Shape:
    return lambda rng, x: np.asarray(np.cumsum(rng.normal(0, per_100_mm / 10.0, len(x))))


def _rough(rng: Rng, x: Array, least: float, most: float) -> Array:
    noise = gaussian_filter1d(rng.normal(0, 1, len(x)), rng.uniform(15, 60))
    return np.asarray(rng.uniform(least, most) * noise / noise.std(), np.float64)


def _sine(rng: Rng, x: Array, least: float, most: float, waves: tuple[float, float]) -> Array:
    return np.asarray(rng.uniform(least, most) * np.sin(2 * np.pi * x / rng.uniform(*waves) + rng.uniform(0, 6.3)))


def _step(rng: Rng, x: Array, most: float) -> Array:
    return np.asarray(rng.uniform(-most, most) * (x > rng.uniform(250, 1500)), np.float64)


FLOORS: dict[str, Shape] = {
    "walk 0.2 mm": _walk(0.2),
    "walk 0.7 mm": _walk(0.7),
    "walk 2 mm": _walk(2.0),
    "sine": lambda rng, x: _sine(rng, x, 0.3, 2.0, (300, 2500)),
    "flat": lambda rng, x: np.full(len(x), rng.uniform(-1, 1)),
    "step": lambda rng, x: _step(rng, x, 3.0),
    "rough": lambda rng, x: _rough(rng, x, 0.3, 1.0),
}
SURFACES: dict[str, Shape] = {
    "walk 0.1 mm": _walk(0.1),
    "walk 0.3 mm": _walk(0.3),
    "sine": lambda rng, x: _sine(rng, x, 0.05, 0.5, (400, 3000)),
    "flat": lambda rng, x: np.full(len(x), rng.uniform(-0.2, 0.2)),
    "step": lambda rng, x: _step(rng, x, 0.6),
    "rough": lambda rng, x: _rough(rng, x, 0.05, 0.2),
}
PAVEMENTS: dict[str, Shape] = {
    "flat": lambda _, x: np.zeros(len(x)),
    "walk": lambda rng, x: np.asarray(gaussian_filter1d(_walk(0.3)(rng, x), 20)),
    "bump": lambda rng, x: rng.uniform(0.1, 2) * np.exp(-((x / rng.uniform(40, 200)) ** 2)),
    "joint": lambda rng, x: rng.uniform(-0.5, 0.5) * (np.abs(x) < 40) + rng.uniform(-0.001, 0.001) * x,
}


def _plan(kind: InstrumentKind, resolution: float, u: float, per_metre: float = 0.0) -> Plan:
    return Plan("P", "1", instruments=(Instrument("i", kind, Dimension.LENGTH, resolution, u, per_metre=per_metre),))


GAUGE = _plan(InstrumentKind.DEPTH_GAUGE, 0.5, 0.1)
FEELER = _plan(InstrumentKind.FEELER, 0.05, 0.02)
TAPE = _plan(InstrumentKind.TAPE, 1.0, 0.5, 0.1)


def _read(rng: Rng, truth: Array, step: float, calibration: float) -> Array:
    """What an instrument shows: its calibration is off by one error for all readings, then each is rounded."""
    return np.asarray(np.round((truth + rng.normal(0, calibration)) / step) * step)


def _readings(kind: ReadingKind, stations: Array, values: Array, number: int | None = None) -> list[Reading]:
    pairs = zip(stations, values, strict=True)
    return [Reading(kind, (("value", float(v)),), float(s), number, instrument="i") for s, v in pairs]


def _stations(count: int) -> Array:
    return np.asarray(np.linspace(0, LENGTH_MM, count).round())


def depth_table(cases: int) -> Iterable[str]:
    """Least and greatest depth and their difference, mm."""
    yield "Slot depth at 6, 9 and 15 stations, gauge of 0.5 mm steps"
    yield HEADING
    x = np.arange(0, LENGTH_MM + 1.0)
    for name, shape in FLOORS.items():
        for count in (6, 9, 15):
            rng, tallies = np.random.default_rng(1), {quantity: Tally() for quantity in _depths(x)}
            for _ in range(cases):
                floor, stations = 60.0 + shape(rng, x), _stations(count)
                read = _read(rng, floor[stations.astype(int)], 0.5, 0.1)
                worked = slot_depth(GAUGE, SENSOR, _readings(ReadingKind.SLOT_DEPTH, stations, read))
                plain = _depths(read)
                for quantity, truth in _depths(floor).items():
                    tallies[quantity].add(worked, quantity, truth, plain[quantity])
            yield from (tally.line(f"{quantity} {name}, {count}") for quantity, tally in tallies.items())


def _depths(of: Array) -> dict[Quantity, float]:
    return {
        Quantity.SLOT_DEPTH_MIN: float(of.min()),
        Quantity.SLOT_DEPTH_MAX: float(of.max()),
        Quantity.FLOOR_VARIATION: float(np.ptp(of)),
    }


def surface_table(cases: int) -> Iterable[str]:
    """Heights along the sensor, mm."""
    yield "Heights after grinding at 7 and 15 stations, feeler of 0.05 mm steps"
    yield HEADING
    x = np.arange(0, LENGTH_MM + 1.0)
    for name, shape in SURFACES.items():
        for count in (7, 15):
            rng, tallies = np.random.default_rng(1), {quantity: Tally() for quantity in _surface_truth(x, x[:2])}
            for _ in range(cases):
                surface, stations = shape(rng, x), _stations(count)
                read = _read(rng, surface[stations.astype(int)], 0.05, 0.02)
                worked = flushness(FEELER, SENSOR, _readings(ReadingKind.SURFACE_HEIGHT, stations, read, 0))
                for quantity, truth in _surface_truth(surface, stations).items():
                    tallies[quantity].add(worked, quantity, truth)
            yield from (tally.line(f"{quantity} {name}, {count}") for quantity, tally in tallies.items())


def _surface_truth(surface: Array, stations: Array) -> dict[Quantity, float]:
    at = surface[stations.astype(int)]
    return {
        Quantity.PROUD_HEIGHT: float(surface.max()),
        Quantity.LOW_HEIGHT: float(-surface.min()),
        Quantity.HEIGHT_STEP: float(np.abs(np.diff(at)).max()),
        Quantity.HEIGHT_EVENNESS: minimum_zone_width(np.column_stack([stations, at])),
    }


def travel_table(cases: int) -> Iterable[str]:
    """Gap under a straightedge in the direction of travel, mm."""
    yield "Straightedge over a profile of 3 m read at 7, 13 and 25 places, feeler of 0.05 mm steps"
    yield HEADING
    x = np.arange(-1500, 1501, 1.0)
    for name, shape in PAVEMENTS.items():
        for count in (7, 13, 25):
            rng, tally = np.random.default_rng(2), Tally()
            for _ in range(cases):
                places = np.linspace(-1500, 1500, count).round()
                at = shape(rng, x)[(places + 1500).astype(int)]
                truth = float(straightedge_gap(places, at[None, :])[0])
                worked = evenness_of_travel(FEELER, _travel(places, _read(rng, at, 0.05, 0.02)))
                tally.add(worked, Quantity.STRAIGHTEDGE_GAP, truth)
            yield tally.line(f"{Quantity.STRAIGHTEDGE_GAP} {name}, {count}")


def _travel(places: Array, heights: Array) -> list[Reading]:
    pairs = zip(places, heights, strict=True)
    return [
        Reading(ReadingKind.PROFILE_HEIGHT, (("value", float(h)), ("travel", float(p))), 875.0, 0, instrument="i")
        for p, h in pairs
    ]


THREE = ((3 * FOOT_MM, 4 * FOOT_MM), (6 * FOOT_MM, 8 * FOOT_MM), (9 * FOOT_MM, 12 * FOOT_MM))
FIVE = (*THREE, (3 * FOOT_MM, 8 * FOOT_MM), (6 * FOOT_MM, 12 * FOOT_MM))


def square_table(cases: int) -> Iterable[str]:
    """Angle of tape triangles, deg."""
    yield "Squareness from tape triangles, deg; marks set within 0.5 mm (k = 1), a tape of 1 mm steps"
    yield f"{HEADING[:-15]} {'named, %':>9} {'wrongly, %':>11} {'no value, %':>12}"
    for sizes in (THREE[:1], THREE, FIVE):
        yield _square_line(cases, sizes, 0.0)
    for sizes in (THREE, FIVE):
        for blunder_mm in (5.0, 10.0, 20.0, 50.0, 100.0):
            yield _square_line(cases, sizes, blunder_mm)


def _square_line(cases: int, sizes: Sequence[tuple[float, float]], blunder_mm: float) -> str:
    rng, tally = np.random.default_rng(1), Tally()
    named = wrongly = without = 0
    for _ in range(cases):
        angle, bad = 90.0 + rng.normal(0, 0.5), int(rng.integers(len(sizes)))
        worked = squareness(TAPE, SENSOR, _triangles(rng, sizes, angle, bad, blunder_mm))
        told = [p.message for p in worked.problems if p.code == "triangle-blunder"]
        named += bool(told)
        wrongly += bool(told) and (len(told) > 1 or not told[0].startswith(f"Triangle {bad + 1} ") or not blunder_mm)
        if worked.estimate(Quantity.SQUARENESS) is None:
            without += 1
        else:
            tally.add(worked, Quantity.SQUARENESS, angle)
    rates = "".join(f" {100 * n / cases:>{w}.1f}" for n, w in ((named, 9), (wrongly, 11), (without, 12)))
    return tally.line(f"{len(sizes)} triangles, one off by {blunder_mm:g} mm") + rates


def _triangles(
    rng: Rng, sizes: Sequence[tuple[float, float]], angle_deg: float, bad: int, blunder_mm: float
) -> list[Reading]:
    """Marks set with a tape along both lines, diagonals read; one of them wrong by the blunder."""
    scale, marks, readings = 1 + rng.normal(0, 1e-4), {}, []
    for number, (a, b) in enumerate(sizes):
        for line, distance, direction in (("a", a, 0.0), ("b", b, angle_deg)):
            if (line, distance) not in marks:
                marks[line, distance] = _mark(rng, distance, direction, scale)
        c = float(np.hypot(*(marks["a", a] - marks["b", b]))) / scale + rng.normal(0, 0.5)
        c = round(c) + (blunder_mm * float(rng.choice([-1, 1])) if number == bad else 0.0)
        readings.append(Reading(ReadingKind.TAPE_TRIANGLE, (("a", a), ("b", b), ("c", c)), instrument="i"))
    return readings


def _mark(rng: Rng, distance: float, direction_deg: float, scale: float) -> Array:
    """Where a mark lies that was set at a distance along a line: the tape's error, its step, and off the line."""
    along = (distance - rng.normal(0, 0.5) - rng.uniform(-0.5, 0.5)) * scale
    aside, t = rng.normal(0, 0.5), np.radians(direction_deg)
    return np.array([along * np.cos(t) - aside * np.sin(t), along * np.sin(t) + aside * np.cos(t)])


if __name__ == "__main__":
    raise SystemExit(main())
