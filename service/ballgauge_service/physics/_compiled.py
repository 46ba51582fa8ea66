"""The compiler of the numeric kernels, with the types of the functions kept for the type checker."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar, cast

import numba

_KERNEL_FOLDERS = ("designs", "motions", "physics")

F = TypeVar("F", bound=Callable[..., object])


def _kept_code() -> str:
    """Folder of the compiled code, named after all kernel sources.

    numba looks only at the file of the function itself, so a change in a kernel that others call would leave
    their old code in use; a folder a version of the sources does not.
    """
    digest = hashlib.sha256()
    service = Path(__file__).parents[1]
    for folder in _KERNEL_FOLDERS:
        for source in sorted(service.joinpath(folder).rglob("*.py")):
            digest.update(source.read_bytes())
    digest.update(service.joinpath("units.py").read_bytes())
    home = os.environ.get("XDG_CACHE_HOME") or os.path.join(os.path.expanduser("~"), ".cache")
    return os.path.join(home, "ballgauge", digest.hexdigest()[:16])


_FOLDER = os.environ.get("NUMBA_CACHE_DIR") or _kept_code()


def compiled(function: F) -> F:
    """Compile a scalar function to machine code on its first call and keep the code for later starts.

    IEEE results are kept (no fast-math), so that the same input gives the same bytes. Where the code cannot
    be kept on disk (no writable home) the function is compiled in memory at each start.
    """
    options: dict[str, Any] = {"nogil": True, "error_model": "numpy"}
    settings: Any = numba.config
    before = settings.CACHE_DIR
    settings.CACHE_DIR = _FOLDER
    try:
        kernel = numba.njit(cache=True, **options)(function)
    except (OSError, RuntimeError):
        kernel = numba.njit(**options)(function)
    finally:
        settings.CACHE_DIR = before
    return cast(F, kernel)
