"""``python -m api`` is the same as ``kerfline``."""

from api.cli import run

run()
