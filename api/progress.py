"""A progress bar for a person who waits for a batch."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from typing import TypeVar

T = TypeVar("T")


def with_progress(items: Iterable[T], count: int) -> Iterator[T]:
    """The items as they come, with a bar on standard error where that is a terminal."""
    if count < 2 or not sys.stderr.isatty():
        yield from items
        return
    from tqdm import tqdm

    with tqdm(total=count, unit="photo", file=sys.stderr, leave=False) as bar:
        for item in items:
            bar.clear()
            yield item
            bar.update()
