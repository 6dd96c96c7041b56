"""One decorator for all kernels, and a compile cache that notices when any kernel file has changed.

Numba's own cache looks only at the file of the function it compiles, not at the files of the functions that one calls;
here the cache folder is named after the text of every kernel module, so a stale kernel is never run.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numba

_KERNELS = ("_jit.py", "noise.py", "layers.py", "pavement.py", "marks.py", "channel.py", "lighting.py", "trace.py")


def _cache_folder() -> Path:
    here = Path(__file__).parent
    digest = hashlib.sha256()
    for name in _KERNELS:
        path = here / name
        digest.update(path.read_bytes() if path.exists() else b"-")
    base = Path(os.environ.get("XDG_CACHE_HOME", Path(tempfile.gettempdir())))
    return base / "road-scene-kernels" / digest.hexdigest()[:16]


numba.config.CACHE_DIR = str(_cache_folder())  # type: ignore[attr-defined]

# No reference counting inside kernels (they allocate nothing), and every kernel inlined into its caller: a scene is a
# record of some 150 numbers and arrays, and copying it from call to call took half the time.
_OPTIONS: dict[str, Any] = {
    "cache": True,
    "fastmath": {"nsz", "arcp", "contract", "afn"},
    "nogil": True,
    "error_model": "numpy",
    "_nrt": False,
    "forceinline": True,
}

jit: Callable[..., Any] = numba.njit(**_OPTIONS)
