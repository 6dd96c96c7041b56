"""A plan's file on its way into the record: the plan, the bytes of its file and of the calibrations beside it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from api.errors import StoreError
from api.inputs import load_plan
from api.originals import DamagedOriginalError, MissingOriginalError, Originals
from models.camera import CameraCalibration, camera_from_json
from models.entry import Draft, Entry, sha256_hex
from models.facts import PlanAdopted, draft_of
from models.people import Role
from models.plan import Plan


@dataclass(frozen=True)
class PlanFile:
    """A plan as it was read."""

    plan: Plan
    content: bytes
    cameras: tuple[bytes, ...]
    """Files of camera calibrations, in the order of the plan."""

    @staticmethod
    def read(path: Path) -> PlanFile:
        """Read a plan and the files it names.

        Raises:
            UsageError: it is no plan; the message lists everything wrong.
        """
        loaded = load_plan(str(path))
        cameras = tuple((path.parent / name).read_bytes() for name in loaded.plan.camera_files)
        return PlanFile(loaded.plan, path.read_bytes(), cameras)

    def keep(self, originals: Originals) -> None:
        """Put the files among the originals."""
        for content in (self.content, *self.cameras):
            originals.put(content)

    def adoption(self, author: str, role: Role, at: str) -> Draft:
        """The draft that puts the plan in force; its inputs are its file, then the calibrations in their order."""
        fact = PlanAdopted(self.plan.to_json(), sha256_hex(self.content))
        return draft_of(fact, author, role, at, replaces=tuple(map(sha256_hex, self.cameras)))


def cameras_of(adopted: Entry, originals: Originals) -> tuple[CameraCalibration, ...]:
    """The camera calibrations that came with an adopted plan.

    Raises:
        StoreError: one is lost or damaged.
    """
    try:
        return tuple(camera_from_json(json.loads(originals.get(name))) for name in adopted.inputs[1:])
    except (MissingOriginalError, DamagedOriginalError, ValueError) as wrong:
        raise StoreError(f"a camera calibration of the plan cannot be used: {wrong}") from None
