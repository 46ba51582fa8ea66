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
def _kept_code(folder: Path) -> str:
    """Folder of the compiled code of one folder's kernels, named after all sources they are compiled from.

    numba looks only at the file of the function itself, so a change in a kernel that others call would leave
    their old code in use; a folder a version of the sources does not. Kernels call those of their own folder
    and of this one.
    """
    here = Path(__file__).parent
    digest = hashlib.sha256()
    for sources in (here, folder) if folder != here else (here,):
        for source in sorted(sources.glob("*.py")):
            digest.update(source.read_bytes())
    digest.update(here.parent.joinpath("units.py").read_bytes())
    home = os.environ.get("XDG_CACHE_HOME") or os.path.join(os.path.expanduser("~"), ".cache")
    return os.path.join(home, "ballgauge", f"{folder.name}-{digest.hexdigest()[:16]}")


def compiled(function: F) -> F:
    """Compile a scalar function to machine code on its first call and keep the code for later starts.

    IEEE results are kept (no fast-math), so that the same input gives the same bytes. Where the code cannot
    be kept on disk (no writable home) the function is compiled in memory at each start.
    """
    options: dict[str, Any] = {"nogil": True, "error_model": "numpy"}
    settings: Any = numba.config
    before = settings.CACHE_DIR
    settings.CACHE_DIR = os.environ.get("NUMBA_CACHE_DIR") or _kept_code(
        Path(function.__code__.co_filename).parent
    )
    try:
        kernel = numba.njit(cache=True, **options)(function)
    except (OSError, RuntimeError):
        kernel = numba.njit(**options)(function)
    finally:
        settings.CACHE_DIR = before
    return cast(F, kernel)
