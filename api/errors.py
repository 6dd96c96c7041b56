"""What stops a command, each with its exit status; one place (`api.cli.main`) renders them all."""

from __future__ import annotations

EXIT_OK, EXIT_UNUSABLE, EXIT_USAGE = 0, 1, 2
EXIT_REFUSED = EXIT_UNUSABLE


class CommandError(Exception):
    """A command ends here; the message says why and what to do."""

    exit_status = EXIT_REFUSED


class UsageError(CommandError):
    """The command line, or a file that goes with it, is wrong."""

    exit_status = EXIT_USAGE


class RefusedError(CommandError):
    """The record does not take what was told: nothing was stored."""


class StoreError(CommandError):
    """The database or the originals cannot be used, or are not what they were."""
