"""Who takes part in a project, and in which role."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Role(StrEnum):
    """What a person does in a project; one person may have more than one role."""

    CREW = "crew"
    INSPECTOR = "inspector"
    AUDITOR = "auditor"
    MANAGER = "manager"


@dataclass(frozen=True)
class Contact:
    """One person of the project."""

    id: str
    """Stands as the author in every entry of the log."""
    name: str
    roles: tuple[Role, ...]
    phone: str = ""
    email: str = ""
