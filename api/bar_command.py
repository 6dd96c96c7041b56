"""``kerfline bar``: a reference bar to print."""

from __future__ import annotations

import argparse
from pathlib import Path

from api.errors import EXIT_OK, UsageError
from models.bar import BarKind
from verifier.barprint import draw_bar_pdf


def run_bar(options: argparse.Namespace) -> int:
    """Draw the bar and say how to check the print."""
    try:
        content = draw_bar_pdf(BarKind(options.kind), options.number, options.tiles)
    except ValueError as wrong:
        raise UsageError(str(wrong)) from None
    try:
        Path(options.out).write_bytes(content)
    except OSError as reason:
        raise UsageError(f"{options.out}: cannot be written ({reason.strerror})") from None
    print(f"{options.out}: {options.kind} bar {options.number}.")
    print("Print at 100 % (no 'fit to page'), then measure the control lengths with a steel rule before use.")
    return EXIT_OK
