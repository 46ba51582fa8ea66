"""What must be the same here and on a worker for both to compute the same bits."""

from __future__ import annotations

import hashlib
import math
import platform
from collections.abc import Mapping
from functools import lru_cache
from importlib import metadata
from pathlib import Path

import numpy as np

import ballgauge_schemas
import ballgauge_service

Mark = Mapping[str, str]

_NOT_COMPUTED_WITH = ("web", "pages", "record")
"""Folders of the service that no worker runs."""

_LIBRARIES = ("numpy", "scipy", "numba", "pyarrow")
_POINTS = 4096


@lru_cache(maxsize=1)
def mark() -> Mark:
    """Version and sources of Ballgauge, of Python and the libraries, and what the processor makes of curves.

    The last is a digest of elementary functions: libraries choose their code by processor, and some round
    otherwise in the last bit.
    """
    return {
        "ballgauge": metadata.version("ballgauge"),
        "sources": _sources(),
        "python": ".".join(platform.python_version_tuple()[:2]),
        **{name: metadata.version(name) for name in _LIBRARIES},
        "arithmetic": _arithmetic(),
    }


def differences(theirs: Mark) -> str:
    """What another process has otherwise than this one, in words; empty where nothing."""
    ours = mark()
    return ", ".join(
        f"{name} {theirs.get(name, 'none')} in place of {ours[name]}"
        for name in ours
        if theirs.get(name) != ours[name]
    )


def _sources() -> str:
    """Digest of the code that workers run, and of the rulebooks."""
    digest = hashlib.sha256()
    for package in (ballgauge_schemas, ballgauge_service):
        folder = Path(str(package.__file__)).parent
        files = sorted(file for kind in ("*.py", "*.toml") for file in folder.rglob(kind))
        for file in files:
            name = file.relative_to(folder)
            if name.parts[0] not in _NOT_COMPUTED_WITH:
                digest.update(name.as_posix().encode() + b"\0" + file.read_bytes())
    return digest.hexdigest()[:16]


def _arithmetic() -> str:
    """Digest of what numpy and the system's library make of elementary functions."""
    points = np.linspace(0.001, 40.0, _POINTS)
    functions = (np.exp, np.log, np.sin, np.cos, np.tan, np.arctan, np.arctan2, np.power)
    found = [function(*(points, 0.7)[: function.nin]) for function in functions]
    plain = [
        [math.exp(x), math.log(x), math.sin(x), math.cos(x), math.tan(x), math.atan(x), math.pow(x, 0.7)]
        for x in points.tolist()
    ]
    return hashlib.sha256(np.array(found).tobytes() + np.array(plain).tobytes()).hexdigest()[:16]
