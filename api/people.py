"""Who acts: a contact of the plan in one of their roles."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from models.people import Role
from models.permissions import PERMISSIONS, Action
from models.plan import Plan

_USUAL = (Role.CREW, Role.INSPECTOR, Role.MANAGER, Role.AUDITOR)
"""In which role somebody with more than one acts, where nothing else decides."""


@dataclass(frozen=True)
class Person:
    """Who tells something, and in which role."""

    id: str
    role: Role


def in_role_for(plan: Plan, contact: str, action: Action) -> Person:
    """A person in the first of their roles that may do this; where none may, in one that will be refused.

    A plan without contacts takes everybody at their word, in the first role that may do it.
    """
    roles = _roles(plan, contact)
    able = [role for role in roles if action in PERMISSIONS[role]]
    return Person(contact, (able or roles)[0])


def _roles(plan: Plan, contact: str) -> list[Role]:
    own = next((c.roles for c in plan.contacts if c.id == contact), ())
    return [role for role in _USUAL if role in own] or list(_USUAL)


def may(person: Person, action: Action) -> bool:
    """Whether the role may do this."""
    return action in PERMISSIONS[person.role]


def in_whose_name(plan: Plan, authors: Iterable[str], who: Person) -> Person:
    """The first of these authors who may still have something worked out; else whoever acts."""
    contacts = {contact.id for contact in plan.contacts}
    for author in authors:
        person = in_role_for(plan, author, Action.COMPUTE)
        if (author in contacts or not contacts) and may(person, Action.COMPUTE):
            return person
    return who
