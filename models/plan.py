"""The plan: what a project builds, what is asked of it, and by which means it is measured."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol, TypeVar

from models.bar import BarCalibration
from models.instruments import Instrument
from models.materials import Material
from models.people import Contact
from models.plan_json import as_json, from_json
from models.plan_stages import DEFAULT_STAGES, StagePlan
from models.tolerance import DecisionRule, Tolerance
from models.units import UnitSystem


@dataclass(frozen=True)
class Sensor:
    """One strip in one lane; nominal dimensions, None where the plan leaves them open."""

    id: str
    width_mm: float | None = None
    length_mm: float | None = None
    slot_width_mm: float | None = None
    depth_mm: float | None = None
    """Height of the sensor's body, from its underside to its top."""
    slot_depth_mm: float | None = None
    """Depth of the slot below the pavement, as drawn."""
    marking_offset_mm: float | None = None
    """From the edge of the lane marking to the sensor's first end, as drawn."""
    spacing_mm: float | None = None
    """From the line of the sensor before it in the lane, in the direction of travel; None for the first."""


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
class Closure:
    """A span of time in which lanes are closed to traffic; both ends with their offset from UTC."""

    start: datetime
    end: datetime
    lane: str = ""
    """Full name of the lane, ``site/lane``; empty for all lanes."""


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
    units: UnitSystem = UnitSystem.SI
    """In which units values are shown; the plan itself may mix them."""
    time_zone: str = "UTC"
    """Name in the IANA time zone database, such as ``America/Denver``."""
    contacts: tuple[Contact, ...] = ()
    closures: tuple[Closure, ...] = ()
    instruments: tuple[Instrument, ...] = ()
    materials: tuple[Material, ...] = ()
    tools: tuple[str, ...] = ()
    """What else must be in the van; one line a thing."""
    stages: tuple[StagePlan, ...] = DEFAULT_STAGES
    """In the order of the work."""

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

    def stage(self, stage_id: str) -> StagePlan:
        """The stage of this id.

        Raises:
            LookupError: the plan has no such stage; the message lists those there are.
        """
        return _by_id(self.stages, stage_id, "stage")

    def instrument(self, instrument_id: str) -> Instrument:
        """The instrument of this id; LookupError as for ``stage``."""
        return _by_id(self.instruments, instrument_id, "instrument")

    def material(self, material_id: str) -> Material:
        """The material of this id; LookupError as for ``stage``."""
        return _by_id(self.materials, material_id, "material")

    def contact(self, contact_id: str) -> Contact:
        """The person of this id; LookupError as for ``stage``."""
        return _by_id(self.contacts, contact_id, "contact")

    def to_json(self) -> dict[str, Any]:
        """The whole plan as JSON content, numbers in base units."""
        content: dict[str, Any] = as_json(self)
        return content

    @classmethod
    def from_json(cls, content: Any) -> Plan:
        """The plan that ``to_json`` made the content from.

        Raises:
            ValueError: the content is not of that form; the message names the place.
        """
        return from_json(cls, content)


class _HasId(Protocol):
    @property
    def id(self) -> str: ...


_Thing = TypeVar("_Thing", bound=_HasId)


def _by_id(things: tuple[_Thing, ...], wanted: str, what: str) -> _Thing:
    found = next((thing for thing in things if thing.id == wanted), None)
    if found is None:
        known = ", ".join(thing.id for thing in things) or "none"
        raise LookupError(f"no {what} of the plan is called {wanted!r}; the plan has: {known}")
    return found
