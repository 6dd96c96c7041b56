"""What stops a command: the command line or a file that goes with it is wrong."""

from __future__ import annotations


class UsageError(Exception):
    """The command cannot start; exit status 2. The message says what to do."""


EXIT_OK, EXIT_UNUSABLE, EXIT_USAGE = 0, 1, 2
