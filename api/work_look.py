"""What a worker does with a file that is to be added: whether it is a photo at all, and what its header claims."""

from __future__ import annotations

import hashlib
from dataclasses import asdict

from api.tasks import Looked
from api.work import read_photo
from models.measurement import Problem
from verifier.photo import look

_NOT_KEPT = frozenset({"orientation"})
"""How the decoder turns the picture is no fact of its capture."""


def look_at(path: str) -> Looked:
    """Read a file's header. Never raises: what goes wrong is a problem in the result."""
    data = read_photo(path)
    if isinstance(data, Problem):
        return Looked(path, "", {}, data)
    facts = look(data)
    if isinstance(facts, Problem):
        return Looked(path, "", {}, facts)
    capture = {name: value for name, value in asdict(facts).items() if value is not None and name not in _NOT_KEPT}
    return Looked(path, hashlib.sha256(data).hexdigest(), capture)
