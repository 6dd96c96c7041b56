"""The plan: what a project builds, what is asked of it, and by which means it is measured."""

from __future__ import annotations

from dataclasses import dataclass

from models.bar import BarCalibration
from models.tolerance import DecisionRule, Tolerance


@dataclass(frozen=True)
class Sensor:
    """One strip in one lane; nominal dimensions, None where the plan leaves them open."""

    id: str
    width_mm: float | None = None
    length_mm: float | None = None
    slot_width_mm: float | None = None


@dataclass(frozen=True)
class Lane:
    """One lane of a site and the sensors in it."""

    id: str
    sensors: tuple[Sensor, ...]


@dataclass(frozen=True)
class Site:
    """One place on a road."""

    id: str
    name: str
    lanes: tuple[Lane, ...]


@dataclass(frozen=True)
class Plan:
    """A whole plan, read and found consistent."""

    project: str
    version: str
    sites: tuple[Site, ...] = ()
    tolerances: tuple[Tolerance, ...] = ()
    rule: DecisionRule = DecisionRule()
    bars: tuple[BarCalibration, ...] = ()
    camera_files: tuple[str, ...] = ()
    """Files of camera calibrations, relative to the plan's folder."""

    def sensors(self) -> dict[str, Sensor]:
        """All sensors by their full name, ``site/lane/sensor``."""
        return {
            f"{site.id}/{lane.id}/{sensor.id}": sensor
            for site in self.sites
            for lane in site.lanes
            for sensor in lane.sensors
        }

    def find_sensor(self, name: str) -> Sensor:
        """The sensor of this full name, or of the end of it where only one sensor has that end (``A``, ``2/A``).

        Raises:
            LookupError: no sensor, or more than one, goes by that name; the message lists those there are.
        """
        found = [s for full, s in self.sensors().items() if f"/{full}".endswith(f"/{name}")]
        if len(found) == 1:
            return found[0]
        trouble = "no sensor" if not found else "more than one sensor"
        known = ", ".join(self.sensors()) or "none"
        raise LookupError(f"{trouble} of the plan is called {name!r}; the plan has: {known}")
