"""The compiler of the numeric kernels, with the types of the functions kept for the type checker."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any, TypeVar, cast

import numba

F = TypeVar("F", bound=Callable[..., object])


@lru_cache
def _kept_code(capability: str) -> str:
    """Folder of the compiled code of one capability, named after all sources that it is compiled from.

    numba looks only at the file of the function itself, so a change in a kernel that others call would leave
    their old code in use; a folder a version of the sources does not. Kernels call those of their own
    capability and of the physics.
    """
    core = Path(__file__).parent
    sources = [core / "compiled.py", core / "units.py"]
    for folder in dict.fromkeys(("physics", capability)):
        sources += sorted((core.parent / folder).rglob("*.py"))
    digest = hashlib.sha256()
    for source in sources:
        digest.update(source.read_bytes())
    home = os.environ.get("XDG_CACHE_HOME") or os.path.join(os.path.expanduser("~"), ".cache")
    return os.path.join(home, "ballgauge", f"{capability}-{digest.hexdigest()[:16]}")


def compiled(function: F) -> F:
    """Compile a scalar function to machine code on its first call and keep the code for later starts.

    IEEE results are kept (no fast-math), so that the same input gives the same bytes. Where the code cannot
    be kept on disk (no writable home) the function is compiled in memory at each start.
    """
    options: dict[str, Any] = {"nogil": True, "error_model": "numpy"}
    settings: Any = numba.config
    before = settings.CACHE_DIR
    settings.CACHE_DIR = os.environ.get("NUMBA_CACHE_DIR") or _kept_code(function.__module__.split(".")[1])
    try:
        kernel = numba.njit(cache=True, **options)(function)
    except (OSError, RuntimeError):
        kernel = numba.njit(**options)(function)
    finally:
        settings.CACHE_DIR = before
    return cast(F, kernel)
